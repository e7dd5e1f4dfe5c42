//! The configuration CV.

use super::AddressMethod;

/// CV29 (alias 541) of an accessory decoder. S-9.2.2 (July 2012), table 3.
///
/// ```text
/// bit 7        1 = accessory decoder
/// bit 6        0 = decoder-address method, 1 = output-address method
/// bit 5        0 = basic, 1 = extended
/// bit 3        1 = bi-directional communication on
/// bits 4, 2-0  reserved
/// ```
///
/// ```
/// use throwproof_protocol::cv::{AddressMethod, Cv29};
///
/// let cv = Cv29(0x80);
/// assert!(cv.is_accessory() && !cv.is_extended());
/// assert_eq!(cv.address_method(), AddressMethod::Decoder);
/// assert_eq!(cv.with_address_method(AddressMethod::Output), Cv29(0xc0));
/// ```
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cv29(pub u8);

impl Cv29 {
    const BIDI: u8 = 1 << 3;
    const EXTENDED: u8 = 1 << 5;
    const OUTPUT_METHOD: u8 = 1 << 6;
    const ACCESSORY: u8 = 1 << 7;

    /// Bit 7: is it an accessory decoder?
    pub const fn is_accessory(self) -> bool {
        self.0 & Self::ACCESSORY != 0
    }

    /// Bit 6: how the address is held.
    pub const fn address_method(self) -> AddressMethod {
        if self.0 & Self::OUTPUT_METHOD == 0 {
            AddressMethod::Decoder
        } else {
            AddressMethod::Output
        }
    }

    /// Bit 5: does it take extended packets?
    pub const fn is_extended(self) -> bool {
        self.0 & Self::EXTENDED != 0
    }

    /// Bit 3: is bi-directional communication on?
    pub const fn is_bidi(self) -> bool {
        self.0 & Self::BIDI != 0
    }

    /// With bit 7 so.
    #[must_use]
    pub const fn with_accessory(self, on: bool) -> Self {
        self.with(Self::ACCESSORY, on)
    }

    /// With bit 6 so.
    #[must_use]
    pub const fn with_address_method(self, method: AddressMethod) -> Self {
        self.with(Self::OUTPUT_METHOD, matches!(method, AddressMethod::Output))
    }

    /// With bit 5 so.
    #[must_use]
    pub const fn with_extended(self, on: bool) -> Self {
        self.with(Self::EXTENDED, on)
    }

    /// With bit 3 so.
    #[must_use]
    pub const fn with_bidi(self, on: bool) -> Self {
        self.with(Self::BIDI, on)
    }

    const fn with(self, mask: u8, on: bool) -> Self {
        Self(if on { self.0 | mask } else { self.0 & !mask })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_of_cv29_stand_where_the_table_puts_them() {
        // clause: S-9.2.2 (July 2012), table 3, CV541.
        assert_eq!(Cv29(0).with_accessory(true).0, 0b1000_0000);
        assert_eq!(
            Cv29(0).with_address_method(AddressMethod::Output).0,
            0b0100_0000
        );
        assert_eq!(Cv29(0).with_extended(true).0, 0b0010_0000);
        assert_eq!(Cv29(0).with_bidi(true).0, 0b0000_1000);
        assert!(Cv29(0x08).is_bidi() && !Cv29(0xf7).is_bidi());
        assert_eq!(Cv29(0xff).with_extended(false).0, 0xdf);
    }
}
