//! A log of the wire, explained line by line.

use std::io::{self, BufRead, Read as _, Write};
use std::sync::Arc;

use bytes::BytesMut;
use serde::Serialize;
use throwproof_protocol::address::Numbering;
use throwproof_protocol::lcc::{Decoded as Found, GridConnect};

use super::lcc;
use crate::link::wire::{LogLine, Way};
use crate::profile::{CannotServe, Decoded, Heard, Profile, ProfileCodec, Says, StationCodec};

/// The longest line that is read; a log has none longer than a few hundred bytes.
const LONGEST: u64 = 4096;

/// Columns of the bytes before what they mean.
const BYTES: usize = 48;

/// What a log was made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Outcome {
    /// Lines with bytes.
    pub lines: u64,
    /// Messages understood.
    pub messages: u64,
    /// Lines that are none of a log.
    pub broken: u64,
    /// Pieces that are no message.
    pub dropped: u64,
}

/// Explains a log. It is read as it is needed, whatever its size.
#[derive(Debug)]
pub struct Explainer {
    sent: Side,
    received: Side,
    numbering: Numbering,
    json: bool,
    outcome: Outcome,
}

/// One way of the wire.
#[derive(Debug)]
enum Side {
    Lcc(GridConnect),
    /// What the station says.
    Replies(Box<ProfileCodec>, BytesMut),
    /// What the station is told.
    Requests(Box<StationCodec>, BytesMut),
    /// What the station is told, in a profile that can't be read back.
    Unread,
}

impl Explainer {
    /// For LCC.
    pub fn lcc(numbering: Numbering, json: bool) -> Self {
        Self {
            sent: Side::Lcc(GridConnect::new()),
            received: Side::Lcc(GridConnect::new()),
            numbering,
            json,
            outcome: Outcome::default(),
        }
    }

    /// For the protocol of a profile. `by_station` says that the station's side kept the log.
    pub fn profile(profile: &Arc<Profile>, by_station: bool, json: bool) -> Self {
        let numbering = profile.numbering;
        let replies = ProfileCodec::new(Arc::clone(profile));
        let replies = Side::Replies(Box::new(replies), BytesMut::new());
        let requests: Result<_, CannotServe> = StationCodec::new(Arc::clone(profile));
        let requests = requests.map_or(Side::Unread, |codec| {
            Side::Requests(Box::new(codec), BytesMut::new())
        });
        let (sent, received) = if by_station {
            (replies, requests)
        } else {
            (requests, replies)
        };
        Self {
            sent,
            received,
            numbering,
            json,
            outcome: Outcome::default(),
        }
    }

    /// Explains all of a log.
    ///
    /// # Errors
    /// When it can't be read, or the explanation can't be written.
    pub fn explain(mut self, mut log: impl BufRead, out: &mut impl Write) -> io::Result<Outcome> {
        let mut line = Vec::new();
        for number in 1_u64.. {
            line.clear();
            if log.by_ref().take(LONGEST).read_until(b'\n', &mut line)? == 0 {
                break;
            }
            let text = String::from_utf8_lossy(&line);
            self.line(number, text.trim_end_matches(['\n', '\r']), out)?;
        }
        if self.json {
            let Outcome {
                lines,
                messages,
                broken,
                dropped,
            } = self.outcome;
            write_json(
                out,
                &Line::Summary {
                    lines,
                    messages,
                    dropped,
                    broken,
                },
            )?;
        }
        Ok(self.outcome)
    }

    fn line(&mut self, number: u64, text: &str, out: &mut impl Write) -> io::Result<()> {
        match text.parse() {
            Ok(LogLine::Bytes { at, way, bytes }) => {
                self.outcome.lines += 1;
                let means = self.means(way, &bytes);
                let at_us = u64::try_from(at.as_micros()).unwrap_or(u64::MAX);
                if self.json {
                    let way = match way {
                        Way::Sent => "sent",
                        Way::Received => "received",
                    };
                    let bytes = hex(&bytes);
                    return write_json(
                        out,
                        &Line::Wire {
                            line: number,
                            at_us,
                            way,
                            bytes,
                            means,
                        },
                    );
                }
                write_text(out, text, &means)
            }
            Ok(LogLine::Remark(remark)) if self.json => write_json(
                out,
                &Line::Remark {
                    line: number,
                    remark,
                },
            ),
            Ok(LogLine::Remark(_)) => writeln!(out, "{text}"),
            Err(error) => {
                self.outcome.broken += 1;
                let reason = error.to_string();
                if self.json {
                    return write_json(
                        out,
                        &Line::Broken {
                            line: number,
                            reason,
                        },
                    );
                }
                writeln!(out, "line {number} is broken: {reason}")
            }
        }
    }

    /// What ends in these bytes.
    fn means(&mut self, way: Way, bytes: &[u8]) -> Vec<String> {
        let side = match way {
            Way::Sent => &mut self.sent,
            Way::Received => &mut self.received,
        };
        let mut means = Vec::new();
        let outcome = &mut self.outcome;
        let mut understood = |text: String| {
            outcome.messages += 1;
            means.push(text);
        };
        let mut drops = Vec::new();
        match side {
            Side::Unread => {}
            Side::Lcc(decoder) => {
                for found in decoder.feed(bytes) {
                    match found {
                        Found::Frame(frame) => understood(lcc::described(&frame, self.numbering)),
                        Found::Dropped(dropped) => drops.push(format!(
                            "{} bytes that are no frame: {}",
                            dropped.bytes, dropped.reason
                        )),
                    }
                }
            }
            Side::Replies(codec, source) => {
                source.extend_from_slice(bytes);
                while let Some(decoded) = codec.decode(source) {
                    match decoded {
                        Decoded::Reply(reply, _) => {
                            understood(format!("{}: {}", reply.name, said(&reply.says)));
                        }
                        Decoded::Dropped(dropped) => drops.push(format!(
                            "{} bytes that are no reply: {}",
                            dropped.count, dropped.why
                        )),
                    }
                }
            }
            Side::Requests(codec, source) => {
                source.extend_from_slice(bytes);
                while let Some(heard) = codec.decode(source) {
                    match heard {
                        Heard::Request(request, _) => understood(request.to_string()),
                        Heard::Dropped(dropped) => drops.push(format!(
                            "{} bytes that are no message: {}",
                            dropped.count, dropped.why
                        )),
                    }
                }
            }
        }
        self.outcome.dropped += u64::try_from(drops.len()).unwrap_or(u64::MAX);
        means.extend(drops);
        means
    }
}

fn said(says: &Says) -> String {
    match says {
        Says::Done => "done".to_owned(),
        Says::Refused(reason) if reason.is_empty() => "refused".to_owned(),
        Says::Refused(reason) => format!("refused, {reason}"),
        Says::Busy => "busy".to_owned(),
        Says::Position { address, pair_bit } => format!(
            "binary address {} lies at output {}",
            address.get(),
            pair_bit.as_u8()
        ),
        Says::Fault(reason) if reason.is_empty() => "fault".to_owned(),
        Says::Fault(reason) => format!("fault, {reason}"),
        Says::Power(true) => "the power is on".to_owned(),
        Says::Power(false) => "the power is off".to_owned(),
        Says::CvValue { cv, value } => match cv {
            Some(cv) => format!("CV {cv} holds {value}"),
            None => format!("the CV holds {value}"),
        },
        Says::Nothing => "of no interest".to_owned(),
    }
}

fn hex(bytes: &[u8]) -> String {
    let bytes: Vec<_> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

/// The time, the bytes as text, and what ends in them.
fn write_text(out: &mut impl Write, line: &str, means: &[String]) -> io::Result<()> {
    let (head, _) = line.split_once("  |").unwrap_or((line, ""));
    let head = head.get(..13).unwrap_or(head);
    let shown = line.split_once("  |").map_or("", |(_, shown)| shown);
    let first = means.first().map_or("", String::as_str);
    let text = format!("{head} |{shown:BYTES$} {first}");
    writeln!(out, "{}", text.trim_end())?;
    for more in means.iter().skip(1) {
        writeln!(out, "{:1$} {more}", "", head.len() + 2 + BYTES)?;
    }
    Ok(())
}

#[derive(Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum Line {
    Wire {
        line: u64,
        at_us: u64,
        way: &'static str,
        bytes: String,
        means: Vec<String>,
    },
    Remark {
        line: u64,
        remark: String,
    },
    Broken {
        line: u64,
        reason: String,
    },
    Summary {
        lines: u64,
        messages: u64,
        dropped: u64,
        broken: u64,
    },
}

fn write_json(out: &mut impl Write, line: &Line) -> io::Result<()> {
    serde_json::to_writer(&mut *out, line)?;
    out.write_all(b"\n")
}
