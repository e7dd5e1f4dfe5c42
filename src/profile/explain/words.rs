//! Settings and abilities in words.

use std::ops::RangeInclusive;
use std::time::Duration;

use throwproof_protocol::address::BinaryAddress;

use crate::toml_reader::Choice;

use super::hex;
use crate::profile::check_bytes::Check;
use crate::profile::framing::{Counts, Framing};
use crate::profile::settings::{Dtr, FlowControl, Parity};
use crate::profile::{Covers, Encoding, Profile, station};

pub(super) fn serial(profile: &Profile) -> String {
    let serial = profile.serial;
    let parity = match serial.parity {
        Parity::None => "no parity",
        Parity::Even => "even parity",
        Parity::Odd => "odd parity",
    };
    let stop = match serial.stop_bits {
        1 => "1 stop bit",
        _ => "2 stop bits",
    };
    let flow = match serial.flow {
        FlowControl::None => "no flow control",
        FlowControl::RtsCts => "flow control by RTS and CTS",
        FlowControl::XonXoff => "flow control by XON and XOFF",
    };
    let dtr = match serial.dtr {
        Dtr::Leave => "DTR left as it is",
        Dtr::On => "DTR on",
        Dtr::Off => "DTR off",
    };
    format!(
        "{} baud, {} data bits, {parity}, {stop}, {flow}, {dtr}",
        serial.baud, serial.data_bits
    )
}

pub(super) fn framing(framing: &Framing) -> String {
    match framing {
        Framing::Text(text) => {
            let encoding = Encoding::name(text.encoding);
            let taken: Vec<_> = text
                .line_ends_in
                .iter()
                .map(|end| format!("{end:?}"))
                .collect();
            format!(
                "lines of {encoding} text ended by {:?}; in replies by {}; a line has up to {} \
                 bytes",
                text.line_end,
                taken.join(" or "),
                text.longest
            )
        }
        Framing::Binary(binary) => {
            let mut parts = Vec::new();
            if !binary.start.is_empty() {
                parts.push(format!("start {}", hex(&binary.start)));
            }
            if let Some(length) = binary.length {
                let counts = match length.counts {
                    Counts::Frame => "the whole frame",
                    Counts::After => "what follows it",
                    Counts::Body => "the message",
                };
                let plus = match length.plus {
                    0 => String::new(),
                    plus => format!(" {plus:+}"),
                };
                parts.push(format!(
                    "a length at byte {} that counts {counts}{plus}",
                    length.at
                ));
            }
            parts.push("the message".to_owned());
            parts.extend(binary.check.as_ref().map(check));
            parts.extend(binary.end.map(|end| format!("end {end:02X}")));
            let mut text = parts.join(", ");
            if let Some(stuffing) = &binary.stuffing {
                text.push_str("; inside it ");
                text.push_str(&hex(&stuffing.bytes));
                text.push_str(" are sent as ");
                text.push_str(&hex(&[stuffing.escape]));
                text.push_str(" and the byte XOR ");
                text.push_str(&hex(&[stuffing.xor]));
            }
            text.push_str("; a frame has up to ");
            text.push_str(&binary.longest.to_string());
            text.push_str(" bytes");
            text
        }
    }
}

fn check(check: &Check) -> String {
    let covers = match check.covers {
        Covers::Frame => "everything before it",
        Covers::AfterStart => "everything between start and it",
        Covers::Body => "the message",
    };
    format!("{} of {covers}", check.sum)
}

pub(super) fn timing(profile: &Profile) -> Vec<String> {
    let timing = &profile.timing;
    let answered: Vec<_> = timing.answered.iter().map(|kind| kind.key()).collect();
    let mut lines = Vec::new();
    if answered.is_empty() {
        lines.push("the station answers nothing: no throw is ever acknowledged".to_owned());
    } else {
        lines.push(format!("the station answers {}", answered.join(", ")));
        lines.push(format!(
            "an answer may take {} ms; then it is asked again, up to {} times",
            timing.reply.as_millis(),
            timing.retries
        ));
    }
    let mut pause = |time: Duration, what: &str| {
        if !time.is_zero() {
            lines.push(format!("{what} {} ms", time.as_millis()));
        }
    };
    pause(timing.gap, "between two messages at least");
    pause(timing.after_throw, "after a throw at least");
    pause(
        timing.silence,
        "a message that was begun is given up after a silence of",
    );
    pause(
        timing.keepalive,
        "`keepalive` is sent when nothing else was for",
    );
    lines.push(if timing.releases_itself {
        "the station releases outputs by itself".to_owned()
    } else {
        "every activated output is released by a message".to_owned()
    });
    lines
}

pub(super) fn can(profile: &Profile) -> Vec<String> {
    let abilities = profile.abilities();
    let mut can = Vec::new();
    if abilities.throws {
        can.push(format!(
            "throw turnouts: {}",
            keyed(profile, profile.throws())
        ));
    }
    if abilities.aspects {
        can.push(format!(
            "set aspects: {}",
            keyed(profile, profile.aspects())
        ));
    }
    let named = [
        (abilities.raw_packets, "put any packet on the rails"),
        (abilities.cv_write, "write CVs on the main track"),
        (abilities.cv_read, "read CVs on the main track"),
        (
            abilities.service_write,
            "write CVs on the programming track",
        ),
        (abilities.service_read, "read CVs on the programming track"),
        (abilities.power, "switch the rails' power"),
        (
            abilities.acknowledges,
            "tell that a command is on the rails",
        ),
        (
            abilities.position_reports,
            "report how turnouts lie: `--witness reports` works",
        ),
    ];
    can.extend(
        named
            .iter()
            .filter(|(can, _)| *can)
            .map(|(_, what)| (*what).to_owned()),
    );
    if station::can_serve(profile).is_ok() {
        can.push("be served by the simulated track".to_owned());
    }
    can
}

pub(super) fn cannot(profile: &Profile) -> Vec<String> {
    let abilities = profile.abilities();
    let named = [
        (abilities.throws, "throw turnouts: [send] has no `throw`"),
        (
            abilities.aspects,
            "set aspects: [send] has neither `aspect` nor `packet`",
        ),
        (
            abilities.raw_packets,
            "put any packet on the rails: [send] has no `packet`",
        ),
        (
            abilities.cv_write,
            "write CVs on the main track: [send] has neither `cv_write` nor `packet`",
        ),
        (
            abilities.cv_read,
            "read CVs on the main track: that wants `cv_read`, and a reply that means \
             \"cv-value\"",
        ),
        (
            abilities.service_write,
            "write CVs on the programming track: [send] has no `service_write`",
        ),
        (
            abilities.service_read,
            "read CVs on the programming track: that wants `service_read`, and a reply that \
             means \"cv-value\"",
        ),
        (
            abilities.power,
            "switch the rails' power: that wants `power_on` and `power_off`",
        ),
        (
            abilities.acknowledges,
            "tell that a command is on the rails: no reply means \"done\"",
        ),
        (
            abilities.position_reports,
            "report how turnouts lie: no reply means \"position\"",
        ),
    ];
    let lacking = named.iter().filter(|(can, _)| !*can);
    let mut cannot: Vec<_> = lacking.map(|(_, what)| (*what).to_owned()).collect();
    if let Err(error) = station::can_serve(profile) {
        cannot.push(format!("be served by the simulated track: {error}"));
    }
    cannot
}

/// Addresses as they are keyed, in ranges.
fn keyed(profile: &Profile, addresses: impl Iterator<Item = BinaryAddress>) -> String {
    let mut numbers: Vec<_> = addresses
        .map(|address| address.keyed(profile.numbering).get())
        .collect();
    numbers.sort_unstable();
    let mut ranges: Vec<RangeInclusive<u16>> = Vec::new();
    for number in numbers {
        match ranges.last_mut() {
            Some(range) if *range.end() + 1 == number => *range = *range.start()..=number,
            _ => ranges.push(number..=number),
        }
    }
    let shown = ranges.iter().take(6).map(|range| {
        if range.start() == range.end() {
            range.start().to_string()
        } else {
            format!("{} to {}", range.start(), range.end())
        }
    });
    let shown: Vec<_> = shown.collect();
    match (shown.len(), ranges.len()) {
        (0, _) => "no address".to_owned(),
        (few, all) if few < all => {
            format!(
                "keyed addresses {} and {} more ranges",
                shown.join(", "),
                all - few
            )
        }
        _ => format!("keyed addresses {}", shown.join(", ")),
    }
}
