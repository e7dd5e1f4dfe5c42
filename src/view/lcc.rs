//! An LCC frame in words.

use throwproof_protocol::address::Numbering;
use throwproof_protocol::lcc::{
    CanFrame, CanId, EventId, EventRange, Header, Kind, Meaning, Mti, NodeId,
};

/// What a frame says: by its name in the standards, and by its event.
pub fn described(frame: &CanFrame, numbering: Numbering) -> String {
    let id = match frame.id() {
        CanId::Extended(id) if !frame.is_remote() => id,
        CanId::Extended(_) => return "a remote frame, which is none of LCC's".to_owned(),
        CanId::Standard(_) => return "a frame with an 11-bit header, none of LCC's".to_owned(),
    };
    let Header { kind, source } = Header::parse(id);
    let what = match kind {
        Kind::CheckId { step, section } => {
            format!("check id {step} of 4: {section:03X}, part of the node id")
        }
        Kind::ReserveId => "reserve id: takes this alias".to_owned(),
        Kind::MapDefinition => format!("alias map definition: node {}", node(frame)),
        Kind::MapEnquiry if frame.data().is_empty() => {
            "alias mapping enquiry: all nodes".to_owned()
        }
        Kind::MapEnquiry => format!("alias mapping enquiry: node {}", node(frame)),
        Kind::MapReset => format!("alias map reset: node {} gives it up", node(frame)),
        Kind::ErrorInformation(number) => format!("error information report {number}"),
        Kind::ReservedControl(number) => format!("control frame {number:04X}, reserved"),
        Kind::Message(mti) => message(mti, frame, numbering),
        Kind::Datagram { destination, .. } => format!("datagram to alias {destination:03X}"),
        Kind::Stream { destination } => format!("stream data to alias {destination:03X}"),
        Kind::ReservedMessage { .. } => "a message of a reserved kind".to_owned(),
    };
    format!("alias {source:03X}: {what}")
}

fn node(frame: &CanFrame) -> String {
    frame
        .node_id()
        .map_or_else(|| "?".to_owned(), |node: NodeId| node.to_string())
}

fn message(mti: Mti, frame: &CanFrame, numbering: Numbering) -> String {
    let name = name(mti).map_or_else(|| format!("message {mti}"), str::to_owned);
    if mti.is_addressed() {
        let to = match frame.data() {
            [high, low, ..] => u16::from_be_bytes([high & 0x0f, *low]),
            _ => 0,
        };
        return format!("{name}, to alias {to:03X}");
    }
    if mti == Mti::CONSUMER_RANGE || mti == Mti::PRODUCER_RANGE {
        return frame.event().map_or_else(
            || name.clone(),
            |event| {
                let range = EventRange::parse(event);
                format!("{name}: {} to {}", range.first(), range.last())
            },
        );
    }
    let has_event = matches!(
        mti,
        Mti::EVENT_REPORT
            | Mti::EVENT_REPORT_FIRST
            | Mti::LEARN_EVENT
            | Mti::IDENTIFY_CONSUMER
            | Mti::IDENTIFY_PRODUCER
            | Mti::CONSUMER_VALID
            | Mti::CONSUMER_INVALID
            | Mti::CONSUMER_UNKNOWN
            | Mti::PRODUCER_VALID
            | Mti::PRODUCER_INVALID
            | Mti::PRODUCER_UNKNOWN
    );
    match frame.event().filter(|_| has_event) {
        Some(event) => format!("{name}: {}", event_in_words(event, numbering)),
        None if frame.node_id().is_some() => format!("{name}: node {}", node(frame)),
        None => name,
    }
}

fn event_in_words(event: EventId, numbering: Numbering) -> String {
    let words = match event.meaning() {
        None => return event.to_string(),
        Some(Meaning::Basic(basic)) => {
            let verb = if basic.activate {
                "activate"
            } else {
                "release"
            };
            format!(
                "{verb} output {} of address {}",
                basic.pair_bit.as_u8(),
                basic.address.keyed(numbering)
            )
        }
        Some(Meaning::Feedback {
            address,
            pair_bit,
            made,
        }) => format!(
            "contact {} of address {} {}",
            pair_bit.as_u8(),
            address.keyed(numbering),
            if made { "made" } else { "broken" }
        ),
        Some(Meaning::Sensor { number, on }) => {
            format!("sensor {number} {}", if on { "on" } else { "off" })
        }
        Some(Meaning::Extended(extended)) => format!(
            "aspect {} of address {}",
            extended.data,
            extended.address.keyed(numbering)
        ),
        Some(Meaning::Emergency { kind, begins }) => {
            format!("{kind} {}", if begins { "begins" } else { "is over" })
        }
    };
    format!("{words} ({event})")
}

/// Names of the standards. clause: Message Network S 3, Event Transport S 4, Node Information S.
fn name(mti: Mti) -> Option<&'static str> {
    Some(match mti {
        Mti::INITIALIZATION_COMPLETE => "initialization complete",
        Mti::INITIALIZATION_COMPLETE_SIMPLE => "initialization complete, simple node",
        Mti::VERIFY_NODE_ADDRESSED | Mti::VERIFY_NODE => "verify node id",
        Mti::VERIFIED_NODE => "verified node id",
        Mti::VERIFIED_NODE_SIMPLE => "verified node id, simple node",
        Mti::REJECTED => "optional interaction rejected",
        Mti::TERMINATED => "terminate due to error",
        Mti::PROTOCOL_INQUIRY => "protocol support inquiry",
        Mti::PROTOCOL_REPLY => "protocol support reply",
        Mti::IDENTIFY_CONSUMER => "identify consumer",
        Mti::CONSUMER_VALID => "consumer identified, valid",
        Mti::CONSUMER_INVALID => "consumer identified, invalid",
        Mti::CONSUMER_UNKNOWN => "consumer identified, validity unknown",
        Mti::CONSUMER_RANGE => "consumer range identified",
        Mti::IDENTIFY_PRODUCER => "identify producer",
        Mti::PRODUCER_VALID => "producer identified, valid",
        Mti::PRODUCER_INVALID => "producer identified, invalid",
        Mti::PRODUCER_UNKNOWN => "producer identified, validity unknown",
        Mti::PRODUCER_RANGE => "producer range identified",
        Mti::IDENTIFY_EVENTS_ADDRESSED | Mti::IDENTIFY_EVENTS => "identify events",
        Mti::LEARN_EVENT => "learn event",
        Mti::EVENT_REPORT => "event report",
        Mti::EVENT_REPORT_FIRST => "event report with payload",
        Mti::EVENT_REPORT_MIDDLE | Mti::EVENT_REPORT_LAST => "payload of an event report",
        Mti::INFORMATION_REQUEST => "simple node information request",
        Mti::INFORMATION_REPLY => "simple node information reply",
        Mti::DATAGRAM_OK => "datagram received OK",
        Mti::DATAGRAM_REJECTED => "datagram rejected",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use throwproof_protocol::lcc::{Decoded, GridConnect};

    use super::*;

    fn told(text: &str) -> String {
        let mut decoder = GridConnect::new();
        let Some(Decoded::Frame(frame)) = decoder.feed(text.as_bytes()).next() else {
            panic!("{text} is no frame");
        };
        described(&frame, Numbering::Linear)
    }

    #[test]
    fn frames_have_names() {
        // derived: event of a basic command by Event Identifiers TN 2.5.3.3, keyed 1 is binary 4.
        let report = told(":X195B4123N0101020000FF0009;");
        assert_eq!(
            report,
            "alias 123: event report: activate output 1 of address 1 (01.01.02.00.00.FF.00.09)"
        );
        assert_eq!(
            told(":X10700123N;"),
            "alias 123: reserve id: takes this alias"
        );
        assert_eq!(told(":X19490123N;"), "alias 123: verify node id");
        assert_eq!(
            told(":X19828123N0456;"),
            "alias 123: protocol support inquiry, to alias 456"
        );
        assert!(told(":S123N;").contains("11-bit"));
    }
}
