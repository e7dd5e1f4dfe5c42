//! How far what a sweep saw of other turnouts speaks for a cause of the failing one.
//!
//! A cause says of each other turnout how it would fare. One that fares otherwise has a fault of
//! its own, which is seldom, or was noted wrong. Several that fail for one reason of their own,
//! as all of another decoder without power, are one such fault and not many: turnouts are taken
//! together by decoder, and decoders by supply. So several failing alike speak strongly for a
//! cause that makes them do so, and only as much as one against those that have nothing to do
//! with them.

use super::sight::{Motion, Other};

/// How likely another turnout has a fault of its own; a choice of ours.
pub(super) const FAULT_OF_ITS_OWN: f64 = 0.03;

/// How likely another decoder, or another supply, has one that its turnouts share; a choice of
/// ours.
const FAULT_OF_A_DECODER: f64 = 0.02;
const FAULT_OF_A_SUPPLY: f64 = 0.01;

/// How many of the turnouts that a shared fault reaches show it alike; a choice of ours.
const ALIKE: f64 = 0.8;

/// How likely it is that an unknown cause has to do with the failing turnout alone.
const UNKNOWN_IS_LOCAL: f64 = 0.6;

/// Another turnout, and what a sweep saw of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Beside {
    /// Its decoder, unless that is the failing turnout's.
    pub(super) decoder: Option<usize>,
    /// Its supply, unless that is the failing turnout's.
    pub(super) supply: Option<usize>,
    /// What was seen.
    pub(super) seen: (Motion, Other),
}

/// How likely a fault shows as that motion; common practice, no source: fault lists name first
/// what does not move at all.
fn usual(motion: Motion) -> f64 {
    match motion {
        Motion::AsSent => 0.04,
        Motion::Still => 0.33,
        Motion::Partly => 0.17,
        Motion::Opposite | Motion::Unsteady => 0.13,
        Motion::OnlyStraight | Motion::OnlyDiverging => 0.1,
    }
}

/// How likely something else moves as well, or instead.
fn beside(other: Other) -> f64 {
    match other {
        Other::Nothing => 0.85,
        Other::Neighbour | Other::FourAway | Other::Elsewhere => 0.05,
    }
}

/// Any answer by mistake.
#[expect(clippy::cast_precision_loss, reason = "a few dozen answers")]
fn by_mistake() -> f64 {
    1.0 / (Motion::ALL.len() * Other::ALL.len()) as f64
}

/// How likely what was seen of one is, of which a cause says that with likelihood `met`.
pub(super) fn of_one(one: &Beside, met: f64, error: f64) -> f64 {
    let (motion, other) = one.seen;
    let own = usual(motion) * beside(other);
    (1.0 - error - FAULT_OF_ITS_OWN) * met + FAULT_OF_ITS_OWN * own + error * by_mistake()
}

/// How likely it is that a fault which these share, and the failing turnout does not, shows so.
fn shared(all: &[Beside]) -> f64 {
    let failing = Motion::ALL.into_iter().filter(|it| it.is_wrong());
    let each = failing.map(|look| {
        let ones = all.iter().map(|one| {
            let (motion, other) = one.seen;
            let alike = f64::from(u8::from(motion == look)) * beside(other);
            ALIKE * alike + (1.0 - ALIKE) * by_mistake()
        });
        usual(look) * ones.product::<f64>()
    });
    each.sum()
}

/// How likely what was seen of all of them is, by its logarithm.
pub(super) fn of_all(all: &[Beside], met: &[f64], error: f64) -> f64 {
    let mut left: Vec<(Beside, f64)> = all
        .iter()
        .zip(met)
        .map(|(one, met)| (*one, of_one(one, *met, error)))
        .collect();
    let mut sum = 0.0;
    while let Some((first, _)) = left.first().copied() {
        let (group, rest): (Vec<_>, Vec<_>) = left.into_iter().partition(|(it, _)| {
            if first.supply.is_some() {
                it.supply == first.supply
            } else {
                it.supply.is_none() && it.decoder == first.decoder
            }
        });
        left = rest;
        sum += if first.supply.is_some() {
            of_supply(&group)
        } else {
            of_decoder(&group)
        };
    }
    sum
}

fn of_decoder(group: &[(Beside, f64)]) -> f64 {
    let apart: f64 = group.iter().map(|(_, likely)| likely.ln()).sum();
    let is_own = group.first().is_none_or(|(it, _)| it.decoder.is_none());
    let failing = group.iter().filter(|(it, _)| it.seen.0.is_wrong()).count();
    if is_own || failing < 2 {
        return apart;
    }
    let all: Vec<Beside> = group.iter().map(|(it, _)| *it).collect();
    either(apart, FAULT_OF_A_DECODER, shared(&all))
}

fn of_supply(group: &[(Beside, f64)]) -> f64 {
    let mut left = group.to_vec();
    let mut apart = 0.0;
    while let Some((first, _)) = left.first().copied() {
        let (decoder, rest): (Vec<_>, Vec<_>) = left
            .into_iter()
            .partition(|(it, _)| it.decoder == first.decoder);
        left = rest;
        apart += of_decoder(&decoder);
    }
    let failing = group.iter().filter(|(it, _)| it.seen.0.is_wrong()).count();
    if failing < 2 {
        return apart;
    }
    let all: Vec<Beside> = group.iter().map(|(it, _)| *it).collect();
    either(apart, FAULT_OF_A_SUPPLY, shared(&all))
}

fn either(apart: f64, rate: f64, shared: f64) -> f64 {
    ((1.0 - rate) * apart.exp() + rate * shared).ln()
}

/// How likely what was seen of all of them is where none of the known causes fits, by its
/// logarithm: the unknown one has to do with the failing turnout alone, or with all.
pub(super) fn of_none(all: &[Beside], error: f64) -> f64 {
    let met: Vec<f64> = all
        .iter()
        .map(|one| f64::from(u8::from(one.seen == (Motion::AsSent, Other::Nothing))))
        .collect();
    let local = of_all(all, &met, error).exp();
    (UNKNOWN_IS_LOCAL * local + (1.0 - UNKNOWN_IS_LOCAL) * shared(all)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    const ERROR: f64 = 0.04;

    fn beside(decoder: Option<usize>, supply: Option<usize>, motion: Motion) -> Beside {
        Beside {
            decoder,
            supply,
            seen: (motion, Other::Nothing),
        }
    }

    /// How much likelier a cause that explains them all is than one that lets them all work.
    fn against_local(all: &[Beside]) -> f64 {
        let count = all.len();
        of_all(all, &vec![1.0; count], ERROR) - of_all(all, &vec![0.0; count], ERROR)
    }

    #[test]
    fn each_more_that_fails_alike_speaks_for_a_common_cause() {
        let still = beside(None, None, Motion::Still);
        let mut before = 0.0;
        for count in 1..6 {
            let now = against_local(&vec![still; count]);
            assert!(now > before + 3.0, "{count}: {now}");
            before = now;
        }
    }

    #[test]
    fn another_decoder_that_fails_as_a_whole_is_one_fault() {
        let one = against_local(&[beside(Some(7), None, Motion::Still)]);
        let many = against_local(&vec![beside(Some(7), None, Motion::Still); 6]);
        assert!(many < 2.5 * one, "{one} {many}");
        let supply: Vec<Beside> = (0..6)
            .map(|decoder| beside(Some(decoder), Some(3), Motion::Still))
            .collect();
        assert!(against_local(&supply) < 3.0 * one);
        let apart: Vec<Beside> = (0..6)
            .map(|decoder| beside(Some(decoder), None, Motion::Still))
            .collect();
        assert!(against_local(&apart) > 5.0 * one);
    }

    #[test]
    fn failing_each_in_its_own_way_is_no_shared_fault() {
        let alike = shared(&[beside(None, None, Motion::Still); 4]);
        let mixed = [
            Motion::Still,
            Motion::Partly,
            Motion::Opposite,
            Motion::AsSent,
        ]
        .map(|motion| beside(None, None, motion));
        assert!(alike > 1_000.0 * shared(&mixed));
    }

    #[test]
    fn an_unknown_cause_is_not_denied_by_others_that_work() {
        let fine = vec![beside(None, None, Motion::AsSent); 12];
        let denied = of_none(&fine, ERROR) - of_all(&fine, &[1.0; 12], ERROR);
        assert!(denied > -1.0, "{denied}");
    }
}
