//! Orders of throws against the rule itself: every order, from every combination.

use proptest::prelude::*;
use throwproof_protocol::address::Position;

use super::find;

const S: Position = Position::Straight;
const D: Position = Position::Diverging;

fn unpack(drives: usize, bits: usize) -> Vec<Position> {
    let side = |drive| if bits >> drive & 1 == 1 { D } else { S };
    (0..drives).map(side).collect()
}

/// One trial from one combination: how often it lay in a forbidden one after a throw, or `None`
/// if it came to one that it had left, or never lay in.
fn forbidden_on(way: &[(usize, Position)], start: usize, allowed: u32) -> Option<(usize, usize)> {
    let is_allowed = |bits: usize| allowed >> bits & 1 == 1;
    let (mut bits, mut count) = (start, 0);
    for (drive, position) in way {
        let was_allowed = is_allowed(bits);
        bits = match position {
            Position::Straight => bits & !(1 << drive),
            Position::Diverging => bits | 1 << drive,
        };
        if !is_allowed(bits) {
            if was_allowed {
                return None;
            }
            count += 1;
        }
    }
    Some((bits, count))
}

fn is_right(way: &[(usize, Position)], drives: usize, allowed: u32, goal: usize) -> bool {
    (0..1 << drives)
        .all(|start| forbidden_on(way, start, allowed).is_some_and(|(end, _)| end == goal))
}

/// The shortest right order by trying all of them, up to that length.
fn by_trying(drives: usize, allowed: u32, goal: usize, longest: usize) -> Option<usize> {
    let steps: Vec<_> = (0..drives)
        .flat_map(|drive| [(drive, S), (drive, D)])
        .collect();
    let mut ways = vec![Vec::new()];
    for length in 0..=longest {
        if ways.iter().any(|way| is_right(way, drives, allowed, goal)) {
            return Some(length);
        }
        // An order that went wrong stays wrong.
        ways = ways
            .iter()
            .flat_map(|way| steps.iter().map(|step| [&way[..], &[*step]].concat()))
            .filter(|way: &Vec<_>| {
                (0..1 << drives).all(|start| forbidden_on(way, start, allowed).is_some())
            })
            .collect();
    }
    None
}

fn ordered(drives: usize, allowed: u32, goal: usize) -> Option<Vec<(usize, Position)>> {
    let all: Vec<_> = (0..1 << drives)
        .filter(|bits| allowed >> bits & 1 == 1)
        .map(|bits| unpack(drives, bits))
        .collect();
    let all: Vec<_> = all.iter().map(Vec::as_slice).collect();
    find(&all, &unpack(drives, goal))
}

#[test]
fn the_other_blades_of_a_three_way_turnout_go_back_first() {
    // common practice, no source: return the other drive to normal before the wanted one.
    let (straight, left, right) = (0b00, 0b01, 0b10);
    let allowed = 1 << straight | 1 << left | 1 << right;
    assert_eq!(ordered(2, allowed, left).unwrap(), [(1, S), (0, D)]);
    assert_eq!(ordered(2, allowed, right).unwrap(), [(0, S), (1, D)]);
    assert_eq!(ordered(2, allowed, straight).unwrap(), [(0, S), (1, S)]);
}

#[test]
fn a_lapped_turnout_goes_by_the_drive_that_has_to_move_first() {
    // Only straight, half and over: the second drive never goes over before the first.
    let allowed = 1 << 0b00 | 1 << 0b01 | 1 << 0b11;
    assert_eq!(ordered(2, allowed, 0b11).unwrap(), [(0, D), (1, D)]);
    assert_eq!(ordered(2, allowed, 0b00).unwrap(), [(1, S), (0, S)]);
}

#[test]
fn where_no_order_is_right_from_everywhere_there_is_none() {
    assert_eq!(ordered(2, 1 << 0b00 | 1 << 0b11, 0b11), None);
    // A ring of six of eight: whichever drive is thrown first, one of them ends in a forbidden one.
    let ring = [0b000, 0b001, 0b011, 0b111, 0b110, 0b100];
    let allowed = ring.iter().map(|bits| 1 << bits).sum();
    assert_eq!(ordered(3, allowed, 0b000), None);
}

#[test]
fn every_turnout_of_two_drives_by_trying() {
    for allowed in 1..16_u32 {
        for goal in (0..4).filter(|goal| allowed >> goal & 1 == 1) {
            let way = ordered(2, allowed, goal);
            let length = way.as_ref().map(Vec::len);
            assert_eq!(
                length,
                by_trying(2, allowed, goal, 5),
                "{allowed:04b} {goal:02b}"
            );
            assert!(way.is_none_or(|way| is_right(&way, 2, allowed, goal)));
        }
    }
}

#[test]
fn every_turnout_of_three_drives_by_trying() {
    for allowed in 1..256_u32 {
        for goal in (0..8).filter(|goal| allowed >> goal & 1 == 1) {
            let way = ordered(3, allowed, goal);
            let length = way.as_ref().map(Vec::len);
            assert_eq!(
                length,
                by_trying(3, allowed, goal, 5),
                "{allowed:08b} {goal:03b}"
            );
            assert!(way.is_none_or(|way| is_right(&way, 3, allowed, goal)));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_throw_leads_into_a_forbidden_combination(
        drives in 2_usize..=4,
        allowed in 1_u32..,
        pick in any::<prop::sample::Index>(),
    ) {
        let all = 1_usize << drives;
        let allowed = allowed & u32::try_from((1_u64 << all) - 1).unwrap();
        prop_assume!(allowed != 0);
        let goals: Vec<_> = (0..all).filter(|goal| allowed >> goal & 1 == 1).collect();
        let goal = *pick.get(&goals);
        if let Some(way) = ordered(drives, allowed, goal) {
            prop_assert!(is_right(&way, drives, allowed, goal), "{:?}", way);
            prop_assert_eq!(Some(way.len()), by_trying(drives, allowed, goal, way.len()));
            // The same every time.
            prop_assert_eq!(Some(way), ordered(drives, allowed, goal));
        }
    }
}
