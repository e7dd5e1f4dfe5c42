//! CAN frames, whatever carries them.

use core::fmt;

use super::event::EventId;
use super::node_id::NodeId;

/// What can be wrong with the parts of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum FrameError {
    /// An identifier that does not fit in 29 bits.
    #[error("CAN identifier {found:X} is too big: 29 bits hold 0 to 1FFFFFFF")]
    Extended {
        /// The number given.
        found: u32,
    },
    /// An identifier that does not fit in 11 bits.
    #[error("CAN identifier {found:X} is too big: 11 bits hold 0 to 7FF")]
    Standard {
        /// The number given.
        found: u32,
    },
    /// More than eight data bytes.
    #[error("{found} data bytes are too many: a CAN frame holds 0 to 8")]
    Data {
        /// How many there were.
        found: usize,
    },
}

/// The identifier of a CAN frame.
///
/// clause: CAN Frame Transfer S 4: LCC uses 29-bit identifiers only, and lives with the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CanId {
    /// 11 bits.
    Standard(u16),
    /// 29 bits.
    Extended(u32),
}

impl CanId {
    /// The highest 11-bit identifier.
    pub const STANDARD_MAX: u32 = 0x7ff;
    /// The highest 29-bit identifier.
    pub const EXTENDED_MAX: u32 = 0x1fff_ffff;

    /// A 29-bit identifier.
    ///
    /// # Errors
    /// When it needs more bits.
    pub const fn extended(id: u32) -> Result<Self, FrameError> {
        if id <= Self::EXTENDED_MAX {
            Ok(Self::Extended(id))
        } else {
            Err(FrameError::Extended { found: id })
        }
    }

    /// An 11-bit identifier.
    ///
    /// # Errors
    /// When it needs more bits.
    pub fn standard(id: u32) -> Result<Self, FrameError> {
        match u16::try_from(id) {
            Ok(short) if id <= Self::STANDARD_MAX => Ok(Self::Standard(short)),
            _ => Err(FrameError::Standard { found: id }),
        }
    }
}

/// One CAN frame.
///
/// A remote frame asks for data and has none, only a length.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct CanFrame {
    id: CanId,
    remote: bool,
    len: u8,
    // Bytes past `len` are zero, so that the derived comparisons hold.
    data: [u8; Self::MAX_DATA],
}

impl CanFrame {
    /// The most data bytes.
    pub const MAX_DATA: usize = 8;

    /// A data frame.
    ///
    /// # Errors
    /// When there are more than eight bytes.
    pub fn new(id: CanId, bytes: &[u8]) -> Result<Self, FrameError> {
        let mut data = [0; Self::MAX_DATA];
        let (Some(to), Ok(len)) = (data.get_mut(..bytes.len()), u8::try_from(bytes.len())) else {
            return Err(FrameError::Data { found: bytes.len() });
        };
        to.copy_from_slice(bytes);
        Ok(Self {
            id,
            remote: false,
            len,
            data,
        })
    }

    /// A remote frame, which LCC nodes never send.
    ///
    /// # Errors
    /// When the length is more than eight.
    pub const fn remote(id: CanId, len: u8) -> Result<Self, FrameError> {
        if len <= 8 {
            Ok(Self {
                id,
                remote: true,
                len,
                data: [0; Self::MAX_DATA],
            })
        } else {
            // Widening; `From` is not const.
            #[expect(clippy::as_conversions, reason = "u8 to usize cannot lose anything")]
            let found = len as usize;
            Err(FrameError::Data { found })
        }
    }

    /// A data frame of parts already checked by their types.
    pub(super) fn of(id: u32, bytes: &[u8]) -> Self {
        let mut data = [0; Self::MAX_DATA];
        for (to, from) in data.iter_mut().zip(bytes) {
            *to = *from;
        }
        Self {
            id: CanId::Extended(id & CanId::EXTENDED_MAX),
            remote: false,
            len: u8::try_from(bytes.len().min(Self::MAX_DATA)).unwrap_or(8),
            data,
        }
    }

    /// The identifier.
    pub const fn id(&self) -> CanId {
        self.id
    }

    /// Is it a remote frame?
    pub const fn is_remote(&self) -> bool {
        self.remote
    }

    /// The length field: data bytes, or bytes asked for.
    #[expect(
        clippy::len_without_is_empty,
        reason = "the length field of a frame, which for a remote frame is not its data's length"
    )]
    pub const fn len(&self) -> u8 {
        self.len
    }

    /// The data; empty in a remote frame.
    pub fn data(&self) -> &[u8] {
        if self.remote {
            &[]
        } else {
            self.data.get(..usize::from(self.len)).unwrap_or_default()
        }
    }

    /// The event the data holds: all eight bytes.
    pub fn event(&self) -> Option<EventId> {
        <[u8; 8]>::try_from(self.data()).ok().map(EventId::from)
    }

    /// The node id the data begins with, if there are six bytes.
    pub fn node_id(&self) -> Option<NodeId> {
        let bytes = self.data().first_chunk::<6>()?;
        Some(NodeId::from(*bytes))
    }
}

impl fmt::Debug for CanFrame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "CanFrame({self})")
    }
}

/// The frame as it is written in text, `:X195B4123N0101020000FF0009;`.
impl fmt::Display for CanFrame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(super::gridconnect::TextFrame::of(self).as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_out_of_range_are_refused() {
        assert_eq!(
            CanId::extended(0x2000_0000),
            Err(FrameError::Extended { found: 0x2000_0000 })
        );
        assert_eq!(
            CanId::standard(0x800),
            Err(FrameError::Standard { found: 0x800 })
        );
        let id = CanId::Extended(0);
        assert_eq!(
            CanFrame::new(id, &[0; 9]),
            Err(FrameError::Data { found: 9 })
        );
        assert_eq!(CanFrame::remote(id, 9), Err(FrameError::Data { found: 9 }));
    }

    #[test]
    fn a_remote_frame_has_a_length_and_no_data() {
        let frame = CanFrame::remote(CanId::Standard(5), 8).unwrap();
        assert_eq!((frame.len(), frame.data()), (8, &[][..]));
        assert_eq!((frame.event(), frame.node_id()), (None, None));
    }
}
