//! What is on each label.

use super::LabelError;
use crate::plan::OutputKind;
use crate::report::model::{Chart, Kind, OutputLine, Report, State, Thing};
use crate::report::words;

/// A label.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Label {
    /// Whose it is.
    pub(super) id: String,
    /// From top to bottom.
    pub(super) rows: Vec<Row>,
}

/// A row of a label.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    /// At the left edge.
    pub(super) left: String,
    /// At the right edge; empty for nothing.
    pub(super) right: String,
    /// The size that it has where there is room, points.
    pub(super) points: f64,
    /// Whether it is bold.
    pub(super) bold: bool,
    /// What goes first when there is no room: the highest.
    pub(super) rank: u8,
}

impl Label {
    /// Replaces letters; says whether there were any to replace.
    pub(super) fn keep_to(&mut self, printable: impl Fn(char) -> char) -> bool {
        let mut replaced = false;
        for row in &mut self.rows {
            for text in [&mut row.left, &mut row.right] {
                let kept: String = text.chars().map(&printable).collect();
                replaced |= kept != *text;
                *text = kept;
            }
        }
        replaced
    }
}

fn row(left: &str, right: &str, points: f64, rank: u8) -> Row {
    Row {
        left: one_line(left),
        right: one_line(right),
        points,
        bold: false,
        rank,
    }
}

fn heading(left: &str, right: &str) -> Row {
    Row {
        left: one_line(left),
        right: one_line(right),
        points: 15.0,
        bold: true,
        rank: 0,
    }
}

/// Text without line ends and the like.
fn one_line(text: &str) -> String {
    let blank = |letter: char| if letter.is_control() { ' ' } else { letter };
    text.chars().map(blank).collect()
}

/// The labels of a report: turnouts, signals, decoders, each in the order of the plan.
pub(super) fn of(report: &Report, only: &[String]) -> Result<Vec<Label>, LabelError> {
    let placed = |turnouts: bool| {
        report.places.iter().flat_map(move |place| {
            let things = place.things.iter();
            let wanted = things.filter(move |thing| thing.is_turnout() == turnouts);
            wanted.map(move |thing| thing_label(report, &place.name, thing))
        })
    };
    let decoders = report.decoders.iter().map(decoder_label);
    let mut labels: Vec<_> = placed(true).chain(placed(false)).chain(decoders).collect();
    if labels.is_empty() {
        return Err(LabelError::Nothing);
    }
    let known = |id: &&String| labels.iter().any(|label| label.id == **id);
    if let Some(unknown) = only.iter().find(|id| !known(id)) {
        return Err(LabelError::NoSuchId(unknown.clone()));
    }
    if !only.is_empty() {
        labels.retain(|label| only.contains(&label.id));
    }
    Ok(labels)
}

fn thing_label(report: &Report, place: &str, thing: &Thing) -> Label {
    let chart = report
        .decoders
        .iter()
        .find(|chart| Some(&chart.id) == thing.decoder.as_ref());
    let output = words::output(thing);
    let binary = format!("binary {}", words::binary_addresses(thing));
    let keyed = words::addresses(thing);
    let keyed = if thing.last_address > thing.address || !thing.each_drive.is_empty() {
        format!("addresses {keyed}")
    } else {
        format!("address {keyed}")
    };
    let mut rows = vec![heading(&thing.id, &keyed)];
    if !place.is_empty() {
        rows.push(row(place, "", 9.0, 3));
    }
    let output = if output.is_empty() {
        "decoder not in the plan"
    } else {
        &output
    };
    rows.push(row(output, &binary, 9.0, 1));
    rows.push(row(&sense(thing, chart), "", 8.0, 2));
    if !thing.positions.is_empty() {
        let lies = thing.positions.iter().map(|one| {
            let drives = one.drives.iter().map(|lies| lies.get(..1).unwrap_or(lies));
            format!("{} {}", one.name, drives.collect::<Vec<_>>().join("+"))
        });
        rows.push(row(&lies.collect::<Vec<_>>().join(", "), "", 8.0, 6));
    }
    let supply = chart.map(words::supply).unwrap_or_default();
    let supply = if supply.is_empty() {
        "supply not in the plan".to_owned()
    } else {
        format!("supply {supply}")
    };
    rows.push(row(&supply, "", 8.0, 4));
    rows.push(row(&proved(report, thing), &words::drive(thing), 8.0, 5));
    Label {
        id: thing.id.clone(),
        rows,
    }
}

/// Which terminal throws it straight, or what a signal's values are.
fn sense(thing: &Thing, chart: Option<&Chart>) -> String {
    let Kind::Turnout {
        straight_terminal, ..
    } = thing.kind
    else {
        return words::aspects(thing);
    };
    let other = 1 - straight_terminal.min(1);
    // Of a motor or a servo it is no terminal but a sense.
    let what = match chart.map(|chart| chart.output_kind) {
        Some(OutputKind::StallMotor | OutputKind::Servo) => "sense",
        Some(OutputKind::Pulse | OutputKind::Steady) | None => "terminal",
    };
    if !thing.each_drive.is_empty() {
        let each = thing.each_drive.iter();
        let each = each.map(|drive| drive.straight_terminal.to_string());
        let each: Vec<_> = each.collect();
        return format!("straight (s): {what} {} of its drives", each.join(", "));
    }
    format!("straight: {what} {straight_terminal}, diverging: {what} {other}")
}

/// Since when it is proved; a line to write on where it is not, or only in a rehearsal.
fn proved(report: &Report, thing: &Thing) -> String {
    match &thing.since {
        Some(since) if thing.state == State::Proved && !report.is_rehearsal() => {
            format!("proved {}", since.day())
        }
        _ => "proved ____________".to_owned(),
    }
}

fn decoder_label(chart: &Chart) -> Label {
    let keyed = chart.outputs.iter().filter_map(|line| line.address);
    let binary = chart.outputs.iter().filter_map(|line| line.binary_address);
    let count = chart.outputs.len();
    let mut rows = vec![heading(&chart.id, &format!("addresses {}", block(keyed)))];
    if !chart.place.is_empty() {
        rows.push(row(&chart.place, "", 8.5, 3));
    }
    let outputs = if count == 1 { "output" } else { "outputs" };
    rows.push(row(
        &format!("{count} {outputs}, {}", words::output_kind(chart)),
        &format!("binary {}", block(binary)),
        8.0,
        1,
    ));
    let supply = words::supply(chart);
    if !supply.is_empty() {
        rows.push(row(&format!("supply {supply}"), "", 8.0, 4));
    }
    // As many in a row as keep a decoder of many outputs readable.
    let per_row = match count {
        0..=16 => 4,
        17..=32 => 6,
        _ => 8,
    };
    for lines in chart.outputs.chunks(per_row) {
        let texts: Vec<_> = lines.iter().map(driven).collect();
        rows.push(row(&texts.join("   "), "", 8.0, 2));
    }
    Label {
        id: chart.id.clone(),
        rows,
    }
}

/// `3 Q3`, or `8 –` for a spare one.
fn driven(line: &OutputLine) -> String {
    if line.drives.is_empty() {
        return format!("{} –", line.output);
    }
    let ids: Vec<_> = line.drives.iter().map(|one| one.id.as_str()).collect();
    format!("{} {}", line.output, ids.join("+"))
}

/// `9–16`, or the ends of a block that is not in one row on the rails.
fn block(numbers: impl Iterator<Item = u16>) -> String {
    let numbers: Vec<_> = numbers.collect();
    let in_a_row = numbers
        .windows(2)
        .all(|pair| matches!(pair, [a, b] if a + 1 == *b));
    match (numbers.first(), numbers.last()) {
        (Some(first), Some(last)) if first == last => first.to_string(),
        (Some(first), Some(last)) if in_a_row => format!("{first}–{last}"),
        (Some(first), Some(last)) => format!("{first}…{last}"),
        _ => String::new(),
    }
}
