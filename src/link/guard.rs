//! Sees to it that no output is left active.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory, OnTime, SwitchingTime};
use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::ServiceStep;

use super::{Abilities, CannotCarry, Link, LinkError, PositionReport, Taken};

/// The longest an output stays active, whatever was asked of the link.
///
/// Twin-coil drives need 50 to 250 ms and are commonly pulsed for 100 to 500 ms; a coil of a few
/// ohms that is left on burns (common practice, no source). One second is beyond any useful
/// pulse and short of harm.
pub const LONGEST_ACTIVE: Duration = Duration::from_secs(1);

/// A link that remembers which outputs it activated, and releases them: when told to, and by
/// itself when a pause would leave one active for longer than [`LONGEST_ACTIVE`].
///
/// It reads the packets that pass through it, so it needs no help from whoever sends them. An
/// output counts as active from before its packet goes out until its release has gone out: a
/// packet of which nobody knows what became is taken for sent.
#[derive(Debug)]
pub struct Guard<L> {
    link: L,
    /// Active outputs, and since when on the link's clock.
    active: BTreeMap<(BinaryAddress, PairBit), Duration>,
    /// Where an extended packet switches a coil for a time.
    coils: BTreeSet<BinaryAddress>,
    /// Coils that one has switched on.
    switched: BTreeMap<(BinaryAddress, PairBit), Switched>,
}

/// A coil that an extended packet has switched on.
#[derive(Debug, Clone, Copy)]
struct Switched {
    /// Since when, on the link's clock.
    since: Duration,
    /// When its decoder switches it off by itself; `None` is never.
    until: Option<Duration>,
}

/// Either kind of packet that activates an output or releases one.
#[derive(Debug, Clone, Copy)]
enum Acts {
    Basic(BasicAccessory),
    /// For the coil of that address.
    Extended(BinaryAddress, SwitchingTime),
}

impl<L: Link> Guard<L> {
    /// Guards a link.
    pub fn new(link: L) -> Self {
        Self {
            link,
            active: BTreeMap::new(),
            coils: BTreeSet::new(),
            switched: BTreeMap::new(),
        }
    }

    /// Takes extended packets to these addresses for what switches a coil on for a time
    /// (RCN-213, second-hand: `RZZZZZZZ`). To any other they are an aspect, or switch what may
    /// stay on.
    #[must_use]
    pub fn minding(mut self, coils: BTreeSet<BinaryAddress>) -> Self {
        self.coils = coils;
        self
    }

    /// Is any output active?
    pub fn is_active(&self) -> bool {
        !self.active.is_empty() || self.is_switched()
    }

    fn is_switched(&self) -> bool {
        let now = self.link.now();
        self.switched.values().any(|one| !one.is_over(now))
    }

    /// Releases every active output.
    ///
    /// # Errors
    /// When the link fails for one of them; the others are released all the same.
    pub async fn release_all(&mut self) -> Result<(), LinkError> {
        let outputs: Vec<_> = self.active.keys().copied().collect();
        let mut outcome = Ok(());
        for (address, pair_bit) in outputs {
            tracing::info!(
                address = address.get(),
                output = pair_bit.as_u8(),
                "releasing"
            );
            if let Err(error) = self.release(address, pair_bit).await {
                outcome = outcome.and(Err(error));
            }
        }
        let now = self.link.now();
        self.switched.retain(|_, one| !one.is_over(now));
        let coils: Vec<_> = self.switched.keys().copied().collect();
        for (address, pair_bit) in coils {
            tracing::info!(address = address.get(), "switching off");
            if let Err(error) = self.switch_off(address, pair_bit).await {
                outcome = outcome.and(Err(error));
            }
        }
        outcome
    }

    /// The same half for no time at all.
    async fn switch_off(
        &mut self,
        address: BinaryAddress,
        pair_bit: PairBit,
    ) -> Result<(), LinkError> {
        let off = SwitchingTime {
            pair_bit,
            on_time: OnTime::Off,
        };
        let data = off.data();
        match self
            .send(&ExtendedAccessory { address, data }.emit())
            .await?
        {
            Taken::Acknowledged | Taken::Unanswered => Ok(()),
            Taken::Refused(reason) => Err(LinkError::NotReleased { address, reason }),
        }
    }

    /// What a packet does to an output, if it does anything.
    fn acts(&self, packet: &Packet) -> Option<Acts> {
        if let Ok(basic) = BasicAccessory::parse(packet) {
            return Some(Acts::Basic(basic));
        }
        let extended = ExtendedAccessory::parse(packet).ok()?;
        let is_coil = self.coils.contains(&extended.address);
        is_coil.then(|| Acts::Extended(extended.address, extended.switching_time()))
    }

    /// An extended packet to a coil.
    async fn switch(
        &mut self,
        packet: &Packet,
        address: BinaryAddress,
        time: SwitchingTime,
    ) -> Result<Taken, LinkError> {
        let now = self.link.now();
        let output = (address, time.pair_bit);
        let before = self.switched.get(&output).copied();
        let before = before.filter(|one| !one.is_over(now));
        if time.on_time != OnTime::Off {
            let lasts = time
                .milliseconds()
                .map(u64::from)
                .map(Duration::from_millis);
            let switched = Switched {
                since: before.map_or(now, |one| one.since),
                until: lasts.map(|lasts| now + lasts),
            };
            self.switched.insert(output, switched);
        }
        let taken = self.forward(packet).await?;
        match (time.on_time, &taken) {
            // What an output does depends on its last command alone.
            (OnTime::Off, Taken::Acknowledged | Taken::Unanswered) => {
                self.switched.remove(&output);
            }
            (OnTime::Tenths(_) | OnTime::UntilNext, Taken::Refused(_)) => match before {
                Some(before) => {
                    self.switched.insert(output, before);
                }
                None => {
                    self.switched.remove(&output);
                }
            },
            (OnTime::Off, Taken::Refused(_))
            | (OnTime::Tenths(_) | OnTime::UntilNext, Taken::Acknowledged | Taken::Unanswered) => {}
        }
        Ok(taken)
    }

    async fn release(
        &mut self,
        address: BinaryAddress,
        pair_bit: PairBit,
    ) -> Result<(), LinkError> {
        let release = BasicAccessory {
            address,
            pair_bit,
            activate: false,
        };
        match self.send(&release.emit()).await? {
            Taken::Acknowledged | Taken::Unanswered => Ok(()),
            Taken::Refused(reason) => Err(LinkError::NotReleased { address, reason }),
        }
    }

    async fn forward(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        let taken = self.link.send(packet).await?;
        tracing::debug!(%packet, ?taken, at = ?self.link.now(), "sent");
        Ok(taken)
    }

    /// When the first of the active outputs has to be released, and which it is.
    fn first_due(&self) -> Option<(Duration, (BinaryAddress, PairBit))> {
        self.active
            .iter()
            .map(|(output, since)| (*since + LONGEST_ACTIVE, *output))
            .min()
    }

    /// The same of coils that do not switch off by themselves before.
    fn first_switched(&self) -> Option<(Duration, (BinaryAddress, PairBit))> {
        let due = self.switched.iter().filter_map(|(output, one)| {
            let due = one.since + LONGEST_ACTIVE;
            one.until
                .is_none_or(|until| until > due)
                .then_some((due, *output))
        });
        due.min()
    }
}

impl Switched {
    /// Whether its decoder has switched it off by itself.
    fn is_over(self, now: Duration) -> bool {
        self.until.is_some_and(|until| until <= now)
    }
}

#[async_trait(?Send)]
impl<L: Link> Link for Guard<L> {
    fn name(&self) -> String {
        self.link.name()
    }

    fn abilities(&self) -> Abilities {
        self.link.abilities()
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        let BasicAccessory {
            address,
            pair_bit,
            activate,
        } = match self.acts(packet) {
            Some(Acts::Basic(basic)) => basic,
            Some(Acts::Extended(address, time)) => return self.switch(packet, address, time).await,
            None => return self.forward(packet).await,
        };
        let output = (address, pair_bit);
        let since = self.active.get(&output).copied();
        if activate {
            self.active
                .insert(output, since.unwrap_or_else(|| self.link.now()));
        }
        let taken = self.forward(packet).await?;
        let refused = matches!(taken, Taken::Refused(_));
        if (activate && refused && since.is_none()) || (!activate && !refused) {
            self.active.remove(&output);
        }
        Ok(taken)
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        let end = self.now() + time;
        loop {
            let basic = self.first_due().map(|(due, output)| (due, output, false));
            let switched = self
                .first_switched()
                .map(|(due, output)| (due, output, true));
            let first = basic.into_iter().chain(switched).min();
            let Some((due, (address, pair_bit), is_switched)) = first.filter(|one| one.0 < end)
            else {
                break;
            };
            self.link.pause(due.saturating_sub(self.now())).await?;
            tracing::warn!(address = address.get(), "active for too long, releasing");
            if is_switched {
                self.switch_off(address, pair_bit).await?;
            } else {
                self.release(address, pair_bit).await?;
            }
        }
        self.link.pause(end.saturating_sub(self.now())).await
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        self.link.reports().await
    }

    fn can_carry(&self, packet: &Packet) -> Result<(), CannotCarry> {
        self.link.can_carry(packet)
    }

    fn held(&self) -> Option<String> {
        self.link.held()
    }

    fn returns(&self) -> bool {
        self.link.returns()
    }

    /// Opens it again; what was active counts as active until it is released.
    async fn reconnect(&mut self) -> Result<(), LinkError> {
        self.link.reconnect().await
    }

    fn can_serve(&self) -> Result<(), String> {
        self.link.can_serve()
    }

    async fn serve(&mut self, step: &ServiceStep) -> Result<Option<bool>, LinkError> {
        let answer = self.link.serve(step).await?;
        tracing::debug!(packet = %step.packet, count = step.count, ?answer, "served");
        Ok(answer)
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        self.release_all().await?;
        self.link.close().await
    }
}

#[cfg(test)]
mod tests;
