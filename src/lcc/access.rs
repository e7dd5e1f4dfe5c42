//! The frame transfer layer: getting an alias, keeping it, giving it up.
//!
//! ```text
//! Checking --200 ms--> Reserving --RID sent--> Reserved --AMD sent--> Permitted
//!     ^                    |                       |                      |
//!     +------ another node uses the alias ---------+---- AMR, then -------+
//! ```
//!
//! clause: CAN Frame Transfer S 5 and 6. Checking, Reserving and Reserved are all Inhibited.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use throwproof_protocol::lcc::{Alias, AliasSequence, CanFrame, CanId, Header, Kind, NodeId};

/// How long other nodes have to object to an alias: at least 200 ms by the standard, and a little
/// for the adapter between here and the wire.
///
/// clause: CAN Frame Transfer S 6.2.1.
pub(super) const OBJECTION_TIME: Duration = Duration::from_millis(220);

/// Conflicts in a row after which the node rests between attempts, so that a line that echoes is
/// not flooded.
const PATIENCE: u32 = 32;
const REST: Duration = Duration::from_millis(250);
/// Conflicts further apart than this are not in a row.
const CALM: Duration = Duration::from_secs(5);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Not started.
    Idle,
    /// After too many conflicts.
    Resting { until: Duration },
    /// Check frames going out, or gone at that time.
    Checking {
        alias: Alias,
        checked_at: Option<Duration>,
    },
    /// Nobody objected; the reserve frame is about to go.
    Reserving { alias: Alias },
    /// The reserve frame went; the map definition is about to go.
    Reserved { alias: Alias },
    /// All frames may be sent.
    Permitted { alias: Alias },
    /// The alias is about to be given back.
    Releasing,
    /// The alias was given back.
    Released,
}

/// What a received frame did to the alias.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Effect {
    /// The alias with which frames were sent is lost.
    pub(super) lost: Option<Alias>,
    /// So many conflicts in a row that the owner should know.
    pub(super) trouble: Option<u32>,
    /// Another node told this node's id.
    pub(super) duplicate: bool,
    /// A node told its id for the first time under this alias.
    pub(super) seen: Option<(Alias, NodeId)>,
    /// A node gave up its alias.
    pub(super) gone: Option<Alias>,
}

/// What sending a frame did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Passage {
    /// Nothing of note.
    Sent,
    /// The node may now send messages.
    Entered(Alias),
    /// The node may send nothing any more.
    Left,
}

/// The state of this layer.
#[derive(Debug)]
pub(super) struct Access {
    node: NodeId,
    aliases: AliasSequence,
    state: State,
    queue: VecDeque<CanFrame>,
    others: BTreeMap<Alias, NodeId>,
    /// Aliases other nodes were heard to use: not to be tried.
    taken: [u64; 64],
    conflicts: u32,
    last_conflict: Duration,
}

impl Access {
    pub(super) const fn new(node: NodeId) -> Self {
        Self {
            node,
            aliases: AliasSequence::new(node),
            state: State::Idle,
            queue: VecDeque::new(),
            others: BTreeMap::new(),
            taken: [0; 64],
            conflicts: 0,
            last_conflict: Duration::ZERO,
        }
    }

    pub(super) const fn node(&self) -> NodeId {
        self.node
    }

    /// The alias, when messages may be sent.
    pub(super) const fn alias(&self) -> Option<Alias> {
        match self.state {
            State::Permitted { alias } => Some(alias),
            State::Idle
            | State::Resting { .. }
            | State::Checking { .. }
            | State::Reserving { .. }
            | State::Reserved { .. }
            | State::Releasing
            | State::Released => None,
        }
    }

    pub(super) const fn others(&self) -> &BTreeMap<Alias, NodeId> {
        &self.others
    }

    /// The line is up, for the first time or again: nothing is known of the others.
    pub(super) fn start(&mut self) {
        self.queue.clear();
        self.others.clear();
        self.taken = [0; 64];
        self.conflicts = 0;
        self.begin();
    }

    /// Gives the alias back, after what is queued here.
    ///
    /// clause: CAN Frame Transfer S 6.2.4.
    pub(super) fn release(&mut self) {
        if let Some(alias) = self.alias() {
            self.push(Kind::MapReset, alias, &self.node.to_bytes());
            self.state = State::Releasing;
        } else if self.state != State::Releasing {
            // Nothing may be sent in the Inhibited state to say so.
            self.queue.clear();
            self.state = State::Released;
        }
    }

    pub(super) const fn is_released(&self) -> bool {
        matches!(self.state, State::Released)
    }

    pub(super) fn tick(&mut self, now: Duration) {
        match self.state {
            State::Resting { until } if now >= until => self.begin(),
            State::Checking {
                alias,
                checked_at: Some(at),
            } if now >= at.saturating_add(OBJECTION_TIME) => {
                self.push(Kind::ReserveId, alias, &[]);
                self.push(Kind::MapDefinition, alias, &self.node.to_bytes());
                self.state = State::Reserving { alias };
            }
            State::Idle
            | State::Resting { .. }
            | State::Checking { .. }
            | State::Reserving { .. }
            | State::Reserved { .. }
            | State::Permitted { .. }
            | State::Releasing
            | State::Released => {}
        }
    }

    /// When [`Self::tick`] has something to do.
    pub(super) const fn deadline(&self) -> Option<Duration> {
        match self.state {
            State::Resting { until } => Some(until),
            State::Checking {
                checked_at: Some(at),
                ..
            } => Some(at.saturating_add(OBJECTION_TIME)),
            State::Idle
            | State::Checking {
                checked_at: None, ..
            }
            | State::Reserving { .. }
            | State::Reserved { .. }
            | State::Permitted { .. }
            | State::Releasing
            | State::Released => None,
        }
    }

    /// The next frame of this layer; it counts as sent.
    pub(super) fn pop(&mut self, now: Duration) -> Option<(CanFrame, Passage)> {
        let frame = self.queue.pop_front()?;
        let CanId::Extended(id) = frame.id() else {
            return Some((frame, Passage::Sent));
        };
        let passage = match (Header::parse(id).kind, self.state) {
            (
                Kind::CheckId { step: 4, .. },
                State::Checking {
                    alias,
                    checked_at: None,
                },
            ) => {
                self.state = State::Checking {
                    alias,
                    checked_at: Some(now),
                };
                Passage::Sent
            }
            (Kind::ReserveId, State::Reserving { alias }) => {
                self.state = State::Reserved { alias };
                Passage::Sent
            }
            (Kind::MapDefinition, State::Reserved { alias }) => {
                self.state = State::Permitted { alias };
                Passage::Entered(alias)
            }
            (Kind::MapReset, State::Releasing) => {
                self.state = State::Released;
                Passage::Left
            }
            _ => Passage::Sent,
        };
        Some((frame, passage))
    }

    /// Takes any frame with a 29-bit header that is not remote.
    pub(super) fn receive(&mut self, header: Header, frame: &CanFrame, now: Duration) -> Effect {
        let mut effect = Effect::default();
        if let Some(source) = Alias::from_low_bits(header.source) {
            self.note_taken(source);
            if self.is_ours(source) {
                self.challenged(header.kind, now, &mut effect);
            }
        }
        match header.kind {
            Kind::MapDefinition => self.learn(header.source, frame.node_id(), &mut effect),
            Kind::MapReset => {
                if let Some(alias) = Alias::from_low_bits(header.source)
                    && self.others.remove(&alias).is_some()
                {
                    effect.gone = Some(alias);
                }
            }
            Kind::MapEnquiry => self.enquired(frame),
            // clause: CAN Frame Transfer S 6.1: all others are ignored.
            Kind::CheckId { .. }
            | Kind::ReserveId
            | Kind::ErrorInformation(_)
            | Kind::ReservedControl(_)
            | Kind::Message(_)
            | Kind::Datagram { .. }
            | Kind::Stream { .. }
            | Kind::ReservedMessage { .. } => {}
        }
        effect
    }

    /// A node told its id, in a map definition or in a message.
    pub(super) fn learn(&mut self, source: u16, node: Option<NodeId>, effect: &mut Effect) {
        let Some(node) = node else { return };
        if node == self.node {
            // clause: CAN Frame Transfer S 6.2.6; Message Network S 3.5.4.
            effect.duplicate = true;
            return;
        }
        let Some(alias) = Alias::from_low_bits(source) else {
            return;
        };
        if self.is_ours(alias) || self.others.get(&alias) == Some(&node) {
            return;
        }
        // A node has one alias at a time.
        self.others.retain(|_, other| *other != node);
        self.others.insert(alias, node);
        effect.seen = Some((alias, node));
    }

    const fn held(&self) -> Option<Alias> {
        match self.state {
            State::Checking { alias, .. }
            | State::Reserving { alias }
            | State::Reserved { alias }
            | State::Permitted { alias } => Some(alias),
            State::Idle | State::Resting { .. } | State::Releasing | State::Released => None,
        }
    }

    fn is_ours(&self, alias: Alias) -> bool {
        self.held() == Some(alias)
    }

    /// Another node used the alias that this one has or wants.
    fn challenged(&mut self, kind: Kind, now: Duration, effect: &mut Effect) {
        let is_check = matches!(kind, Kind::CheckId { .. });
        match self.state {
            // clause: CAN Frame Transfer S 6.2.5: answer a check with a reservation.
            State::Reserved { alias } | State::Permitted { alias } if is_check => {
                self.push(Kind::ReserveId, alias, &[]);
                return;
            }
            State::Permitted { alias } => {
                // clause: CAN Frame Transfer S 6.2.5: release it and stop using it.
                self.queue.clear();
                self.push(Kind::MapReset, alias, &self.node.to_bytes());
                effect.lost = Some(alias);
            }
            // clause: CAN Frame Transfer S 6.2.1: start again; nothing was defined, so nothing is
            // reset. A reset of an earlier alias still has to go.
            State::Idle
            | State::Resting { .. }
            | State::Checking { .. }
            | State::Reserving { .. }
            | State::Reserved { .. }
            | State::Releasing
            | State::Released => self.queue.retain(|frame| {
                let CanId::Extended(id) = frame.id() else {
                    return false;
                };
                Header::parse(id).kind == Kind::MapReset
            }),
        }
        if now.saturating_sub(self.last_conflict) > CALM {
            self.conflicts = 0;
        }
        self.last_conflict = now;
        self.conflicts = self.conflicts.saturating_add(1);
        if self.conflicts.is_multiple_of(PATIENCE) {
            effect.trouble = Some(self.conflicts);
        }
        if self.conflicts < PATIENCE {
            self.begin();
        } else {
            self.state = State::Resting {
                until: now.saturating_add(REST),
            };
        }
    }

    /// clause: CAN Frame Transfer S 6.2.3.
    fn enquired(&mut self, frame: &CanFrame) {
        let bytes = self.node.to_bytes();
        if let Some(alias) = self.alias()
            && (frame.data().is_empty() || frame.data() == bytes)
        {
            self.push(Kind::MapDefinition, alias, &bytes);
        }
    }

    /// Tries the next alias that nobody was heard to use.
    ///
    /// clause: CAN Frame Transfer S 6.2.1.
    fn begin(&mut self) {
        let mut alias = self.aliases.next_alias();
        for _ in 0..4096 {
            if !self.is_taken(alias) {
                break;
            }
            alias = self.aliases.next_alias();
        }
        for step in [7, 6, 5, 4] {
            let section = self.node.section(step);
            self.push(Kind::CheckId { step, section }, alias, &[]);
        }
        self.state = State::Checking {
            alias,
            checked_at: None,
        };
    }

    /// Queues a frame, unless the very same is waiting there.
    fn push(&mut self, kind: Kind, alias: Alias, data: &[u8]) {
        let frame = Header::new(kind, alias.get()).frame(data);
        if !self.queue.contains(&frame) {
            self.queue.push_back(frame);
        }
    }

    fn note_taken(&mut self, alias: Alias) {
        let (word, bit) = place(alias);
        if self.taken[word] & bit != 0 {
            return;
        }
        let heard: u32 = self.taken.iter().map(|word| word.count_ones()).sum();
        if heard > 3000 {
            // More than any segment holds: most of them are long gone.
            self.taken = [0; 64];
        }
        self.taken[word] |= bit;
    }

    fn is_taken(&self, alias: Alias) -> bool {
        let (word, bit) = place(alias);
        self.taken[word] & bit != 0
    }
}

fn place(alias: Alias) -> (usize, u64) {
    let number = usize::from(alias.get());
    ((number >> 6) & 63, 1 << (number & 63))
}
