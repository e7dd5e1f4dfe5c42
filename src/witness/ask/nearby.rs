//! Which other one moved: finding it by its id.

use crate::plan::Id;

/// How many ids are offered.
const OFFERED: usize = 12;

/// Asks for the id, and offers those that are near, the likeliest first.
pub(super) fn invitation(near: &[Id]) -> String {
    let more = if near.len() > OFFERED { " ..." } else { "" };
    let offered: Vec<_> = near.iter().take(OFFERED).map(Id::as_str).collect();
    format!(
        "Type the id of what moved, several with a space between.\n\
         Enter alone: it is not in the plan. Esc: back to the question.\n  near by: {}{more}",
        offered.join(" ")
    )
}

/// The ids that a line names, in the order in which they are near.
///
/// # Errors
/// What to tell the operator about the line.
pub(super) fn find(own: &Id, near: &[Id], line: &str) -> Result<Vec<Id>, String> {
    let words: Vec<_> = line
        .split([' ', ','])
        .filter(|word| !word.is_empty())
        .collect();
    let is = |id: &Id, word: &str| id.as_str().to_lowercase() == word.to_lowercase();
    for word in &words {
        if is(own, word) {
            return Err(format!(
                "{own} is the one that was sent; which other one moved?"
            ));
        }
        if !near.iter().any(|id| is(id, word)) {
            return Err(match likest(near, word) {
                Some(id) => format!("The plan has no {word}; did you mean {id}?"),
                None => format!("The plan has no {word}."),
            });
        }
    }
    let named = |id: &&Id| words.iter().any(|word| is(id, word));
    Ok(near.iter().filter(named).cloned().collect())
}

fn likest<'a>(near: &'a [Id], word: &str) -> Option<&'a Id> {
    let word = word.to_lowercase();
    let distance = |id: &&Id| strsim::damerau_levenshtein(&id.as_str().to_lowercase(), &word);
    near.iter().min_by_key(distance)
}
