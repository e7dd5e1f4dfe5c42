//! Causes in one turnout: its output and leads, its drive and blades.

use throwproof_protocol::address::PairBit;

use super::healthy::{healthy, planned_ohms, target};
use super::{Cause, Draw, Level, NOTHING_WRONG, PROVE_ALL, PROVE_ONE, Proof, Scope};
use crate::cautions;
use crate::diagnose::site::Site;
use crate::plan::Drive;
use crate::track::as_built::{AsBuilt, Coil, OutputState, Turnout};

/// A healthy layout but for something about the failing turnout.
fn but(site: &Site, draw: &mut Draw, change: impl FnOnce(&mut Turnout, &mut Draw)) -> AsBuilt {
    let mut built = healthy(site, draw);
    change(target(site, &mut built), draw);
    built
}

/// Only with that kind of drive.
fn with(site: &Site, drives: &[Drive]) -> Option<()> {
    let drive = site.plan.turnouts[site.target].drive;
    drives.contains(&drive).then_some(())
}

const COIL: &[Drive] = &[Drive::TwinCoil];
const NO_SERVO: &[Drive] = &[Drive::TwinCoil, Drive::StallMotor, Drive::MemoryWire];
const TWO_LEADS: &[Drive] = &[Drive::TwinCoil, Drive::StallMotor];

/// The half of the output that commands straight, or the other.
fn half(site: &Site, straight: bool) -> PairBit {
    let bit = site.plan.turnouts[site.target].straight_bit;
    if straight { bit } else { bit.opposite() }
}

/// Its leads and those of another turnout are on each other's outputs: one of the same decoder,
/// or one of another. Drives of one kind are taken for one another more often than others.
fn exchanged(site: &Site, draw: &mut Draw, of_same: bool) -> Option<AsBuilt> {
    let own = &site.plan.turnouts[site.target];
    let decoder = site.decoder()?;
    let fits = |index: &usize| {
        let other = &site.plan.turnouts[*index];
        *index != site.target
            && other.address != own.address
            && other
                .output
                .is_some_and(|it| (it.decoder == decoder) == of_same)
    };
    let mut fits: Vec<usize> = (0..site.plan.turnouts.len()).filter(fits).collect();
    let is_alike = |index: &usize| site.plan.turnouts[*index].drive == own.drive;
    if draw.share() > 0.3 && fits.iter().any(is_alike) {
        fits.retain(is_alike);
    }
    let with = draw.partner(site, &fits)?;
    let with = site.plan.turnouts[with].id.clone();
    Some(but(site, draw, |it, _| it.exchanged_with = Some(with)))
}

/// Open, or nearly so: a joint or a contact that is bad conducts a little.
fn open(site: &Site, draw: &mut Draw, straight: bool) -> Option<AsBuilt> {
    with(site, COIL)?;
    let planned = planned_ohms(site);
    Some(but(site, draw, |it, draw| {
        let coil = if draw.share() < 0.7 {
            Coil::Open
        } else {
            Coil::Ohms(planned * draw.scaled(1.5, 5_000.0))
        };
        *(if straight {
            &mut it.straight_coil
        } else {
            &mut it.diverging_coil
        }) = Some(coil);
    }))
}

fn half_dead(site: &Site, draw: &mut Draw, straight: bool) -> AsBuilt {
    let half = half(site, straight);
    but(site, draw, |it, _| {
        it.output = Some(OutputState::HalfDead(half));
    })
}

/// A half that is always on burns its coil sooner or later: half of the time it has.
fn stuck(site: &Site, draw: &mut Draw, straight: bool) -> AsBuilt {
    let half = half(site, straight);
    let is_coil = with(site, COIL).is_some();
    but(site, draw, |it, draw| {
        it.output = Some(OutputState::Stuck(half));
        if is_coil && draw.share() < 0.4 {
            *(if straight {
                &mut it.straight_coil
            } else {
                &mut it.diverging_coil
            }) = Some(Coil::Open);
        }
    })
}

/// Friction above which a drive of that kind can't move blades.
fn too_stiff(site: &Site, draw: &mut Draw) -> f64 {
    match site.plan.turnouts[site.target].drive {
        Drive::TwinCoil => draw.scaled(0.6, 5.0),
        Drive::StallMotor | Drive::Servo | Drive::MemoryWire => draw.scaled(1.0, 5.0),
    }
}

fn stiff(site: &Site, draw: &mut Draw, to_straight: bool, to_diverging: bool) -> AsBuilt {
    let friction = too_stiff(site, draw);
    but(site, draw, |it, _| {
        if to_straight {
            it.friction_to_straight = Some(friction);
        }
        if to_diverging {
            it.friction_to_diverging = Some(friction);
        }
    })
}

/// Outputs and their leads, and nothing at all.
pub(super) const OUTPUTS: &[Cause] = &[
    Cause {
        name: NOTHING_WRONG,
        level: Level::Nobody,
        // Healthy turnouts are about five times as many as failing ones: what speaks against
        // it is only that a sweep has to be noted wrong.
        weight: 400.0,
        says: "Nothing is wrong with it: what was noted in the sweep was a mistake of the eye or \
               the finger.",
        mend: "Nothing to mend.",
        caution: None,
        prove: PROVE_ONE,
        state: |site, draw| Some(healthy(site, draw)),
    },
    Cause {
        name: "leads-swapped",
        level: Level::Output,
        weight: 5.0,
        says: "Its two output leads are exchanged, so that each command moves it the other way.",
        mend: "Exchange the two leads at the output, or turn its sense round in the decoder or \
               in the plan: in one of these places, not in two.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_ONE,
        state: |site, draw| {
            with(site, TWO_LEADS)?;
            Some(but(site, draw, |it, _| it.leads_swapped = true))
        },
    },
    Cause {
        name: "leads-exchanged",
        level: Level::Output,
        weight: 3.0,
        says: "Its leads are on the output of another turnout of the same decoder, and that \
               one's on its.",
        mend: "Exchange the leads of the two turnouts at the decoder, or their outputs in the \
               plan.",
        caution: Some(&cautions::UNPLUG),
        prove: Proof::new(Scope::WithOthers, 1, "Sweep both turnouts."),
        state: |site, draw| exchanged(site, draw, true),
    },
    Cause {
        name: "leads-on-other-decoder",
        level: Level::Output,
        weight: 1.0,
        says: "Its leads are on an output of another decoder, and those of the turnout that \
               belongs there are on its output.",
        mend: "Exchange the leads of the two turnouts, or their outputs in the plan.",
        caution: Some(&cautions::UNPLUG),
        prove: Proof::new(Scope::WithOthers, 1, "Sweep both turnouts."),
        state: |site, draw| exchanged(site, draw, false),
    },
    Cause {
        name: "common-off",
        level: Level::Output,
        weight: 3.0,
        says: "The common lead of its drive is off, or a lead of a motor: no current can flow.",
        mend: "Find the loose or broken lead between output and drive, and make it again.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_ONE,
        state: |site, draw| {
            with(site, NO_SERVO)?;
            Some(but(site, draw, |it, _| {
                it.straight_coil = Some(Coil::Open);
                it.diverging_coil = Some(Coil::Open);
            }))
        },
    },
    Cause {
        name: "straight-coil-open",
        level: Level::Output,
        weight: 3.0,
        says: "The coil for straight conducts badly or not at all: its lead is off, a joint is \
               bad, its end-off contact does not close, or it is burnt.",
        mend: "Measure from the lead to the common at the drive itself: little or no connection \
               there means contact or coil, else the lead.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_ONE,
        state: |site, draw| open(site, draw, true),
    },
    Cause {
        name: "diverging-coil-open",
        level: Level::Output,
        weight: 3.0,
        says: "The coil for diverging conducts badly or not at all: its lead is off, a joint is \
               bad, its end-off contact does not close, or it is burnt.",
        mend: "Measure from the lead to the common at the drive itself: little or no connection \
               there means contact or coil, else the lead.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_ONE,
        state: |site, draw| open(site, draw, false),
    },
    Cause {
        name: "output-dead",
        level: Level::Output,
        weight: 1.5,
        says: "This output of the decoder never comes on, though the decoder obeys.",
        mend: "Use a spare output and say so in the plan, or have the decoder repaired.",
        caution: None,
        prove: PROVE_ONE,
        state: |site, draw| {
            Some(but(site, draw, |it, _| {
                it.output = Some(OutputState::Dead);
            }))
        },
    },
    Cause {
        name: "straight-half-dead",
        level: Level::Output,
        weight: 1.5,
        says: "The half of the output that commands straight never comes on.",
        mend: "Use a spare output and say so in the plan, or have the decoder repaired.",
        caution: None,
        prove: PROVE_ONE,
        state: |site, draw| Some(half_dead(site, draw, true)),
    },
    Cause {
        name: "diverging-half-dead",
        level: Level::Output,
        weight: 1.5,
        says: "The half of the output that commands diverging never comes on.",
        mend: "Use a spare output and say so in the plan, or have the decoder repaired.",
        caution: None,
        prove: PROVE_ONE,
        state: |site, draw| Some(half_dead(site, draw, false)),
    },
    Cause {
        name: "straight-half-stuck",
        level: Level::Output,
        weight: 1.0,
        says: "The half of the output that commands straight is always on: its transistor is \
               shorted, or the old switch is still wired to it.",
        mend: "Take the drive off the output at once. Take the old switch off, if there is one; \
               else use a spare output, and have the decoder repaired.",
        caution: Some(&cautions::COIL_ON),
        prove: PROVE_ONE,
        state: |site, draw| Some(stuck(site, draw, true)),
    },
    Cause {
        name: "diverging-half-stuck",
        level: Level::Output,
        weight: 1.0,
        says: "The half of the output that commands diverging is always on: its transistor is \
               shorted, or the old switch is still wired to it.",
        mend: "Take the drive off the output at once. Take the old switch off, if there is one; \
               else use a spare output, and have the decoder repaired.",
        caution: Some(&cautions::COIL_ON),
        prove: PROVE_ONE,
        state: |site, draw| Some(stuck(site, draw, false)),
    },
    Cause {
        name: "leads-too-thin",
        level: Level::Output,
        weight: 2.0,
        says: "Its leads take so much of the voltage that the drive is weak: they are long and \
               thin, or a joint is bad.",
        mend: "Use thicker or shorter leads, and remake the joints.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_ONE,
        state: |site, draw| {
            with(site, NO_SERVO)?;
            // A bad joint may hardly conduct.
            let times = if draw.share() < 0.8 {
                draw.scaled(0.45, 6.0)
            } else {
                draw.scaled(6.0, 5_000.0)
            };
            let ohms = planned_ohms(site) * times;
            Some(but(site, draw, |it, _| it.lead_ohms = Some(ohms)))
        },
    },
];

/// Drives and blades.
pub(super) const DRIVES: &[Cause] = &[
    Cause {
        name: "coils-weak",
        level: Level::Drive,
        weight: 1.0,
        says: "Both coils have far more resistance than the plan gives them: corroded joints in \
               the drive, or a drive of another kind.",
        mend: "Clean or replace the drive; if it is meant to be this one, correct its current \
               in the plan.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_ONE,
        state: |site, draw| {
            with(site, COIL)?;
            let ohms = planned_ohms(site) * draw.scaled(1.5, 5.0);
            Some(but(site, draw, |it, _| {
                it.straight_coil = Some(Coil::Ohms(ohms));
                it.diverging_coil = Some(Coil::Ohms(ohms));
            }))
        },
    },
    Cause {
        name: "coil-shorted",
        level: Level::Drive,
        weight: 0.7,
        says: "A coil has far less resistance than it should: turns are shorted, and it takes \
               more current than the output or the supply bears.",
        mend: "Replace the drive, or its coil.",
        caution: Some(&cautions::HEAT),
        prove: PROVE_ONE,
        state: |site, draw| {
            with(site, COIL)?;
            let ohms = planned_ohms(site) * draw.scaled(0.04, 0.45);
            let which = draw.whole(0, 2);
            Some(but(site, draw, |it, _| {
                if which != 1 {
                    it.straight_coil = Some(Coil::Ohms(ohms.max(0.1)));
                }
                if which != 0 {
                    it.diverging_coil = Some(Coil::Ohms(ohms.max(0.1)));
                }
            }))
        },
    },
    Cause {
        name: "blades-stiff",
        level: Level::Drive,
        weight: 4.0,
        says: "The blades are too stiff for the drive, both ways.",
        mend: "Free them: dirt, paint or ballast at the blades, a pin that rubs, screws so tight \
               that they warp the mount.",
        caution: Some(&cautions::MOVING),
        prove: PROVE_ONE,
        state: |site, draw| Some(stiff(site, draw, true, true)),
    },
    Cause {
        name: "stiff-to-straight",
        level: Level::Drive,
        weight: 1.5,
        says: "The blades are too stiff for the drive on their way to straight.",
        mend: "Free them: look for what rubs or presses on the way to straight.",
        caution: Some(&cautions::MOVING),
        prove: PROVE_ONE,
        state: |site, draw| Some(stiff(site, draw, true, false)),
    },
    Cause {
        name: "stiff-to-diverging",
        level: Level::Drive,
        weight: 1.5,
        says: "The blades are too stiff for the drive on their way to diverging.",
        mend: "Free them: look for what rubs or presses on the way to diverging.",
        caution: Some(&cautions::MOVING),
        prove: PROVE_ONE,
        state: |site, draw| Some(stiff(site, draw, false, true)),
    },
    Cause {
        name: "blades-stop-short",
        level: Level::Drive,
        weight: 3.0,
        says: "Something stops the blades before they close.",
        mend: "Clear the gap between blade and stock rail, or set the travel of the drive anew.",
        caution: Some(&cautions::MOVING),
        prove: Proof::new(
            Scope::Turnout,
            2,
            "Sweep it, and look for a sheet of paper gripped between blade and stock rail on \
                both sides.",
        ),
        state: |site, draw| {
            let stop = draw.between(0.0, 0.96);
            Some(but(site, draw, |it, _| it.blades_stop_at = Some(stop)))
        },
    },
    Cause {
        name: "linkage-off",
        level: Level::Drive,
        weight: 3.0,
        says: "The drive works, but is not linked to the blades.",
        mend: "Hook the linkage in again, and see that it can't jump out.",
        caution: Some(&cautions::MOVING),
        prove: PROVE_ONE,
        state: |site, draw| Some(but(site, draw, |it, _| it.linkage_off = true)),
    },
    Cause {
        name: "spring-too-strong",
        level: Level::Drive,
        weight: 1.0,
        says: "The over-centre spring holds the blades harder than the drive pulls: often there \
               are two, one in the drive and one in the turnout.",
        mend: "Take one of two springs out, or bend it weaker.",
        caution: Some(&cautions::MOVING),
        prove: PROVE_ONE,
        state: |site, draw| {
            with(site, COIL)?;
            let spring = draw.scaled(0.62, 4.0);
            Some(but(site, draw, |it, _| it.spring = Some(spring)))
        },
    },
    Cause {
        name: "sense-reversed",
        level: Level::Plan,
        weight: 1.0,
        says: "Every turnout moves against its command: the station, or the plan, takes the two \
               halves the other way round.",
        mend: "Set the station's sense, or `straight_output` in the plan; leave the leads alone.",
        caution: None,
        prove: PROVE_ALL,
        state: |site, draw| {
            let mut built = healthy(site, draw);
            for turnout in &site.plan.turnouts {
                if TWO_LEADS.contains(&turnout.drive) {
                    let state = built.turnouts.entry(turnout.id.clone()).or_default();
                    state.leads_swapped = true;
                }
            }
            with(site, TWO_LEADS)?;
            Some(built)
        },
    },
];
