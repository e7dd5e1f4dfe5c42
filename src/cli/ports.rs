//! `ports`.

use std::io::Write as _;

use super::{Exit, Failure, Format, stdout};
use crate::link::ports::{Lister as _, Machine};
use crate::view;

const EXAMPLES: &str = "\
Examples:
  throwproof ports
  throwproof ports --format json
  throwproof sweep plan.toml --link lcc:/dev/ttyUSB0";

/// List the serial ports of this machine, and which of them can be opened
///
/// Each port is opened for a moment, without a byte sent; adapters that reset when they are opened
/// do so. Ends with 0 also if there is none.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {}

pub(super) fn run(_args: &Args, format: Format) -> Result<Exit, Failure> {
    let ports = Machine.list().map_err(Failure::Ports)?;
    let ports: Vec<_> = ports
        .into_iter()
        .map(|port| {
            let openable = Machine.openable(&port);
            (port, openable)
        })
        .collect();
    let text = match format {
        Format::Text => view::ports::text(&ports),
        Format::Json => view::ports::json(&ports).map_err(std::io::Error::from)?,
    };
    let mut out = stdout();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    Ok(Exit::Clean)
}
