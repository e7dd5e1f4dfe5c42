//! What is known of a turnout, in words.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Course, Known, Look};
use crate::diagnose::run::Evidence;
use crate::diagnose::sight::Answer;
use crate::diagnose::test::Test;
use crate::plan::Id;

impl Known {
    /// All of it as evidence, told in the time of that zone; `None` where something moved that no
    /// test knows of.
    pub fn evidence(&self, zone: &TimeZone) -> Option<Evidence> {
        Some(Evidence {
            swept: self.swept()?,
            from: self.from(zone),
        })
    }

    /// Where it is known from, in the time of that zone: `seen on 24 November 2026 in run 12 by
    /// Ada; it went as sent until 20 November 2026, run 9`.
    pub fn from(&self, zone: &TimeZone) -> String {
        let Some((newest, before)) = self.looks.split_last() else {
            return String::new();
        };
        let mut text = newest.seen(zone);
        let last = |is_wrong: bool| {
            let mut looks = before.iter().rev();
            looks.find(|look| look.motion.is_wrong() == is_wrong)
        };
        // A `String` takes anything.
        let _infallible = match self.course {
            Course::Same if before.is_empty() => Ok(()),
            Course::Same => write!(text, "; alike in {} before", count(before.len())),
            Course::Broke => match last(false) {
                Some(look) => write!(text, "; it went as sent until {}", look.when(zone)),
                None => Ok(()),
            },
            Course::Mended => match last(true) {
                Some(look) => write!(text, "; it failed until {}", look.when(zone)),
                None => Ok(()),
            },
            Course::Otherwise => match before.last() {
                Some(look) => write!(
                    text,
                    "; before that, on {}: {}",
                    look.when(zone),
                    look.behaviour()
                ),
                None => Ok(()),
            },
            Course::ComesAndGoes => {
                let wrong = self.looks.iter().filter(|look| look.motion.is_wrong());
                write!(
                    text,
                    "; it comes and goes: not as sent in {} of {}",
                    wrong.count(),
                    count(self.looks.len())
                )
            }
        };
        text
    }
}

impl Look {
    /// How it behaved, in words.
    pub fn behaviour(&self) -> String {
        let told = Test::Again.told(Answer::Motion(self.motion, self.other));
        if self.others.is_empty() {
            return told;
        }
        let ids: Vec<_> = self.others.iter().map(Id::as_str).collect();
        format!("{told} ({})", ids.join(", "))
    }

    /// When and by whom it was seen, in the time of that zone: `seen on 24 November 2026 in run 12
    /// by Ada`.
    pub fn seen(&self, zone: &TimeZone) -> String {
        let by = match (self.witness.as_str(), self.tester.as_str()) {
            ("track", _) => " by the simulated track",
            ("reports", _) => " by position reports",
            (_, "") => "",
            (_, tester) => return format!("seen on {} by {tester}", self.in_run(zone)),
        };
        format!("seen on {}{by}", self.in_run(zone))
    }

    fn in_run(&self, zone: &TimeZone) -> String {
        format!("{} in run {}", day(self.at, zone), self.run)
    }

    fn when(&self, zone: &TimeZone) -> String {
        format!("{}, run {}", day(self.at, zone), self.run)
    }
}

fn count(runs: usize) -> String {
    let word = if runs == 1 { "run" } else { "runs" };
    format!("{runs} {word}")
}

fn day(time: Timestamp, zone: &TimeZone) -> String {
    let zoned = time.to_zoned_datetime(zone.clone());
    zoned.strftime("%-d %B %Y").to_string()
}
