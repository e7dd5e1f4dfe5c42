//! How a decoder takes the address that it is given.

use throwproof_protocol::address::{BinaryAddress, Numbering, Position};

/// What is particular about giving a decoder its address.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a yes or no of its own in the plan"
)]
pub struct Teaching {
    /// What puts it into learn mode, in the builder's words: `the learn lead`.
    pub by: String,
    /// Whether learn mode is entered with its power off.
    pub power_off: bool,
    /// Whether each output is taught by itself, in their order.
    pub each_output: bool,
    /// Whether it forgets its address without power.
    pub forgets: bool,
    /// What the first command chooses beside the address; empty where it chooses nothing.
    pub chooses: Vec<Choice>,
    /// What one count of its on-time CVs is, milliseconds; S-9.2.2 leaves it to the maker.
    pub on_time_unit_ms: Option<u32>,
    /// Whether its CVs are reached by their older numbers only, 513 and up.
    pub older_numbers: bool,
    /// The switches that hold its address.
    pub switches: Option<Switches>,
}

/// What a first command of that output and position chooses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Choice {
    /// The output, from 1.
    pub output: u8,
    /// The position.
    pub position: Position,
    /// The pulse time it chooses, milliseconds; 0 is on until released.
    pub pulse_ms: u32,
}

/// Switches on a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Switches {
    /// How many there are.
    pub count: u8,
    /// What they count.
    pub count_of: CountOf,
    /// Whether the first switch is the highest place.
    pub highest_first: bool,
}

/// What the switches of a board count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CountOf {
    /// Blocks of four addresses, from 1: the decoder address.
    Decoders,
    /// The same from 0.
    DecodersFromZero,
    /// Keyed addresses.
    Addresses,
}

impl Switches {
    /// Which switches are on for a decoder whose first output has that binary address, the first
    /// switch first.
    ///
    /// # Errors
    /// Why they can't hold it.
    pub fn set_for(self, first: BinaryAddress) -> Result<Vec<bool>, String> {
        let decoder = first.decoder().get();
        let is_block = first.pair() == 0;
        let (number, what) = match self.count_of {
            CountOf::Decoders if is_block => (Some(decoder), "decoder address"),
            CountOf::DecodersFromZero if is_block => {
                (decoder.checked_sub(1), "decoder address, counted from 0,")
            }
            CountOf::Decoders | CountOf::DecodersFromZero => {
                return Err("its switches hold blocks of four addresses: 1, 5, 9 and so on".into());
            }
            CountOf::Addresses => (Some(first.keyed(Numbering::Linear).get()), "address"),
        };
        let places = u32::from(self.count);
        let number = number.filter(|number| u32::from(*number) < 1 << places);
        let Some(number) = number else {
            return Err(format!("its {places} switches can't hold that {what}"));
        };
        let mut on: Vec<_> = (0..places).map(|place| number >> place & 1 == 1).collect();
        if self.highest_first {
            on.reverse();
        }
        Ok(on)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn switches(count: u8, count_of: CountOf, highest_first: bool) -> Switches {
        Switches {
            count,
            count_of,
            highest_first,
        }
    }

    fn set(switches: Switches, keyed: u16) -> Result<String, String> {
        let first = throwproof_protocol::address::KeyedAddress::new(keyed).unwrap();
        let on = switches.set_for(first.binary(Numbering::Linear))?;
        Ok(on.iter().map(|on| if *on { '1' } else { '0' }).collect())
    }

    // derived: keyed 45 is the first of decoder address 12.
    #[test]
    fn switches_hold_what_they_count() {
        for (count_of, highest_first, expected) in [
            (CountOf::Decoders, false, "00110000"),
            (CountOf::Decoders, true, "00001100"),
            (CountOf::DecodersFromZero, true, "00001011"),
            (CountOf::Addresses, true, "00101101"),
        ] {
            let switches = switches(8, count_of, highest_first);
            assert_eq!(set(switches, 45).as_deref(), Ok(expected), "{count_of:?}");
        }
    }

    #[test]
    fn what_switches_can_not_hold_is_told() {
        assert_eq!(
            set(switches(2, CountOf::Decoders, false), 9).as_deref(),
            Ok("11")
        );
        let too_high = set(switches(2, CountOf::Decoders, false), 13).unwrap_err();
        assert!(too_high.contains("2 switches can't hold"), "{too_high}");
        let inside = set(switches(8, CountOf::Decoders, false), 10).unwrap_err();
        assert!(inside.contains("blocks of four"), "{inside}");
        // Keyed 2045 is decoder address 0, which is before the first.
        assert!(set(switches(8, CountOf::DecodersFromZero, false), 2045).is_err());
    }
}
