//! Tasks and outputs to be looked at, as an engine asks for them.

use super::*;
use crate::event::teach::{Outcome, Taught};
use crate::witness::bench::{Did, Job, Saw, Task, Watch};

fn task(job: Job) -> Task {
    Task {
        decoder: Id::new("D1"),
        place: "Quay".to_owned(),
        step: 1,
        steps: 9,
        job,
        text: "Put the learn lead of D1 (Quay) on".to_owned(),
        mind: String::new(),
        if_stopped: Vec::new(),
    }
}

fn watch(output: Option<u8>, goes_off: bool) -> Watch {
    Watch {
        decoder: Id::new("D1"),
        place: "Quay".to_owned(),
        step: 4,
        steps: 9,
        output,
        outputs: 4,
        wired: None,
        address: 11,
        sent: Position::Straight,
        goes_off,
    }
}

const STRAIGHT: Position = Position::Straight;

const fn acted(stays_on: bool) -> Saw {
    Saw::Acted {
        position: STRAIGHT,
        stays_on,
    }
}

#[test]
fn a_task_takes_only_what_is_an_answer_to_it() {
    let mut desk = desk(&plan());
    let (one, other) = (desk.seat(), desk.seat());
    let task = task(Job::LearnOn);
    let mut doing = pin!(desk.do_by_hand(&task));
    assert!(poll(doing.as_mut()).is_pending());
    for reply in [
        Reply::Laid(true),
        Reply::Enough,
        Reply::Saw(Saw::Nothing),
        seen(Observed::Straight),
    ] {
        assert_eq!(one.answer(1, reply, "phone"), Err(TurnedAway::DoesNotFit));
    }
    one.answer(1, Reply::Did(Did::Done), "phone").unwrap();
    assert_eq!(
        other.answer(1, Reply::Did(Did::Cannot), "terminal"),
        Err(TurnedAway::NotOpen)
    );
    assert!(matches!(poll(doing), Poll::Ready(Ok(Did::Done))));
    let answered = one.scene().answered.unwrap();
    assert_eq!(
        (answered.about.as_str(), answered.reply.as_str()),
        ("D1", "done")
    );
}

#[test]
fn only_what_can_be_seen_of_an_output_is_an_answer() {
    let fits = |watch: &Watch, saw: Saw| {
        let kind = AskedKind::watch(watch);
        Asked { number: 1, kind }.fits(&Reply::Saw(saw))
    };
    let pulse = watch(Some(3), true);
    assert!(fits(&pulse, acted(false)) && fits(&pulse, acted(true)));
    let steady = watch(Some(3), false);
    assert!(fits(&steady, acted(false)) && !fits(&steady, acted(true)));
    let none = watch(None, true);
    assert!(!fits(&none, acted(false)) && !fits(&none, acted(true)));
    for (number, on_three, on_none) in [
        (0, false, false),
        (1, true, true),
        (3, false, true),
        (4, true, true),
        (5, false, false),
        (u8::MAX, false, false),
    ] {
        let other = Saw::OtherOutput(number);
        assert_eq!(fits(&pulse, other), on_three, "{number}");
        assert_eq!(fits(&none, other), on_none, "{number}");
    }
    for saw in [
        Saw::Nothing,
        Saw::Elsewhere,
        Saw::Repeat,
        Saw::CannotSee,
        Saw::Stop,
    ] {
        assert!(fits(&pulse, saw) && fits(&none, saw), "{saw:?}");
    }
}

#[test]
fn what_ends_the_run_says_so_and_words_are_told_apart() {
    assert!(Reply::Did(Did::Stop).ends() && Reply::Saw(Saw::Stop).ends());
    assert!(!Reply::Did(Did::Cannot).ends() && !Reply::Saw(Saw::CannotSee).ends());
    let codes = [
        Reply::Did(Did::Done),
        Reply::Did(Did::Cannot),
        Reply::Did(Did::Stop),
        Reply::Saw(acted(false)),
        Reply::Saw(acted(true)),
        Reply::Saw(Saw::OtherOutput(4)),
        Reply::Saw(Saw::Repeat),
    ]
    .map(|reply| reply.code());
    let words = [
        "done",
        "cannot",
        "stop-here",
        "straight",
        "straight-stays-on",
        "output 4",
        "send-again",
    ];
    assert_eq!(codes, words);
}

#[test]
fn a_stop_from_any_seat_ends_a_step() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    let watch = watch(Some(1), true);
    let mut watching = pin!(desk.watch(&watch));
    assert!(poll(watching.as_mut()).is_pending());
    seat.answer(1, Reply::Stop, "phone").unwrap();
    assert!(matches!(
        poll(watching),
        Poll::Ready(Err(WitnessError::Stop))
    ));
}

#[test]
fn the_scene_says_all_that_a_page_needs() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    let on = vec![true, false, false, true];
    let task = task(Job::Switches { on });
    let mut doing = pin!(desk.do_by_hand(&task));
    assert!(poll(doing.as_mut()).is_pending());
    let asked = serde_json::to_value(seat.scene()).unwrap()["asked"].take();
    assert_eq!(asked["kind"], "task");
    assert_eq!((&asked["step"], &asked["steps"]), (&1.into(), &9.into()));
    assert_eq!(asked["decoder"], "D1");
    assert_eq!(
        asked["text"], "Put the learn lead of D1 on",
        "its place is beside"
    );
    assert_eq!(asked["job"]["job"], "switches");
    assert_eq!(
        asked["job"]["on"],
        serde_json::json!([true, false, false, true])
    );
    assert!(asked["picture"].as_str().unwrap().starts_with("<svg"));
}

/// The engine's part in small: a lead on, an output commanded twice.
#[tokio::test(start_paused = true)]
async fn where_to_look_is_shown_before_the_command_and_gone_with_the_question() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    let watch = watch(Some(2), true);
    for (number, saw) in [(1, Saw::Repeat), (2, acted(false))] {
        let began = Instant::now();
        {
            let mut beginning = pin!(desk.watch_begins(&watch));
            assert!(poll(beginning.as_mut()).is_pending());
            assert_eq!(seat.scene().coming.as_deref(), Some(&watch));
            assert_eq!(seat.scene().asked, None, "nothing to be answered yet");
            beginning.await.unwrap();
        }
        assert_eq!(began.elapsed(), Duration::from_secs(1));
        assert!(seat.scene().coming.is_some(), "until it is asked");
        let mut watching = pin!(desk.watch(&watch));
        assert!(poll(watching.as_mut()).is_pending());
        assert_eq!(seat.scene().coming, None);
        seat.answer(number, Reply::Saw(saw), "phone").unwrap();
        assert_eq!(watching.await.unwrap(), saw);
    }
}

#[test]
fn how_it_ended_is_in_the_scene() {
    let desk = desk(&plan());
    let seat = desk.seat();
    assert!(seat.scene().progress.taught.is_none());
    let done = Taught::TeachDone {
        decoder: Id::new("D1"),
        outcome: Outcome::NotProved,
        first_address: 9,
        amiss: vec!["address 9 straight: nothing acted".to_owned()],
        may_be_at: vec![9],
        next: vec!["Go on".to_owned()],
    };
    let event = Event {
        seq: 3,
        at_us: 0,
        kind: EventKind::Teach(done),
    };
    desk.follower().take(&event).unwrap();
    let scene = serde_json::to_value(seat.scene()).unwrap();
    let taught = &scene["progress"]["taught"];
    assert_eq!(taught["outcome"], "not-proved");
    assert_eq!(taught["next"], serde_json::json!(["Go on"]));
}
