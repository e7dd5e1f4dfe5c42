//! `encode`.

use std::io::Write as _;

use throwproof_protocol::address::Numbering;
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::instruction::{
    AccessoryNop, BasicAccessory, EmergencyStop, ExtendedAccessory, Instruction,
};
use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::ServiceInstruction;

mod arguments;

use super::{Exit, Failure, Format, stdout};
use crate::view::packet::{self, Show};

use arguments::{TrackAccess, What, preamble};

const EXAMPLES: &str = "\
Examples:
  throwproof encode turnout 1 straight
  throwproof encode turnout 1 straight --release
  throwproof encode aspect 60 5 --format json
  throwproof encode cv write 1 29 128 --target decoder
  throwproof encode cv bit 1 29 3 1 --target extended
  throwproof encode service write 1 3
  throwproof encode stop";

/// Show what goes on the rails, byte by byte and bit by bit
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES, subcommand_required = true, arg_required_else_help = true)]
pub(super) struct Args {
    /// How the station numbers: `linear`, `non-linear` or `from-zero`
    #[arg(long, global = true, default_value_t, value_name = "NUMBERING")]
    numbering: Numbering,

    /// How many preamble bits, from 10; the least a station may send is 14, or 20 for service mode
    #[arg(long, global = true, value_name = "BITS", value_parser = preamble)]
    preamble: Option<Preamble>,

    #[command(subcommand)]
    what: What,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let numbering = args.numbering;
    let mut show = Show::operations(numbering);
    let packet = match &args.what {
        What::Turnout {
            address,
            position,
            release,
        } => {
            let address = address.binary(numbering);
            BasicAccessory::new(address, position.pair_bit(), !release).emit()
        }
        What::Aspect {
            address,
            value,
            read_as,
        } => {
            show.data = read_as.map(Into::into);
            ExtendedAccessory {
                address: address.binary(numbering),
                data: *value,
            }
            .emit()
        }
        What::Cv { access } => access.packet(numbering)?,
        What::Nop { address, extended } => AccessoryNop {
            address: address.binary(numbering),
            extended: *extended,
        }
        .emit(),
        What::Stop { extended: false } => EmergencyStop::Basic.emit(),
        What::Stop { extended: true } => EmergencyStop::Extended.emit(),
        What::Idle => Packet::IDLE,
        What::Reset => Packet::RESET,
        What::Service { access } => return service(access, args.preamble, format),
    };
    if let Some(preamble) = args.preamble {
        show.preamble = preamble;
    }
    let mut text = match format {
        Format::Text => show.text(&packet),
        Format::Json => show.json(&packet).map_err(Failure::Packet)? + "\n",
    };
    if format == Format::Text
        && let Some(advice) = advice(&packet)
    {
        text.push_str(advice);
    }
    print(&text)
}

/// What whoever sends such a packet should know.
fn advice(packet: &Packet) -> Option<&'static str> {
    match Instruction::parse(packet).ok()? {
        Instruction::Cv(access) if access.operation.is_write() => Some(
            "\nSend it twice, with no other packet to that decoder between them; only then is it \
             written.\n",
        ),
        Instruction::BasicBroadcast(_)
        | Instruction::ExtendedBroadcast(_)
        | Instruction::EmergencyStop(_) => Some("\nMore than one decoder may act on it.\n"),
        Instruction::Cv(_)
        | Instruction::Basic(_)
        | Instruction::Extended(_)
        | Instruction::Nop(_)
        | Instruction::LegacyCv(_)
        | Instruction::Idle
        | Instruction::Reset
        | Instruction::BroadcastStop(_)
        | Instruction::MultiFunction(_)
        | Instruction::Reserved(_) => None,
    }
}

fn service(
    access: &TrackAccess,
    preamble: Option<Preamble>,
    format: Format,
) -> Result<Exit, Failure> {
    let (access, steps) = access.steps()?;
    let mut show = Show::service();
    show.preamble = preamble.unwrap_or(show.preamble);
    let text = match format {
        Format::Json => {
            let mut text = String::new();
            for step in &steps {
                text += &show.json_step(step).map_err(Failure::Packet)?;
                text.push('\n');
            }
            text
        }
        Format::Text => {
            let acting = show.text(&ServiceInstruction::from(access).emit());
            format!(
                "{acting}\nIn this order, each at least so many times:\n\n{}",
                packet::steps(&steps)
            )
        }
    };
    print(&text)
}

fn print(text: &str) -> Result<Exit, Failure> {
    let mut out = stdout();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    Ok(Exit::Clean)
}
