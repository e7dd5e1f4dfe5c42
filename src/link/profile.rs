//! A link to a station whose protocol a profile describes.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use bytes::{Bytes, BytesMut};
use throwproof_protocol::packet::Packet;

use super::driver::{Driver, News, Ticket};
use super::live::{Engine, Live, Patience, Protocol};
use super::transport::{OpenError, Opener};
use super::{Abilities, PositionReport, Taken};
use crate::profile::{
    Answers, Command, Decoded, Means, MessageKind, Outgoing, Profile, ProfileCodec, Reply, Says,
};

/// How long to wait before a busy station is asked again, at least. It doubles each time.
const BUSY_WAIT: Duration = Duration::from_millis(50);

/// How often a busy station is asked at least, even by a profile without retries.
const BUSY_TRIES: u32 = 5;

/// A link to a station that a profile describes.
#[derive(Debug)]
pub struct ProfileLink;

impl ProfileLink {
    /// Opens it and sends the start messages.
    ///
    /// # Errors
    /// When the line can't be opened.
    pub async fn open(
        profile: Arc<Profile>,
        opener: Box<dyn Opener>,
        patience: Patience,
    ) -> Result<Live, OpenError> {
        Live::open(Box::new(Station { profile }), opener, patience).await
    }
}

struct Station {
    profile: Arc<Profile>,
}

impl Protocol for Station {
    fn name(&self) -> String {
        self.profile.name.clone()
    }

    fn abilities(&self) -> Abilities {
        let able = self.profile.abilities();
        Abilities {
            raw_packets: able.raw_packets,
            position_reports: able.position_reports,
            cv_access: able.cv_read && able.cv_write,
            power: able.power,
        }
    }

    fn can_carry(&self, packet: &Packet) -> Result<(), String> {
        self.profile
            .can_send(packet)
            .map_err(|error| error.to_string())
    }
}

impl Engine for Station {
    fn driver(&self) -> Box<dyn Driver> {
        Box::new(ProfileDriver::new(Arc::clone(&self.profile)))
    }
}

/// A message to be sent.
#[derive(Debug, Clone)]
struct Job {
    /// Whose command it is; none for start and keepalive.
    ticket: Option<Ticket>,
    kind: MessageKind,
    command: Option<Command>,
    bytes: Bytes,
    /// How often it went out.
    sent: u32,
    /// How often the station was busy.
    busy: u32,
    /// Not before this.
    not_before: Duration,
    stage: Stage,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// It has yet to go out.
    Waiting,
    /// It is being written.
    Writing,
    /// An answer is awaited until then.
    Sent(Duration),
}

/// How far the station is with us.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// Start messages are under way.
    Greeting,
    /// Commands go out.
    Open,
    /// Nothing more is taken.
    Leaving,
}

/// One message at a time: the next goes out when the one before has its outcome.
struct ProfileDriver {
    profile: Arc<Profile>,
    codec: ProfileCodec,
    jobs: VecDeque<Job>,
    phase: Phase,
    /// Messages to the station go out no earlier.
    next_at: Duration,
    /// The same for all but a release.
    next_throw_at: Duration,
    last_sent: Duration,
    last_heard: Duration,
    /// A message has been begun and not ended.
    inside: bool,
    no_power: bool,
    fault: Option<String>,
    news: VecDeque<News>,
}

impl ProfileDriver {
    fn new(profile: Arc<Profile>) -> Self {
        Self {
            codec: ProfileCodec::new(Arc::clone(&profile)),
            profile,
            jobs: VecDeque::new(),
            phase: Phase::Greeting,
            next_at: Duration::ZERO,
            next_throw_at: Duration::ZERO,
            last_sent: Duration::ZERO,
            last_heard: Duration::ZERO,
            inside: false,
            no_power: false,
            fault: None,
            news: VecDeque::new(),
        }
    }

    fn queue(&mut self, ticket: Option<Ticket>, command: Option<Command>, outgoing: Outgoing) {
        self.jobs.push_back(Job {
            ticket,
            kind: outgoing.kind,
            command,
            bytes: outgoing.bytes,
            sent: 0,
            busy: 0,
            not_before: Duration::ZERO,
            stage: Stage::Waiting,
        });
    }

    /// When the first job may go out.
    fn may_go_at(&self, job: &Job) -> Duration {
        let pace = if job.kind == MessageKind::Release {
            self.next_at
        } else {
            self.next_at.max(self.next_throw_at)
        };
        pace.max(job.not_before)
    }

    /// The first job has its outcome.
    fn finish(&mut self, taken: Taken) {
        if let Some(job) = self.jobs.pop_front()
            && let Some(ticket) = job.ticket
        {
            self.news.push_back(News::Taken(ticket, taken));
        }
        self.look_at_end();
    }

    fn look_at_end(&mut self) {
        if !self.jobs.is_empty() {
            return;
        }
        match self.phase {
            Phase::Greeting => {
                self.phase = Phase::Open;
                self.news.push_back(News::Ready);
            }
            Phase::Open => {}
            Phase::Leaving => self.news.push_back(News::Left),
        }
    }

    fn heard(&mut self, reply: &Reply, now: Duration) {
        match &reply.says {
            Says::Position { address, pair_bit } => {
                self.news.push_back(News::Position(PositionReport {
                    at: now,
                    address: *address,
                    pair_bit: *pair_bit,
                    made: true,
                }));
            }
            Says::Power(on) => {
                self.no_power = !on;
                if *on {
                    self.fault = None;
                }
                self.look_whether_held();
            }
            Says::Fault(reason) => self.fault(reason),
            Says::Done | Says::Refused(_) | Says::Busy | Says::CvValue { .. } | Says::Nothing => {}
        }
        self.answer(reply, now);
    }

    /// The reply as the answer to the message that waits for one.
    fn answer(&mut self, reply: &Reply, now: Duration) {
        let Some(job) = self.jobs.front() else { return };
        let waits = matches!(job.stage, Stage::Sent(_));
        let is_answer = match &job.command {
            Some(command) => reply.is_answer_to(command),
            None => reply.answers == Answers::Order,
        };
        if !waits || !is_answer {
            return;
        }
        match &reply.says {
            Says::Done | Says::CvValue { .. } | Says::Position { .. } | Says::Power(_) => {
                self.finish(Taken::Acknowledged);
            }
            Says::Refused(reason) if reason.is_empty() => {
                let reason = "the station does not say why".to_owned();
                self.finish(Taken::Refused(reason));
            }
            Says::Refused(reason) | Says::Fault(reason) => {
                self.finish(Taken::Refused(reason.clone()));
            }
            Says::Busy => self.busy(now),
            Says::Nothing => {}
        }
    }

    fn busy(&mut self, now: Duration) {
        let tries = BUSY_TRIES.max(u32::from(self.profile.timing.retries) + 1);
        let Some(job) = self.jobs.front_mut() else {
            return;
        };
        job.busy += 1;
        if job.busy >= tries {
            let reason = format!("it was busy all of {tries} times");
            self.finish(Taken::Refused(reason));
            return;
        }
        job.not_before = now + BUSY_WAIT * (1 << (job.busy - 1).min(5));
        job.stage = Stage::Waiting;
        job.sent = 0;
    }

    fn fault(&mut self, reason: &str) {
        let reason = if reason.is_empty() { "a fault" } else { reason };
        if self.profile.hears(Means::PowerOn) {
            self.fault = Some(reason.to_owned());
            self.look_whether_held();
        } else {
            // Nothing would ever say that it is over.
            let remark = format!("the station reports: {reason}");
            self.news.push_back(News::Remark(remark));
        }
    }

    fn look_whether_held(&mut self) {
        let held = match (&self.fault, self.no_power) {
            (Some(reason), _) => Some(format!("the station reports: {reason}")),
            (None, true) => Some("the station says that the rails have no power".to_owned()),
            (None, false) => None,
        };
        self.news.push_back(News::Held(held));
    }

    fn take(&mut self, decoded: Decoded, now: Duration) {
        match decoded {
            Decoded::Reply(reply, _) => self.heard(&reply, now),
            Decoded::Dropped(dropped) => tracing::debug!(?dropped, "dropped"),
        }
    }

    /// The answer did not come: once more, or no more.
    fn overdue(&mut self, now: Duration) {
        let retries = u32::from(self.profile.timing.retries);
        let Some(job) = self.jobs.front_mut() else {
            return;
        };
        if !matches!(job.stage, Stage::Sent(until) if until <= now) {
            return;
        }
        if job.sent > retries {
            self.finish(Taken::Unanswered);
        } else {
            job.stage = Stage::Waiting;
        }
    }

    fn silence_ends(&self) -> Option<Duration> {
        let silence = self.profile.timing.silence;
        (self.inside && !silence.is_zero()).then(|| self.last_heard + silence)
    }

    fn keepalive_at(&self) -> Option<Duration> {
        let every = self.profile.timing.keepalive;
        let idle = self.jobs.is_empty() && self.phase == Phase::Open;
        (idle && !every.is_zero()).then(|| self.last_sent + every)
    }
}

impl Driver for ProfileDriver {
    fn opened(&mut self, now: Duration) {
        self.last_sent = now;
        self.last_heard = now;
        for message in self.profile.start() {
            self.queue(None, None, message);
        }
        self.look_at_end();
    }

    fn receive(&mut self, source: &mut BytesMut, now: Duration) {
        self.last_heard = now;
        while let Some(decoded) = self.codec.decode(source) {
            self.take(decoded, now);
        }
        self.inside = !source.is_empty();
    }

    fn tick(&mut self, source: &mut BytesMut, now: Duration) {
        if self.silence_ends().is_some_and(|end| end <= now) {
            while let Some(decoded) = self.codec.decode_after_silence(source) {
                self.take(decoded, now);
            }
            self.inside = false;
        }
        self.overdue(now);
        if self.keepalive_at().is_some_and(|at| at <= now) {
            self.last_sent = now;
            if let Some(message) = self.profile.keepalive() {
                self.queue(None, None, message);
            }
        }
    }

    fn deadline(&self) -> Option<Duration> {
        let job = self.jobs.front().and_then(|job| match job.stage {
            Stage::Waiting => Some(self.may_go_at(job)),
            Stage::Writing => None,
            Stage::Sent(until) => Some(until),
        });
        [job, self.silence_ends(), self.keepalive_at()]
            .into_iter()
            .flatten()
            .min()
    }

    fn submit(&mut self, ticket: Ticket, packet: &Packet, _now: Duration) {
        let command = Command::Packet(*packet);
        match self.codec.encode(&command) {
            Ok(Some(outgoing)) => self.queue(Some(ticket), Some(command), outgoing),
            // The station releases outputs by itself.
            Ok(None) => self
                .news
                .push_back(News::Taken(ticket, Taken::Acknowledged)),
            Err(error) => {
                let refused = Taken::Refused(error.to_string());
                self.news.push_back(News::Taken(ticket, refused));
            }
        }
    }

    fn output(&mut self, out: &mut BytesMut, now: Duration) {
        let Some(job) = self.jobs.front() else { return };
        if job.stage != Stage::Waiting || self.may_go_at(job) > now {
            return;
        }
        if let Some(job) = self.jobs.front_mut() {
            out.extend_from_slice(&job.bytes);
            job.stage = Stage::Writing;
            job.sent += 1;
        }
    }

    fn written(&mut self, now: Duration) {
        let timing = &self.profile.timing;
        self.last_sent = now;
        self.next_at = now + timing.gap;
        let Some(job) = self.jobs.front_mut() else {
            return;
        };
        if job.kind == MessageKind::Throw {
            self.next_throw_at = now + timing.after_throw;
        }
        if timing.is_answered(job.kind) {
            job.stage = Stage::Sent(now + timing.reply);
        } else {
            self.finish(Taken::Acknowledged);
        }
    }

    fn leave(&mut self, _now: Duration) {
        self.phase = Phase::Leaving;
        self.look_at_end();
    }

    fn news(&mut self) -> Option<News> {
        self.news.pop_front()
    }

    fn dropped(&self) -> String {
        let counters = self.codec.counters();
        if counters.drops == 0 {
            return String::new();
        }
        format!(
            "{} bytes in {} pieces that are no message of the profile",
            counters.dropped_bytes, counters.drops
        )
    }
}
