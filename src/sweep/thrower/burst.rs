//! Throws that follow each other as a route's do, whether the ones before have ended or not.

use std::time::Duration;

use throwproof_protocol::packet::Packet;

use super::{Halt, Thrower};
use crate::event::{EventKind, Step, Subject};
use crate::link::{Link as _, Taken};
use crate::plan::Id;
use crate::sweep::command::Command;

/// A packet of a burst, and when it is due after the burst began.
struct Due {
    after: Duration,
    packet: Packet,
    /// Which throw it begins; `None` for a release.
    begins: Option<usize>,
}

impl Thrower<'_, '_> {
    /// Makes those throws with that gap from start to start, once every supply has recovered, and
    /// waits until all have settled. The longest gap there really was, or the station's reason if
    /// it refuses one.
    pub(in crate::sweep) async fn burst(
        &mut self,
        throws: &[(Subject, Step, Id)],
        gap: Duration,
    ) -> Result<Result<Duration, String>, Halt> {
        let mut commands = Vec::new();
        for (subject, _, commanded) in throws {
            let command = Command::new(self.plan, subject, commanded)?;
            self.wait_for_supply(command.coils).await?;
            commands.push(command);
        }
        let mut due = Vec::new();
        let mut after = Duration::ZERO;
        for (at, command) in commands.iter().enumerate() {
            due.push(Due {
                after,
                packet: command.packet,
                begins: Some(at),
            });
            due.extend(command.release.iter().map(|(hold, release)| Due {
                after: after + *hold,
                packet: *release,
                begins: None,
            }));
            after += gap;
        }
        // Where both are due at once the release goes first: it takes the current away.
        due.sort_by_key(|one| (one.after, one.begins.is_some()));
        let began = self.link.now();
        let mut starts: Vec<Duration> = Vec::new();
        for one in due {
            self.pause((began + one.after).saturating_sub(self.link.now()))
                .await?;
            if let (Some(at), Some(reason)) = (one.begins, self.stop.reason()) {
                tracing::debug!(at, "the burst is broken off");
                return Err(Halt::Stop(reason));
            }
            if one.begins.is_some() {
                starts.push(self.link.now());
            }
            match self.link.send(&one.packet).await? {
                Taken::Refused(reason) if one.begins.is_some() => {
                    self.link.release_all().await?;
                    return Ok(Err(reason));
                }
                Taken::Refused(_) => self.link.release_all().await?,
                Taken::Acknowledged | Taken::Unanswered => {}
            }
        }
        self.say_burst(throws, &commands).await?;
        let settle = commands.iter().map(|command| command.settle).max();
        self.pause(settle.unwrap_or_default()).await?;
        let gaps = starts.windows(2).map(|pair| match pair {
            [one, next] => next.saturating_sub(*one),
            _ => Duration::ZERO,
        });
        Ok(Ok(gaps.max().unwrap_or_default()))
    }

    /// Says what was sent, now that nothing is active any more.
    async fn say_burst(
        &mut self,
        throws: &[(Subject, Step, Id)],
        commands: &[Command],
    ) -> Result<(), Halt> {
        let now = self.link.now();
        for ((subject, step, commanded), command) in throws.iter().zip(commands) {
            self.throws += 1;
            if let Some(coils) = command.coils {
                self.recovered.insert(coils.supply, now + coils.recovery);
            }
            self.say(EventKind::ThrowSent {
                subject: subject.clone(),
                throw: self.throws,
                step: *step,
                commanded: commanded.clone(),
                address: command.address.get(),
                packet: command.packet.to_string(),
                // One with several drives keeps an order of its own and takes no part.
                further: Vec::new(),
            })
            .await?;
        }
        Ok(())
    }
}
