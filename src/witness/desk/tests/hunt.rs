//! A thing that is watched while addresses are thrown.

use super::*;
use crate::witness::bench::Did;
use crate::witness::hunt::{Back, Inquiry, Noticed, Why};

fn inquiry() -> Inquiry {
    Inquiry {
        number: 4,
        thing: "Q1 (Quay)".to_owned(),
        target: Some(Id::new("Q1")),
        addresses: 8,
        runs: "1-8".to_owned(),
        sent: None,
    }
}

fn asked(seat: &Seat) -> serde_json::Value {
    serde_json::to_value(seat.scene()).unwrap()["asked"].take()
}

#[test]
fn that_it_moved_is_taken_while_more_is_thrown_and_nothing_else_is() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    let inquiry = inquiry();
    assert!(poll(pin!(desk.has_noticed())).is_pending(), "nothing open");
    desk.glance(&inquiry).now_or_never().unwrap().unwrap();
    assert_eq!(asked(&seat)["throwing"], true);
    assert_eq!(
        (&asked(&seat)["number"], &asked(&seat)["question"]),
        (&1.into(), &4.into())
    );
    for too_soon in [Noticed::Still, Noticed::NotSure] {
        let reply = Reply::Noticed(too_soon);
        assert_eq!(
            seat.answer(1, reply, "phone"),
            Err(TurnedAway::DoesNotFit),
            "what comes yet may move it"
        );
    }
    assert!(poll(pin!(desk.has_noticed())).is_pending());
    let moved = Noticed::Moved(None);
    seat.answer(1, Reply::Noticed(moved), "phone").unwrap();
    assert!(poll(pin!(desk.has_noticed())).is_ready());
    let noticed = desk.noticed(&inquiry).now_or_never().unwrap().unwrap();
    assert_eq!(noticed, moved);
    assert!(seat.scene().asked.is_none());
    assert!(poll(pin!(desk.has_noticed())).is_pending(), "closed");
}

#[test]
fn the_question_stays_the_same_when_all_is_thrown() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    let inquiry = inquiry();
    for _ in 0..3 {
        desk.glance(&inquiry).now_or_never().unwrap().unwrap();
    }
    let mut noticing = pin!(desk.noticed(&inquiry));
    assert!(poll(noticing.as_mut()).is_pending());
    let open = asked(&seat);
    assert_eq!((&open["number"], open.get("throwing")), (&1.into(), None));
    seat.answer(1, Reply::Noticed(Noticed::Still), "phone")
        .unwrap();
    assert!(matches!(poll(noticing), Poll::Ready(Ok(Noticed::Still))));
}

#[test]
fn what_the_link_breaks_off_is_withdrawn_and_asked_anew() {
    let mut desk = desk(&plan());
    let seat = desk.seat();
    desk.glance(&inquiry()).now_or_never().unwrap().unwrap();
    let moved = || Reply::Noticed(Noticed::Moved(None));
    seat.answer(1, moved(), "phone").unwrap();
    desk.forget();
    assert!(seat.scene().asked.is_none() && seat.scene().answered.is_none());
    desk.glance(&inquiry()).now_or_never().unwrap().unwrap();
    assert_eq!(asked(&seat)["number"], 2);
    assert_eq!(seat.answer(1, moved(), "phone"), Err(TurnedAway::NotOpen));
    assert!(poll(pin!(desk.has_noticed())).is_pending());
}

#[test]
fn it_is_laid_back_by_hand_or_can_t_be() {
    for (why, did) in [(Why::Doubted, Did::Cannot), (Why::Moved, Did::Done)] {
        let mut desk = desk(&plan());
        let seat = desk.seat();
        let back = Back {
            thing: "it".to_owned(),
            target: None,
            why,
        };
        let mut laying = pin!(desk.lay_back(&back));
        assert!(poll(laying.as_mut()).is_pending());
        assert_eq!(asked(&seat)["kind"], "lay-back");
        let moved = Reply::Noticed(Noticed::Moved(None));
        assert_eq!(seat.answer(1, moved, "phone"), Err(TurnedAway::DoesNotFit));
        seat.answer(1, Reply::Did(did), "phone").unwrap();
        assert!(matches!(poll(laying), Poll::Ready(Ok(it)) if it == did));
    }
}
