//! Is a profile that reads well also one that can be used?

use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, PairBit};
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::instruction::{AccessoryCv, BasicAccessory, ExtendedAccessory};

use crate::textfile::{Span, TextFile};
use crate::toml_reader::Document;

use super::command::{self, Command, MessageKind};
use super::compile::meaning;
use super::framing::{BinaryFraming, Framing};
use super::inverse::{Ambiguous, Inverse};
use super::reply::{Matcher, Pattern, Reply, Says};
use super::settings::FlowControl;
use super::station::{self, Read};
use super::{CannotSend, Means, Profile, Request};

/// Reports what keeps the profile from being used, and makes it ready.
pub(super) fn check(file: &TextFile, document: &Document<'_>, profile: &mut Profile) {
    let mut checker = Checker {
        file,
        document,
        sound: true,
    };
    checker.characters(profile);
    checker.inverses(profile);
    checker.throws(profile);
    if checker.sound {
        checker.told_apart(profile);
    }
    checker.replies(profile);
}

struct Checker<'a> {
    file: &'a TextFile,
    document: &'a Document<'a>,
    sound: bool,
}

impl Checker<'_> {
    fn report(&mut self, code: &'static str, what: &str, mend: &str, at: Span) {
        self.sound = false;
        self.document.report(meaning(code, what, mend, at));
    }

    /// Where the header of a table stands.
    fn header(&self, header: &str) -> Span {
        let start = self.file.text().find(header).unwrap_or_default();
        Span {
            start,
            end: start + header.len(),
        }
    }

    /// Can the port carry all bytes there may be?
    fn characters(&mut self, profile: &Profile) {
        let eight = match &profile.framing {
            Framing::Text(text) => text.encoding != super::Encoding::Ascii,
            Framing::Binary(_) => true,
        };
        let least = if eight { 8 } else { 7 };
        let at = self.header("[serial]");
        if profile.serial.data_bits < least {
            let what = format!(
                "{} data bits can't carry these messages, which need {least}",
                profile.serial.data_bits
            );
            let mend = "write data_bits = 8, or look the encoding up in the station's manual";
            self.report("data-bits", &what, mend, at);
        }
        let Framing::Binary(framing) = &profile.framing else {
            return;
        };
        let hidden = |byte| {
            let stuffing = framing.stuffing.as_ref();
            stuffing.is_some_and(|stuffing| stuffing.bytes.contains(&byte))
        };
        if profile.serial.flow == FlowControl::XonXoff && !(hidden(0x11) && hidden(0x13)) {
            let what = "with xon-xoff the bytes 11 and 13 never arrive, and a binary message may \
                        have them in it";
            let mend = "write flow = \"none\" or \"rts-cts\", or stuff both bytes";
            self.report("xon-xoff", what, mend, at);
        }
    }

    /// Does each message tell what it is to tell?
    fn inverses(&mut self, profile: &mut Profile) {
        for index in 0..profile.messages.len() {
            let message = &profile.messages[index];
            let (kind, span) = (message.kind, message.span);
            if kind == MessageKind::Packet && !message.template.has_packet() {
                let what = "`packet` has no place for the packet";
                let mend = "put {packet} into it, or {packet_body} where the station adds the \
                            check byte itself";
                self.report("message-lacks", what, mend, span);
                continue;
            }
            match Inverse::of(profile, kind, &message.template) {
                Ok(inverse) => profile.messages[index].inverse = Some(inverse),
                Err(ambiguous) => {
                    self.ambiguous(profile.numbering, kind, &ambiguous, span);
                }
            }
        }
    }

    fn ambiguous(
        &mut self,
        numbering: Numbering,
        kind: MessageKind,
        ambiguous: &Ambiguous,
        span: Span,
    ) {
        match ambiguous {
            Ambiguous::Missing(unknown) => {
                let what = format!("`{kind}` says nothing of {}", unknown.called());
                let mend = format!("put a place for it there, such as {{{}}}", unknown.place());
                self.report("message-lacks", &what, &mend, span);
            }
            Ambiguous::Same(commands) => {
                let [first, second] = commands.map(|command| told(numbering, &command));
                let what = format!("`{kind}` is the same for {first} and for {second}");
                let mend = "look at the expressions in it: something is lost there";
                self.report("message-same", &what, mend, span);
            }
            Ambiguous::Nothing => {
                let what = format!("`{kind}` can't carry anything: no value fits its places");
                let mend = "make the places wider, or look at the expressions";
                self.report("message-empty", &what, mend, span);
            }
        }
    }

    /// Can it throw, and is every output that is activated released again?
    fn throws(&mut self, profile: &Profile) {
        let Some(throw) = profile.message(MessageKind::Throw) else {
            if profile.message(MessageKind::Packet).is_none() {
                let what = "the profile has neither `throw` nor `packet`, and can throw nothing";
                let mend = "add throw = \"…\" and release = \"…\" to [send]";
                self.report("no-throw", what, mend, self.header("[send]"));
            }
            return;
        };
        let has_release = profile.message(MessageKind::Release).is_some();
        if !has_release && !profile.timing.releases_itself {
            let what = "`throw` activates an output, and nothing releases it: an output must \
                        never be left active";
            let mend = "add release = \"…\"; or put {activate} into `throw`, if one message does \
                        both; or write releases_itself = true in [timing], if the station's \
                        manual says that it does";
            self.report("no-release", what, mend, throw.span);
        }
        if !has_release || !self.sound {
            return;
        }
        for keyed in KeyedAddress::all() {
            let address = keyed.binary(profile.numbering);
            for side in PairBit::ALL {
                let basic = BasicAccessory::new(address, side, true);
                let facts = command::facts(profile, &basic.into());
                let Ok(thrown) = profile.fill(throw, &basic.into(), &facts) else {
                    continue;
                };
                let what = match released(profile, basic.released()) {
                    Ok(released) if released != thrown.bytes => continue,
                    Ok(_) => format!(
                        "`release` of keyed address {keyed} is the same as its `throw`, so that \
                         nothing releases the output"
                    ),
                    Err(error) => {
                        format!("keyed address {keyed} can be thrown and not released: {error}")
                    }
                };
                let mend = "write both as the station's manual has them";
                let release = profile.message(MessageKind::Release);
                let at = release.map_or(throw.span, |release| release.span);
                self.report("no-release", &what, mend, at);
                return;
            }
        }
    }

    /// Is no message taken for another?
    fn told_apart(&mut self, profile: &Profile) {
        for command in samples(profile) {
            let Ok(Some(outgoing)) = profile.encode(&command) else {
                continue;
            };
            let message = profile.message(outgoing.kind);
            let can = message.and_then(|message| message.inverse.as_ref());
            if !can.is_some_and(Inverse::is_possible) {
                continue;
            }
            let read = station::read_whole(profile, &outgoing.bytes);
            let other = match read {
                Some(Read::Request(Request::Command(found))) if found == command => continue,
                Some(Read::Request(request)) => format!("{request}"),
                None => continue,
            };
            let (kind, span) = message.map_or((outgoing.kind, Span { start: 0, end: 0 }), |m| {
                (m.kind, m.span)
            });
            let what = format!(
                "`{kind}` for {} can be taken for {other}",
                told(profile.numbering, &command)
            );
            let mend = "write both as the station's manual has them; one of them is not right";
            self.report("message-same", &what, mend, span);
            return;
        }
    }

    fn replies(&mut self, profile: &Profile) {
        let by_length = matches!(
            &profile.framing,
            Framing::Binary(framing) if is_by_layout(framing)
        );
        for (index, pattern) in profile.replies.iter().enumerate() {
            let before = &profile.replies[..index];
            let hidden = before.iter().find(|other| hides(other, pattern, by_length));
            if let Some(other) = hidden {
                let what = "this reply is never found: an earlier one is found wherever this is";
                let mend = "put the narrower one first";
                self.sound = false;
                let problem = meaning("hidden-reply", what, mend, pattern.span);
                self.document
                    .report(problem.and(other.span, "the earlier one"));
            }
            self.emitted(profile, index);
        }
    }

    /// Is what `emit` makes of a reply found to be that reply?
    fn emitted(&mut self, profile: &Profile, index: usize) {
        let pattern = &profile.replies[index];
        if pattern.emit.is_none() {
            return;
        }
        for says in said(pattern) {
            for address in sample_addresses() {
                let says = if let Says::Position { pair_bit, .. } = says {
                    Says::Position { address, pair_bit }
                } else {
                    says.clone()
                };
                let Ok(bytes) = station::emit(profile, pattern, &says, Some(address)) else {
                    // This address does not fit, others may.
                    continue;
                };
                let expected = pattern.address.as_ref().map(|_| address);
                let found = station::reply_of(profile, &bytes);
                let why = match &found {
                    Some((at, Ok(reply))) if *at == index && is_it(reply, &says, expected) => {
                        continue;
                    }
                    Some((at, _)) if *at != index => {
                        format!("reply `{}` is found first", profile.replies[*at].name)
                    }
                    Some((_, Ok(reply))) => format!("it reads as {:?}", reply.says),
                    Some((_, Err(why))) => why.to_string(),
                    None => "its `match` does not fit it".to_owned(),
                };
                let keyed = address.keyed(profile.numbering);
                let what = format!(
                    "what `emit` makes for keyed address {keyed} is not read as the same reply: \
                     {why}"
                );
                let mend = "`match` and `emit` must say the same; a narrower reply goes before \
                            a wider one";
                self.report("emit", &what, mend, pattern.span);
                return;
            }
        }
    }
}

fn released(profile: &Profile, basic: BasicAccessory) -> Result<Vec<u8>, CannotSend> {
    let command = basic.into();
    let message = profile.message(MessageKind::Release);
    let message = message.ok_or(CannotSend::NoMessage {
        command: Box::new(command),
        kinds: vec![MessageKind::Release],
    })?;
    let facts = command::facts(profile, &command);
    Ok(profile.fill(message, &command, &facts)?.bytes)
}

/// Does nothing but the replies themselves say how long a frame is?
pub(super) fn is_by_layout(framing: &BinaryFraming) -> bool {
    framing.end.is_none() && framing.length.is_none()
}

fn hides(earlier: &Pattern, later: &Pattern, by_length: bool) -> bool {
    match (&earlier.matcher, &later.matcher) {
        (Matcher::Text(..), Matcher::Text(..)) => earlier.text == later.text,
        (Matcher::Binary(first), Matcher::Binary(second)) => {
            first.hides(second) || by_length && first.hides(&second.cut_to(first.shortest()))
        }
        (Matcher::Text(..), Matcher::Binary(_)) | (Matcher::Binary(_), Matcher::Text(..)) => false,
    }
}

fn is_it(reply: &Reply, says: &Says, address: Option<BinaryAddress>) -> bool {
    let same = match (&reply.says, says) {
        (Says::Refused(_), Says::Refused(_)) | (Says::Fault(_), Says::Fault(_)) => true,
        // The reply need not say which CV.
        (Says::CvValue { cv: None, value }, Says::CvValue { value: other, .. }) => value == other,
        (found, expected) => found == expected,
    };
    same && reply.address == address
}

/// What a reply is tried with.
fn said(pattern: &Pattern) -> Vec<Says> {
    let reason = || "testing".to_owned();
    let address = BinaryAddress::MIN;
    match pattern.means {
        Means::Done => vec![Says::Done],
        Means::Refused => vec![Says::Refused(reason())],
        Means::Busy => vec![Says::Busy],
        Means::Fault => vec![Says::Fault(reason())],
        Means::PowerOn => vec![Says::Power(true)],
        Means::PowerOff => vec![Says::Power(false)],
        Means::Ignore => vec![Says::Nothing],
        Means::Position => PairBit::ALL
            .map(|pair_bit| Says::Position { address, pair_bit })
            .to_vec(),
        Means::CvValue => [(CvNumber::MIN, 0), (CvNumber::MAX, 255)]
            .map(|(cv, value)| Says::CvValue {
                cv: Some(cv),
                value,
            })
            .to_vec(),
    }
}

/// Addresses at which something may go wrong: the ends, and those where a byte is full.
fn sample_addresses() -> impl Iterator<Item = BinaryAddress> {
    let numbers = [
        40, 0, 1, 3, 4, 99, 127, 128, 255, 256, 511, 512, 1023, 1024, 2043, 2047,
    ];
    numbers
        .into_iter()
        .filter_map(|number| BinaryAddress::new(number).ok())
}

/// Commands of every kind.
fn samples(profile: &Profile) -> Vec<Command> {
    let mut commands = vec![Command::Power(true), Command::Power(false)];
    let cvs = [CvNumber::MIN, CvNumber::CONFIGURATION, CvNumber::MAX];
    for address in sample_addresses() {
        for side in PairBit::ALL {
            for activate in [true, false] {
                commands.push(BasicAccessory::new(address, side, activate).into());
            }
        }
        for data in [0, 1, 16, 255] {
            commands.push(ExtendedAccessory::new(address, data).into());
        }
        let Some(target) = profile.reach.target(address) else {
            continue;
        };
        for cv in cvs {
            let operation = CvOperation::WriteByte(128);
            let access = AccessoryCv {
                target,
                cv,
                operation,
            };
            commands.push(Command::Packet(access.emit()));
            commands.push(Command::CvRead { target, cv });
        }
    }
    for cv in cvs {
        commands.push(Command::ServiceRead { cv });
        commands.push(Command::ServiceWrite { cv, value: 3 });
    }
    commands
}

/// A command as a person reads it.
fn told(numbering: Numbering, command: &Command) -> String {
    match (command, command.address()) {
        (Command::Packet(packet), Some(address)) => {
            let keyed = address.keyed(numbering);
            format!("the packet {packet} (keyed address {keyed})")
        }
        _ => command.to_string(),
    }
}
