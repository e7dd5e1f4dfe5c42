//! What happens to the link and the run, in a line each: the same for everything done step by step.

use crate::event::EventKind;

/// The line; `again` is what happens once a lost link is back. `None` of what is no such event.
pub(super) fn of_link(kind: &EventKind, again: &str) -> Option<String> {
    Some(match kind {
        EventKind::LinkFailed { reason } => format!("link  {reason}"),
        EventKind::LinkLost { reason, patience_s } => {
            format!("link  lost: {reason}; waiting {patience_s} s for it")
        }
        EventKind::LinkReturned {} => format!("link  back; everything is released{again}"),
        EventKind::Held { reason } => format!("held  {reason}"),
        EventKind::Resumed {} => "held  no more".to_owned(),
        EventKind::Stopped { .. } => "stopped; everything is released".to_owned(),
        EventKind::RunStarted { .. }
        | EventKind::ThrowSent { .. }
        | EventKind::Observation { .. }
        | EventKind::LaidByHand { .. }
        | EventKind::Withdrawn { .. }
        | EventKind::Noted { .. }
        | EventKind::Surveyed { .. }
        | EventKind::Looked { .. }
        | EventKind::Accepted { .. }
        | EventKind::SweptAgain { .. }
        | EventKind::GroupThrown { .. }
        | EventKind::GapFound { .. }
        | EventKind::Verdict { .. }
        | EventKind::Unanswered { .. }
        | EventKind::Teach(_)
        | EventKind::Hunt(_)
        | EventKind::Diagnosis(_)
        | EventKind::Summary { .. } => return None,
    })
}
