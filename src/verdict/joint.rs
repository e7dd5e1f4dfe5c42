//! What the observations of a turnout with several drives say of its drives.
//!
//! Each fault that a single drive can have, and each pair of drives on each other's leads, says
//! how the turnout must lie after every throw. Those that agree with everything that was seen are
//! told; where several do, or none, that is no help and nothing is said.

use throwproof_protocol::address::Position;

use super::{End, Evidence, Verdict};
use crate::event::Step;
use crate::plan::{Id, Joint};

/// What may be wrong with its drives; drives by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    /// It goes the other way.
    Reversed(usize),
    /// Only one of its ways works.
    OnlyTo(usize, Position),
    /// It does not move.
    Dead(usize),
    /// Each is wired to the other's output.
    Exchanged(usize, usize),
}

const SIDES: [Position; 2] = [Position::Straight, Position::Diverging];

/// What is known of a failed turnout beyond its verdict; empty where nothing is.
pub fn detail(joint: &Joint, verdict: Verdict, evidence: &[Evidence]) -> String {
    if !verdict.is_failure() || verdict == Verdict::Stray {
        return String::new();
    }
    let names = exchanged(evidence);
    let names = names.map(|(one, other)| format!("{one} and {other} are exchanged"));
    let mut faults = faults(joint.drives.len())
        .into_iter()
        .filter(|fault| explains(joint, *fault, evidence));
    let fault = match (faults.next(), faults.next()) {
        (Some(fault), None) => Some(words(fault)),
        (Some(one), Some(other)) if faults.next().is_none() => {
            Some(format!("{}, or {}", words(one), words(other)))
        }
        _ => None,
    };
    let fault = fault.map(|fault| format!("as if {fault}"));
    let parts: Vec<_> = names.into_iter().chain(fault).collect();
    parts.join(": ")
}

/// Two positions of which each command led to the other, while all else went where it was sent.
pub fn exchanged(evidence: &[Evidence]) -> Option<(Id, Id)> {
    let wrong = || evidence.iter().filter(|one| !one.arrived() && one.moved());
    let first = wrong().next()?;
    let End::At(other) = first.end() else {
        return None;
    };
    let (one, other) = (first.commanded.clone(), Id::new(other));
    let is_swap = |throw: &Evidence| {
        let End::At(end) = throw.end() else {
            return false;
        };
        let commanded = throw.commanded.as_str();
        (commanded, end) == (one.as_str(), other.as_str())
            || (commanded, end) == (other.as_str(), one.as_str())
    };
    let both = wrong().any(|throw| throw.commanded == other);
    let stuck = |throw: &Evidence| throw.step == Step::Visit && !throw.moved();
    (both && wrong().all(is_swap) && !evidence.iter().any(stuck)).then_some((one, other))
}

fn faults(drives: usize) -> Vec<Fault> {
    let mut faults = Vec::new();
    for drive in 0..drives {
        faults.push(Fault::Reversed(drive));
        faults.extend(SIDES.map(|side| Fault::OnlyTo(drive, side)));
        faults.push(Fault::Dead(drive));
        faults.extend((drive + 1..drives).map(|other| Fault::Exchanged(drive, other)));
    }
    faults
}

/// Whether everything was seen as it would be with that fault, however it lay to begin with.
fn explains(joint: &Joint, fault: Fault, evidence: &[Evidence]) -> bool {
    SIDES.iter().any(|start| {
        let mut lay = *start;
        let mut before: Option<Vec<Position>> = None;
        evidence.iter().all(|one| {
            let Some(wanted) = joint.named(one.commanded.as_str()) else {
                return false;
            };
            let lies = lies(&wanted.drives, fault, &mut lay);
            let is_still = before.as_ref() == Some(&lies);
            let end = match joint.name_of(&lies) {
                _ if is_still => End::Nothing,
                Some(name) => End::At(name.as_str()),
                None => End::Between,
            };
            // Before the first throw it may have lain so, or not.
            let is_so = one.end() == end || before.is_none() && one.end() == End::Nothing;
            before = Some(lies.clone());
            is_so
        })
    })
}

/// How its drives lie after they were sent to `wanted`; `lay` is how the drive of the fault did.
fn lies(wanted: &[Position], fault: Fault, lay: &mut Position) -> Vec<Position> {
    let mut lies = wanted.to_vec();
    match fault {
        Fault::Reversed(drive) => {
            if let Some(lies) = lies.get_mut(drive) {
                *lies = lies.opposite();
            }
        }
        Fault::OnlyTo(drive, side) => {
            if let Some(lies) = lies.get_mut(drive) {
                if *lies == side {
                    *lay = side;
                }
                *lies = *lay;
            }
        }
        Fault::Dead(drive) => {
            if let Some(lies) = lies.get_mut(drive) {
                *lies = *lay;
            }
        }
        Fault::Exchanged(one, other) => lies.swap(one, other),
    }
    lies
}

fn words(fault: Fault) -> String {
    match fault {
        Fault::Reversed(drive) => format!("its {} drive were reversed", ordinal(drive)),
        Fault::OnlyTo(drive, side) => {
            format!("its {} drive went to {side} only", ordinal(drive))
        }
        Fault::Dead(drive) => format!("its {} drive did not move", ordinal(drive)),
        Fault::Exchanged(one, other) => {
            let (one, other) = (ordinal(one), ordinal(other));
            format!("its {one} and {other} drives were exchanged")
        }
    }
}

/// `first` for 0.
pub(crate) const fn ordinal(index: usize) -> &'static str {
    match index {
        0 => "first",
        1 => "second",
        2 => "third",
        _ => "fourth",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Plan;
    use crate::verdict::judge;
    use crate::witness::{Observed, Seen};

    const PLAN: &str = "\
[layout]
name = \"Fish dock\"

[[turnout]]
id = \"T1\"
shape = \"three-way\"
addresses = [1, 2]
";

    fn told(ends: [&str; 4]) -> (Verdict, String) {
        let plan = Plan::from_text("plan.toml", PLAN).unwrap();
        let joint = plan.turnouts[0].joint.clone().unwrap();
        let sent = ["straight", "left", "right", "straight"];
        let evidence: Vec<_> = sent
            .iter()
            .zip(ends)
            .enumerate()
            .map(|(at, (sent, end))| Evidence {
                step: if at == 0 { Step::Prime } else { Step::Visit },
                commanded: Id::new(sent),
                seen: Seen {
                    observed: match end {
                        "between" => Observed::Between,
                        "no-movement" => Observed::NoMovement,
                        name => Observed::named(&Id::new(name)),
                    },
                    others: Vec::new(),
                },
            })
            .collect();
        let verdict = judge(&evidence).unwrap();
        (verdict, detail(&joint, verdict, &evidence))
    }

    #[test]
    fn drives_on_each_others_leads_exchange_left_and_right() {
        let (verdict, detail) = told(["straight", "right", "left", "straight"]);
        assert_eq!(verdict, Verdict::Partial);
        let exchanged = "left and right are exchanged: as if its first and second drives were \
                         exchanged";
        assert_eq!(detail, exchanged);
    }

    #[test]
    fn a_reversed_drive_is_named() {
        let (verdict, detail) = told(["right", "between", "straight", "right"]);
        assert_eq!(verdict, Verdict::Partial);
        assert_eq!(detail, "as if its second drive were reversed");
    }

    #[test]
    fn a_drive_with_an_open_coil_is_named() {
        let (verdict, detail) = told(["no-movement", "left", "straight", "no-movement"]);
        assert_eq!(verdict, Verdict::Partial);
        let either = "as if its second drive went to straight only, or its second drive did not \
                      move";
        assert_eq!(detail, either);
        // It lay diverging, and went to straight in the first throw: it is not dead.
        let (_, detail) = told(["straight", "between", "right", "no-movement"]);
        assert_eq!(detail, "");
        let (_, detail) = told(["straight", "left", "right", "no-movement"]);
        assert_eq!(detail, "as if its second drive went to diverging only");
    }

    #[test]
    fn what_is_proved_or_moves_others_needs_no_more() {
        let (verdict, detail) = told(["straight", "left", "right", "straight"]);
        assert_eq!((verdict, detail.as_str()), (Verdict::Proved, ""));
        let (verdict, detail) = told(["no-movement"; 4]);
        assert_eq!((verdict, detail.as_str()), (Verdict::Still, ""));
    }
}
