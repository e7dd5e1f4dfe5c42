//! What no cause of the catalogue describes, and people whose answers are worth nothing.

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use throwproof::diagnose::cause::{self, Draw, Suspects};
use throwproof::diagnose::perform::perform;
use throwproof::diagnose::sight::Answer;
use throwproof::diagnose::site::Site;
use throwproof::diagnose::test::Test;
use throwproof::plan::{Drive, OutputKind, OutputRef, Plan};
use throwproof::track::Track;
use throwproof::track::as_built::{AsBuilt, Coil, OutputState};
use throwproof_protocol::address::PairBit;

use super::{below, between};

/// How who answers is no help.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Person {
    /// Careful.
    Careful,
    /// Says anything at all in that share of answers.
    Babbles(f64),
    /// Always picks the answer of that place in the list, however long the list is.
    Picks(usize),
    /// In that share of tests the fault is just not there.
    ComesAndGoes(f64),
}

/// Something that the model does not know.
pub(crate) struct Outside {
    /// What kind it is.
    pub(crate) label: &'static str,
    /// As built.
    pub(crate) built: AsBuilt,
    /// The layout as it is, where it is not as planned in a way that as-built files can't say.
    pub(crate) real: Option<Plan>,
    /// What it would be fair to call it.
    pub(crate) fair: Vec<&'static str>,
    pub(crate) person: Person,
}

impl Person {
    /// Whether an answer has nothing to do with what was seen.
    pub(crate) fn babbles(self, rng: &mut ChaCha8Rng) -> bool {
        match self {
            Self::Babbles(share) => between(rng, 0.0, 1.0) < share,
            Self::Careful | Self::Picks(_) | Self::ComesAndGoes(_) => false,
        }
    }

    /// What that person says a test showed, and whether the fault was there to be seen.
    pub(crate) fn says(
        self,
        site: &Site,
        track: &mut Track,
        healthy: &mut Track,
        test: Test,
        rng: &mut ChaCha8Rng,
    ) -> (Answer, bool) {
        let all = test.answers();
        let chance = between(rng, 0.0, 1.0);
        match self {
            Self::Babbles(share) if chance < share => (all[below(rng, all.len())], true),
            Self::Picks(place) => (all[place % all.len()], true),
            Self::ComesAndGoes(share) if chance < share => (perform(site, healthy, test), false),
            Self::Careful | Self::Babbles(_) | Self::ComesAndGoes(_) => {
                (perform(site, track, test), true)
            }
        }
    }
}

fn healthy(site: &Site, rng: &mut ChaCha8Rng) -> AsBuilt {
    let state = cause::by_name(cause::NOTHING_WRONG).unwrap().state;
    state(site, &mut Draw::new(rng.next_u64(), &Suspects::default())).unwrap()
}

fn far(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    (between(rng, low.ln(), high.ln())).exp()
}

/// Causes of the catalogue at one turnout, all at once.
fn causes(site: &Site, rng: &mut ChaCha8Rng, count: usize) -> Option<(AsBuilt, Vec<&'static str>)> {
    let all: Vec<_> = cause::all()
        .filter(|it| it.name != cause::NOTHING_WRONG)
        .collect();
    let mut built: Option<AsBuilt> = None;
    let mut names = Vec::new();
    while names.len() < count {
        let one = all[below(rng, all.len())];
        let state = (one.state)(site, &mut Draw::new(rng.next_u64(), &Suspects::default()))?;
        built = Some(built.map_or(state.clone(), |it| cause::both(&it, &state)));
        names.push(one.name);
    }
    Some((built?, names))
}

const UNHEARD: &[&str] = &["no-signal", "signal-noisy", "decoder-hears-badly"];

/// Kinds of figures far outside of those that causes are drawn with, several of them at once, and
/// then what is unlike the model altogether: parts of other kinds, three and four causes, people
/// who are no help.
pub(crate) const FIGURES: std::ops::Range<usize> = 0..13;
pub(crate) const UNLIKE: std::ops::Range<usize> = 13..24;

/// Something that the model does not know at the failing turnout of that site; `None` where the
/// kind that was drawn can't be there.
pub(crate) fn outside(
    site: &Site,
    rng: &mut ChaCha8Rng,
    kinds: std::ops::Range<usize>,
) -> Option<Outside> {
    let kind = kinds.start + below(rng, kinds.len());
    let mut person = Person::Careful;
    let mut real = None;
    let (label, built, fair): (_, _, Vec<&'static str>) = match kind {
        0..=3 => on_the_wires(site, rng, kind)?,
        4..=12 => at_the_turnout(site, rng, kind)?,
        13..=15 => {
            let (plan, label, fair) = built_otherwise(site, rng, kind)?;
            real = Some(plan);
            (label, healthy(site, rng), fair)
        }
        16 | 17 => {
            let (built, fair) = causes(site, rng, 3)?;
            ("three causes", built, fair)
        }
        18 => {
            let (built, fair) = causes(site, rng, 4)?;
            ("four causes", built, fair)
        }
        19 => {
            // The turnouts that tests compare with have faults of their own.
            let (mut built, fair) = causes(site, rng, 1)?;
            let mates = [site.mate, site.supply_mate, site.elsewhere];
            for mate in mates.into_iter().flatten() {
                let id = site.plan.turnouts[mate].id.clone();
                let it = built.turnouts.entry(id).or_default();
                match below(rng, 3) {
                    0 => it.output = Some(OutputState::Dead),
                    1 => it.leads_swapped = true,
                    _ => it.friction_to_straight = Some(far(rng, 0.8, 6.0)),
                }
            }
            ("others fail as well", built, fair)
        }
        20 | 21 => {
            let (built, fair) = causes(site, rng, 1)?;
            person = Person::Babbles(if kind == 20 {
                1.0
            } else {
                between(rng, 0.3, 0.7)
            });
            ("a person who babbles", built, fair)
        }
        22 => {
            let (built, fair) = causes(site, rng, 1)?;
            person = Person::Picks(below(rng, 7));
            ("a person who always picks one", built, fair)
        }
        _ => {
            let (built, mut fair) = causes(site, rng, 1)?;
            // As long as nobody sees it again.
            fair.push(cause::NOTHING_WRONG);
            person = Person::ComesAndGoes(between(rng, 0.2, 0.7));
            ("it comes and goes", built, fair)
        }
    };
    Some(Outside {
        label,
        built,
        real,
        fair,
        person,
    })
}

type Built = (&'static str, AsBuilt, Vec<&'static str>);

fn on_the_wires(site: &Site, rng: &mut ChaCha8Rng, kind: usize) -> Option<Built> {
    let mut built = healthy(site, rng);
    let decoder = &site.plan.decoders[site.decoder()?];
    Some(match kind {
        0 => {
            if rng.next_u32().is_multiple_of(2) {
                built.rails.jitter_us = Some(between(rng, 9.0, 20.0));
            } else {
                built.rails.asymmetry_us = Some(between(rng, 4.0, 20.0));
            }
            ("ragged signal", built, UNHEARD.to_vec())
        }
        1 => {
            let odd = [-40, -17, -9, -8, -7, -6, -5, 5, 6, 7, 8, 9, 12, 23, 100];
            let state = built.decoders.entry(decoder.id.clone()).or_default();
            state.address_offset = Some(odd[below(rng, odd.len())]);
            let fair = ["wrong-address", "block-off"];
            ("decoder far off", built, fair.to_vec())
        }
        2 => {
            let offset = [-4, 4][below(rng, 2)];
            for (index, one) in site.plan.decoders.iter().enumerate() {
                if Some(index) == site.decoder() || rng.next_u32().is_multiple_of(2) {
                    let state = built.decoders.entry(one.id.clone()).or_default();
                    state.address_offset = Some(offset);
                }
            }
            let all = ["decoder-four-up", "station-four-up"];
            let other = ["decoder-four-down", "station-four-down"];
            let fair = if offset > 0 { all } else { other };
            ("half of the decoders four off", built, fair.to_vec())
        }
        _ => {
            let planned = &site.plan.supplies[site.supply()?];
            let state = built.supplies.entry(planned.id.clone()).or_default();
            state.volts = Some(planned.volts * between(rng, 0.4, 2.5));
            state.internal_ohms = Some(far(rng, 2.0, 60.0));
            state.capacitor_uf = Some(far(rng, 100.0, 8_000.0));
            state.capacitor_charge_ohms = Some(far(rng, 50.0, 9_000.0));
            // A meter may well read next to nothing.
            let fair = [
                "supply-off",
                "supply-low",
                "supply-wire-thin",
                "capacitor-slow",
                "capacitor-weak",
            ];
            ("supply wrong in all ways", built, fair.to_vec())
        }
    })
}

fn at_the_turnout(site: &Site, rng: &mut ChaCha8Rng, kind: usize) -> Option<Built> {
    let mut built = healthy(site, rng);
    let own = &site.plan.turnouts[site.target];
    let decoder = site.plan.decoders[site.decoder()?].id.clone();
    let it = built.turnouts.entry(own.id.clone()).or_default();
    Some(match kind {
        4 => {
            it.lead_ohms = Some(far(rng, 300.0, 1e5));
            let fair = vec!["common-off", "leads-too-thin"];
            ("leads hardly conduct", built, fair)
        }
        5 => {
            it.spring = Some(between(rng, 0.7, 9.0));
            it.leads_swapped = true;
            it.blades_stop_at = Some(between(rng, 0.05, 0.9));
            let fair = vec!["spring-too-strong", "leads-swapped", "blades-stop-short"];
            ("spring, leads, stop", built, fair)
        }
        6 => {
            it.straight_coil = Some(Coil::Ohms(far(rng, 60.0, 1e5)));
            it.friction_to_diverging = Some(far(rng, 0.8, 50.0));
            let fair = vec!["straight-coil-open", "stiff-to-diverging", "coils-weak"];
            ("coil one way, friction the other", built, fair)
        }
        7 => {
            it.output = Some(OutputState::HalfDead(PairBit::One));
            it.diverging_coil = Some(Coil::Open);
            it.friction_to_straight = Some(far(rng, 0.8, 9.0));
            let all = [
                "straight-half-dead",
                "diverging-coil-open",
                "stiff-to-straight",
            ];
            ("half dead, coil, friction", built, all.to_vec())
        }
        8 => {
            // Leads on the output of another decoder.
            let others: Vec<usize> = (0..site.plan.turnouts.len())
                .filter(|index| {
                    let other = &site.plan.turnouts[*index];
                    let decoders = [own, other].map(|it| it.output.map(|it| it.decoder));
                    decoders[0] != decoders[1]
                })
                .collect();
            let with = others.get(below(rng, others.len().max(1)))?;
            it.exchanged_with = Some(site.plan.turnouts[*with].id.clone());
            let fair = vec!["leads-exchanged", "leads-on-other-decoder"];
            ("on another decoder", built, fair)
        }
        9..=11 => return Some(in_the_drive(built, site, rng, kind)),
        _ => {
            let state = built.decoders.entry(decoder).or_default();
            state.pulse_ms = Some([0, 1, 15, 60, 2_000][below(rng, 5)]);
            state.busy_ms = Some(500 + rng.next_u32() % 20_000);
            state.packet_loss = Some(between(rng, 0.2, 0.9));
            let fair = [
                "pulse-too-short",
                "on-until-released",
                "decoder-busy",
                "decoder-hears-badly",
            ];
            ("decoder wrong in all ways", built, fair.to_vec())
        }
    })
}

/// Figures of a drive and its blades.
fn in_the_drive(mut built: AsBuilt, site: &Site, rng: &mut ChaCha8Rng, kind: usize) -> Built {
    let own = &site.plan.turnouts[site.target];
    let it = built.turnouts.entry(own.id.clone()).or_default();
    match kind {
        9 => {
            let weak = Some(Coil::Ohms(far(rng, 20.0, 200.0)));
            let fair = if rng.next_u32().is_multiple_of(2) {
                it.straight_coil = weak;
                "straight-coil-open"
            } else {
                it.diverging_coil = weak;
                "diverging-coil-open"
            };
            ("one weak coil", built, vec![fair, "coils-weak"])
        }
        10 => {
            it.friction_to_straight = Some(far(rng, 0.5, 90.0));
            it.friction_to_diverging = Some(far(rng, 0.5, 90.0));
            it.spring = Some(far(rng, 0.3, 9.0));
            it.lead_ohms = Some(far(rng, 1.0, 40.0));
            let fair = [
                "blades-stiff",
                "stiff-to-straight",
                "stiff-to-diverging",
                "spring-too-strong",
                "leads-too-thin",
            ];
            ("stiff and weak", built, fair.to_vec())
        }
        _ => {
            it.blades_stop_at = Some(between(rng, 0.0, 0.08));
            it.linkage_off = rng.next_u32().is_multiple_of(2);
            let fair = vec!["blades-stop-short", "linkage-off"];
            ("blades hardly move", built, fair)
        }
    }
}

/// A layout that was built otherwise than planned.
fn built_otherwise(
    site: &Site,
    rng: &mut ChaCha8Rng,
    kind: usize,
) -> Option<(Plan, &'static str, Vec<&'static str>)> {
    let mut plan = site.plan.clone();
    let decoder = site.decoder()?;
    Some(match kind {
        13 => {
            let drives = [
                Drive::TwinCoil,
                Drive::StallMotor,
                Drive::Servo,
                Drive::MemoryWire,
            ];
            let it = &mut plan.turnouts[site.target];
            it.drive = *drives
                .iter()
                .filter(|drive| **drive != it.drive)
                .nth(below(rng, 3))?;
            let fair = vec!["coils-weak", "coil-shorted", "pulse-too-short"];
            (plan, "another drive than planned", fair)
        }
        14 => {
            let kinds = [OutputKind::Pulse, OutputKind::StallMotor, OutputKind::Servo];
            let it = &mut plan.decoders[decoder];
            it.output_kind = *kinds
                .iter()
                .filter(|one| **one != it.output_kind)
                .nth(below(rng, 2))?;
            let fair = vec![
                "pulse-too-short",
                "on-until-released",
                "output-dead",
                "decoder-outputs-dead",
            ];
            (plan, "another decoder than planned", fair)
        }
        _ => {
            // On an output of its decoder that no other turnout of the plan has.
            let outputs = plan.decoders[decoder].outputs;
            let taken: Vec<u8> = plan
                .turnouts
                .iter()
                .filter_map(|it| it.output)
                .filter(|it| it.decoder == decoder)
                .map(|it| it.number)
                .collect();
            let number = (1..=outputs).find(|it| !taken.contains(it))?;
            plan.turnouts[site.target].output = Some(OutputRef { decoder, number });
            // From outside that is the same as an output that never comes on.
            let fair = vec!["leads-exchanged", "block-off", "output-dead"];
            (plan, "on a spare output", fair)
        }
    })
}
