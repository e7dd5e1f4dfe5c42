//! `check`.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use throwproof_protocol::address::Numbering;

use super::options::{FormatName, LinkName};
use super::{Exit, Failure, Format, map, stdout};
use crate::check::{Counts, findings, reports_not_carried};
use crate::electric::loads;
use crate::plan::draft::Draft;
use crate::plan::finding::Code;
use crate::profile::{Explanation, Profile, ProfileError};
use crate::textfile::TextFile;
use crate::toml_reader::nearest;
use crate::view;

const EXAMPLES: &str = "\
Examples:
  throwproof check plan.toml
  throwproof check plan.toml --format json
  throwproof check plan.toml --map
  throwproof check plan.toml --map addresses.svg
  throwproof check plan.toml --format sarif
  throwproof check plan.toml --link profile:station.toml:/dev/ttyUSB0
  throwproof check --explain wire-too-long
  throwproof check station.toml";

/// Find what is wrong or risky in a plan, or explain a profile, without touching the layout
///
/// Ends with 0 if there is nothing worse than a note, else with 1. Of a profile it shows what the
/// station can do with it and each message for an example throw, byte by byte.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan, or the profile of a station
    #[arg(value_name = "PLAN|PROFILE", required_unless_present = "explain")]
    #[arg(conflicts_with = "explain")]
    plan: Option<PathBuf>,

    /// How the station numbers, where the plan does not say: `linear`, `non-linear`, `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,

    /// Draw a map of the addresses into a file ending with `.svg`; without a name, at the terminal
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = map::HERE)]
    map: Option<PathBuf>,
    /// What the layout will be driven through, to see whether it carries what the plan counts on;
    /// nothing is opened
    #[arg(long, value_name = "LINK")]
    link: Option<LinkName>,

    /// Explain a kind of finding by its code; without a code, list them all
    #[arg(long, value_name = "CODE", num_args = 0..=1)]
    #[expect(
        clippy::option_option,
        reason = "not asked, asked for all, asked for one"
    )]
    explain: Option<Option<String>>,
}

pub(super) fn run(args: &Args, format: FormatName) -> Result<Exit, Failure> {
    if let Some(code) = &args.explain {
        return explain_code(code.as_deref(), format);
    }
    let Some(plan) = &args.plan else {
        return Err(no_plan());
    };
    if let Ok(file) = TextFile::read(plan)
        && Profile::is_one(&file)
    {
        return explain(file, format);
    }
    check(plan, args, format)
}

fn no_plan() -> Failure {
    Failure::usage("no plan is named", "write: throwproof check plan.toml")
}

fn check(path: &Path, args: &Args, format: FormatName) -> Result<Exit, Failure> {
    let draft = Draft::read_assuming(path, args.numbering.unwrap_or_default())?;
    let mut findings = findings(&draft);
    if let Some(link) = &args.link
        && !carries_reports(link)?
    {
        findings.extend(reports_not_carried(&draft));
    }
    let plan = draft.clone().into_plan().ok();
    let loads = plan.as_ref().map(loads).unwrap_or_default();
    let text = match format {
        FormatName::Text => {
            let supplies = plan.as_ref();
            let supplies = supplies.map(|plan| view::findings::supplies_text(plan, &loads));
            view::findings::text(&draft, &findings, true) + &supplies.unwrap_or_default()
        }
        FormatName::Json => {
            let supplies = plan.as_ref().map(|plan| (plan, loads.as_slice()));
            view::findings::json_with(&findings, supplies).map_err(std::io::Error::from)?
        }
        FormatName::Sarif => view::sarif::sarif(&draft, &findings).map_err(std::io::Error::from)?,
    };
    let map = match &args.map {
        // Whatever programs read is no place for a picture in characters.
        Some(file) if format == FormatName::Text => map::draw(&draft, file, Format::Text)?,
        Some(file) => map::draw(&draft, file, Format::Json)?,
        None => String::new(),
    };
    write(&(text + &map))?;
    let clean = Counts::of(&findings).is_clean();
    Ok(if clean { Exit::Clean } else { Exit::Found })
}

/// Whether position reports come over that link.
fn carries_reports(link: &LinkName) -> Result<bool, Failure> {
    Ok(match link {
        LinkName::Track | LinkName::Lcc(_) => true,
        LinkName::Profile(file, _) => Profile::load(file)?.abilities().position_reports,
    })
}

fn write(text: &str) -> Result<(), Failure> {
    let mut out = stdout();
    out.write_all(text.as_bytes())?;
    out.flush()?;
    Ok(())
}

/// Explains a kind of finding, or lists them all.
fn explain_code(code: Option<&str>, format: FormatName) -> Result<Exit, Failure> {
    let codes = match code {
        None => Code::ALL.to_vec(),
        Some(name) => vec![Code::named(name).ok_or_else(|| no_such_code(name))?],
    };
    let text = match (format.plain("check --explain")?, code) {
        (Format::Text, None) => view::explained::list(),
        (Format::Text, Some(_)) => codes.into_iter().map(view::explained::text).collect(),
        (Format::Json, _) => {
            let lines = codes.into_iter().map(view::explained::json);
            lines
                .collect::<Result<String, _>>()
                .map_err(std::io::Error::from)?
        }
    };
    write(&text)?;
    Ok(Exit::Clean)
}

fn no_such_code(name: &str) -> Failure {
    let near = nearest(name, Code::ALL.iter().map(|code| code.as_str()));
    let help = match near {
        Some(near) => format!("did you mean `{near}`? `check --explain` alone lists them all"),
        None => "`throwproof check --explain` lists them all".to_owned(),
    };
    Failure::usage(format!("no finding has the code `{name}`"), help)
}

/// Explains a profile.
fn explain(file: TextFile, format: FormatName) -> Result<Exit, Failure> {
    let profile =
        Profile::parse(file).map_err(|problems| ProfileError::from(Box::new(problems)))?;
    let explanation = Explanation::of(&profile);
    let text = match format.plain("a profile")? {
        Format::Text => view::profile::text(&explanation, true),
        Format::Json => view::profile::json(&explanation).map_err(std::io::Error::from)?,
    };
    write(&text)?;
    Ok(Exit::Clean)
}
