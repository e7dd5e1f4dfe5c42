//! What it takes to come to a verdict on one turnout or signal.

use throwproof_protocol::address::{KeyedAddress, Position};

use super::command::{self, CommandError};
use super::route::Route;
use super::so_far::{Mark, SoFar};
use super::{Options, is_reserved, route};
use crate::event::{EventKind, Step, Subject};
use crate::plan::{Drive, Id, Plan, Signal, SignalKind, Sort, Turnout};
use crate::verdict::{Evidence, Verdict, joint, judge};
use crate::witness::Observed;

/// A verdict on its way out.
pub(super) struct Judged {
    pub(super) subject: Subject,
    pub(super) place: String,
    pub(super) address: KeyedAddress,
    pub(super) verdict: Verdict,
    pub(super) detail: String,
}

/// What there is to do next for a turnout or signal without a verdict.
pub(super) enum Next {
    Throw(Step, Id),
    /// Have it laid by hand.
    Lay(Position),
    Judged(Judged),
}

/// What is next for a turnout, by what it has come to so far. `no_hands` says that it can't be
/// laid by hand.
pub(super) fn turnout(
    plan: &Plan,
    turnout: &Turnout,
    options: &Options,
    so_far: &SoFar,
    no_hands: bool,
) -> Next {
    let subject = Subject::Turnout(turnout.id.clone());
    let mut addresses = turnout.addresses().into_iter();
    if let Some(address) = addresses.find(|address| is_reserved(plan, *address))
        && !options.allow_reserved
    {
        let reason = reserved_reason(address);
        return Next::Judged(Judged::turnout(turnout, Verdict::Skipped, reason));
    }
    let route = Route::turnout(turnout);
    let trail = so_far.trail(&subject);
    let seen = along(&route, trail);
    if let Some((step, commanded)) = route.next(seen, options.cycles.get()) {
        return Next::Throw(*step, commanded.clone());
    }
    let evidence = so_far.evidence(plan, &subject);
    let by_route = evidence.get(..seen).unwrap_or_default();
    // Of several drives nobody could say which to lay how.
    let is_single = turnout.joint.is_none();
    if is_single && turnout.drive == Drive::TwinCoil && judge(by_route) == Some(Verdict::Still) {
        let after = trail.get(seen..).unwrap_or_default();
        let by_hand = evidence.get(seen..).unwrap_or_default();
        if let Some(next) = by_hand_next(turnout.rest, after, by_hand, no_hands) {
            return next;
        }
    }
    let (verdict, mut detail) = judged(&evidence);
    if let Some(several) = &turnout.joint
        && detail.is_empty()
    {
        detail = joint::detail(several, verdict, &evidence);
    }
    Next::Judged(Judged::turnout(turnout, verdict, detail))
}

/// What is next for a signal.
pub(super) fn signal(plan: &Plan, signal: &Signal, options: &Options, so_far: &SoFar) -> Next {
    let subject = Subject::Signal(signal.id.clone());
    if let Some(reason) = signal_obstacle(plan, signal, options) {
        return Next::Judged(Judged::signal(signal, Verdict::Skipped, reason));
    }
    let route = Route::signal(signal);
    let seen = along(&route, so_far.trail(&subject));
    if let Some((step, commanded)) = route.next(seen, options.cycles.get()) {
        return Next::Throw(*step, commanded.clone());
    }
    let evidence = so_far.evidence(plan, &subject);
    let (verdict, mut detail) = judged(&evidence);
    if verdict == Verdict::Partial && signal.sort == Sort::Uncoupler && stays_up(&evidence) {
        STAYS_UP.clone_into(&mut detail);
    }
    Next::Judged(Judged::signal(signal, verdict, detail))
}

/// What an uncoupler that does not fall is judged with.
const STAYS_UP: &str = "it stays up: its output is not switched off";

/// Whether an uncoupler was seen to stay up.
fn stays_up(evidence: &[Evidence]) -> bool {
    let mut seen = evidence.iter().map(|one| &one.seen.observed);
    seen.any(|observed| *observed == Observed::Between)
}

/// How many observations there are along a route from its beginning.
fn along(route: &Route, trail: &[Mark]) -> usize {
    let mut seen = 0;
    while let (Some(mark), Some((step, commanded))) = (trail.get(seen), route.nth(seen)) {
        if !mark.is_seen(*step, commanded) {
            break;
        }
        seen += 1;
    }
    seen
}

/// Whether what was seen of something can be gone on with: it follows the route, and what does not
/// comes after all of it and was thrown after it was laid by hand.
pub(super) fn can_go_on(route: &Route, trail: &[Mark], cycles: u32) -> bool {
    let seen = along(route, trail);
    let after = trail.get(seen..).unwrap_or_default();
    after.is_empty()
        || route.next(seen, cycles).is_none()
            && after.iter().all(|mark| match mark {
                Mark::Seen(sent, _) => matches!(sent.step, Step::AfterHand | Step::Rest),
                Mark::Laid(_) => true,
            })
}

/// Why a signal must not be driven, or can't be.
fn signal_obstacle(plan: &Plan, signal: &Signal, options: &Options) -> Option<String> {
    for aspect in &signal.aspects {
        let address = match signal.kind {
            SignalKind::Extended => Some(signal.address),
            SignalKind::Pairs => command::pair_address(signal, aspect.value),
        };
        let Some(address) = address else {
            let (subject, aspect) = (signal.id.clone(), aspect.name.clone());
            return Some(CommandError::BeyondLastAddress { subject, aspect }.to_string());
        };
        if is_reserved(plan, address) && !options.allow_reserved {
            return Some(reserved_reason(address));
        }
    }
    None
}

fn reserved_reason(address: KeyedAddress) -> String {
    format!(
        "address {address} is also the broadcast to every decoder or the emergency stop; \
         --allow-reserved drives it all the same"
    )
}

pub(super) fn skip_reason(commanded: &Id) -> String {
    format!("skipped by the operator; last sent to {commanded}")
}

pub(super) fn refused_reason(reason: &str) -> String {
    format!("the station refused it: {reason}")
}

/// Has a turnout that no throw has moved laid by hand, on one side and then the other, and thrown
/// across; then sees to it that it lies at rest. `None` when that is done.
///
/// `trail` is what was done of this, `evidence` what was seen of it.
fn by_hand_next(
    rest: Position,
    trail: &[Mark],
    evidence: &[Evidence],
    no_hands: bool,
) -> Option<Next> {
    let mut marks = trail.iter().peekable();
    let mut seen = evidence.iter();
    let mut lies = None;
    for side in [Position::Diverging, Position::Straight] {
        let mut is_laid = false;
        // A throw that is made again is laid for again.
        while let Some(Mark::Laid(position)) = marks.peek() {
            (is_laid, lies) = (true, Some(*position));
            marks.next();
        }
        if !is_laid && no_hands {
            break;
        }
        if !is_laid {
            return Some(Next::Lay(side));
        }
        let across = route::id_of(side.opposite());
        let (Some(_), Some(across)) = (marks.next(), seen.next()) else {
            return Some(Next::Throw(Step::AfterHand, across));
        };
        if across.moved() {
            lies = across.position();
            if lies != Some(rest) {
                let (Some(_), Some(to_rest)) = (marks.next(), seen.next()) else {
                    return Some(Next::Throw(Step::Rest, route::id_of(rest)));
                };
                lies = to_rest.position().or(lies);
            }
            break;
        }
    }
    if let Some(Mark::Laid(position)) = marks.next() {
        lies = Some(*position);
    }
    let was_laid = trail.iter().any(|mark| matches!(mark, Mark::Laid(_)));
    (was_laid && lies != Some(rest) && !no_hands).then_some(Next::Lay(rest))
}

fn judged(evidence: &[Evidence]) -> (Verdict, String) {
    match judge(evidence) {
        Some(verdict) => (verdict, others(evidence)),
        None => (Verdict::Skipped, "it has no aspects to show".to_owned()),
    }
}

impl Judged {
    pub(super) fn turnout(turnout: &Turnout, verdict: Verdict, detail: String) -> Self {
        Self {
            subject: Subject::Turnout(turnout.id.clone()),
            place: turnout.place.clone(),
            address: turnout.address,
            verdict,
            detail,
        }
    }

    pub(super) fn signal(signal: &Signal, verdict: Verdict, detail: String) -> Self {
        Self {
            subject: Subject::Signal(signal.id.clone()),
            place: signal.place.clone(),
            address: signal.address,
            verdict,
            detail,
        }
    }

    /// The same as an event.
    pub(super) fn event(self) -> EventKind {
        EventKind::Verdict {
            subject: self.subject,
            verdict: self.verdict,
            place: self.place,
            address: self.address.get(),
            detail: self.detail,
            carried: false,
        }
    }
}

/// Which others moved, each once, in the order they were first seen.
fn others(evidence: &[Evidence]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for id in evidence.iter().flat_map(|one| &one.seen.others) {
        if !names.contains(&id.as_str()) {
            names.push(id.as_str());
        }
    }
    names.join(", ")
}
