//! What may be wrong with what failed, and what to try.
//!
//! Every line is common practice, no source, in our own words; the most likely cause first. A
//! line that can hurt someone names the caution that goes with it.

use std::borrow::Cow;

use super::model::{AdviceLine, DiagnosisLine};
use crate::cautions::{self, Caution};
use crate::event::diagnosis::Cause;
use crate::plan::{Drive, SignalKind, Sort};
use crate::record::cases::percent;
use crate::verdict::Verdict;

/// A cause and what to try.
const fn plain(cause: &'static str, attempt: &'static str) -> AdviceLine {
    AdviceLine {
        cause: Cow::Borrowed(cause),
        attempt: Cow::Borrowed(attempt),
        percent: None,
        caution: None,
    }
}

/// The same, with what to mind.
const fn minding(cause: &'static str, attempt: &'static str, caution: &Caution) -> AdviceLine {
    AdviceLine {
        cause: Cow::Borrowed(cause),
        attempt: Cow::Borrowed(attempt),
        percent: None,
        caution: Some(caution.code),
    }
}

/// Common practice, no source.
const LEADS_SWAPPED: AdviceLine = minding(
    "the two leads are swapped, or the decoder takes the other sense for straight",
    "swap the leads, or give the plan the other straight_output: one of the two, not both. If \
     all on its decoder go the wrong way, the decoder's own setting is the place to mend",
    &cautions::UNPLUG,
);

/// Common practice, no source.
const STUCK_OUTPUT: AdviceLine = minding(
    "the output is stuck on and holds the blades: the coil gets hot",
    "feel for warmth with care, and disconnect the coil at once if it is warm; a lamp in its \
     place that stays lit without a command says that the output is broken or set to stay on",
    &cautions::COIL_ON,
);

/// Common practice, no source.
const LAMP: AdviceLine = minding(
    "a lead is off, the common is not connected, or the coil is broken",
    "put a lamp in place of the drive and throw: it lights, look at drive and leads; it stays \
     dark, look at decoder and address",
    &cautions::UNPLUG,
);

/// Common practice, no source.
const WRONG_ADDRESS: AdviceLine = plain(
    "the decoder has another address, or the drive is on another output",
    "throw the addresses beside it, one and four up and down, and see what moves; then give the \
     decoder its address again",
);

/// Common practice, no source.
const BINDS: AdviceLine = plain(
    "it binds: dirt, glue, a screw too tight, a tie bar that rubs",
    "take the drive's linkage off and move the blades by hand: they go lightly both ways, or \
     you have found it",
);

/// Common practice, no source.
const LINKAGE: AdviceLine = plain(
    "the linkage is off: the drive runs and the blades stay",
    "listen for the drive while someone throws it; hook the linkage in again",
);

/// Common practice, no source.
const COIL_OPEN: AdviceLine = minding(
    "one coil is open, its lead is off, or an end-off contact sticks",
    "swap the two leads: if it now goes the other way only, the drive is at fault, else the \
     decoder's half",
    &cautions::UNPLUG,
);

/// Common practice, no source.
const ONE_WAY_BINDS: AdviceLine = plain(
    "it binds one way only, or two springs work against each other",
    "move the blades by hand both ways with the drive unhooked, and compare",
);

/// Common practice, no source.
const WEAK: AdviceLine = plain(
    "too little energy: a capacitor discharge unit not yet charged, thin or long wires, a pulse \
     too short",
    "wait ten seconds and throw once. If it now goes all the way, give it longer gaps, a longer \
     pulse or thicker wire; if it still stops half-way, it is mechanical",
);

/// Common practice, no source.
const OBSTACLE: AdviceLine = plain(
    "something keeps the blades from closing: ballast, paint, the travel of the linkage",
    "look at the blade tip from above and clean the gap; adjust the travel",
);

/// Common practice, no source.
const LOOSE: AdviceLine = plain(
    "a screw terminal, joint or plug is loose",
    "move each joint gently while it is thrown back and forth, and remake the one that matters",
);

/// Common practice, no source.
const SAME_ADDRESS: AdviceLine = plain(
    "two decoders have the same address, or their blocks overlap",
    "disconnect decoders one after another until only one turnout moves, then give one of them \
     another address",
);

/// Common practice, no source.
const EXCHANGED: AdviceLine = minding(
    "the leads of two turnouts are exchanged, or both hang on one output",
    "follow the leads of both from terminal to drive and put them in place",
    &cautions::UNPLUG,
);

/// Common practice, no source.
const PULSE_ON_MOTOR: AdviceLine = plain(
    "the output is set to a pulse, so that the motor never gets there or drifts back",
    "set the output to stay on and change polarity, as a stall motor needs",
);

/// Common practice, no source.
const SERVO_SETTING: AdviceLine = minding(
    "both ends of the servo are set to the same angle, or it gets no supply of its own",
    "measure its supply under load, then set the two ends again",
    &cautions::MOVING,
);

/// Common practice, no source.
const SERVO_TRAVEL: AdviceLine = minding(
    "the servo's end is set too near or too far, or its supply sags",
    "move the end by small steps until the blades just close; a springy wire takes up the rest",
    &cautions::MOVING,
);

/// Common practice, no source.
const COLD_WIRE: AdviceLine = minding(
    "the memory wire gets too little current, or has been overheated and shortens no more",
    "measure its current and compare it with the wire's data; replace a wire that has gone slack",
    &cautions::HEAT,
);

/// Common practice, no source.
const WIRE_SPRING: AdviceLine = plain(
    "the spring that draws the memory wire back is too weak or too strong, or the room is too \
     warm or cold",
    "throw it again after the wire has cooled; adjust the spring",
);

/// Common practice, no source.
const SIGNAL_DARK: AdviceLine = minding(
    "the signal or its decoder has no supply, or a plug is out",
    "measure the supply at the signal; look whether the decoder shows that it hears commands",
    &cautions::UNPLUG,
);

/// Common practice, no source.
const SIGNAL_FORMAT: AdviceLine = plain(
    "the decoder obeys the other kind of packet: turnout commands or signal aspects",
    "look up its setting (CV 29, bit 5), and the decoder's format in the plan",
);

/// Common practice, no source.
const ASPECT_VALUES: AdviceLine = plain(
    "the decoder numbers its aspects otherwise than the plan",
    "send each value with the command throwproof aspect, write down what shows, and correct the \
     plan's aspects",
);

/// Common practice, no source.
const LAMPS_EXCHANGED: AdviceLine = minding(
    "two lamps or two outputs of the signal are exchanged",
    "follow their leads; swap the two",
    &cautions::UNPLUG,
);

/// Common practice, no source.
const STAYS_UP: AdviceLine = minding(
    "the output is set to stay on, or its transistor is shorted: the uncoupler's coil gets hot",
    "disconnect it at once if it is warm; set the output to a pulse",
    &cautions::COIL_ON,
);

/// Common practice, no source.
const GATES_BIND: AdviceLine = plain(
    "the gates bind or meet an obstacle, or their drive's travel is set too short",
    "move them by hand without power, and then set the ends of the travel",
);

/// Common practice, no source.
const OTHER_HALF: AdviceLine = minding(
    "its two leads are exchanged, or it is on the other half of the pair",
    "give the plan the other half or output, or swap the leads: one of the two, not both",
    &cautions::UNPLUG,
);

/// What may be wrong with a turnout that has that verdict.
pub(super) fn of_turnout(verdict: Verdict, drive: Drive) -> Vec<AdviceLine> {
    let lines: &[AdviceLine] = match (verdict, drive) {
        (Verdict::Proved | Verdict::Skipped, _) => &[],
        (Verdict::Reversed, _) => &[LEADS_SWAPPED],
        (Verdict::Stray, _) => &[EXCHANGED, SAME_ADDRESS, WRONG_ADDRESS],
        (Verdict::Still, Drive::TwinCoil) => &[LAMP, WRONG_ADDRESS, LINKAGE, BINDS, STUCK_OUTPUT],
        (Verdict::Still, Drive::StallMotor) => &[LAMP, WRONG_ADDRESS, LINKAGE, PULSE_ON_MOTOR],
        (Verdict::Still, Drive::Servo) => &[SERVO_SETTING, WRONG_ADDRESS, LINKAGE, BINDS],
        (Verdict::Still, Drive::MemoryWire) => &[COLD_WIRE, WRONG_ADDRESS, LINKAGE, BINDS],
        (Verdict::OneWay, Drive::TwinCoil) => &[COIL_OPEN, ONE_WAY_BINDS, STUCK_OUTPUT],
        (Verdict::OneWay, Drive::StallMotor) => &[PULSE_ON_MOTOR, ONE_WAY_BINDS, LOOSE],
        (Verdict::OneWay, Drive::Servo) => &[SERVO_SETTING, ONE_WAY_BINDS],
        (Verdict::OneWay, Drive::MemoryWire) => &[WIRE_SPRING, COLD_WIRE, ONE_WAY_BINDS],
        (Verdict::Partial, Drive::TwinCoil) => &[OBSTACLE, WEAK, BINDS, LOOSE],
        (Verdict::Partial, Drive::StallMotor) => &[OBSTACLE, PULSE_ON_MOTOR, BINDS, LOOSE],
        (Verdict::Partial, Drive::Servo) => &[SERVO_TRAVEL, OBSTACLE, BINDS, LOOSE],
        (Verdict::Partial, Drive::MemoryWire) => &[WIRE_SPRING, OBSTACLE, COLD_WIRE, LOOSE],
    };
    lines.to_vec()
}

/// Common practice, no source.
const ONE_OF_SEVERAL: AdviceLine = minding(
    "one of its drives goes the other way, or two are on each other's outputs",
    "throw it to each position and look which blades lie otherwise than its table in the plan says; \
     swap that drive's leads or exchange those of the two, or mend straight_outputs or the order of \
     the drives in the plan: one of them, not both",
    &cautions::UNPLUG,
);

/// Puts what may be wrong with one of several drives before the rest.
pub(super) fn of_several(verdict: Verdict, lines: &mut Vec<AdviceLine>) {
    match verdict {
        Verdict::Reversed | Verdict::Partial => lines.insert(0, ONE_OF_SEVERAL),
        Verdict::Proved | Verdict::OneWay | Verdict::Still | Verdict::Stray | Verdict::Skipped => {}
    }
}

/// What a diagnosis names stands in place of what the verdict alone suggests; if it names nothing,
/// that stays.
pub(super) fn of_diagnosis(diagnosis: &DiagnosisLine, lines: &mut Vec<AdviceLine>) {
    if !diagnosis.causes.is_empty() {
        *lines = diagnosis.causes.iter().map(named).collect();
    }
}

fn named(cause: &Cause) -> AdviceLine {
    let caution = cautions::ALL
        .iter()
        .find(|one| Some(one.code) == cause.caution.as_deref());
    AdviceLine {
        cause: Cow::Owned(cause.says.clone()),
        attempt: Cow::Owned(cause.mend.clone()),
        percent: Some(percent(cause)),
        caution: caution.map(|one| one.code),
    }
}

/// What may be wrong with a signal that has that verdict.
pub(super) fn of_signal(verdict: Verdict, kind: SignalKind, sort: Sort) -> Vec<AdviceLine> {
    if sort != Sort::Signal {
        return of_accessory(verdict, sort);
    }
    let lines: &[AdviceLine] = match (verdict, kind) {
        (Verdict::Proved | Verdict::Skipped, _) => &[],
        (Verdict::Still, _) => &[SIGNAL_DARK, WRONG_ADDRESS, SIGNAL_FORMAT],
        (Verdict::Stray, _) => &[SAME_ADDRESS, WRONG_ADDRESS, EXCHANGED],
        (Verdict::Reversed | Verdict::OneWay | Verdict::Partial, SignalKind::Extended) => {
            &[ASPECT_VALUES, LAMPS_EXCHANGED]
        }
        (Verdict::Reversed | Verdict::OneWay | Verdict::Partial, SignalKind::Pairs) => {
            &[LAMPS_EXCHANGED, ASPECT_VALUES, LOOSE]
        }
    };
    lines.to_vec()
}

/// The same of an uncoupler, gates or lights.
fn of_accessory(verdict: Verdict, sort: Sort) -> Vec<AdviceLine> {
    let lines: &[AdviceLine] = match (verdict, sort) {
        (Verdict::Proved | Verdict::Skipped, _) => &[],
        (Verdict::Stray, _) => &[SAME_ADDRESS, WRONG_ADDRESS, EXCHANGED],
        (Verdict::Partial, Sort::Uncoupler) => &[STAYS_UP, LOOSE],
        (Verdict::Partial | Verdict::OneWay, Sort::Gates) => &[GATES_BIND, LAMP, LOOSE],
        (Verdict::Partial | Verdict::OneWay, Sort::Lights | Sort::Signal) => &[LAMP, LOOSE],
        (Verdict::Still | Verdict::OneWay, Sort::Uncoupler) => &[LAMP, OTHER_HALF, WRONG_ADDRESS],
        (Verdict::Still, Sort::Gates | Sort::Lights | Sort::Signal) => {
            &[LAMP, SIGNAL_DARK, WRONG_ADDRESS]
        }
        (Verdict::Reversed, _) => &[OTHER_HALF],
    };
    lines.to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_failure_has_advice_and_every_caution_is_one_of_the_list() {
        let drives = [
            Drive::TwinCoil,
            Drive::StallMotor,
            Drive::Servo,
            Drive::MemoryWire,
        ];
        for verdict in Verdict::ALL {
            let turnouts = drives.map(|drive| of_turnout(verdict, drive));
            let kinds = [SignalKind::Extended, SignalKind::Pairs];
            let signals = kinds.map(|kind| of_signal(verdict, kind, Sort::Signal));
            let others = [Sort::Uncoupler, Sort::Gates, Sort::Lights];
            let others = others.map(|sort| of_signal(verdict, SignalKind::Pairs, sort));
            for lines in turnouts.iter().chain(&signals).chain(&others) {
                assert_eq!(!lines.is_empty(), verdict.is_failure(), "{verdict}");
                for code in lines.iter().filter_map(|line| line.caution) {
                    assert!(cautions::ALL.iter().any(|one| one.code == code), "{code}");
                }
            }
        }
    }

    #[test]
    fn a_coil_that_may_be_held_on_is_always_warned_of() {
        for verdict in [Verdict::Still, Verdict::OneWay] {
            let lines = of_turnout(verdict, Drive::TwinCoil);
            assert!(
                lines
                    .iter()
                    .any(|line| line.caution == Some(cautions::COIL_ON.code))
            );
        }
    }
}
