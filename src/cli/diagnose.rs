//! `diagnose`.

use std::io::{self, BufRead as _, Write as _};
use std::path::PathBuf;

use clap::ValueEnum;
use throwproof_protocol::address::Numbering;

use super::{Exit, Failure, Format, stdout};
use crate::diagnose::belief::Options;
use crate::diagnose::cause::NOTHING_WRONG;
use crate::diagnose::common::{self, Round};
use crate::diagnose::facts::{self, Effort, Made};
use crate::diagnose::perform::perform;
use crate::diagnose::sight::Answer;
use crate::diagnose::site::Site;
use crate::diagnose::test::Test;
use crate::diagnose::{Conclusion, Diagnosis, Kind, Next, Swept};
use crate::event::diagnosis::Unanswered;
use crate::event::{Diagnosed, Event, EventKind};
use crate::plan::{Id, Plan};
use crate::toml_reader::nearest;
use crate::track::Track;
use crate::track::as_built::AsBuilt;
use crate::view::diagnosis as view;

const EXAMPLES: &str = "\
Examples:
  throwproof diagnose plan.toml Q1 --as-built as-built.toml
  throwproof diagnose plan.toml --as-built as-built.toml
  throwproof diagnose plan.toml Q1 --witness ask

Ends with 0 if nothing is wrong, else with 1.";

/// Find out why a turnout fails, in a handful of tests
///
/// Each test is the one that tells most about the cause for what it costs. On the simulated track
/// the tests are made there; without an ID every turnout that fails there is looked into, those
/// with one common cause together. With `--witness ask` no layout is driven: you make each test by
/// your own controls, and answer by number; `s` skips a test, `q` ends.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    #[arg(value_name = "PLAN")]
    plan: PathBuf,

    /// The turnout that fails; without it, every one that does
    #[arg(value_name = "ID")]
    id: Option<String>,

    /// What is really there, faults included; the simulated track is built by it
    #[arg(long, value_name = "FILE")]
    as_built: Option<PathBuf>,

    /// Who makes the tests and says what they show: `track`, the simulated track; `ask`, the
    /// operator at this terminal
    #[arg(long, value_enum, value_name = "WITNESS", default_value = "track")]
    #[arg(hide_possible_values = true)]
    witness: Who,

    /// Seed for all that is random [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,

    /// How the station numbers, where the plan does not say: `linear`, `non-linear`, `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Who {
    Track,
    Ask,
}

/// Who makes tests.
enum Maker {
    Track(Box<Track>),
    Operator(io::StdinLock<'static>),
}

/// What came of asking for something.
enum Got<T> {
    Answer(T),
    Skipped,
    Stopped,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    let plan = Plan::load_assuming(&args.plan, args.numbering.unwrap_or_default())?;
    let only = args.id.as_ref().map(|id| find(&plan, id)).transpose()?;
    let mut out = stdout();
    let (mut maker, sweep) = match (args.witness, only) {
        (Who::Track, _) => {
            let as_built = match &args.as_built {
                Some(path) => AsBuilt::load(path, &plan)?,
                None => AsBuilt::default(),
            };
            let seed = args.seed.or(as_built.seed).unwrap_or(1);
            let mut track = Track::new(&plan, &as_built, seed);
            let sweep = common::sweep(&plan, &mut track);
            (Maker::Track(Box::new(track)), sweep)
        }
        (Who::Ask, _) if args.as_built.is_some() => {
            return Err(Failure::usage(
                "`--as-built` builds the simulated track, which `--witness ask` does not use",
                "leave one of them out",
            ));
        }
        (Who::Ask, None) => {
            return Err(Failure::usage(
                "which turnout fails is not known without a sweep",
                "name it: throwproof diagnose PLAN ID --witness ask",
            ));
        }
        (Who::Ask, Some(target)) => {
            let mut lines = io::stdin().lock();
            let id = &plan.turnouts[target].id;
            writeln!(out, "What did a sweep show of {id}?")?;
            match asked(Test::Again, &mut lines, &mut out)? {
                Got::Stopped => return Ok(Exit::Stopped),
                Got::Skipped => (Maker::Operator(lines), Vec::new()),
                Got::Answer(answer) => {
                    let one = told_swept(target, answer);
                    (Maker::Operator(lines), one.into_iter().collect())
                }
            }
        }
    };
    let options = Options {
        seed: args.seed.unwrap_or(1),
        ..Options::default()
    };
    let mut round = Round::new(&plan, &sweep);
    let mut exit = Exit::Clean;
    let mut next = only.or_else(|| round.next());
    if next.is_none() {
        if format == Format::Text {
            writeln!(out, "A sweep sees no turnout fail.")?;
        }
    }
    while let Some(target) = next {
        let went = one(
            &plan, &round, target, &options, &mut maker, format, &mut out,
        )?;
        let Some((diagnosis, conclusion)) = went else {
            return Ok(Exit::Stopped);
        };
        let first = conclusion.causes.first().map(|it| it.cause.name);
        if conclusion.kind != Kind::Named || first != Some(NOTHING_WRONG) {
            exit = Exit::Found;
        }
        let explained = round.conclude(target, &conclusion, options.seed);
        let id = &plan.turnouts[target].id;
        let text = match format {
            Format::Text => {
                view::text(&plan, id, &diagnosis, &conclusion)
                    + &view::common(&plan, &explained, round.open())
            }
            Format::Json => {
                let mut fact = facts::came(&plan, id, &diagnosis, &conclusion, (0, 0));
                if let Diagnosed::Diagnosis { explains, .. } = &mut fact {
                    let ids = explained.iter().map(|it| plan.turnouts[*it].id.clone());
                    explains.extend(ids);
                }
                line(diagnosis.asked().len() * 2, fact)?
            }
        };
        out.write_all(text.as_bytes())?;
        next = only.map_or_else(|| round.next(), |_| None);
    }
    out.flush()?;
    Ok(exit)
}

/// The diagnosis of one turnout; `None` when the operator ends it.
fn one(
    plan: &Plan,
    round: &Round<'_>,
    target: usize,
    options: &Options,
    maker: &mut Maker,
    format: Format,
    out: &mut impl io::Write,
) -> Result<Option<(Diagnosis, Conclusion)>, Failure> {
    let site = round.site(target);
    let mut diagnosis = round.diagnosis(target, options);
    let id = &plan.turnouts[target].id;
    let Some(conclusion) = diagnose(&mut diagnosis, &site, id, maker, format, out)? else {
        return Ok(None);
    };
    Ok(Some((diagnosis, conclusion)))
}

/// Asks until there is a conclusion; `None` when the operator ends it.
fn diagnose(
    diagnosis: &mut Diagnosis,
    site: &Site,
    id: &Id,
    maker: &mut Maker,
    format: Format,
    out: &mut impl io::Write,
) -> Result<Option<Conclusion>, Failure> {
    let mut number = 0;
    loop {
        let test = match diagnosis.choose() {
            Next::Done(conclusion) => return Ok(Some(conclusion)),
            Next::Test(test) => test,
        };
        number += 1;
        let action = test.told_to_do(diagnosis.belief().site());
        if format == Format::Text || matches!(maker, Maker::Operator(_)) {
            out.write_all(view::question_text(number, test, &action).as_bytes())?;
        }
        let got = match maker {
            Maker::Track(track) => Got::Answer(perform(site, track, test)),
            Maker::Operator(lines) => asked(test, lines, out)?,
        };
        let answer = match got {
            Got::Stopped => return Ok(None),
            Got::Skipped => {
                diagnosis.refuse(test);
                None
            }
            Got::Answer(answer) => {
                diagnosis.tell(test, answer);
                Some(answer)
            }
        };
        match (format, answer) {
            (Format::Text, Some(answer)) => {
                out.write_all(view::answer_text(test, answer).as_bytes())?;
            }
            (Format::Text, None) => {}
            (Format::Json, answer) => {
                let made = answer.map_or(Made::Not(Unanswered::Skipped), Made::Answer);
                let asked = Diagnosed::DiagnosisTest {
                    turnout: id.clone(),
                    number,
                    test: test.name().to_owned(),
                    action,
                    caution: test.caution().map(|it| it.code.to_owned()),
                    by: facts::by(test),
                    will_move: Vec::new(),
                    beyond_plan: Vec::new(),
                };
                let told = facts::answered(id, number, test, made, Effort::default(), diagnosis);
                let seq = (diagnosis.asked().len() * 2).saturating_sub(2);
                out.write_all(line(seq, asked)?.as_bytes())?;
                out.write_all(line(seq + 1, told)?.as_bytes())?;
            }
        }
    }
}

/// A fact as a line of JSON.
fn line(seq: usize, fact: Diagnosed) -> io::Result<String> {
    let event = Event {
        kind: EventKind::Diagnosis(fact),
        seq: u64::try_from(seq).unwrap_or(u64::MAX),
        at_us: 0,
    };
    Ok(serde_json::to_string(&event)? + "\n")
}

fn find(plan: &Plan, id: &str) -> Result<usize, Failure> {
    let found = plan.turnouts.iter().position(|it| it.id.as_str() == id);
    if plan.turnout(id).is_some_and(|it| it.joint.is_some()) {
        return Err(Failure::usage(
            format!("{id} has several drives, and only those with one are diagnosed"),
            format!("`throwproof sweep --only {id}` says which of its drives fits what is seen"),
        ));
    }
    found.ok_or_else(|| {
        let known = plan.turnouts.iter().map(|it| it.id.as_str());
        Failure::Usage {
            message: format!("the plan has no turnout `{id}`"),
            help: match nearest(id, known) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "name a turnout of the plan; signals can't be diagnosed".to_owned(),
            },
        }
    })
}

fn told_swept(turnout: usize, answer: Answer) -> Option<Swept> {
    let Answer::Motion(motion, other) = answer else {
        return None;
    };
    Some(Swept {
        turnout,
        motion,
        other,
        others: Vec::new(),
    })
}

/// Asks the operator, part by part, until the answer is one of those offered.
fn asked(
    test: Test,
    lines: &mut io::StdinLock<'static>,
    out: &mut impl io::Write,
) -> Result<Got<Answer>, Failure> {
    let mut choices = Vec::new();
    for part in test.parts() {
        writeln!(out, "   {}", part.ask)?;
        for (index, choice) in part.choices.iter().enumerate() {
            writeln!(out, "     {}  {choice}", index + 1)?;
        }
        loop {
            write!(out, "   1 to {}, s to skip, q to end: ", part.choices.len())?;
            out.flush()?;
            let mut line = String::new();
            if lines.read_line(&mut line)? == 0 {
                return Ok(Got::Stopped);
            }
            match line.trim() {
                "q" => return Ok(Got::Stopped),
                "s" => return Ok(Got::Skipped),
                word => {
                    let number = word.parse::<usize>().ok();
                    let within = number.filter(|it| (1..=part.choices.len()).contains(it));
                    if let Some(number) = within {
                        choices.push(number - 1);
                        break;
                    }
                    writeln!(out, "   `{word}` is none of the answers")?;
                }
            }
        }
    }
    Ok(test.answer(&choices).map_or(Got::Skipped, Got::Answer))
}
