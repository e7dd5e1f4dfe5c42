//! A diagnosis, as phones see it.

use super::*;
use crate::event::Diagnosed;
use crate::event::diagnosis::{By, Came, Cause, Leading};
use crate::witness::diagnosis::{Part, Query, Stage, Told};

fn part(choices: usize) -> Part {
    Part {
        ask: "What did it do?".to_owned(),
        choices: (0..choices).map(|at| format!("choice {at}")).collect(),
    }
}

fn query(stage: Stage, parts: &[usize], repeats: bool) -> Query {
    Query {
        number: 3,
        stage,
        turnout: Id::new("Q1"),
        place: "Quay".to_owned(),
        test: "again".to_owned(),
        text: "Q1 was thrown.".to_owned(),
        mind: String::new(),
        amiss: String::new(),
        parts: parts.iter().copied().map(part).collect(),
        repeats,
    }
}

#[test]
fn one_choice_of_every_part_is_an_answer_and_nothing_else() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    let query = query(Stage::Showed, &[7, 4], false);
    let mut inquiring = pin!(desk.inquire(&query));
    assert!(poll(inquiring.as_mut()).is_pending());
    let asked = serde_json::to_value(seat.scene()).unwrap()["asked"].take();
    assert_eq!(
        (&asked["kind"], &asked["stage"]),
        (&"diagnosis".into(), &"showed".into())
    );
    assert_eq!(
        (&asked["number"], &asked["test_number"]),
        (&1.into(), &3.into())
    );
    for unfit in [vec![], vec![1], vec![7, 0], vec![0, 4], vec![0, 0, 0]] {
        let reply = Reply::Told(Told::Chosen(unfit));
        assert_eq!(seat.answer(1, reply, "phone"), Err(TurnedAway::DoesNotFit));
    }
    let again = Reply::Told(Told::Again);
    assert_eq!(
        seat.answer(1, again, "phone"),
        Err(TurnedAway::DoesNotFit),
        "nothing was thrown for it"
    );
    let chosen = Told::Chosen(vec![6, 3]);
    seat.answer(1, Reply::Told(chosen.clone()), "phone")
        .unwrap();
    assert!(matches!(poll(inquiring), Poll::Ready(Ok(told)) if told == chosen));
    assert_eq!(seat.scene().answered.unwrap().reply, "7 4");
}

fn take(desk: &Desk, kind: EventKind) -> serde_json::Value {
    let event = Event {
        seq: 0,
        at_us: 0,
        kind,
    };
    desk.follower().take(&event).unwrap();
    serde_json::to_value(desk.seat().scene()).unwrap()["progress"].take()
}

fn cause() -> Cause {
    Cause {
        cause: "leads-swapped".to_owned(),
        level: "output".to_owned(),
        share: 0.97,
        says: "Its two output leads are exchanged.".to_owned(),
        mend: "Exchange them.".to_owned(),
        caution: Some("unplug".to_owned()),
        prove: "Sweep it.".to_owned(),
        speaks_for: Vec::new(),
        speaks_against: Vec::new(),
    }
}

fn summary() -> EventKind {
    EventKind::Summary {
        proved: 1,
        failed: 1,
        skipped: 0,
        unreached: 0,
        throws: 9,
        elapsed_us: 9,
        together_us: None,
        bound_us: None,
        accepted: None,
    }
}

fn started(id: &Id) -> Diagnosed {
    Diagnosed::DiagnosisStarted {
        turnout: id.clone(),
        place: String::new(),
        known: Vec::new(),
        mended: Vec::new(),
        causes: 45,
        at_most: 14,
        notes: Vec::new(),
    }
}

/// It may take its time until it is told of: phones do not show the end meanwhile.
#[test]
fn a_sweep_after_which_something_is_found_out_goes_on() {
    for (choice, goes_on) in [(0, true), (1, true), (2, false)] {
        let mut desk = desk(&plan());
        let progress = take(&desk, summary());
        assert!(progress["ended"].is_object() && progress["goes_on"].is_null());
        let seat = desk.seat();
        let query = query(Stage::Which, &[3], false);
        let mut inquiring = pin!(desk.inquire(&query));
        assert!(poll(inquiring.as_mut()).is_pending());
        let chosen = Reply::Told(Told::Chosen(vec![choice]));
        seat.answer(1, chosen, "phone").unwrap();
        assert!(matches!(poll(inquiring), Poll::Ready(Ok(_))));
        assert_eq!(seat.scene().progress.goes_on, goes_on);
    }
}

fn tested(id: &Id) -> Diagnosed {
    Diagnosed::DiagnosisTest {
        turnout: id.clone(),
        number: 1,
        test: "again".to_owned(),
        action: "Q1 is thrown.".to_owned(),
        caution: None,
        by: By::Program,
        will_move: vec![id.clone()],
        beyond_plan: Vec::new(),
    }
}

#[test]
fn a_scene_tells_how_far_it_is_from_the_first_test_to_the_proof() {
    let desk = desk(&plan());
    let id = Id::new("Q1");
    let say = |diagnosed| take(&desk, EventKind::Diagnosis(diagnosed));
    assert!(take(&desk, summary())["ended"].is_object());
    let progress = say(started(&id));
    assert!(progress["ended"].is_null(), "what comes is not over");
    assert!(progress["goes_on"].is_null(), "nor is it after an end");
    say(tested(&id));
    let progress = say(Diagnosed::DiagnosisAnswer {
        turnout: id.clone(),
        number: 1,
        test: "again".to_owned(),
        answer: None,
        chosen: Vec::new(),
        unanswered: None,
        throws: 3,
        took_us: 9,
        leading: vec![Leading {
            cause: "leads-swapped".to_owned(),
            percent: 62,
        }],
    });
    assert_eq!(progress["diagnosis"]["test_number"], 1);
    assert_eq!(progress["diagnosis"]["leading"][0]["percent"], 62);
    let progress = say(Diagnosed::Diagnosis {
        turnout: id.clone(),
        kind: Came::Named,
        tests: 1,
        none_fits: 0.0,
        causes: vec![cause()],
        parting: None,
        explains: Vec::new(),
        throws: 3,
        elapsed_us: 9,
    });
    assert_eq!(progress["diagnosis"]["came"]["kind"], "named");
    let mind = progress["diagnosis"]["mind"].as_str().unwrap();
    assert!(mind.starts_with("Unplug"), "{mind}");
    let all = progress["total"].as_u64().unwrap();
    let progress = say(Diagnosed::DiagnosisMended {
        turnout: id.clone(),
        cause: "leads-swapped".to_owned(),
        proves: vec![id.clone()],
    });
    assert!(all > 1 && progress["total"] == 1, "only that one is swept");
    let proved = EventKind::Verdict {
        subject: Subject::Turnout(id.clone()),
        verdict: Verdict::Proved,
        place: String::new(),
        address: 1,
        detail: String::new(),
        carried: false,
    };
    assert_eq!(take(&desk, proved)["done"], 1);
    assert_eq!(take(&desk, summary())["goes_on"], true, "what came of it");
    let still = say(Diagnosed::DiagnosisProved {
        turnout: id.clone(),
        cause: "leads-swapped".to_owned(),
        proved: false,
        words: "Q1 is still not proved".to_owned(),
        still_fail: vec![id.clone()],
    });
    assert_eq!(still["goes_on"], true, "another round");
    let progress = say(Diagnosed::DiagnosisProved {
        turnout: id,
        cause: "leads-swapped".to_owned(),
        proved: true,
        words: "Q1 is proved".to_owned(),
        still_fail: Vec::new(),
    });
    assert_eq!(progress["diagnosis"]["proved"]["proved"], true);
    assert!(progress["goes_on"].is_null(), "all is told");
}
