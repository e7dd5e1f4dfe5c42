//! `decode`.

use std::io::Write as _;

use throwproof_protocol::address::Numbering;
use throwproof_protocol::packet::{Packet, RawBytes};
use throwproof_protocol::pretty::ReadingError;

use super::options::DataChoice;
use super::{Exit, Failure, Format, stdout};
use crate::view::packet::Show;

const EXAMPLES: &str = "\
Examples:
  throwproof decode 81 F9 78
  throwproof decode 81F978
  throwproof decode 81:F9:78 --format json
  throwproof decode 81 71 05 F5 --read-as signal
  throwproof decode 7C 00 03 7F --service";

/// Show what a packet means
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The packet's bytes in hexadecimal, the check byte last
    #[arg(required = true, value_name = "HEX")]
    hex: Vec<String>,

    /// Read it as sent on the programming track
    #[arg(long)]
    service: bool,

    /// How the station numbers: `linear`, `non-linear` or `from-zero`
    #[arg(long, default_value_t, value_name = "NUMBERING")]
    numbering: Numbering,

    /// What the data byte of an extended packet is read as
    #[arg(long, value_enum, value_name = "READING")]
    read_as: Option<DataChoice>,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let bytes = RawBytes::parse_hex(&args.hex.join(" ")).map_err(Failure::Hex)?;
    let mut show = if args.service {
        Show::service()
    } else {
        Show::operations(args.numbering)
    };
    show.data = args.read_as.map(Into::into);
    let packet = Packet::parse(bytes.as_bytes()).map_err(ReadingError::from);
    let understood = packet.and_then(|packet| {
        show.describe(packet.as_bytes()).reading()?;
        Ok(packet)
    });
    let text = match (format, &understood) {
        (Format::Text, Ok(packet)) => show.text(packet),
        // Also what is no packet is taken apart, for that is when a person most needs to see it.
        (Format::Text, Err(_)) => show.describe(bytes.as_bytes()).to_string(),
        (Format::Json, Ok(packet)) => show.json(packet).map_err(Failure::Packet)? + "\n",
        (Format::Json, Err(_)) => String::new(),
    };
    let mut out = stdout();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    understood.map(|_| Exit::Clean).map_err(Failure::Packet)
}
