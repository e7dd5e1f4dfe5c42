//! What says whether a proof still holds for a plan that was edited.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use sha2::{Digest as _, Sha256};
use throwproof_protocol::address::KeyedAddress;

use crate::event::Subject;
use crate::plan::{OutputRef, PacketFormat, Plan, Signal, Sort, Turnout};

/// SHA-256 of these bytes, hexadecimal.
pub fn fingerprint(bytes: &[u8]) -> String {
    let mut text = String::new();
    for byte in Sha256::digest(bytes) {
        // A `String` takes anything.
        let _infallible = write!(text, "{byte:02x}");
    }
    text
}

/// What the plan has, each with a mark: it changes with everything in the plan on which the proof
/// depends, and with nothing else. Id, place, comments, order and acceptance lists are no part of
/// it: a turnout that is called otherwise lies as it did.
pub fn marks(plan: &Plan) -> BTreeMap<Subject, String> {
    let turnouts = plan.turnouts.iter().map(|turnout| {
        let mark = fingerprint(of_turnout(plan, turnout).as_bytes());
        (Subject::Turnout(turnout.id.clone()), mark)
    });
    let signals = plan.signals.iter().map(|signal| {
        let mark = fingerprint(of_signal(plan, signal).as_bytes());
        (Subject::Signal(signal.id.clone()), mark)
    });
    turnouts.chain(signals).collect()
}

fn of_turnout(plan: &Plan, turnout: &Turnout) -> String {
    // Every field by name: whoever adds one decides whether a proof depends on it.
    let Turnout {
        id: _,
        place: _,
        shape,
        address,
        output,
        drive,
        drives,
        straight_bit,
        amps,
        position_reports: _,
        rest,
        shares_address,
        accept: _,
        joint,
        part: _,
        format,
        on_ms,
        wire,
        needs_ms,
        line: _,
    } = turnout;
    let mut text = format!(
        "turnout {shape:?} {} {drive:?} {drives} {straight_bit:?} {amps:?} {rest:?} \
         {shares_address} {}",
        at(plan, *address),
        of_output(plan, *output)
    );
    // What older plans could not say is left out where a plan does not say it, so that what was
    // proved with them stays proved.
    if let Some(joint) = joint {
        // A `String` takes anything.
        let _infallible = write!(text, " {} {:?}", joint.rest, joint.positions);
        for drive in &joint.drives {
            let _infallible = write!(
                text,
                " {:?} {} {}",
                drive.straight_bit,
                at(plan, drive.address),
                of_output(plan, drive.output)
            );
        }
    }
    if *format == PacketFormat::Extended {
        let _infallible = write!(text, " extended {on_ms:?}");
    }
    if wire.is_some() || needs_ms.is_some() {
        let _infallible = write!(text, " {wire:?} {needs_ms:?}");
    }
    text
}

fn of_signal(plan: &Plan, signal: &Signal) -> String {
    let Signal {
        id: _,
        place: _,
        address,
        kind,
        output,
        aspects,
        sort,
        lamps: _,
        restrictive,
        on_ms,
        line: _,
    } = signal;
    let mut aspects: Vec<_> = aspects
        .iter()
        .map(|aspect| (aspect.value, aspect.name.as_str()))
        .collect();
    aspects.sort_unstable();
    let mut text = format!(
        "signal {} {kind:?} {aspects:?} {}",
        at(plan, *address),
        of_output(plan, *output)
    );
    if *sort != Sort::Signal {
        // A `String` takes anything.
        let _infallible = write!(text, " {sort:?}");
    }
    if restrictive.is_some() || on_ms.is_some() {
        let _infallible = write!(text, " {restrictive:?} {on_ms:?}");
    }
    text
}

/// The address on the rails, how it is keyed, and how many things have it.
fn at(plan: &Plan, address: KeyedAddress) -> String {
    let numbering = plan.layout.numbering;
    let turnouts = plan.turnouts.iter().flat_map(Turnout::addresses);
    let signals = plan.signals.iter().map(|signal| signal.address);
    let of_it = turnouts.chain(signals).filter(|other| *other == address);
    format!(
        "{} {numbering} {}",
        address.binary(numbering),
        of_it.count()
    )
}

/// The decoder that drives it, and what feeds that.
fn of_output(plan: &Plan, output: Option<OutputRef>) -> String {
    let Some(output) = output else {
        return "no output".to_owned();
    };
    let decoder = &plan.decoders[output.decoder];
    let mut text = format!(
        "output {} {:?} {} {:?} {:?}",
        output.number,
        decoder.output_kind,
        decoder.pulse_ms,
        decoder.max_output_amps,
        decoder.format
    );
    if let Some(run) = decoder.wire {
        // A `String` takes anything.
        let _infallible = write!(text, " wire {:?}", run.wire);
        if let Some(from) = run.from {
            let _infallible = write!(text, " from {}", plan.decoders[from].id);
        }
    }
    if let Some(supply) = decoder.supply {
        let supply = &plan.supplies[supply];
        let _infallible = write!(
            text,
            " supply {:?} {} {} {:?} {:?} {:?} {:?}",
            supply.kind,
            supply.volts,
            supply.amps,
            supply.internal_ohms,
            supply.capacitor,
            supply.trip_amps,
            supply.trip_ms
        );
    }
    text
}
