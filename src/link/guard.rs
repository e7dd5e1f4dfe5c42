//! Sees to it that no output is left active.

use std::collections::BTreeMap;
use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::instruction::BasicAccessory;
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
}

impl<L: Link> Guard<L> {
    /// Guards a link.
    pub fn new(link: L) -> Self {
        Self {
            link,
            active: BTreeMap::new(),
        }
    }

    /// Is any output active?
    pub fn is_active(&self) -> bool {
        !self.active.is_empty()
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
        outcome
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
        let Ok(BasicAccessory {
            address,
            pair_bit,
            activate,
        }) = BasicAccessory::parse(packet)
        else {
            return self.forward(packet).await;
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
        while let Some((due, (address, pair_bit))) = self.first_due().filter(|(due, _)| *due < end)
        {
            self.link.pause(due.saturating_sub(self.now())).await?;
            tracing::warn!(address = address.get(), "active for too long, releasing");
            self.release(address, pair_bit).await?;
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
