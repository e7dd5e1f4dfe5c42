//! What happens while the cause of a failing turnout is looked for.

use serde::{Deserialize, Serialize};

use crate::plan::Id;

/// One fact of a diagnosis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(
    tag = "event",
    rename_all = "kebab-case",
    rename_all_fields = "snake_case"
)]
pub enum Diagnosed {
    /// A diagnosis began; nothing was tested yet.
    DiagnosisStarted {
        /// The turnout that fails.
        turnout: Id,
        /// Where it is; empty where the plan does not say.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        place: String,
        /// What was seen before and counts from the start, that of the failing turnout first.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        known: Vec<Known>,
        /// Causes that were mended already, by their stable names: hardly one of them again.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        mended: Vec<String>,
        /// How many causes are looked at.
        causes: u32,
        /// The most tests it takes.
        at_most: u32,
        /// What else has to be known.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        notes: Vec<String>,
    },
    /// A test is about to be made: now is the time to look.
    DiagnosisTest {
        /// The turnout that fails.
        turnout: Id,
        /// Which test it is, from 1.
        number: u32,
        /// Its stable name.
        test: String,
        /// What is done, in words.
        action: String,
        /// The code of the caution that applies.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        caution: Option<String>,
        /// Who makes it.
        by: By,
        /// What the plan has at the addresses that are thrown.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        will_move: Vec<Id>,
        /// Keyed addresses that are thrown and that the plan does not have: whatever has one of
        /// them moves.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        beyond_plan: Vec<u16>,
    },
    /// It was made, or can't be.
    DiagnosisAnswer {
        /// The turnout that fails.
        turnout: Id,
        /// Which test it is.
        number: u32,
        /// Its stable name.
        test: String,
        /// What it showed, in words; none where it was not made.
        answer: Option<String>,
        /// The same as the answers that were chosen of each part of the question, from 1.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        chosen: Vec<u32>,
        /// Why there is no answer.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        unanswered: Option<Unanswered>,
        /// How many commands went out for it.
        throws: u32,
        /// How long it took on the link's clock, answer included, microseconds.
        took_us: u64,
        /// The likeliest causes now, the first one first.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        leading: Vec<Leading>,
    },
    /// What it came to.
    Diagnosis {
        /// The turnout that fails.
        turnout: Id,
        /// How it ended.
        kind: Came,
        /// How many tests were made.
        tests: u32,
        /// How likely it is that none of the known causes fits, 0 to 1.
        none_fits: f64,
        /// The likeliest causes, the first one first.
        causes: Vec<Cause>,
        /// The one measurement that would part what remains.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        parting: Option<Parting>,
        /// Other turnouts that fail and that the likeliest cause explains too.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        explains: Vec<Id>,
        /// How many commands went out.
        throws: u64,
        /// How long it took on the link's clock, microseconds.
        elapsed_us: u64,
    },
    /// The operator says that a cause is mended. Proving it is a run of its own, which comes now.
    DiagnosisMended {
        /// The turnout that failed.
        turnout: Id,
        /// The cause, by its stable name.
        cause: String,
        /// The turnouts that are swept to prove it.
        proves: Vec<Id>,
    },
    /// The proof is over.
    DiagnosisProved {
        /// The turnout that failed.
        turnout: Id,
        /// The cause, by its stable name.
        cause: String,
        /// Whether all that were swept are proved.
        proved: bool,
        /// What came of it, in words.
        words: String,
        /// Those that still fail.
        #[serde(skip_serializing_if = "Vec::is_empty", default)]
        still_fail: Vec<Id>,
    },
}

/// Something that was seen of a turnout before the diagnosis began.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Known {
    /// The turnout.
    pub turnout: Id,
    /// What was seen, in words.
    pub saw: String,
    /// Where that is from, in words: `this run`, `run 12 of the record, 3 May 2026`.
    pub from: String,
}

/// Who makes a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// The program throws, and only a look is asked for.
    Program,
    /// Something has to be done at the layout.
    Hands,
}

/// Why there is no answer to a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unanswered {
    /// The operator left it out.
    Skipped,
    /// The operator looked, and could not say.
    NotSure,
    /// Nobody is there to look or to lend a hand.
    Nobody,
    /// It would throw addresses that the plan does not have, and nobody allowed that.
    NotAllowed,
    /// The station or the link does not carry what it would send.
    NotCarried,
}

/// A cause that may be it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Leading {
    /// Its stable name; `none-fits` for none of the known ones.
    pub cause: String,
    /// How likely it is, per cent, rounded down.
    pub percent: u8,
}

/// How a diagnosis ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Came {
    /// One cause is likely enough to be named.
    Named,
    /// Several remain that no test at hand tells apart.
    Remain,
    /// None of the known causes fits what was seen.
    NoneFits,
    /// It ended before its end.
    BrokenOff,
}

/// A cause that a diagnosis came to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cause {
    /// Its stable name.
    pub cause: String,
    /// Where it is: `output`, `drive`, `decoder`, `supply`, `bus`, `station`, `plan`, `nothing`.
    pub level: String,
    /// How likely it is, 0 to 1.
    pub share: f64,
    /// What it is.
    pub says: String,
    /// How to mend it.
    pub mend: String,
    /// The code of the caution that applies.
    pub caution: Option<String>,
    /// How to prove it mended.
    pub prove: String,
    /// What it explains, in words, the most telling first.
    pub speaks_for: Vec<String>,
    /// What it does not.
    pub speaks_against: Vec<String>,
}

/// The measurement that would part the causes that remain.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Parting {
    /// The stable name of the test.
    pub test: String,
    /// What is to be done, in words, with the value to expect.
    pub action: String,
    /// What it would show of each cause that remains.
    pub shows: Vec<Shows>,
}

/// What a measurement would show of a cause.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shows {
    /// The cause, by its stable name.
    pub cause: String,
    /// What would be seen, in words.
    pub answer: String,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{Event, EventKind};

    const SCHEMA: &str = include_str!("../../docs/schema/events.schema.json");

    #[expect(clippy::too_many_lines, reason = "one of each kind of fact")]
    fn all() -> Vec<Diagnosed> {
        let turnout = Id::new("Q1");
        let known = Known {
            turnout: turnout.clone(),
            saw: "it never moved".to_owned(),
            from: "run 3 of the record".to_owned(),
        };
        let cause = Cause {
            cause: "coil-open".to_owned(),
            level: "drive".to_owned(),
            share: 0.97,
            says: "A coil is open.".to_owned(),
            mend: "Put another one in.".to_owned(),
            caution: None,
            prove: "Sweep it.".to_owned(),
            speaks_for: vec!["it never moved".to_owned()],
            speaks_against: Vec::new(),
        };
        let answer = |answer: Option<&str>, unanswered| Diagnosed::DiagnosisAnswer {
            turnout: turnout.clone(),
            number: 1,
            test: "four-up".to_owned(),
            answer: answer.map(str::to_owned),
            chosen: answer.iter().map(|_| 1).collect(),
            unanswered,
            throws: 3,
            took_us: 9_000_000,
            leading: vec![Leading {
                cause: "coil-open".to_owned(),
                percent: 97,
            }],
        };
        let unanswered = [
            Unanswered::Skipped,
            Unanswered::NotSure,
            Unanswered::Nobody,
            Unanswered::NotAllowed,
            Unanswered::NotCarried,
        ];
        let started = |known: &[Known], place: &str| Diagnosed::DiagnosisStarted {
            turnout: turnout.clone(),
            place: place.to_owned(),
            known: known.to_vec(),
            mended: known.iter().map(|_| "loose-lead".to_owned()).collect(),
            causes: 45,
            at_most: 14,
            notes: known.iter().map(|_| "a note".to_owned()).collect(),
        };
        let test = |by, beyond_plan: &[u16]| Diagnosed::DiagnosisTest {
            turnout: turnout.clone(),
            number: 1,
            test: "four-up".to_owned(),
            action: "Throw at address 5 both ways, and watch Q1.".to_owned(),
            caution: beyond_plan.iter().map(|_| "moving".to_owned()).next(),
            by,
            will_move: beyond_plan.iter().map(|_| Id::new("Q2")).collect(),
            beyond_plan: beyond_plan.to_vec(),
        };
        let came = |kind, causes: &[Cause]| Diagnosed::Diagnosis {
            turnout: turnout.clone(),
            kind,
            tests: 1,
            none_fits: 0.01,
            causes: causes.to_vec(),
            parting: causes.first().map(|_| Parting {
                test: "ohms".to_owned(),
                action: "Measure.".to_owned(),
                shows: vec![Shows {
                    cause: "coil-open".to_owned(),
                    answer: "no connection".to_owned(),
                }],
            }),
            explains: causes.iter().map(|_| Id::new("Q2")).collect(),
            throws: 3,
            elapsed_us: 9,
        };
        let proved = |proved, still_fail: &[Id]| Diagnosed::DiagnosisProved {
            turnout: turnout.clone(),
            cause: "coil-open".to_owned(),
            proved,
            words: "Q1 is proved".to_owned(),
            still_fail: still_fail.to_vec(),
        };
        let mut all = vec![
            started(&[], ""),
            started(&[known], "Quay"),
            test(By::Program, &[5]),
            test(By::Hands, &[]),
            answer(Some("it did not move"), None),
            came(Came::Named, std::slice::from_ref(&cause)),
            came(Came::Remain, &[cause.clone(), cause]),
            came(Came::NoneFits, &[]),
            came(Came::BrokenOff, &[]),
            Diagnosed::DiagnosisMended {
                turnout: turnout.clone(),
                cause: "coil-open".to_owned(),
                proves: vec![turnout.clone()],
            },
            proved(true, &[]),
            proved(false, std::slice::from_ref(&turnout)),
        ];
        all.extend(unanswered.map(|why| answer(None, Some(why))));
        all
    }

    #[test]
    fn every_fact_keeps_to_the_schema_and_reads_back() {
        let schema: serde_json::Value = serde_json::from_str(SCHEMA).unwrap();
        let validator = jsonschema::validator_for(&schema).unwrap();
        for (seq, fact) in (0..).zip(all()) {
            let event = Event {
                kind: EventKind::Diagnosis(fact),
                seq,
                at_us: 1,
            };
            let json = serde_json::to_value(&event).unwrap();
            if let Err(error) = validator.validate(&json) {
                panic!("{json}\n{error}");
            }
            assert_eq!(serde_json::from_value::<Event>(json).unwrap(), event);
            assert!(!event.kind.is_carried() && event.kind.subject().is_none());
        }
    }
}
