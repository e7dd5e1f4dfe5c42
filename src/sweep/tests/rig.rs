//! A link that writes down what it is sent, and a witness who says what a test wants.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::address::Position;
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use crate::event::hub::{Hub, Sink};
use crate::event::{Event, EventKind, StopReason, Subject};
use crate::link::{Abilities, Link, LinkError, PositionReport, Taken};
use crate::plan::{Id, Look, Plan};
use crate::sweep::stop::{StopHandle, StopToken, stop_pair};
use crate::sweep::{Options, Summary, Sweep, SweepError};
use crate::witness::{
    Answer, Closer, Observed, Question, Seen, Survey, Surveyed, Witness, WitnessError,
};

/// At so many failures to come, the full sink has the run asked to stop.
pub(super) const STOPS_AT: u32 = 5000;

/// How long the station takes for a packet.
pub(super) const SENDING: Duration = Duration::from_millis(10);

pub(super) const PLAN: &str = r#"
[layout]
name = "Bench"

[supply.bench]
kind = "separate"
volts = 16.0
amps = 2.5

[decoder.D]
outputs = 4
first_address = 1
supply = "bench"
output_kind = "pulse"
pulse_ms = 150

[[turnout]]
id = "A"
shape = "left"
decoder = "D"
output = 1
drive = "twin-coil"

[[turnout]]
id = "B"
shape = "right"
decoder = "D"
output = 2
drive = "twin-coil"
"#;

pub(super) fn plan(text: &str) -> Plan {
    Plan::from_text("plan.toml", text).unwrap()
}

/// What goes wrong at one of the calls that the engine makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trouble {
    /// Somebody asks to stop.
    Stop,
    /// The link fails once.
    LinkFails,
    /// The terminal goes away.
    TerminalLost,
    /// The link or the witness panics.
    Panic,
}

/// What link and witness share.
#[derive(Default)]
pub(super) struct Rig {
    pub(super) now: Duration,
    /// Packets with the time at which they were sent, milliseconds.
    pub(super) sent: Vec<(u128, String)>,
    pub(super) events: Vec<Event>,
    /// Calls so far, of the link and of the witness.
    pub(super) calls: usize,
    /// The call at which there is trouble.
    pub(super) trouble: Option<(usize, Trouble)>,
    pub(super) handle: Option<StopHandle>,
    /// Packets that the station refuses.
    pub(super) refuses: Vec<String>,
    /// Where turnouts were laid by hand.
    pub(super) laid: Vec<String>,
    /// Where each turnout lies by packets alone.
    lies: BTreeMap<u16, Position>,
    /// The sink is full when it holds so many events, and fails so often before there is room.
    pub(super) full: Option<(usize, u32)>,
    /// How often something was thrown there and back by itself, and when that is enough.
    pub(super) repeats: usize,
    pub(super) enough_after: usize,
}

pub(super) type Shared = Rc<RefCell<Rig>>;

/// Counts a call; tells what is to go wrong at it.
fn call(rig: &Shared) -> Option<Trouble> {
    let mut rig = rig.borrow_mut();
    rig.calls += 1;
    let trouble = rig
        .trouble
        .filter(|(at, _)| *at == rig.calls)
        .map(|(_, trouble)| trouble)?;
    if trouble == Trouble::Stop
        && let Some(handle) = &rig.handle
    {
        handle.ask(StopReason::Interrupt);
    }
    Some(trouble)
}

pub(super) struct Wire(pub(super) Shared);

impl Wire {
    fn call(&self) -> Result<(), LinkError> {
        match call(&self.0) {
            Some(Trouble::LinkFails) => Err(LinkError::Lost("unplugged".to_owned())),
            Some(Trouble::Panic) => panic!("the link panics, as this test wants"),
            Some(Trouble::Stop | Trouble::TerminalLost) | None => Ok(()),
        }
    }
}

#[async_trait(?Send)]
impl Link for Wire {
    fn name(&self) -> String {
        "wire".to_owned()
    }

    fn abilities(&self) -> Abilities {
        Abilities::default()
    }

    fn now(&self) -> Duration {
        self.0.borrow().now
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        self.call()?;
        tokio::task::yield_now().await;
        let mut rig = self.0.borrow_mut();
        let text = packet.to_string();
        if rig.refuses.contains(&text) {
            return Ok(Taken::Refused("busy".to_owned()));
        }
        if let Ok(basic) = BasicAccessory::parse(packet)
            && basic.activate
        {
            rig.lies
                .insert(basic.address.get(), basic.pair_bit.position());
        }
        let at = rig.now.as_millis();
        rig.sent.push((at, text));
        rig.now += SENDING;
        Ok(Taken::Acknowledged)
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        self.call()?;
        tokio::task::yield_now().await;
        self.0.borrow_mut().now += time;
        Ok(())
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        Ok(Vec::new())
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}

/// Answers as a function of the question says.
pub(super) struct Eyes<F> {
    pub(super) rig: Shared,
    pub(super) answer: F,
    /// Can turnouts be laid by hand?
    pub(super) hands: bool,
    /// Is it a person?
    pub(super) person: bool,
    pub(super) survey: Option<OnSurvey>,
    pub(super) look: Option<OnLook>,
}

pub(super) type OnSurvey = Box<dyn FnMut(&Survey<'_>) -> Surveyed>;
pub(super) type OnLook = Box<dyn FnMut(&Subject, &Look) -> Closer>;

impl<F: FnMut(&Question<'_>) -> Answer> Eyes<F> {
    pub(super) fn new(rig: &Shared, answer: F) -> Self {
        Self {
            rig: Rc::clone(rig),
            answer,
            hands: false,
            person: false,
            survey: None,
            look: None,
        }
    }
}

impl<F> Eyes<F> {
    fn call(&self) -> Result<(), WitnessError> {
        match call(&self.rig) {
            Some(Trouble::TerminalLost) => Err(WitnessError::TerminalLost(
                std::io::ErrorKind::UnexpectedEof.into(),
            )),
            Some(Trouble::Panic) => panic!("the witness panics, as this test wants"),
            Some(Trouble::Stop | Trouble::LinkFails) | None => Ok(()),
        }
    }
}

#[async_trait(?Send)]
impl<F: FnMut(&Question<'_>) -> Answer> Witness for Eyes<F> {
    fn name(&self) -> &'static str {
        "eyes"
    }

    async fn attend(&mut self, _: &Question<'_>) -> Result<(), WitnessError> {
        self.call()
    }

    async fn observe(&mut self, question: &Question<'_>) -> Result<Answer, WitnessError> {
        self.call()?;
        tokio::task::yield_now().await;
        Ok((self.answer)(question))
    }

    fn is_person(&self) -> bool {
        self.person
    }

    fn can_survey(&self) -> bool {
        self.survey.is_some()
    }

    async fn survey(&mut self, survey: &Survey<'_>) -> Result<Surveyed, WitnessError> {
        self.call()?;
        let on_survey = self.survey.as_mut().unwrap();
        Ok(on_survey(survey))
    }

    fn looks_closer(&self) -> bool {
        self.look.is_some()
    }

    async fn look_closer(
        &mut self,
        _: &Plan,
        subject: &Subject,
        look: &Look,
    ) -> Result<Closer, WitnessError> {
        self.call()?;
        let on_look = self.look.as_mut().unwrap();
        Ok(on_look(subject, look))
    }

    async fn repeating(&mut self, _: &Question<'_>, _: Duration) -> Result<bool, WitnessError> {
        self.call()?;
        let mut rig = self.rig.borrow_mut();
        rig.repeats += 1;
        Ok(rig.repeats >= rig.enough_after)
    }

    async fn lay_by_hand(
        &mut self,
        question: &Question<'_>,
        position: Position,
    ) -> Result<bool, WitnessError> {
        self.call()?;
        if self.hands {
            let line = format!("{} {position}", question.subject.id());
            self.rig.borrow_mut().laid.push(line);
        }
        Ok(self.hands)
    }
}

pub(super) fn seen(observed: Observed) -> Answer {
    Answer::Seen(Seen {
        observed,
        others: Vec::new(),
    })
}

/// What is seen of a layout on which everything goes where it is sent.
pub(super) fn healthy(question: &Question<'_>) -> Answer {
    seen(match question.commanded.as_str() {
        "straight" => Observed::Straight,
        "diverging" => Observed::Diverging,
        _ => Observed::Aspect(question.commanded.clone()),
    })
}

pub(super) struct Keep(pub(super) Shared);

impl Sink for Keep {
    fn name(&self) -> &'static str {
        "the test"
    }

    fn take(&mut self, event: &Event) -> std::io::Result<()> {
        let mut rig = self.0.borrow_mut();
        if let Some((holds, fails)) = rig.full
            && rig.events.len() == holds
            && fails > 0
        {
            rig.full = Some((holds, fails - 1));
            if let Some(handle) = rig.handle.as_ref().filter(|_| fails == STOPS_AT) {
                handle.ask(StopReason::Interrupt);
            }
            return Err(std::io::ErrorKind::StorageFull.into());
        }
        rig.events.push(event.clone());
        Ok(())
    }
}

pub(super) fn block_on<T>(work: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build();
    runtime.unwrap().block_on(work)
}

/// A stop handle that the rig may use.
pub(super) fn stop_for(rig: &Shared) -> StopToken {
    let (handle, token) = stop_pair();
    rig.borrow_mut().handle = Some(handle);
    token
}

/// Sweeps a plan on a rig.
pub(super) fn sweep(
    rig: &Shared,
    plan: &Plan,
    options: Options,
    hands: bool,
    answer: impl FnMut(&Question<'_>) -> Answer,
) -> Result<Summary, SweepError> {
    let eyes = Eyes {
        hands,
        ..Eyes::new(rig, answer)
    };
    sweep_with(rig, plan, options, eyes)
}

/// The same with eyes that can do more.
pub(super) fn sweep_with(
    rig: &Shared,
    plan: &Plan,
    options: Options,
    mut witness: Eyes<impl FnMut(&Question<'_>) -> Answer>,
) -> Result<Summary, SweepError> {
    let stop = stop_for(rig);
    let mut link = Wire(Rc::clone(rig));
    let mut hub = Hub::new();
    hub.add_essential(Keep(Rc::clone(rig)));
    let sweep = Sweep {
        plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop,
        options,
    };
    block_on(sweep.run())
}

impl Rig {
    pub(super) fn packets(&self) -> Vec<&str> {
        self.sent
            .iter()
            .map(|(_, packet)| packet.as_str())
            .collect()
    }

    /// Each event as a short line.
    pub(super) fn told(&self) -> Vec<String> {
        self.events
            .iter()
            .filter_map(|event| line(&event.kind))
            .collect()
    }

    /// Outputs that were activated and not released since.
    pub(super) fn active(&self) -> Vec<String> {
        let mut active = Vec::new();
        for packet in self.packets() {
            let packet = Packet::parse_hex(packet).unwrap();
            let Ok(basic) = BasicAccessory::parse(&packet) else {
                continue;
            };
            let output = format!("{} {}", basic.address, basic.pair_bit);
            active.retain(|other| *other != output);
            if basic.activate {
                active.push(output);
            }
        }
        active
    }
}

fn again(carried: bool) -> &'static str {
    if carried { ", carried" } else { "" }
}

#[expect(clippy::too_many_lines, reason = "one line for each kind of event")]
fn line(kind: &EventKind) -> Option<String> {
    Some(match kind {
        EventKind::RunStarted { .. }
        | EventKind::Teach(_)
        | EventKind::Hunt(_)
        | EventKind::Diagnosis(_) => return None,
        EventKind::LinkLost { reason, .. } => format!("link lost: {reason}"),
        EventKind::LinkReturned {} => "link returned".to_owned(),
        EventKind::Held { reason } => format!("held: {reason}"),
        EventKind::Resumed {} => "resumed".to_owned(),
        EventKind::LinkFailed { reason } => format!("link failed: {reason}"),
        EventKind::Stopped { reason } => format!("stopped: {reason:?}"),
        EventKind::ThrowSent {
            subject,
            throw,
            step,
            commanded,
            ..
        } => {
            format!("{throw} {} {step:?} {commanded}", subject.id())
        }
        EventKind::Observation {
            throw,
            seen,
            carried,
            ..
        } => {
            let (observed, others) = (&seen.observed, &seen.others);
            format!("{throw} seen {observed:?} {others:?}{}", again(*carried))
        }
        EventKind::LaidByHand { subject, position } => {
            format!("{} laid {position}", subject.id())
        }
        EventKind::Verdict {
            subject,
            verdict,
            detail,
            carried,
            ..
        } => {
            let told = format!("{} {verdict} {detail}", subject.id());
            told.trim_end().to_owned() + again(*carried)
        }
        EventKind::SweptAgain { subject } => format!("{} again, alone", subject.id()),
        EventKind::Withdrawn { subject, throw } => format!("{throw} withdrawn {}", subject.id()),
        EventKind::Noted {
            subject,
            throw,
            note,
        } => format!("{throw} noted {} {}{}", subject.id(), note.text, note.photo),
        EventKind::Surveyed {
            place,
            round,
            rounds,
            differ,
            carried,
            ..
        } => {
            let differ: Vec<_> = differ.iter().map(Id::as_str).collect();
            format!(
                "{place} surveyed {round} of {rounds} {differ:?}{}",
                again(*carried)
            )
        }
        EventKind::Looked {
            subject,
            look,
            found,
            carried,
        } => format!(
            "{} looked {look} {found:?}{}",
            subject.id(),
            again(*carried)
        ),
        EventKind::GroupThrown {
            gap_ms,
            away,
            missed,
            ..
        } => format!("{gap_ms} ms away={away} missed {}", missed.len()),
        EventKind::GapFound { gap_ms, .. } => format!("gap {gap_ms:?}"),
        EventKind::Accepted { subject } => format!("{} accepted", subject.id()),
        EventKind::Unanswered { throw, .. } => format!("{throw} unanswered"),
        EventKind::Summary {
            proved,
            failed,
            skipped,
            unreached,
            ..
        } => {
            format!("{proved} proved {failed} failed {skipped} skipped {unreached} unreached")
        }
    })
}
