//! What the newest diagnosis says of a turnout, and what became of that since.

use super::fold::Basis;
use super::model::{After, DiagnosisLine, Moment, State};
use super::standing::Standing;
use crate::event::Subject;
use crate::plan::Id;
use crate::record::cases::{Case, percent};
use crate::verdict::Verdict;

/// The newest diagnosis that is about that turnout as the plan has it now.
pub(super) fn of(
    basis: &Basis<'_>,
    id: &Id,
    standing: &Standing<'_>,
) -> Option<Box<DiagnosisLine>> {
    let subject = Subject::Turnout(id.clone());
    let is_same = |case: &&Case| {
        let now = basis.marks.and_then(|marks| marks.get(&subject));
        now.is_none() || now == case.marks.get(id)
    };
    let mut about = basis.cases.iter().filter(|case| case.is_about(id));
    let case = about.rfind(is_same)?;
    let since_then = after(case, id, standing);
    // As long as it has failed alike since before, and nobody put a mended cause to the proof.
    let is_later = standing.first.is_none_or(|first| first.at <= case.at);
    let is_open = matches!(since_then, After::Nothing | After::Mended);
    let moment = |at| Moment::new(at, basis.zone);
    let is_own = case.turnout == *id;
    let explains = case.explains.iter().filter(|_| is_own);
    // Of another's, only the likeliest cause is known to explain this one.
    let causes = match case.named() {
        [first, ..] if !is_own => std::slice::from_ref(first),
        causes => causes,
    };
    let text = match causes {
        [only] if !is_own => format!("{} % sure: {}", percent(only), only.says),
        _ => case.sentence(),
    };
    Some(Box::new(DiagnosisLine {
        by_way_of: (!is_own).then(|| case.turnout.to_string()),
        run: case.run,
        at: moment(case.at),
        kind: case.kind,
        text,
        causes: causes.to_vec(),
        parting: case.parting.clone().filter(|_| is_own),
        explains: explains.map(Id::to_string).collect(),
        mended: case.mended.as_ref().map(|mended| moment(mended.at)),
        since_then,
        holds: standing.state() == State::Failed && is_open && is_later,
    }))
}

fn after(case: &Case, id: &Id, standing: &Standing<'_>) -> After {
    let given = standing.given.filter(|one| one.verdict != Verdict::Skipped);
    let since = |at| given.filter(|one| one.at > at).map(|one| one.verdict);
    if since(case.at) == Some(Verdict::Proved) {
        return After::Proved;
    }
    let Some(mended) = &case.mended else {
        return After::Nothing;
    };
    if since(mended.at).is_some() {
        return After::StillFails;
    }
    match &case.proof {
        Some(proof) if proof.still_fail.contains(id) => After::StillFails,
        Some(proof) if proof.proved && mended.proves.contains(id) => After::Proved,
        _ => After::Mended,
    }
}
