//! Where a rule comes from: the document, its edition, the place in it, and how well it is known.

use core::fmt;

/// How a fact reached this crate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// Read in the document named.
    Read,
    /// Another text quotes the document; the document itself was not seen.
    SecondHand,
    /// Worked out here from layouts that were read.
    Derived,
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Read => "read",
            Self::SecondHand => "second-hand",
            Self::Derived => "derived",
        })
    }
}

/// One clause of a published standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Clause {
    /// The document and its edition, such as `S-9.2 (July 2004)`.
    pub document: &'static str,
    /// The place in it, such as `section A`.
    pub place: &'static str,
    /// How well it is known.
    pub standing: Standing,
}

impl Clause {
    const fn read(document: &'static str, place: &'static str) -> Self {
        Self {
            document,
            place,
            standing: Standing::Read,
        }
    }

    const fn second_hand(document: &'static str, place: &'static str) -> Self {
        Self {
            document,
            place,
            standing: Standing::SecondHand,
        }
    }

    /// Half-bit durations, sent and received.
    pub const TIMING: Self = Self::read("S-9.1 (March 2020)", "table 1");
    /// General packet format: preamble, start bits, check byte, end bit.
    pub const PACKET_FORMAT: Self = Self::read("S-9.2 (July 2004)", "section A");
    /// Idle, reset and broadcast stop packets.
    pub const BASELINE_PACKETS: Self = Self::read("S-9.2 (July 2004)", "section B");
    /// What a decoder does with a bad start bit, end bit or check byte.
    pub const RESYNCHRONISATION: Self = Self::read("S-9.2 (July 2004)", "section C");
    /// First-byte ranges and packet lengths.
    pub const PARTITIONS: Self = Self::read("S-9.2.1 (July 2012)", "section A");
    /// Accessory packets of the 2012 edition.
    pub const ACCESSORY: Self = Self::read("S-9.2.1 (July 2012)", "section D");
    /// The older accessory CV packet.
    pub const LEGACY_CV: Self = Self::read("S-9.2.1 (July 2012)", "appendix A");
    /// Accessory packets with bits D, A1, A0 and R by their present names.
    pub const ACCESSORY_2025: Self =
        Self::second_hand("S-9.2.1 (January 2025) and RCN-213", "section 2");
    /// The accessory NOP.
    pub const NOP: Self = Self::second_hand("S-9.2.1 (January 2025) and RCN-213", "2.4.6 / 2.5");
    /// Emergency stop for accessories.
    pub const EMERGENCY_STOP: Self = Self::second_hand("RCN-211", "emergency stop");
    /// Accessory CV access in operations mode, in the pair form.
    pub const RCN_CV_ACCESS: Self = Self::second_hand("RCN-214", "section 3");
    /// Keyed addresses.
    pub const NUMBERING: Self =
        Self::second_hand("S-9.2.1 (January 2025) and RCN-213", "addressing");
    /// Configuration variables of accessory decoders.
    pub const CVS: Self = Self::read("S-9.2.2 (July 2012)", "table 3");
    /// Service mode.
    pub const SERVICE_MODE: Self = Self::read("S-9.2.3 (July 2012)", "section E");
    /// Signal aspects in the extended data byte.
    pub const SIGNAL_ASPECTS: Self = Self::read("NEM 672 (2015)", "pages 1 and 3");
    /// Packets whose first byte is 253 or 254.
    pub const ADVANCED_EXTENDED: Self = Self::second_hand("S-9.2.1.1", "first bytes 253 and 254");
}

impl fmt::Display for Clause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, {}", self.document, self.place)?;
        match self.standing {
            Standing::Read => Ok(()),
            Standing::SecondHand | Standing::Derived => write!(f, " ({})", self.standing),
        }
    }
}
