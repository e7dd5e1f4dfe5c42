//! One throw until it has its answer: made again, made back and forth, noted about, as the
//! witness wants.

use std::time::Duration;

use super::{Begun, Command, Flight, Halt, Thrower, Told, cancellable};
use crate::event::{EventKind, Step, StopReason, Subject};
use crate::link::Link;
use crate::plan::Id;
use crate::sweep::route;
use crate::witness::Answer;

/// How long each position is held while something is thrown there and back by itself: 1 to 2 s
/// between throws of a coil is common practice, no source; the longer, for the eye.
const HOLD: Duration = Duration::from_secs(2);
/// How often it is thrown there and back when that is asked for.
const BACK_AND_FORTH: u32 = 3;
/// After so many throws by itself a twin-coil drive rests, so long: common practice, no source.
const COIL_THROWS: u32 = 10;
const COIL_REST: Duration = Duration::from_secs(30);

impl Thrower<'_, '_> {
    /// Throws `subject` to `commanded`, as often as the witness wants it repeated, and says what
    /// was seen of it.
    pub(super) async fn attempt(
        &mut self,
        subject: &Subject,
        step: Step,
        commanded: &Id,
    ) -> Result<Told, Halt> {
        loop {
            let flight = match self.begin(subject, step, commanded).await? {
                Begun::Flies(flight) => flight,
                Begun::Refused(reason) => return Ok(Told::Refused(reason)),
            };
            self.settle(&flight).await?;
            if let Some(told) = self.ask(flight).await? {
                return Ok(told);
            }
        }
    }

    /// Asks until there is an answer; `None` if the throw is to be made again, from where it was.
    async fn ask(&mut self, mut flight: Flight) -> Result<Option<Told>, Halt> {
        loop {
            let (subject, commanded) = (flight.subject.clone(), flight.commanded.clone());
            let told = match self.look(&flight).await? {
                Answer::Seen(seen) => {
                    self.say_seen(&flight, &seen).await?;
                    Told::Seen(seen)
                }
                Answer::Repeat => {
                    self.throw_back(&subject, &commanded).await?;
                    return Ok(None);
                }
                Answer::BackAndForth => match self.back_and_forth(&flight).await? {
                    Some(reason) => Told::Refused(reason),
                    None => return Ok(None),
                },
                Answer::KeepThrowing => match self.keep_throwing(&flight, HOLD, None).await? {
                    Begun::Flies(last) => {
                        flight = last;
                        continue;
                    }
                    Begun::Refused(reason) => Told::Refused(reason),
                },
                Answer::Undo if self.so_far().last_answer().is_some() => Told::Undo,
                // There is nothing to take back.
                Answer::Undo => continue,
                Answer::Note(note) => {
                    let throw = flight.throw;
                    self.say(EventKind::Noted {
                        subject,
                        throw,
                        note,
                    })
                    .await?;
                    continue;
                }
                Answer::Skip => Told::Skip,
                Answer::SkipPlace => Told::SkipPlace,
                Answer::CantSee(reason) => Told::Unseen(reason),
                Answer::Unclear => Told::Unseen("it can't be told what moved it".to_owned()),
                Answer::Stop => return Err(Halt::Stop(StopReason::Operator)),
            };
            return Ok(Some(told));
        }
    }

    /// Throws it elsewhere and back, and elsewhere once more, so that the next throw is the last
    /// of them; the station's reason if it refuses.
    async fn back_and_forth(&mut self, flight: &Flight) -> Result<Option<String>, Halt> {
        let Flight {
            subject,
            step,
            commanded,
            ..
        } = flight;
        for _ in 1..BACK_AND_FORTH {
            self.throw_back(subject, commanded).await?;
            match self.begin(subject, *step, commanded).await? {
                Begun::Flies(flight) => self.settle(&flight).await?,
                Begun::Refused(reason) => return Ok(Some(reason)),
            }
        }
        self.throw_back(subject, commanded).await?;
        Ok(None)
    }

    /// Throws it elsewhere and back by itself, from where `flight` brought it, each position held
    /// for `hold`, until the witness says that it is enough or it came back `count` times. Ends
    /// where `flight` was sent, ready to be asked about.
    pub(in crate::sweep) async fn keep_throwing(
        &mut self,
        flight: &Flight,
        hold: Duration,
        count: Option<u32>,
    ) -> Result<Begun, Halt> {
        let (subject, commanded) = (&flight.subject, &flight.commanded);
        let elsewhere = route::other_than(self.plan, subject, commanded);
        // A signal with one aspect shows that one again and again.
        let elsewhere = elsewhere.unwrap_or_else(|| commanded.clone());
        let has_coils = Command::new(self.plan, subject, commanded)?.coils.is_some();
        let (mut throws, mut times) = (0_u32, 0_u32);
        loop {
            let away = match self.begin(subject, Step::Back, &elsewhere).await? {
                Begun::Flies(away) => away,
                refused @ Begun::Refused(_) => return Ok(refused),
            };
            let mut enough = self.hold(&away, hold).await?;
            let back = match self.begin(subject, flight.step, commanded).await? {
                Begun::Flies(back) => back,
                refused @ Begun::Refused(_) => return Ok(refused),
            };
            (throws, times) = (throws.saturating_add(2), times.saturating_add(1));
            enough |= count.is_some_and(|count| times >= count);
            if !enough {
                enough = self.hold(&back, hold).await?;
            }
            if !enough && has_coils && throws.is_multiple_of(COIL_THROWS) {
                enough = self.repeating(&back, COIL_REST).await?;
            }
            if enough {
                self.settle(&back).await?;
                return Ok(Begun::Flies(back));
            }
        }
    }

    /// Throws it to `commanded`, and there and back by itself until the witness says that it is
    /// enough. What a station refuses is not thrown.
    pub(in crate::sweep) async fn keep_throwing_to(
        &mut self,
        subject: &Subject,
        commanded: &Id,
    ) -> Result<(), Halt> {
        if let Begun::Flies(flight) = self.begin(subject, Step::Rest, commanded).await? {
            self.settle(&flight).await?;
            self.keep_throwing(&flight, HOLD, None).await?;
        }
        Ok(())
    }

    /// Holds the position that a throw brought it to, never shorter than it takes to settle and
    /// its supply to recover; whether the witness says that it is enough.
    pub(in crate::sweep) async fn hold(
        &mut self,
        flight: &Flight,
        hold: Duration,
    ) -> Result<bool, Halt> {
        let ready = self.supply_ready(&flight.subject, &flight.commanded)?;
        let until = (flight.begun + hold).max(flight.due).max(ready);
        self.repeating(flight, until.saturating_sub(self.now()))
            .await
    }

    /// Lets time pass on the link, and at the same time has the witness say whether that is
    /// enough, which ends it.
    async fn repeating(&mut self, flight: &Flight, time: Duration) -> Result<bool, Halt> {
        let question = flight.question(self.plan);
        let (link, witness) = (&mut self.link, &mut self.witness);
        let both = async {
            let mut pause = std::pin::pin!(link.pause(time));
            let mut person = std::pin::pin!(witness.repeating(&question, time));
            let mut passed = false;
            loop {
                tokio::select! {
                    biased;
                    enough = &mut person => {
                        let enough = enough?;
                        if !enough && !passed {
                            pause.await?;
                        }
                        return Ok::<_, Halt>(enough);
                    }
                    outcome = &mut pause, if !passed => {
                        outcome?;
                        passed = true;
                    }
                }
            }
        };
        let enough = cancellable(&self.stop, both).await?;
        self.link
            .held()
            .map_or(Ok(enough), |why| Err(Halt::Held(why)))
    }
}
