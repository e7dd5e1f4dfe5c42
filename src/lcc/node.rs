//! The node: frames and time in, frames and happenings out.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use throwproof_protocol::address::BinaryAddress;
use throwproof_protocol::lcc::snip::MAX_LEN;
use throwproof_protocol::lcc::{
    Alias, CanFrame, CanId, EmergencyKind, EventId, Header, Kind, Mti, NodeId, NodeInformation,
    NodeInformationError,
};
use throwproof_protocol::packet::Packet;

use super::access::{Access, Effect, Passage};
use super::answers::Parts;
use super::duties::{Duties, Entry, Role, Side};
use super::happening::{Ask, Happening};
use super::outbox::{MAX_HAPPENINGS, NodeTally, Outgoing, Replies};

/// What a node is told about itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NodeOptions {
    /// Its id.
    pub node: NodeId,
    /// What it is, shown by other programs: `throwproof`, `simulated track`.
    pub model: String,
    /// What its owner calls it; may be empty.
    pub name: String,
    /// What its owner says of it; may be empty.
    pub description: String,
}

/// What a node cannot send.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SendError {
    /// No event stands for such a packet.
    #[error(
        "LCC carries basic and extended accessory commands only: no event stands for packet {0}"
    )]
    NotCarried(Packet),
    /// A gateway commands nothing, a tester reports nothing.
    #[error("this node does not produce such events")]
    NotProduced,
    /// The line takes no frames.
    #[error("too many messages are waiting: the line takes none")]
    Full,
}

/// How far a node is with saying that it is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Initialization complete has yet to go.
    Greeting,
    /// What is produced and consumed has yet to go.
    Announcing,
    /// Events may happen.
    Advertised,
}

/// What went out last, so that nothing waits for ever behind something else.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
enum Last {
    /// A frame about aliases.
    Control,
    /// Anything else, or nothing.
    #[default]
    Message,
}

/// A node.
///
/// Call [`Self::start`] when the line is up, [`Self::frame`] for each frame received,
/// [`Self::tick`] at [`Self::next_deadline`], and after each of them take all of
/// [`Self::next_frame`] and [`Self::next_happening`]. All times are on one clock of the owner's.
#[derive(Debug)]
pub struct Node {
    pub(super) access: Access,
    pub(super) duties: Duties,
    pub(super) information: Vec<u8>,
    pub(super) replies: Replies,
    pub(super) parts: Parts,
    pub(super) events: VecDeque<Outgoing>,
    pub(super) asks: VecDeque<Ask>,
    stage: Stage,
    last: Last,
    /// What is still to be told of what is produced and consumed.
    roll: VecDeque<Entry>,
    /// It was asked for again while it was being told.
    roll_again: bool,
    pub(super) releasing: bool,
    happenings: VecDeque<Happening>,
    pub(super) tally: NodeTally,
}

impl Node {
    /// A node that commands accessories and hears position reports and emergencies.
    ///
    /// # Errors
    /// When a text is too long for the node information.
    pub fn tester(options: &NodeOptions) -> Result<Self, NodeInformationError> {
        Self::new(options, Role::Tester)
    }

    /// A command station: it hears commands and reports the positions of these turnouts.
    ///
    /// # Errors
    /// When a text is too long for the node information.
    pub fn gateway(
        options: &NodeOptions,
        reporting: impl IntoIterator<Item = BinaryAddress>,
    ) -> Result<Self, NodeInformationError> {
        let mut node = Self::new(options, Role::Gateway)?;
        for address in reporting {
            node.duties.report_turnout(address);
        }
        Ok(node)
    }

    fn new(options: &NodeOptions, role: Role) -> Result<Self, NodeInformationError> {
        let information = NodeInformation::new([
            "throwproof",
            &options.model,
            "none",
            env!("CARGO_PKG_VERSION"),
            &options.name,
            &options.description,
        ])?;
        Ok(Self {
            access: Access::new(options.node),
            duties: Duties::new(role),
            information: information.emit(&mut [0; MAX_LEN]).to_vec(),
            replies: Replies::default(),
            parts: Parts::default(),
            events: VecDeque::new(),
            asks: VecDeque::new(),
            stage: Stage::Greeting,
            last: Last::default(),
            roll: VecDeque::new(),
            roll_again: false,
            releasing: false,
            happenings: VecDeque::new(),
            tally: NodeTally::default(),
        })
    }

    /// The line is up, for the first time or again: reserves an alias. Events not yet sent stay;
    /// see [`Self::forget_unsent`].
    pub fn start(&mut self) {
        self.silence();
        self.releasing = false;
        self.access.start();
    }

    /// Drops events not yet sent, and says which: after the line was down, an activation from
    /// before may be the last thing wanted.
    pub fn forget_unsent(&mut self) -> Vec<EventId> {
        let unsent = self.events.drain(..).filter_map(|outgoing| match outgoing {
            Outgoing::Report(event) => Some(event),
            Outgoing::Announce(_) => None,
        });
        unsent.collect()
    }

    /// Takes a frame received.
    pub fn frame(&mut self, frame: &CanFrame, now: Duration) {
        self.tick(now);
        let id = match frame.id() {
            CanId::Extended(id) if !frame.is_remote() => id,
            // clause: CAN Frame Transfer S 4: 11-bit and remote frames must do no harm.
            CanId::Extended(_) | CanId::Standard(_) => {
                self.tally.foreign_frames = self.tally.foreign_frames.saturating_add(1);
                return;
            }
        };
        let header = Header::parse(id);
        let effect = self.access.receive(header, frame, now);
        self.affect(effect, header.source);
        match header.kind {
            Kind::Message(mti) => self.message(mti, header.source, frame, now),
            Kind::Datagram { part, destination } => {
                self.datagram(part, destination, header.source);
            }
            Kind::Stream { destination } => self.stream(destination, header.source),
            // Control frames were dealt with above; clause: Message Network TN 2.7.3.1.2.1: kinds
            // 0 and 6 are ignored.
            Kind::CheckId { .. }
            | Kind::ReserveId
            | Kind::MapDefinition
            | Kind::MapEnquiry
            | Kind::MapReset
            | Kind::ErrorInformation(_)
            | Kind::ReservedControl(_)
            | Kind::ReservedMessage { .. } => {}
        }
    }

    /// Does what is due by now.
    pub fn tick(&mut self, now: Duration) {
        self.access.tick(now);
    }

    /// When [`Self::tick`] has something to do.
    pub fn next_deadline(&self) -> Option<Duration> {
        self.access.deadline()
    }

    /// The next frame to send; it counts as sent at `now`.
    pub fn next_frame(&mut self, now: Duration) -> Option<CanFrame> {
        self.tick(now);
        // However often the alias is asked for, messages get every other turn.
        if self.last == Last::Control
            && let Some(alias) = self.access.alias()
            && let Some(frame) = self.next_message(alias)
        {
            self.last = Last::Message;
            return Some(frame);
        }
        if let Some((frame, passage)) = self.access.pop(now) {
            self.last = Last::Control;
            match passage {
                Passage::Sent => {}
                Passage::Entered(alias) => {
                    self.stage = Stage::Greeting;
                    self.roll = self.duties.entries().into();
                    self.roll_again = false;
                    self.tell(Happening::Permitted { alias });
                }
                Passage::Left => self.tell(Happening::Released),
            }
            return Some(frame);
        }
        let alias = self.access.alias()?;
        self.next_message(alias).or_else(|| {
            if !self.releasing {
                return None;
            }
            self.access.release();
            self.access.pop(now).map(|(frame, _)| {
                self.tell(Happening::Released);
                frame
            })
        })
    }

    fn next_message(&mut self, alias: Alias) -> Option<CanFrame> {
        // clause: Message Network S 3.4.1: before any other message.
        if self.stage == Stage::Greeting {
            self.stage = Stage::Announcing;
            return Some(self.with_node_id(Mti::INITIALIZATION_COMPLETE, alias));
        }
        // clause: Event Transport S 6: said before it may happen.
        if self.stage == Stage::Announcing {
            if let Some(entry) = self.roll.pop_front() {
                return Some(self.entry_frame(entry, alias));
            }
            self.stage = Stage::Advertised;
            self.tell(Happening::Ready);
        }
        // Reports go before replies, and may go between the frames of a longer reply.
        // clause: Message Network S 7.3.7: a higher priority message may come between.
        if let Some(frame) = self.next_event() {
            return Some(frame);
        }
        // After each whole reply it is the turn of something else, however many are waiting.
        if self.replies.take_yield()
            && let Some(frame) = self.next_of_own(alias)
        {
            return Some(frame);
        }
        self.replies.pop().or_else(|| self.next_of_own(alias))
    }

    /// The next event report, if reports may go at all.
    fn next_event(&mut self) -> Option<CanFrame> {
        let alias = self.access.alias()?;
        if self.stage != Stage::Advertised {
            return None;
        }
        Some(match self.events.pop_front()? {
            Outgoing::Report(event) => message(Mti::EVENT_REPORT, alias, &event.to_bytes()),
            Outgoing::Announce(event) => {
                self.entry_frame(Entry::Event(Side::Producer, event), alias)
            }
        })
    }

    /// The next of the owner's questions, or of what is told about all events.
    fn next_of_own(&mut self, alias: Alias) -> Option<CanFrame> {
        if let Some(ask) = self.asks.pop_front() {
            return Some(self.ask_frame(ask, alias));
        }
        if self.roll.is_empty() && self.roll_again {
            self.roll_again = false;
            self.roll = self.duties.entries().into();
        }
        let entry = self.roll.pop_front()?;
        Some(self.entry_frame(entry, alias))
    }

    /// The next thing the owner should know.
    pub fn next_happening(&mut self) -> Option<Happening> {
        self.happenings.pop_front()
    }

    /// The node's id.
    pub const fn node(&self) -> NodeId {
        self.access.node()
    }

    /// The node's alias, when it may send.
    pub const fn alias(&self) -> Option<Alias> {
        self.access.alias()
    }

    /// Has it said what it produces and consumes, so that its event reports go out?
    pub const fn is_ready(&self) -> bool {
        matches!(self.stage, Stage::Advertised) && self.access.alias().is_some()
    }

    /// Did it give its alias back?
    pub const fn is_released(&self) -> bool {
        self.access.is_released()
    }

    /// How many of its event reports have yet to be taken by [`Self::next_frame`].
    pub fn unsent_events(&self) -> usize {
        self.events.len()
    }

    /// What was dropped and ignored.
    pub const fn tally(&self) -> NodeTally {
        self.tally
    }

    /// The other nodes on this segment, as far as they told their ids.
    pub const fn others(&self) -> &BTreeMap<Alias, NodeId> {
        self.access.others()
    }

    /// Is there an emergency? Not known until a node said so.
    pub const fn emergency(&self, kind: EmergencyKind) -> Option<bool> {
        self.duties.emergency(kind)
    }

    pub(super) fn tell(&mut self, happening: Happening) {
        if self.happenings.len() >= MAX_HAPPENINGS {
            self.happenings.pop_front();
            self.tally.happenings_dropped = self.tally.happenings_dropped.saturating_add(1);
        }
        self.happenings.push_back(happening);
    }

    pub(super) fn affect(&mut self, effect: Effect, source: u16) {
        if let Some(alias) = effect.lost {
            self.silence();
            self.tell(Happening::AliasLost { alias });
        }
        if let Some(conflicts) = effect.trouble {
            self.tell(Happening::AliasTrouble { conflicts });
        }
        if effect.duplicate {
            self.tell(Happening::DuplicateNodeId { alias: source });
        }
        if let Some((alias, node)) = effect.seen {
            self.tell(Happening::NodeSeen { alias, node });
        }
        if let Some(alias) = effect.gone {
            self.parts.forget(alias.get());
            self.tell(Happening::NodeGone { alias });
        }
    }

    /// Forgets what was to be sent under the alias. Events and questions stay: they are sent under
    /// the next one.
    fn silence(&mut self) {
        self.replies.clear();
        self.roll.clear();
        self.roll_again = false;
        self.stage = Stage::Greeting;
        self.parts = Parts::default();
    }

    /// Everything produced and consumed is to be told.
    pub(super) fn call_roll(&mut self) {
        self.roll_again = true;
    }

    fn entry_frame(&self, entry: Entry, alias: Alias) -> CanFrame {
        match entry {
            Entry::Range(side, range) => message(side.range_mti(), alias, &range.emit().to_bytes()),
            Entry::Event(side, event) => {
                let validity = self
                    .duties
                    .validity(side, event)
                    .unwrap_or(super::duties::Validity::Unknown);
                message(side.identified_mti(validity), alias, &event.to_bytes())
            }
        }
    }

    pub(super) fn with_node_id(&self, mti: Mti, alias: Alias) -> CanFrame {
        message(mti, alias, &self.access.node().to_bytes())
    }
}

/// A message in one frame.
pub(super) fn message(mti: Mti, alias: Alias, data: &[u8]) -> CanFrame {
    Header::new(Kind::Message(mti), alias.get()).frame(data)
}
