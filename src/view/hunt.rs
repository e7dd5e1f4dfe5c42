//! What a hunt shows on a terminal: how long it may take, what is thrown, what it comes to.

use std::io::{self, Write};
use std::time::Duration;

use super::line;
use super::terminal::{BAD, GOOD, HEADING, OPEN};
use super::words;
use crate::event::hub::Sink;
use crate::event::hunt::{Bystander, Goal, Outcome, Thing};
use crate::event::{Event, EventKind, Hunted};

/// So many of what moves too are named.
const NAMED: usize = 40;

fn count(addresses: u16) -> String {
    match addresses {
        1 => "1 address".to_owned(),
        many => format!("{many} addresses"),
    }
}

/// Writes a line for each question as it comes.
#[derive(Debug)]
pub struct Hunt<W> {
    out: W,
}

impl<W: Write> Hunt<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out }
    }

    fn hunted(&mut self, hunted: &Hunted) -> io::Result<()> {
        match hunted {
            Hunted::HuntStarted { .. } => self.start(hunted),
            Hunted::HuntThrows {
                question,
                addresses,
                runs,
                sent,
                about_s,
                ..
            } => {
                let what = match sent {
                    Some(_) => format!("address {runs} alone, one way"),
                    None => format!("{} there and back", count(*addresses)),
                };
                let about = words::span(Duration::from_secs(*about_s));
                writeln!(self.out, "{question:>3}  look now: {what}, about {about}")
            }
            Hunted::HuntAnswer {
                question,
                addresses,
                runs,
                answer,
                left,
                leader,
                likely_percent,
                took_us,
                ..
            } => {
                let said = answer.replace('-', " ");
                let took = words::span(Duration::from_micros(*took_us));
                let thrown = count(*addresses);
                let left = leader.map_or_else(String::new, |_| format!("  {left} left"));
                let likely = leader
                    .filter(|_| *likely_percent >= 10)
                    .map(|leader| format!("; {leader} is likeliest, {likely_percent} %"));
                writeln!(
                    self.out,
                    "{question:>3}  {said}  [{thrown} in {took}: {runs}]{left}{}",
                    likely.unwrap_or_default()
                )
            }
            Hunted::HuntFound { thing } => self.found(thing),
            Hunted::HuntDone { .. } => self.end(hunted),
        }
    }

    fn start(&mut self, hunted: &Hunted) -> io::Result<()> {
        let Hunted::HuntStarted {
            goal,
            thing,
            addresses,
            runs,
            will_move,
            at_most,
            about_s,
            longest_s,
            notes,
        } = hunted
        else {
            return Ok(());
        };
        let what = match goal {
            Goal::Address => format!("Which address moves {thing}?"),
            Goal::Numbering => "How does the station number?".to_owned(),
            Goal::All => "What moves?".to_owned(),
        };
        writeln!(self.out, "{HEADING}{what}{HEADING:#}")?;
        writeln!(self.out, "{}: {runs}", count(*addresses))?;
        let (about, longest) = (
            words::span(Duration::from_secs(*about_s)),
            words::span(Duration::from_secs(*longest_s)),
        );
        writeln!(
            self.out,
            "At most {} if no answer is wrong; about {about}, up to {longest}.",
            words::count(usize::try_from(*at_most).unwrap_or(usize::MAX), "question")
        )?;
        self.will_move(will_move)?;
        for note in notes {
            writeln!(self.out, "{OPEN}Mind{OPEN:#}: {note}")?;
        }
        writeln!(self.out)
    }

    fn will_move(&mut self, will_move: &[Bystander]) -> io::Result<()> {
        if will_move.is_empty() {
            return writeln!(
                self.out,
                "{OPEN}Mind{OPEN:#}: whatever has one of these addresses moves; the plan knows of \
                 nothing."
            );
        }
        let some = will_move.iter().take(NAMED);
        let names: Vec<_> = some
            .map(|Bystander { id, place, address }| match place.as_str() {
                "" => format!("{id} at {address}"),
                place => format!("{id} ({place}) at {address}"),
            })
            .collect();
        let more = match will_move.len().saturating_sub(NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        writeln!(
            self.out,
            "{OPEN}Mind{OPEN:#}: whatever has one of these addresses moves. Of the plan: {}{more}.",
            names.join(", ")
        )
    }

    fn found(&mut self, thing: &Thing) -> io::Result<()> {
        let Thing {
            address,
            binary_address,
            straight_output,
            planned,
        } = thing;
        let straight = match straight_output {
            Some(output) => format!(", `straight_output = {output}`"),
            None => String::new(),
        };
        let planned = match planned.as_slice() {
            [] => String::new(),
            ids => {
                let ids: Vec<_> = ids.iter().map(ToString::to_string).collect();
                format!("; the plan has {} there", ids.join(", "))
            }
        };
        writeln!(
            self.out,
            "{GOOD}Address {address}{GOOD:#} (binary {binary_address}){straight}{planned}."
        )
    }

    fn end(&mut self, hunted: &Hunted) -> io::Result<()> {
        let Hunted::HuntDone {
            goal,
            outcome,
            found,
            numberings,
            questions,
            throws,
            elapsed_us,
            advice,
        } = hunted
        else {
            return Ok(());
        };
        match (outcome, goal) {
            (Outcome::Proved, Goal::Numbering) => {
                let ways = numberings.join(" or ");
                writeln!(self.out, "{GOOD}The station numbers {ways}{GOOD:#}.")?;
            }
            (Outcome::Proved, Goal::Address) => {
                writeln!(self.out, "{GOOD}Proved both ways.{GOOD:#}")?;
            }
            (Outcome::Proved, Goal::All) => writeln!(
                self.out,
                "{GOOD}{} found{GOOD:#}, each seen to lie both ways.",
                words::count(found.len(), "thing")
            )?,
            (Outcome::OneWay, _) => {
                writeln!(self.out, "{BAD}It moved one way only.{BAD:#}")?;
            }
            (Outcome::Nobody, _) => writeln!(self.out, "{BAD}Nothing moved.{BAD:#}")?,
            (Outcome::Unclear, _) => writeln!(self.out, "{BAD}It stays unclear.{BAD:#}")?,
            (Outcome::BrokenOff, _) => {
                writeln!(
                    self.out,
                    "{OPEN}Broken off{OPEN:#}; every output is released."
                )?;
            }
        }
        for line in advice {
            writeln!(self.out, "  {line}")?;
        }
        writeln!(
            self.out,
            "{}, {} in {}.",
            words::count(
                usize::try_from(*questions).unwrap_or(usize::MAX),
                "question"
            ),
            words::count(usize::try_from(*throws).unwrap_or(usize::MAX), "throw"),
            words::span(Duration::from_micros(*elapsed_us))
        )
    }
}

impl<W: Write> Sink for Hunt<W> {
    fn name(&self) -> &'static str {
        "the terminal"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Hunt(hunted) = &event.kind {
            self.hunted(hunted)?;
        } else if let Some(line) =
            line::of_link(&event.kind, ", all of the question are thrown again")
        {
            writeln!(self.out, "{line}")?;
        }
        self.out.flush()
    }
}
