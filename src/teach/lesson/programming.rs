//! CVs written on a programming track, in service mode.

use throwproof_protocol::cv::{AddressMethod, CvNumber, CvOperation};

use super::{Act, Desk, Steps, main_line};
use crate::teach::course::{Held, Write};
use crate::witness::bench::Job;

/// The bits of CV 29 that a wanted value speaks of: that of the address method.
const METHOD_MASK: u8 = 1 << 6;

/// Optional ones of S-9.2.2 (July 2012), table 3, that have no other part here.
const OPTIONAL: [u16; 2] = [2, 28];

/// Onto the programming track, each CV shown, written and shown again, and back.
pub(super) fn write(desk: &Desk<'_>, steps: &mut Steps) {
    let name = desk.name();
    let text = format!("Connect {name}, and it alone, to the programming track");
    let mind = "Take coils and lamps off its outputs if it trips the programming track.";
    steps.change(Act::Hand(Job::OntoProgrammingTrack), text, mind, |state| {
        state.is_on_programming_track = true;
    });
    steps.add(
        Act::TestDirect,
        format!("Whether {name} answers: is bit 7 of CV 8 a 0, is it a 1?"),
    );
    let to = Held::of(desk.binary(desk.to), desk.by);
    let writes = [
        Write::By(to.by),
        Write::Low(to.cvs.low),
        Write::High(to.cvs.high),
    ];
    let on_times = desk.on_times();
    let mut shown: Vec<(CvNumber, Option<(u8, u8)>)> = vec![
        (
            CvNumber::CONFIGURATION,
            Some((METHOD_MASK, method_bit(to.by))),
        ),
        (CvNumber::ADDRESS_LOW, Some((u8::MAX, to.cvs.low))),
        (CvNumber::ADDRESS_HIGH, Some((u8::MAX, to.cvs.high))),
    ];
    shown.extend(
        on_times
            .iter()
            .map(|(cv, count)| (*cv, Some((u8::MAX, *count)))),
    );
    if desk.options.read {
        let more = [
            CvNumber::VERSION,
            CvNumber::MANUFACTURER,
            CvNumber::ON_TIME_1,
            CvNumber::ON_TIME_2,
            CvNumber::ON_TIME_3,
            CvNumber::ON_TIME_4,
        ];
        let optional = OPTIONAL
            .into_iter()
            .filter_map(|number| CvNumber::new(number).ok());
        for cv in more.into_iter().chain(optional) {
            if !shown.iter().any(|(known, _)| *known == cv) {
                shown.push((cv, None));
            }
        }
    }
    for (cv, _) in &shown {
        read(desk, steps, *cv, None, true);
    }
    for write in writes {
        let (cv, operation, says) = main_line::of(write);
        let number = desk.number(cv);
        let text = format!("CV {number} of {name}: {says}");
        let act = Act::Serve { cv, operation };
        steps.change(act, text, "", |state| {
            let place = (desk.to, Some(to.by));
            if !state.at.contains(&place) {
                state.at.push(place);
            }
        });
    }
    for (cv, count) in on_times {
        let number = desk.number(cv);
        let pulse = desk.board.pulse_ms;
        let text = format!("CV {number} of {name}: write {count}, a pulse of {pulse} ms");
        let operation = CvOperation::WriteByte(count);
        steps.add(Act::Serve { cv, operation }, text);
    }
    for (cv, wanted) in shown {
        if wanted.is_some() {
            read(desk, steps, cv, wanted, false);
        }
    }
    let text = format!("Connect {name} to the layout again");
    steps.change(Act::Hand(Job::BackToLayout), text, "", |state| {
        state.is_on_programming_track = false;
        state.moves_to(desk.to, Some(to.by));
    });
}

fn method_bit(by: AddressMethod) -> u8 {
    match by {
        AddressMethod::Decoder => 0,
        AddressMethod::Output => METHOD_MASK,
    }
}

fn read(desk: &Desk<'_>, steps: &mut Steps, cv: CvNumber, wanted: Option<(u8, u8)>, before: bool) {
    let what = match cv.get() {
        1 => "low part of the address",
        2 => "auxiliary inputs",
        3 => "on-time of output 1",
        4 => "on-time of output 2",
        5 => "on-time of output 3",
        6 => "on-time of output 4",
        7 => "version",
        8 => "manufacturer",
        9 => "high part of the address",
        28 => "bi-directional communication",
        29 => "configuration",
        _ => "of the maker's own",
    };
    let act = Act::Read { cv, wanted, before };
    let when = if before { "before" } else { "after" };
    steps.add(act, format!("CV {}, {what}, {when}", desk.number(cv)));
}
