//! What is asked at a decoder.

use throwproof_protocol::address::Position;

use super::*;
use crate::witness::bench::{Did, Job, Saw, Task, Watch};

fn bare(job: Job) -> Task {
    Task {
        decoder: Id::new("D1"),
        place: "under the quay".to_owned(),
        step: 3,
        steps: 14,
        job,
        text: "Put the learn lead of D1 on.".to_owned(),
        mind: "Nobody else sends anything now. Only one decoder learns.".to_owned(),
        if_stopped: vec![
            "Take the lead off first".to_owned(),
            "Go on with: throwproof teach plan.toml D1 --from 1".to_owned(),
        ],
    }
}

fn task(job: Job) -> AskedKind {
    AskedKind::task(&bare(job))
}

fn switches(on: &[bool]) -> AskedKind {
    task(Job::Switches { on: on.to_vec() })
}

fn pulse(output: Option<u8>) -> Watch {
    Watch {
        decoder: Id::new("D1"),
        place: "under the quay".to_owned(),
        step: 5,
        steps: 14,
        output,
        outputs: 4,
        wired: output.map(|number| Id::new(&format!("Q{number}"))),
        address: 11,
        sent: Position::Straight,
        goes_off: true,
    }
}

fn saw(watch: &Watch, pressed: &str) -> (Saw, String) {
    let (reply, shown) = asked(AskedKind::watch(watch), pressed);
    let Reply::Saw(saw) = reply else {
        panic!("{reply:?}")
    };
    (saw, shown)
}

const fn acted(position: Position, stays_on: bool) -> Saw {
    Saw::Acted { position, stays_on }
}

#[test]
fn a_task_is_done_or_not() {
    for (pressed, did) in [
        ("\n", Did::Done),
        ("x\n", Did::Done),
        ("k", Did::Cannot),
        ("qq", Did::Stop),
        ("qx\n", Did::Done),
    ] {
        let (reply, _) = asked(task(Job::LearnOn), pressed);
        assert_eq!(reply, Reply::Did(did), "{pressed}");
    }
    let (_, shown) = asked(task(Job::LearnOn), "\n");
    let rule = "-".repeat(80);
    assert_eq!(
        shown,
        format!(
            r"
{rule}
Step 3 of 14   D1, under the quay

Put the learn lead of D1 on.
Nobody else sends anything now. Only one decoder learns.

   enter done        k can't be done   q stop
> done
"
        )
    );
    let (_, shown) = asked(task(Job::LearnOn), "qq");
    let reminder = "stop here?\n  Take the lead off first.\n  Go on with: throwproof teach \
                    plan.toml D1 --from 1\n   q again: stop.";
    assert!(shown.contains(reminder), "{shown}");
    assert!(!shown.contains("--resume"), "{shown}");
}

#[test]
fn switches_are_told_and_drawn() {
    let (_, shown) = asked(switches(&[true, false, false, true]), "\n");
    let expected = "
Put the learn lead of D1 on.
Switches: 1 and 4 on, all others off.

          1   2   3   4
     on  [#] [ ] [ ] [#]
    off  [ ] [#] [#] [ ]

Which side of a switch is on, the board says.
Nobody else sends anything now.";
    assert!(shown.contains(expected), "{shown}");
    let told_already = AskedKind::task(&Task {
        text: "Set the switches of D1: 1 on, all others off".to_owned(),
        mind: String::new(),
        ..bare(Job::Switches {
            on: vec![true, false],
        })
    });
    let (_, shown) = asked(told_already, "\n");
    assert_eq!(shown.matches("all others off.").count(), 1, "{shown}");
    let reader = Manner {
        plain: true,
        ..Manner::default()
    };
    let (_, told) = asked_in(reader, switches(&[true, false, false, true]), "\n");
    let expected = "
Step 3 of 14.
Decoder D1, under the quay.
Put the learn lead of D1 on.
Switches: 1 and 4 on, all others off.
Which side of a switch is on, the board says.
Nobody else sends anything now.
Only one decoder learns.
Question mark: all of this again.
enter: done.
k: can't be done.
q: stop.
";
    assert_eq!(told, format!("{expected}> done\n"));
}

#[test]
fn one_key_says_what_an_output_did() {
    let watch = pulse(Some(3));
    for (pressed, seen) in [
        ("s", acted(Position::Straight, false)),
        ("d", acted(Position::Diverging, false)),
        ("is", acted(Position::Straight, true)),
        ("ixnd", acted(Position::Diverging, true)),
        ("o4", Saw::OtherOutput(4)),
        ("o321", Saw::OtherOutput(2)),
        ("n", Saw::Nothing),
        ("e", Saw::Elsewhere),
        ("r", Saw::Repeat),
        ("c", Saw::CannotSee),
        ("qq", Saw::Stop),
        ("i^o^n", Saw::Nothing),
    ] {
        assert_eq!(saw(&watch, pressed).0, seen, "{pressed}");
    }
    let (_, shown) = saw(&watch, "s");
    let expected = "
Step 5 of 14   D1, under the quay

Sent: straight to address 11, output 3 (Q3).
What did output 3 do?
   s straight, then off     d diverging, then off    i is still on
   n nothing                o another output         e something else moved
   r send again             c can't be seen          q stop
> straight, then off
";
    assert!(shown.contains(expected), "{shown}");
    let (_, shown) = saw(&watch, "o94");
    assert!(
        shown.contains("Which output acted?\n   1 output 1   2 output 2   4 output 4   esc back\n"),
        "{shown}"
    );
    assert!(
        shown.contains("`9` is none of the keys; they are 1 2 4 esc\n> output 4\n"),
        "{shown}"
    );
    let (_, shown) = saw(&watch, "is");
    assert!(
        shown.contains("its coil burns.\nWhich half of output 3 is on?\n   s straight   d diverging   esc back\n> "),
        "{shown}"
    );
}

#[test]
fn an_output_that_need_not_go_off_is_not_asked_for_that() {
    let mut watch = pulse(Some(3));
    watch.goes_off = false;
    watch.wired = None;
    let (seen, shown) = saw(&watch, "id");
    assert_eq!(seen, acted(Position::Diverging, false));
    assert!(shown.contains("`i` is none of the keys"), "{shown}");
    assert!(
        shown.contains("to address 11, output 3.\nWhat did output 3 do?\n   s straight came on"),
        "{shown}"
    );
}

#[test]
fn where_nothing_should_act_only_that_is_asked() {
    let watch = pulse(None);
    for (pressed, seen) in [
        ("n", Saw::Nothing),
        ("o3", Saw::OtherOutput(3)),
        ("e", Saw::Elsewhere),
        ("sdin", Saw::Nothing),
    ] {
        assert_eq!(saw(&watch, pressed).0, seen, "{pressed}");
    }
    let (_, shown) = saw(&watch, "n");
    assert!(
        shown.contains(
            "Sent: straight to address 11. Nothing of D1 should act.\nWhat acted?\n   n nothing"
        ),
        "{shown}"
    );
    assert!(shown.contains("o one of them acted"), "{shown}");
}

#[test]
fn the_only_other_output_needs_no_number_and_one_of_many_is_typed() {
    let mut watch = pulse(Some(2));
    watch.outputs = 2;
    assert_eq!(saw(&watch, "o").0, Saw::OtherOutput(1));
    watch.outputs = 16;
    let (seen, shown) = saw(&watch, "o17\n2\nx\n1<12\n");
    assert_eq!(seen, Saw::OtherOutput(12));
    assert!(
        shown.contains("D1 has outputs 1 to 16; type one of them."),
        "{shown}"
    );
    assert!(
        shown.contains("2 is the output that was sent; which other one acted?"),
        "{shown}"
    );
    assert_eq!(saw(&watch, "o1^s").0, acted(Position::Straight, false));
    watch.output = Some(1);
    watch.outputs = 1;
    let (seen, shown) = saw(&watch, "on");
    assert_eq!(seen, Saw::Nothing, "it has no other");
    assert!(shown.contains("`o` is none of the keys"), "{shown}");
}

#[test]
fn blind_hides_which_half_was_sent() {
    let blind = || Manner {
        blind: true,
        ..Manner::default()
    };
    let (_, shown) = asked_in(blind(), AskedKind::watch(&pulse(Some(3))), "d");
    let (before, after) = shown.split_once("> ").unwrap();
    assert!(
        before.contains(
            "Sent to address 11, output 3 (Q3). Which half is told when you have answered.\n"
        ),
        "{before}"
    );
    assert_eq!(
        before.matches("straight").count(),
        1,
        "only its key: {before}"
    );
    assert_eq!(after, "diverging, then off\nIt was sent straight.\n");
    let (_, again) = asked_in(blind(), AskedKind::watch(&pulse(Some(3))), "r");
    assert!(!again.contains("It was sent"), "{again}");
}

#[test]
fn keys_of_a_decoder_may_be_others() {
    let keys = KeyMap::with([
        ("stays-on", vec!["5"]),
        ("elsewhere", vec!["6"]),
        ("cannot-see", vec!["7"]),
        ("straight", vec!["pageup"]),
        ("confirm", vec!["pagedown", "enter"]),
    ])
    .unwrap();
    let given = |kind: AskedKind, pressed: &[Key]| {
        let manner = Manner {
            keys: keys.clone(),
            ..Manner::default()
        };
        Operator::new(manner).asked(kind, pressed).0.unwrap()
    };
    let watch = || AskedKind::watch(&pulse(Some(3)));
    let five = Key::Char('5');
    assert_eq!(
        given(watch(), &[five, Key::PageUp]),
        Reply::Saw(acted(Position::Straight, true))
    );
    assert_eq!(
        given(watch(), &[Key::Char('e'), Key::Char('6')]),
        Reply::Saw(Saw::Elsewhere)
    );
    assert_eq!(
        given(watch(), &[Key::Char('7')]),
        Reply::Saw(Saw::CannotSee)
    );
    assert_eq!(
        given(task(Job::PowerOn), &[Key::PageDown]),
        Reply::Did(Did::Done)
    );
    let (name, error) = KeyMap::with([("stays-on", vec!["c"])]).unwrap_err();
    assert_eq!(name, "stays-on");
    assert!(
        error
            .to_string()
            .contains("`c` is the key of `cannot-see` too")
    );
}

#[test]
fn where_to_look_is_said_and_heard_before_it_is_sent() {
    let manner = Manner {
        cue: Cue::new(true, None),
        ..Manner::default()
    };
    let mut operator = Operator::new(manner);
    operator.ask.look_out(&pulse(Some(3))).unwrap();
    operator.ask.look_out(&pulse(None)).unwrap();
    assert!(operator.ask.keys.raw, "what is typed now is no answer");
    let told = String::from_utf8(operator.ask.out.clone()).unwrap();
    assert_eq!(
        told,
        "\nLook at output 3 of D1, under the quay. It is sent now.\n\u{7}\
         \nLook at all of D1, under the quay. Nothing of it should act now.\n\u{7}"
    );
}

#[test]
fn what_is_spoken_of_a_step_is_short() {
    assert_eq!(
        spoken(&task(Job::LearnOn), false),
        "Step 3. Put the learn lead of D1 on."
    );
    let watch = AskedKind::watch(&pulse(Some(3)));
    assert_eq!(
        spoken(&watch, false),
        "straight to 11. What did output 3 do?"
    );
    assert_eq!(spoken(&watch, true), "11. What did output 3 do?");
    assert_eq!(
        spoken(&AskedKind::watch(&pulse(None)), false),
        "straight to 11. What acted?"
    );
}

#[test]
fn every_step_fits_a_screen_of_80_by_24() {
    let mut many = pulse(Some(200));
    many.outputs = u8::MAX;
    let kinds = [
        task(Job::OntoProgrammingTrack),
        switches(&[true; 16]),
        AskedKind::watch(&pulse(None)),
        AskedKind::watch(&many),
    ];
    for unicode in [false, true] {
        for kind in kinds.clone() {
            let manner = Manner {
                unicode,
                ..Manner::default()
            };
            let (_, shown) = Operator::new(manner).asked(kind, &[]);
            assert!(shown.lines().count() <= 24, "{shown}");
            assert!(shown.lines().all(|line| line.width() <= 80), "{shown}");
            assert_eq!(shown.is_ascii(), !unicode, "{shown}");
        }
    }
}
