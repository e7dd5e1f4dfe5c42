//! `decode`.

use std::fs::File;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use throwproof_protocol::address::Numbering;
use throwproof_protocol::packet::{Packet, RawBytes};
use throwproof_protocol::pretty::ReadingError;

use super::options::DataChoice;
use super::{Exit, Failure, Format, stdout};
use crate::profile::Profile;
use crate::view::packet::Show;
use crate::view::wire_log::Explainer;

const EXAMPLES: &str = "\
Examples:
  throwproof decode 81 F9 78
  throwproof decode 81F978
  throwproof decode 81:F9:78 --format json
  throwproof decode 81 71 05 F5 --read-as signal
  throwproof decode 7C 00 03 7F --service
  throwproof decode --log wire.log
  throwproof decode --log wire.log --profile station.toml";

/// Show what a packet means, or all of a log of the wire
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The packet's bytes in hexadecimal, the check byte last
    #[arg(value_name = "HEX")]
    hex: Vec<String>,

    /// The protocol of the log given with --log, described by this profile; else it is LCC
    #[arg(long, value_name = "FILE")]
    profile: Option<PathBuf>,

    /// The log was kept by `throwproof track`, at the station's end of the wire
    #[arg(long, requires = "profile")]
    station: bool,

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

pub(super) fn run(args: &Args, log: Option<&Path>, format: Format) -> Result<Exit, Failure> {
    match (log, args.hex.is_empty()) {
        (Some(log), true) => explain(args, log, format),
        (None, false) => packet(args, format),
        (None, true) => Err(Failure::usage(
            "there is nothing to decode",
            "write the bytes of a packet, as in `throwproof decode 81 F9 78`, or name a log of \
             the wire with --log",
        )),
        (Some(_), false) => Err(Failure::usage(
            "bytes of a packet and a log can't be decoded together",
            "leave out one of the two",
        )),
    }
}

/// Explains a log of the wire.
fn explain(args: &Args, log: &Path, format: Format) -> Result<Exit, Failure> {
    let json = format == Format::Json;
    let explainer = match &args.profile {
        Some(path) => {
            let profile = Arc::new(Profile::load(path)?);
            Explainer::profile(&profile, args.station, json)
        }
        None => Explainer::lcc(args.numbering, json),
    };
    let unread = |source| Failure::LogUnread {
        path: log.to_owned(),
        source,
    };
    let file = File::open(log).map_err(unread)?;
    if file.metadata().map_err(unread)?.is_dir() {
        return Err(unread(io::ErrorKind::IsADirectory.into()));
    }
    let mut out = io::BufWriter::new(stdout());
    let outcome = explainer.explain(io::BufReader::new(file), &mut out)?;
    out.flush()?;
    if outcome.broken > 0 && outcome.lines == 0 {
        super::remark("no line of it is of a log: keep one with `--log FILE` on a real link");
    }
    Ok(if outcome.broken > 0 {
        Exit::Found
    } else {
        Exit::Clean
    })
}

fn packet(args: &Args, format: Format) -> Result<Exit, Failure> {
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
