//! Causes in the wires from a supply to its decoders, where the plan has them.

use super::healthy::{healthy, planned_ohms};
use super::{Cause, Draw, Level, PROVE_SUPPLY};
use crate::cautions;
use crate::diagnose::site::Site;
use crate::electric::copper;
use crate::track::as_built::AsBuilt;

/// The failing turnout's decoder and those before it on its wires, back to the supply; `None`
/// where the plan does not say how its power comes.
fn path(site: &Site) -> Option<Vec<usize>> {
    let own = site.decoder()?;
    let decoders = &site.plan.decoders;
    let mut path = vec![own];
    let mut at = decoders[own].wire?.from;
    while let Some(before) = at.filter(|it| !path.contains(it)) {
        path.push(before);
        at = decoders[before].wire.and_then(|run| run.from);
    }
    Some(path)
}

/// A decoder and all whose power comes through it.
fn behind(site: &Site, first: usize) -> Vec<usize> {
    let decoders = &site.plan.decoders;
    let mut all = vec![first];
    loop {
        let more = (0..decoders.len()).find(|it| {
            let from = decoders[*it].wire.and_then(|run| run.from);
            !all.contains(it) && from.is_some_and(|from| all.contains(&from))
        });
        match more {
            Some(more) => all.push(more),
            None => return all,
        }
    }
}

fn bad_joint(site: &Site, draw: &mut Draw) -> Option<AsBuilt> {
    let at = draw.one_of(&path(site)?)?;
    let decoder = &site.plan.decoders[at];
    let planned = decoder.wire.map_or(0.0, |run| copper::loop_ohms(run.wire));
    let ohms = planned + planned_ohms(site) * draw.scaled(0.45, 6.0);
    let mut built = healthy(site, draw);
    let state = built.decoders.entry(decoder.id.clone()).or_default();
    state.wire_ohms = Some(ohms);
    Some(built)
}

fn broken(site: &Site, draw: &mut Draw) -> Option<AsBuilt> {
    // Of one decoder alone nobody can say whether it is its feed or the wire.
    let several = path(site)?.into_iter();
    let several: Vec<usize> = several.filter(|it| behind(site, *it).len() > 1).collect();
    let at = draw.one_of(&several)?;
    let mut built = healthy(site, draw);
    for decoder in behind(site, at) {
        let id = site.plan.decoders[decoder].id.clone();
        built.decoders.entry(id).or_default().feed = Some(false);
    }
    Some(built)
}

/// Wires.
pub(super) const WIRES: &[Cause] = &[
    Cause {
        name: "wire-joint-bad",
        level: Level::Supply,
        weight: 1.5,
        says: "A joint in the supply wires on the way to the decoder has gone bad: it, and all \
               decoders behind the joint, get too little voltage as soon as something moves.",
        mend: "Measure from decoder to decoder while one of them throws: the voltage is lost \
               where the joint is bad. Remake it, and relieve it of strain.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_SUPPLY,
        state: bad_joint,
    },
    Cause {
        name: "wire-broken",
        level: Level::Supply,
        weight: 1.5,
        says: "The supply wires are broken on the way: this decoder and all behind the break \
               are without power.",
        mend: "Measure from decoder to decoder, from the supply on: the break is before the \
               first that has no voltage.",
        caution: Some(&cautions::UNPLUG),
        prove: PROVE_SUPPLY,
        state: broken,
    },
];

#[cfg(test)]
mod tests {
    use super::super::Suspects;
    use super::*;
    use std::fmt::Write as _;

    use crate::diagnose::perform::swept;
    use crate::diagnose::sight::Motion;
    use crate::plan::Plan;
    use crate::track::Track;

    /// Three boards one behind the other, and a fourth on wires of its own.
    fn site(target: usize) -> Site {
        let mut text = String::from(
            "[layout]\nname = \"Bay\"\n[supply.s]\nkind = \"separate\"\nvolts = 16.0\namps = 3.0\n",
        );
        let wires = ["", ", from = \"d0\"", ", from = \"d1\"", ""];
        for (number, from) in wires.iter().enumerate() {
            write!(
                text,
                "[decoder.d{number}]\noutputs = 4\nfirst_address = {}\nsupply = \"s\"\n\
                 output_kind = \"pulse\"\npulse_ms = 150\n\
                 wire = {{ metres = 3, mm2 = 1.5{from} }}\n\
                 [[turnout]]\nid = \"Q{number}\"\nshape = \"left\"\ndecoder = \"d{number}\"\n\
                 output = 1\ndrive = \"twin-coil\"\namps = 1.0\n",
                number * 4 + 1
            )
            .unwrap();
        }
        Site::of(&Plan::from_text("plan.toml", &text).unwrap(), target)
    }

    fn motions(site: &Site, built: &AsBuilt) -> Vec<Motion> {
        let mut track = Track::new(&site.plan, built, 1);
        (0..4).map(|it| swept(site, &mut track, it).0).collect()
    }

    #[test]
    fn a_break_takes_all_behind_it_and_nothing_else() {
        let site = site(1);
        let built = broken(&site, &mut Draw::new(1, &Suspects::default())).unwrap();
        let motions = motions(&site, &built);
        assert_eq!(motions[1..], [Motion::Still, Motion::Still, Motion::AsSent]);
    }

    #[test]
    fn the_resistance_of_a_joint_is_felt_behind_it_alone() {
        let site = site(1);
        let mut built = AsBuilt::default();
        let state = built.decoders.entry(site.plan.decoders[1].id.clone());
        state.or_default().wire_ohms = Some(60.0);
        let motions = motions(&site, &built);
        assert_eq!([motions[0], motions[3]], [Motion::AsSent; 2]);
        assert!(
            motions[1].is_wrong() && motions[2].is_wrong(),
            "{motions:?}"
        );
    }

    #[test]
    fn a_plan_without_wires_has_no_such_causes() {
        let mut site = site(1);
        for decoder in &mut site.plan.decoders {
            decoder.wire = None;
        }
        for cause in WIRES {
            assert!((cause.state)(&site, &mut Draw::new(1, &Suspects::default())).is_none());
        }
    }
}
