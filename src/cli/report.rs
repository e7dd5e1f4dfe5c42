//! `report`.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use throwproof_protocol::address::Numbering;

use super::find_plan::Here;
use super::keep::KeptPlan;
use super::options::{RecordAt, RecordPlace};
use super::{Exit, Failure, Format, remark, stdout};
use crate::plan::Plan;
use crate::record::cases::Case;
use crate::record::{Record, RunLog, history};
use crate::report::labels::sheet::Paper;
use crate::report::labels::{self, LabelError, Millimetres, Sheet, SheetError};
use crate::report::{
    self, Basis, Choice, Document, Nature, PlanSource, Report, ReportError, Target, TargetError,
    WriteError,
};
use crate::view;

mod cases;
mod lessons;

/// Shown below the options.
const EXAMPLES: &str = "\
Examples:
  throwproof report plan.toml
  throwproof report plan.toml --report report.html --report table.csv
  throwproof report plan.toml --labels labels.pdf --only Q1,Q2,D1
  throwproof report plan.toml --labels labels.pdf --sheet letter --first 7
  throwproof report plan.toml --history";

/// Reports and labels from the record of a plan
///
/// Without an option it tells how everything stands. Ends with 0 if all is proved, with 1 if
/// something failed or is open.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan [default: plan.toml in this folder]
    plan: Option<PathBuf>,

    /// Write a report here; the ending names its kind: .html, .xml for test tools, .csv, .json or .md.
    /// May be given several times
    #[arg(long, value_name = "FILE")]
    report: Vec<PathBuf>,

    /// Tell what became of each turnout and signal, run by run
    #[arg(long)]
    history: bool,

    #[command(flatten)]
    record: RecordAt,

    /// As it was after this run
    #[arg(long, value_name = "N")]
    run: Option<i64>,

    /// From the rehearsals on the simulated track, though there are runs on the layout
    #[arg(long, conflicts_with = "run")]
    rehearsals: bool,

    /// How the station numbers, where the plan does not say: `linear`, `non-linear`, `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,

    #[command(flatten)]
    labels: LabelArgs,
}

/// Above the options of labels, in the help.
const LABELS: &str = "Labels";

/// Labels, and the sheet they are printed on.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = LABELS)]
struct LabelArgs {
    /// Write labels here, to print and stick on: .pdf, .svg or .html
    #[arg(long, value_name = "FILE")]
    labels: Option<PathBuf>,

    /// Labels of these turnouts, signals and decoders alone
    #[arg(long, value_name = "ID,ID", value_delimiter = ',', requires = "labels")]
    only: Vec<String>,

    /// The paper: `a4`, `letter`, or width and height in millimetres, as in 100x150
    #[arg(long, value_name = "SHEET", default_value = "a4")]
    sheet: String,

    /// Width and height of a label, millimetres [default: 63.5x33.9 on a4, 66.675x25.4 on letter]
    #[arg(long, value_name = "WxH", requires = "labels")]
    label: Option<Millimetres>,

    /// From the sheet's left and upper edge to the first label, millimetres [default: centred]
    #[arg(long, value_name = "XxY", requires = "labels")]
    margin: Option<Millimetres>,

    /// Between labels, across and down, millimetres [default: 2.5x0 on a4, 3.175x0 on letter]
    #[arg(long, value_name = "XxY", requires = "labels")]
    gap: Option<Millimetres>,

    /// The first label goes to the Nth place of the sheet, row by row: for one that is used in part
    #[arg(long, value_name = "N", default_value_t = 1)]
    first: usize,

    /// No marks at the corners: for sheets that are cut already
    #[arg(long, requires = "labels")]
    no_marks: bool,
}

impl LabelArgs {
    fn sheet(&self) -> Result<Sheet, SheetError> {
        let mut sheet = Sheet::on(self.sheet.parse::<Paper>()?);
        sheet.label = self.label.unwrap_or(sheet.label);
        sheet.gap = self.gap.unwrap_or(sheet.gap);
        sheet.margin = self.margin;
        sheet.first = self.first;
        sheet.marks = !self.no_marks;
        Ok(sheet)
    }
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let targets = report::prepare(&args.report).map_err(|error| no_target(&error))?;
    let sheet = args.labels.sheet().map_err(|error| no_sheet(&error))?;
    if let Some(path) = &args.labels.labels {
        labels::prepare(path, &sheet).map_err(|error| no_labels(&error))?;
    }
    let path = Here::unless_named(args.plan.as_ref())?;
    let record = open(&path, &args.record)?;
    let choice = Choice {
        rehearsals: args.rehearsals,
        up_to: args.run,
    };
    if record.runs()?.is_empty()
        && targets.is_empty()
        && let Some(exit) = lessons::alone(&record, args.rehearsals, format)?
    {
        return Ok(exit);
    }
    let (nature, runs) = chosen(&record, choice)?;
    let then = args.run.is_some();
    let planned = Planned::find(&path, args.numbering.unwrap_or_default(), &runs, then)?;
    let taught = lessons::of(&record, nature)?;
    let cases = cases::of(&record, nature, args.run)?;
    let report = report_of(&planned.kept, planned.source, nature, &runs, &cases);
    let report = report.with_lessons(&taught, &TimeZone::system());

    write_reports(&targets, &report)?;
    if let Some(path) = &args.labels.labels {
        write_labels(&report, args, &sheet, path)?;
    }
    let mut out = stdout();
    if args.history {
        let history = history::of(&runs).with_cases(&cases);
        match format {
            Format::Text => view::history::print(&history, &mut out)?,
            Format::Json => view::history::json(&history, &mut out)?,
        }
        out.flush()?;
        lessons::tell(&taught, format)?;
    } else if targets.is_empty() && args.labels.labels.is_none() {
        match format {
            Format::Text => out.write_all(report::summary(&report).as_bytes())?,
            Format::Json => {
                let bytes = Document::Json.bytes(&report);
                out.write_all(&bytes.map_err(|error| not_written(&error))?)?;
            }
        }
    }
    out.flush()?;
    Ok(if report.counts.is_clean() {
        Exit::Clean
    } else {
        Exit::Found
    })
}

fn open(plan: &Path, at: &RecordAt) -> Result<Record, Failure> {
    match at.place(plan) {
        RecordPlace::Nowhere => Err(Failure::usage(
            "without a record there is nothing to report",
            "leave `--record none` out (and THROWPROOF_RECORD, if that says it), or name a file",
        )),
        RecordPlace::Named(path) | RecordPlace::Beside(path) => Ok(Record::open_to_read(&path)?),
    }
}

/// The runs that a report is made of.
fn chosen(record: &Record, choice: Choice) -> Result<(Nature, Vec<RunLog>), Failure> {
    let chosen = report::runs_of(record, choice).map_err(|error| no_report(error, record))?;
    if record.not_understood() > 0 {
        remark(&format!(
            "{} holds {} events that a newer throwproof wrote; the report goes without them",
            record.path().display(),
            record.not_understood()
        ));
    }
    Ok(chosen)
}

/// The plan that a report is about, and which text of it that is.
struct Planned {
    kept: KeptPlan,
    source: PlanSource,
}

impl Planned {
    /// The plan's file; or what the record kept of it where that can't be used, or `then` asks
    /// for how it was.
    fn find(
        path: &Path,
        numbering: Numbering,
        runs: &[RunLog],
        then: bool,
    ) -> Result<Self, Failure> {
        let from_file = || {
            KeptPlan::from_file(path, numbering).map(|kept| Self {
                kept,
                source: PlanSource::File,
            })
        };
        let Some(last) = runs.last() else {
            return from_file();
        };
        if !then {
            match from_file() {
                Ok(planned) => return Ok(planned),
                Err(_) => remark(&format!(
                    "{} can't be used as it is now (`throwproof check` says why); the report \
                     goes by the text of the plan that the record has",
                    path.display()
                )),
            }
        }
        let plan = Plan::from_text(path, &last.plan_text)
            .map_err(|problems| Failure::Plan(problems.into()))?;
        Ok(Self {
            kept: KeptPlan {
                plan,
                text: last.plan_text.clone(),
                fingerprint: last.info.fingerprint.clone(),
                marks: last.marks.clone(),
            },
            source: PlanSource::Record,
        })
    }
}

/// The report of those runs.
fn report_of(
    kept: &KeptPlan,
    source: PlanSource,
    nature: Nature,
    runs: &[RunLog],
    cases: &[Case],
) -> Report {
    Report::of(&Basis {
        runs,
        nature,
        plan: &kept.plan,
        plan_text: &kept.text,
        source,
        cases,
        marks: Some(&kept.marks),
        zone: &TimeZone::system(),
    })
}

/// Writes it to each file, and says so.
fn write_reports(targets: &[Target], report: &Report) -> Result<(), Failure> {
    report::write(targets, report).map_err(|error| not_written(&error))?;
    for target in targets {
        remark(&format!("wrote {}", target.path.display()));
    }
    Ok(())
}

/// Reports that a run is to end with.
pub(super) struct Reports {
    targets: Vec<Target>,
    record: PathBuf,
    /// Where the record is kept until they are written, if it is kept nowhere else.
    _folder: Option<tempfile::TempDir>,
}

impl Reports {
    /// Looks at each file before anything is done.
    pub(super) fn prepared(paths: &[PathBuf]) -> Result<Self, Failure> {
        Ok(Self {
            targets: report::prepare(paths).map_err(|error| no_target(&error))?,
            record: PathBuf::new(),
            _folder: None,
        })
    }

    /// From that record; a run that is not kept gets one for as long as it takes.
    pub(super) fn kept_in(self, record: &mut Option<Record>) -> Result<Self, Failure> {
        let mut folder = None;
        if record.is_none() && !self.targets.is_empty() {
            let new = tempfile::tempdir().map_err(Failure::Setup)?;
            *record = Some(Record::open(&new.path().join("run.record"))?);
            folder = Some(new);
        }
        let path = record.as_ref().map(|record| record.path().to_owned());
        Ok(Self {
            record: path.unwrap_or_default(),
            _folder: folder,
            ..self
        })
    }

    /// Writes them. A run that ended before it began has none.
    pub(super) fn write(&self, kept: &KeptPlan, is_rehearsal: bool) -> Result<(), Failure> {
        if self.targets.is_empty() {
            return Ok(());
        }
        let record = Record::open_to_read(&self.record)?;
        let choice = Choice {
            rehearsals: is_rehearsal,
            up_to: None,
        };
        let (nature, runs) = match report::runs_of(&record, choice) {
            Err(ReportError::NoRuns | ReportError::NoRehearsals) => return Ok(()),
            runs => runs.map_err(|error| no_report(error, &record))?,
        };
        let cases = cases::of(&record, nature, None)?;
        let report = report_of(kept, PlanSource::File, nature, &runs, &cases)
            .with_lessons(&lessons::of(&record, nature)?, &TimeZone::system());
        write_reports(&self.targets, &report)
    }
}

fn write_labels(report: &Report, args: &Args, sheet: &Sheet, path: &Path) -> Result<(), Failure> {
    let labels =
        labels::draw(report, &args.labels.only, sheet, path).map_err(|error| no_labels(&error))?;
    report::write_files(&labels.files).map_err(|error| not_written(&error))?;
    let files: Vec<_> = labels
        .files
        .iter()
        .map(|(path, _)| path.display())
        .collect();
    let names: Vec<_> = files.iter().map(ToString::to_string).collect();
    remark(&format!(
        "wrote {}: {}, {}; print at 100 %, without fitting to the page",
        names.join(", "),
        view::words::count(labels.labels, "label"),
        view::words::count(labels.sheets, "sheet"),
    ));
    if !labels.replaced.is_empty() {
        remark(&format!(
            "the font of PDF labels lacks letters of {}, and shows ? for them; labels as .svg or \
             .html have them all",
            labels.replaced.join(", ")
        ));
    }
    Ok(())
}

/// An error with its causes.
fn told(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        text = format!("{text}: {error}");
        cause = error.source();
    }
    text
}

/// Nothing can be written to a file that `--report` names.
pub(super) fn no_target(error: &TargetError) -> Failure {
    Failure::usage(told(error), error.help())
}

fn no_sheet(error: &SheetError) -> Failure {
    Failure::usage(told(error), error.help())
}

fn no_labels(error: &LabelError) -> Failure {
    Failure::usage(told(error), error.help())
}

/// A report could not be written.
pub(super) fn not_written(error: &WriteError) -> Failure {
    Failure::usage(told(error), "make room, or name another file")
}

/// There is no report to make.
pub(super) fn no_report(error: ReportError, record: &Record) -> Failure {
    let help = match error {
        ReportError::Record(error) => return Failure::Record(error),
        ReportError::NoRuns => "`throwproof sweep PLAN` makes one",
        ReportError::NoRehearsals => "leave out --rehearsals",
        ReportError::NoSuchRun { .. } => "`throwproof report PLAN --history` tells of them",
    };
    Failure::usage(format!("{error}: {}", record.path().display()), help)
}
