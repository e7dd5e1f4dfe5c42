//! A made-up plan, for a throw on the simulated track without a plan: one decoder on a bench,
//! whose block holds the address.

use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, Position};

use super::Failure;
use crate::plan::{Plan, PlanError};
use crate::track::as_built::{AsBuilt, Turnout};

/// What lies on the bench.
#[derive(Debug, Clone, Copy)]
pub(super) enum Thing {
    /// Four turnouts, the one of that address about to be sent there.
    Turnout(KeyedAddress, Position),
    /// Four signals, one of them with that address.
    Signal(KeyedAddress),
}

/// The plan of the bench.
pub(super) fn plan(thing: Thing, numbering: Numbering) -> Result<Plan, Failure> {
    let text = match thing {
        Thing::Turnout(address, _) => {
            let first = block(address, numbering);
            let turnouts = (1..=4).map(|output| {
                format!(
                    "[[turnout]]\nid = \"T{output}\"\nplace = \"bench\"\nshape = \"left\"\n\
                     decoder = \"bench\"\noutput = {output}\ndrive = \"twin-coil\"\n"
                )
            });
            head(numbering, first, "output_kind = \"pulse\"\npulse_ms = 150")
                + &turnouts.collect::<String>()
        }
        Thing::Signal(address) => {
            let first = block(address, numbering);
            let signals = (1..=4).map(|output| {
                format!(
                    "[[signal]]\nid = \"S{output}\"\nplace = \"bench\"\nkind = \"extended\"\n\
                     decoder = \"bench\"\noutput = {output}\naspects = {{ stop = 0 }}\n"
                )
            });
            head(
                numbering,
                first,
                "output_kind = \"steady\"\nformat = \"extended\"",
            ) + &signals.collect::<String>()
        }
    };
    Ok(Plan::from_text("made-up plan", &text).map_err(PlanError::from)?)
}

/// What is really on the bench: the turnout lies the other way, so that it is seen to move.
pub(super) fn as_built(thing: Thing, plan: &Plan) -> AsBuilt {
    let mut as_built = AsBuilt::default();
    if let Thing::Turnout(address, position) = thing {
        let lies = Turnout {
            lies: Some(position.opposite()),
            ..Turnout::default()
        };
        let thrown = plan
            .turnouts
            .iter()
            .find(|turnout| turnout.address == address);
        as_built
            .turnouts
            .extend(thrown.map(|turnout| (turnout.id.clone(), lies)));
    }
    as_built
}

/// The keyed address of the first output of the decoder address that this one is part of.
fn block(address: KeyedAddress, numbering: Numbering) -> KeyedAddress {
    let first: BinaryAddress = address.binary(numbering).decoder().first();
    first.keyed(numbering)
}

fn head(numbering: Numbering, first: KeyedAddress, output: &str) -> String {
    format!(
        "[layout]\nname = \"bench\"\nnumbering = \"{numbering}\"\n\
         [supply.bench]\nkind = \"separate\"\nvolts = 16.0\namps = 2.5\n\
         [decoder.bench]\noutputs = 4\nfirst_address = {first}\nsupply = \"bench\"\n{output}\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_address_finds_its_turnout_on_the_bench() {
        for numbering in Numbering::ALL {
            for address in KeyedAddress::all() {
                let thing = Thing::Turnout(address, Position::Straight);
                let plan = plan(thing, numbering).unwrap();
                let at_address = plan.turnouts.iter().filter(|one| one.address == address);
                assert_eq!(at_address.count(), 1, "{address} {numbering}");
                assert_eq!(as_built(thing, &plan).turnouts.len(), 1);
            }
        }
    }

    #[test]
    fn there_is_a_bench_for_signals_too() {
        let plan = plan(Thing::Signal(KeyedAddress::MAX), Numbering::Linear).unwrap();
        assert_eq!(plan.signals.len(), 4);
        assert!(
            plan.signals
                .iter()
                .any(|signal| signal.address == KeyedAddress::MAX)
        );
    }
}
