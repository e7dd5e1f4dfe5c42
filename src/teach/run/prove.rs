//! Looks at outputs.

use std::time::Duration;

use throwproof_protocol::address::PairBit;

use super::super::lesson::{Expect, Proof, Step};
use super::{Go, Run, bit, command};
use crate::event::Taught;
use crate::event::teach::{Method, Purpose, Sight};
use crate::link::Taken;
use crate::plan::{Id, OutputKind, Turnout};
use crate::sweep::thrower::Halt;
use crate::witness::bench::{Saw, Watch};

/// How much later than its pulse an output is looked at: a quarter of it, for the decoder's own
/// clock, and no less than this. The margin is ours.
const PULSE_MARGIN: Duration = Duration::from_millis(100);

/// The longest that an output is left to itself to see it go off; beyond, the guard of the link
/// would end it.
const LONGEST_HOLD: Duration = Duration::from_millis(900);

/// From activation to release where the output does not go off by itself.
const HOLD: Duration = Duration::from_millis(100);

/// From release to looking.
const SETTLE: Duration = Duration::from_millis(300);

/// Looks at the first output, both ways, after which it is taken for silent.
const SILENT: u8 = 2;

impl Run<'_, '_, '_> {
    /// Whether the decoder did not answer at its first address at all: the other outputs are not
    /// tried then.
    pub(super) fn is_silent(&self) -> bool {
        self.course.silent.get() >= SILENT
    }

    /// Sends a command and has the output looked at.
    pub(super) async fn prove(&mut self, step: &Step, proof: Proof) -> Result<Go, Halt> {
        if self.is_silent() && proof.expect != Expect::Nothing {
            return Ok(Go::On);
        }
        let watch = self.watch_of(proof);
        let half = self.half(proof);
        let saw = loop {
            self.thrower.watch_begins(&watch).await?;
            match self.show(step, proof, &watch, half).await? {
                Some(Saw::Repeat) => self.thrower.rest(self.recovery()).await?,
                Some(saw) => break saw,
                None => return Ok(Go::End),
            }
        };
        let amiss = self.judge(proof, &watch, saw);
        if proof.output == Some(1) && saw == Saw::Nothing && proof.expect == Expect::Acts {
            self.course.silent.set(self.course.silent.get() + 1);
            if self.is_silent() {
                self.course.blame(self.why_silent());
            }
        }
        self.say(Taught::TaughtSeen {
            decoder: self.board.id.clone(),
            step: self.number(),
            address: proof.address.get(),
            sent: proof.position,
            output: proof.output,
            saw: sight(saw),
            as_expected: amiss.is_none(),
            after_power: proof.after_power,
        })
        .await?;
        if let Some(amiss) = amiss {
            self.course.blame(amiss);
        }
        let recovery = self.recovery();
        self.thrower.rest(recovery).await?;
        Ok(Go::On)
    }

    /// What a decoder that answers at its first address not at all may have missed.
    fn why_silent(&self) -> String {
        let by = match self.lesson.method {
            Method::FirstCommand => "was it in learn mode when the command came",
            Method::Main => "had it the address that the writes went to, and knows it this form",
            Method::ProgrammingTrack => "was it on the programming track when it was written",
            Method::Switches => "has it looked at its switches since they were set",
        };
        format!("it took no new address, or has no power: {by}? Its other outputs are not tried")
    }

    /// Activates, releases, and asks what was seen: before the release where the output should be
    /// off by then and the witness is quick enough, else after it. `None` if the station refuses.
    async fn show(
        &mut self,
        step: &Step,
        proof: Proof,
        watch: &Watch,
        half: PairBit,
    ) -> Result<Option<Saw>, Halt> {
        let packet = command(self.plan, self.board, proof.address, half, true);
        let release = command(self.plan, self.board, proof.address, half, false);
        let taken = self.thrower.put(&packet).await?;
        let (hold, goes_off_by_then) = self.hold();
        self.thrower.rest(hold).await?;
        let early = goes_off_by_then && !self.thrower.is_person();
        let mut saw = None;
        if early {
            saw = Some(self.thrower.watch(watch).await?);
        }
        self.thrower.put(&release).await?;
        let address = Some(proof.address);
        self.say_sent(step, Purpose::Prove, address, None, &packet, None)
            .await?;
        if let Taken::Refused(_) = taken {
            let _end = self.heed(&taken);
            return Ok(None);
        }
        self.thrower.rest(SETTLE).await?;
        match saw {
            Some(saw) => Ok(Some(saw)),
            None => Ok(Some(self.thrower.watch(watch).await?)),
        }
    }

    /// How long an output is left on, and whether it should have gone off by itself then.
    fn hold(&self) -> (Duration, bool) {
        let pulse = Duration::from_millis(u64::from(self.board.pulse_ms));
        let hold = pulse + PULSE_MARGIN.max(pulse / 4);
        match self.board.output_kind {
            OutputKind::Pulse if !pulse.is_zero() => (hold.min(LONGEST_HOLD), hold <= LONGEST_HOLD),
            OutputKind::Pulse | OutputKind::Steady | OutputKind::Servo | OutputKind::StallMotor => {
                (HOLD, false)
            }
        }
    }

    /// How long the supply of the decoder needs between two throws.
    fn recovery(&self) -> Duration {
        crate::sweep::recovery(self.plan, self.board.supply)
    }

    fn watch_of(&self, proof: Proof) -> Watch {
        Watch {
            decoder: self.board.id.clone(),
            place: self.board.place.clone(),
            step: self.number(),
            steps: self.steps(),
            output: proof.output,
            outputs: self.board.outputs,
            wired: proof.output.and_then(|output| self.wired(output)),
            address: proof.address.get(),
            sent: proof.position,
            goes_off: self.board.output_kind == OutputKind::Pulse,
        }
    }

    fn turnout(&self, output: u8) -> Option<&Turnout> {
        let is_there = |turnout: &&Turnout| {
            let at = turnout.output;
            at.is_some_and(|at| at.decoder == self.lesson.decoder && at.number == output)
        };
        self.plan.turnouts.iter().find(is_there)
    }

    /// What the plan has on an output.
    fn wired(&self, output: u8) -> Option<Id> {
        let turnout = self.turnout(output).map(|turnout| turnout.id.clone());
        turnout.or_else(|| {
            let mut signals = self.plan.signals.iter();
            let signal = signals.find(|signal| {
                let at = signal.output;
                at.is_some_and(|at| {
                    at.decoder == self.lesson.decoder
                        && (at.number..at.number.saturating_add(signal.addresses()))
                            .contains(&output)
                })
            });
            signal.map(|signal| signal.id.clone())
        })
    }

    /// The half that commands the position: as the turnout on that output has it, else in the
    /// standard's sense.
    fn half(&self, proof: Proof) -> PairBit {
        let turnout = proof.output.and_then(|output| self.turnout(output));
        turnout.map_or_else(
            || bit(proof.position),
            |turnout| turnout.pair_bit(proof.position),
        )
    }

    /// What is not as it should be in what was seen.
    fn judge(&self, proof: Proof, watch: &Watch, saw: Saw) -> Option<String> {
        let (address, position) = (proof.address, proof.position);
        let at = format!("address {address} {position}");
        let shared = self.plan_has_elsewhere(proof);
        match (proof.expect, proof.output, saw) {
            (_, _, Saw::CannotSee) => Some(format!("{at}: it could not be seen")),
            (_, Some(output), Saw::Acted { stays_on: true, .. }) if watch.goes_off => {
                Some(format!(
                    "{at}: output {output} stays on. Switch its supply off before a coil burns; what \
                 it learnt is another pulse than {} ms",
                    self.board.pulse_ms
                ))
            }
            (Expect::Nothing, _, Saw::Acted { .. }) => {
                Some(format!("{at}: the decoder acted, and should not"))
            }
            (Expect::Nothing, _, Saw::OtherOutput(other)) if address == self.lesson.from => Some(
                format!("{at}: output {other} acted: it still has its old address"),
            ),
            (_, _, Saw::OtherOutput(other)) => Some(format!("{at}: output {other} acted")),
            // Whoever else acts where it should not, it is not this decoder.
            (Expect::Nothing | Expect::Either, _, Saw::Nothing)
            | (Expect::Nothing, _, Saw::Elsewhere)
            | (_, _, Saw::Repeat | Saw::Stop) => None,
            (_, _, Saw::Elsewhere) if shared => None,
            (_, _, Saw::Elsewhere) => Some(format!(
                "{at}: something else on the layout acted: another decoder has that address, or \
                 was in learn mode too"
            )),
            (Expect::Acts, output, Saw::Nothing) => Some(format!(
                "{at}: nothing acted, output {} should have",
                output.unwrap_or(1)
            )),
            (_, _, Saw::Acted { position: seen, .. }) if seen == position => None,
            (_, _, Saw::Acted { position: seen, .. }) => {
                Some(format!("{at}: it came on for {seen} instead"))
            }
        }
    }

    /// Whether the plan gives that address to somebody else, who may well act.
    fn plan_has_elsewhere(&self, proof: Proof) -> bool {
        let address = proof.address.get();
        let has = |first: u16, count: u8| (first..first + u16::from(count)).contains(&address);
        let mut decoders = self.plan.decoders.iter().enumerate();
        decoders.any(|(at, decoder)| {
            at != self.lesson.decoder && has(decoder.first_address.get(), decoder.outputs)
        }) || self
            .plan
            .turnouts
            .iter()
            .any(|turnout| turnout.output.is_none() && turnout.address == proof.address)
            || self.plan.signals.iter().any(|signal| {
                signal.output.is_none() && has(signal.address.get(), signal.addresses())
            })
    }
}

fn sight(saw: Saw) -> Sight {
    match saw {
        Saw::Acted { position, stays_on } => Sight::Acted { position, stays_on },
        Saw::OtherOutput(other) => Sight::OtherOutput { other },
        Saw::Elsewhere => Sight::Elsewhere,
        Saw::Nothing => Sight::Nothing,
        Saw::CannotSee | Saw::Repeat | Saw::Stop => Sight::CannotSee,
    }
}
