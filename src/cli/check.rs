//! `check`.

use std::io::Write as _;
use std::path::PathBuf;

use throwproof_protocol::address::Numbering;

use super::{Exit, Failure, Format, map, stdout};
use crate::check::{Counts, findings};
use crate::plan::draft::Draft;
use crate::profile::{Explanation, Profile, ProfileError};
use crate::textfile::TextFile;
use crate::view;

const EXAMPLES: &str = "\
Examples:
  throwproof check plan.toml
  throwproof check plan.toml --format json
  throwproof check plan.toml --map
  throwproof check plan.toml --map addresses.svg
  throwproof check station.toml";

/// Find what is wrong or risky in a plan, or explain a profile, without touching the layout
///
/// Ends with 0 if there is nothing worse than a note, else with 1. Of a profile it shows what the
/// station can do with it and each message for an example throw, byte by byte.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan, or the profile of a station
    #[arg(value_name = "PLAN|PROFILE")]
    plan: PathBuf,

    /// How the station numbers, where the plan does not say: `linear`, `non-linear`, `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,

    /// Draw a map of the addresses into a file ending with `.svg`; without a name, at the terminal
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = map::HERE)]
    map: Option<PathBuf>,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    if let Ok(file) = TextFile::read(&args.plan)
        && Profile::is_one(&file)
    {
        return explain(file, format);
    }
    let draft = Draft::read_assuming(&args.plan, args.numbering.unwrap_or_default())?;
    let findings = findings(&draft);
    let text = match format {
        Format::Text => view::findings::text(&draft, &findings, true),
        Format::Json => view::findings::json(&findings).map_err(std::io::Error::from)?,
    };
    let map = args.map.as_ref();
    let map = map.map_or_else(|| Ok(String::new()), |file| map::draw(&draft, file, format))?;
    let mut out = stdout();
    out.write_all(text.as_bytes())?;
    out.write_all(map.as_bytes())?;
    out.flush()?;
    let clean = Counts::of(&findings).is_clean();
    Ok(if clean { Exit::Clean } else { Exit::Found })
}

/// Explains a profile.
fn explain(file: TextFile, format: Format) -> Result<Exit, Failure> {
    let profile =
        Profile::parse(file).map_err(|problems| ProfileError::from(Box::new(problems)))?;
    let explanation = Explanation::of(&profile);
    let text = match format {
        Format::Text => view::profile::text(&explanation, true),
        Format::Json => view::profile::json(&explanation).map_err(std::io::Error::from)?,
    };
    let mut out = stdout();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    Ok(Exit::Clean)
}
