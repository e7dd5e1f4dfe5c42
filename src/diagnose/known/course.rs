//! How several looks at a turnout go together.

use super::{Course, Look};
use crate::diagnose::sight::Motion;

/// A fault that came and went is taken to be over when it was not seen in so many runs. A choice
/// of ours.
const OVER_AFTER: usize = 3;

/// How the looks go together, oldest first.
pub(super) fn course(looks: &[Look]) -> Course {
    let wrong: Vec<bool> = looks.iter().map(|look| look.motion.is_wrong()).collect();
    // It failed, went as sent and failed again.
    let came_back = |wrong: &[bool]| {
        let first = wrong.iter().position(|is_wrong| *is_wrong);
        let after = first.and_then(|first| wrong.get(first..));
        let left = after.and_then(|after| after.iter().position(|is_wrong| !*is_wrong));
        let again = after.zip(left).and_then(|(after, left)| after.get(left..));
        again.is_some_and(|again| again.contains(&true))
    };
    let Some(last) = wrong.iter().rposition(|is_wrong| *is_wrong) else {
        return Course::Same;
    };
    let good_since = wrong.len() - 1 - last;
    let returned = came_back(&wrong);
    if good_since == 0 {
        if returned {
            return Course::ComesAndGoes;
        }
        if wrong.contains(&false) {
            return Course::Broke;
        }
        let alike = |look: &Look| Some(look.motion) == looks.last().map(|last| last.motion);
        return if looks.iter().all(alike) {
            Course::Same
        } else {
            Course::Otherwise
        };
    }
    // What fails on some throws only has not been mended because it went well for once.
    let by_itself = matches!(looks[last].motion, Motion::Partly | Motion::Unsteady);
    if (returned || by_itself) && good_since < OVER_AFTER {
        Course::ComesAndGoes
    } else {
        Course::Mended
    }
}
