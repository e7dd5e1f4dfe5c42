//! How packets leave the computer.

use std::time::Duration;

use async_trait::async_trait;
use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::ServiceStep;

mod actor;
mod clock;
mod driver;
pub mod guard;
mod lcc;
pub mod live;
pub mod none;
pub mod ports;
mod profile;
pub mod transport;
pub mod wire;

pub use lcc::LccLink;
pub use live::{Live, Patience};
pub use profile::ProfileLink;

/// What a link can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "four independent abilities, each a yes or no"
)]
pub struct Abilities {
    /// It carries any packet, not only accessory commands.
    pub raw_packets: bool,
    /// Position reports come back.
    pub position_reports: bool,
    /// It can read and write CVs.
    pub cv_access: bool,
    /// It can switch the rails' power.
    pub power: bool,
}

/// What became of a packet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Taken {
    /// The station says that it is on the rails; or its protocol has no such answer, and it was
    /// written.
    Acknowledged,
    /// The station says no.
    Refused(String),
    /// The station says nothing.
    Unanswered,
}

/// A position report from the layout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PositionReport {
    /// Time on the link's clock.
    pub at: Duration,
    /// The address it speaks for.
    pub address: BinaryAddress,
    /// Which of the pair's contacts it speaks of.
    pub pair_bit: PairBit,
    /// Whether that contact was made, so that the turnout lies there, or broken, so that it has
    /// left. A layout that only reports arrivals never says broken.
    pub made: bool,
}

/// Why a link can't carry a packet, ever.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the {link} can't carry packet {packet}: {reason}")]
pub struct CannotCarry {
    /// The link.
    pub link: String,
    /// The packet.
    pub packet: Packet,
    /// Why not.
    pub reason: String,
}

/// Why a link can't go on.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// It is gone.
    #[error("the link is gone: {0}")]
    Lost(String),
    /// It did not come back within this time.
    #[error("the link is gone and did not come back within {} s: {reason}", waited.as_secs())]
    StaysLost {
        /// Why it can't be opened again.
        reason: String,
        /// How long it was waited for.
        waited: Duration,
    },
    /// It can't be opened again.
    #[error("the {0} can't be opened again")]
    NoReturn(String),
    /// It has no programming track.
    #[error("the {0} has no programming track that can be reached")]
    NoService(String),
    /// The station would not release an output that it had activated.
    #[error("the station refused to release binary address {}: {reason}", address.get())]
    NotReleased {
        /// The address.
        address: BinaryAddress,
        /// What the station said.
        reason: String,
    },
}

/// How packets leave the computer. A link has its own clock, so that a simulated one need not
/// wait for the wall.
#[async_trait(?Send)]
pub trait Link {
    /// What a person calls it: `simulated track`.
    fn name(&self) -> String;

    /// What it can do.
    fn abilities(&self) -> Abilities;

    /// Time on the link's clock since it was opened.
    fn now(&self) -> Duration;

    /// Puts a packet on the rails, as often as the station repeats it. Not to be dropped
    /// half-way: whether the packet went out would be unknown.
    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError>;

    /// Lets time pass on the link's clock. May be dropped half-way.
    async fn pause(&mut self, time: Duration) -> Result<(), LinkError>;

    /// Position reports that came since the last call.
    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError>;

    /// Can it ever carry such a packet? Asked for every packet of a plan before anything moves.
    ///
    /// # Errors
    /// Why not.
    fn can_carry(&self, _packet: &Packet) -> Result<(), CannotCarry> {
        Ok(())
    }

    /// Why nothing may be sent now: an emergency stop on the layout, no power, a fault that the
    /// station reports. `None` when all is well.
    fn held(&self) -> Option<String> {
        None
    }

    /// Can it come back when it is lost?
    fn returns(&self) -> bool {
        false
    }

    /// One try to open a lost link again. Commands from before are forgotten. May be dropped
    /// half-way.
    ///
    /// # Errors
    /// Why it can't be opened, yet or ever: [`LinkError::NoReturn`] is for ever.
    async fn reconnect(&mut self) -> Result<(), LinkError> {
        Err(LinkError::NoReturn(self.name()))
    }

    /// Whether it has a programming track, and can send service mode packets to it: so many and no
    /// fewer, with the long preamble, and nothing between them (S-9.2.3, July 2012, section E).
    ///
    /// # Errors
    /// Why not.
    fn can_serve(&self) -> Result<(), String> {
        Err(format!(
            "the {} can't count packets of service mode out, nor listen for the acknowledgement",
            self.name()
        ))
    }

    /// Carries out one step of service mode on the programming track. Says whether an
    /// acknowledgement came, where the step listens for one. Not to be dropped half-way.
    async fn serve(&mut self, _step: &ServiceStep) -> Result<Option<bool>, LinkError> {
        Err(LinkError::NoService(self.name()))
    }

    /// Ends the link in good order.
    async fn close(&mut self) -> Result<(), LinkError>;
}

#[async_trait(?Send)]
impl<L: Link + ?Sized> Link for &mut L {
    fn name(&self) -> String {
        (**self).name()
    }

    fn abilities(&self) -> Abilities {
        (**self).abilities()
    }

    fn now(&self) -> Duration {
        (**self).now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        (**self).send(packet).await
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        (**self).pause(time).await
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        (**self).reports().await
    }

    fn can_carry(&self, packet: &Packet) -> Result<(), CannotCarry> {
        (**self).can_carry(packet)
    }

    fn held(&self) -> Option<String> {
        (**self).held()
    }

    fn returns(&self) -> bool {
        (**self).returns()
    }

    async fn reconnect(&mut self) -> Result<(), LinkError> {
        (**self).reconnect().await
    }

    fn can_serve(&self) -> Result<(), String> {
        (**self).can_serve()
    }

    async fn serve(&mut self, step: &ServiceStep) -> Result<Option<bool>, LinkError> {
        (**self).serve(step).await
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        (**self).close().await
    }
}
