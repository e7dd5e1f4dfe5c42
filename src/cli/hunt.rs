//! `hunt`.

use std::fs::OpenOptions;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use throwproof_protocol::address::KeyedAddress;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table};

use super::keep::{self, KeptPlan};
use super::layout::{self, Asked, Way};
use super::options::{Asking, Reach, RecordAt, WitnessName};
use super::run::no_such_id;
use super::{Exit, Failure, Format, runtime, sinks, stdout};
use crate::hunt::among::{AmongError, parse, runs};
use crate::hunt::{self, Came, Ended, Goal, Hunt, Outcome, telling, thrown_for};
use crate::plan::{Id, Plan, Turnout};
use crate::record::{Record, RunKind, history};
use crate::sweep::is_reserved;
use crate::sweep::stop::stop_pair;
use crate::verdict::Verdict;
use crate::view::hunt::Hunt as HuntView;

/// Shown below the options.
const EXAMPLES: &str = "\
Examples:
  throwproof hunt plan.toml --link lcc:/dev/ttyUSB0
  throwproof hunt plan.toml --target Q3 --exclude 60-63,S1
  throwproof hunt plan.toml --only 1-256 --witness phone
  throwproof hunt plan.toml --numbering --correct
  throwproof hunt plan.toml --all --only 1-128 --write-plan found.toml";

/// Find the address that moves the thing in front of you
///
/// Whole groups of addresses are thrown there and back, and you say whether it moved; each answer
/// halves the addresses that are left. In the end the one that is left is thrown alone, both ways.
/// A wrong answer is found out. How long it may take, and what else will move, is said first.
/// `--numbering` finds how the station numbers instead, `--all` everything that moves.
#[derive(Debug, clap::Args)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a yes or no of its own on the command line"
)]
#[command(after_help = EXAMPLES, mut_arg("numbering", |arg| arg.long("numbered")))]
pub(super) struct Args {
    /// The plan [default: plan.toml in this folder]
    plan: Option<PathBuf>,

    /// What is watched, by its id in the plan: where it should be, and four off, is tried first
    #[arg(long, value_name = "ID")]
    target: Option<String>,

    /// Find how the station numbers, by turnouts of the plan on different decoders, or by --target
    #[arg(long = "numbering", id = "find_numbering", conflicts_with_all = ["only", "all"])]
    find_numbering: bool,

    /// Write the numbering that was found into the plan
    #[arg(long, requires = "find_numbering")]
    correct: bool,

    /// Find everything that moves, and say of each which address moves it
    #[arg(long, conflicts_with = "target")]
    all: bool,

    /// Write what was found into a new plan
    #[arg(long, value_name = "FILE", requires = "all")]
    write_plan: Option<PathBuf>,

    #[command(flatten)]
    which: Which,

    /// Short pulses for what is not in the plan: 0.1 s instead of 0.2 s
    #[arg(long)]
    quick: bool,

    /// So many answers of a hundred are taken to be wrong
    #[arg(long, value_name = "PERCENT", default_value_t = 5)]
    #[arg(value_parser = clap::value_parser!(u8).range(0..=40))]
    doubt: u8,

    /// Give up after so many questions
    #[arg(long, value_name = "N", default_value_t = 60)]
    #[arg(value_parser = clap::value_parser!(u32).range(1..))]
    most: u32,

    /// Who hunts, for the record
    #[arg(
        long,
        value_name = "NAME",
        env = "THROWPROOF_TESTER",
        hide_env_values = true
    )]
    #[arg(default_value = "", hide_default_value = true)]
    tester: String,

    #[command(flatten)]
    record: RecordAt,

    #[command(flatten)]
    reach: Reach,

    #[command(flatten)]
    asking: Asking,
}

/// Which addresses are thrown.
#[derive(Debug, clap::Args)]
struct Which {
    /// Only these addresses: numbers, ranges and ids of the plan, as in 1-256,300,Q3
    #[arg(long, value_name = "LIST")]
    only: Option<String>,

    /// Never these addresses
    #[arg(long, value_name = "LIST")]
    exclude: Option<String>,

    /// The addresses too that the record has as proved
    #[arg(long)]
    again: bool,
}

/// The addresses that are thrown, and what has to be known of the choice.
struct Chosen {
    among: Vec<KeyedAddress>,
    notes: Vec<String>,
}

impl Args {
    fn goal(&self) -> Goal {
        if self.find_numbering {
            Goal::Numbering
        } else if self.all {
            Goal::All
        } else {
            Goal::Address
        }
    }

    /// The turnouts that tell how the station numbers.
    fn known(&self, plan: &Plan, target: Option<&Id>) -> Result<Vec<Id>, Failure> {
        if !self.find_numbering {
            return Ok(Vec::new());
        }
        let known = target.map_or_else(|| telling(plan), |id| vec![id.clone()]);
        if known.is_empty() {
            return Err(Failure::usage(
                "the plan has no turnout whose decoder is known",
                "put one into it, with the number that you key for it",
            ));
        }
        Ok(known)
    }

    fn chosen(
        &self,
        plan: &Plan,
        known: &[Id],
        record: Option<&Record>,
    ) -> Result<Chosen, Failure> {
        let list = |option: &str, list: &str| {
            parse(plan, list).map_err(|error| cannot_read(option, &error))
        };
        let mut among = match &self.which.only {
            _ if self.find_numbering => thrown_for(plan, known),
            Some(only) => list("--only", only)?,
            None => KeyedAddress::all().collect(),
        };
        let mut notes = Vec::new();
        let mut leave_out =
            |among: &mut Vec<KeyedAddress>, addresses: &[KeyedAddress], why: &str| {
                let (out, kept): (Vec<_>, Vec<_>) = among
                    .iter()
                    .partition(|address| addresses.binary_search(address).is_ok());
                if !out.is_empty() {
                    notes.push(format!("{why}: {}", runs(&out)));
                }
                *among = kept;
            };
        if let Some(exclude) = &self.which.exclude {
            leave_out(
                &mut among,
                &list("--exclude", exclude)?,
                "never thrown, as you say",
            );
        }
        if !self.reach.allow_reserved {
            let reserved: Vec<_> = KeyedAddress::all()
                .filter(|address| is_reserved(plan, *address))
                .collect();
            leave_out(
                &mut among,
                &reserved,
                "left out, broadcast and emergency stop (--allow-reserved throws them)",
            );
        }
        // All addresses of a group are thrown, which would bring its drives where they foul.
        let several = plan.turnouts.iter().filter(|turnout| {
            let joint = turnout.joint.as_ref();
            joint.is_some_and(|joint| !joint.free_passage)
        });
        let mut several: Vec<_> = several.flat_map(Turnout::addresses).collect();
        several.sort_unstable();
        leave_out(
            &mut among,
            &several,
            "left out, drives of turnouts that must not be thrown one by one",
        );
        if let Some(record) = record.filter(|_| self.goal() == Goal::Address && !self.which.again) {
            let proved = proved(plan, record, self.reach.is_rehearsal())?;
            leave_out(
                &mut among,
                &proved,
                "left out, as they are proved (--again throws them)",
            );
        }
        if among.is_empty() {
            return Err(Failure::usage(
                format!("no address is left to be thrown: {}", notes.join("; ")),
                "leave out less",
            ));
        }
        Ok(Chosen { among, notes })
    }

    fn reports_nothing(&self, plan: &Plan, id: &str) -> bool {
        let reports = plan.turnout(id).is_some_and(|one| one.position_reports);
        self.reach.witness() == WitnessName::Reports && !reports
    }

    fn target(&self, plan: &Plan) -> Result<Option<Id>, Failure> {
        let needs_one = matches!(
            self.reach.witness(),
            WitnessName::Track | WitnessName::Reports
        );
        match &self.target {
            Some(id) if plan.turnout(id).is_none() => Err(no_such_id(plan, id)),
            Some(id) if self.reports_nothing(plan, id) => Err(Failure::usage(
                format!("the plan does not say that {id} reports its position"),
                "if it does, write `position_reports = true`; else take --witness ask",
            )),
            Some(id) => Ok(Some(Id::new(id))),
            None if needs_one && self.goal() == Goal::Address => Err(Failure::usage(
                "who watches has no eyes, and has to be told which thing is looked for",
                "name it by its id in the plan, as in --target Q3; or take --witness ask",
            )),
            None => Ok(None),
        }
    }
}

fn cannot_read(option: &str, error: &AmongError) -> Failure {
    Failure::usage(
        format!("{option}: {error}"),
        "write numbers, ranges and ids of the plan, as in 1-4,60,Q1",
    )
}

/// The addresses that the last verdict of the record has as proved, by the plan as it is.
fn proved(plan: &Plan, record: &Record, is_rehearsal: bool) -> Result<Vec<KeyedAddress>, Failure> {
    let mut runs = Vec::new();
    for run in record.runs()? {
        if run.is_rehearsal == is_rehearsal {
            runs.push(record.log(run.id)?);
        }
    }
    let marks = crate::record::marks(plan);
    let last_marks = runs.last().map(|run| run.marks.clone()).unwrap_or_default();
    let history = history::of(&runs);
    let mut addresses = Vec::new();
    for subject in history.subjects {
        let last = subject.verdicts.last();
        let is_proved =
            last.is_some_and(|past| past.verdict == Verdict::Proved && !past.is_plan_changed);
        let is_same = marks.get(&subject.subject) == last_marks.get(&subject.subject);
        if is_proved && is_same {
            let own = parse(plan, subject.subject.id().as_str());
            addresses.extend(own.unwrap_or_default());
        }
    }
    addresses.sort_unstable();
    addresses.dedup();
    Ok(addresses)
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    runtime::heed_file_size_limit()?;
    let kept = KeptPlan::read(args.plan.as_ref(), &args.reach)?;
    let plan = &kept.plan;
    let target = args.target(plan)?;
    let is_rehearsal = args.reach.is_rehearsal();
    let record = keep::open(plan, &args.record, is_rehearsal)?;
    let known = args.known(plan, target.as_ref())?;
    let Chosen { among, notes } = args.chosen(plan, &known, record.as_ref())?;
    if let Some(path) = &args.write_plan {
        refuse_to_overwrite(path)?;
    }
    let (handle, stop) = stop_pair();
    let who = Asked {
        asking: &args.asking,
        plan,
        only: &[],
        resumes: false,
        stop: handle.clone(),
    };
    let way = Way::named(plan, None, &args.reach, who)?;
    let asked = hunt::Asked {
        goal: args.goal(),
        among,
        target: target.filter(|_| !args.find_numbering),
        known,
        quick: args.quick,
        doubt: f64::from(args.doubt) / 100.0,
        most: args.most,
        notes,
        about: kept.about(&args.reach, &args.tester, way.seed()),
    };
    let only: Vec<_> = asked.target.iter().cloned().collect();
    let keeps = kept.keeps(RunKind::Hunt, &only, is_rehearsal);
    let record = record.map(|record| (record, keeps));
    let mut hub = sinks::hub(record, &way, format, || HuntView::new(stdout()))?;
    let ended = layout::drive(way, plan, (&handle, &stop), async |link, witness| {
        let hunt = Hunt {
            plan,
            link,
            witness,
            hub: &mut hub,
            stop: stop.clone(),
            asked,
        };
        Ok(hunt.run().await?)
    });
    sinks::tell_unkept(&hub);
    let ended = ended?;
    if let Ended::With(came) = &ended {
        written(args, plan, came)?;
    }
    Ok(super::with_views(&hub, exit(&ended)))
}

fn exit(ended: &Ended) -> Exit {
    match ended {
        Ended::With(came) => match came.outcome {
            Outcome::Proved => Exit::Clean,
            Outcome::OneWay | Outcome::Nobody | Outcome::Unclear | Outcome::BrokenOff => {
                Exit::Found
            }
        },
        Ended::Stopped(reason) => (*reason).into(),
    }
}

fn refuse_to_overwrite(path: &Path) -> Result<(), Failure> {
    if path.exists() {
        return Err(Failure::usage(
            format!(
                "{} is there already, and a plan is never written over",
                path.display()
            ),
            "name another file with --write-plan",
        ));
    }
    Ok(())
}

/// Writes down what was found, where that was asked for.
fn written(args: &Args, plan: &Plan, came: &Came) -> Result<(), Failure> {
    if let Some(path) = &args.write_plan {
        let text = found_plan(plan, came);
        let cannot = |error: io::Error| {
            Failure::usage(
                format!("{} can't be written: {error}", path.display()),
                "name another file with --write-plan",
            )
        };
        let file = OpenOptions::new().write(true).create_new(true).open(path);
        file.and_then(|mut file| file.write_all(text.as_bytes()))
            .map_err(cannot)?;
        super::remark(&format!(
            "what was found is in {}; give each its place and shape",
            path.display()
        ));
    }
    let [numbering] = came.numberings.as_slice() else {
        if args.correct && came.outcome == Outcome::Proved {
            super::remark("more than one numbering fits: the plan is left as it is");
        }
        return Ok(());
    };
    if args.correct && plan.layout.numbering.as_str() != numbering {
        let cannot = |why: String| {
            Failure::usage(
                format!("{} can't be corrected: {why}", plan.source.display()),
                format!("write `numbering = \"{numbering}\"` into its [layout]"),
            )
        };
        let text =
            std::fs::read_to_string(&plan.source).map_err(|error| cannot(error.to_string()))?;
        let mut document: DocumentMut = text
            .parse()
            .map_err(|error: toml_edit::TomlError| cannot(error.to_string()))?;
        document["layout"]["numbering"] = toml_edit::value(numbering.as_str());
        std::fs::write(&plan.source, document.to_string())
            .map_err(|error| cannot(error.to_string()))?;
        super::remark(&format!(
            "{} now has `numbering = \"{numbering}\"`",
            plan.source.display()
        ));
    }
    Ok(())
}

/// What was found as a plan, its things numbered.
fn found_plan(plan: &Plan, came: &Came) -> String {
    let layout = &plan.layout;
    let mut document = DocumentMut::new();
    let mut head = Table::new();
    head["name"] = toml_edit::value(&layout.name);
    head["numbering"] = toml_edit::value(layout.numbering.as_str());
    head["rest"] = toml_edit::value(layout.rest.as_str());
    document["layout"] = Item::Table(head);
    let mut turnouts = ArrayOfTables::new();
    let mut things = came.things.clone();
    things.sort_by_key(|thing| thing.address);
    for (number, thing) in (1..).zip(&things) {
        let mut turnout = Table::new();
        let id: i64 = number;
        turnout["id"] = toml_edit::value(format!("T{id}"));
        turnout["address"] = toml_edit::value(i64::from(thing.address));
        turnout["shape"] = toml_edit::value("left");
        if let Some(output) = thing.straight_output {
            turnout["straight_output"] = toml_edit::value(i64::from(output));
        }
        turnouts.push(turnout);
    }
    document["turnout"] = Item::ArrayOfTables(turnouts);
    format!(
        "# Found by throwing addresses. Of each, which half lays it straight was seen; its shape, its\n\
         # place and its drive were not: correct them here.\n\n{document}"
    )
}
