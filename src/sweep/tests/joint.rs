//! Turnouts with several drives: what is sent to them, and that it never leads into a forbidden
//! combination, whatever they are like and whatever goes wrong.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use proptest::prelude::*;
use throwproof_protocol::address::Position;
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use super::rig::{Rig, Shared, Trouble, healthy, plan, seen, sweep};
use super::*;
use crate::plan::Joint;

const THREE_WAY: &str = r#"
[layout]
name = "Bench"

[[turnout]]
id = "T1"
shape = "three-way"
addresses = [1, 2]
"#;

#[test]
fn drives_are_thrown_one_after_another_in_the_order_that_is_right_from_everywhere() {
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(THREE_WAY), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.throws), (1, 4));
    // clause: S-9.2.1 (January 2025), table, second-hand: keyed 1 is 81 F., keyed 2 is 81 FA and on;
    // the last bit is R, 1 straight. Held for 200 ms where no decoder is known; a second drive
    // waits until the first has settled, 300 ms, and its supply has recovered, 1 s after its start.
    let activations: Vec<_> = rig
        .borrow()
        .sent
        .iter()
        .filter(|(_, packet)| {
            let packet = Packet::parse_hex(packet).unwrap();
            BasicAccessory::parse(&packet).unwrap().activate
        })
        .map(|(at, packet)| (*at, packet[..5].to_owned()))
        .collect();
    let expected = [
        (0, "81 F9"),
        (1000, "81 FB"),
        // To the left: the right blades go back first.
        (2000, "81 FB"),
        (3000, "81 F8"),
        // To the right: the left ones.
        (4000, "81 F9"),
        (5000, "81 FA"),
        (6000, "81 F9"),
        (7000, "81 FB"),
    ];
    let expected: Vec<_> = expected.map(|(at, packet)| (at, packet.to_owned())).into();
    assert_eq!(activations, expected);
    let told = rig.borrow().told();
    let throws: Vec<_> = told.iter().filter(|line| line.contains("T1 ")).collect();
    assert_eq!(
        throws,
        [
            "1 T1 Prime straight",
            "2 T1 Visit left",
            "3 T1 Visit right",
            "4 T1 Visit straight",
            "T1 proved",
        ]
    );
}

#[test]
fn the_ends_of_a_crossover_do_not_wait_for_each_other_to_settle() {
    let text = THREE_WAY.replace("three-way", "crossover").replace(
        "addresses = [1, 2]",
        "addresses = [1, 2]\ndrive = \"servo\"",
    );
    let rig = Shared::default();
    sweep(&rig, &plan(&text), Options::default(), false, healthy).unwrap();
    let second = rig.borrow().sent[2].0;
    assert!(second < 300, "{second} ms");
}

#[test]
fn what_is_not_proved_says_which_positions_are_exchanged() {
    let rig = Shared::default();
    let answer = |question: &Question<'_>| match question.commanded.as_str() {
        "left" => seen(Observed::Aspect(Id::new("right"))),
        "right" => seen(Observed::Aspect(Id::new("left"))),
        _ => seen(Observed::Straight),
    };
    sweep(&rig, &plan(THREE_WAY), Options::default(), true, answer).unwrap();
    let rig = rig.borrow();
    assert_eq!(rig.laid, [""; 0], "several drives are not laid by hand");
    let detail = rig.events.iter().find_map(|event| {
        if let EventKind::Verdict { detail, .. } = &event.kind {
            Some(detail.as_str())
        } else {
            None
        }
    });
    assert!(detail.unwrap().starts_with("left and right are exchanged"));
}

/// Where each of the drives of the only turnout lies after everything that was sent, from every
/// combination; fails where that came to a forbidden one.
fn played(rig: &Rig, joint: &Joint) -> BTreeSet<Vec<Position>> {
    let count = joint.drives.len();
    let starts = (0..1_usize << count).map(|bits| {
        let side = |drive| match bits >> drive & 1 {
            0 => Position::Straight,
            _ => Position::Diverging,
        };
        (0..count).map(side).collect::<Vec<_>>()
    });
    let ends = starts.map(|mut lies| {
        let mut was_allowed = joint.name_of(&lies).is_some();
        for packet in rig.packets() {
            let packet = Packet::parse_hex(packet).unwrap();
            let basic = BasicAccessory::parse(&packet).unwrap();
            if !basic.activate {
                continue;
            }
            let numbering = throwproof_protocol::address::Numbering::Linear;
            let at = joint
                .drives
                .iter()
                .position(|drive| drive.address.binary(numbering) == basic.address)
                .unwrap();
            lies[at] = joint.drives[at].position(basic.pair_bit);
            let is_allowed = joint.name_of(&lies).is_some();
            assert!(
                is_allowed || !was_allowed || joint.free_passage,
                "{joint:?} came to {lies:?}"
            );
            was_allowed |= is_allowed;
        }
        lies
    });
    ends.collect()
}

/// A turnout of so many drives, with those combinations as its positions.
fn text_of(drives: usize, allowed: u32, senses: u32, rest: usize) -> String {
    let mut positions = String::new();
    let mut names = Vec::new();
    for bits in (0..1_u32 << drives).filter(|bits| allowed >> bits & 1 == 1) {
        let lies = (0..drives).map(|drive| match bits >> drive & 1 {
            0 => "\"straight\"",
            _ => "\"diverging\"",
        });
        let lies = lies.collect::<Vec<_>>().join(", ");
        writeln!(positions, "p{bits:04b} = [{lies}]").unwrap();
        names.push(format!("p{bits:04b}"));
    }
    let addresses: Vec<_> = (1..=drives).map(|one| one.to_string()).collect();
    let senses: Vec<_> = (0..drives)
        .map(|drive| (senses >> drive & 1).to_string())
        .collect();
    let rest = names.get(rest % names.len().max(1));
    format!(
        "[layout]\nname = \"Bench\"\n[[turnout]]\nid = \"T1\"\nshape = \"three-way\"\n\
         addresses = [{}]\nstraight_outputs = [{}]\nrest = \"{}\"\n[turnout.positions]\n{positions}",
        addresses.join(", "),
        senses.join(", "),
        rest.map_or("", String::as_str),
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn whatever_it_is_like_no_sweep_leads_into_a_forbidden_combination(
        drives in 2_usize..=4,
        allowed in any::<u32>(),
        senses in any::<u32>(),
        rest in 0_usize..16,
        broken in proptest::option::of(1_usize..120),
        trouble in prop_oneof![Just(Trouble::Stop), Just(Trouble::LinkFails)],
    ) {
        let all = 1_u32 << drives;
        let allowed = allowed & u32::try_from((1_u64 << all) - 1).unwrap();
        // What can't be thrown one drive after another is no plan.
        let text = text_of(drives, allowed, senses, rest);
        let Ok(plan) = Plan::from_text("plan.toml", &text) else {
            return Ok(());
        };
        let joint = plan.turnouts[0].joint.clone().unwrap();
        let rig = Shared::default();
        rig.borrow_mut().trouble = broken.map(|at| (at, trouble));
        let ends_at = |question: &Question<'_>| {
            let wanted = joint.named(question.commanded.as_str()).unwrap();
            // Wherever it lay, it lies where it was sent.
            let ends = played(&rig.borrow(), &joint);
            assert_eq!(ends, BTreeSet::from([wanted.drives.clone()]));
            healthy(question)
        };
        let outcome = sweep(&rig, &plan, Options::default(), false, ends_at);
        let rig = rig.borrow();
        played(&rig, &joint);
        prop_assert_eq!(rig.active(), [""; 0]);
        if broken.is_none() {
            prop_assert_eq!(outcome.unwrap().proved, 1);
        }
    }
}
