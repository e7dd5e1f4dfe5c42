//! A diagnosis, as a person reads it.

use std::fmt::Write as _;
use std::io::{self, Write};

use super::line;
use super::terminal::{BAD, GOOD, HEADING, OPEN};
use crate::cautions;
use crate::diagnose::CONFIDENT;
use crate::diagnose::cause::NOTHING_WRONG;
use crate::event::diagnosis::{Came, Cause, Leading, Unanswered};
use crate::event::hub::Sink;
use crate::event::{Diagnosed, Event, EventKind, StopReason};
use crate::plan::Id;

/// Columns the text is wrapped to.
const WIDTH: usize = 96;

/// So many reasons are told of each sort: the most telling ones.
const REASONS: usize = 4;

/// So many causes are told of those that remain.
const REMAINING: usize = 4;

/// Writes each test and answer as it comes, and what it all comes to.
#[derive(Debug)]
pub struct Diagnosis<W> {
    out: W,
    /// What a person is asked is shown where they answer.
    is_asked: bool,
}

impl<W: Write> Diagnosis<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self {
            out,
            is_asked: false,
        }
    }

    /// Somebody is asked, and reads there what is done for each test.
    #[must_use]
    pub fn beside_questions(mut self, is_asked: bool) -> Self {
        self.is_asked = is_asked;
        self
    }

    fn diagnosed(&mut self, fact: &Diagnosed) -> io::Result<()> {
        let text = match fact {
            Diagnosed::DiagnosisStarted { .. } => started(fact),
            Diagnosed::DiagnosisTest { .. } if self.is_asked => String::new(),
            Diagnosed::DiagnosisTest { .. } => test(fact),
            Diagnosed::DiagnosisAnswer {
                number,
                test,
                answer,
                unanswered,
                leading,
                ..
            } => {
                let head = if self.is_asked {
                    format!("{number}. {test}: ")
                } else {
                    "   ".to_owned()
                };
                let said = answer
                    .clone()
                    .unwrap_or_else(|| why(*unanswered).to_owned());
                let mut text = String::new();
                wrapped(&mut text, &head, &format!("{said}{}", likeliest(leading)));
                text
            }
            Diagnosed::Diagnosis { .. } => came(fact),
            Diagnosed::DiagnosisMended { cause, proves, .. } => format!(
                "\n{cause} is mended, you say. To prove it, swept now: {}\n",
                ids(proves)
            ),
            Diagnosed::DiagnosisProved { proved, words, .. } if *proved => {
                format!("{GOOD}Proved{GOOD:#}: {words}.\n")
            }
            Diagnosed::DiagnosisProved { words, .. } => {
                format!("{BAD}Not mended{BAD:#}: {words}.\n")
            }
        };
        self.out.write_all(text.as_bytes())
    }
}

fn ids(ids: &[Id]) -> String {
    let words: Vec<_> = ids.iter().map(ToString::to_string).collect();
    words.join(", ")
}

fn percent(share: f64) -> String {
    format!("{:.0} %", (share * 100.0).min(99.0))
}

fn wrapped(text: &mut String, head: &str, rest: &str) {
    let plain = anstream::adapter::strip_str(head).to_string();
    let indent = " ".repeat(plain.chars().count());
    let options = textwrap::Options::new(WIDTH)
        .initial_indent(&plain)
        .subsequent_indent(&indent);
    let filled = textwrap::fill(rest, options);
    let body = filled.strip_prefix(&plain).unwrap_or(&filled);
    let _ = writeln!(text, "{head}{body}");
}

const fn why(unanswered: Option<Unanswered>) -> &'static str {
    match unanswered {
        None | Some(Unanswered::Skipped) => "left out",
        Some(Unanswered::NotSure) => "not sure",
        Some(Unanswered::Nobody) => "left out: nobody is there to look",
        Some(Unanswered::NotAllowed) => {
            "left out: the plan does not have all of its addresses, and nobody allowed them"
        }
        Some(Unanswered::NotCarried) => "left out: the station would not send it",
    }
}

/// The likeliest cause, where it is worth a word.
fn likeliest(leading: &[Leading]) -> String {
    match leading.first() {
        Some(Leading { cause, percent }) if *percent >= 20 => {
            format!("   [likeliest: {cause}, {percent} %]")
        }
        Some(_) | None => String::new(),
    }
}

fn started(fact: &Diagnosed) -> String {
    let mut text = String::new();
    let Diagnosed::DiagnosisStarted {
        turnout,
        place,
        known,
        mended,
        causes,
        at_most,
        notes,
    } = fact
    else {
        return text;
    };
    let place = match place.as_str() {
        "" => String::new(),
        place => format!(" ({place})"),
    };
    let _ = writeln!(text, "{HEADING}Why does {turnout}{place} fail?{HEADING:#}");
    let _ = writeln!(
        text,
        "{causes} causes are looked at, in at most {at_most} tests."
    );
    for one in known {
        let saw = format!("{}; {}", one.saw, one.from);
        wrapped(&mut text, &format!("  known of {}: ", one.turnout), &saw);
    }
    if !mended.is_empty() {
        let _ = writeln!(text, "  mended already: {}", mended.join(", "));
    }
    for note in notes {
        wrapped(&mut text, "  mind: ", note);
    }
    text.push('\n');
    text
}

fn test(fact: &Diagnosed) -> String {
    let mut text = String::new();
    let Diagnosed::DiagnosisTest {
        number,
        action,
        caution,
        ..
    } = fact
    else {
        return text;
    };
    wrapped(&mut text, &format!("{number}. "), action);
    mind(&mut text, "   mind: ", caution.as_deref());
    text
}

fn mind(text: &mut String, head: &str, code: Option<&str>) {
    let known = cautions::ALL.iter().find(|it| Some(it.code) == code);
    if let Some(caution) = known {
        wrapped(text, head, caution.text);
    }
}

fn listed(text: &mut String, head: &str, reasons: &[String]) {
    for reason in reasons.iter().take(REASONS) {
        wrapped(text, &format!("  {head} "), reason);
    }
}

fn came(fact: &Diagnosed) -> String {
    let mut text = String::from("\n");
    let Diagnosed::Diagnosis {
        turnout,
        kind,
        causes,
        parting,
        explains,
        tests,
        ..
    } = fact
    else {
        return text;
    };
    let several = causes.len() > 1;
    let head = match kind {
        Came::NoneFits => format!(
            "{turnout}: none of the known causes fits what was seen. Check the answers that \
             speak against the likeliest ones, and look for more than one fault at once."
        ),
        Came::Remain if several => format!(
            "{turnout}: these causes remain, and no test at hand parts them further. Mend the \
             likeliest first and prove it."
        ),
        Came::BrokenOff => {
            let _ = writeln!(
                text,
                "{OPEN}Broken off{OPEN:#} after {tests} tests; every output is released."
            );
            return text;
        }
        Came::Named | Came::Remain => String::new(),
    };
    if !head.is_empty() {
        wrapped(&mut text, "", &head);
    }
    let shown = match kind {
        // Two past that share are both there.
        Came::Named | Came::BrokenOff => causes
            .iter()
            .filter(|it| it.share >= CONFIDENT)
            .count()
            .max(1),
        Came::Remain | Came::NoneFits => REMAINING,
    };
    for cause in causes.iter().take(shown) {
        told(&mut text, turnout, cause);
    }
    if let Some(parting) = parting {
        text.push('\n');
        wrapped(&mut text, "This would part them: ", &parting.action);
        for shows in &parting.shows {
            wrapped(&mut text, &format!("  {}: ", shows.cause), &shows.answer);
        }
    }
    if !explains.is_empty() {
        text.push('\n');
        let rest = format!(
            "The same cause explains {}. Mend it, and sweep them again.",
            ids(explains)
        );
        wrapped(&mut text, "", &rest);
    }
    text
}

fn told(text: &mut String, turnout: &Id, cause: &Cause) {
    let is_wrong = cause.cause != NOTHING_WRONG;
    text.push('\n');
    let head = format!("{turnout}: {}, {}. ", cause.cause, percent(cause.share));
    wrapped(text, "", &(head + &cause.says));
    listed(text, "for:    ", &cause.speaks_for);
    listed(text, "against:", &cause.speaks_against);
    if is_wrong {
        wrapped(text, "  mend:    ", &cause.mend);
    }
    mind(text, "  mind:    ", cause.caution.as_deref());
    wrapped(text, "  prove:   ", &cause.prove);
}

impl<W: Write> Sink for Diagnosis<W> {
    fn name(&self) -> &'static str {
        "the terminal"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Diagnosis(fact) = &event.kind {
            self.diagnosed(fact)?;
        } else if let EventKind::Stopped { reason } = &event.kind
            && *reason != StopReason::Operator
        {
            writeln!(self.out, "stopped")?;
        } else if let Some(line) = line::of_link(&event.kind, ", the test is made again") {
            writeln!(self.out, "{line}")?;
        }
        self.out.flush()
    }
}
