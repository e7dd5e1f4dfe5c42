//! Two causes at once: which pairs are worth building, when no cause alone explains what was
//! seen.
//!
//! There are a thousand pairs, each with some hundred draws. What each draw shows alone says
//! which pairs could explain it together: a part of an answer that is as a healthy layout shows
//! it needs two causes that both leave it so, any other needs one that makes it. Only the most
//! promising are built into a track and weighed as they deserve.

/// How much less likely it is that two causes are there than one: the same hands wired all of it.
/// A choice of ours.
pub(super) const TWO: f64 = 0.15;

/// How many pairs are built at the most, and how many draws of each.
const PAIRS: usize = 24;
const DRAWS: usize = 4;

/// What a part that a pair does not seem to explain costs it, nats.
const UNEXPLAINED: f64 = 4.0;

/// One draw of one cause, and which parts of what was learnt it shows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Single {
    /// Its index among all draws.
    pub(super) particle: usize,
    /// Its cause.
    pub(super) cause: usize,
    /// Log of how likely it was beforehand.
    pub(super) log_prior: f64,
    /// A bit for each part of an answer that it shows.
    pub(super) shows: u128,
}

/// A draw of two causes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Couple {
    /// Indices of the two draws.
    pub(super) particles: [usize; 2],
    /// The two causes.
    pub(super) causes: [usize; 2],
    /// Log of how likely it was beforehand, with all the draws that it stands for.
    pub(super) log_prior: f64,
}

/// The parts of all that was learnt, a bit for each.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// All of them.
    pub(super) all: u128,
    /// Those that are as a healthy layout shows them.
    pub(super) sound: u128,
}

impl Seen {
    /// Which parts two causes might show together.
    fn together(self, one: u128, other: u128) -> u128 {
        (one | other) & !self.sound | one & other & self.sound
    }
}

/// The pairs most worth building.
pub(super) fn promising(singles: &[Single], seen: Seen, causes: usize) -> Vec<Couple> {
    let mut by_cause: Vec<Vec<Single>> = vec![Vec::new(); causes];
    for single in singles {
        by_cause[single.cause].push(*single);
    }
    let mut pairs: Vec<(f64, Vec<(f64, Couple)>)> = Vec::new();
    for first in 0..causes {
        for second in first + 1..causes {
            let couples = couples(&by_cause[first], &by_cause[second], seen);
            if !couples.is_empty() {
                let sum: f64 = couples.iter().map(|(log, _)| log.exp()).sum();
                pairs.push((sum, couples));
            }
        }
    }
    pairs.sort_by(|one, other| other.0.total_cmp(&one.0));
    pairs.truncate(PAIRS);
    pairs
        .into_iter()
        .flat_map(|(sum, couples)| chosen(sum, couples))
        .collect()
}

/// Every draw of the one with every draw of the other that shows more than either alone, and
/// how much it promises.
fn couples(first: &[Single], second: &[Single], seen: Seen) -> Vec<(f64, Couple)> {
    let mut couples = Vec::new();
    for one in first {
        for other in second {
            let together = seen.together(one.shows, other.shows);
            let [own, its] = [one, other].map(|it| it.shows.count_ones());
            if together.count_ones() <= own.max(its) {
                continue;
            }
            let missing = f64::from((seen.all & !together).count_ones());
            let log_prior = one.log_prior + other.log_prior;
            couples.push((
                log_prior - UNEXPLAINED * missing,
                Couple {
                    particles: [one.particle, other.particle],
                    causes: [one.cause, other.cause],
                    log_prior,
                },
            ));
        }
    }
    couples
}

/// A few of them, spread evenly over what they promise, each with the weight of those it stands
/// for.
fn chosen(sum: f64, mut couples: Vec<(f64, Couple)>) -> Vec<Couple> {
    couples.sort_by(|one, other| other.0.total_cmp(&one.0));
    #[expect(clippy::cast_precision_loss, reason = "a handful")]
    let step = sum / DRAWS as f64;
    let mut next = step / 2.0;
    let mut passed = 0.0;
    let mut chosen: Vec<Couple> = Vec::new();
    for (log, couple) in couples {
        let own = log.exp();
        passed += own;
        let mut times = 0.0;
        while next <= passed {
            times += 1.0;
            next += step;
        }
        if times > 0.0 {
            // It is drawn as often as it promises, so what it promises is taken out again.
            let log_prior = couple.log_prior + f64::ln(times * step / own);
            chosen.push(Couple {
                log_prior,
                ..couple
            });
        }
    }
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;

    fn single(cause: usize, shows: u128) -> Single {
        Single {
            particle: cause,
            cause,
            log_prior: -3.0,
            shows,
        }
    }

    #[test]
    fn pairs_that_explain_what_neither_does_come_first() {
        // Parts 0 and 1 are wrong, 2 is sound.
        let seen = Seen {
            all: 0b111,
            sound: 0b100,
        };
        let singles = [
            single(0, 0b101),
            single(1, 0b110),
            single(2, 0b010),
            single(3, 0b100),
        ];
        let found = promising(&singles, seen, 4);
        assert_eq!(found[0].causes, [0, 1]);
        assert!(found.iter().all(|it| !it.causes.contains(&3)), "{found:?}");
        // What would spoil a sound part is none of two.
        assert!(found.iter().all(|it| !it.causes.contains(&2)), "{found:?}");
    }

    #[test]
    fn those_chosen_stand_for_all() {
        let seen = Seen {
            all: 0b11,
            sound: 0,
        };
        let mut singles = Vec::new();
        for particle in 0..8 {
            singles.push(Single {
                particle,
                cause: particle % 2,
                log_prior: f64::ln(0.25),
                shows: 1 << (particle % 2),
            });
        }
        let found = promising(&singles, seen, 2);
        assert!(found.len() <= DRAWS);
        let sum: f64 = found.iter().map(|it| it.log_prior.exp()).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    }
}
