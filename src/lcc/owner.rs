//! What the owner of a node has it do: command, report, ask, leave.

use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::instruction::{BasicAccessory, ExtendedAccessory};
use throwproof_protocol::lcc::{EmergencyKind, EventId, Meaning};
use throwproof_protocol::packet::Packet;

use super::duties::{Role, Side};
use super::happening::{Ask, Happening};
use super::node::{Node, SendError};
use super::outbox::{MAX_EVENTS, Outgoing};

/// How many questions of the owner's may wait.
const MAX_ASKS: usize = 4096;

impl Node {
    /// The event that stands for a packet.
    ///
    /// # Errors
    /// When none does: only basic and extended accessory commands have events.
    pub fn event_for(packet: &Packet) -> Result<EventId, SendError> {
        BasicAccessory::parse(packet)
            .map(Meaning::Basic)
            .or_else(|_| ExtendedAccessory::parse(packet).map(Meaning::Extended))
            .map(EventId::from)
            .map_err(|_| SendError::NotCarried(*packet))
    }

    /// A tester commands: the event of a packet goes out as soon as the node is ready.
    ///
    /// # Errors
    /// When no event stands for the packet, or the node is no tester, or too many are waiting.
    pub fn send_packet(&mut self, packet: &Packet) -> Result<EventId, SendError> {
        let event = Self::event_for(packet)?;
        if self.duties.role() != Role::Tester {
            return Err(SendError::NotProduced);
        }
        self.report_event(event)?;
        Ok(event)
    }

    /// How a turnout's contact stands, before anybody could see it move: no event.
    pub fn set_contact(&mut self, address: BinaryAddress, pair_bit: PairBit, made: bool) {
        self.duties.happened(Meaning::Feedback {
            address,
            pair_bit,
            made,
        });
    }

    /// A gateway reports: a turnout's contact was made or broken.
    ///
    /// # Errors
    /// When the node is no gateway, or too many events are waiting.
    pub fn report_contact(
        &mut self,
        address: BinaryAddress,
        pair_bit: PairBit,
        made: bool,
    ) -> Result<(), SendError> {
        if self.duties.role() != Role::Gateway {
            return Err(SendError::NotProduced);
        }
        if self.events.len() + 5 > MAX_EVENTS {
            return Err(SendError::Full);
        }
        if self.duties.report_turnout(address) {
            // clause: Event Transport TN 2.6: newly produced, so it is said first.
            for pair_bit in PairBit::ALL {
                for made in [true, false] {
                    let event = EventId::from(Meaning::Feedback {
                        address,
                        pair_bit,
                        made,
                    });
                    self.events.push_back(Outgoing::Announce(event));
                }
            }
        }
        self.report_event(
            Meaning::Feedback {
                address,
                pair_bit,
                made,
            }
            .into(),
        )
    }

    /// A gateway begins or ends an emergency.
    ///
    /// # Errors
    /// When the node is no gateway, or too many events are waiting.
    pub fn report_emergency(&mut self, kind: EmergencyKind, begins: bool) -> Result<(), SendError> {
        self.report_event(Meaning::Emergency { kind, begins }.into())
    }

    fn report_event(&mut self, event: EventId) -> Result<(), SendError> {
        if self.duties.validity(Side::Producer, event).is_none() {
            return Err(SendError::NotProduced);
        }
        if self.events.len() >= MAX_EVENTS {
            return Err(SendError::Full);
        }
        if let Some(meaning) = event.meaning() {
            self.duties.happened(meaning);
        }
        self.events.push_back(Outgoing::Report(event));
        Ok(())
    }

    /// Asks the other nodes something.
    ///
    /// # Errors
    /// When too many questions are waiting.
    pub fn ask(&mut self, ask: Ask) -> Result<(), SendError> {
        if self.asks.len() >= MAX_ASKS {
            return Err(SendError::Full);
        }
        if !self.asks.contains(&ask) {
            self.asks.push_back(ask);
        }
        Ok(())
    }

    /// Leaves in good order: what is waiting goes out, then the alias is given back.
    ///
    /// clause: CAN Frame Transfer S 6.2.4.
    pub fn release(&mut self) {
        self.releasing = true;
        // An event still waiting, such as a release, is worth another alias.
        if self.access.alias().is_none() && self.events.is_empty() {
            self.access.release();
            self.tell(Happening::Released);
        }
    }
}
