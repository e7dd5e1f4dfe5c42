//! Ids, single and as ranges such as `W1-W4`.

use super::wiring::Place;
use super::{Trouble, id_text};

/// Most turnouts that one row can stand for.
pub(super) const MOST: usize = 256;

/// Marks of a range, the plain hyphen last: an id may have that.
const MARKS: [&str; 6] = ["..", "–", "—", " to ", " bis ", "-"];

/// Letters and the number at the end.
fn parts(text: &str) -> Option<(&str, u32)> {
    let at = text.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let number = text.get(at..)?.parse().ok()?;
    Some((text.get(..at)?, number))
}

/// The ids of a range; `None` if it is none. `W1-W4` is one for sure, `W1-4` may be an id.
fn spread(text: &str, loose: bool) -> Option<Vec<String>> {
    let text = text.trim();
    let mark = MARKS.into_iter().find(|mark| text.contains(mark))?;
    let (from, to) = text.split_once(mark)?;
    let (prefix, first) = parts(from.trim())?;
    let (other, last) = parts(to.trim())?;
    let alike = prefix == other && !prefix.is_empty();
    let short = other.is_empty() && (loose || mark != "-");
    let count = usize::try_from(last.checked_sub(first)?).ok()? + 1;
    if !(alike || short) || !(2..=MOST).contains(&count) {
        return None;
    }
    let ids = (first..=last).map(|number| named(&format!("{prefix}{number}")));
    Some(ids.collect())
}

/// The ids of what is a range for sure.
pub(super) fn range(text: &str) -> Option<Vec<String>> {
    spread(text, false).or_else(|| spread(text, true))
}

/// An id that a plan can have.
fn named(text: &str) -> String {
    let id = id_text(text);
    if !id.is_empty() && id.chars().all(char::is_numeric) {
        format!("T{id}")
    } else {
        id
    }
}

/// What an id has to be for the plan.
pub(super) fn rule(id: &str) -> Result<(), Trouble> {
    if id.chars().count() > 32 {
        let reason = format!("`{id}` is longer than the 32 characters of an id");
        return Err((reason, "give it a short name".to_owned()));
    }
    Ok(())
}

/// One id for each place.
pub(super) fn match_up(
    text: &str,
    places: Vec<Place>,
    row: usize,
) -> Result<(Vec<String>, Vec<Place>), Trouble> {
    let mismatch = |ids: usize| {
        (
            format!(
                "it names {ids} turnouts and {} addresses or outputs",
                places.len()
            ),
            "give each turnout one, or a row of its own".to_owned(),
        )
    };
    if let Some(ids) = spread(text, false) {
        return match places.as_slice() {
            [one] => {
                let next = (0..ids.len()).map(|step| one.step(step)).collect();
                Ok((ids, next))
            }
            several if several.len() == ids.len() => Ok((ids, places)),
            _ => Err(mismatch(ids.len())),
        };
    }
    if let Some(ids) = spread(text, true)
        && ids.len() == places.len()
    {
        return Ok((ids, places));
    }
    let base = match (named(text), places.first()) {
        (base, _) if !base.is_empty() => base,
        (
            _,
            Some(Place {
                address: Some(address),
                ..
            }),
        ) if places.len() == 1 => format!("T{address}"),
        _ => format!("row-{row}"),
    };
    if places.len() == 1 {
        return Ok((vec![base], places));
    }
    let numbered = base.ends_with(|c: char| c.is_ascii_digit());
    let ids = (1..=places.len()).map(|number| {
        if numbered {
            format!("{base}-{number}")
        } else {
            format!("{base}{number}")
        }
    });
    Ok((ids.collect(), places))
}
