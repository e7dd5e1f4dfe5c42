//! Signals are left at their most restrictive aspect, gates and lights at rest, whatever ends a run.

use std::collections::BTreeMap;

use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::packet::Packet;

use super::*;

const SIGNALS: &str = r#"
[layout]
name = "Bay"
[[signal]]
id = "P"
address = 1
kind = "pairs"
aspects = { stop = 0, proceed = 1, caution = 2 }
[[signal]]
id = "X"
address = 20
kind = "extended"
aspects = { clear = 0, halt = 7 }
restrictive = "halt"
[[accessory]]
id = "G"
address = 5
kind = "gates"
[[accessory]]
id = "L"
address = 6
kind = "lights"
rest = "on"
[[accessory]]
id = "U"
address = 7
kind = "uncoupler"
"#;

/// The last command to each thing, by keyed address: linear numbering adds three. Of a signal on
/// two pairs the last one counts.
fn shown(rig: &Rig) -> BTreeMap<&'static str, u8> {
    let mut shown = BTreeMap::new();
    for packet in rig.packets() {
        let packet = Packet::parse_hex(packet).unwrap();
        if let Ok(extended) = ExtendedAccessory::parse(&packet) {
            assert_eq!(extended.address.get(), 23);
            shown.insert("X", extended.data);
        } else if let Ok(basic) = BasicAccessory::parse(&packet)
            && basic.activate
        {
            let bit = basic.pair_bit.as_u8();
            match basic.address.get() {
                address @ (4 | 5) => {
                    let place = u8::try_from(address - 4).unwrap();
                    shown.insert("P", 2 * place + bit)
                }
                8 => shown.insert("G", bit),
                9 => shown.insert("L", bit),
                10 => shown.insert("U", bit),
                other => panic!("nothing is at {other}"),
            };
        }
    }
    shown
}

fn assert_safe(rig: &Rig, what: &str) {
    let rest = BTreeMap::from([("P", 0), ("X", 7), ("G", 0), ("L", 1), ("U", 1)]);
    for (id, value) in shown(rig) {
        assert_eq!(value, rest[id], "{what}: {id} is left elsewhere");
    }
    assert!(rig.active().is_empty(), "{what}: {:?}", rig.active());
}

fn in_trouble(at: usize, trouble: Trouble) -> (Shared, bool) {
    let rig = Shared::default();
    rig.borrow_mut().trouble = Some((at, trouble));
    let plan = plan(SIGNALS);
    let run = || sweep(&rig, &plan, Options::default(), false, healthy);
    let ended = catch_unwind(AssertUnwindSafe(run));
    (Rc::clone(&rig), ended.is_ok())
}

fn calls() -> usize {
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(SIGNALS), Options::default(), false, healthy).unwrap();
    assert_eq!((summary.proved, summary.throws), (5, 4 + 3 + 3 + 3 + 1));
    assert_safe(&rig.borrow(), "at its end");
    let rig = rig.borrow();
    rig.calls
}

#[test]
fn wherever_a_run_is_stopped_signals_are_left_safe() {
    // Panics that are wanted tell nothing.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let mut rigs = Vec::new();
    for trouble in [Trouble::Stop, Trouble::TerminalLost, Trouble::Panic] {
        for at in 1..=calls() {
            let (rig, _) = in_trouble(at, trouble);
            rigs.push((format!("{trouble:?} at call {at}"), rig));
        }
    }
    std::panic::set_hook(hook);
    let mut sent = 0;
    for (what, rig) in rigs {
        let rig = rig.borrow();
        assert_safe(&rig, &what);
        let told = rig.told();
        sent += told.iter().filter(|line| line.contains(" Rest ")).count();
    }
    assert!(sent > 30, "{sent} times there was something to do");
}

#[test]
fn nothing_more_is_sent_on_a_link_that_is_dead() {
    for at in 1..=calls() {
        let (rig, _) = in_trouble(at, Trouble::LinkFails);
        let rig = rig.borrow();
        assert!(rig.active().is_empty(), "call {at}");
        let told = rig.told();
        assert!(!told.iter().any(|line| line.contains(" Rest ")), "{told:?}");
    }
}

#[test]
fn releases_go_first_and_what_was_sent_is_told_before_the_end() {
    let rig = Shared::default();
    let plan = plan(SIGNALS);
    let summary = sweep(&rig, &plan, only(&["P", "X"]), false, |question| {
        if question.commanded.as_str() == "clear" {
            Answer::Stop
        } else if question.commanded.as_str() == "caution" {
            // Left out where it is: it is not left there.
            Answer::Skip
        } else {
            healthy(question)
        }
    });
    assert_eq!(summary.unwrap().throws, 3 + 2 + 2);
    let rig = rig.borrow();
    let packets = rig.packets();
    // derived: keyed 1 with R = 0, and its release; keyed 20, aspect 7.
    let last = &packets[packets.len() - 3..];
    assert_eq!(last, ["81 F8 79", "81 F0 71", "85 77 07 F5"]);
    let told = rig.told();
    let end: Vec<_> = told.iter().rev().take(4).rev().collect();
    assert_eq!(end[0], "6 P Rest stop");
    assert_eq!(end[1], "7 X Rest halt");
    assert!(end[2].contains("Operator"), "{told:?}");
    assert_safe(&rig, "stopped");
}

#[test]
fn a_single_aspect_is_left_as_the_operator_wants_it() {
    let rig = Shared::default();
    let plan = plan(SIGNALS);
    let mut link = rig::Wire(Rc::clone(&rig));
    let mut witness = rig::Eyes::new(&rig, healthy);
    let mut hub = Hub::new();
    let once = Once {
        plan: &plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop: rig::stop_for(&rig),
        subject: Subject::Signal(Id::new("X")),
        commanded: Id::new("clear"),
        reconnect: Duration::ZERO,
        repeat: None,
    };
    rig::block_on(once.run()).unwrap();
    assert_eq!(rig.borrow().packets(), ["85 77 00 F2"]);
}

#[test]
fn an_uncoupler_that_stays_up_is_partial_and_says_so() {
    let rig = Shared::default();
    let summary = sweep(&rig, &plan(SIGNALS), only(&["U"]), false, |_| {
        seen(Observed::Between)
    });
    assert_eq!(summary.unwrap().failed, 1);
    let rig = rig.borrow();
    let told = rig.told();
    assert!(
        told.iter().any(|line| line.starts_with("U partial")),
        "{told:?}"
    );
    let detail = rig.events.iter().find_map(|event| {
        if let EventKind::Verdict { detail, .. } = &event.kind {
            Some(detail.clone())
        } else {
            None
        }
    });
    assert_eq!(
        detail.unwrap(),
        "it stays up: its output is not switched off"
    );
}
