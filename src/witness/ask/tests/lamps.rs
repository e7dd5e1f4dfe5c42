//! Signals with lamps, uncouplers, gates and lights at the terminal.

use super::*;

const PLAN: &str = include_str!("../../../../fixtures/signals/plan.toml");

fn question(id: &str, commanded: &str) -> AskedKind {
    let plan = Plan::from_text("plan.toml", PLAN).unwrap();
    AskedKind::throw(&Question {
        plan: &plan,
        throw: 7,
        step: Step::Visit,
        subject: &Subject::Signal(Id::new(id)),
        commanded: &Id::new(commanded),
        at: Duration::ZERO,
    })
}

/// The answer to that key, and what is shown.
fn asked(manner: Manner, id: &str, commanded: &str, key: char) -> (Reply, String) {
    let mut operator = Operator::new(manner);
    let (reply, shown) = operator.asked(question(id, commanded), &[Key::Char(key)]);
    (reply.unwrap(), shown)
}

fn seen(observed: Observed) -> Reply {
    let others = Vec::new();
    Reply::Answer(Answer::Seen(Seen { observed, others }))
}

#[test]
fn the_lamps_of_each_aspect_are_drawn() {
    let (reply, shown) = asked(Manner::default(), "BS2", "caution", '4');
    assert_eq!(reply, seen(Observed::Aspect(Id::new("caution"))));
    for row in [
        "      stop          slow          proceed       caution       dark\n",
        "      ( )           (#) green     (#) green     ( )           ( )\n",
        "      ( )           ( )           ( )           (#) yellow *  ( )\n",
        "      (#) red       ( )           ( )           ( )           ( )\n",
        "      ( )           (#) yellow    ( )           ( )           ( )\n",
        "      * flashes\n",
    ] {
        assert!(shown.contains(row), "{row}\n{shown}");
    }
    assert!(shown.contains("What do you see?"), "{shown}");
    let fits = shown.lines().all(|line| line.chars().count() <= 80);
    assert!(fits, "{shown}");
}

#[test]
fn a_screen_reader_is_told_the_lamps_in_words() {
    let manner = Manner {
        plain: true,
        ..Manner::default()
    };
    let (_, shown) = asked(manner, "BS2", "stop", '1');
    for words in [
        "Look at Bay throat, signal BS2, address 17.",
        "\nstop: red.\n",
        "\nslow: green and lower-yellow.\n",
        "\ncaution: upper-yellow flashing.\n",
        "\ndark: no lamp.\n",
    ] {
        assert!(shown.contains(words), "{words}\n{shown}");
    }
    assert!(!shown.contains("(#)"), "{shown}");
}

#[test]
fn an_uncoupler_rose_and_fell_or_stays_up() {
    let (reply, shown) = asked(Manner::default(), "U1", "raise", '1');
    assert_eq!(reply, seen(Observed::Aspect(Id::new("raise"))));
    for words in [
        "uncoupler, address 9",
        "What did it do?",
        "1 rose and fell",
        "n nothing moved",
        "b stays up",
    ] {
        assert!(shown.contains(words), "{words}\n{shown}");
    }
    assert!(!shown.contains("straight"), "{shown}");
    let (reply, _) = asked(Manner::default(), "U1", "raise", 'b');
    assert_eq!(reply, seen(Observed::Between));
}

#[test]
fn gates_can_be_between_and_lights_can_not() {
    let (reply, shown) = asked(Manner::default(), "G1", "closed", 'b');
    assert_eq!(reply, seen(Observed::Between));
    for words in [
        "crossing gates",
        "How are they?",
        "1 open",
        "2 closed",
        "b between",
    ] {
        assert!(shown.contains(words), "{words}\n{shown}");
    }
    let (_, shown) = asked(Manner::default(), "L1", "on", '2');
    for words in ["Are they on or off?", "1 off", "2 on", "n nothing changed"] {
        assert!(shown.contains(words), "{words}\n{shown}");
    }
    assert!(!shown.contains("between"), "{shown}");
}
