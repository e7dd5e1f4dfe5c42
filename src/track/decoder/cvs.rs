//! The CV store of a simulated decoder: NMRA S-9.2.2 (July 2012) Table 3 for accessory
//! decoders.

use std::sync::Arc;

use super::super::clock::Nanos;

/// CV 1 (513): low part of the address.
pub const ADDRESS_LOW: u16 = 1;
/// CV 3 (515): on-time of output 1; 4, 5 and 6 are those of outputs 2, 3 and 4.
pub const ON_TIME_1: u16 = 3;
/// CV 7 (519): version.
pub const VERSION: u16 = 7;
/// CV 8 (520): manufacturer; 13 is the number that S-9.2.2 keeps for public-domain and
/// home-made decoders.
pub const MANUFACTURER: u16 = 8;
/// CV 9 (521): high part of the address.
pub const ADDRESS_HIGH: u16 = 9;
/// CV 29 (541): configuration.
pub const CONFIGURATION: u16 = 29;

/// CV 29 bit 5: obeys extended packets.
pub const EXTENDED: u8 = 1 << 5;
/// CV 29 bit 6: output-address method.
pub const OUTPUT_METHOD: u8 = 1 << 6;
/// CV 29 bit 7: accessory decoder.
pub const ACCESSORY: u8 = 1 << 7;

/// From the number after this one on, CVs have their older numbers (S-9.2.2, July 2012: 513 to 1024
/// are those of accessory decoders).
pub const OLDER_NUMBERS: u16 = 512;

/// How many CVs are kept; 513 to 1024 are the same ones under their older numbers.
const KEPT: usize = 512;

/// The configuration variables.
#[derive(Debug, Clone)]
pub struct Cvs {
    // Shared by copies of a decoder until one of them writes.
    values: Arc<[u8; KEPT]>,
    factory: Arc<[u8; KEPT]>,
    /// What one count of CV 3 to 6 is; S-9.2.2 leaves it to the maker.
    on_time_unit: Nanos,
}

impl Cvs {
    /// A decoder fresh from its maker: decoder address 1, basic, that on-time.
    pub fn new(on_time: Nanos, extended: bool) -> Self {
        let (unit, count) = on_time_counts(on_time);
        let mut values = [0; KEPT];
        let mut set = |cv: u16, value| values[slot(cv)] = value;
        set(ADDRESS_LOW, 1);
        for cv in ON_TIME_1..ON_TIME_1 + 4 {
            set(cv, count);
        }
        set(VERSION, 1);
        set(MANUFACTURER, 13);
        set(
            CONFIGURATION,
            ACCESSORY | if extended { EXTENDED } else { 0 },
        );
        let values = Arc::new(values);
        Self {
            factory: Arc::clone(&values),
            values,
            on_time_unit: unit,
        }
    }

    /// The same, with on-times that count that unit.
    #[must_use]
    pub fn counting(mut self, unit: Nanos) -> Self {
        for cv in ON_TIME_1..ON_TIME_1 + 4 {
            let time = self.on_time_unit.0 * u64::from(self.get(cv));
            let count = u8::try_from(time.div_ceil(unit.0)).unwrap_or(u8::MAX);
            Arc::make_mut(&mut self.values)[slot(cv)] = count;
            Arc::make_mut(&mut self.factory)[slot(cv)] = count;
        }
        self.on_time_unit = unit;
        self
    }

    /// All outputs stay on for that time, or until released.
    pub fn set_on_time(&mut self, time: Nanos) {
        let (unit, count) = on_time_counts(time);
        self.on_time_unit = unit;
        for cv in ON_TIME_1..ON_TIME_1 + 4 {
            self.set(cv, count);
        }
    }

    /// The address is again what the maker set.
    pub fn restore_address(&mut self) {
        for cv in [ADDRESS_LOW, ADDRESS_HIGH] {
            Arc::make_mut(&mut self.values)[slot(cv)] = self.factory[slot(cv)];
        }
        Arc::make_mut(&mut self.values)[slot(CONFIGURATION)] &= !OUTPUT_METHOD;
    }

    /// The value of a CV, 1 to 1024.
    pub fn get(&self, cv: u16) -> u8 {
        self.values[slot(cv)]
    }

    /// Writes a CV, 1 to 1024. Version and manufacturer can't be written, but writing 8 to the
    /// manufacturer restores what the maker set (RCN-226, second-hand).
    pub fn set(&mut self, cv: u16, value: u8) {
        match 1 + u16::try_from(slot(cv)).unwrap_or_default() {
            MANUFACTURER if value == 8 => self.values = Arc::clone(&self.factory),
            MANUFACTURER | VERSION => {}
            _ => Arc::make_mut(&mut self.values)[slot(cv)] = value,
        }
    }

    /// How long the output of that index stays on by itself; `None` is until released. S-9.2.2
    /// has on-times for four outputs; further ones take them in turn.
    pub fn on_time(&self, output: usize) -> Option<Nanos> {
        let cv = ON_TIME_1 + u16::try_from(output % 4).unwrap_or_default();
        match self.get(cv) {
            0 => None,
            count => Some(Nanos(self.on_time_unit.0 * u64::from(count))),
        }
    }
}

fn slot(cv: u16) -> usize {
    usize::from(cv.wrapping_sub(1)) % KEPT
}

/// The finest unit in which the on-time is at most 255 counts.
fn on_time_counts(on_time: Nanos) -> (Nanos, u8) {
    for unit_ms in [1, 5, 10, 50, 100] {
        let unit = Nanos::from_millis(unit_ms);
        if let Ok(count) = u8::try_from(on_time.0.div_ceil(unit.0)) {
            return (unit, count);
        }
    }
    (Nanos::from_millis(100), u8::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_older_numbers_are_the_same_cvs() {
        let mut cvs = Cvs::new(Nanos::from_millis(150), false);
        cvs.set(513, 77);
        assert_eq!(cvs.get(1), 77);
        cvs.set(9, 3);
        assert_eq!(cvs.get(521), 3);
    }

    #[test]
    fn writing_8_to_the_manufacturer_restores_the_factory_values() {
        let mut cvs = Cvs::new(Nanos::from_millis(150), false);
        cvs.set(1, 77);
        cvs.set(8, 99);
        assert_eq!((cvs.get(1), cvs.get(8)), (77, 13));
        cvs.set(8, 8);
        assert_eq!(cvs.get(1), 1);
    }

    #[test]
    fn on_times_are_kept_as_counts() {
        for ms in [0, 5, 150, 250, 500, 2_000, 10_000] {
            let cvs = Cvs::new(Nanos::from_millis(ms), false);
            let expected = (ms > 0).then(|| Nanos::from_millis(ms));
            assert_eq!(cvs.on_time(5), expected, "{ms} ms");
        }
    }
}
