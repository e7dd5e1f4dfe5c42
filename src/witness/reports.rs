//! The layout's own position reports as a witness.
//!
//! A report speaks of one contact of one turnout, made or broken. What counts is what changed:
//! a report that says what was known already is stale and no movement. A contact that bounces
//! is left to come to rest, and what it says then is what was seen. When both contacts of a
//! turnout are made, or none after one was broken, the blades are not known to be closed:
//! *between*.
//!
//! Of a turnout with several drives each reports by its own address, and where it lies is told by
//! all of them. A drive that has never reported lies where it was first sent: it need not have
//! moved to be there. If it was not there, it has to report when it comes to be thrown the other
//! way, and if it does not, it still lies where it was: so a drive that is dead is found out.
//!
//! Several throws may be under way at once, one behind the other. A turnout's first change then
//! belongs to the throw that was last begun before it; if that was not its own, nobody can tell
//! what moved it, and both throws are *unclear*.

use std::collections::BTreeMap;
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::address::{BinaryAddress, PairBit, Position};

use super::diagnosis::{Query, Told};
use super::hunt::{Inquiry, Noticed};
use super::{Answer, Observed, Question, Seen, Witness, WitnessError};
use crate::event::Subject;
use crate::link::PositionReport;
use crate::plan::{Drive, Id, Plan};

/// A contact that has been quiet for this long has stopped bouncing. Microswitches and reed
/// contacts settle in some milliseconds, slow blades let them chatter longer; common practice,
/// no source.
const QUIET: Duration = Duration::from_millis(100);

/// A twin-coil drive starts to move, and is across, within this time of its activation; common
/// practice, no source: pulses of 50 to 250 ms suit them.
const COIL_STARTS: Duration = Duration::from_millis(250);

/// A motor, servo or memory wire leaves its contact within this time, where departures are
/// reported; common practice, no source.
const MOTOR_STARTS: Duration = Duration::from_secs(1);

/// And is across within this time where only arrivals are.
const MOTOR_ACROSS: Duration = Duration::from_secs(4);

/// What is known of a turnout's two contacts; `None` where nothing was reported yet.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Contacts {
    zero: Option<bool>,
    one: Option<bool>,
}

impl Contacts {
    fn take(&mut self, pair_bit: PairBit, made: bool) {
        let (own, other) = match pair_bit {
            PairBit::Zero => (&mut self.zero, &mut self.one),
            PairBit::One => (&mut self.one, &mut self.zero),
        };
        *own = Some(made);
        // Where only arrivals are reported, arriving at one side is leaving the other; where
        // departures are too, the other was broken before.
        if made && other.is_none() {
            *other = Some(false);
        }
    }

    /// The contact that is made, if just one is.
    fn at(self) -> Option<PairBit> {
        match (self.zero, self.one) {
            (Some(true), Some(false) | None) => Some(PairBit::Zero),
            (Some(false) | None, Some(true)) => Some(PairBit::One),
            (Some(true), Some(true)) | (Some(false) | None, Some(false) | None) => None,
        }
    }

    fn is_known(self) -> bool {
        self.zero.is_some() || self.one.is_some()
    }
}

/// A throw under way.
#[derive(Debug)]
struct Open {
    /// Of its own turnout.
    addresses: Vec<BinaryAddress>,
    begun: Duration,
    /// The contacts of every turnout that changed since, as they were when it was begun.
    changed: BTreeMap<BinaryAddress, (Contacts, Duration)>,
    unclear: bool,
}

/// A turnout that reports its position.
#[derive(Debug)]
struct Watched {
    id: Id,
    address: BinaryAddress,
    straight: PairBit,
}

/// A witness that goes by position reports, and asks another where there are none.
#[derive(Default)]
pub struct Reports {
    contacts: BTreeMap<BinaryAddress, Contacts>,
    /// Where the drives of turnouts with several were first sent.
    sent: BTreeMap<BinaryAddress, PairBit>,
    open: BTreeMap<u64, Open>,
    /// Whether this layout says when a contact is broken.
    departures: bool,
    fallback: Option<Box<dyn Witness>>,
    /// While an address is looked for: for which question, and what has changed since it began.
    inquiry: u32,
    moved: Vec<(BinaryAddress, Duration)>,
    watched: Vec<Watched>,
}

impl std::fmt::Debug for Reports {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Reports")
            .field("contacts", &self.contacts)
            .finish_non_exhaustive()
    }
}

impl Reports {
    /// A witness that knows nothing yet. What has no position reports is left to `fallback`.
    pub fn new(fallback: Option<Box<dyn Witness>>) -> Self {
        Self {
            fallback,
            ..Self::default()
        }
    }

    /// Which turnouts of the plan report their position: an address that is looked for is told by
    /// theirs.
    #[must_use]
    pub fn watching(mut self, plan: &Plan) -> Self {
        let reporting = plan.turnouts.iter().filter(|one| one.position_reports);
        let watched = reporting.map(|one| Watched {
            id: one.id.clone(),
            address: one.address.binary(plan.layout.numbering),
            straight: one.pair_bit(Position::Straight),
        });
        self.watched = watched.collect();
        self
    }

    /// The throw that was last begun before that time.
    fn cause(&self, at: Duration) -> Option<u64> {
        let begun = self.open.iter().filter(|(_, open)| open.begun <= at);
        begun
            .max_by_key(|(_, open)| open.begun)
            .map(|(throw, _)| *throw)
    }

    /// Notes a change in the throw it belongs to.
    fn attribute(&mut self, report: &PositionReport, before: Contacts) {
        let PositionReport { at, address, .. } = *report;
        let mut open = self.open.values_mut();
        // What its own throw has set moving is its own until that throw is over.
        if let Some(own) = open.find(|open| open.addresses.contains(&address))
            && let Some((_, last)) = own.changed.get_mut(&address)
        {
            *last = at;
            return;
        }
        let Some(cause) = self.cause(at) else { return };
        let not_own = |open: &Open| !open.addresses.contains(&address);
        if self.open.get(&cause).is_some_and(not_own) && self.open.len() > 1 {
            for (throw, open) in &mut self.open {
                open.unclear |= *throw == cause || open.addresses.contains(&address);
            }
        }
        if let Some(open) = self.open.get_mut(&cause) {
            open.changed.entry(address).or_insert((before, at)).1 = at;
        }
    }

    fn has_reports(question: &Question<'_>) -> bool {
        turnout_of(question).is_some_and(|turnout| turnout.position_reports)
    }

    fn seen(&self, question: &Question<'_>, open: &Open) -> Seen {
        let lies =
            |address: &BinaryAddress| self.contacts.get(address).copied().unwrap_or_default();
        let mut observed = Observed::NoMovement;
        let mut others = Vec::new();
        for (address, (before, _)) in &open.changed {
            let after = lies(address);
            if after.at() == before.at() && before.is_known() {
                // It came back to where it was, or said what was known.
                continue;
            }
            if open.addresses.contains(address) {
                observed = self.position_of(question);
            } else {
                others.extend(names_at(question.plan, *address));
            }
        }
        if observed == Observed::NoMovement && !others.is_empty() {
            observed = Observed::Another;
        }
        Seen { observed, others }
    }

    /// Where the turnout of that question lies.
    fn position_of(&self, question: &Question<'_>) -> Observed {
        self.lies_as(question)
            .map_or(Observed::Between, |name| Observed::named(&name))
    }

    /// The name of the position in which its drives lie; `None` if a contact does not say, or they
    /// lie as in no position of it.
    fn lies_as(&self, question: &Question<'_>) -> Option<Id> {
        let turnout = turnout_of(question)?;
        let numbering = question.plan.layout.numbering;
        let drives = turnout.reached().into_iter().map(|drive| {
            let address = drive.address.binary(numbering);
            let reported = self.contacts.get(&address);
            let at = match reported.filter(|contacts| contacts.is_known()) {
                Some(contacts) => contacts.at(),
                None => self.sent.get(&address).copied(),
            };
            at.map(|at| drive.position(at))
        });
        let drives: Option<Vec<_>> = drives.collect();
        let drives = drives?;
        match &turnout.joint {
            Some(joint) => joint.name_of(&drives).cloned(),
            None => drives.first().map(|lies| Id::new(lies.as_str())),
        }
    }
}

/// Where the drives of a turnout with several are sent by a throw; empty for any other.
fn sent_by(question: &Question<'_>) -> Vec<(BinaryAddress, PairBit)> {
    let numbering = question.plan.layout.numbering;
    let joint = turnout_of(question).and_then(|turnout| turnout.joint.as_ref());
    let sent = joint.and_then(|joint| {
        let wanted = joint.named(question.commanded.as_str())?;
        let drives = joint.drives.iter().zip(&wanted.drives);
        let sent = drives
            .map(|(drive, position)| (drive.address.binary(numbering), drive.pair_bit(*position)));
        Some(sent.collect())
    });
    sent.unwrap_or_default()
}

fn turnout_of<'q>(question: &Question<'q>) -> Option<&'q crate::plan::Turnout> {
    match question.subject {
        Subject::Turnout(id) => question.plan.turnout(id.as_str()),
        Subject::Signal(_) => None,
    }
}

/// The turnouts of that address that report their position.
fn names_at(plan: &Plan, address: BinaryAddress) -> impl Iterator<Item = Id> {
    let numbering = plan.layout.numbering;
    let there = plan.turnouts.iter().filter(move |turnout| {
        let addresses = turnout.addresses();
        let mut addresses = addresses.iter().map(|own| own.binary(numbering));
        turnout.position_reports && addresses.any(|own| own == address)
    });
    there.map(|turnout| turnout.id.clone())
}

#[async_trait(?Send)]
impl Witness for Reports {
    fn name(&self) -> &'static str {
        "reports"
    }

    async fn attend(&mut self, question: &Question<'_>) -> Result<(), WitnessError> {
        let numbering = question.plan.layout.numbering;
        let addresses = turnout_of(question).map(crate::plan::Turnout::addresses);
        let addresses = addresses.into_iter().flatten();
        let addresses = addresses.map(|address| address.binary(numbering));
        for (address, pair_bit) in sent_by(question) {
            self.sent.entry(address).or_insert(pair_bit);
        }
        let begun = question.at;
        let changed = BTreeMap::new();
        self.open.insert(
            question.throw,
            Open {
                addresses: addresses.collect(),
                begun,
                changed,
                unclear: false,
            },
        );
        match &mut self.fallback {
            Some(fallback) if !Self::has_reports(question) => fallback.attend(question).await,
            Some(_) | None => Ok(()),
        }
    }

    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError> {
        let open = self.open.remove(&question.throw);
        if !Self::has_reports(question) {
            return match &mut self.fallback {
                Some(fallback) => fallback.observe(question).await,
                None => Ok(Answer::CantSee(
                    "it has no position reports, and there is no terminal to ask at".to_owned(),
                )),
            };
        }
        Ok(match open {
            Some(open) if open.unclear => Answer::Unclear,
            Some(open) => Answer::Seen(self.seen(question, &open)),
            None => Answer::Unclear,
        })
    }

    fn goes_by_reports(&self) -> bool {
        true
    }

    fn hear(&mut self, report: &PositionReport) {
        self.departures |= !report.made;
        let contacts = self.contacts.entry(report.address).or_default();
        let before = *contacts;
        if report.made && !self.departures {
            // Only arrivals are reported: what was made is broken now.
            *contacts = Contacts::default();
        }
        contacts.take(report.pair_bit, report.made);
        if *contacts != before {
            self.moved.push((report.address, report.at));
            self.attribute(report, before);
        }
    }

    fn forget(&mut self) {
        self.open.clear();
        if let Some(fallback) = &mut self.fallback {
            fallback.forget();
        }
    }

    fn has_seen_enough(&self, question: &Question<'_>, now: Duration) -> bool {
        let Some(open) = self.open.get(&question.throw) else {
            return true;
        };
        let own = open.addresses.iter();
        let changed = own.filter_map(|address| open.changed.get(address));
        let Some(last) = changed.map(|(_, last)| *last).max() else {
            return false;
        };
        let lies = self.lies_as(question);
        // One of several drives may be there before the last of them has begun to move.
        let is_there = match turnout_of(question) {
            Some(turnout) if turnout.joint.is_some() => lies.as_ref() == Some(question.commanded),
            Some(_) | None => lies.is_some(),
        };
        now.saturating_sub(last) >= QUIET && is_there
    }

    fn overlap(&self, question: &Question<'_>) -> Option<Duration> {
        let turnout = turnout_of(question).filter(|turnout| turnout.position_reports)?;
        // Two turnouts at one address move with one command: their reports can't be parted.
        let alone = names_at(
            question.plan,
            turnout.address.binary(question.plan.layout.numbering),
        )
        .count()
            == 1;
        alone.then_some(match turnout.drive {
            Drive::TwinCoil => COIL_STARTS,
            Drive::StallMotor | Drive::Servo | Drive::MemoryWire if self.departures => MOTOR_STARTS,
            Drive::StallMotor | Drive::Servo | Drive::MemoryWire => MOTOR_ACROSS,
        })
    }

    async fn glance(&mut self, inquiry: &Inquiry) -> Result<(), WitnessError> {
        if self.inquiry != inquiry.number {
            self.inquiry = inquiry.number;
            self.moved.clear();
        }
        Ok(())
    }

    async fn noticed(&mut self, inquiry: &Inquiry) -> Result<Noticed, WitnessError> {
        self.inquiry = 0;
        let watched = self.watched.iter();
        let watched: Vec<_> = watched
            .filter(|one| inquiry.target.as_ref().is_none_or(|id| *id == one.id))
            .collect();
        let mut moved = self.moved.iter();
        let seen = moved.find_map(|(address, at)| {
            let one = watched.iter().find(|one| one.address == *address)?;
            Some((*one, *at))
        });
        Ok(match (seen, inquiry.sent) {
            (None, _) => Noticed::Still,
            (Some((_, at)), None) => Noticed::Moved(Some(at)),
            (Some((one, _)), Some(_)) => {
                let contacts = self.contacts.get(&one.address).copied();
                match contacts.unwrap_or_default().at() {
                    Some(at) if at == one.straight => Noticed::Lies(Position::Straight),
                    Some(_) => Noticed::Lies(Position::Diverging),
                    None => Noticed::NotSure,
                }
            }
        })
    }

    fn can_be_asked(&self) -> bool {
        let fallback = self.fallback.as_ref();
        fallback.is_some_and(|fallback| fallback.can_be_asked())
    }

    async fn inquire(&mut self, query: &Query) -> Result<Told, WitnessError> {
        match &mut self.fallback {
            Some(fallback) => fallback.inquire(query).await,
            None => Ok(Told::Nobody),
        }
    }

    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError> {
        match &mut self.fallback {
            Some(fallback) => fallback.lay_by_hand(question, position).await,
            None => Ok(false),
        }
    }
}

#[cfg(test)]
mod tests;
