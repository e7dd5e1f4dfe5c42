//! A diagnosis, as a person and as a program reads it.

use std::fmt::Write as _;

use serde::Serialize;

use crate::diagnose::cause::NOTHING_WRONG;
use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;
use crate::diagnose::words::{Reasons, reasons};
use crate::diagnose::{Conclusion, Diagnosis, Kind};
use crate::plan::{Id, Plan};

/// Columns the text is wrapped to.
const WIDTH: usize = 96;

/// So many reasons are told of each sort: the most telling ones.
const REASONS: usize = 4;

/// One test and what it showed, as a JSON object.
#[derive(Debug, Serialize)]
struct Asked<'a> {
    event: &'static str,
    turnout: &'a Id,
    number: usize,
    test: &'static str,
    /// What was to be done.
    action: &'a str,
    /// What it showed, in words; none where it was not made.
    answer: Option<String>,
}

/// A cause of the conclusion, as JSON.
#[derive(Debug, Serialize)]
struct Told<'a> {
    cause: &'static str,
    level: &'static str,
    share: f64,
    says: &'static str,
    mend: &'static str,
    caution: Option<&'static str>,
    prove: &'static str,
    speaks_for: &'a [String],
    speaks_against: &'a [String],
}

/// The conclusion, as a JSON object.
#[derive(Debug, Serialize)]
struct Concluded<'a> {
    event: &'static str,
    turnout: &'a Id,
    kind: &'static str,
    tests: usize,
    none_fits: f64,
    causes: Vec<Told<'a>>,
    parting: Option<Parts<'a>>,
}

/// The measurement that would part the causes that remain, as JSON.
#[derive(Debug, Serialize)]
struct Parts<'a> {
    test: &'static str,
    /// What is to be done.
    action: String,
    shows: Vec<Shows<'a>>,
}

/// What it would show of one of them.
#[derive(Debug, Serialize)]
struct Shows<'a> {
    cause: &'a str,
    answer: String,
}

fn percent(share: f64) -> String {
    format!("{:.0} %", (share * 100.0).min(99.0))
}

fn wrapped(text: &mut String, head: &str, rest: &str) {
    let indent = " ".repeat(head.chars().count());
    let options = textwrap::Options::new(WIDTH)
        .initial_indent(head)
        .subsequent_indent(&indent);
    let _ = writeln!(text, "{}", textwrap::fill(rest, options));
}

/// What is to be done next.
pub fn question_text(number: usize, asked: Test, action: &str) -> String {
    let mut text = String::new();
    wrapped(&mut text, &format!("{number}. "), action);
    if let Some(caution) = asked.caution() {
        wrapped(&mut text, "   mind: ", caution.text);
    }
    text
}

/// What it showed.
pub fn answer_text(test: Test, answer: Answer) -> String {
    format!("   {}\n", test.told(answer))
}

/// One test as a line of JSON.
///
/// # Errors
/// When it can't be written as JSON, which does not happen.
pub fn asked_json(
    turnout: &Id,
    number: usize,
    test: Test,
    action: &str,
    answer: Option<Answer>,
) -> Result<String, serde_json::Error> {
    let asked = Asked {
        event: "diagnosis-test",
        turnout,
        number,
        test: test.name(),
        action,
        answer: answer.map(|it| test.told(it)),
    };
    Ok(serde_json::to_string(&asked)? + "\n")
}

fn listed(text: &mut String, head: &str, reasons: &[String]) {
    for reason in reasons.iter().take(REASONS) {
        wrapped(text, &format!("  {head} "), reason);
    }
}

/// The conclusion for people.
pub fn text(plan: &Plan, turnout: &Id, diagnosis: &Diagnosis, conclusion: &Conclusion) -> String {
    let mut text = String::from("\n");
    let several = conclusion.causes.len() > 1;
    let head = match conclusion.kind {
        Kind::NoneFits => format!(
            "{turnout}: none of the known causes fits what was seen. Check the answers that \
             speak against the likeliest ones, and look for more than one fault at once."
        ),
        Kind::Remain if several => format!(
            "{turnout}: these causes remain, and no test at hand parts them further. Mend the \
             likeliest first and prove it."
        ),
        Kind::Named | Kind::Remain => String::new(),
    };
    if !head.is_empty() {
        wrapped(&mut text, "", &head);
    }
    let shown = match conclusion.kind {
        Kind::Named => 1,
        Kind::Remain | Kind::NoneFits => 4,
    };
    for likely in conclusion.causes.iter().take(shown) {
        let cause = likely.cause;
        let head = format!("{turnout}: {}, {}. ", cause.name, percent(likely.share));
        let _ = writeln!(text);
        wrapped(&mut text, "", &(head + cause.says));
        let Reasons {
            speaks_for,
            speaks_against,
        } = reasons(plan, diagnosis.belief(), cause.name);
        listed(&mut text, "for:    ", &speaks_for);
        listed(&mut text, "against:", &speaks_against);
        if cause.name != NOTHING_WRONG {
            wrapped(&mut text, "  mend:    ", cause.mend);
        }
        if let Some(caution) = cause.caution {
            wrapped(&mut text, "  mind:    ", caution.text);
        }
        wrapped(&mut text, "  prove:   ", cause.prove);
    }
    if let Some(parting) = &conclusion.parting {
        let action = parting.test.told_to_do(diagnosis.belief().site());
        let _ = writeln!(text);
        wrapped(&mut text, "This would part them: ", &action);
        for (cause, answer) in &parting.shows {
            let head = format!("  {}: ", cause.name);
            wrapped(&mut text, &head, &parting.test.told(*answer));
        }
    }
    text
}

/// The conclusion as a line of JSON.
///
/// # Errors
/// When it can't be written as JSON, which does not happen.
pub fn json(
    plan: &Plan,
    turnout: &Id,
    diagnosis: &Diagnosis,
    conclusion: &Conclusion,
) -> Result<String, serde_json::Error> {
    let belief = diagnosis.belief();
    let causes = conclusion.causes.iter();
    let reasons: Vec<Reasons> = causes
        .clone()
        .map(|it| reasons(plan, belief, it.cause.name))
        .collect();
    let causes = causes.zip(&reasons).map(|(likely, reasons)| Told {
        cause: likely.cause.name,
        level: likely.cause.level.as_str(),
        share: likely.share,
        says: likely.cause.says,
        mend: likely.cause.mend,
        caution: likely.cause.caution.map(|it| it.code),
        prove: likely.cause.prove,
        speaks_for: &reasons.speaks_for,
        speaks_against: &reasons.speaks_against,
    });
    let concluded = Concluded {
        event: "diagnosis",
        turnout,
        kind: match conclusion.kind {
            Kind::Named => "named",
            Kind::Remain => "remain",
            Kind::NoneFits => "none-fits",
        },
        tests: diagnosis.asked().len(),
        none_fits: conclusion.none_fits,
        causes: causes.collect(),
        parting: conclusion.parting.as_ref().map(|it| Parts {
            test: it.test.name(),
            action: it.test.told_to_do(belief.site()),
            shows: it
                .shows
                .iter()
                .map(|(cause, answer)| Shows {
                    cause: cause.name,
                    answer: it.test.told(*answer),
                })
                .collect(),
        }),
    };
    Ok(serde_json::to_string(&concluded)? + "\n")
}
