//! Node ids: 48 bits that no other node in the world has.

use core::fmt;
use core::str::FromStr;

/// Text that is no node id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum NodeIdError {
    /// Not six bytes.
    #[error(
        "a node id has six bytes, not {found}: write two hexadecimal digits for each, with full \
         stops between, such as 0A.12.34.56.78.9A"
    )]
    Bytes {
        /// How many there were.
        found: usize,
    },
    /// A byte that is not two hexadecimal digits.
    #[error(
        "byte {place} of the node id is not two hexadecimal digits: write it such as \
         0A.12.34.56.78.9A"
    )]
    Byte {
        /// Which byte, from 1.
        place: usize,
    },
    /// More than 48 bits.
    #[error("{found:X} is no node id: it has more than 48 bits")]
    TooBig {
        /// The number given.
        found: u64,
    },
}

/// A node id.
///
/// clause: Unique Identifiers S 4: six bytes, most significant first on the wire and on paper.
///
/// ```
/// use throwproof_protocol::lcc::NodeId;
///
/// let id: NodeId = "0A.12.34.56.78.9a".parse()?;
/// assert_eq!(id.to_string(), "0A.12.34.56.78.9A");
/// assert_eq!(id.get(), 0x0a12_3456_789a);
/// # Ok::<(), throwproof_protocol::lcc::NodeIdError>(())
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(u64);

impl NodeId {
    const MASK: u64 = 0xffff_ffff_ffff;

    /// From the number.
    ///
    /// # Errors
    /// When it has more than 48 bits.
    pub const fn new(number: u64) -> Result<Self, NodeIdError> {
        if number <= Self::MASK {
            Ok(Self(number))
        } else {
            Err(NodeIdError::TooBig { found: number })
        }
    }

    /// An id of the locally allocated range: byte 0A and the low 40 bits of any number; zero,
    /// which looks like an id that was never set, becomes one.
    ///
    /// clause: Unique Identifiers S 5.12.
    pub const fn local(random: u64) -> Self {
        let low = random & 0xff_ffff_ffff;
        Self(0x0a00_0000_0000 | if low == 0 { 1 } else { low })
    }

    /// The number.
    pub const fn get(self) -> u64 {
        self.0
    }

    /// The six bytes, most significant first.
    pub const fn to_bytes(self) -> [u8; 6] {
        let [_, _, bytes @ ..] = self.0.to_be_bytes();
        bytes
    }

    /// Twelve bits of the id, the section that a check frame of this step carries: step 7 the
    /// highest, step 4 the lowest; other steps have none.
    ///
    /// clause: CAN Frame Transfer S 6.2.1.
    pub const fn section(self, step: u8) -> u16 {
        let shifted = match step {
            7 => self.0 >> 36,
            6 => self.0 >> 24,
            5 => self.0 >> 12,
            4 => self.0,
            _ => 0,
        };
        let [.., high, low] = (shifted & 0xfff).to_be_bytes();
        u16::from_be_bytes([high, low])
    }

    /// What range it is in.
    ///
    /// clause: Unique Identifiers S 5.
    pub const fn range(self) -> NodeIdRange {
        match self.to_bytes() {
            [0x00 | 0xff, ..] => NodeIdRange::Never,
            [0x01, ..] => NodeIdRange::WellKnown,
            [0x02, 0x01, 0x0d, ..] | [0x09, 0x00, 0x0d, ..] => NodeIdRange::Shared,
            [0x02, 0x01, 0x12, ..] | [0x09, 0x00, 0x12, ..] => NodeIdRange::OtherSoftware,
            [0x02, ..] => NodeIdRange::Maker,
            [0x03, 0x00, ..] => NodeIdRange::Member,
            [0x03, ..] => NodeIdRange::OtherGroup,
            [0x04, 0x00, ..] => NodeIdRange::Requested,
            [0x05, 0x01..=0x03, ..] => NodeIdRange::Assigned,
            [0x08, ..] => NodeIdRange::Leased,
            [0x0a, ..] => NodeIdRange::Local,
            _ => NodeIdRange::Unallocated,
        }
    }

    /// May a person give it to a node of theirs?
    pub const fn judgement(self) -> Judgement {
        match self.range() {
            NodeIdRange::Never | NodeIdRange::WellKnown => Judgement::Never,
            NodeIdRange::OtherSoftware => Judgement::BelongsToOthers,
            NodeIdRange::Shared | NodeIdRange::Unallocated | NodeIdRange::Leased => {
                Judgement::Discouraged
            }
            NodeIdRange::Maker
            | NodeIdRange::Member
            | NodeIdRange::OtherGroup
            | NodeIdRange::Requested
            | NodeIdRange::Assigned => Judgement::IfYours,
            NodeIdRange::Local => Judgement::Local,
        }
    }
}

/// The ranges node ids come from.
///
/// clause: Unique Identifiers S 5.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum NodeIdRange {
    /// 00 and FF: not set, or lost.
    Never,
    /// 01: events that everybody knows, no nodes.
    WellKnown,
    /// 02.01.0D and 09.00.0D: shared by all who build for themselves, kept by nobody.
    Shared,
    /// 02.01.12 and 09.00.12: taken by other software.
    OtherSoftware,
    /// 02: makers of hardware, for what they make.
    Maker,
    /// 03.00: members of the NMRA, made from the member number.
    Member,
    /// 03: members of another body.
    OtherGroup,
    /// 04.00: given out at run time on request.
    Requested,
    /// 05.01 to 05.03: given out on request, once and for all.
    Assigned,
    /// 08: lent for a time.
    Leased,
    /// 0A: whoever looks after the layout gives these out.
    Local,
    /// Everything else.
    Unallocated,
}

/// Whether a node may have an id.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Judgement {
    /// No node may have it.
    Never,
    /// It belongs to other software.
    BelongsToOthers,
    /// Another node may well have it too.
    Discouraged,
    /// Right if it was given to you.
    IfYours,
    /// Right as long as it is used once on this layout.
    Local,
}

impl Judgement {
    /// Can a node go on the layout with such an id at all?
    pub const fn is_usable(self) -> bool {
        !matches!(self, Self::Never | Self::BelongsToOthers)
    }

    /// What to tell whoever chose the id.
    pub const fn advice(self) -> &'static str {
        match self {
            Self::Never => {
                "no node may have this id: leave the id out, and one from the locally allocated \
                 range 0A is drawn"
            }
            Self::BelongsToOthers => {
                "this id belongs to other software: leave the id out, and one from the locally \
                 allocated range 0A is drawn"
            }
            Self::Discouraged => {
                "another node may have this id too: an id of your own, or one from the locally \
                 allocated range 0A, is safer"
            }
            Self::IfYours => "right if this id was given to you and no other node has it",
            Self::Local => "right as long as no other node on this layout has it",
        }
    }
}

impl From<[u8; 6]> for NodeId {
    fn from(bytes: [u8; 6]) -> Self {
        Self(
            bytes
                .into_iter()
                .fold(0, |number, byte| (number << 8) | u64::from(byte)),
        )
    }
}

impl fmt::Display for NodeId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [first, rest @ ..] = self.to_bytes();
        write!(f, "{first:02X}")?;
        rest.iter().try_for_each(|byte| write!(f, ".{byte:02X}"))
    }
}

impl fmt::Debug for NodeId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "NodeId({self})")
    }
}

impl FromStr for NodeId {
    type Err = NodeIdError;

    fn from_str(text: &str) -> Result<Self, NodeIdError> {
        let mut bytes = [0; 6];
        let found = text.split('.').count();
        if found != bytes.len() {
            return Err(NodeIdError::Bytes { found });
        }
        for ((to, part), place) in bytes.iter_mut().zip(text.split('.')).zip(1..) {
            *to = hex_byte(part).ok_or(NodeIdError::Byte { place })?;
        }
        Ok(Self::from(bytes))
    }
}

/// Two hexadecimal digits, and nothing else, as a byte.
pub(super) fn hex_byte(text: &str) -> Option<u8> {
    // `from_str_radix` takes a leading plus sign; a byte does not.
    let digits = text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
    digits.then(|| u8::from_str_radix(text, 16).ok()).flatten()
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    #[test]
    fn text_is_read_strictly() {
        assert_eq!(
            "12.34.56.78.9A.BC".parse::<NodeId>().map(NodeId::get),
            Ok(0x1234_5678_9abc)
        );
        for (text, error) in [
            ("", NodeIdError::Bytes { found: 1 }),
            ("1.2.3.4.5", NodeIdError::Bytes { found: 5 }),
            ("01.02.03.04.05.06.07", NodeIdError::Bytes { found: 7 }),
            ("01.02.03.04.05.6", NodeIdError::Byte { place: 6 }),
            ("+1.02.03.04.05.06", NodeIdError::Byte { place: 1 }),
            ("01.02.0x.04.05.06", NodeIdError::Byte { place: 3 }),
        ] {
            assert_eq!(text.parse::<NodeId>(), Err(error), "{text:?}");
        }
        assert!(NodeId::new(1 << 48).is_err());
    }

    #[test]
    fn sections_are_the_four_twelfths() {
        // clause: CAN Frame Transfer TN 2.6.2.1: 17123FED 16456FED 15789FED 14ABCFED.
        let id: NodeId = "12.34.56.78.9A.BC".parse().unwrap();
        assert_eq!(
            [7, 6, 5, 4, 3].map(|step| id.section(step)),
            [0x123, 0x456, 0x789, 0xabc, 0]
        );
    }

    #[test]
    fn each_range_has_its_judgement() {
        // clause: Unique Identifiers S 5.
        for (text, range, judgement) in [
            ("00.00.00.00.00.00", NodeIdRange::Never, Judgement::Never),
            ("FF.FF.FF.FF.FF.FF", NodeIdRange::Never, Judgement::Never),
            (
                "01.01.00.00.00.00",
                NodeIdRange::WellKnown,
                Judgement::Never,
            ),
            (
                "02.01.0D.00.00.01",
                NodeIdRange::Shared,
                Judgement::Discouraged,
            ),
            (
                "09.00.0D.00.00.01",
                NodeIdRange::Shared,
                Judgement::Discouraged,
            ),
            (
                "02.01.12.00.00.01",
                NodeIdRange::OtherSoftware,
                Judgement::BelongsToOthers,
            ),
            (
                "09.00.12.00.00.01",
                NodeIdRange::OtherSoftware,
                Judgement::BelongsToOthers,
            ),
            ("02.01.57.00.00.01", NodeIdRange::Maker, Judgement::IfYours),
            ("03.00.01.02.03.04", NodeIdRange::Member, Judgement::IfYours),
            (
                "04.00.00.00.00.09",
                NodeIdRange::Requested,
                Judgement::IfYours,
            ),
            (
                "05.03.00.00.00.09",
                NodeIdRange::Assigned,
                Judgement::IfYours,
            ),
            (
                "08.01.00.0D.00.01",
                NodeIdRange::Leased,
                Judgement::Discouraged,
            ),
            ("0A.12.34.56.78.9A", NodeIdRange::Local, Judgement::Local),
            (
                "0B.00.00.00.00.01",
                NodeIdRange::Unallocated,
                Judgement::Discouraged,
            ),
        ] {
            let id: NodeId = text.parse().unwrap();
            assert_eq!((id.range(), id.judgement()), (range, judgement), "{text}");
            assert_eq!(id.to_string(), text);
        }
        assert!(!Judgement::Never.is_usable() && Judgement::Local.is_usable());
    }

    #[test]
    fn a_local_id_is_local_and_never_all_zero() {
        assert_eq!(NodeId::local(u64::MAX).to_string(), "0A.FF.FF.FF.FF.FF");
        assert_eq!(NodeId::local(0).to_string(), "0A.00.00.00.00.01");
    }
}
