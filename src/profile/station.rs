//! The other side of the wire: messages into commands, replies into bytes. The simulated track
//! speaks a profile's protocol with it.

use std::fmt;
use std::sync::Arc;

use bytes::{Bytes, BytesMut};
use throwproof_protocol::address::BinaryAddress;

use super::codec::{Counters, Fitting, Splitter};
use super::command::{self, Command, MessageKind};
use super::framing::frames::{Dropped, Step, Why};
use super::framing::{Assembly, Framing, TextFraming};
use super::inverse::Inverse;
use super::layout::Layout;
use super::reply::{Matcher, Pattern, Says};
use super::sound::is_by_layout;
use super::value::{Facts, Value};
use super::{FrameError, Message, PlaceError, Profile};

/// The other side of the wire.
#[derive(Debug, Clone)]
pub struct StationCodec {
    profile: Arc<Profile>,
    splitter: Splitter,
    counters: Counters,
}

/// What a station is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Request {
    /// To do this.
    Command(Command),
    /// One of the messages of `start`, by its place there.
    Start(usize),
    /// Nothing: we are still there.
    Keepalive,
}

impl fmt::Display for Request {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Command(command) => command.fmt(f),
            Self::Start(index) => write!(f, "message {} of `start`", index + 1),
            Self::Keepalive => f.write_str("`keepalive`"),
        }
    }
}

/// What came in at the station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// A request, and its bytes without what is around it.
    Request(Request, Bytes),
    /// Bytes that are none.
    Dropped(Dropped),
}

/// Why a profile can't be served.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CannotServe {
    /// A message mixes too many values in one number to be read back.
    #[error(
        "the profile's `{0}` mixes too many values in one number to be read back: give address, \
         CV and value places of their own"
    )]
    Mixed(MessageKind),
    /// A message has no length of its own, and nothing else says how long it is.
    #[error(
        "the profile's `{0}` may have any length, and nothing in [framing] says where it ends: \
         add a length or an end"
    )]
    Open(MessageKind),
}

/// Why a reply can't be sent.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum CannotEmit {
    #[error(transparent)]
    Place(#[from] PlaceError),
    #[error(transparent)]
    Frame(#[from] FrameError),
    /// It has a place for what is not known.
    #[error("the reply has a place for what is not known")]
    NotKnown,
}

impl StationCodec {
    /// A station that has heard nothing yet.
    ///
    /// # Errors
    /// When messages of the profile can't be read back.
    pub fn new(profile: Arc<Profile>) -> Result<Self, CannotServe> {
        can_serve(&profile)?;
        let layouts = profile.messages.iter();
        let layouts = layouts.filter_map(|message| message.template.layout().cloned());
        let splitter = Splitter::new(&heard_framing(&profile.framing), layouts.collect());
        Ok(Self {
            profile,
            splitter,
            counters: Counters::default(),
        })
    }

    /// The profile.
    pub fn profile(&self) -> &Arc<Profile> {
        &self.profile
    }

    /// What went through it.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// The next that came in, taken out of the buffer; `None` until more comes.
    pub fn decode(&mut self, source: &mut BytesMut) -> Option<Heard> {
        let step = self.splitter.next(source);
        self.understand(step)
    }

    /// The same after a silence: what was begun is given up.
    pub fn decode_after_silence(&mut self, source: &mut BytesMut) -> Option<Heard> {
        let step = self.splitter.next_after_silence(source);
        self.understand(step)
    }

    /// The bytes that say this; `None` where no reply of the profile has an `emit` for it.
    /// `address` is that of the command which is answered.
    pub fn emit(&self, says: &Says, address: Option<BinaryAddress>) -> Option<Bytes> {
        let patterns = self.profile.replies.iter();
        let mut patterns =
            patterns.filter(|pattern| pattern.means == says.means() && pattern.emit.is_some());
        patterns.find_map(|pattern| emit(&self.profile, pattern, says, address).ok())
    }

    fn understand(&mut self, step: Step) -> Option<Heard> {
        let dropped = match step {
            Step::NeedMore => return None,
            Step::Dropped(dropped) => dropped,
            Step::Frame(body) => match read(&self.profile, &body) {
                Ok(Some(request)) => {
                    self.counters.messages += 1;
                    return Some(Heard::Request(request, body));
                }
                Ok(None) => Dropped::new(body.len(), &body, Why::Unknown),
                Err(why) => Dropped::new(body.len(), &body, why),
            },
        };
        self.counters.count(&dropped);
        Some(Heard::Dropped(dropped))
    }
}

/// Can the messages of a profile be read back?
pub(super) fn can_serve(profile: &Profile) -> Result<(), CannotServe> {
    let by_layout = matches!(
        &profile.framing,
        Framing::Binary(framing) if is_by_layout(framing)
    );
    for message in &profile.messages {
        if !message.inverse.as_ref().is_some_and(Inverse::is_possible) {
            return Err(CannotServe::Mixed(message.kind));
        }
        let layout = message.template.layout();
        if by_layout && layout.is_some_and(Layout::has_run) {
            return Err(CannotServe::Open(message.kind));
        }
    }
    Ok(())
}

/// The framing of what a station hears: lines end as we end ours.
fn heard_framing(framing: &Framing) -> Framing {
    match framing {
        Framing::Binary(binary) => Framing::Binary(binary.clone()),
        Framing::Text(text) => Framing::Text(TextFraming {
            line_ends_in: vec![text.line_end.clone()],
            ..text.clone()
        }),
    }
}

/// The framing of what a station says: lines end as the first line end that we take.
fn said_framing(framing: &Framing) -> Framing {
    match framing {
        Framing::Binary(binary) => Framing::Binary(binary.clone()),
        Framing::Text(text) => Framing::Text(TextFraming {
            line_end: text.line_ends_in.first().unwrap_or(&text.line_end).clone(),
            ..text.clone()
        }),
    }
}

/// What the message of a frame asks.
fn read(profile: &Profile, body: &[u8]) -> Result<Option<Request>, Why> {
    let text = profile.text_of(body)?;
    let mut starts = 0;
    for message in &profile.messages {
        let start = starts;
        starts += usize::from(message.kind == MessageKind::Start);
        if let Some(request) = read_as(profile, message, start, body, text.as_deref()) {
            return Ok(Some(request));
        }
    }
    Ok(None)
}

/// What the message of a frame asks, if it is this one: it must be what the message would be.
fn read_as(
    profile: &Profile,
    message: &Message,
    start: usize,
    body: &[u8],
    text: Option<&str>,
) -> Option<Request> {
    let filled = message.template.read(body, text)?;
    let (request, facts) = match message.kind {
        MessageKind::Start => (Request::Start(start), Facts::default()),
        MessageKind::Keepalive => (Request::Keepalive, Facts::default()),
        MessageKind::Throw
        | MessageKind::Release
        | MessageKind::Aspect
        | MessageKind::Packet
        | MessageKind::CvWrite
        | MessageKind::CvRead
        | MessageKind::ServiceWrite
        | MessageKind::ServiceRead
        | MessageKind::PowerOn
        | MessageKind::PowerOff => {
            let inverse = message.inverse.as_ref()?;
            let command = inverse.command(profile, &filled)?;
            (Request::Command(command), command::facts(profile, &command))
        }
    };
    let again = message.template.fill(&facts).ok()?;
    (again.bytes == body).then_some(request)
}

/// What was read from bytes that are one frame.
pub(super) enum Read {
    Request(Request),
}

/// What bytes that are one frame ask.
pub(super) fn read_whole(profile: &Profile, bytes: &[u8]) -> Option<Read> {
    let layouts = profile.messages.iter();
    let layouts = layouts.filter_map(|message| message.template.layout().cloned());
    let mut splitter = Splitter::new(&heard_framing(&profile.framing), layouts.collect());
    match splitter.next(&mut BytesMut::from(bytes)) {
        Step::Frame(body) => read(profile, &body).ok()?.map(Read::Request),
        Step::Dropped(_) | Step::NeedMore => None,
    }
}

/// The reply that bytes which are one frame are, by its place in the profile.
pub(super) fn reply_of(profile: &Profile, bytes: &[u8]) -> Option<Fitting> {
    let layouts = profile.replies.iter();
    let layouts = layouts.filter_map(|reply| match &reply.matcher {
        Matcher::Binary(layout) => Some(layout.clone()),
        Matcher::Text(..) => None,
    });
    let mut splitter = Splitter::new(&profile.framing, layouts.collect());
    match splitter.next(&mut BytesMut::from(bytes)) {
        Step::Frame(body) => profile.find_reply(&body).ok()?,
        Step::Dropped(_) | Step::NeedMore => None,
    }
}

/// The bytes of a reply, frame and all. Only for a pattern that has an `emit`.
pub(super) fn emit(
    profile: &Profile,
    pattern: &Pattern,
    says: &Says,
    address: Option<BinaryAddress>,
) -> Result<Bytes, CannotEmit> {
    let mut facts = Facts::default();
    let own = if let Says::Position { address, .. } = says {
        Some(*address)
    } else {
        None
    };
    let address = own.or(address);
    let lacks_cv = matches!(says, Says::CvValue { cv: None, .. });
    let wants = |value| pattern.emit.as_ref().is_some_and(|emit| emit.uses(value));
    if pattern.address.is_some() && address.is_none() || lacks_cv && wants(Value::Cv) {
        return Err(CannotEmit::NotKnown);
    }
    if let Some(address) = address {
        facts.set_address(address, profile.numbering);
    }
    match says {
        Says::Refused(reason) | Says::Fault(reason) => facts.reason = Some(reason.clone()),
        Says::Position { pair_bit, .. } => facts.set_side(*pair_bit, profile.positions.as_ref()),
        Says::CvValue { cv, value } => {
            if let Some(cv) = cv {
                facts.set_cv(*cv);
            }
            facts.set(Value::Data, (*value).into());
        }
        Says::Done | Says::Busy | Says::Power(_) | Says::Nothing => {}
    }
    let body = match &pattern.emit {
        Some(emit) => emit.fill(&facts)?,
        None => Assembly::default(),
    };
    Ok(said(profile, body)?.bytes.into())
}

/// A message as the station sends it.
pub(super) fn said(profile: &Profile, body: Assembly) -> Result<Assembly, FrameError> {
    said_framing(&profile.framing).wrap(body)
}
