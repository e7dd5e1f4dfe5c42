//! What `encode` can be asked for.

use clap::{Subcommand, ValueEnum};
use throwproof_protocol::address::{KeyedAddress, Numbering, Position};
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::cv::{CvBit, CvNumber, CvOperation};
use throwproof_protocol::instruction::{AccessoryCv, CvTarget};
use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::{DirectAccess, PowerOn, ServiceSequence, ServiceStep};

use crate::cli::Failure;
use crate::cli::options::DataChoice;

/// The packet to show.
#[derive(Debug, Subcommand)]
pub(super) enum What {
    /// The command that throws a turnout
    Turnout {
        /// The address that a person keys, 1 to 2048
        address: KeyedAddress,
        /// Where to: `straight` or `diverging`, in the standard's sense
        position: Position,
        /// The release that ends it instead
        #[arg(long)]
        release: bool,
    },
    /// The command that sends data to a signal or to another extended decoder
    Aspect {
        /// The address that a person keys, 1 to 2048
        address: KeyedAddress,
        /// The data byte, 0 to 255
        value: u8,
        /// What the data byte is read as
        #[arg(long, value_enum, value_name = "READING")]
        read_as: Option<DataChoice>,
    },
    /// CV access on the layout
    Cv {
        #[command(subcommand)]
        access: LayoutAccess,
    },
    /// CV access on the programming track, the whole sequence
    Service {
        #[command(subcommand)]
        access: TrackAccess,
    },
    /// The packet that changes nothing and lets decoders answer
    Nop {
        /// The address that a person keys, 1 to 2048
        address: KeyedAddress,
        /// To extended decoders instead of basic ones
        #[arg(long)]
        extended: bool,
    },
    /// The emergency stop of all accessories
    Stop {
        /// Of extended decoders instead of basic ones
        #[arg(long)]
        extended: bool,
    },
    /// The packet that fills the time between others
    Idle,
    /// The packet that puts decoders back to how they power up
    Reset,
}

/// CV access in operations mode.
#[derive(Debug, Subcommand)]
pub(super) enum LayoutAccess {
    /// Put a value into a CV
    Write {
        /// The address that a person keys, 1 to 2048
        address: KeyedAddress,
        #[command(flatten)]
        byte: ByteArgs,
        /// Whose CV
        #[arg(long, value_enum, default_value_t, value_name = "TARGET")]
        target: Target,
    },
    /// Ask whether a CV holds a value
    Verify {
        /// The address that a person keys, 1 to 2048
        address: KeyedAddress,
        #[command(flatten)]
        byte: ByteArgs,
        /// Whose CV
        #[arg(long, value_enum, default_value_t, value_name = "TARGET")]
        target: Target,
    },
    /// Put one bit of a CV, or ask for it
    Bit {
        /// The address that a person keys, 1 to 2048
        address: KeyedAddress,
        #[command(flatten)]
        bit: BitArgs,
        /// Whose CV
        #[arg(long, value_enum, default_value_t, value_name = "TARGET")]
        target: Target,
    },
}

/// CV access in service mode.
#[derive(Debug, Subcommand)]
pub(super) enum TrackAccess {
    /// Put a value into a CV
    Write {
        #[command(flatten)]
        byte: ByteArgs,
        #[command(flatten)]
        power: PowerArgs,
    },
    /// Ask whether a CV holds a value
    Verify {
        #[command(flatten)]
        byte: ByteArgs,
        #[command(flatten)]
        power: PowerArgs,
    },
    /// Put one bit of a CV, or ask for it
    Bit {
        #[command(flatten)]
        bit: BitArgs,
        #[command(flatten)]
        power: PowerArgs,
    },
}

#[derive(Debug, clap::Args)]
pub(super) struct ByteArgs {
    /// The CV, 1 to 1024
    #[arg(value_parser = cv_number)]
    cv: CvNumber,
    /// The value, 0 to 255
    value: u8,
}

#[derive(Debug, clap::Args)]
pub(super) struct BitArgs {
    /// The CV, 1 to 1024
    #[arg(value_parser = cv_number)]
    cv: CvNumber,
    /// The bit, 0 to 7; 7 is the highest
    #[arg(value_parser = clap::value_parser!(u8).range(0..=7))]
    bit: u8,
    /// Its value, 0 or 1
    #[arg(value_parser = clap::value_parser!(u8).range(0..=1))]
    value: u8,
    /// Ask whether the bit has that value, instead of putting it
    #[arg(long)]
    verify: bool,
}

#[derive(Debug, clap::Args)]
pub(super) struct PowerArgs {
    /// The track was off: begin with what goes out when power comes on
    #[arg(long)]
    power_on: bool,
}

/// Whose CV is meant.
#[derive(Debug, Clone, Copy, Default, ValueEnum)]
pub(super) enum Target {
    /// The output at the address
    #[default]
    Output,
    /// The whole basic decoder that the address belongs to
    Decoder,
    /// The extended decoder at the address
    Extended,
}

fn cv_number(text: &str) -> Result<CvNumber, String> {
    let number = text
        .parse::<u16>()
        .map_err(|_| "write a number from 1 to 1024".to_owned())?;
    CvNumber::new(number).map_err(|error| error.to_string())
}

pub(super) fn preamble(text: &str) -> Result<Preamble, String> {
    let bits = text
        .parse::<u8>()
        .map_err(|_| "write a number from 10 to 255".to_owned())?;
    Preamble::new(bits).map_err(|error| error.to_string())
}

impl ByteArgs {
    fn write(&self) -> (CvNumber, CvOperation) {
        (self.cv, CvOperation::WriteByte(self.value))
    }

    fn verify(&self) -> (CvNumber, CvOperation) {
        (self.cv, CvOperation::VerifyByte(self.value))
    }
}

impl BitArgs {
    fn operation(&self) -> Result<(CvNumber, CvOperation), Failure> {
        let bit = CvBit::new(self.bit, self.value == 1)
            .map_err(|error| Failure::usage(error.to_string(), "bits are numbered 0 to 7"))?;
        let operation = if self.verify {
            CvOperation::VerifyBit(bit)
        } else {
            CvOperation::WriteBit(bit)
        };
        Ok((self.cv, operation))
    }
}

impl Target {
    fn of(self, address: KeyedAddress, numbering: Numbering) -> CvTarget {
        let address = address.binary(numbering);
        match self {
            Self::Output => CvTarget::pair(address),
            Self::Decoder => CvTarget::Decoder(address.decoder()),
            Self::Extended => CvTarget::Extended(address),
        }
    }
}

impl LayoutAccess {
    pub(super) fn packet(&self, numbering: Numbering) -> Result<Packet, Failure> {
        let (address, (cv, operation), target) = match self {
            Self::Write {
                address,
                byte,
                target,
            } => (address, byte.write(), target),
            Self::Verify {
                address,
                byte,
                target,
            } => (address, byte.verify(), target),
            Self::Bit {
                address,
                bit,
                target,
            } => (address, bit.operation()?, target),
        };
        let target = target.of(*address, numbering);
        Ok(AccessoryCv {
            target,
            cv,
            operation,
        }
        .emit())
    }
}

impl TrackAccess {
    pub(super) fn steps(&self) -> Result<(DirectAccess, Vec<ServiceStep>), Failure> {
        let ((cv, operation), power) = match self {
            Self::Write { byte, power } => (byte.write(), power),
            Self::Verify { byte, power } => (byte.verify(), power),
            Self::Bit { bit, power } => (bit.operation()?, power),
        };
        let power = if power.power_on {
            PowerOn::Now
        } else {
            PowerOn::Already
        };
        let access = DirectAccess { cv, operation };
        Ok((access, ServiceSequence::new(access.into(), power).collect()))
    }
}
