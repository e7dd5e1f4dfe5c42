//! Extended packets that switch an output for a time.

use std::collections::BTreeSet;
use std::time::Duration;

use throwproof_protocol::address::{BinaryAddress, KeyedAddress, PairBit};
use throwproof_protocol::instruction::{ExtendedAccessory, OnTime, SwitchingTime};
use throwproof_protocol::packet::Packet;

use super::{LONGEST_HOLD, PULSE_MARGIN, SHORTEST_HOLD, UNTIMED_HOLD};
use crate::plan::{Drive, PacketFormat, Plan, Turnout};

/// What switches a drive of a turnout at that address, and what switches it off again: a coil, and nothing else, is switched
/// off whatever its packet said. What stays powered at either end is meant to.
///
/// clause: RCN-213, second-hand: the data byte is `RZZZZZZZ`, Z in tenths of a second, 0 off, 127
/// until the next command.
pub(super) fn packets(
    plan: &Plan,
    turnout: &Turnout,
    address: KeyedAddress,
    pair_bit: PairBit,
) -> (Packet, Option<(Duration, Packet)>) {
    let address = address.binary(plan.layout.numbering);
    let on_time = match turnout.on_ms {
        // The plan has 100 to 12600.
        Some(ms) => OnTime::Tenths(u8::try_from(ms / 100).unwrap_or(u8::MAX)),
        None => OnTime::UntilNext,
    };
    let packet = |on_time| {
        let data = SwitchingTime { pair_bit, on_time }.data();
        ExtendedAccessory { address, data }.emit()
    };
    let release = (turnout.drive == Drive::TwinCoil).then(|| {
        let hold = turnout.on_ms.map_or(UNTIMED_HOLD, |ms| {
            let pulse = Duration::from_millis(u64::from(ms));
            (pulse + PULSE_MARGIN).clamp(SHORTEST_HOLD, LONGEST_HOLD)
        });
        (hold, packet(OnTime::Off))
    });
    (packet(on_time), release)
}

/// The addresses at which an extended packet switches a coil: only there does the data byte mean a
/// switching time that must not be left to run.
pub(in crate::sweep) fn coil_addresses(plan: &Plan) -> BTreeSet<BinaryAddress> {
    let coils = plan.turnouts.iter().filter(|turnout| {
        turnout.format == PacketFormat::Extended && turnout.drive == Drive::TwinCoil
    });
    let numbering = plan.layout.numbering;
    coils
        .flat_map(Turnout::addresses)
        .map(|address| address.binary(numbering))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::Subject;
    use crate::plan::Id;
    use crate::sweep::command::Command;
    use crate::sweep::route;

    fn command(keys: &str, position: &str) -> Command {
        let text = format!(
            "[layout]\nname = \"Bay\"\n[[turnout]]\nid = \"B1\"\nshape = \"left\"\n\
             address = 1\nformat = \"extended\"\n{keys}"
        );
        let plan = Plan::from_text("plan.toml", &text).unwrap();
        let subject = Subject::Turnout(Id::new("B1"));
        let commanded = route::id_of(position.parse().unwrap());
        Command::new(&plan, &subject, &commanded).unwrap()
    }

    // derived from RCN-213, second-hand: keyed 1 is binary 4; R = 1 is straight.
    #[test]
    fn the_data_byte_is_the_half_and_the_time() {
        let motor = command("drive = \"stall-motor\"", "diverging");
        assert_eq!(motor.packet.to_string(), "81 71 7F 8F");
        assert_eq!(motor.release, None, "it stays powered by design");
        let coil = command("on_ms = 500", "straight");
        assert_eq!(coil.packet.to_string(), "81 71 85 75");
        let (hold, release) = coil.release.unwrap();
        assert_eq!(release.to_string(), "81 71 80 70");
        assert_eq!(hold, LONGEST_HOLD);
        let swapped = command("on_ms = 12600\nstraight_output = 0", "straight");
        assert_eq!(swapped.packet.as_bytes()[2], 0x7e);
    }

    #[test]
    fn a_coil_is_switched_off_whatever_its_packet_said() {
        for (keys, hold) in [("", 200), ("on_ms = 100", 150), ("on_ms = 12600", 500)] {
            let (found, release) = command(keys, "diverging").release.unwrap();
            assert_eq!(found, Duration::from_millis(hold), "{keys}");
            assert_eq!(release.as_bytes()[2], 0x00);
        }
    }
}
