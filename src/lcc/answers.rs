//! What a node does with messages: answers requests, hears reports, takes answers.
//!
//! Deviation: a node may report a duplicate of its id by an event and then has to be silent until
//! it is reset (CAN Frame Transfer S 6.2.6). This one tells its owner instead: silence could leave
//! an output active.

use std::collections::BTreeMap;
use std::time::Duration;

use throwproof_protocol::lcc::{
    Addressed, Alias, Assembly, CanFrame, ErrorCode, EventId, EventRange, Meaning, Mti, NodeId,
    NodeInformation, Part, message as messages, snip,
};

use super::access::Effect;
use super::duties::{Role, Side, Validity};
use super::happening::{Ask, Happening};
use super::node::{Node, message};

/// Protocol flags: events (04 in the first byte), node information (10 in the second). Not the
/// simple set, since the node asks for the full one; not identification, which no adopted standard
/// defines. All six bytes are sent, so that no reader misses one.
///
/// clause: Message Network S 3.3.7.
const PROTOCOLS: [u8; 6] = [0x04, 0x10, 0, 0, 0, 0];

/// Other nodes' messages being put together at the same time.
const MAX_PARTS: usize = 32;
/// No shorter than three seconds.
///
/// clause: Message Network S 3.7.
const PATIENCE: Duration = Duration::from_secs(5);

/// Node information on its way from other nodes.
#[derive(Debug, Default)]
pub(super) struct Parts {
    begun: BTreeMap<u16, Incoming>,
}

#[derive(Debug)]
struct Incoming {
    message: Assembly<{ snip::MAX_LEN }>,
    payload: Vec<u8>,
    last: Duration,
}

impl Parts {
    pub(super) fn forget(&mut self, source: u16) {
        self.begun.remove(&source);
    }

    /// Takes the next frame; the payload when it is whole. A payload may be one message or
    /// several.
    ///
    /// clause: Simple Node Information S 6.2.
    fn take(&mut self, source: u16, part: Part, content: &[u8], now: Duration) -> Option<Vec<u8>> {
        self.begun
            .retain(|_, incoming| now.saturating_sub(incoming.last) <= PATIENCE);
        if !self.begun.contains_key(&source) && self.begun.len() >= MAX_PARTS {
            return None;
        }
        let incoming = self.begun.entry(source).or_insert_with(|| Incoming {
            message: Assembly::new(),
            payload: Vec::new(),
            last: now,
        });
        incoming.last = now;
        let Ok(whole) = incoming.message.take(part, content) else {
            // A new message in place of the one before it, or one that can't be read.
            incoming.payload.clear();
            return None;
        };
        incoming.payload.extend_from_slice(whole?);
        let is_whole = NodeInformation::is_whole(&incoming.payload);
        if is_whole || incoming.payload.len() > snip::MAX_LEN {
            return self.begun.remove(&source).map(|incoming| incoming.payload);
        }
        None
    }
}

impl Node {
    pub(super) fn message(&mut self, mti: Mti, source: u16, frame: &CanFrame, now: Duration) {
        if mti.is_addressed() {
            if let Some(addressed) = Addressed::parse(frame.data())
                && self.is_for_us(addressed.destination)
            {
                self.addressed(mti, source, addressed, now);
            }
            return;
        }
        match mti {
            Mti::VERIFY_NODE => self.verify(frame),
            Mti::INITIALIZATION_COMPLETE
            | Mti::INITIALIZATION_COMPLETE_SIMPLE
            | Mti::VERIFIED_NODE
            | Mti::VERIFIED_NODE_SIMPLE => {
                let mut effect = Effect::default();
                self.access.learn(source, frame.node_id(), &mut effect);
                self.affect(effect, source);
            }
            Mti::IDENTIFY_EVENTS => {
                if self.alias().is_some() {
                    self.call_roll();
                }
            }
            _ => {
                // clause: Message Network S 3.5.2: other global messages are dropped silently.
                if let Some(event) = frame.event() {
                    self.event_message(mti, source, event);
                }
            }
        }
    }

    fn event_message(&mut self, mti: Mti, source: u16, event: EventId) {
        match mti {
            // A report with payload is a report; its first frame has the event.
            Mti::EVENT_REPORT | Mti::EVENT_REPORT_FIRST => self.reported(source, event),
            Mti::IDENTIFY_PRODUCER => self.identify(Side::Producer, event),
            Mti::IDENTIFY_CONSUMER => self.identify(Side::Consumer, event),
            Mti::PRODUCER_VALID => self.heard(source, Side::Producer, event, Validity::Valid),
            Mti::PRODUCER_INVALID => self.heard(source, Side::Producer, event, Validity::Invalid),
            Mti::PRODUCER_UNKNOWN => self.heard(source, Side::Producer, event, Validity::Unknown),
            Mti::CONSUMER_VALID => self.heard(source, Side::Consumer, event, Validity::Valid),
            Mti::CONSUMER_INVALID => self.heard(source, Side::Consumer, event, Validity::Invalid),
            Mti::CONSUMER_UNKNOWN => self.heard(source, Side::Consumer, event, Validity::Unknown),
            Mti::PRODUCER_RANGE => self.heard_range(source, Side::Producer, event),
            Mti::CONSUMER_RANGE => self.heard_range(source, Side::Consumer, event),
            // clause: Event Transport S 6.5: learning is optional; these events are fixed.
            _ => {}
        }
    }

    /// An event happened elsewhere.
    fn reported(&mut self, from: u16, event: EventId) {
        let Some(meaning) = event.meaning() else {
            self.tell(Happening::Event { from, event });
            return;
        };
        let is_new = self.duties.consumes(meaning) && self.duties.happened(meaning);
        self.tell(match meaning {
            Meaning::Basic(command) => Happening::Basic { from, command },
            Meaning::Extended(command) => Happening::Extended { from, command },
            Meaning::Feedback {
                address,
                pair_bit,
                made,
            } => Happening::Position {
                from,
                address,
                pair_bit,
                made,
            },
            Meaning::Emergency { kind, begins } if is_new => {
                Happening::Emergency { from, kind, begins }
            }
            Meaning::Emergency { .. } | Meaning::Sensor { .. } => Happening::Event { from, event },
        });
    }

    fn heard(&mut self, from: u16, side: Side, event: EventId, validity: Validity) {
        if side == Side::Producer
            && let Some(Meaning::Feedback {
                address,
                pair_bit,
                made,
            }) = event.meaning()
        {
            let made = match validity {
                Validity::Valid => Some(made),
                Validity::Invalid => Some(!made),
                Validity::Unknown => None,
            };
            self.tell(Happening::Standing {
                from,
                address,
                pair_bit,
                made,
            });
        }
        // Whoever comes to the bus in an emergency learns of it only so: it began before.
        if side == Side::Producer
            && validity == Validity::Valid
            && self.duties.role() == Role::Tester
            && let Some(meaning @ Meaning::Emergency { begins: true, .. }) = event.meaning()
        {
            self.duties.happened(meaning);
        }
        self.tell(Happening::Identified {
            from,
            side,
            event,
            validity,
        });
    }

    fn heard_range(&mut self, from: u16, side: Side, event: EventId) {
        let range = EventRange::parse(event);
        self.tell(Happening::RangeIdentified { from, side, range });
    }

    /// clause: Message Network S 3.4.2.
    fn verify(&mut self, frame: &CanFrame) {
        if frame.data().is_empty() || frame.node_id() == Some(self.node()) {
            self.verified();
        }
    }

    fn verified(&mut self) {
        if let Some(alias) = self.alias() {
            let frame = self.with_node_id(Mti::VERIFIED_NODE, alias);
            self.reply(&[frame]);
        }
    }

    /// clause: Event Transport S 6.3 and 6.4.
    fn identify(&mut self, side: Side, event: EventId) {
        if let Some(validity) = self.duties.validity(side, event)
            && let Some(alias) = self.alias()
        {
            self.reply(&[message(
                side.identified_mti(validity),
                alias,
                &event.to_bytes(),
            )]);
        }
    }

    fn addressed(&mut self, mti: Mti, source: u16, addressed: Addressed<'_>, now: Duration) {
        let Some(from) = Alias::from_low_bits(source) else {
            // Alias zero stands for nobody: there is no one to answer.
            return;
        };
        let Addressed { part, content, .. } = addressed;
        match mti {
            Mti::REJECTED | Mti::TERMINATED | Mti::DATAGRAM_REJECTED => {
                self.was_rejected(from, part, content);
            }
            Mti::PROTOCOL_REPLY => self.protocols(from, part, content),
            Mti::INFORMATION_REPLY => self.described(from, part, content, now),
            // Nothing was sent that this would answer.
            Mti::DATAGRAM_OK => {}
            // All others are requests, answered when the last frame is there.
            _ if !part.ends() => {}
            // clause: Message Network S 3.4.2: whatever node id is in it.
            Mti::VERIFY_NODE_ADDRESSED => self.verified(),
            Mti::IDENTIFY_EVENTS_ADDRESSED => self.call_roll(),
            Mti::PROTOCOL_INQUIRY => self.respond(Mti::PROTOCOL_REPLY, from, &PROTOCOLS),
            Mti::INFORMATION_REQUEST => {
                let information = self.information.clone();
                self.respond(Mti::INFORMATION_REPLY, from, &information);
            }
            // clause: Message Network S 3.5.1.
            unknown => self.reject(Mti::REJECTED, from, unknown),
        }
    }

    /// clause: Datagram Transport S 6: no datagrams are understood here. One answer for each
    /// datagram, at its end.
    pub(super) fn datagram(&mut self, part: Part, destination: u16, source: u16) {
        if self.is_for_us(destination)
            && part.ends()
            && let Some(from) = Alias::from_low_bits(source)
        {
            let [high, low] = ErrorCode::UNKNOWN_MTI.get().to_be_bytes();
            self.respond(Mti::DATAGRAM_REJECTED, from, &[high, low]);
        }
    }

    /// clause: Message Network S 3.5.1: no streams are understood here.
    pub(super) fn stream(&mut self, destination: u16, source: u16) {
        if self.is_for_us(destination)
            && let Some(from) = Alias::from_low_bits(source)
        {
            self.reject(Mti::REJECTED, from, Mti::STREAM_DATA);
        }
    }

    fn is_for_us(&self, destination: u16) -> bool {
        self.alias().map(Alias::get) == Some(destination)
    }

    /// clause: Message Network S 3.3.4: error code, then MTI.
    fn reject(&mut self, with: Mti, to: Alias, what: Mti) {
        let [high, low] = ErrorCode::UNKNOWN_MTI.get().to_be_bytes();
        let [mti_high, mti_low] = what.get().to_be_bytes();
        self.respond(with, to, &[high, low, mti_high, mti_low]);
    }

    fn respond(&mut self, mti: Mti, to: Alias, content: &[u8]) {
        if let Some(alias) = self.alias() {
            let frames: Vec<_> = messages::frames(mti, alias, to, content).collect();
            self.reply(&frames);
        }
    }

    fn reply(&mut self, frames: &[CanFrame]) {
        if !self.replies.push(frames) {
            self.tally.replies_dropped = self.tally.replies_dropped.saturating_add(1);
        }
    }

    /// clause: Message Network S 3.3.4 and 3.3.5: taken even if not all of it is there, and never
    /// answered.
    fn was_rejected(&mut self, from: Alias, part: Part, content: &[u8]) {
        if matches!(part, Part::Only | Part::First) {
            let number = |place: usize| {
                let byte = |place| content.get(place).copied().unwrap_or(0);
                u16::from_be_bytes([byte(place), byte(place + 1)])
            };
            self.tell(Happening::Rejected {
                from,
                error: ErrorCode::new(number(0)),
                mti: (content.len() >= 4).then(|| Mti::new(number(2))),
            });
        }
    }

    fn protocols(&mut self, from: Alias, part: Part, content: &[u8]) {
        // The first frame has all the flags known here.
        if matches!(part, Part::Only | Part::First) {
            let mut flags = [0; 6];
            for (to, byte) in flags.iter_mut().zip(content) {
                *to = *byte;
            }
            self.tell(Happening::Protocols { from, flags });
        }
    }

    fn described(&mut self, from: Alias, part: Part, content: &[u8], now: Duration) {
        let Some(payload) = self.parts.take(from.get(), part, content, now) else {
            return;
        };
        if let Ok(information) = NodeInformation::parse(&payload) {
            let texts = [
                information.maker(),
                information.model(),
                information.hardware(),
                information.software(),
                information.name(),
                information.description(),
            ];
            self.tell(Happening::Information {
                from,
                texts: texts.map(str::to_owned),
            });
        }
    }

    /// The frame of a question. Asked of all, the node answers it too.
    ///
    /// clause: Message Network S 3.6.
    pub(super) fn ask_frame(&mut self, ask: Ask, alias: Alias) -> CanFrame {
        let to = |mti, other: Alias| {
            let addressed = Addressed {
                part: Part::Only,
                destination: other.get(),
                content: &[],
            };
            addressed.frame(mti, alias)
        };
        match ask {
            Ask::Nodes => {
                self.verified();
                message(Mti::VERIFY_NODE, alias, &[])
            }
            Ask::Node(node) => self.verify_frame(node, alias),
            Ask::Event(side, event) => {
                self.identify(side, event);
                let mti = match side {
                    Side::Producer => Mti::IDENTIFY_PRODUCER,
                    Side::Consumer => Mti::IDENTIFY_CONSUMER,
                };
                message(mti, alias, &event.to_bytes())
            }
            Ask::Events => {
                self.call_roll();
                message(Mti::IDENTIFY_EVENTS, alias, &[])
            }
            Ask::EventsOf(other) => to(Mti::IDENTIFY_EVENTS_ADDRESSED, other),
            Ask::Protocols(other) => to(Mti::PROTOCOL_INQUIRY, other),
            Ask::Information(other) => to(Mti::INFORMATION_REQUEST, other),
        }
    }

    fn verify_frame(&mut self, node: NodeId, alias: Alias) -> CanFrame {
        if node == self.node() {
            self.verified();
        }
        message(Mti::VERIFY_NODE, alias, &node.to_bytes())
    }
}
