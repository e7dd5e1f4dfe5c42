//! Answers that can be taken back, and taking them back.

use super::{Mark, Round, SoFar};
use crate::event::Subject;

/// An answer that can be taken back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Taken {
    Seen(Subject, u64),
    Round { place: String, round: usize },
    Skip(Vec<Subject>, u64),
}

impl SoFar {
    pub(super) fn withdraw(&mut self, subject: &Subject, throw: u64) {
        if let Some(trail) = self.trails.get_mut(subject) {
            let from = trail
                .iter()
                .position(|mark| matches!(mark, Mark::Seen(sent, _) if sent.throw >= throw));
            trail.truncate(from.unwrap_or(trail.len()));
        }
        self.verdicts.remove(subject);
        self.accepted.remove(subject);
        let Self {
            rounds,
            alone,
            history,
            ..
        } = self;
        for own in rounds.values_mut() {
            let gone = |round: &Round| {
                let is_member = round.members.iter().any(|id| id == subject.id());
                is_member && matches!(subject, Subject::Turnout(_)) && round.upto >= throw
            };
            while let Some(round) = own.pop_if(|round| gone(round)) {
                for id in round.members {
                    alone.remove(&Subject::Turnout(id));
                }
            }
        }
        history.retain(|taken| match taken {
            Taken::Seen(other, number) => other != subject || *number < throw,
            Taken::Round { place, round } => rounds.get(place).map_or(0, Vec::len) >= *round,
            Taken::Skip(subjects, _) => !subjects.contains(subject),
        });
    }

    pub(super) fn begin_anew(&mut self, subject: &Subject) {
        self.trails.remove(subject);
        self.verdicts.remove(subject);
        self.accepted.remove(subject);
        self.alone.insert(subject.clone());
        self.history
            .retain(|taken| !matches!(taken, Taken::Seen(other, _) if other == subject));
    }

    /// Remembers that one answer, to the question of that throw, skipped them all.
    pub(in crate::sweep) fn skipped(&mut self, subjects: Vec<Subject>, throw: u64) {
        self.history.push(Taken::Skip(subjects, throw));
    }

    /// What the last answer was about, if there is one: each with the number of its throw.
    pub(in crate::sweep) fn last_answer(&self) -> Option<Vec<(Subject, u64)>> {
        Some(match self.history.last()? {
            Taken::Seen(subject, throw) => vec![(subject.clone(), *throw)],
            Taken::Skip(subjects, throw) => {
                let each = subjects.iter().map(|subject| (subject.clone(), *throw));
                each.collect()
            }
            Taken::Round { place, .. } => {
                let round = self.rounds.get(place)?.last()?;
                let sent = round.sent.iter();
                sent.map(|(subject, sent)| (subject.clone(), sent.throw))
                    .collect()
            }
        })
    }
}
