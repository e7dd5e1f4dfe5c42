//! The older accessory CV packet.

use super::{InstructionError, accessory_bytes, decoder_of, fixed, head};
use crate::address::DecoderAddress;
use crate::cv::CvNumber;
use crate::packet::Packet;

/// The older accessory CV packet: read so that a capture can be understood, never to be sent.
///
/// clause: S-9.2.1 (July 2012), appendix A, which discourages it. By RCN-214 (second-hand)
/// decoders must not support it and stations must not send it: its second byte is that of a NOP.
/// [`LegacyCv::emit`] is there so that what is read can be written back unchanged.
///
/// ```text
/// in the order sent      byte 1     byte 2     byte 3     byte 4     byte 5
///                        10AAAAAA   0NNN11VV   VVVVVVVV   DDDDDDDD   EEEEEEEE
/// AAAAAA  A7 to A2
/// NNN     A10 to A8, inverted
/// V       CV number less one: CV513 is 10 00000000
/// D       the value to write
/// E       check byte
/// ```
///
/// ```
/// use throwproof_protocol::instruction::LegacyCv;
/// use throwproof_protocol::{CvNumber, DecoderAddress, Packet};
///
/// // derived: decoder address 1, CV513 := 1.
/// let packet = Packet::from_body(&[0b1000_0001, 0b0111_1110, 0b0000_0000, 1])?;
/// let legacy = LegacyCv::parse(&packet)?;
/// assert_eq!(legacy.decoder.get(), 1);
/// assert_eq!(legacy.cv.get(), 513);
/// assert_eq!(legacy.value, 1);
/// assert_eq!(legacy.emit(), packet);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LegacyCv {
    /// The decoder address.
    pub decoder: DecoderAddress,
    /// Which CV.
    pub cv: CvNumber,
    /// The value to write.
    pub value: u8,
}

impl LegacyCv {
    const FORM_MASK: u8 = 0b1000_1100;
    const FORM: u8 = 0b0000_1100;

    /// Reads the packet.
    ///
    /// # Errors
    /// When it is not such a packet.
    pub fn parse(packet: &Packet) -> Result<Self, InstructionError> {
        let &[first, second, low, value, _] = accessory_bytes(packet)?;
        fixed(1, Self::FORM_MASK, Self::FORM, second)?;
        let cv = CvNumber::from_field(second & 0b11, low);
        Ok(Self {
            decoder: decoder_of(first, second),
            cv,
            value,
        })
    }

    /// The packet. Do not send it: it is here to write back what was read.
    pub const fn emit(self) -> Packet {
        let [high, low] = self.cv.field_bytes();
        let [first, second] = head(self.decoder, Self::FORM | high);
        Packet::of_four([first, second, low, self.value])
    }
}
