//! What the tables and keys of a profile mean.

use std::time::Duration;

use throwproof_protocol::address::Numbering;

use crate::textfile::{Span, TextFile};
use crate::toml_reader::{Document, Located, Problem, Problems, Table, nearest};

use super::command::{CvReach, MessageKind};
use super::compile::{Compiler, Source, meaning};
use super::framing::Framing;
use super::reply::{Means, Pattern};
use super::settings::{Dtr, FlowControl, Parity, Serial, Timing};
use super::template::Template;
use super::value::Value;
use super::{Message, Positions, Profile, sound};

mod around;
mod replies;

/// Longest name and notes, characters.
const LONGEST_TEXT: usize = 2000;

/// Most replies: each costs time for every message that comes in.
const MOST_REPLIES: usize = 100;

/// Most messages of `start`.
const MOST_STARTS: usize = 16;

/// How long a reply may take where the profile does not say, milliseconds.
const REPLY_MS: u32 = 500;

/// Silence after which a message that was begun is given up, milliseconds.
const SILENCE_MS: u32 = 100;

/// The profile of a file.
pub(super) fn profile(file: TextFile) -> Result<Profile, Problems> {
    let (problems, more) = {
        let document = match Document::parse(&file) {
            Ok(document) => document,
            Err((list, more)) => {
                return Err(Problems { file, list, more });
            }
        };
        let read = parts(&file, &document);
        if let Some(mut profile) = read {
            if document.is_sound() {
                sound::check(&file, &document, &mut profile);
            }
            if document.is_sound() {
                file.path().clone_into(&mut profile.source);
                return Ok(profile);
            }
        }
        document.into_problems()
    };
    let list = problems;
    Err(Problems { file, list, more })
}

fn parts(file: &TextFile, document: &Document<'_>) -> Option<Profile> {
    let root = document.root();
    let head = root.table("profile").required();
    let head = head.and_then(|table| head_of(table.value));
    let serial = root.table("serial").required();
    let serial = serial.and_then(|table| serial_of(table.value));
    let framing = root.table("framing").required();
    let framing = framing.and_then(|table| around::framing(table.value));
    let positions = root.table("positions").optional();
    let send = root.table("send").required();
    let replies = root.tables("reply");
    let timing = root.table("timing").optional();
    root.finish();
    // Without it nothing is known of the rest.
    let framing = framing?;
    let positions = positions.map(|table| positions_of(table.value, &framing));
    let compiler = Compiler {
        file,
        framing: &framing,
        positions: positions.as_ref(),
    };
    let (messages, reach) = send.map(|table| send_of(&compiler, table.value)).unzip();
    let messages = messages.unwrap_or_default();
    if let Some(table) = replies.get(MOST_REPLIES) {
        let what = format!("more than {MOST_REPLIES} replies");
        let mend = "let one pattern cover several, and leave out what means nothing";
        table.report(meaning("replies", what, mend, table.span()));
    }
    let replies: Vec<Pattern> = replies
        .into_iter()
        .take(MOST_REPLIES)
        .filter_map(|table| replies::reply(&compiler, table))
        .collect();
    let timing = timing_of(timing.map(|table| table.value), &messages, &replies);
    let (name, notes, numbering) = head?;
    Some(Profile {
        source: file.path().to_owned(),
        name,
        notes,
        numbering,
        serial: serial?,
        timing,
        framing,
        reach: reach?,
        positions,
        messages,
        replies,
    })
}

fn head_of(table: Table<'_>) -> Option<(String, String, Numbering)> {
    let name = table.string("name").required();
    let notes = table.string("notes").optional();
    let numbering = table.choice("numbering").or(Numbering::Linear);
    for text in [name, notes].into_iter().flatten() {
        if text.value.chars().count() > LONGEST_TEXT {
            table.report(meaning(
                "text-length",
                format!("this has more than {LONGEST_TEXT} characters"),
                "make it shorter; comments behind # may be as long as you like",
                text.span,
            ));
        }
    }
    table.finish();
    let notes = notes.map(|notes| notes.value.trim().to_owned());
    Some((name?.value.to_owned(), notes.unwrap_or_default(), numbering))
}

fn serial_of(table: Table<'_>) -> Option<Serial> {
    let baud = table.integer("baud", 50..=12_000_000_u32).required();
    let data_bits = table.integer("data_bits", 5..=8_u8).or(8);
    let parity = table.choice("parity").or(Parity::None);
    let stop_bits = table.integer("stop_bits", 1..=2_u8).or(1);
    let flow = table.choice("flow").or(FlowControl::None);
    let dtr = table.choice("dtr").or(Dtr::Leave);
    table.finish();
    Some(Serial {
        baud: baud?.value,
        data_bits,
        parity,
        stop_bits,
        flow,
        dtr,
    })
}

fn positions_of(table: Table<'_>, framing: &Framing) -> Positions {
    let positions = match framing {
        Framing::Text(_) => {
            let straight = table.string("straight").required();
            let diverging = table.string("diverging").required();
            straight
                .zip(diverging)
                .and_then(|(straight, diverging)| words(&table, straight, diverging))
        }
        Framing::Binary(_) => {
            let straight = table.integer("straight", 0..=u32::MAX).required();
            let diverging = table.integer("diverging", 0..=u32::MAX).required();
            straight
                .zip(diverging)
                .and_then(|(straight, diverging)| numbers(&table, straight, diverging))
        }
    };
    table.finish();
    // What is wrong was told; that messages lack it need not be told too.
    let stand_in = match framing {
        Framing::Text(_) => Positions::Words(["0", "1"].map(str::to_owned)),
        Framing::Binary(_) => Positions::Numbers([0, 1]),
    };
    positions.unwrap_or(stand_in)
}

/// The two words, diverging first; they must differ.
fn words(
    table: &Table<'_>,
    straight: Located<&str>,
    diverging: Located<&str>,
) -> Option<Positions> {
    for word in [straight, diverging] {
        if word.value.is_empty() {
            let what = "a position can't be written with no character";
            table.report(meaning("positions", what, "write the word", word.span));
            return None;
        }
    }
    if straight.value == diverging.value {
        table.report(same_positions(straight.span, diverging.span));
        return None;
    }
    let words = [diverging.value.to_owned(), straight.value.to_owned()];
    Some(Positions::Words(words))
}

fn numbers(
    table: &Table<'_>,
    straight: Located<u32>,
    diverging: Located<u32>,
) -> Option<Positions> {
    if straight.value == diverging.value {
        table.report(same_positions(straight.span, diverging.span));
        return None;
    }
    let numbers = [diverging.value.into(), straight.value.into()];
    Some(Positions::Numbers(numbers))
}

fn same_positions(straight: Span, diverging: Span) -> Problem {
    meaning(
        "positions",
        "straight and diverging are written the same",
        "they must differ: else no one knows where the turnout lies",
        diverging,
    )
    .and(straight, "the same")
}

fn send_of(compiler: &Compiler<'_>, table: Table<'_>) -> (Vec<Message>, CvReach) {
    let mut messages = Vec::new();
    for kind in MessageKind::ALL {
        if kind == MessageKind::Start {
            messages.extend(starts(compiler, &table));
        } else if let Some(text) = table.string(kind.key()).optional() {
            messages.extend(message(compiler, &table, kind, text));
        }
    }
    // A throw that says whether it activates is its own release.
    let throw = messages.first().filter(|message| {
        message.kind == MessageKind::Throw && message.template.uses(Value::Activate)
    });
    if let (Some(throw), false) = (throw.cloned(), table.has("release")) {
        let kind = MessageKind::Release;
        messages.insert(1, Message { kind, ..throw });
    }
    let reach = table.choice("cv_target").or(CvReach::Decoder);
    table.finish();
    (messages, reach)
}

fn starts(compiler: &Compiler<'_>, table: &Table<'_>) -> Vec<Message> {
    let texts = table.strings("start").optional();
    let texts = texts.map(|texts| texts.value).unwrap_or_default();
    if let Some(text) = texts.get(MOST_STARTS) {
        let what = format!("more than {MOST_STARTS} messages to start with");
        table.report(meaning("start", what, "leave some out", text.span));
    }
    let messages = texts.into_iter().take(MOST_STARTS);
    messages
        .filter_map(|text| message(compiler, table, MessageKind::Start, text))
        .collect()
}

fn message<'d>(
    compiler: &Compiler<'_>,
    table: &Table<'d>,
    kind: MessageKind,
    text: Located<&'d str>,
) -> Option<Message> {
    let template = compile(compiler, table, kind, text)?;
    if template.pieces.is_empty() {
        table.report(meaning(
            "template",
            format!("`{kind}` is empty"),
            "write what is sent, or leave the key out",
            text.span,
        ));
        return None;
    }
    Some(Message {
        kind,
        template,
        span: text.span,
        inverse: None,
    })
}

fn compile<'d>(
    compiler: &Compiler<'_>,
    table: &Table<'d>,
    kind: MessageKind,
    text: Located<&'d str>,
) -> Option<Template> {
    let called = format!("`{kind}`");
    compiler.template(Source {
        table,
        text,
        called: &called,
        scope: kind.scope(),
    })
}

fn timing_of(table: Option<Table<'_>>, messages: &[Message], replies: &[Pattern]) -> Timing {
    let means = |means| replies.iter().any(|reply| reply.means == means);
    let answered = |kind: &MessageKind| match kind {
        MessageKind::Start | MessageKind::Keepalive => false,
        MessageKind::CvRead | MessageKind::ServiceRead => means(Means::CvValue),
        MessageKind::Throw
        | MessageKind::Release
        | MessageKind::Aspect
        | MessageKind::Packet
        | MessageKind::CvWrite
        | MessageKind::ServiceWrite
        | MessageKind::PowerOn
        | MessageKind::PowerOff => means(Means::Done),
    };
    let kinds = messages.iter().map(|message| message.kind);
    let mut timing = Timing {
        reply: milliseconds(REPLY_MS),
        retries: 2,
        gap: Duration::ZERO,
        after_throw: Duration::ZERO,
        silence: milliseconds(SILENCE_MS),
        keepalive: Duration::ZERO,
        releases_itself: false,
        answered: kinds.filter(answered).collect(),
    };
    let Some(table) = table else {
        return timing;
    };
    let time = |key, most: u32, default: Duration| {
        let time = table.integer(key, 0..=most).optional();
        time.map_or(default, |time| milliseconds(time.value))
    };
    timing.reply = time("reply_ms", 60_000, timing.reply);
    timing.gap = time("gap_ms", 10_000, timing.gap);
    timing.after_throw = time("after_throw_ms", 60_000, timing.after_throw);
    timing.silence = time("silence_ms", 60_000, timing.silence);
    timing.keepalive = time("keepalive_ms", 3_600_000, timing.keepalive);
    timing.retries = table.integer("retries", 0..=20_u8).or(timing.retries);
    timing.releases_itself = table.boolean("releases_itself").or(false);
    if let Some(kinds) = table.strings("answered").optional() {
        let kinds = kinds.value.into_iter();
        let kinds = kinds.filter_map(|name| kind_named(&table, name, messages));
        timing.answered = kinds.collect();
    }
    table.finish();
    timing
}

fn kind_named(table: &Table<'_>, name: Located<&str>, messages: &[Message]) -> Option<MessageKind> {
    let found = messages
        .iter()
        .find(|message| message.kind.key() == name.value);
    if found.is_none() {
        let known: Vec<_> = messages.iter().map(|message| message.kind.key()).collect();
        let mend = match nearest(name.value, known.iter().copied()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("it has {}", known.join(", ")),
        };
        let what = format!("[send] has no `{}`", name.value);
        table.report(meaning("answered", what, mend, name.span));
    }
    found.map(|message| message.kind)
}

fn milliseconds(number: u32) -> Duration {
    Duration::from_millis(number.into())
}
