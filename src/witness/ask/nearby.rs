//! Which other one moved: finding it by its id.

use crate::plan::{Id, Plan};
use crate::witness::Question;

/// How many ids are offered.
const OFFERED: usize = 12;

/// An id of the plan with what makes it likely.
struct Candidate<'a> {
    id: &'a Id,
    place: &'a str,
    address: u16,
}

fn candidates<'a>(plan: &'a Plan, but: &Id) -> Vec<Candidate<'a>> {
    let turnouts = plan
        .turnouts
        .iter()
        .map(|one| (&one.id, &one.place, one.address));
    let signals = plan
        .signals
        .iter()
        .map(|one| (&one.id, &one.place, one.address));
    turnouts
        .chain(signals)
        .filter(|(id, ..)| *id != but)
        .map(|(id, place, address)| Candidate {
            id,
            place,
            address: address.get(),
        })
        .collect()
}

/// Asks for the id, and offers those that are near: the same place first, then by address.
pub(super) fn invitation(question: &Question<'_>) -> String {
    let own = question.subject.id();
    let plan = question.plan;
    let turnout = plan
        .turnout(own.as_str())
        .map(|one| (one.place.as_str(), one.address));
    let signal = plan
        .signal(own.as_str())
        .map(|one| (one.place.as_str(), one.address));
    let (place, address) = turnout
        .or(signal)
        .map_or(("", 0), |(place, address)| (place, address.get()));
    let mut near = candidates(plan, own);
    near.sort_by_key(|one| (one.place != place, one.address.abs_diff(address)));
    let more = if near.len() > OFFERED { " …" } else { "" };
    let offered: Vec<_> = near
        .iter()
        .take(OFFERED)
        .map(|one| one.id.as_str())
        .collect();
    format!(
        "Type the id of what moved, several with a space between; Enter alone if it is not in \
         the plan.\n  near by: {}{more}\nWhich? ",
        offered.join(" ")
    )
}

/// The ids on a line, in the order of the plan; or what is wrong with one of them.
pub(super) fn find(question: &Question<'_>, line: &str) -> Result<Vec<Id>, String> {
    let own = question.subject.id();
    let known = candidates(question.plan, own);
    let words: Vec<_> = line
        .split([' ', ','])
        .filter(|word| !word.is_empty())
        .collect();
    for word in &words {
        if own.as_str().eq_ignore_ascii_case(word) {
            return Err(format!(
                "{own} is the one that was sent; which other one moved?"
            ));
        }
        if !known
            .iter()
            .any(|one| one.id.as_str().eq_ignore_ascii_case(word))
        {
            return Err(match nearest(&known, word) {
                Some(near) => format!("The plan has no {word}; did you mean {near}?"),
                None => format!("The plan has no {word}."),
            });
        }
    }
    let named = |one: &Candidate<'_>| {
        words
            .iter()
            .any(|w| one.id.as_str().eq_ignore_ascii_case(w))
    };
    Ok(known
        .iter()
        .filter(|one| named(one))
        .map(|one| one.id.clone())
        .collect())
}

fn nearest<'a>(known: &[Candidate<'a>], word: &str) -> Option<&'a Id> {
    let word = word.to_lowercase();
    let distance =
        |one: &Candidate<'_>| strsim::damerau_levenshtein(&one.id.as_str().to_lowercase(), &word);
    known
        .iter()
        .min_by_key(|one| distance(one))
        .map(|one| one.id)
}
