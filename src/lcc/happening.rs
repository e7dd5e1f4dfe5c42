//! What a node tells its owner, and what its owner can have it ask.

use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::lcc::{Alias, EmergencyKind, ErrorCode, EventId, EventRange, Mti, NodeId};

use super::duties::{Side, Validity};

/// Something the owner of a node should know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Happening {
    /// The node has an alias and may send.
    Permitted {
        /// The alias.
        alias: Alias,
    },
    /// The node said what it produces and consumes; from now on its event reports go out.
    Ready,
    /// Another node used the node's alias; a new one is being reserved.
    AliasLost {
        /// The alias given up.
        alias: Alias,
    },
    /// No alias could be kept for a while. The line may echo what is sent to it.
    AliasTrouble {
        /// Conflicts in a row.
        conflicts: u32,
    },
    /// Another node has the same node id. The user should be told: one of them needs another.
    DuplicateNodeId {
        /// The other node's alias; the node's own, if it has that too.
        alias: u16,
    },
    /// The node gave its alias back and sends no more.
    Released,
    /// A node told its id.
    NodeSeen {
        /// Its alias.
        alias: Alias,
        /// Its id.
        node: NodeId,
    },
    /// A node gave up its alias.
    NodeGone {
        /// The alias.
        alias: Alias,
    },
    /// A basic accessory command was heard.
    Basic {
        /// Alias of the sender.
        from: u16,
        /// The command.
        command: BasicAccessory,
    },
    /// An extended accessory command was heard.
    Extended {
        /// Alias of the sender.
        from: u16,
        /// The command.
        command: ExtendedAccessory,
    },
    /// A turnout's contact was made or broken.
    Position {
        /// Alias of the sender.
        from: u16,
        /// The turnout's address.
        address: BinaryAddress,
        /// Which half's contact.
        pair_bit: PairBit,
        /// Made, or broken.
        made: bool,
    },
    /// A node said, when asked, how a contact stands; nothing moved.
    Standing {
        /// Alias of the sender.
        from: u16,
        /// The turnout's address.
        address: BinaryAddress,
        /// Which half's contact.
        pair_bit: PairBit,
        /// Made, broken, or not known.
        made: Option<bool>,
    },
    /// An emergency began or ended.
    Emergency {
        /// Alias of the sender.
        from: u16,
        /// Which.
        kind: EmergencyKind,
        /// Begins, or ends.
        begins: bool,
    },
    /// Any other event report.
    Event {
        /// Alias of the sender.
        from: u16,
        /// The event.
        event: EventId,
    },
    /// A node produces or consumes an event.
    Identified {
        /// Alias of the node.
        from: u16,
        /// Which of the two.
        side: Side,
        /// The event.
        event: EventId,
        /// Whether the event describes the present state.
        validity: Validity,
    },
    /// A node produces or consumes a range of events.
    RangeIdentified {
        /// Alias of the node.
        from: u16,
        /// Which of the two.
        side: Side,
        /// The events.
        range: EventRange,
    },
    /// A node said what protocols it knows; bits that were not sent are zero.
    Protocols {
        /// Alias of the node.
        from: Alias,
        /// The first six bytes of flags.
        flags: [u8; 6],
    },
    /// A node described itself.
    Information {
        /// Alias of the node.
        from: Alias,
        /// Maker, model, hardware version, software version, name, description.
        texts: [String; 6],
    },
    /// A node rejects what it was sent, or ends an exchange because of an error.
    Rejected {
        /// Alias of the node.
        from: Alias,
        /// Why.
        error: ErrorCode,
        /// What was rejected, if the node said so.
        mti: Option<Mti>,
    },
}

/// A question to other nodes; the answers come as [`Happening`]s. Asked of all nodes, the node
/// answers it too, as the standard wants.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ask {
    /// Who is there?
    Nodes,
    /// Is this node there?
    Node(NodeId),
    /// Who produces, or consumes, this event, and what is its state?
    Event(Side, EventId),
    /// What does everybody produce and consume?
    Events,
    /// What does one node produce and consume?
    EventsOf(Alias),
    /// What protocols does a node know?
    Protocols(Alias),
    /// What is a node?
    Information(Alias),
}
