//! What a diagnosis tells the world: its tests, answers and causes as events.

use super::sight::Answer;
use super::test::Test;
use super::words::reasons;
use super::{Conclusion, Diagnosis, Kind};
use crate::event::Diagnosed;
use crate::event::diagnosis::{By, Came, Cause, Leading, Parting, Shows, Unanswered};
use crate::plan::{Id, Plan};

/// So many of the likeliest causes are told after each answer.
const LEADING: usize = 4;

/// The name of the cause that is none of them.
const NONE_FITS: &str = "none-fits";

/// What came of asking for a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Made {
    /// This was seen.
    Answer(Answer),
    /// It was not made, and why.
    Not(Unanswered),
}

/// What a test took.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Effort {
    /// How many commands went out.
    pub throws: u32,
    /// How long it took on the link's clock, microseconds.
    pub took_us: u64,
}

fn count(many: usize) -> u32 {
    u32::try_from(many).unwrap_or(u32::MAX)
}

/// Who makes a test.
pub const fn by(test: Test) -> By {
    if test.cost().hands {
        By::Hands
    } else {
        By::Program
    }
}

/// An answer to the test of that number.
pub fn answered(
    turnout: &Id,
    number: u32,
    test: Test,
    made: Made,
    effort: Effort,
    diagnosis: Option<&Diagnosis>,
) -> Diagnosed {
    let answer = match made {
        Made::Answer(answer) => Some(answer),
        Made::Not(_) => None,
    };
    let chosen = answer.map_or_else(Vec::new, |it| test.chosen(it));
    Diagnosed::DiagnosisAnswer {
        turnout: turnout.clone(),
        number,
        test: test.name().to_owned(),
        answer: answer.map(|it| test.told(it)),
        chosen: chosen.into_iter().map(|it| count(it + 1)).collect(),
        unanswered: match made {
            Made::Answer(_) => None,
            Made::Not(why) => Some(why),
        },
        throws: effort.throws,
        took_us: effort.took_us,
        leading: diagnosis.map(leading).unwrap_or_default(),
    }
}

/// The likeliest causes, the first one first.
fn leading(diagnosis: &Diagnosis) -> Vec<Leading> {
    let belief = diagnosis.belief();
    let names = belief.causes().iter().map(|cause| cause.name);
    let mut all: Vec<(f64, &str)> = belief
        .shares()
        .into_iter()
        .zip(names.chain([NONE_FITS]))
        .collect();
    all.sort_by(|one, other| other.0.total_cmp(&one.0));
    let some = all.into_iter().take(LEADING);
    some.filter_map(|(share, cause)| {
        let percent = percent(share);
        (percent > 0).then(|| Leading {
            cause: cause.to_owned(),
            percent,
        })
    })
    .collect()
}

/// Rounded down.
fn percent(share: f64) -> u8 {
    let reached = (0..=100_u8)
        .rev()
        .find(|it| f64::from(*it) <= share * 100.0);
    reached.unwrap_or_default()
}

/// What a diagnosis came to; what else belongs to it is left empty.
pub fn came(
    plan: &Plan,
    turnout: &Id,
    diagnosis: &Diagnosis,
    conclusion: &Conclusion,
    effort: (u64, u64),
) -> Diagnosed {
    let causes = conclusion.causes.iter().map(|likely| {
        let cause = likely.cause;
        let reasons = reasons(plan, diagnosis.belief(), cause.name);
        Cause {
            cause: cause.name.to_owned(),
            level: cause.level.as_str().to_owned(),
            share: likely.share,
            says: cause.says.to_owned(),
            mend: cause.mend.to_owned(),
            caution: cause.caution.map(|it| it.code.to_owned()),
            prove: cause.prove.words.to_owned(),
            speaks_for: reasons.speaks_for,
            speaks_against: reasons.speaks_against,
        }
    });
    Diagnosed::Diagnosis {
        turnout: turnout.clone(),
        kind: match conclusion.kind {
            Kind::Named => Came::Named,
            Kind::Remain => Came::Remain,
            Kind::NoneFits => Came::NoneFits,
        },
        tests: count(diagnosis.asked().len()),
        none_fits: conclusion.none_fits,
        causes: causes.collect(),
        parting: conclusion.parting.as_ref().map(|it| parting(diagnosis, it)),
        explains: Vec::new(),
        throws: effort.0,
        elapsed_us: effort.1,
    }
}

/// The measurement that would part what remains.
fn parting(diagnosis: &Diagnosis, parting: &super::Parting) -> Parting {
    let test = parting.test;
    let shows = parting.shows.iter().map(|(cause, answer)| Shows {
        cause: cause.name.to_owned(),
        answer: test.told(*answer),
    });
    Parting {
        test: test.name().to_owned(),
        action: test.told_to_do(diagnosis.belief().site()),
        shows: shows.collect(),
    }
}
