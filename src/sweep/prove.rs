//! What it takes to come to a verdict on one turnout or signal.

use throwproof_protocol::address::{KeyedAddress, Position};

use super::command::{self, CommandError};
use super::thrower::{Halt, Thrower, Told};
use super::{Options, is_reserved, route};
use crate::event::{Step, Subject};
use crate::plan::{Drive, Id, Plan, Signal, SignalKind, Turnout};
use crate::verdict::{Evidence, Verdict, judge};
use crate::witness::Seen;

/// A verdict on its way out.
pub(super) struct Judged {
    pub(super) subject: Subject,
    pub(super) place: String,
    pub(super) address: KeyedAddress,
    pub(super) verdict: Verdict,
    pub(super) detail: String,
}

/// What came of the throws of one turnout or signal: evidence, or why there is none.
enum Tried {
    Evidence(Vec<Evidence>),
    LeftOut(String),
}

pub(super) async fn turnout(
    thrower: &mut Thrower<'_, '_>,
    turnout: &Turnout,
    options: &Options,
) -> Result<Judged, Halt> {
    let subject = Subject::Turnout(turnout.id.clone());
    let reserved = is_reserved(thrower.plan, turnout.address);
    let throws = route::of_turnout(turnout.rest, options.cycles.get());
    let mut tried = if reserved && !options.allow_reserved {
        Tried::LeftOut(reserved_reason(turnout.address))
    } else {
        try_throws(thrower, &subject, throws, options.so_far.seen(&subject)).await?
    };
    if let Tried::Evidence(evidence) = &mut tried
        && turnout.drive == Drive::TwinCoil
        && judge(evidence) == Some(Verdict::Still)
    {
        let left_out = try_by_hand(thrower, &subject, turnout.rest, evidence).await?;
        if let Some(reason) = left_out {
            tried = Tried::LeftOut(reason);
        }
    }
    Ok(judged(subject, &turnout.place, turnout.address, tried))
}

pub(super) async fn signal(
    thrower: &mut Thrower<'_, '_>,
    signal: &Signal,
    options: &Options,
) -> Result<Judged, Halt> {
    let subject = Subject::Signal(signal.id.clone());
    let tried = if let Some(reason) = signal_obstacle(thrower.plan, signal, options) {
        Tried::LeftOut(reason)
    } else {
        let throws = route::of_signal(signal, options.cycles.get());
        try_throws(thrower, &subject, throws, options.so_far.seen(&subject)).await?
    };
    Ok(judged(subject, &signal.place, signal.address, tried))
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

/// Makes the throws one after another until one is not observed.
async fn try_throws(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    throws: impl IntoIterator<Item = (Step, Id)>,
    seen: &[(Step, Id, Seen)],
) -> Result<Tried, Halt> {
    let mut evidence = Vec::new();
    for (number, (step, commanded)) in throws.into_iter().enumerate() {
        if let Some((_, _, seen)) = seen.get(number) {
            let seen = seen.clone();
            evidence.push(Evidence::new(thrower.plan, subject, step, commanded, seen));
            continue;
        }
        if number > 0 && number == seen.len() {
            thrower.throw_back(subject, &commanded).await?;
        }
        match thrower.throw(subject, step, &commanded).await? {
            Told::Seen(seen) => {
                evidence.push(Evidence::new(thrower.plan, subject, step, commanded, seen));
            }
            Told::Skip => return Ok(Tried::LeftOut(skip_reason(&commanded))),
            Told::Unseen(reason) => return Ok(Tried::LeftOut(reason)),
            Told::Refused(reason) => return Ok(Tried::LeftOut(refused_reason(&reason))),
        }
    }
    Ok(Tried::Evidence(evidence))
}

fn skip_reason(commanded: &Id) -> String {
    format!("skipped by the operator; last sent to {commanded}")
}

pub(super) fn refused_reason(reason: &str) -> String {
    format!("the station refused it: {reason}")
}

/// Lays a turnout that no throw has moved by hand, on one side and then the other, and throws it
/// across; then sees to it that it lies at rest. Gives a reason if it is left out after all.
async fn try_by_hand(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    rest: Position,
    evidence: &mut Vec<Evidence>,
) -> Result<Option<String>, Halt> {
    let mut by_hand = false;
    let mut lies = None;
    for laid in [Position::Diverging, Position::Straight] {
        if !thrower.lay_by_hand(subject, laid).await? {
            break;
        }
        by_hand = true;
        lies = Some(laid);
        let across = (Step::AfterHand, route::id_of(laid.opposite()));
        if let Some(reason) = add_throw(thrower, subject, across, evidence).await? {
            return Ok(Some(reason));
        }
        if let Some(moved) = evidence.last().filter(|one| one.moved()) {
            lies = moved.position();
            let to_rest = (Step::Rest, route::id_of(rest));
            if lies != Some(rest) {
                if let Some(reason) = add_throw(thrower, subject, to_rest, evidence).await? {
                    return Ok(Some(reason));
                }
                lies = evidence.last().and_then(Evidence::position).or(lies);
            }
            break;
        }
    }
    if by_hand && lies != Some(rest) {
        thrower.lay_by_hand(subject, rest).await?;
    }
    Ok(None)
}

/// Makes one more throw and adds it to the evidence, or gives a reason to leave it out.
async fn add_throw(
    thrower: &mut Thrower<'_, '_>,
    subject: &Subject,
    throw: (Step, Id),
    evidence: &mut Vec<Evidence>,
) -> Result<Option<String>, Halt> {
    match try_throws(thrower, subject, [throw], &[]).await? {
        Tried::Evidence(more) => evidence.extend(more),
        Tried::LeftOut(reason) => return Ok(Some(reason)),
    }
    Ok(None)
}

fn judged(subject: Subject, place: &str, address: KeyedAddress, tried: Tried) -> Judged {
    let (verdict, detail) = match tried {
        Tried::LeftOut(reason) => (Verdict::Skipped, reason),
        Tried::Evidence(evidence) => match judge(&evidence) {
            Some(verdict) => (verdict, others(&evidence)),
            None => (Verdict::Skipped, "it has no aspects to show".to_owned()),
        },
    };
    Judged {
        subject,
        place: place.to_owned(),
        address,
        verdict,
        detail,
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
