//! What observations mean.
//!
//! The rules look at what was commanded and what was seen, and at nothing else. The first rule
//! that holds gives the verdict:
//!
//! | what was seen | verdict |
//! | --- | --- |
//! | in any throw, another turnout or signal moved | `stray` |
//! | every visit ended where it was sent; every other throw as well, or it moved nothing | `proved` |
//! | every visit ended elsewhere, two positions sent never ended in the same one; no other throw ended where it was sent or stuck between | `reversed` |
//! | no throw moved anything | `still` |
//! | every movement ended in one and the same position | `one-way` |
//! | anything else | `partial` |
//!
//! A *visit* is a throw that has to be seen to move, because the one before it went elsewhere.
//! The prime throw need not move anything, since nobody knows where a turnout lies to begin
//! with: seeing nothing is no evidence there, anything else is.
//!
//! A signal is judged by the same rules, with aspects for positions; so is a turnout with several
//! drives, with the names of its positions. What its observations say of its drives, [`joint`]
//! tells.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use throwproof_protocol::address::Position;

pub mod joint;

use crate::event::{Step, Subject};
use crate::plan::{Id, Plan, Turnout};
use crate::witness::{Observed, Seen};

/// The verdict on one turnout or signal, from its observations alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Every throw was seen to move it where the command said, and nothing else moved.
    Proved,
    /// Every throw moved it, to the other position.
    Reversed,
    /// No throw was seen to move it.
    Still,
    /// It moves to one position only.
    OneWay,
    /// It moves, but not every time or not all the way.
    Partial,
    /// Something else moved.
    Stray,
    /// It was not tried.
    Skipped,
}

impl Verdict {
    /// Every verdict, from best to worst to none.
    pub const ALL: [Self; 7] = [
        Self::Proved,
        Self::Reversed,
        Self::OneWay,
        Self::Partial,
        Self::Still,
        Self::Stray,
        Self::Skipped,
    ];

    /// The word for it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Proved => "proved",
            Self::Reversed => "reversed",
            Self::Still => "still",
            Self::OneWay => "one-way",
            Self::Partial => "partial",
            Self::Stray => "stray",
            Self::Skipped => "skipped",
        }
    }

    /// Does it say that something is wrong?
    pub const fn is_failure(self) -> bool {
        match self {
            Self::Proved | Self::Skipped => false,
            Self::Reversed | Self::Still | Self::OneWay | Self::Partial | Self::Stray => true,
        }
    }
}

impl std::fmt::Display for Verdict {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.as_str())
    }
}

/// One throw and what was seen of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Evidence {
    /// Why it was thrown.
    pub step: Step,
    /// The position or aspect commanded.
    pub commanded: Id,
    /// What was seen.
    pub seen: Seen,
}

/// Where one throw ended, for the rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End<'a> {
    /// It moved, and lies there.
    At(&'a str),
    /// It moved, and lies nowhere.
    Between,
    /// It did not move.
    Nothing,
}

impl Evidence {
    /// What was seen of a throw, less what moved because it is meant to: whatever shares the
    /// address. A plan in which two things have one address says that they mean it.
    pub fn new(plan: &Plan, subject: &Subject, step: Step, commanded: Id, seen: Seen) -> Self {
        let Seen {
            observed,
            mut others,
        } = seen;
        if others.is_empty() {
            let seen = Seen { observed, others };
            return Self {
                step,
                commanded,
                seen,
            };
        }
        match subject {
            Subject::Turnout(id) => {
                let own = plan.turnout(id.as_str()).map(Turnout::addresses);
                let own = own.unwrap_or_default();
                others.retain(|other| {
                    let other = plan.turnout(other.as_str());
                    let mut addresses = other.into_iter().flat_map(Turnout::addresses);
                    !addresses.any(|address| own.contains(&address))
                });
            }
            Subject::Signal(id) => {
                let own = plan.signal(id.as_str());
                others.retain(|other| {
                    let other = plan.signal(other.as_str());
                    let both = own.zip(other);
                    both.is_none_or(|(own, other)| !own.shares_command(other))
                });
            }
        }
        // All that moved instead was meant to move.
        let only_meant = observed == Observed::Another && others.is_empty();
        let observed = if only_meant {
            Observed::NoMovement
        } else {
            observed
        };
        Self {
            step,
            commanded,
            seen: Seen { observed, others },
        }
    }

    fn end(&self) -> End<'_> {
        match &self.seen.observed {
            Observed::Straight => End::At("straight"),
            Observed::Diverging => End::At("diverging"),
            Observed::Aspect(name) => End::At(name.as_str()),
            Observed::Between => End::Between,
            Observed::NoMovement | Observed::Another => End::Nothing,
        }
    }

    /// Was it seen to move, wherever to?
    pub fn moved(&self) -> bool {
        self.end() != End::Nothing
    }

    /// Where a turnout was seen to end, if it moved all the way.
    pub fn position(&self) -> Option<Position> {
        match self.seen.observed {
            Observed::Straight => Some(Position::Straight),
            Observed::Diverging => Some(Position::Diverging),
            Observed::Aspect(_) | Observed::Between | Observed::NoMovement | Observed::Another => {
                None
            }
        }
    }

    /// Was it seen to end where it was sent?
    pub fn arrived(&self) -> bool {
        self.end() == End::At(self.commanded.as_str())
    }

    fn is_visit(&self) -> bool {
        self.step == Step::Visit
    }

    /// Did something else move?
    pub fn is_stray(&self) -> bool {
        self.seen.observed == Observed::Another || !self.seen.others.is_empty()
    }
}

/// The verdict that the evidence gives, by the table at the top of this module; `None` when
/// there is no visit in it, and so nothing to judge.
pub fn judge(evidence: &[Evidence]) -> Option<Verdict> {
    if !evidence.iter().any(Evidence::is_visit) {
        return None;
    }
    Some(if evidence.iter().any(Evidence::is_stray) {
        Verdict::Stray
    } else if evidence
        .iter()
        .all(|one| one.arrived() || (!one.is_visit() && !one.moved()))
    {
        Verdict::Proved
    } else if is_reversed(evidence) {
        Verdict::Reversed
    } else if !evidence.iter().any(Evidence::moved) {
        Verdict::Still
    } else if ends_in_one_position(evidence) {
        Verdict::OneWay
    } else {
        Verdict::Partial
    })
}

/// Does each command lead elsewhere, always to the same place, and no two to one place?
fn is_reversed(evidence: &[Evidence]) -> bool {
    let mut leads_to = BTreeMap::new();
    for one in evidence {
        match one.end() {
            End::At(place) if place != one.commanded.as_str() => {
                if *leads_to.entry(&one.commanded).or_insert(place) != place {
                    return false;
                }
            }
            End::Nothing if !one.is_visit() => {}
            End::At(_) | End::Between | End::Nothing => return false,
        }
    }
    let mut places: Vec<_> = leads_to.into_values().collect();
    let commands = places.len();
    places.sort_unstable();
    places.dedup();
    places.len() == commands
}

fn ends_in_one_position(evidence: &[Evidence]) -> bool {
    let mut ends = evidence
        .iter()
        .map(Evidence::end)
        .filter(|end| *end != End::Nothing);
    let first = ends.next();
    matches!(first, Some(End::At(_))) && ends.all(|end| Some(end) == first)
}

#[cfg(test)]
mod tests;
