//! Saying once more what earlier parts of a run came to.

use std::collections::{BTreeMap, BTreeSet};

use super::{Mark, SoFar, Taken};
use crate::event::{EventKind, Subject};

impl SoFar {
    /// The events that say all this again, marked as carried: what was seen in its order, each
    /// verdict after the last that was seen of what it is on, then those that no answer that can
    /// be taken back led to.
    pub(in crate::sweep) fn carried(&self) -> Vec<EventKind> {
        let mut last = BTreeMap::new();
        let mut answers = BTreeSet::new();
        for (at, taken) in self.history.iter().enumerate() {
            for (subject, throw) in self.seen_with(taken) {
                last.insert(subject.clone(), at);
                answers.insert((subject, throw));
            }
        }
        let mut events = Vec::new();
        for (at, taken) in self.history.iter().enumerate() {
            if let Taken::Round { place, round } = taken {
                events.extend(self.carried_round(place, *round));
            }
            let seen = self.seen_with(taken);
            for (subject, throw) in &seen {
                events.extend(self.carried_observation(subject, *throw));
            }
            for (subject, _) in seen {
                if last.get(&subject) == Some(&at) {
                    events.extend(self.carried_end(&subject, &answers));
                }
            }
        }
        for subject in self.verdicts.keys() {
            if !last.contains_key(subject) {
                events.extend(self.carried_end(subject, &answers));
            }
        }
        events
    }

    /// The verdict, and before it what was seen with looks at the place that nobody goes on with:
    /// that can't be taken back any more, but the verdict rests on it.
    fn carried_end(&self, subject: &Subject, answers: &BTreeSet<(Subject, u64)>) -> Vec<EventKind> {
        let Some(verdict) = self.carried_verdict(subject) else {
            return Vec::new();
        };
        let throws = self.throws_of(subject).into_iter();
        let left = throws.filter(|throw| !answers.contains(&(subject.clone(), *throw)));
        left.filter_map(|throw| self.carried_observation(subject, throw))
            .chain([verdict])
            .collect()
    }

    /// What was seen with one answer.
    fn seen_with(&self, taken: &Taken) -> Vec<(Subject, u64)> {
        match taken {
            Taken::Seen(subject, throw) => vec![(subject.clone(), *throw)],
            Taken::Skip(..) => Vec::new(),
            Taken::Round { place, round } => {
                let round = round
                    .checked_sub(1)
                    .and_then(|at| self.rounds(place).get(at));
                let sent = round.map_or(&[][..], |round| &round.sent);
                sent.iter()
                    .map(|(subject, sent)| (subject.clone(), sent.throw))
                    .collect()
            }
        }
    }

    fn carried_round(&self, place: &str, round: usize) -> Option<EventKind> {
        let kept = self.rounds(place).get(round.checked_sub(1)?)?;
        Some(EventKind::Surveyed {
            place: place.to_owned(),
            round: u32::try_from(round).ok()?,
            rounds: kept.rounds,
            members: kept.members.clone(),
            differ: kept.differ.clone(),
            carried: true,
        })
    }

    fn carried_observation(&self, subject: &Subject, throw: u64) -> Option<EventKind> {
        self.trail(subject).iter().find_map(|mark| match mark {
            Mark::Seen(sent, seen) if sent.throw == throw => Some(EventKind::Observation {
                subject: subject.clone(),
                throw,
                step: sent.step,
                commanded: sent.commanded.clone(),
                seen: seen.clone(),
                carried: true,
            }),
            Mark::Seen(..) | Mark::Laid(_) => None,
        })
    }

    fn carried_verdict(&self, subject: &Subject) -> Option<EventKind> {
        let given = self.verdicts.get(subject)?;
        Some(EventKind::Verdict {
            subject: subject.clone(),
            verdict: given.verdict,
            place: given.place.clone(),
            address: given.address,
            detail: given.detail.clone(),
            carried: true,
        })
    }

    /// Those that were begun and have no verdict.
    pub(in crate::sweep) fn begun(&self) -> Vec<Subject> {
        let trails = self.trails.iter();
        let begun = trails
            .filter(|(subject, trail)| !trail.is_empty() && !self.verdicts.contains_key(*subject));
        begun.map(|(subject, _)| subject.clone()).collect()
    }
}
