//! How far a hunt or a diagnosis is.

use serde::Serialize;

use crate::cautions;
use crate::event::diagnosis::Leading;
use crate::event::{Diagnosed, Hunted};
use crate::plan::Id;

/// How far a hunt is.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct HuntProgress {
    /// Number of the question.
    pub question: u32,
    /// The most that are asked while no answer is wrong.
    pub at_most: u32,
    /// About how long all of it takes, seconds.
    pub about_s: u64,
    /// How many addresses fit the answers; none where that says nothing.
    pub left: u16,
    /// What else of the plan moves with what is thrown now.
    pub will_move: Vec<Id>,
}

impl HuntProgress {
    pub(super) fn take(&mut self, hunted: &Hunted) {
        match hunted {
            Hunted::HuntStarted {
                addresses,
                at_most,
                about_s,
                ..
            } => {
                (self.left, self.at_most, self.about_s) = (*addresses, *at_most, *about_s);
            }
            Hunted::HuntThrows {
                question,
                will_move,
                ..
            } => {
                self.question = *question;
                self.will_move.clone_from(will_move);
            }
            Hunted::HuntAnswer { left, .. } => self.left = *left,
            Hunted::HuntFound { .. } | Hunted::HuntDone { .. } => {}
        }
    }
}

/// How far a diagnosis is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DiagnosisProgress {
    /// The turnout that fails.
    pub turnout: Id,
    /// Which round it is, from 1: each begins when what was mended still fails.
    pub round: u32,
    /// What still failed at the end of the round before.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub still_fail: Vec<Id>,
    /// Number of the test.
    pub test_number: u32,
    /// What the plan has at the addresses that the test throws.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub will_move: Vec<Id>,
    /// The likeliest causes, the first one first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub leading: Vec<Leading>,
    /// What it came to: a [`Diagnosed::Diagnosis`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub came: Option<Diagnosed>,
    /// What to mind while the likeliest cause is mended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mind: Option<&'static str>,
    /// The turnouts that are swept to prove it mended.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub proves: Vec<Id>,
    /// What came of the proof: a [`Diagnosed::DiagnosisProved`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proved: Option<Diagnosed>,
}

impl DiagnosisProgress {
    /// The diagnosis of that turnout, with nothing known.
    pub(super) fn of(turnout: &Id) -> Self {
        Self {
            turnout: turnout.clone(),
            round: 1,
            still_fail: Vec::new(),
            test_number: 0,
            will_move: Vec::new(),
            leading: Vec::new(),
            came: None,
            mind: None,
            proves: Vec::new(),
            proved: None,
        }
    }

    /// What was mended still fails: the next round, in which all is open again.
    pub(super) fn anew(&self) -> Self {
        let still_fail = match &self.proved {
            Some(Diagnosed::DiagnosisProved { still_fail, .. }) => still_fail.clone(),
            Some(_) | None => Vec::new(),
        };
        Self {
            round: self.round + 1,
            still_fail,
            ..Self::of(&self.turnout)
        }
    }

    pub(super) fn take(&mut self, diagnosed: &Diagnosed) {
        match diagnosed {
            Diagnosed::DiagnosisStarted { .. } => {}
            Diagnosed::DiagnosisTest {
                number, will_move, ..
            } => {
                self.test_number = *number;
                self.will_move.clone_from(will_move);
            }
            Diagnosed::DiagnosisAnswer { leading, .. } => self.leading.clone_from(leading),
            Diagnosed::Diagnosis { causes, .. } => {
                let code = causes.first().and_then(|one| one.caution.as_deref());
                let caution = cautions::ALL.iter().find(|one| Some(one.code) == code);
                self.mind = caution.map(|one| one.text);
                self.came = Some(diagnosed.clone());
            }
            Diagnosed::DiagnosisMended { proves, .. } => self.proves.clone_from(proves),
            Diagnosed::DiagnosisProved { .. } => {
                self.proves.clear();
                self.proved = Some(diagnosed.clone());
            }
        }
    }
}
