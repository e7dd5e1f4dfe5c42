//! A diagnosis, as a person and as a program reads it.

use std::fmt::Write as _;

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
pub fn question_text(number: u32, asked: Test, action: &str) -> String {
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

fn listed(text: &mut String, head: &str, reasons: &[String]) {
    for reason in reasons.iter().take(REASONS) {
        wrapped(text, &format!("  {head} "), reason);
    }
}

/// Which others the cause of one explains, and which still fail for a reason of their own, for
/// people.
pub fn common(plan: &Plan, explained: &[usize], left: &[usize]) -> String {
    let mut text = String::new();
    let list = |of: &[usize]| {
        let ids = of.iter().map(|it| plan.turnouts[*it].id.as_str());
        ids.collect::<Vec<_>>().join(", ")
    };
    if !explained.is_empty() {
        let rest = format!(
            "The same cause explains {}. Mend it, and sweep them again.",
            list(explained)
        );
        let _ = writeln!(text);
        wrapped(&mut text, "", &rest);
    }
    if !left.is_empty() {
        let rest = format!("Not explained by it: {}.", list(left));
        let _ = writeln!(text);
        wrapped(&mut text, "", &rest);
    }
    text
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
