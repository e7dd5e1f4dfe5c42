//! Pulses: long enough for the drive, and short enough for the coil.

use super::site::{Hit, Site};
use crate::electric::figures::{self, BURNT};
use crate::electric::heat;
use crate::electric::power::{Corner, Pull};
use crate::plan::finding::{Code, Figure, Finding};
use crate::plan::{Drive, OutputKind};

/// A decoder that hears a command again begins its pulse anew, and a station sends each command
/// some times over; longer than this after the first none comes, seconds. Common practice, no
/// source: three copies.
const COPIES: f64 = 0.04;

/// A sweep releases an output after that time at the latest, seconds.
const RELEASED: f64 = 0.5;

/// How soon a turnout may be thrown again and again, seconds: 0.5 to 1 s between throws is
/// common practice, no source.
const AGAIN: f64 = 1.0;

pub(super) fn find(site: &Site<'_>, index: usize, hits: &mut Vec<Hit>) {
    let Some((pull, _)) = site.pull(index) else {
        return;
    };
    if pull.kind == Drive::TwinCoil && pull.output_kind == OutputKind::Pulse {
        hits.extend(too_short(site, index));
        hits.extend(too_hot(site, index));
    }
}

fn too_short(site: &Site<'_>, index: usize) -> Option<Hit> {
    let (pull, throws) = site.pull(index)?;
    let pulse = pull.on_time().min(RELEASED);
    let needs_ms = site.power.plan.turnouts[pull.turnout].needs_ms;
    let said = needs_ms.map_or(0.0, |needs| f64::from(needs) / 1000.0);
    // One that never moves is not helped by a longer pulse.
    let (typical, weak) = (throws.typical.needs?, throws.weak.needs);
    let surely = weak.unwrap_or(typical).max(said);
    if pulse >= surely {
        return None;
    }
    let (id, ms) = (site.id(pull), pulse * 1000.0);
    let wanted = (surely * 1000.0).ceil();
    Some(Hit {
        code: if typical > pulse + COPIES {
            Code::PulseTooShort
        } else {
            Code::PulseBarelyLong
        },
        pull: index,
        weight: surely,
        message: format!(
            "the pulse of {id} is {ms:.0} ms, and its drive needs up to {wanted:.0} ms"
        ),
        mend: if wanted <= 450.0 {
            format!("set pulse_ms of its board to {wanted:.0} or more, and no more than 500")
        } else {
            "use a quicker drive: no pulse that a coil bears is long enough".to_owned()
        },
        figures: vec![
            Figure::of("pulse", ms, "ms").at_least(wanted),
            Figure::of("a typical drive needs", typical * 1000.0, "ms"),
        ],
    })
}

/// Gives the findings of coils that are left on their figures.
pub(super) fn left_on(site: &Site<'_>, findings: &mut [Finding]) {
    for finding in findings.iter_mut().filter(|it| it.code == Code::CoilLeftOn) {
        let mut pulls = site.power.pulls.iter().enumerate();
        let Some((index, pull)) =
            pulls.find(|(_, it)| finding.subjects.first() == Some(site.id(it)))
        else {
            continue;
        };
        let volts = for_long(site, index, pull, Corner::TYPICAL);
        let (warm, burns) = heat::after(pull, volts, 1.0, f64::INFINITY);
        finding.figures.push(match burns {
            Some(seconds) => Figure::of("a coil left on burns out after", seconds, "s"),
            None => Figure::of("a coil left on comes to", warm, "°C").at_most(BURNT),
        });
    }
}

/// Voltage that a coil has for long, at its decoder: a capacitor is soon empty.
fn for_long(site: &Site<'_>, index: usize, pull: &Pull, corner: Corner) -> f64 {
    let power = &site.power;
    let loaded = power.tree.with(&power.at_rest(corner, Some(index)));
    let feed = power.feed(&loaded, pull);
    feed.lasting_volts(pull.moving(corner.ohms))
}

fn too_hot(site: &Site<'_>, index: usize) -> Option<Hit> {
    let (pull, _) = site.pull(index)?;
    let on = pull.on_time();
    if on.is_infinite() {
        // Said already, by the check for coils that are left on.
        return None;
    }
    let volts = for_long(site, index, pull, Corner::TYPICAL);
    let (warm, burns) = heat::after(pull, volts, 1.0, on);
    let id = site.id(pull);
    if let Some(burns) = burns {
        return Some(Hit {
            code: Code::PulseTooHot,
            pull: index,
            weight: warm,
            message: format!(
                "the pulse of {id} is {on:.1} s, and its coil burns out after {burns:.1} s"
            ),
            mend: "set pulse_ms of its board to 100 to 500".to_owned(),
            figures: vec![
                Figure::of("pulse", on, "s").at_most(burns),
                Figure::of("coil", warm, "°C").at_most(BURNT),
            ],
        });
    }
    let gap = site.power.plan.layout.throw_gap_ms;
    let gap = gap.map_or(AGAIN, |gap| f64::from(gap) / 1000.0).max(on);
    let strong = Corner::STRONG.ohms;
    let volts = for_long(site, index, pull, Corner::STRONG);
    let once = heat::after(pull, volts, strong, on).0;
    let again = heat::again_and_again(pull, volts, strong, on, gap).max(once);
    (again > BURNT).then(|| Hit {
        code: Code::CoilRunsHot,
        pull: index,
        weight: again,
        message: format!(
            "thrown there and back every {gap:.1} s, the coils of {id} come to {again:.0} °C"
        ),
        mend: "set a shorter pulse_ms; 100 to 250 is enough for most".to_owned(),
        figures: vec![
            Figure::of("coil", again, "°C").at_most(BURNT),
            Figure::of("pulse", on * 1000.0, "ms"),
            Figure::of(
                "power while on",
                volts * volts * pull.ohms
                    / ((pull.ohms + figures::LEAD_OHMS) * (pull.ohms + figures::LEAD_OHMS)),
                "W",
            ),
        ],
    })
}
