//! Two readings of the extended data byte. A packet does not say which one its decoder uses, so
//! neither is applied unless asked for.

use core::fmt;

use crate::address::PairBit;

/// How long an output is to be on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum OnTime {
    /// Z = 0: off.
    Off,
    /// Z = 1 to 126: for so many tenths of a second.
    Tenths(u8),
    /// Z = 127: on until the next command.
    UntilNext,
}

/// The data byte as a turnout's switching time.
///
/// clause: RCN-213, second-hand; that R has the sense it has in basic packets is from memory.
///
/// ```text
/// in the order sent      RZZZZZZZ
/// R    which half of the pair
/// Z    on-time in tenths of a second; 0 = off, 127 = on until the next command
/// ```
///
/// ```
/// use throwproof_protocol::PairBit;
/// use throwproof_protocol::instruction::{OnTime, SwitchingTime};
///
/// let time = SwitchingTime::from_data(0x85);
/// assert_eq!(time.pair_bit, PairBit::One);
/// assert_eq!(time.on_time, OnTime::Tenths(5));
/// assert_eq!(time.milliseconds(), Some(500));
/// assert_eq!(time.data(), 0x85);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SwitchingTime {
    /// Bit R: which half of the pair.
    pub pair_bit: PairBit,
    /// How long.
    pub on_time: OnTime,
}

impl SwitchingTime {
    const LONGEST: u8 = 126;

    /// Reads the data byte.
    pub const fn from_data(data: u8) -> Self {
        Self {
            pair_bit: PairBit::from_bit(data & 0x80 != 0),
            on_time: match data & 0x7f {
                0 => OnTime::Off,
                0x7f => OnTime::UntilNext,
                tenths => OnTime::Tenths(tenths),
            },
        }
    }

    /// The data byte. More than 126 tenths, which the byte cannot hold, are sent as 126.
    pub const fn data(self) -> u8 {
        let time = match self.on_time {
            OnTime::Off => 0,
            OnTime::Tenths(tenths) if tenths > Self::LONGEST => Self::LONGEST,
            OnTime::Tenths(tenths) => tenths,
            OnTime::UntilNext => 0x7f,
        };
        (self.pair_bit.as_u8() << 7) | time
    }

    /// The on-time in milliseconds; `None` when it has no end.
    pub const fn milliseconds(self) -> Option<u16> {
        match self.on_time {
            OnTime::Off => Some(0),
            // At most 255 x 100.
            OnTime::Tenths(tenths) => Some(u16::from_be_bytes([0, tenths]).wrapping_mul(100)),
            OnTime::UntilNext => None,
        }
    }
}

impl fmt::Display for SwitchingTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.pair_bit.position())?;
        match self.on_time {
            OnTime::Off => f.write_str("off"),
            OnTime::Tenths(tenths) => write!(f, "on for {}.{} s", tenths / 10, tenths % 10),
            OnTime::UntilNext => f.write_str("on until the next command"),
        }
    }
}

/// The data byte as a signal aspect by NEM 672.
///
/// clause: NEM 672 (2015), pages 1 and 3; the switching time second-hand.
///
/// ```text
/// in the order sent      HHHHSSSS
/// SSSS  speed in tens of km/h; 0000 = stop, 1111 = line speed
/// HHHH  supplementary code; 0100 = dark, 1100 = SSSS is the switching time in steps of 0.2 s
/// ```
///
/// The switching time here is another scheme than [`SwitchingTime`]: never mix them.
///
/// ```
/// use throwproof_protocol::instruction::SignalReading;
///
/// // NEM 672 (2015): proceed at 40 km/h is 0000-0100.
/// let signal = SignalReading::from_data(0b0000_0100);
/// assert_eq!(signal, SignalReading::Aspect { supplement: 0, speed: 4 });
/// assert_eq!(signal.to_string(), "proceed at 40 km/h");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SignalReading {
    /// An aspect: the supplementary code and the speed in tens of km/h, four bits each.
    Aspect {
        /// The high four bits.
        supplement: u8,
        /// The low four bits.
        speed: u8,
    },
    /// Dark until the next command: `0100-XXXX`.
    Dark {
        /// The low four bits, which mean nothing.
        rest: u8,
    },
    /// Switching time between aspects: `1100-XXXX`.
    SwitchingTime {
        /// The low four bits: steps of 0.2 s. 0 is not defined.
        steps: u8,
    },
}

impl SignalReading {
    /// Speed bits of line speed.
    pub const LINE_SPEED: u8 = 0b1111;
    const DARK: u8 = 0b0100;
    const SWITCHING_TIME: u8 = 0b1100;

    /// Reads the data byte.
    pub const fn from_data(data: u8) -> Self {
        let low = data & 0x0f;
        match data >> 4 {
            Self::DARK => Self::Dark { rest: low },
            Self::SWITCHING_TIME => Self::SwitchingTime { steps: low },
            supplement => Self::Aspect {
                supplement,
                speed: low,
            },
        }
    }

    /// The data byte, of each part its four low bits.
    pub const fn data(self) -> u8 {
        let (high, low) = match self {
            Self::Aspect { supplement, speed } => (supplement, speed),
            Self::Dark { rest } => (Self::DARK, rest),
            Self::SwitchingTime { steps } => (Self::SWITCHING_TIME, steps),
        };
        (high << 4) | (low & 0x0f)
    }
}

impl fmt::Display for SignalReading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Dark { .. } => f.write_str("dark"),
            Self::SwitchingTime { steps: 0 } => f.write_str("switching time, not defined"),
            Self::SwitchingTime { steps } => {
                let tenths = steps.saturating_mul(2);
                write!(f, "switching time {}.{} s", tenths / 10, tenths % 10)
            }
            Self::Aspect { supplement, speed } => {
                match speed {
                    0 => f.write_str("stop")?,
                    Self::LINE_SPEED => f.write_str("proceed at line speed")?,
                    tens => write!(f, "proceed at {tens}0 km/h")?,
                }
                match supplement {
                    0 => Ok(()),
                    // The names of these four are those of the published examples.
                    0b0011 => f.write_str(", with indicator"),
                    0b0101 => f.write_str(", shunting"),
                    0b1001 => f.write_str(", with repetition"),
                    0b1101 => f.write_str(", into a dead-end track"),
                    other => write!(f, ", supplementary code {other:04b}"),
                }
            }
        }
    }
}
