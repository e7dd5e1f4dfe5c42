//! The proof that a decoder has its address: every output, the neighbours, the old address, and
//! all of it again after the power was away.

use throwproof_protocol::address::{KeyedAddress, Position};

use super::{Act, Desk, Expect, Proof, Steps, hand};
use crate::event::teach::Method;
use crate::witness::bench::Job;

/// Adds the steps of the proof.
pub(super) fn prove(desk: &Desk<'_>, steps: &mut Steps) {
    outputs(desk, steps, 1..=desk.board.outputs, Expect::Acts, false);
    for address in neighbours(desk) {
        nothing(desk, steps, address, "is not one of its own");
    }
    if let Some(address) = old(desk) {
        nothing(desk, steps, address, "was its old one");
    }
    let forgets = desk.board.teaching.forgets;
    let cycles = match desk.method {
        // They were looked at when power came on.
        Method::Switches => false,
        // It is taught again after it.
        Method::FirstCommand if forgets => true,
        // It would be left without its address.
        Method::Main | Method::ProgrammingTrack if forgets => false,
        Method::FirstCommand | Method::Main | Method::ProgrammingTrack => desk.options.power_cycle,
    };
    if !cycles {
        return;
    }
    let name = desk.name();
    let text = format!("Take the power of {name} away");
    steps.change(Act::Hand(Job::PowerOff), text, "", |state| {
        state.is_off = true;
    });
    let text = format!("Give {name} power");
    steps.change(Act::Hand(Job::PowerOn), text, "", |state| {
        state.is_off = false;
        if forgets {
            state.at.push((desk.from, None));
        }
    });
    let last = desk.board.outputs;
    let expect = if forgets {
        Expect::Either
    } else {
        Expect::Acts
    };
    outputs(desk, steps, 1..=1, expect, true);
    if last > 1 {
        outputs(desk, steps, last..=last, expect, true);
    }
    if forgets {
        hand::first_command(desk, steps);
        outputs(desk, steps, 1..=last, Expect::Acts, false);
    }
}

fn outputs(
    desk: &Desk<'_>,
    steps: &mut Steps,
    range: std::ops::RangeInclusive<u8>,
    expect: Expect,
    after_power: bool,
) {
    for output in range {
        let Some(address) = desk.address_of(output - 1) else {
            continue;
        };
        for position in [Position::Straight, Position::Diverging] {
            let proof = Proof {
                address,
                position,
                output: Some(output),
                expect,
                after_power,
            };
            let text = format!("Address {address} {position} is sent: output {output}");
            steps.add(Act::Prove(proof), text);
        }
    }
}

fn nothing(desk: &Desk<'_>, steps: &mut Steps, address: KeyedAddress, why: &str) {
    let proof = Proof {
        address,
        position: Position::Straight,
        output: None,
        expect: Expect::Nothing,
        after_power: false,
    };
    let name = desk.name();
    let text = format!("Address {address} is sent, which {why}: nothing of {name}");
    steps.add(Act::Prove(proof), text);
}

/// The addresses just before and just behind its block, as far as there are any that are not the
/// broadcast.
pub(super) fn neighbours(desk: &Desk<'_>) -> Vec<KeyedAddress> {
    let first = desk.to.get();
    let around = [
        first.checked_sub(1),
        first.checked_add(u16::from(desk.board.outputs)),
    ];
    let around = around.into_iter().flatten();
    let around = around.filter_map(|address| KeyedAddress::new(address).ok());
    around
        .filter(|address| !desk.binary(*address).is_broadcast())
        .collect()
}

/// The address that it had, where that is none that it has now, nor a neighbour's.
pub(super) fn old(desk: &Desk<'_>) -> Option<KeyedAddress> {
    let from = desk.from.get();
    let first = desk.to.get();
    let is_own = (first..first + u16::from(desk.board.outputs)).contains(&from);
    let is_sent = is_own || neighbours(desk).contains(&desk.from);
    (!is_sent && !desk.binary(desk.from).is_broadcast()).then_some(desk.from)
}
