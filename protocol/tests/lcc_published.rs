//! The published examples of the LCC standards, read and written.
#![cfg(test)]

use throwproof_protocol::lcc::{
    Addressed, CanFrame, CanId, Decoded, EventId, GridConnect, Header, Kind, Meaning, NodeId, Part,
    alias,
};
use throwproof_protocol::{BasicAccessory, ExtendedAccessory, Packet};
use toml::{Table, Value};

fn rows(kind: &str) -> Vec<Table> {
    let file = include_str!("../../fixtures/standards/lcc.toml");
    let table: Table = file.parse().unwrap();
    let rows = table[kind].as_array().unwrap();
    rows.iter()
        .map(|row| row.as_table().unwrap().clone())
        .collect()
}

fn number(row: &Table, key: &str) -> Option<u16> {
    row.get(key)
        .and_then(Value::as_integer)
        .map(|number| u16::try_from(number).unwrap())
}

fn text<'a>(row: &'a Table, key: &str) -> Option<&'a str> {
    row.get(key).and_then(Value::as_str)
}

fn read(text: &str) -> CanFrame {
    let mut decoder = GridConnect::new();
    let found: Vec<_> = decoder.feed(text.as_bytes()).collect();
    let [Decoded::Frame(frame)] = found[..] else {
        panic!("{text} was read as {found:?}");
    };
    frame
}

fn part(row: &Table) -> Option<Part> {
    text(row, "part").map(|part| match part {
        "only" => Part::Only,
        "first" => Part::First,
        "middle" => Part::Middle,
        "last" => Part::Last,
        other => panic!("no part: {other}"),
    })
}

fn kind(row: &Table) -> Kind {
    let low = |key| u8::try_from(number(row, key).unwrap()).unwrap();
    match text(row, "kind").unwrap() {
        "check-id" => Kind::CheckId {
            step: low("step"),
            section: number(row, "section").unwrap(),
        },
        "reserve-id" => Kind::ReserveId,
        "map-definition" => Kind::MapDefinition,
        "map-enquiry" => Kind::MapEnquiry,
        "map-reset" => Kind::MapReset,
        "error-information" => Kind::ErrorInformation(low("step")),
        "message" => Kind::Message(throwproof_protocol::lcc::Mti::new(
            number(row, "mti").unwrap(),
        )),
        "datagram" => Kind::Datagram {
            part: part(row).unwrap(),
            destination: number(row, "to").unwrap(),
        },
        other => panic!("no kind: {other}"),
    }
}

#[test]
fn published_frames_are_read_and_written() {
    let rows = rows("frame");
    assert!(rows.len() > 20, "{} rows", rows.len());
    for row in rows {
        let what = text(&row, "what").unwrap();
        let frame = read(text(&row, "text").unwrap());
        let CanId::Extended(id) = frame.id() else {
            panic!("{what} has 11 bits");
        };
        let header = Header::parse(id);
        assert_eq!(header.kind, kind(&row), "{what}");
        assert_eq!(header.source, number(&row, "from").unwrap(), "{what}");
        assert_eq!(header.emit(), id, "{what}");
        assert_eq!(frame.to_string(), text(&row, "text").unwrap(), "{what}");
        if let Some(node) = text(&row, "node") {
            assert_eq!(frame.node_id(), Some(node.parse().unwrap()), "{what}");
        }
        if let Some(event) = text(&row, "event") {
            assert_eq!(frame.event(), Some(event.parse().unwrap()), "{what}");
        }
        if matches!(header.kind, Kind::Message(mti) if mti.is_addressed()) {
            let addressed = Addressed::parse(frame.data()).unwrap();
            assert_eq!(addressed.destination, number(&row, "to").unwrap(), "{what}");
            assert_eq!(Some(addressed.part), part(&row), "{what}");
        }
    }
}

#[test]
fn published_events_are_packets_and_packets_are_events() {
    let rows = rows("event");
    assert!(rows.len() > 15, "{} rows", rows.len());
    for row in rows {
        let what = text(&row, "what").unwrap();
        let event: EventId = text(&row, "event").unwrap().parse().unwrap();
        let meaning = event.meaning().unwrap();
        let packet = match meaning {
            Meaning::Basic(basic) => basic.emit(),
            Meaning::Extended(extended) => extended.emit(),
            other @ (Meaning::Feedback { .. }
            | Meaning::Sensor { .. }
            | Meaning::Emergency { .. }) => panic!("{what} is {other:?}"),
        };
        let expected = text(&row, "packet").unwrap();
        assert!(packet.to_string().starts_with(expected), "{what}: {packet}");
        let back = BasicAccessory::parse(&packet)
            .map(Meaning::Basic)
            .or_else(|_| ExtendedAccessory::parse(&packet).map(Meaning::Extended))
            .unwrap();
        assert_eq!(EventId::from(back), event, "{what}");
        assert_eq!(Packet::parse(packet.as_bytes()), Ok(packet));
    }
}

#[test]
fn published_seeds_give_their_aliases() {
    let rows = rows("seed");
    assert_eq!(rows.len(), 9);
    for row in rows {
        let seed: NodeId = text(&row, "seed").unwrap().parse().unwrap();
        let next: NodeId = text(&row, "next").unwrap().parse().unwrap();
        assert_eq!(alias::fold(seed.get()), number(&row, "alias").unwrap());
        assert_eq!(alias::step(seed.get()), next.get());
        if let Some(next_alias) = number(&row, "next_alias") {
            assert_eq!(alias::fold(next.get()), next_alias);
        }
    }
}
