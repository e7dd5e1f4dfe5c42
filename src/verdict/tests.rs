use proptest::prelude::*;

use super::*;

/// `v straight diverging`: step, commanded, observed; `+Q9` after it: Q9 moved too.
fn evidence(lines: &[&str]) -> Vec<Evidence> {
    lines
        .iter()
        .map(|line| {
            let words: Vec<_> = line.split(' ').collect();
            let step = match words[0] {
                "p" => Step::Prime,
                "v" => Step::Visit,
                "h" => Step::AfterHand,
                "r" => Step::Rest,
                other => panic!("no step {other}"),
            };
            let observed = match words[2] {
                "straight" => Observed::Straight,
                "diverging" => Observed::Diverging,
                "nothing" => Observed::NoMovement,
                "between" => Observed::Between,
                "another" => Observed::Another,
                aspect => Observed::Aspect(Id::new(aspect)),
            };
            let others = words[3..]
                .iter()
                .map(|id| Id::new(id.trim_start_matches('+')))
                .collect();
            let seen = Seen { observed, others };
            Evidence {
                step,
                commanded: Id::new(words[1]),
                seen,
            }
        })
        .collect()
}

fn verdict(lines: &[&str]) -> Option<Verdict> {
    judge(&evidence(lines))
}

#[test]
fn both_ways_as_commanded_is_proved() {
    let visits = ["v diverging diverging", "v straight straight"];
    for prime in ["p straight straight", "p straight nothing"] {
        assert_eq!(
            verdict(&[&[prime], &visits[..]].concat()),
            Some(Verdict::Proved),
            "{prime}"
        );
    }
}

#[test]
fn a_bad_prime_throw_counts() {
    let visits = ["v diverging diverging", "v straight straight"];
    for prime in ["p straight diverging", "p straight between"] {
        assert_eq!(
            verdict(&[&[prime], &visits[..]].concat()),
            Some(Verdict::Partial),
            "{prime}"
        );
    }
    assert_eq!(
        verdict(&[&["p straight nothing +Q9"], &visits[..]].concat()),
        Some(Verdict::Stray)
    );
}

#[test]
fn both_ways_the_wrong_way_round_is_reversed() {
    let visits = ["v diverging straight", "v straight diverging"];
    for prime in ["p straight diverging", "p straight nothing"] {
        assert_eq!(
            verdict(&[&[prime], &visits[..]].concat()),
            Some(Verdict::Reversed),
            "{prime}"
        );
    }
    for prime in ["p straight straight", "p straight between"] {
        assert_eq!(
            verdict(&[&[prime], &visits[..]].concat()),
            Some(Verdict::Partial),
            "{prime}"
        );
    }
}

#[test]
fn nothing_ever_moved_is_still() {
    let throws = [
        "p straight nothing",
        "v diverging nothing",
        "v straight nothing",
    ];
    assert_eq!(verdict(&throws), Some(Verdict::Still));
    let hand = ["h straight nothing", "h diverging nothing"];
    assert_eq!(
        verdict(&[&throws[..], &hand].concat()),
        Some(Verdict::Still)
    );
}

#[test]
fn one_position_only_is_one_way() {
    // The diverging coil is open, and it lay diverging to begin with.
    let found_diverging = [
        "p straight straight",
        "v diverging nothing",
        "v straight nothing",
    ];
    assert_eq!(verdict(&found_diverging), Some(Verdict::OneWay));
    // The same, but it lay straight: only laying it by hand shows it.
    let found_straight = [
        "p straight nothing",
        "v diverging nothing",
        "v straight nothing",
        "h straight straight",
    ];
    assert_eq!(verdict(&found_straight), Some(Verdict::OneWay));
    // The straight coil is open.
    let never_back = [
        "p straight nothing",
        "v diverging diverging",
        "v straight nothing",
    ];
    assert_eq!(verdict(&never_back), Some(Verdict::OneWay));
    // One coil open and the leads swapped.
    let swapped = [
        "p straight nothing",
        "v diverging straight",
        "v straight nothing",
    ];
    assert_eq!(verdict(&swapped), Some(Verdict::OneWay));
}

#[test]
fn sometimes_or_not_all_the_way_is_partial() {
    let missed = [
        "p straight nothing",
        "v diverging diverging",
        "v straight straight",
        "v diverging nothing",
        "v straight nothing",
    ];
    assert_eq!(verdict(&missed), Some(Verdict::Partial));
    let short = [
        "p straight nothing",
        "v diverging between",
        "v straight straight",
    ];
    assert_eq!(verdict(&short), Some(Verdict::Partial));
    let only_between = [
        "p straight nothing",
        "v diverging between",
        "v straight nothing",
    ];
    assert_eq!(verdict(&only_between), Some(Verdict::Partial));
}

#[test]
fn another_that_moved_is_stray_whatever_else() {
    let instead = [
        "p straight nothing",
        "v diverging another +Q2",
        "v straight another +Q2",
    ];
    assert_eq!(verdict(&instead), Some(Verdict::Stray));
    let unnamed = [
        "p straight nothing",
        "v diverging another",
        "v straight straight",
    ];
    assert_eq!(verdict(&unnamed), Some(Verdict::Stray));
    let as_well = [
        "p straight straight",
        "v diverging diverging +Q2",
        "v straight straight",
    ];
    assert_eq!(verdict(&as_well), Some(Verdict::Stray));
}

#[test]
fn no_visit_is_no_verdict() {
    assert_eq!(verdict(&[]), None);
    assert_eq!(verdict(&["p straight straight"]), None);
}

#[test]
fn signals_are_judged_alike() {
    let good = [
        "p stop nothing",
        "v caution caution",
        "v proceed proceed",
        "v stop stop",
    ];
    assert_eq!(verdict(&good), Some(Verdict::Proved));
    let turned_over = ["p stop nothing", "v proceed stop", "v stop proceed"];
    assert_eq!(verdict(&turned_over), Some(Verdict::Reversed));
    let in_a_ring = [
        "p stop nothing",
        "v caution proceed",
        "v proceed stop",
        "v stop caution",
    ];
    assert_eq!(verdict(&in_a_ring), Some(Verdict::Reversed));
    let two_alike = [
        "p stop nothing",
        "v caution proceed",
        "v proceed stop",
        "v stop proceed",
    ];
    assert_eq!(verdict(&two_alike), Some(Verdict::Partial));
    let dark = ["p stop nothing", "v proceed nothing", "v stop nothing"];
    assert_eq!(verdict(&dark), Some(Verdict::Still));
    let only_stop = ["p stop stop", "v proceed nothing", "v stop nothing"];
    assert_eq!(verdict(&only_stop), Some(Verdict::OneWay));
}

fn observed() -> impl Strategy<Value = Observed> {
    prop_oneof![
        Just(Observed::Straight),
        Just(Observed::Diverging),
        Just(Observed::NoMovement),
        Just(Observed::Between),
        Just(Observed::Another),
    ]
}

fn any_evidence() -> impl Strategy<Value = Vec<Evidence>> {
    let step = prop_oneof![
        Just(Step::Prime),
        Just(Step::Visit),
        Just(Step::AfterHand),
        Just(Step::Rest),
    ];
    let commanded = prop_oneof![Just(Id::new("straight")), Just(Id::new("diverging"))];
    let others = prop_oneof![9 => Just(Vec::new()), 1 => Just(vec![Id::new("Q9")])];
    let one =
        (step, commanded, observed(), others).prop_map(|(step, commanded, observed, others)| {
            Evidence {
                step,
                commanded,
                seen: Seen { observed, others },
            }
        });
    proptest::collection::vec(one, 0..9)
}

fn turned_over(evidence: &[Evidence]) -> Vec<Evidence> {
    let mut turned = evidence.to_vec();
    for one in &mut turned {
        one.seen.observed = match &one.seen.observed {
            Observed::Straight => Observed::Diverging,
            Observed::Diverging => Observed::Straight,
            same @ (Observed::NoMovement
            | Observed::Between
            | Observed::Another
            | Observed::Aspect(_)) => same.clone(),
        };
    }
    turned
}

proptest! {
    #[test]
    fn the_order_of_throws_does_not_matter(evidence in any_evidence().prop_shuffle()) {
        let mut sorted = evidence.clone();
        sorted.sort_by_key(|one| (one.commanded.clone(), one.moved(), one.arrived()));
        prop_assert_eq!(judge(&evidence), judge(&sorted));
    }

    #[test]
    fn swapping_the_leads_swaps_proved_and_reversed(evidence in any_evidence()) {
        let expected = judge(&evidence).map(|verdict| match verdict {
            Verdict::Proved => Verdict::Reversed,
            Verdict::Reversed => Verdict::Proved,
            same @ (Verdict::Still
            | Verdict::OneWay
            | Verdict::Partial
            | Verdict::Stray
            | Verdict::Skipped) => same,
        });
        prop_assert_eq!(judge(&turned_over(&evidence)), expected);
    }

    #[test]
    fn one_more_that_moved_makes_it_stray(
        evidence in any_evidence(), at in any::<prop::sample::Index>(),
    ) {
        prop_assume!(judge(&evidence).is_some());
        let mut evidence = evidence;
        let at = at.index(evidence.len());
        evidence[at].seen.others.push(Id::new("Q9"));
        prop_assert_eq!(judge(&evidence), Some(Verdict::Stray));
    }

    #[test]
    fn proved_needs_every_visit(evidence in any_evidence()) {
        if judge(&evidence) == Some(Verdict::Proved) {
            for one in evidence.iter().filter(|one| one.step == Step::Visit) {
                prop_assert!(one.arrived() && one.seen.others.is_empty());
            }
        }
    }

    #[test]
    fn still_is_said_only_when_nothing_moved(evidence in any_evidence()) {
        let nothing_moved = evidence.iter().all(|one| {
            one.seen == Seen { observed: Observed::NoMovement, others: Vec::new() }
        });
        let visited = evidence.iter().any(|one| one.step == Step::Visit);
        prop_assert_eq!(judge(&evidence) == Some(Verdict::Still), nothing_moved && visited);
    }

    #[test]
    fn skipped_is_never_a_verdict_of_evidence(evidence in any_evidence()) {
        prop_assert_ne!(judge(&evidence), Some(Verdict::Skipped));
    }
}
