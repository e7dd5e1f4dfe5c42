//! A station that speaks a profile's protocol. Each client is answered what it asked; position
//! reports and the state of the power go to all.

use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use bytes::BytesMut;
use throwproof_protocol::address::BinaryAddress;

use super::Tally;
use super::line::{ClientId, Input};
use super::outlet::{Outlet, Whose};
use super::rails::{Happened, NotTaken, Rails, Token};
use crate::profile::{
    CannotServe, Command, Decoded, Heard, Profile, ProfileCodec, Request, Says, StationCodec,
};

#[derive(Debug)]
struct Client {
    name: Rc<str>,
    codec: StationCodec,
    outlet: Outlet,
    /// What came and is no whole message yet, and when it came.
    begun: BytesMut,
    last: Duration,
}

/// Who asked, and what for.
#[derive(Debug, Clone, Copy)]
struct Asked {
    client: ClientId,
    address: Option<BinaryAddress>,
    is_answered: bool,
}

/// The station.
#[derive(Debug)]
pub(super) struct ProfileStation {
    codec: StationCodec,
    clients: BTreeMap<ClientId, Client>,
    asked: BTreeMap<Token, Asked>,
    tokens: Token,
    /// Its fault reply tells in words what is wrong.
    tells_faults: bool,
}

impl ProfileStation {
    pub(super) fn new(profile: Arc<Profile>, rails: &mut Rails) -> Result<Self, CannotServe> {
        if profile.timing.releases_itself {
            rails.release_by_itself();
        }
        let codec = StationCodec::new(Arc::clone(&profile))?;
        Ok(Self {
            tells_faults: tells_faults(&codec, profile),
            codec,
            clients: BTreeMap::new(),
            asked: BTreeMap::new(),
            tokens: 0,
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
                let new = Client {
                    name,
                    codec: self.codec.clone(),
                    outlet,
                    begun: BytesMut::new(),
                    last: now,
                };
                self.clients.insert(client, new);
            }
            Input::Gone { client } => {
                if let Some(gone) = self.clients.remove(&client) {
                    count(&gone, tally);
                    tracing::info!(name = %gone.name, "the client is gone");
                }
            }
            Input::Said { client, bytes } => {
                if let Some(from) = self.clients.get_mut(&client) {
                    from.begun.extend_from_slice(&bytes);
                    from.last = now;
                }
                while let Some(heard) = self.next_heard(client, StationCodec::decode) {
                    self.heard(client, heard, rails, tally);
                }
            }
        }
    }

    /// Answers what was done, reports what moved, and gives up what was begun and not ended.
    pub(super) fn step(
        &mut self,
        now: Duration,
        happened: &[Happened],
        rails: &mut Rails,
        tally: &mut Tally,
    ) {
        for one in happened {
            self.tell(*one);
        }
        let silence = self.codec.profile().timing.silence;
        let silent = self.clients.iter().filter(|(_, client)| {
            !client.begun.is_empty() && now.saturating_sub(client.last) >= silence
        });
        let silent: Vec<_> = silent.map(|(client, _)| *client).collect();
        for client in silent {
            while let Some(heard) = self.next_heard(client, StationCodec::decode_after_silence) {
                self.heard(client, heard, rails, tally);
            }
            if let Some(client) = self.clients.get_mut(&client) {
                client.last = now;
            }
        }
    }

    /// When something that was begun is to be given up.
    pub(super) fn next(&self) -> Option<Duration> {
        let silence = self.codec.profile().timing.silence;
        let begun = self.clients.values();
        let begun = begun.filter(|client| !client.begun.is_empty());
        begun.map(|client| client.last + silence).min()
    }

    pub(super) fn end(&mut self, tally: &mut Tally) {
        for client in self.clients.values() {
            client.outlet.end();
            count(client, tally);
        }
    }

    fn next_heard(
        &mut self,
        client: ClientId,
        decode: impl Fn(&mut StationCodec, &mut BytesMut) -> Option<Heard>,
    ) -> Option<Heard> {
        let from = self.clients.get_mut(&client)?;
        decode(&mut from.codec, &mut from.begun)
    }

    fn heard(&mut self, from: ClientId, heard: Heard, rails: &mut Rails, tally: &mut Tally) {
        match heard {
            Heard::Request(request, _) => {
                tracing::debug!(%request, from, "heard");
                tally.messages += 1;
                match request {
                    Request::Command(command) => self.command(from, &command, rails, tally),
                    // Whoever says good morning is greeted, where the profile has words for it.
                    Request::Start(_) => self.answer(from, &Says::Nothing, None),
                    Request::Keepalive => {}
                }
            }
            Heard::Dropped(dropped) => {
                tracing::info!(?dropped, from, "not understood");
                if self.tells_faults {
                    let fault = Says::Fault("not understood".to_owned());
                    self.answer(from, &fault, None);
                }
            }
        }
    }

    fn command(&mut self, from: ClientId, command: &Command, rails: &mut Rails, tally: &mut Tally) {
        let profile = self.codec.profile();
        let message = profile.encode(command).ok().flatten();
        let asked = Asked {
            client: from,
            address: command.address(),
            is_answered: message.is_some_and(|one| profile.timing.is_answered(one.kind)),
        };
        let refuse = |reason: &str| Says::Refused(reason.to_owned());
        match command {
            Command::Packet(packet) => {
                self.tokens += 1;
                match rails.ask(*packet, Some(self.tokens)) {
                    Ok(()) => {
                        tracing::info!(%packet, "onto the rails");
                        tally.commands += 1;
                        self.asked.insert(self.tokens, asked);
                    }
                    Err(why) => {
                        tally.refused += 1;
                        tracing::info!(%packet, ?why, "not onto the rails");
                        self.reply(
                            asked,
                            &match why {
                                NotTaken::Full => Says::Busy,
                                NotTaken::Off => refuse("the power is off"),
                            },
                        );
                    }
                }
            }
            Command::Power(on) => {
                let mut happened = Vec::new();
                rails.set_power(*on, &mut happened);
                for one in happened {
                    self.tell(one);
                }
                self.reply(asked, &Says::Done);
                self.announce(&Says::Power(rails.is_powered()));
            }
            Command::CvRead { .. } => self.reply(asked, &refuse("no decoder answers")),
            Command::ServiceWrite { .. } | Command::ServiceRead { .. } => {
                self.reply(asked, &refuse("there is no programming track"));
            }
        }
    }

    fn tell(&mut self, happened: Happened) {
        match happened {
            Happened::Sent(token) => {
                if let Some(asked) = self.asked.remove(&token) {
                    self.reply(asked, &Says::Done);
                }
            }
            Happened::Withdrawn(token) => {
                if let Some(asked) = self.asked.remove(&token) {
                    self.reply(asked, &Says::Refused("the power is off".to_owned()));
                }
            }
            Happened::Contact {
                address,
                pair_bit,
                made: true,
            } => {
                tracing::info!(address = address.get(), half = pair_bit.as_u8(), "contact");
                self.announce(&Says::Position { address, pair_bit });
            }
            // A turnout on its way: profiles have no report for it.
            Happened::Contact { made: false, .. } => {}
        }
    }

    /// Answers a command, if such commands are answered.
    fn reply(&self, asked: Asked, says: &Says) {
        if asked.is_answered {
            self.answer(asked.client, says, asked.address);
        }
    }

    fn answer(&self, to: ClientId, says: &Says, address: Option<BinaryAddress>) {
        let Some(client) = self.clients.get(&to) else {
            return;
        };
        // A station without a word for it says the next best.
        let instead = match says {
            Says::Busy => Some(Says::Refused("busy".to_owned())),
            Says::Refused(reason) => Some(Says::Fault(reason.clone())),
            Says::Done
            | Says::Position { .. }
            | Says::Fault(_)
            | Says::Power(_)
            | Says::CvValue { .. }
            | Says::Nothing => None,
        };
        let bytes = self.codec.emit(says, address);
        let bytes = bytes.or_else(|| self.codec.emit(&instead?, address));
        if let Some(bytes) = bytes {
            client.outlet.push(&bytes, Whose::Own);
        } else {
            tracing::debug!(?says, "the profile has no words for it");
        }
    }

    fn announce(&self, says: &Says) {
        if let Some(bytes) = self.codec.emit(says, None) {
            for client in self.clients.values() {
                client.outlet.push(&bytes, Whose::Own);
            }
        }
    }
}

/// Can it say in words what is wrong? A profile whose only fault is a short circuit must not say
/// that one.
fn tells_faults(codec: &StationCodec, profile: Arc<Profile>) -> bool {
    let fault = Says::Fault("not understood".to_owned());
    let Some(bytes) = codec.emit(&fault, None) else {
        return false;
    };
    let read = ProfileCodec::new(profile).decode(&mut BytesMut::from(&bytes[..]));
    matches!(read, Some(Decoded::Reply(reply, _)) if reply.says == fault)
}

fn count(client: &Client, tally: &mut Tally) {
    tally.unread = tally.unread.saturating_add(client.outlet.dropped());
    tally.garbage = tally.garbage.saturating_add(client.codec.counters().drops);
}
