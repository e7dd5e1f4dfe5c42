//! What outputs and boards have to carry, and whether they suit their drives.

use super::site::{Hit, Site};
use crate::electric::feed::Feed;
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
    let typical = Carried::of(site, index, Corner::TYPICAL);
    let mut stops = typical.held() > limit * LIMIT_MARGIN;
    for pull in &on_it {
        let (it, throws) = site.pull(*pull)?;
        let moving = typical.with(site, *pull);
        let lasts = throws.typical.amps_held / throws.typical.amps.max(1e-9);
        let more = moving * lasts > limit * LIMIT_MARGIN;
        stops |= more && it.kind == Drive::TwinCoil && still_moving(it, throws.typical.needs);
    }
    let strong = Carried::of(site, index, Corner::STRONG);
    let held_most = strong.held();
    let moving_most = on_it.iter().map(|pull| strong.with(site, *pull));
    let most = moving_most.fold(held_most, f64::max);
    if most <= limit {
        return None;
    }
    let id = &decoder.id;
    let (code, does) = if stops {
        (Code::BoardOverloaded, "carry")
    } else {
        (Code::BoardNearLimit, "may come to carry")
    };
    let message =
        format!("the outputs of {id} together {does} {most:.2} A, and it may carry {limit:.2} A");
    let mend = format!("move some drives from {id} to another board");
    let figures = vec![
        Figure::of("steady current", held_most, "A").at_most(limit),
        Figure::of("with a throw", most, "A").at_most(limit),
    ];
    let at = site.decoder_at(index);
    Some(site.finding(code, vec![id.clone()], at, (message, mend), figures))
}

/// What the outputs of a board carry together.
struct Carried {
    decoder: usize,
    corner: Corner,
    feed: Feed,
    /// Conductance of what stays powered, siemens: behind the feed's port already.
    resting: f64,
}

impl Carried {
    fn of(site: &Site<'_>, decoder: usize, corner: Corner) -> Self {
        let power = &site.power;
        let loaded = power.tree.with(&power.at_rest(corner, None));
        let on_it = power.pulls.iter().filter(|pull| is_on(pull, decoder));
        Self {
            decoder,
            corner,
            feed: Feed {
                source: power.source(power.tree.supply_of(decoder)),
                port: loaded.port(decoder),
            },
            resting: on_it.map(|pull| pull.resting(corner.others)).sum(),
        }
    }

    /// With nothing moving, amperes.
    fn held(&self) -> f64 {
        self.resting * self.feed.volts(self.feed.rested(), 0.0)
    }

    /// While that pull moves, and what is meant to move with it, amperes.
    fn with(&self, site: &Site<'_>, pull: usize) -> f64 {
        let mut moving = site.power.with_it(pull);
        moving.push(pull);
        let moving = moving.into_iter();
        let moving = moving.filter_map(|pull| site.power.pulls.get(pull));
        let added = moving.filter(|pull| is_on(pull, self.decoder));
        let added: f64 = added.map(|pull| self.added(pull)).sum();
        (self.resting + added) * self.feed.volts(self.feed.rested(), added)
    }

    /// What a pull adds to what it has at rest.
    fn added(&self, pull: &Pull) -> f64 {
        match (pull.kind, pull.output_kind) {
            (_, OutputKind::Steady) | (Drive::StallMotor | Drive::MemoryWire, _) => 0.0,
            (Drive::TwinCoil | Drive::Servo, _) => {
                pull.moving(self.corner.ohms) - pull.resting(self.corner.ohms)
            }
        }
    }
}

fn is_on(pull: &Pull, decoder: usize) -> bool {
    pull.output.is_some_and(|output| output.decoder == decoder)
}
