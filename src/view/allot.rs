//! What is proposed for things without an output, as a person and as a program reads it.

use std::fmt::Write as _;

use serde::Serialize;
use unicode_width::UnicodeWidthStr as _;

use crate::allot::{Given, NewDecoder, Proposal};
use crate::toml_reader::Choice as _;

/// The proposal as a person reads it; `name` is the layout's.
pub fn text(name: &str, proposal: &Proposal) -> String {
    let mut text = String::new();
    // A `String` takes anything.
    let _infallible = writeln!(
        text,
        "{name}: {} given an output, {} left without",
        proposal.given.len(),
        proposal.left.len()
    );
    if !proposal.given.is_empty() {
        text.push('\n');
        table(&mut text, proposal);
        text.push('\n');
        added(&mut text, proposal);
    }
    for left in &proposal.left {
        let _infallible = writeln!(
            text,
            "left     {}: {}\n  mend   {}",
            left.id, left.reason, left.mend
        );
    }
    for remark in &proposal.remarks {
        let _infallible = writeln!(text, "mind     {remark}");
    }
    text
}

fn table(text: &mut String, proposal: &Proposal) {
    let widest = |of: fn(&Given) -> usize, least: usize| {
        let widths = proposal.given.iter().map(of);
        widths.max().unwrap_or(0).max(least)
    };
    let place = widest(|given| given.place.width(), 5);
    let id = widest(|given| given.id.as_str().width(), 2);
    let decoder = widest(|given| given.decoder.as_str().width(), 7);
    let mut row = |cells: [&str; 5]| {
        let [at, name, on, output, address] = cells;
        let fill = |cell: &str, width: usize| " ".repeat(width.saturating_sub(cell.width()));
        let (place, id, decoder) = (fill(at, place), fill(name, id), fill(on, decoder));
        let _infallible = writeln!(
            text,
            "  {at}{place}  {name}{id}  {on}{decoder}  {output:>6}  {address:>9}"
        );
    };
    row(["place", "id", "decoder", "output", "address"]);
    for (place, given) in proposal.by_place() {
        for (index, one) in given.into_iter().enumerate() {
            let range = |first: u16| match one.outputs {
                1 => first.to_string(),
                count => format!("{first}-{}", first + u16::from(count) - 1),
            };
            let at = if index == 0 { place } else { "" };
            let output = range(u16::from(one.output));
            let address = range(one.address.get());
            row([at, one.id.as_str(), one.decoder.as_str(), &output, &address]);
        }
    }
}

fn added(text: &mut String, proposal: &Proposal) {
    let (count, least) = (proposal.decoders.len(), proposal.at_least);
    let how = if count <= least {
        format!("and no fewer than {least} can do")
    } else {
        format!("and no fewer than {least} can do; whether fewer than {count} can is not known")
    };
    let _infallible = writeln!(text, "decoders to add: {count}, {how}");
    for decoder in &proposal.decoders {
        let first = decoder.first_address.get();
        let end = first + u16::from(decoder.outputs) - 1;
        let supply = decoder.supply.as_ref();
        let supply = supply.map_or_else(String::new, |id| format!(", supply {id}"));
        let places = match decoder.places.as_slice() {
            [] => String::new(),
            places => format!(", for {}", places.join(", ")),
        };
        let _infallible = writeln!(
            text,
            "  {}: {} ({}), addresses {first} to {end}{supply}{places}; free {}",
            decoder.id,
            match decoder.outputs {
                1 => "1 output".to_owned(),
                count => format!("{count} outputs"),
            },
            kind(decoder),
            decoder.free
        );
    }
}

fn kind(decoder: &NewDecoder) -> String {
    format!("{}, {}", decoder.output_kind.name(), decoder.format.name())
}

#[derive(Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum Line<'a> {
    Allotted {
        id: &'a str,
        thing: &'static str,
        place: &'a str,
        decoder: &'a str,
        output: u8,
        outputs: u8,
        address: u16,
    },
    DecoderToAdd {
        decoder: &'a str,
        outputs: u8,
        first_address: u16,
        output_kind: &'static str,
        packets: &'static str,
        #[serde(skip_serializing_if = "Option::is_none")]
        supply: Option<&'a str>,
        places: &'a [String],
        free: u8,
    },
    NotAllotted {
        id: &'a str,
        message: &'a str,
        mend: &'a str,
    },
    Remark {
        message: &'a str,
    },
    Allotment {
        allotted: usize,
        left: usize,
        decoders: usize,
        at_least: usize,
        written: bool,
        #[serde(skip_serializing_if = "Option::is_none")]
        kept: Option<String>,
    },
}

/// The proposal as a program reads it: one JSON object a line. `written` says whether the plan has
/// it now, `kept` where the plan is as it was before.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn json(
    proposal: &Proposal,
    written: bool,
    kept: Option<String>,
) -> Result<String, serde_json::Error> {
    let mut lines = Vec::new();
    for given in &proposal.given {
        lines.push(Line::Allotted {
            id: given.id.as_str(),
            thing: if given.is_signal { "signal" } else { "turnout" },
            place: &given.place,
            decoder: given.decoder.as_str(),
            output: given.output,
            outputs: given.outputs,
            address: given.address.get(),
        });
    }
    for decoder in &proposal.decoders {
        lines.push(Line::DecoderToAdd {
            decoder: decoder.id.as_str(),
            outputs: decoder.outputs,
            first_address: decoder.first_address.get(),
            output_kind: decoder.output_kind.name(),
            packets: decoder.format.name(),
            supply: decoder.supply.as_ref().map(crate::plan::Id::as_str),
            places: &decoder.places,
            free: decoder.free,
        });
    }
    for left in &proposal.left {
        lines.push(Line::NotAllotted {
            id: left.id.as_str(),
            message: &left.reason,
            mend: &left.mend,
        });
    }
    lines.extend(
        proposal
            .remarks
            .iter()
            .map(|message| Line::Remark { message }),
    );
    lines.push(Line::Allotment {
        allotted: proposal.given.len(),
        left: proposal.left.len(),
        decoders: proposal.decoders.len(),
        at_least: proposal.at_least,
        written,
        kept,
    });
    let mut text = String::new();
    for line in lines {
        text.push_str(&serde_json::to_string(&line)?);
        text.push('\n');
    }
    Ok(text)
}
