//! `allot`.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use similar::TextDiff;
use throwproof_protocol::address::Numbering;

use super::{Exit, Failure, Format, stdout};
use crate::allot::{self, AllotError, Options, Proposal};
use crate::plan::draft::Draft;
use crate::plan::{Finding, Id, PlanError};
use crate::textfile::TextFile;
use crate::toml_reader::Problems;
use crate::view;

const EXAMPLES: &str = "\
Examples:
  throwproof allot plan.toml --dry-run
  throwproof allot plan.toml
  throwproof allot plan.toml --outputs 4 --spare 0
  throwproof allot plan.toml --like D2";

/// Find decoder outputs and addresses for turnouts and signals that have none
///
/// Fills what is free on the plan's decoders, and proposes as few more as can do. What is wired
/// already stays as it is. Lines are added to the plan, none is changed; the plan as it was is
/// kept beside it. Ends with 0 if everything has an output then, else with 1.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    #[arg(value_name = "PLAN")]
    plan: PathBuf,

    /// Show what would be written, and write nothing
    #[arg(long)]
    dry_run: bool,

    /// How many outputs a decoder to add has
    #[arg(long, value_name = "N", default_value_t = 8, conflicts_with = "like")]
    #[arg(value_parser = clap::value_parser!(u8).range(1..=64))]
    outputs: u8,

    /// A decoder of the plan that decoders to add of its kind are like
    #[arg(long, value_name = "DECODER")]
    like: Option<String>,

    /// How many outputs of each decoder stay free for growth
    #[arg(long, value_name = "N", default_value_t = 1)]
    spare: u8,

    /// How many places that follow one another in the plan one decoder may serve
    #[arg(long, value_name = "N", default_value_t = 2)]
    #[arg(value_parser = clap::value_parser!(u16).range(1..))]
    reach: u16,

    /// How the station numbers, where the plan does not say: `linear`, `non-linear`, `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let file = TextFile::read(&args.plan).map_err(PlanError::from)?;
    let draft =
        Draft::parse_unwired(file, args.numbering.unwrap_or_default()).map_err(PlanError::from)?;
    let errors = draft.errors();
    if !errors.is_empty() {
        let list = errors.into_iter().map(Finding::into_problem).collect();
        let file = draft.file;
        let problems = Problems {
            file,
            list,
            more: 0,
        };
        return Err(PlanError::from(problems).into());
    }
    let options = Options {
        outputs: args.outputs,
        spare: args.spare,
        reach: args.reach,
        like: args.like.as_deref().map(Id::new),
    };
    let failed = |error: AllotError| Failure::usage(error.to_string(), error.help());
    let proposal = allot::propose(&draft, &options).map_err(failed)?;
    let new = allot::text::written(&draft, &proposal).map_err(failed)?;
    let old = draft.file.as_read();
    let kept = if args.dry_run || proposal.is_empty() {
        None
    } else {
        let kept = write(&args.plan, &old, &new)?;
        // As the person named the plan, unless that is a link to another folder.
        let near = kept.file_name().map(|name| args.plan.with_file_name(name));
        Some(near.filter(|near| near.exists()).unwrap_or(kept))
    };
    let mut out = stdout();
    match format {
        Format::Json => {
            let path = kept.as_ref().map(|kept| kept.display().to_string());
            let text = view::allot::json(&proposal, kept.is_some(), path);
            out.write_all(text.map_err(io::Error::from)?.as_bytes())?;
        }
        Format::Text => show(&mut out, args, &draft, &proposal, &new, kept.as_deref())?,
    }
    out.flush()?;
    let whole = proposal.left.is_empty();
    Ok(if whole { Exit::Clean } else { Exit::Found })
}

fn show(
    out: &mut impl io::Write,
    args: &Args,
    draft: &Draft,
    proposal: &Proposal,
    new: &str,
    kept: Option<&Path>,
) -> io::Result<()> {
    if proposal.is_empty() && proposal.left.is_empty() {
        return writeln!(
            out,
            "{}: every turnout and signal has an address or an output; nothing to do",
            draft.layout.name
        );
    }
    out.write_all(view::allot::text(&draft.layout.name, proposal).as_bytes())?;
    let path = args.plan.display();
    if args.dry_run {
        let old = draft.file.as_read();
        let difference = TextDiff::from_lines(&old, new);
        let mut difference = difference.unified_diff();
        let (before, after) = (path.to_string(), format!("{path} (proposed)"));
        writeln!(out)?;
        write!(out, "{}", difference.header(&before, &after))?;
        return writeln!(out, "\nNothing is written: this was --dry-run.");
    }
    match kept {
        Some(kept) => writeln!(
            out,
            "\nWrote {path}; as it was before: {}. Look it through, then:\n  \
             throwproof check {path}",
            kept.display()
        ),
        None => writeln!(out, "\nNothing is written."),
    }
}

/// Most copies of one plan.
const COPIES: u32 = 1000;

fn cannot(path: &Path, error: &io::Error) -> Failure {
    Failure::usage(
        format!(
            "{} can't be written: {error}; the plan is as it was",
            path.display()
        ),
        "give yourself the right to write to the file and its folder, or look whether the disk is \
         full",
    )
}

/// Writes the plan, whole or not at all, and gives where the plan as it was is kept.
fn write(plan: &Path, old: &str, new: &str) -> Result<PathBuf, Failure> {
    // A link to the plan stays one.
    let plan = fs::canonicalize(plan).map_err(|error| cannot(plan, &error))?;
    let kept = keep(&plan, old)?;
    let folder = plan.parent().unwrap_or(Path::new("."));
    let written = fs::metadata(&plan).and_then(|metadata| {
        if metadata.permissions().readonly() {
            return Err(io::ErrorKind::PermissionDenied.into());
        }
        let mut file = tempfile::Builder::new().tempfile_in(folder)?;
        file.write_all(new.as_bytes())?;
        file.as_file().set_permissions(metadata.permissions())?;
        file.as_file().sync_all()?;
        Ok(file)
    });
    let file = written.map_err(|error| cannot(&plan, &error))?;
    // Between reading and here somebody may have saved it.
    if fs::read(&plan).ok().as_deref() != Some(old.as_bytes()) {
        return Err(Failure::usage(
            format!("{} was changed meanwhile, and is left so", plan.display()),
            "run allot again",
        ));
    }
    let placed = file.persist(&plan);
    placed.map_err(|error| cannot(&plan, &error.error))?;
    Ok(kept)
}

/// Keeps the plan as it was beside it; never over a file that is there.
fn keep(plan: &Path, old: &str) -> Result<PathBuf, Failure> {
    let name = plan.file_name().unwrap_or_default().to_os_string();
    for number in 1..COPIES {
        let mut copy = name.clone();
        copy.push(if number == 1 {
            ".before".to_owned()
        } else {
            format!(".before-{number}")
        });
        let path = plan.with_file_name(copy);
        let file = OpenOptions::new().write(true).create_new(true).open(&path);
        let written = file.and_then(|mut file| {
            file.write_all(old.as_bytes())?;
            file.sync_all()
        });
        match written {
            Ok(()) => return Ok(path),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(cannot(&path, &error)),
        }
    }
    Err(Failure::usage(
        format!("{} has {COPIES} copies of it already", plan.display()),
        "take some of them away",
    ))
}
