//! What reaches a drive through supply and wires, and what a short at their far end draws.

use super::site::{Hit, Site};
use crate::electric::figures;
use crate::plan::finding::{Code, Figure, Finding};

/// Of the current that a drive could have, it should get this share; common practice, no source.
const ENOUGH: f64 = 0.9;

/// A wire may lose this share of the voltage; common practice, no source.
const MAY_LOSE: f64 = 0.05;

pub(super) fn find(site: &Site<'_>, index: usize, hits: &mut Vec<Hit>) {
    let Some((pull, _)) = site.pull(index) else {
        return;
    };
    if figures::fits(pull.kind, pull.output_kind) {
        hits.extend(too_little(site, index));
        hits.extend(lost_in_wire(site, index));
    }
}

/// A drive that gets too little, or little.
fn too_little(site: &Site<'_>, index: usize) -> Option<Hit> {
    let (pull, throws) = site.pull(index)?;
    let typical = throws.typical;
    let starved = typical.needs.is_none();
    if !starved && typical.share >= ENOUGH && throws.weak.needs.is_some() {
        return None;
    }
    let (id, percent) = (site.id(pull), 100.0 * typical.share);
    let source = site.power.source(pull.supply);
    let (code, does) = if starved {
        (Code::DriveStarved, "and that does not move it")
    } else if throws.weak.needs.is_none() {
        (
            Code::SupplySags,
            "and a stiff one of its kind stays where it is",
        )
    } else {
        (Code::SupplySags, "a tenth or more below its rated one")
    };
    let message = if starved && source.capacitor.is_some() && typical.share >= ENOUGH {
        format!(
            "the capacitor of {} is empty before {id} has moved",
            site.fed_from(pull)
        )
    } else {
        format!(
            "{id} gets {percent:.0} % of its current from {}, {does}",
            site.fed_from(pull)
        )
    };
    let mut figures = vec![
        Figure::of("at the board", typical.volts, "V"),
        Figure::of("share of rated current", percent, "%").at_least(100.0 * ENOUGH),
    ];
    figures.extend(decoder_ohms(site, index));
    Some(Hit {
        code,
        pull: index,
        weight: 1.0 - typical.share,
        message,
        mend: "thicker or shorter wires, a stronger supply, or a larger capacitor".to_owned(),
        figures,
    })
}

/// Resistance of the wire to a pull's board and of its leads.
fn decoder_ohms(site: &Site<'_>, index: usize) -> Option<Figure> {
    let (pull, _) = site.pull(index)?;
    let bus = site.power.tree.ohms_to(pull.output?.decoder);
    let ohms = bus + pull.lead_ohms;
    Some(Figure::of("wires, out and back", ohms, "Ω"))
}

fn lost_in_wire(site: &Site<'_>, index: usize) -> Option<Hit> {
    let (pull, throws) = site.pull(index)?;
    let plan = site.power.plan;
    let bus = site.power.tree.ohms_to(pull.output?.decoder);
    let leads = plan.turnouts[pull.turnout]
        .wire
        .map_or(0.0, crate::electric::copper::loop_ohms);
    if bus + leads <= 0.0 {
        return None;
    }
    let typical = throws.typical;
    let in_bus = bus * typical.amps * f64::from(pull.drives);
    let in_leads = leads * typical.amps;
    let volts = site.power.source(pull.supply).volts;
    let lost = in_bus + in_leads;
    let percent = 100.0 * lost / volts;
    (lost > MAY_LOSE * volts).then(|| Hit {
        code: Code::WireTooLong,
        pull: index,
        weight: lost,
        message: format!(
            "the wires to {} lose {lost:.1} V of {volts:.1} V, {percent:.0} %, while it is thrown",
            site.id(pull)
        ),
        mend: "double the cross-section, which halves the loss, or shorten the way".to_owned(),
        figures: vec![
            Figure::of("lost in the wires", percent, "%").at_most(100.0 * MAY_LOSE),
            Figure::of("to the board", bus, "Ω"),
            Figure::of("leads", leads, "Ω"),
            Figure::of("current", typical.amps * f64::from(pull.drives), "A"),
        ],
    })
}

/// Finds supplies that a short at the far end of their wires does not trip.
pub(super) fn shorts(site: &Site<'_>, findings: &mut Vec<Finding>) {
    let (plan, tree) = (site.power.plan, &site.power.tree);
    for (index, supply) in plan.supplies.iter().enumerate() {
        let source = site.power.source(index);
        // Behind a capacitor nothing is meant to trip: its charging resistance holds.
        if source.capacitor.is_some() {
            continue;
        }
        let fed = (0..plan.decoders.len()).filter(|decoder| tree.supply_of(*decoder) == index);
        let far = fed.max_by(|one, other| tree.ohms_to(*one).total_cmp(&tree.ohms_to(*other)));
        let Some(far) = far.filter(|far| tree.ohms_to(*far) > 0.0) else {
            continue;
        };
        let ohms = source.ohms + tree.ohms_to(far);
        let amps = source.volts / ohms;
        if amps >= source.trip_amps {
            continue;
        }
        let board = &plan.decoders[far].id;
        let message = format!(
            "a short at {board} draws {amps:.1} A, and {} trips at {:.1} A",
            supply.id, source.trip_amps
        );
        let mend = format!(
            "thicker wire to {board}, or a fuse of its own there; half of {:.1} Ω is a good aim",
            source.volts / source.trip_amps
        );
        let figures = vec![
            Figure::of("short-circuit current", amps, "A").at_least(source.trip_amps),
            Figure::of("loop", ohms, "Ω").at_most(source.volts / source.trip_amps),
        ];
        let subjects = vec![supply.id.clone(), board.clone()];
        let at = site.decoder_at(far);
        findings.push(site.finding(
            Code::TripNeverReached,
            subjects,
            at,
            (message, mend),
            figures,
        ));
    }
}
