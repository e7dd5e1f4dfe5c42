//! A hub and a gateway node on one bus: what a client sends, the node and all other clients hear;
//! what the node sends, all hear. Nobody hears himself.

use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;

use bytes::BytesMut;
use throwproof_protocol::lcc::{CanFrame, EmergencyKind, NodeId, NodeInformationError};
use throwproof_protocol::packet::Packet;
use tokio_util::codec::{Decoder as _, Encoder as _};

use super::Tally;
use super::line::{ClientId, Input};
use super::outlet::{Outlet, Whose};
use super::rails::{Happened, NotTaken, Rails};
use crate::lcc::codec::FrameCodec;
use crate::lcc::{Happening, Node, NodeOptions};

/// The longest description of a node, in bytes without the NUL at its end.
///
/// clause: Simple Node Information S 5.
const LONGEST_DESCRIPTION: usize = 63;

#[derive(Debug)]
struct Client {
    name: Rc<str>,
    codec: FrameCodec,
    outlet: Outlet,
}

/// The hub and the node.
#[derive(Debug)]
pub(super) struct LccStation {
    node: Node,
    clients: BTreeMap<ClientId, Client>,
    /// Makes text of frames.
    encoder: FrameCodec,
    text: BytesMut,
    /// Said once, until commands are taken again.
    is_overrun: bool,
}

impl LccStation {
    /// A node that reserves its alias at once, whoever is there to hear it.
    pub(super) fn new(
        node: NodeId,
        layout: &str,
        rails: &Rails,
    ) -> Result<Self, NodeInformationError> {
        let options = NodeOptions {
            node,
            model: "simulated track".to_owned(),
            name: "Simulated track".to_owned(),
            description: described(layout).to_owned(),
        };
        let mut node = Node::gateway(&options, rails.reporting())?;
        for (address, pair_bit, made) in rails.standing() {
            node.set_contact(address, pair_bit, made);
        }
        node.start();
        Ok(Self {
            node,
            clients: BTreeMap::new(),
            encoder: FrameCodec::new(),
            text: BytesMut::new(),
            is_overrun: false,
        })
    }

    pub(super) fn input(
        &mut self,
        input: Input,
        now: Duration,
        rails: &mut Rails,
        tally: &mut Tally,
    ) {
        match input {
            // Clients are where they were.
            Input::Moved(_) => {}
            Input::Came {
                client,
                name,
                outlet,
            } => {
                tracing::info!(%name, "a client came");
                tally.clients += 1;
                let codec = FrameCodec::new();
                let new = Client {
                    name,
                    codec,
                    outlet,
                };
                self.clients.insert(client, new);
            }
            Input::Gone { client } => {
                if let Some(gone) = self.clients.remove(&client) {
                    count(&gone, tally);
                    tracing::info!(name = %gone.name, "the client is gone");
                }
            }
            Input::Said { client, mut bytes } => {
                while let Some(frame) = self.next_frame(client, &mut bytes) {
                    tracing::debug!(%frame, from = client, "heard");
                    tally.messages += 1;
                    self.forward(client, frame);
                    self.node.frame(&frame, now);
                    self.speak(now);
                    self.act(rails, tally);
                }
            }
        }
    }

    /// Tells what happened on the track, and says what the node has to say.
    pub(super) fn step(&mut self, now: Duration, happened: &[Happened]) {
        for one in happened {
            if let Happened::Contact {
                address,
                pair_bit,
                made,
            } = *one
            {
                tracing::info!(
                    address = address.get(),
                    half = pair_bit.as_u8(),
                    made,
                    "contact"
                );
                if let Err(error) = self.node.report_contact(address, pair_bit, made) {
                    tracing::warn!(%error, "a report is lost");
                }
            }
        }
        self.speak(now);
    }

    pub(super) fn next(&self) -> Option<Duration> {
        self.node.next_deadline()
    }

    /// Reserves an alias anew, as a node does that is switched off and on.
    pub(super) fn restart(&mut self) {
        tracing::info!("the node starts anew");
        self.node.start();
    }

    /// Gives the alias back.
    pub(super) fn end(&mut self, now: Duration, tally: &mut Tally) {
        self.node.release();
        self.speak(now);
        for client in self.clients.values() {
            client.outlet.end();
            count(client, tally);
        }
    }

    fn next_frame(&mut self, client: ClientId, bytes: &mut BytesMut) -> Option<CanFrame> {
        let from = self.clients.get_mut(&client)?;
        match from.codec.decode(bytes) {
            Ok(frame) => frame,
            // It never fails by itself, and the stream is not its own.
            Err(error) => {
                tracing::debug!(%error, "dropped");
                None
            }
        }
    }

    fn forward(&mut self, from: ClientId, frame: CanFrame) {
        if self.clients.len() > 1 {
            self.say(frame, Some(from));
        }
    }

    /// What the node has to say, to all.
    fn speak(&mut self, now: Duration) {
        while let Some(frame) = self.node.next_frame(now) {
            tracing::debug!(%frame, "said");
            self.say(frame, None);
        }
    }

    fn say(&mut self, frame: CanFrame, from: Option<ClientId>) {
        self.text.clear();
        if let Err(error) = self.encoder.encode(frame, &mut self.text) {
            // A buffer in memory takes anything.
            tracing::debug!(%error, "not sent");
            return;
        }
        let whose = match from {
            Some(_) => Whose::Others,
            None => Whose::Own,
        };
        for (client, to) in &self.clients {
            if Some(*client) != from {
                to.outlet.push(&self.text, whose);
            }
        }
    }

    /// Does what the node was told.
    fn act(&mut self, rails: &mut Rails, tally: &mut Tally) {
        while let Some(happening) = self.node.next_happening() {
            match happening {
                Happening::Basic { command, .. } => self.command(command.emit(), rails, tally),
                Happening::Extended { command, .. } => self.command(command.emit(), rails, tally),
                Happening::Emergency { kind, begins, .. } => {
                    tracing::info!(?kind, begins, "emergency");
                    let is_on = |kind| self.node.emergency(kind) == Some(true);
                    let is_any = is_on(EmergencyKind::Off) || is_on(EmergencyKind::Stop);
                    // Nobody waits for an answer here, so nothing can be withdrawn.
                    rails.set_power(!is_any, &mut Vec::new());
                }
                Happening::DuplicateNodeId { alias } => tracing::warn!(
                    alias,
                    "another node has the same node id; give one of them another with --node-id"
                ),
                Happening::AliasTrouble { conflicts } => tracing::warn!(
                    conflicts,
                    "no alias can be kept: does the line send back what it is sent?"
                ),
                // What others are and say among themselves.
                Happening::Permitted { .. }
                | Happening::Ready
                | Happening::AliasLost { .. }
                | Happening::Released
                | Happening::NodeSeen { .. }
                | Happening::NodeGone { .. }
                | Happening::Position { .. }
                | Happening::Standing { .. }
                | Happening::Event { .. }
                | Happening::Identified { .. }
                | Happening::RangeIdentified { .. }
                | Happening::Protocols { .. }
                | Happening::Information { .. }
                | Happening::Rejected { .. } => tracing::debug!(?happening, "told"),
            }
        }
    }

    fn command(&mut self, packet: Packet, rails: &mut Rails, tally: &mut Tally) {
        match rails.ask(packet, None) {
            Ok(()) => {
                tracing::info!(%packet, "onto the rails");
                tally.commands += 1;
                self.is_overrun = false;
            }
            Err(NotTaken::Off) => {
                tally.refused += 1;
                tracing::info!(%packet, "not onto the rails: there is an emergency");
            }
            Err(NotTaken::Full) => {
                tally.refused += 1;
                if !self.is_overrun {
                    self.is_overrun = true;
                    tracing::warn!(%packet, "not onto the rails: too many commands are waiting");
                }
            }
        }
    }
}

fn count(client: &Client, tally: &mut Tally) {
    let unread = client.outlet.dropped();
    tally.unread = tally.unread.saturating_add(unread);
    tally.garbage = tally
        .garbage
        .saturating_add(client.codec.tally().all_drops());
}

/// As much of a layout's name as fits into the description, whole characters; none after a NUL,
/// which would end it.
fn described(layout: &str) -> &str {
    let fits = |(start, one): &(usize, char)| {
        *one != '\0' && start + one.len_utf8() <= LONGEST_DESCRIPTION
    };
    let fitting = layout.char_indices().take_while(fits);
    let end = fitting
        .last()
        .map_or(0, |(start, one)| start + one.len_utf8());
    &layout[..end]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_description_fits() {
        assert_eq!(described("Kestrel Bay"), "Kestrel Bay");
        assert_eq!(described("Bay\0Quay"), "Bay");
        assert_eq!(described(""), "");
        // Two bytes each: the 32nd would end at 64.
        assert_eq!(described(&"é".repeat(40)), "é".repeat(31));
    }
}
