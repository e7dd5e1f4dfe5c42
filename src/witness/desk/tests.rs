mod bench;
mod diagnosis;
mod hunt;

use std::future::Future;
use std::pin::pin;
use std::task::{Context, Poll, Waker};
use std::time::Duration;

use futures_util::FutureExt;
use proptest::prelude::*;
use throwproof_protocol::address::Position;

use super::*;
use crate::event::{EventKind, Step, Subject};
use crate::plan::{Id, Plan};
use crate::verdict::Verdict;
use crate::witness::{Answer, Note, Observed, Question, Seen, Survey, Surveyed, Witness};

const PLAN: &str = r#"
[layout]
name = "Kestrel Bay"

[[turnout]]
id = "Q1"
place = "Quay"
shape = "left"
address = 1

[[turnout]]
id = "Q2"
place = "Quay"
shape = "right"
address = 2

[[turnout]]
id = "F1"
place = "Fish dock"
shape = "wye"
address = 9

[[signal]]
id = "S1"
place = "Quay"
address = 60
kind = "extended"
aspects = { stop = 0, proceed = 1, caution = 2 }
"#;

fn plan() -> Plan {
    Plan::from_text("plan.toml", PLAN).unwrap()
}

fn desk(plan: &Plan) -> Desk {
    Desk::new("ask", "session".to_owned(), Progress::of(plan))
}

/// Something that a question is about.
struct Throw {
    plan: Plan,
    subject: Subject,
    commanded: Id,
}

impl Throw {
    fn of(id: &str) -> Self {
        let id = Id::new(id);
        let subject = if id.as_str().starts_with('S') {
            Subject::Signal(id)
        } else {
            Subject::Turnout(id)
        };
        Self {
            plan: plan(),
            subject,
            commanded: Id::new("diverging"),
        }
    }

    fn question(&self) -> Question<'_> {
        Question {
            plan: &self.plan,
            throw: 1,
            step: Step::Visit,
            subject: &self.subject,
            commanded: &self.commanded,
            at: Duration::ZERO,
        }
    }
}

#[test]
fn only_positions_that_a_turnout_has_are_answers() {
    let fits = |turnout: &str, observed: Observed| {
        let text = PLAN.replace("shape = \"left\"\naddress = 1", turnout);
        let plan = Plan::from_text("plan.toml", &text).unwrap();
        let (subject, commanded) = (Subject::Turnout(Id::new("Q1")), Id::new("straight"));
        let question = Question {
            plan: &plan,
            throw: 1,
            step: Step::Visit,
            subject: &subject,
            commanded: &commanded,
            at: Duration::ZERO,
        };
        let (number, kind) = (1, AskedKind::throw(&question));
        Asked { number, kind }.fits(&seen(observed))
    };
    let named = |name: &str| Observed::Aspect(Id::new(name));
    let several = "shape = \"three-way\"\naddresses = [1, 3]";
    assert!(fits(several, Observed::Straight) && fits(several, named("left")));
    assert!(fits(several, Observed::Between) && fits(several, Observed::NoMovement));
    assert!(!fits(several, Observed::Diverging) && !fits(several, named("across")));
    let simple = "shape = \"left\"\naddress = 1";
    assert!(fits(simple, Observed::Diverging) && !fits(simple, named("left")));
}

fn seen(observed: Observed) -> Reply {
    let others = Vec::new();
    Reply::Answer(Answer::Seen(Seen { observed, others }))
}

/// Looks once whether it is ready.
fn poll<F: Future>(future: std::pin::Pin<&mut F>) -> Poll<F::Output> {
    future.poll(&mut Context::from_waker(Waker::noop()))
}

#[test]
fn the_first_answer_counts_and_the_others_see_it() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let (one, other) = (desk.seat(), desk.seat());
    let question = throw.question();
    let mut observing = pin!(desk.observe(&question));
    assert!(poll(observing.as_mut()).is_pending());
    let number = one.scene().asked.unwrap().number;
    assert_eq!(
        other.answer(number + 1, seen(Observed::Straight), "phone"),
        Err(TurnedAway::NotOpen),
        "no such question yet"
    );
    one.answer(number, seen(Observed::Diverging), "phone")
        .unwrap();
    assert_eq!(
        other.answer(number, seen(Observed::Straight), "terminal"),
        Err(TurnedAway::NotOpen)
    );
    let Poll::Ready(Ok(answer)) = poll(observing.as_mut()) else {
        panic!("it has its answer")
    };
    assert_eq!(Reply::Answer(answer), seen(Observed::Diverging));
    let scene = other.scene();
    assert_eq!(scene.asked, None);
    assert_eq!(
        scene.answered,
        Some(Answered {
            number,
            about: "Q1".to_owned(),
            reply: "diverging".to_owned(),
            by: "phone".to_owned(),
        })
    );
    assert_eq!(
        other.answer(number, seen(Observed::Straight), "phone"),
        Err(TurnedAway::NotOpen),
        "it is over"
    );
}

#[test]
fn what_does_not_fit_is_turned_away_and_the_question_stays_open() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let seat = desk.seat();
    let question = throw.question();
    let mut observing = pin!(desk.observe(&question));
    assert!(poll(observing.as_mut()).is_pending());
    let number = seat.scene().asked.unwrap().number;
    let unknown = Reply::Answer(Answer::Seen(Seen {
        observed: Observed::Another,
        others: vec![Id::new("X9")],
    }));
    for reply in [
        Reply::Enough,
        Reply::Laid(true),
        seen(Observed::Aspect(Id::new("stop"))),
        unknown,
    ] {
        assert_eq!(
            seat.answer(number, reply, "phone"),
            Err(TurnedAway::DoesNotFit)
        );
    }
    seat.answer(number, Reply::Answer(Answer::Skip), "phone")
        .unwrap();
    assert!(matches!(poll(observing), Poll::Ready(Ok(Answer::Skip))));
}

#[test]
fn others_are_told_in_the_order_of_the_plan() {
    let throw = Throw::of("F1");
    let mut desk = desk(&throw.plan);
    let seat = desk.seat();
    let question = throw.question();
    let mut observing = pin!(desk.observe(&question));
    assert!(poll(observing.as_mut()).is_pending());
    let others: Vec<_> = ["S1", "Q2", "Q1"].map(Id::new).into();
    let observed = Observed::Another;
    let reply = Reply::Answer(Answer::Seen(Seen { observed, others }));
    seat.answer(1, reply, "phone").unwrap();
    let Poll::Ready(Ok(Answer::Seen(seen))) = poll(observing) else {
        panic!("it has its answer")
    };
    assert_eq!(seen.others, ["Q1", "Q2", "S1"].map(Id::new));
}

#[test]
fn a_question_that_is_dropped_closes() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let seat = desk.seat();
    let question = throw.question();
    {
        let mut observing = pin!(desk.observe(&question));
        assert!(poll(observing.as_mut()).is_pending());
        assert!(seat.scene().asked.is_some());
    }
    assert_eq!(seat.scene().asked, None);
    assert_eq!(
        seat.answer(1, Reply::Stop, "phone"),
        Err(TurnedAway::NotOpen)
    );
    let mut again = pin!(desk.observe(&question));
    assert!(poll(again.as_mut()).is_pending());
    assert_eq!(seat.scene().asked.unwrap().number, 2, "another question");
}

#[test]
fn stopping_anywhere_ends_the_run() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let seat = desk.seat();
    let question = throw.question();
    let mut laying = pin!(desk.lay_by_hand(&question, Position::Straight));
    assert!(poll(laying.as_mut()).is_pending());
    seat.answer(1, Reply::Stop, "phone").unwrap();
    assert!(matches!(poll(laying), Poll::Ready(Err(WitnessError::Stop))));
}

/// A terminal where a script answers, and that keeps what it was told.
#[derive(Default)]
struct Script {
    replies: Vec<Reply>,
    told: Arc<Mutex<Vec<Answered>>>,
}

#[async_trait(?Send)]
impl Surface for Script {
    fn name(&self) -> &'static str {
        "terminal"
    }

    fn attend(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn look_out(&mut self, _: &Watch) -> io::Result<()> {
        Ok(())
    }

    async fn answer(&mut self, _: &Asked, _: &Scene) -> io::Result<Reply> {
        match self.replies.pop() {
            Some(reply) => Ok(reply),
            None => std::future::pending().await,
        }
    }

    fn answered_elsewhere(&mut self, answered: &Answered) -> io::Result<()> {
        self.told.lock().unwrap().push(answered.clone());
        Ok(())
    }
}

#[test]
fn the_terminal_is_told_of_an_answer_from_elsewhere_and_answers_itself() {
    let throw = Throw::of("Q1");
    let script = Script::default();
    let told = Arc::clone(&script.told);
    let mut desk = desk(&throw.plan).with_surface(Box::new(script));
    let seat = desk.seat();
    let question = throw.question();
    let mut observing = pin!(desk.observe(&question));
    assert!(poll(observing.as_mut()).is_pending());
    seat.answer(1, seen(Observed::Between), "phone").unwrap();
    assert!(poll(observing).is_ready());
    let told = told.lock().unwrap();
    assert_eq!(told.len(), 1);
    assert_eq!(
        (told[0].reply.as_str(), told[0].by.as_str()),
        ("between", "phone")
    );

    let script = Script {
        replies: vec![seen(Observed::Straight)],
        ..Script::default()
    };
    let told = Arc::clone(&script.told);
    let mut desk = self::desk(&throw.plan).with_surface(Box::new(script));
    let seat = desk.seat();
    let answer = desk.observe(&question).now_or_never().unwrap().unwrap();
    assert_eq!(Reply::Answer(answer), seen(Observed::Straight));
    assert_eq!(seat.scene().answered.unwrap().by, "terminal");
    assert!(told.lock().unwrap().is_empty());
}

#[tokio::test(start_paused = true)]
async fn each_position_while_repeating_is_a_question_of_its_own() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let seat = desk.seat();
    let question = throw.question();
    let second = Duration::from_secs(1);
    assert!(!desk.repeating(&question, second).await.unwrap());
    assert_eq!(seat.scene().asked, None);
    let presses = async {
        tokio::time::sleep(second / 2).await;
        assert_eq!(
            seat.answer(1, Reply::Enough, "phone"),
            Err(TurnedAway::NotOpen),
            "that position is over"
        );
        seat.answer(2, Reply::Enough, "phone").unwrap();
    };
    let (enough, ()) = tokio::join!(desk.repeating(&question, second), presses);
    assert!(enough.unwrap());
}

#[tokio::test(start_paused = true)]
async fn the_time_left_is_by_the_operators_own_pace() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let (seat, mut follower) = (desk.seat(), desk.follower());
    let mut take = |kind| {
        let event = Event {
            kind,
            seq: 0,
            at_us: 0,
        };
        follower.take(&event).unwrap();
    };
    let observation = |id: &str| EventKind::Observation {
        carried: false,
        subject: Subject::Turnout(Id::new(id)),
        throw: 1,
        step: Step::Visit,
        commanded: Id::new("diverging"),
        seen: Seen {
            observed: Observed::Diverging,
            others: Vec::new(),
        },
    };
    let question = throw.question();
    let mut numbers = 1..;
    let mut left = Vec::new();
    // Three turnouts of three throws each and a signal of four: one answer in ten seconds.
    for after in [10, 10, 3600, 10, 10] {
        let number = numbers.next().unwrap();
        let answers = async {
            tokio::time::sleep(Duration::from_secs(after)).await;
            left.push(seat.scene().progress.left_s);
            seat.answer(number, seen(Observed::Diverging), "phone")
                .unwrap();
        };
        let (answer, ()) = tokio::join!(desk.observe(&question), answers);
        answer.unwrap();
        take(observation("Q1"));
    }
    // After the third answer: of 13 throws 10 are left.
    assert_eq!(left, [None, None, None, Some(100), Some(100)]);
    // Q1 is over, whatever it took; a note on the way costs time and is no observation.
    take(EventKind::Verdict {
        carried: false,
        subject: throw.subject.clone(),
        verdict: Verdict::Proved,
        place: "Quay".to_owned(),
        address: 1,
        detail: String::new(),
    });
    let note = Reply::Answer(Answer::Note(Note::default()));
    for (number, reply) in [(6, note), (7, seen(Observed::Straight))] {
        let answers = async {
            tokio::time::sleep(Duration::from_secs(20)).await;
            seat.answer(number, reply, "phone").unwrap();
        };
        let (answer, ()) = tokio::join!(desk.observe(&question), answers);
        answer.unwrap();
    }
    take(observation("Q2"));
    let mut asking = pin!(desk.observe(&question));
    assert!(poll(asking.as_mut()).is_pending());
    // Two of Q2, three of F1, four of S1.
    assert_eq!(seat.scene().progress.left_s, Some(90));
}

/// What a seat does.
#[derive(Debug, Clone)]
enum Move {
    /// Answers the question that is that far from the one that was opened last.
    Answer { seat: usize, off: i64, kind: usize },
    /// The engine looks whether there is an answer.
    Look,
    /// The question is withdrawn.
    Withdraw,
}

fn moves() -> impl Strategy<Value = Vec<Move>> {
    let off = prop_oneof![6 => Just(0), 2 => Just(-1), 1 => Just(1), 1 => -5_i64..5];
    let answer = (0_usize..2, off, 0_usize..5).prop_map(|(seat, off, kind)| Move::Answer {
        seat,
        off,
        kind,
    });
    let one = prop_oneof![6 => answer, 4 => Just(Move::Look), 1 => Just(Move::Withdraw)];
    proptest::collection::vec(one, 0..40)
}

fn reply(kind: usize) -> (Reply, bool) {
    match kind {
        0 => (seen(Observed::Straight), true),
        1 => (seen(Observed::Diverging), true),
        2 => (Reply::Answer(Answer::Repeat), true),
        3 => (Reply::Answer(Answer::Undo), true),
        _ => (Reply::Laid(true), false),
    }
}

proptest! {
    /// Whatever two seats do and when: an answer that was taken is the answer of the question it
    /// was given for, and of no other; of each question one at most is taken.
    #[test]
    fn an_answer_counts_once_and_for_its_own_question(moves in moves()) {
        let throw = Throw::of("Q1");
        let mut desk = desk(&throw.plan);
        let seats = [desk.seat(), desk.seat()];
        let question = throw.question();
        let mut moves = moves.into_iter();
        let mut opened = 0_i64;
        let mut over = false;
        while !over {
            opened += 1;
            let mut taken: Option<Reply> = None;
            let mut observing = pin!(desk.observe(&question));
            prop_assert!(poll(observing.as_mut()).is_pending());
            loop {
                match moves.next() {
                    None => { over = true; break; }
                    Some(Move::Withdraw) => break,
                    Some(Move::Look) => match (poll(observing.as_mut()), &taken) {
                        (Poll::Pending, None) => {}
                        (Poll::Ready(answer), Some(taken)) => {
                            prop_assert_eq!(&Reply::Answer(answer.unwrap()), taken);
                            break;
                        }
                        (looked, taken) => {
                            prop_assert!(false, "{} with {taken:?}", looked.is_ready());
                        }
                    },
                    Some(Move::Answer { seat, off, kind }) => {
                        let (reply, fits) = reply(kind);
                        let number = u64::try_from(opened + off).unwrap_or(0);
                        let result = seats[seat].answer(number, reply.clone(), "phone");
                        let open = off == 0 && taken.is_none();
                        let expected = match (open, fits) {
                            (false, _) => Err(TurnedAway::NotOpen),
                            (true, false) => Err(TurnedAway::DoesNotFit),
                            (true, true) => Ok(()),
                        };
                        prop_assert_eq!(result, expected);
                        if result.is_ok() {
                            taken = Some(reply);
                        }
                    }
                }
            }
        }
    }
}

/// Seats in other threads, all at once: of each question exactly one answer is taken, and that
/// one is the answer.
#[test]
fn of_many_seats_at_once_one_is_first() {
    let throw = Throw::of("Q1");
    let mut desk = desk(&throw.plan);
    let seat = desk.seat();
    for number in 1..=200 {
        let question = throw.question();
        let mut observing = pin!(desk.observe(&question));
        assert!(poll(observing.as_mut()).is_pending());
        let notes: Vec<String> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..4)
                .map(|own| {
                    let seat = seat.clone();
                    scope.spawn(move || {
                        let text = own.to_string();
                        let note = Note {
                            text: text.clone(),
                            ..Note::default()
                        };
                        let reply = Reply::Answer(Answer::Note(note));
                        seat.answer(number, reply, "phone").ok().map(|()| text)
                    })
                })
                .collect();
            threads
                .into_iter()
                .filter_map(|one| one.join().unwrap())
                .collect()
        });
        let Poll::Ready(Ok(Answer::Note(note))) = poll(observing.as_mut()) else {
            panic!("it has its answer")
        };
        assert_eq!(notes, [note.text]);
    }
}

#[test]
fn where_a_place_was_sent_is_not_shown_where_that_is_hidden() {
    let plan = plan();
    let mut desk = desk(&plan).blind(true);
    let seat = desk.seat();
    let thrown = [(Subject::Turnout(Id::new("Q1")), Position::Diverging)];
    let survey = Survey {
        plan: &plan,
        place: "Quay",
        round: 1,
        rounds: 2,
        sent: &thrown,
    };
    let surveyed = Witness::survey(&mut desk, &survey).now_or_never();
    assert_eq!(surveyed.unwrap().unwrap(), Surveyed::OneByOne);
    assert!(seat.scene().answered.is_none(), "nobody was asked");
}
