//! Message Network, Simple Node Information, Datagram Transport.

use throwproof::lcc::{Ask, Happening, Node, NodeOptions};
use throwproof_protocol::lcc::{Addressed, Alias, ErrorCode, EventId, Mti, NodeInformation, Part};

use super::segment::{Segment, frame, header, options};

fn alias(number: u16) -> Alias {
    Alias::new(number).unwrap()
}

#[test]
fn nothing_but_the_alias_goes_out_before_initialization_complete() {
    // clause: Message Network S 3.4.1; CAN Frame Transfer S 5.
    let mut segment = Segment::gateway(&[4]);
    segment
        .node
        .report_contact(
            throwproof_protocol::BinaryAddress::new(4).unwrap(),
            throwproof_protocol::PairBit::One,
            true,
        )
        .unwrap();
    segment.node.ask(Ask::Nodes).unwrap();
    let mut sent = Vec::new();
    for _ in 0..30 {
        for text in [
            ":X19490123N;",
            ":X19970123N;",
            ":X19914123N0101020000FD0009;",
            ":X19828123N00D8;",
        ] {
            segment.node.frame(&frame(text), segment.now);
        }
        sent.extend(segment.drain());
        segment.wait(10);
    }
    let first_message = sent
        .iter()
        .position(|frame| !header(frame).kind.is_control())
        .unwrap();
    assert!(sent[first_message].to_string().starts_with(":X19100"));
    assert_eq!(first_message, 6);
    // The question and the report were not lost.
    let texts = super::segment::texts(&sent);
    assert!(
        texts.contains(&":X195B40D8N0101020000FD0009;".to_owned()),
        "{texts:?}"
    );
    assert!(texts.contains(&":X194900D8N;".to_owned()), "{texts:?}");
}

#[test]
fn verify_node_id_is_answered_as_asked() {
    // clause: Message Network S 3.4.2.
    let mut segment = Segment::tester().ready();
    let verified = ":X19170sssN0A123456789A;";
    segment.exchange(":X19490123N;", &[verified]);
    segment.exchange(":X19490123N0A123456789A;", &[verified]);
    segment.exchange(":X19490123N0A123456789B;", &[]);
    segment.exchange(":X19490123N0A12345678;", &[]);
    segment.exchange(":X19490123N00;", &[]);
    // Addressed: whatever id is in it, and both forms of the reserved bit.
    segment.exchange(":X19488123N0ddd;", &[verified]);
    segment.exchange(":X19488123N0ddd0A123456789A;", &[verified]);
    segment.exchange(":X19488123N0ddd050101010101;", &[verified]);
    segment.exchange(":X09488123N0ddd;", &[verified]);
    // To another node, or to nobody.
    segment.exchange(":X19488123N0456;", &[]);
    segment.exchange(":X19488123N0000;", &[]);
    segment.exchange(":X19488123N;", &[]);
    segment.exchange(":X19488123N0D;", &[]);
}

#[test]
fn protocol_support_says_what_is_there_and_no_more() {
    // clause: Message Network S 3.3.7 and 3.4.3: events 04, node information 00 10.
    for mut segment in [Segment::tester().ready(), Segment::gateway(&[4]).ready()] {
        let reply = ":X19668sssN0123041000000000;";
        segment.exchange(":X19828123N0ddd;", &[reply]);
        segment.exchange(":X19828123N0456;", &[]);
        // clause: Message Network TN 2.7.3.3.8: several frames, and more than was expected.
        segment.exchange(":X19828123N1ddd;", &[]);
        segment.exchange(":X19828123N3ddd;", &[]);
        segment.exchange(":X19828123N2ddd;", &[reply]);
        segment.exchange(":X19828123N0ddd112233445566;", &[reply]);
        // The reserved address bits are not looked at.
        segment.exchange(":X19828123N4ddd;", &[reply]);
        segment.exchange(":X19828123N8ddd;", &[reply]);
    }
}

#[test]
fn every_unknown_addressed_message_is_rejected_once() {
    // clause: Message Network S 3.5.1 and 3.3.4: error code 1043, then the MTI.
    let known = [
        Mti::VERIFY_NODE_ADDRESSED,
        Mti::PROTOCOL_INQUIRY,
        Mti::PROTOCOL_REPLY,
        Mti::REJECTED,
        Mti::TERMINATED,
        Mti::IDENTIFY_EVENTS_ADDRESSED,
        Mti::INFORMATION_REQUEST,
        Mti::INFORMATION_REPLY,
        Mti::DATAGRAM_OK,
        Mti::DATAGRAM_REJECTED,
    ];
    let mut segment = Segment::tester().ready();
    for number in 0..0x1000_u16 {
        let mti = Mti::new(number);
        let to_us = segment.ours(&format!(":X19{number:03X}123N0ddd;"));
        let sent = segment.hear(&to_us);
        if mti.is_addressed() && !known.contains(&mti) {
            let rejected = segment.ours(&format!(":X19068sssN012310430{number:03X};"));
            assert_eq!(sent, [rejected], "{to_us}");
            // In several frames: one rejection, at the end.
            for (part, replies) in [(1, 0), (3, 0), (2, 1)] {
                let text = segment.ours(&format!(":X19{number:03X}123N{part}ddd010203040506;"));
                assert_eq!(segment.hear(&text).len(), replies, "{text}");
            }
            // clause: Message Network S 3.6: what is for others is for others.
            for other in ["0456", "0000", "0"] {
                let text = format!(":X19{number:03X}123N{other};");
                if text.len() % 2 == 0 {
                    assert_eq!(segment.hear(&text), [""; 0], "{text}");
                }
            }
        } else if !mti.is_addressed() && mti != Mti::VERIFY_NODE && mti != Mti::IDENTIFY_EVENTS {
            // clause: Message Network S 3.5.2: global messages are never rejected.
            assert_eq!(sent, [""; 0], "{to_us}");
        }
    }
}

#[test]
fn rejections_and_answers_to_nothing_are_not_answered() {
    // clause: Message Network S 3.3.4 and 3.3.5: taken though not all is there.
    let mut segment = Segment::tester().ready();
    for (text, error, mti) in [
        (":X19068123N0ddd10430828;", 0x1043, Some(0x0828)),
        (":X19068123N0ddd1043;", 0x1043, None),
        (":X19068123N0ddd;", 0, None),
        (":X190A8123N0ddd2011;", 0x2011, None),
        (":X19A48123N0ddd1042;", 0x1042, None),
        (":X190A8123N1ddd10000828AABB;", 0x1000, Some(0x0828)),
    ] {
        segment.exchange(text, &[]);
        assert_eq!(
            segment.happenings.pop(),
            Some(Happening::Rejected {
                from: alias(0x123),
                error: ErrorCode::new(error),
                mti: mti.map(Mti::new),
            }),
            "{text}"
        );
    }
    for text in [
        ":X190A8123N3ddd10000828AABB;",
        ":X190A8123N2ddd;",
        ":X19668123N0ddd800000;",
        ":X19A08123N0ddd04;",
        ":X19A28123N0ddd;",
        ":X19068000N0ddd10430828;",
    ] {
        segment.exchange(text, &[]);
    }
}

#[test]
fn datagrams_and_streams_are_rejected() {
    // clause: Datagram Transport S 6 and 7.1; Message Network S 3.5.1.
    let mut segment = Segment::tester().ready();
    let rejected = ":X19A48sssN01231043;";
    segment.exchange(":X1Addd123N2043000000;", &[rejected]);
    segment.exchange(":X1Addd123N;", &[rejected]);
    segment.exchange(":X1Bddd123N2043000000000000;", &[]);
    segment.exchange(":X1Cddd123N2043000000000000;", &[]);
    segment.exchange(":X1Dddd123N20;", &[rejected]);
    segment.exchange(":X1A456123N20;", &[]);
    segment.exchange(":X1A000123N20;", &[]);
    segment.exchange(":X1Fddd123N0102;", &[":X19068sssN012310431F88;"]);
    segment.exchange(":X1F456123N0102;", &[]);
    // A stream that wants to begin is an unknown message.
    segment.exchange(":X19CC8123N0ddd0100;", &[":X19068sssN012310430CC8;"]);
    segment.exchange(":X1Addd000N20;", &[]);
}

fn information(segment: &mut Segment, from: &str) -> Vec<u8> {
    let request = segment.ours(&format!(":X19DE8{from}N0ddd;"));
    let sent = segment.hear(&request);
    let mut payload = Vec::new();
    for (place, text) in sent.iter().enumerate() {
        let frame = frame(text);
        assert_eq!(text[..10], segment.ours(":X19A08sss"), "{text}");
        let addressed = Addressed::parse(frame.data()).unwrap();
        let part = match place {
            0 => Part::First,
            place if place + 1 == sent.len() => Part::Last,
            _ => Part::Middle,
        };
        assert_eq!(addressed.part, part, "{text}");
        assert_eq!(format!("{:03X}", addressed.destination), from);
        payload.extend_from_slice(addressed.content);
    }
    payload
}

#[test]
fn node_information_comes_in_one_message_of_several_frames() {
    // clause: Simple Node Information S 5.1, 6.2, 7.
    let mut segment = Segment::tester().ready();
    let payload = information(&mut segment, "123");
    assert_eq!(payload[0], 4);
    let read = NodeInformation::parse(&payload).unwrap();
    assert_eq!(
        (read.maker(), read.model(), read.name()),
        ("throwproof", "throwproof", "bench")
    );
    assert_eq!(read.software(), env!("CARGO_PKG_VERSION"));
    let version = payload.iter().rposition(|byte| *byte == 2).unwrap();
    assert_eq!(&payload[version..], b"\x02bench\0\0");
    // clause: Simple Node Information S 6.3: constant.
    assert_eq!(information(&mut segment, "456"), payload);
    segment.exchange(":X19DE8123N0456;", &[]);
    segment.exchange(":X19DE8123N1ddd;", &[]);
}

#[test]
fn several_nodes_may_ask_at_once() {
    let mut segment = Segment::tester().ready();
    let askers: Vec<_> = (0x301..0x309_u16).collect();
    for asker in &askers {
        let text = segment.ours(&format!(":X19DE8{asker:03X}N0ddd;"));
        segment.node.frame(&frame(&text), segment.now);
    }
    let sent = segment.drain();
    // clause: Message Network S 7.3.7: the frames of a message go together.
    let order: Vec<_> = sent
        .iter()
        .map(|frame| Addressed::parse(frame.data()).unwrap().destination)
        .collect();
    let mut runs = order.clone();
    runs.dedup();
    assert_eq!(runs, askers);
}

#[test]
fn longest_texts_fit_and_longer_ones_are_refused() {
    // clause: Simple Node Information S 5.1.
    let long = NodeOptions {
        model: "m".repeat(40),
        name: "n".repeat(62),
        description: "d".repeat(63),
        ..options()
    };
    assert!(Node::tester(&long).is_ok());
    let longer = NodeOptions {
        description: "d".repeat(64),
        ..options()
    };
    assert!(Node::tester(&longer).is_err());
}

#[test]
fn questions_go_out_and_their_answers_come_in() {
    // clause: Message Network S 3.6: asked of all, answered by the asker too.
    let mut segment = Segment::tester().ready();
    let asks = [
        Ask::Nodes,
        Ask::Node("05.01.01.01.01.01".parse().unwrap()),
        Ask::Protocols(alias(0x123)),
        Ask::Information(alias(0x123)),
        Ask::EventsOf(alias(0x123)),
    ];
    for ask in asks {
        segment.node.ask(ask).unwrap();
    }
    let sent = super::segment::texts(&segment.drain());
    let expected = [
        ":X19490sssN;",
        ":X19170sssN0A123456789A;",
        ":X19490sssN050101010101;",
        ":X19828sssN0123;",
        ":X19DE8sssN0123;",
        ":X19968sssN0123;",
    ]
    .map(|text| segment.ours(text));
    assert_eq!(sent, expected);
    for text in [
        ":X19170123N050101010101;",
        ":X19668123N0ddd701000;",
        // A payload in two messages, one of them in two frames.
        ":X19A08123N1ddd044100420043;",
        ":X19A08123N2ddd004400;",
        ":X19A08123N0ddd024E004400;",
    ] {
        segment.exchange(text, &[]);
    }
    assert_eq!(
        segment.happenings,
        [
            Happening::NodeSeen {
                alias: alias(0x123),
                node: "05.01.01.01.01.01".parse().unwrap(),
            },
            Happening::Protocols {
                from: alias(0x123),
                flags: [0x70, 0x10, 0, 0, 0, 0],
            },
            Happening::Information {
                from: alias(0x123),
                texts: ["A", "B", "C", "D", "N", "D"].map(str::to_owned),
            },
        ]
    );
}

#[test]
fn information_that_never_ends_is_forgotten() {
    // clause: Message Network S 3.7: no sooner than three seconds.
    let mut segment = Segment::tester().ready();
    segment.exchange(":X19A08123N1ddd044100420043;", &[]);
    segment.wait(3_000);
    segment.exchange(":X19A08123N3ddd004400024E00;", &[]);
    segment.wait(6_000);
    segment.exchange(":X19A08123N0ddd00;", &[]);
    assert_eq!(segment.happenings, []);
    // In time it would have been whole.
    segment.exchange(":X19A08123N1ddd044100420043;", &[]);
    segment.exchange(":X19A08123N3ddd004400024E00;", &[]);
    segment.wait(3_000);
    segment.exchange(":X19A08123N2ddd4400;", &[]);
    assert_eq!(segment.happenings.len(), 1);
}

#[test]
fn learning_is_left_alone() {
    // clause: Event Transport S 6.5.
    let mut segment = Segment::tester().ready();
    segment.exchange(":X19594123N0501010101010000;", &[]);
    segment.exchange(":X19914123N0501010101010000;", &[]);
    assert_eq!(EventId::DUPLICATE_NODE_ID.meaning(), None);
}
