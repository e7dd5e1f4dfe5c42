//! A link over an LCC bus: the program is a node of it.

use std::collections::VecDeque;
use std::time::Duration;

use bytes::BytesMut;
use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, PairBit};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::lcc::{
    CanFrame, EmergencyKind, EventId, Meaning, NodeId, NodeInformationError,
};
use throwproof_protocol::packet::Packet;
use tokio_util::codec::{Decoder as _, Encoder as _};

use super::driver::{Driver, News, Ticket};
use super::live::{Engine, Live, Patience, Protocol};
use super::transport::{OpenError, Opener};
use super::{Abilities, PositionReport, Taken};
use crate::lcc::codec::FrameCodec;
use crate::lcc::{Ask, Happening, Node, NodeOptions, Side};

/// How long nodes may take to say that they take commands. No clause limits it; a node that does
/// not answer in this time is taken for none (derived: far above the time of a few frames at
/// 57,600 bit/s).
const SURVEY: Duration = Duration::from_millis(800);

/// How long a command may wait for an alias and a place on the bus.
const COMMAND_LIMIT: Duration = Duration::from_secs(3);

/// How many frames are made before they are written.
const BATCH: usize = 16;

/// A link over an LCC bus.
#[derive(Debug)]
pub struct LccLink;

impl LccLink {
    /// Opens it: reserves an alias, says what it does, and asks who takes commands.
    ///
    /// # Errors
    /// When the line can't be opened or the bus does not let the node in.
    pub async fn open(
        node: NodeId,
        opener: Box<dyn Opener>,
        patience: Patience,
    ) -> Result<Live, OpenError> {
        let options = options(node);
        let name = opener.name();
        if let Err(error) = Node::tester(&options) {
            let reason = error.to_string();
            return Err(OpenError::NoGreeting { name, reason });
        }
        Live::open(Box::new(Bus { options }), opener, patience).await
    }
}

fn options(node: NodeId) -> NodeOptions {
    NodeOptions {
        node,
        model: "turnout tester".to_owned(),
        name: String::new(),
        description: String::new(),
    }
}

struct Bus {
    options: NodeOptions,
}

impl Protocol for Bus {
    fn name(&self) -> String {
        "LCC bus".to_owned()
    }

    fn abilities(&self) -> Abilities {
        Abilities {
            position_reports: true,
            ..Abilities::default()
        }
    }

    fn can_carry(&self, packet: &Packet) -> Result<(), String> {
        let event = Node::event_for(packet);
        event.map(drop).map_err(|error| error.to_string())
    }
}

impl Engine for Bus {
    fn driver(&self) -> Box<dyn Driver> {
        Box::new(LccDriver::new(Node::tester(&self.options)))
    }
}

/// How far the greeting is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// No alias yet.
    Entering,
    /// Asked who takes commands; until then.
    Surveying(Duration),
    /// Commands go out.
    Open,
}

/// A command on its way.
#[derive(Debug, Clone, Copy)]
struct Command {
    ticket: Ticket,
    extended: bool,
    since: Duration,
}

struct LccDriver {
    node: Option<Node>,
    /// Why there is no node.
    fault: String,
    codec: FrameCodec,
    stage: Stage,
    /// Commands whose frames the node still has, the oldest first.
    queued: VecDeque<Command>,
    /// Commands whose frames are being written.
    leaving: Vec<Command>,
    takes_basic: bool,
    takes_extended: bool,
    told_extended: bool,
    held: Option<String>,
    /// Once the node has given up its alias: what is told when that is written.
    farewell: Option<News>,
    news: VecDeque<News>,
}

impl LccDriver {
    fn new(node: Result<Node, NodeInformationError>) -> Self {
        let (node, fault) = match node {
            Ok(node) => (Some(node), String::new()),
            Err(error) => (None, error.to_string()),
        };
        Self {
            node,
            fault,
            codec: FrameCodec::new(),
            stage: Stage::Entering,
            queued: VecDeque::new(),
            leaving: Vec::new(),
            takes_basic: false,
            takes_extended: false,
            told_extended: false,
            held: None,
            farewell: None,
            news: VecDeque::new(),
        }
    }

    fn hear(&mut self, now: Duration) {
        while let Some(happening) = self.node.as_mut().and_then(Node::next_happening) {
            self.heard(&happening, now);
        }
        self.look_for_emergencies();
    }

    fn heard(&mut self, happening: &Happening, now: Duration) {
        match happening {
            Happening::Ready => self.survey(now),
            Happening::Released => self.farewell = Some(News::Left),
            Happening::AliasTrouble { conflicts } => self.remark(format!(
                "{conflicts} aliases in a row were taken by others: does the line echo what is \
                 sent to it?"
            )),
            Happening::DuplicateNodeId { alias } => self.remark(format!(
                "another node (alias {alias:03X}) has this program's node id; give one of them \
                 another, this program by --node-id"
            )),
            Happening::Position {
                address,
                pair_bit,
                made,
                ..
            } => self.news.push_back(News::Position(PositionReport {
                at: now,
                address: *address,
                pair_bit: *pair_bit,
                made: *made,
            })),
            Happening::Identified {
                from,
                side: Side::Consumer,
                event,
                ..
            } if self.is_other(*from) => self.takes(|wanted| wanted == *event),
            Happening::RangeIdentified {
                from,
                side: Side::Consumer,
                range,
            } if self.is_other(*from) => self.takes(|wanted| range.contains(wanted)),
            Happening::Permitted { .. }
            | Happening::AliasLost { .. }
            | Happening::NodeSeen { .. }
            | Happening::NodeGone { .. }
            | Happening::Basic { .. }
            | Happening::Extended { .. }
            | Happening::Standing { .. }
            | Happening::Emergency { .. }
            | Happening::Event { .. }
            | Happening::Identified { .. }
            | Happening::RangeIdentified { .. }
            | Happening::Protocols { .. }
            | Happening::Information { .. }
            | Happening::Rejected { .. } => {}
        }
    }

    fn is_other(&self, alias: u16) -> bool {
        let own = self.node.as_ref().and_then(Node::alias);
        own.is_none_or(|own| own.get() != alias)
    }

    /// Asks whether all is well and who takes commands, once it may.
    fn survey(&mut self, now: Duration) {
        if self.stage != Stage::Entering {
            return;
        }
        self.stage = Stage::Surveying(now + SURVEY);
        // Whoever answers in the order asked has told of emergencies when it says that it takes
        // commands.
        let emergencies = [EmergencyKind::Off, EmergencyKind::Stop].map(|kind| {
            let begins = true;
            Ask::Event(Side::Producer, Meaning::Emergency { kind, begins }.into())
        });
        let commands =
            [extended_event(), basic_event()].map(|event| Ask::Event(Side::Consumer, event));
        let Some(node) = &mut self.node else { return };
        for ask in emergencies.into_iter().chain(commands) {
            if let Err(error) = node.ask(ask) {
                tracing::warn!(%error, "not asked");
            }
        }
    }

    fn takes(&mut self, holds: impl Fn(EventId) -> bool) {
        self.takes_basic |= holds(basic_event());
        self.takes_extended |= holds(extended_event());
        if self.takes_basic && matches!(self.stage, Stage::Surveying(_)) {
            self.ready();
        }
    }

    fn ready(&mut self) {
        self.stage = Stage::Open;
        if !self.takes_basic {
            self.remark(
                "no node on this LCC bus says that it takes DCC accessory commands: is the \
                 command station on the bus? Throws are sent all the same"
                    .to_owned(),
            );
        }
        self.news.push_back(News::Ready);
    }

    fn look_for_emergencies(&mut self) {
        let Some(node) = &self.node else { return };
        let is_on = |kind| node.emergency(kind) == Some(true);
        let held = if is_on(EmergencyKind::Off) {
            Some("emergency off on the layout: there is no power until it is cleared")
        } else if is_on(EmergencyKind::Stop) {
            Some("emergency stop on the layout: nothing is sent until it is cleared")
        } else {
            None
        };
        let held = held.map(str::to_owned);
        if held != self.held {
            self.held.clone_from(&held);
            self.news.push_back(News::Held(held));
        }
    }

    fn remark(&mut self, text: String) {
        self.news.push_back(News::Remark(text));
    }

    /// What became of a command that is on the bus. Event reports are not acknowledged; what is
    /// known is whether anybody takes them.
    fn outcome(&mut self, command: Command) {
        let taken = if command.extended {
            if !self.takes_extended && !self.told_extended {
                self.told_extended = true;
                self.remark(
                    "no node on this LCC bus says that it takes extended accessory commands: \
                     signals of that kind will not change"
                        .to_owned(),
                );
            }
            self.takes_extended
        } else {
            self.takes_basic
        };
        let taken = if taken {
            Taken::Acknowledged
        } else {
            Taken::Unanswered
        };
        self.news.push_back(News::Taken(command.ticket, taken));
    }

    /// Says that the node has left, if it has. Said before its last frames are written, those
    /// would stay behind with the line.
    fn part(&mut self) {
        self.news.extend(self.farewell.take());
    }

    fn take_frame(&mut self, frame: &CanFrame, now: Duration) {
        if let Some(node) = &mut self.node {
            node.frame(frame, now);
        }
        self.hear(now);
    }
}

/// The address whose commands nodes are asked about: a command station takes those of all.
fn asked_for() -> BinaryAddress {
    KeyedAddress::MIN.binary(Numbering::Linear)
}

fn basic_event() -> EventId {
    Meaning::Basic(BasicAccessory::new(asked_for(), PairBit::One, true)).into()
}

fn extended_event() -> EventId {
    Meaning::Extended(ExtendedAccessory::new(asked_for(), 0)).into()
}

impl Driver for LccDriver {
    fn opened(&mut self, _now: Duration) {
        match &mut self.node {
            Some(node) => node.start(),
            None => self.news.push_back(News::Broken(self.fault.clone())),
        }
    }

    fn receive(&mut self, source: &mut BytesMut, now: Duration) {
        // Reading frames fails only with the stream, which is not read here.
        while let Ok(Some(frame)) = self.codec.decode(source) {
            self.take_frame(&frame, now);
        }
    }

    fn tick(&mut self, _source: &mut BytesMut, now: Duration) {
        if let Some(node) = &mut self.node {
            node.tick(now);
        }
        self.hear(now);
        if matches!(self.stage, Stage::Surveying(until) if until <= now) {
            self.ready();
        }
        let waits = self.queued.front().map(|command| command.since);
        if waits.is_some_and(|since| since + COMMAND_LIMIT <= now) {
            // Sent later, an activation could be the last thing on the wire.
            if let Some(node) = &mut self.node {
                let unsent = node.forget_unsent();
                tracing::warn!(unsent = unsent.len(), "commands did not get on the bus");
            }
            let reason = "the bus let no command in: no alias was to be had".to_owned();
            self.news.push_back(News::Broken(reason));
        }
    }

    fn deadline(&self) -> Option<Duration> {
        let node = self.node.as_ref().and_then(Node::next_deadline);
        let survey = match self.stage {
            Stage::Surveying(until) => Some(until),
            Stage::Entering | Stage::Open => None,
        };
        let command = self.queued.front().map(|one| one.since + COMMAND_LIMIT);
        [node, survey, command].into_iter().flatten().min()
    }

    fn submit(&mut self, ticket: Ticket, packet: &Packet, now: Duration) {
        let Some(node) = &mut self.node else { return };
        match node.send_packet(packet) {
            Ok(event) => self.queued.push_back(Command {
                ticket,
                extended: matches!(event.meaning(), Some(Meaning::Extended(_))),
                since: now,
            }),
            Err(error) => {
                let refused = Taken::Refused(error.to_string());
                self.news.push_back(News::Taken(ticket, refused));
            }
        }
    }

    fn output(&mut self, out: &mut BytesMut, now: Duration) {
        for _ in 0..BATCH {
            let Some(frame) = self.node.as_mut().and_then(|node| node.next_frame(now)) else {
                break;
            };
            if let Err(error) = self.codec.encode(frame, out) {
                self.news.push_back(News::Broken(error.to_string()));
            }
        }
        let unsent = self.node.as_ref().map_or(0, Node::unsent_events);
        while self.queued.len() > unsent {
            self.leaving.extend(self.queued.pop_front());
        }
        self.hear(now);
        if out.is_empty() {
            self.part();
        }
    }

    fn written(&mut self, _now: Duration) {
        for command in std::mem::take(&mut self.leaving) {
            self.outcome(command);
        }
        self.part();
    }

    fn leave(&mut self, now: Duration) {
        match &mut self.node {
            Some(node) => node.release(),
            None => self.news.push_back(News::Left),
        }
        self.hear(now);
    }

    fn news(&mut self) -> Option<News> {
        self.news.pop_front()
    }

    fn dropped(&self) -> String {
        let drops = self.codec.tally().all_drops();
        if drops == 0 {
            return String::new();
        }
        format!("{drops} pieces that are no LCC frame")
    }
}
