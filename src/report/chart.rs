//! Which output of which decoder drives what.

use throwproof_protocol::address::KeyedAddress;

use super::model::{Chart, Driven, OutputLine, SupplyLine};
use crate::plan::{Decoder, OutputRef, Plan};

/// The chart of each decoder, in the order of the plan.
pub(super) fn all(plan: &Plan) -> Vec<Chart> {
    let charts = plan.decoders.iter().enumerate();
    charts
        .map(|(at, decoder)| chart(plan, at, decoder))
        .collect()
}

fn chart(plan: &Plan, at: usize, decoder: &Decoder) -> Chart {
    let supply = decoder.supply.and_then(|supply| plan.supplies.get(supply));
    let outputs = (1..=decoder.outputs).map(|number| output(plan, at, decoder, number));
    Chart {
        id: decoder.id.to_string(),
        place: decoder.place.clone(),
        supply: supply.map(|supply| SupplyLine {
            id: supply.id.to_string(),
            volts: supply.volts,
            amps: supply.amps,
        }),
        output_kind: decoder.output_kind,
        pulse_ms: decoder.pulse_ms,
        outputs: outputs.collect(),
    }
}

fn output(plan: &Plan, at: usize, decoder: &Decoder, number: u8) -> OutputLine {
    let above = u16::from(number) - 1;
    let keyed = decoder.first_address.get().checked_add(above);
    let keyed = keyed.and_then(|keyed| KeyedAddress::new(keyed).ok());
    let is_it = |output: OutputRef| output.decoder == at && output.number == number;
    let turnouts = plan.turnouts.iter().filter(|one| {
        let mut drives = one.reached().into_iter();
        drives.any(|drive| drive.output.is_some_and(is_it))
    });
    // A signal on pairs takes the outputs that follow its own as well.
    let signals = plan.signals.iter().filter(|one| {
        one.output.is_some_and(|output| {
            let taken = output.number..output.number.saturating_add(one.addresses());
            output.decoder == at && taken.contains(&number)
        })
    });
    let turnouts = turnouts.map(|one| Driven {
        id: one.id.to_string(),
        drive: Some(one.drive),
    });
    let signals = signals.map(|one| Driven {
        id: one.id.to_string(),
        drive: None,
    });
    OutputLine {
        output: number,
        address: keyed.map(KeyedAddress::get),
        binary_address: keyed.map(|keyed| keyed.binary(plan.layout.numbering).get()),
        drives: turnouts.chain(signals).collect(),
    }
}
