//! What is asked of whoever stands at a decoder: the answers that fit, and their words.

use throwproof_protocol::address::Position;

use super::AskedKind;
use crate::drawing::switches;
use crate::witness::bench::{Did, Job, Saw, Task, Watch};

impl AskedKind {
    /// Something to be done by hand.
    pub fn task(task: &Task) -> Self {
        let picture = match &task.job {
            Job::Switches { on } => Some(switches::svg(on)),
            Job::LearnOn
            | Job::LearnOff
            | Job::PowerOff
            | Job::PowerOn
            | Job::OntoProgrammingTrack
            | Job::BackToLayout => None,
        };
        let mut task = task.clone();
        // The place stands beside it.
        let in_full = format!("{} ({})", task.decoder, task.place);
        task.text = task.text.replace(&in_full, task.decoder.as_str());
        Self::Task { task, picture }
    }

    /// What did an output do?
    pub fn watch(watch: &Watch) -> Self {
        Self::Watch {
            watch: watch.clone(),
        }
    }
}

/// Whether that can have been seen of it.
pub(super) fn can_be_seen(watch: &Watch, saw: Saw) -> bool {
    match saw {
        // Where it need not go off, that is not asked.
        Saw::Acted { stays_on, .. } => watch.output.is_some() && (watch.goes_off || !stays_on),
        Saw::OtherOutput(number) => {
            (1..=watch.outputs).contains(&number) && watch.output != Some(number)
        }
        Saw::Elsewhere | Saw::Nothing | Saw::Repeat | Saw::CannotSee | Saw::Stop => true,
    }
}

pub(super) const fn did_code(did: Did) -> &'static str {
    match did {
        Did::Done => "done",
        Did::Cannot => "cannot",
        Did::Stop => "stop-here",
    }
}

/// `straight`, `straight-stays-on`, `output 4`, `nothing`.
pub(super) fn saw_code(saw: Saw) -> String {
    let word = match saw {
        Saw::Acted { position, stays_on } => match (position, stays_on) {
            (Position::Straight, false) => "straight",
            (Position::Diverging, false) => "diverging",
            (Position::Straight, true) => "straight-stays-on",
            (Position::Diverging, true) => "diverging-stays-on",
        },
        Saw::OtherOutput(number) => return format!("output {number}"),
        Saw::Elsewhere => "elsewhere",
        Saw::Nothing => "nothing",
        Saw::Repeat => "send-again",
        Saw::CannotSee => "cannot-see",
        Saw::Stop => "stop-here",
    };
    word.to_owned()
}
