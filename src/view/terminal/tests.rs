use anstream::adapter::strip_str;

use super::*;
use crate::event::{Step, StopReason};
use crate::plan::Look;
use crate::verdict::Verdict;
use crate::witness::{Found, Note, Observed, Seen};

/// What a run with these events shows: the table, and the progress line.
fn shown(events: Vec<EventKind>) -> (String, String) {
    let (mut out, mut progress) = (Vec::new(), Vec::new());
    let mut terminal = Terminal::new(&mut out, Some(&mut progress));
    for (seq, kind) in (0..).zip(events) {
        terminal
            .take(&Event {
                kind,
                seq,
                at_us: 0,
            })
            .unwrap();
    }
    let out = String::from_utf8(out).unwrap();
    (
        strip_str(&out).to_string(),
        String::from_utf8(progress).unwrap(),
    )
}

fn started(witness: &str) -> EventKind {
    EventKind::RunStarted {
        format: 1,
        version: "0".to_owned(),
        layout: "Kestrel Bay".to_owned(),
        plan: "plan.toml".to_owned(),
        link: "simulated track".to_owned(),
        witness: witness.to_owned(),
        seed: None,
        turnouts: 3,
        signals: 1,
        cycles: 1,
        tester: String::new(),
        fingerprint: String::new(),
        continues: None,
    }
}

fn turnout(id: &str) -> Subject {
    Subject::Turnout(Id::new(id))
}

fn throw(id: &str, commanded: &str, step: Step, observed: Observed) -> Vec<EventKind> {
    let (subject, commanded) = (turnout(id), Id::new(commanded));
    let seen = Seen {
        observed,
        others: Vec::new(),
    };
    vec![
        EventKind::ThrowSent {
            subject: subject.clone(),
            throw: 1,
            step,
            commanded: commanded.clone(),
            address: 1,
            packet: String::new(),
            further: Vec::new(),
        },
        EventKind::Observation {
            subject,
            throw: 1,
            step,
            commanded,
            seen,
            carried: false,
        },
    ]
}

fn verdict(id: &str, place: &str, address: u16, verdict: Verdict, detail: &str) -> EventKind {
    EventKind::Verdict {
        subject: turnout(id),
        verdict,
        place: place.to_owned(),
        address,
        detail: detail.to_owned(),
        carried: false,
    }
}

fn a_run(witness: &str) -> Vec<EventKind> {
    let mut events = vec![started(witness)];
    events.extend(throw("Q1", "straight", Step::Prime, Observed::NoMovement));
    events.extend(throw("Q1", "diverging", Step::Visit, Observed::Diverging));
    events.extend(throw("Q1", "straight", Step::Visit, Observed::Straight));
    events.push(verdict("Q1", "Quay throat", 9, Verdict::Proved, ""));
    events.extend(throw(
        "Brücke",
        "straight",
        Step::Prime,
        Observed::NoMovement,
    ));
    events.extend(throw(
        "Brücke",
        "diverging",
        Step::Visit,
        Observed::Straight,
    ));
    events.extend(throw(
        "Brücke",
        "straight",
        Step::Visit,
        Observed::Diverging,
    ));
    events.push(verdict("Brücke", "Quay throat", 110, Verdict::Reversed, ""));
    events.push(verdict(
        "F1",
        "",
        2041,
        Verdict::Skipped,
        "address 2041 is reserved",
    ));
    events.push(EventKind::Stopped {
        reason: StopReason::Operator,
    });
    events.push(EventKind::Summary {
        proved: 1,
        failed: 1,
        skipped: 1,
        unreached: 1,
        throws: 6,
        elapsed_us: 7_500_000,
        together_us: None,
        bound_us: None,
        accepted: None,
    });
    events
}

#[test]
fn the_table_tells_what_was_seen_and_repeats_what_to_mend() {
    let (table, _) = shown(a_run("track"));
    assert_eq!(
        table,
        "\
Kestrel Bay: 3 turnouts and 1 signal

Quay throat     Q1         9  proved    both ways
                Brücke   110  reversed  diverging → straight; straight → diverging
no place given  F1      2041  skipped   address 2041 is reserved

To mend
  Brücke   110  reversed  goes both ways, but each time the other way than sent (Quay throat)

1 proved, 1 not proved, 1 skipped, 1 not reached. 6 throws on the simulated track in 7.5 s.
Stopped by the operator; every output is released.
"
    );
}

#[test]
fn the_progress_line_counts_and_is_wiped_at_the_end() {
    let (_, progress) = shown(a_run("track"));
    let lines: Vec<_> = progress.split('\r').map(str::trim_end).collect();
    assert!(lines.contains(&"1 of 4: Q1 to diverging"), "{lines:?}");
    assert!(lines.contains(&"2 of 4: Brücke to straight"), "{lines:?}");
    assert!(progress.ends_with('\r'), "{progress:?}");
    assert!(!progress.contains('\n'));
}

#[test]
fn an_operator_who_is_asked_needs_no_progress_line() {
    assert_eq!(shown(a_run("ask")).1, "");
}

#[test]
fn a_table_without_colour_says_the_same() {
    let mut out = Vec::new();
    let mut terminal = Terminal::new(&mut out, None::<Vec<u8>>);
    for (seq, kind) in (0..).zip(a_run("track")) {
        terminal
            .take(&Event {
                kind,
                seq,
                at_us: 0,
            })
            .unwrap();
    }
    let styled = String::from_utf8(out).unwrap();
    assert!(styled.contains('\u{1b}'));
    for word in ["proved", "reversed", "skipped", "not proved", "not reached"] {
        assert!(strip_str(&styled).to_string().contains(word), "{word}");
    }
}

#[test]
fn notes_and_closer_looks_are_told_at_the_end() {
    let looked = |id: &str, look: Look, found| EventKind::Looked {
        subject: turnout(id),
        look,
        found,
        carried: false,
    };
    let noted = |id: &str, text: &str, photo: &str| EventKind::Noted {
        subject: turnout(id),
        throw: 3,
        note: Note {
            text: text.to_owned(),
            photo: photo.to_owned(),
        },
    };
    let mut events = a_run("ask");
    let end = events.len() - 2;
    let told = [
        looked("Q1", Look::BladesTight, Found::Bad),
        looked("Q1", Look::BladesTight, Found::Good),
        EventKind::Accepted {
            subject: turnout("Q1"),
        },
        looked("F1", Look::WorstVehicle, Found::Bad),
        noted("Brücke", "binds\u{1b}[2J", "a.jpg"),
        noted("Q1", "", "b.jpg"),
    ];
    events.splice(end..end, told);
    let (table, _) = shown(events);
    let expected = "
Looked at closer
  F1: worst-vehicle not good
  Q1: accepted; blades-tight good

Notes
  Brücke: binds [2J (photo a.jpg)
  Q1: photo b.jpg
";
    assert!(table.contains(expected), "{table}");
    let (table, _) = shown(a_run("ask"));
    assert!(
        !table.contains("Notes") && !table.contains("Looked"),
        "{table}"
    );
}
