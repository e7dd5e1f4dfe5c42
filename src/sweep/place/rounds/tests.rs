use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;

/// What one command does to one turnout.
#[derive(Debug, Clone, Copy)]
enum Fault {
    /// It moves to one side only.
    OneWay {
        turnout: usize,
        far: bool,
    },
    Still(usize),
    Reversed(usize),
    Exchanged(usize, usize),
    /// The second moves the first as well, to the same side or the other.
    Along {
        taken: usize,
        by: usize,
        inverse: bool,
    },
}

/// Turnouts, and whether each lies far.
struct Layout {
    far: Vec<bool>,
    fault: Fault,
}

impl Layout {
    fn command(&mut self, turnout: usize, far: bool) {
        match self.fault {
            Fault::Still(dead) if dead == turnout => {}
            Fault::OneWay {
                turnout: bad,
                far: to,
            } if bad == turnout && to != far => {}
            Fault::Reversed(bad) if bad == turnout => self.far[turnout] = !far,
            Fault::Exchanged(one, other) if one == turnout => self.far[other] = far,
            Fault::Exchanged(one, other) if other == turnout => self.far[one] = far,
            Fault::Along { taken, by, inverse } => {
                self.far[turnout] = far;
                if by == turnout {
                    self.far[taken] = far != inverse;
                }
            }
            Fault::Still(_) | Fault::OneWay { .. } | Fault::Reversed(_) | Fault::Exchanged(..) => {
                self.far[turnout] = far;
            }
        }
    }
}

/// The rounds of that many, worked out once.
struct Worked {
    rounds: Rounds,
    /// For each round, who is thrown, and whether far, in order.
    throws: Vec<Vec<(usize, bool)>>,
}

impl Worked {
    fn new(count: usize) -> Self {
        let units: Vec<_> = (0..count).collect();
        let rounds = Rounds::new(&units);
        let throws = (1..=rounds.count()).map(|round| {
            let order = rounds.order(round).into_iter();
            order.map(|at| (at, rounds.is_far(at, round))).collect()
        });
        let throws = throws.collect();
        Self { rounds, throws }
    }
}

/// In which rounds each turnout is seen to lie otherwise than it was sent.
fn differ(worked: &Worked, start: Vec<bool>, fault: Fault) -> Vec<Vec<bool>> {
    let mut layout = Layout { far: start, fault };
    for turnout in 0..layout.far.len() {
        layout.command(turnout, false);
    }
    let mut looks = Vec::new();
    for throws in &worked.throws {
        let mut differs = vec![false; layout.far.len()];
        for (turnout, far) in throws {
            layout.command(*turnout, *far);
        }
        for (turnout, far) in throws {
            differs[*turnout] = layout.far[*turnout] != *far;
        }
        looks.push(differs);
    }
    looks
}

/// Which are swept again alone, as [`super::super`] has it. A turnout that others move along is
/// proved when it is swept alone.
fn again(worked: &Worked, start: Vec<bool>, fault: Fault) -> BTreeSet<usize> {
    let count = start.len();
    let looks = differ(worked, start, fault);
    let ever = |turnout: &usize| looks.iter().any(|look: &Vec<bool>| look[*turnout]);
    let differing: BTreeSet<_> = (0..count).filter(ever).collect();
    let alone = |turnout: &usize| {
        let own: Vec<_> = looks.iter().map(|look| look[*turnout]).collect();
        let proved_alone = matches!(fault, Fault::Along { taken, .. } if taken == *turnout);
        !super::super::is_its_own(&worked.rounds, *turnout, &own) || proved_alone
    };
    if differing.iter().any(alone) {
        (0..count).collect()
    } else {
        differing
    }
}

/// Those that a sweep one by one finds not proved.
fn guilty(fault: Fault) -> Vec<usize> {
    match fault {
        Fault::OneWay { turnout, .. } | Fault::Still(turnout) | Fault::Reversed(turnout) => {
            vec![turnout]
        }
        Fault::Exchanged(one, other) => vec![one, other],
        Fault::Along { by, .. } => vec![by],
    }
}

fn faults(one: usize, other: usize) -> Vec<Fault> {
    let mut faults = vec![
        Fault::OneWay {
            turnout: one,
            far: true,
        },
        Fault::OneWay {
            turnout: one,
            far: false,
        },
        Fault::Still(one),
        Fault::Reversed(one),
    ];
    if one != other {
        faults.push(Fault::Exchanged(one, other));
        for inverse in [false, true] {
            faults.push(Fault::Along {
                taken: one,
                by: other,
                inverse,
            });
        }
    }
    faults
}

/// Every fault of every pair of up to 40, from a few positions to begin with.
#[test]
fn every_single_fault_is_seen_and_its_cause_swept_again() {
    for count in 2..=40 {
        let worked = Worked::new(count);
        for one in 0..count {
            for other in 0..count {
                for fault in faults(one, other) {
                    let starts = [vec![false; count], vec![true; count]];
                    for start in starts {
                        let again = again(&worked, start, fault);
                        let missed = guilty(fault).into_iter().find(|at| !again.contains(at));
                        assert_eq!(missed, None, "{fault:?} among {count} goes unseen");
                    }
                }
            }
        }
    }
}

proptest! {
    #[test]
    fn it_does_not_matter_how_they_lie_to_begin_with(
        start in proptest::collection::vec(any::<bool>(), 2..=40),
        one in any::<prop::sample::Index>(),
        other in any::<prop::sample::Index>(),
    ) {
        let count = start.len();
        let worked = Worked::new(count);
        for fault in faults(one.index(count), other.index(count)) {
            let again = again(&worked, start.clone(), fault);
            for at in guilty(fault) {
                prop_assert!(again.contains(&at), "{fault:?} among {count} goes unseen");
            }
        }
    }
}

#[test]
fn nothing_differs_where_nothing_is_wrong() {
    for count in 2..=40 {
        // A turnout beyond the last one is dead, and nobody looks at it.
        let worked = Worked::new(count);
        let looks = differ(&worked, vec![true; count], Fault::Still(count));
        assert!(looks.iter().flatten().all(|differs| !differs));
    }
}

#[test]
fn each_is_thrown_once_a_round_and_those_that_go_to_rest_first() {
    for count in 1..=40 {
        let units: Vec<_> = (0..count).collect();
        let rounds = Rounds::new(&units);
        for round in 1..=rounds.count() {
            let order = rounds.order(round);
            assert!(order.is_sorted_by_key(|at| rounds.is_far(*at, round)));
            assert_eq!(order.into_iter().collect::<BTreeSet<_>>().len(), count);
        }
    }
}

#[test]
fn there_are_as_few_rounds_as_there_can_be() {
    let counts = [1, 2, 3, 4, 10, 11, 35, 36, 126];
    let looks = counts.map(|count| Rounds::new(&(0..count).collect::<Vec<_>>()).count());
    assert_eq!(looks, [2, 4, 4, 6, 6, 8, 8, 10, 10]);
}

#[test]
fn codes_are_an_antichain() {
    for count in 1..=126 {
        let (_, codes) = codes(count);
        for (at, one) in codes.iter().enumerate() {
            assert_ne!(*one, 0);
            let apart = |(other_at, other): (usize, &u64)| at == other_at || one & !other != 0;
            assert!(codes.iter().enumerate().all(apart), "{count}");
        }
    }
}

#[test]
fn those_that_share_an_address_go_together() {
    let rounds = Rounds::new(&[0, 1, 0, 2]);
    for round in 1..=rounds.count() {
        assert_eq!(rounds.is_far(0, round), rounds.is_far(2, round));
    }
}
