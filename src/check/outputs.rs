//! What outputs and boards have to carry, and whether they suit their drives.

use super::site::{Hit, Site};
use crate::electric::figures::{self, LIMIT_MARGIN, PROTECT_AFTER};
use crate::electric::power::{Corner, Pull};
use crate::plan::finding::{Code, Figure, Finding};
use crate::plan::{Decoder, Drive, OutputKind};
use crate::toml_reader::Choice as _;

/// An output that protects itself a step of the model sooner or later makes no difference.
const STEP: f64 = 0.001;

pub(super) fn find(site: &Site<'_>, index: usize, hits: &mut Vec<Hit>) {
    let Some((pull, _)) = site.pull(index) else {
        return;
    };
    if !figures::fits(pull.kind, pull.output_kind) {
        hits.push(mismatch(site, index, pull));
        return;
    }
    let decoder = pull.output.map(|output| output.decoder);
    let decoder = decoder.and_then(|decoder| site.power.plan.decoders.get(decoder));
    if let Some(decoder) = decoder {
        hits.extend(overload(site, index, decoder));
    }
}

fn mismatch(site: &Site<'_>, index: usize, pull: &Pull) -> Hit {
    let (id, decoder) = (site.id(pull), site.decoder(pull));
    let board = decoder.map_or_else(|| "its output".to_owned(), ToString::to_string);
    let wants = match pull.kind {
        Drive::TwinCoil => "a pulse on one of two wires",
        Drive::StallMotor => "two wires whose polarity changes, and power for as long as it lies",
        Drive::Servo => "servo pulses",
        Drive::MemoryWire => "current for as long as it lies diverging",
    };
    Hit {
        code: Code::DriveOutputMismatch,
        pull: index,
        weight: 0.0,
        message: format!(
            "{id} is a {} on {board}, whose outputs are {}; it wants {wants}",
            pull.kind.name(),
            pull.output_kind.name()
        ),
        mend: format!(
            "put it on a board with output_kind = \"{}\", or mend `drive` or `output_kind`",
            figures::fitting_output(pull.kind).name()
        ),
        figures: Vec::new(),
    }
}

/// What an output carries against what it may.
fn overload(site: &Site<'_>, index: usize, decoder: &Decoder) -> Option<Hit> {
    let (pull, throws) = site.pull(index)?;
    let limit = decoder.max_output_amps?;
    let drives = f64::from(pull.drives);
    // A motor that has reached its end draws all of its current.
    let full = |amps: f64| match pull.kind {
        Drive::TwinCoil | Drive::MemoryWire => amps * drives,
        Drive::StallMotor | Drive::Servo => amps * drives / figures::RUNNING,
    };
    let (moving, most) = (throws.typical.amps * drives, full(throws.strong.amps));
    let held = throws.typical.amps_held * drives;
    let stops = held > limit * LIMIT_MARGIN && still_moving(pull, throws.typical.needs);
    if most <= limit {
        return None;
    }
    let (id, board) = (site.id(pull), &decoder.id);
    let amps = if stops { moving } else { most };
    let drives = match pull.drives {
        1 => String::new(),
        count => format!(" with its {count} drives"),
    };
    Some(Hit {
        code: if stops {
            Code::OutputOverloaded
        } else {
            Code::OutputNearLimit
        },
        pull: index,
        weight: amps,
        message: format!(
            "{id}{drives} draws {amps:.2} A from an output of {board} that may carry {limit:.2} A"
        ),
        mend: "use a board whose outputs carry more, or a drive that draws less".to_owned(),
        figures: vec![Figure::of("output current", amps, "A").at_most(limit)],
    })
}

/// Whether a drive is still on its way when an output has had enough.
fn still_moving(pull: &Pull, needs: Option<f64>) -> bool {
    pull.on_time() > PROTECT_AFTER + STEP && needs.is_none_or(|needs| needs > PROTECT_AFTER + STEP)
}

/// Finds boards whose outputs together carry too much.
pub(super) fn boards(site: &Site<'_>, findings: &mut Vec<Finding>) {
    for (index, decoder) in site.power.plan.decoders.iter().enumerate() {
        findings.extend(board(site, index, decoder));
    }
}

fn board(site: &Site<'_>, index: usize, decoder: &Decoder) -> Option<Finding> {
    let limit = decoder.max_total_amps?;
    let on_it: Vec<_> = (0..site.power.pulls.len())
        .filter(|pull| {
            let output = site.power.pulls.get(*pull).and_then(|pull| pull.output);
            output.is_some_and(|output| output.decoder == index)
        })
        .collect();
    let (held, _) = on_board(site, index, &on_it, Corner::TYPICAL);
    let mut stops = held > limit * LIMIT_MARGIN;
    for pull in &on_it {
        let (it, throws) = site.pull(*pull)?;
        let (_, moving) = on_board(site, index, &[*pull], Corner::TYPICAL);
        let lasts = throws.typical.amps_held / throws.typical.amps.max(1e-9);
        let more = moving * lasts > limit * LIMIT_MARGIN;
        stops |= more && it.kind == Drive::TwinCoil && still_moving(it, throws.typical.needs);
    }
    let (held_most, moving_most) = on_board(site, index, &on_it, Corner::STRONG);
    let most = moving_most.max(held_most);
    if most <= limit {
        return None;
    }
    let id = &decoder.id;
    let (code, does) = if stops {
        (Code::BoardOverloaded, "carry")
    } else {
        (Code::BoardNearLimit, "may come to carry")
    };
    let message = format!(
        "the outputs of {id} together {does} {most:.2} A, and it may carry {limit:.2} A"
    );
    let mend = format!("move some drives from {id} to another board");
    let figures = vec![
        Figure::of("steady current", held_most, "A").at_most(limit),
        Figure::of("with a throw", most, "A").at_most(limit),
    ];
    let at = site.decoder_at(index);
    Some(site.finding(code, vec![id.clone()], at, (message, mend), figures))
}

/// What the outputs of a board carry when nothing moves, and at the most when one of those pulls
/// does, amperes.
fn on_board(site: &Site<'_>, decoder: usize, pulls: &[usize], corner: Corner) -> (f64, f64) {
    let power = &site.power;
    let loaded = power.tree.with(&power.at_rest(corner, None));
    let resting = power.pulls.iter().filter(|pull| {
        let output = pull.output.filter(|output| output.decoder == decoder);
        output.is_some()
    });
    let resting: f64 = resting.map(|pull| pull.resting(corner.others)).sum();
    let port = loaded.port(decoder);
    let feed = crate::electric::feed::Feed {
        source: power.source(power.tree.supply_of(decoder)),
        port,
    };
    // What rests on the board is behind the port already: only what is added loads it.
    let volts = |added: f64| feed.volts(feed.rested(), added);
    let held = resting * volts(0.0);
    let moving = pulls.iter().filter_map(|pull| {
        let it = power.pulls.get(*pull)?;
        let with_it = power.with_it(*pull).into_iter();
        let with_it = with_it.filter_map(|other| power.pulls.get(other));
        let here = with_it.filter(|other| {
            other.output.is_some_and(|output| output.decoder == decoder)
        });
        let added = |pull: &Pull| match (pull.kind, pull.output_kind) {
            (_, OutputKind::Steady) => 0.0,
            (Drive::TwinCoil | Drive::Servo, _) => {
                pull.moving(corner.ohms) - pull.resting(corner.ohms)
            }
            (Drive::StallMotor | Drive::MemoryWire, _) => 0.0,
        };
        let added = added(it) + here.map(added).sum::<f64>();
        Some((resting + added) * volts(added))
    });
    (held, moving.fold(held, f64::max))
}
