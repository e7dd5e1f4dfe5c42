//! A layout nobody has seen, with a fault in it, and someone who answers questions about it.

use std::fmt::Write as _;

use super::other;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof::diagnose::Swept;
use throwproof::diagnose::cause::{self, Cause, Draw};
use throwproof::diagnose::perform::{perform, swept};
use throwproof::diagnose::sight::{Answer, Motion, Other};
use throwproof::diagnose::site::Site;
use throwproof::diagnose::test::Test;
use throwproof::plan::Plan;
use throwproof::track::Track;
use throwproof::track::as_built::{AsBuilt, Coil, OutputState};
use throwproof_protocol::address::PairBit;

/// How often who answers is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Errs {
    Never,
    OneInTwenty,
}

/// Where cases come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum World {
    /// Plain layouts, with figures drawn as the diagnosis draws them.
    Usual,
    /// Layouts of other mixes, with figures drawn from other ranges and shapes.
    Other,
}

impl World {
    fn plan(self, rng: &mut ChaCha8Rng) -> Plan {
        match self {
            Self::Usual => random_plan(rng),
            Self::Other => other::random_plan(rng),
        }
    }

    /// A cause as it is built here.
    fn state(self, cause: &Cause, site: &Site, rng: &mut ChaCha8Rng) -> Option<AsBuilt> {
        let built = (cause.state)(site, &mut Draw::new(rng.next_u64(), &[]))?;
        Some(match self {
            Self::Usual => built,
            Self::Other => other::redrawn(cause.name, site, built, rng),
        })
    }
}

/// A hidden fault.
pub(crate) struct Case {
    pub(crate) seed: u64,
    pub(crate) plan: Plan,
    pub(crate) target: usize,
    /// The causes that are there; none where who swept was mistaken.
    pub(crate) truth: Vec<&'static str>,
    /// Each of them by itself, as built.
    pub(crate) built: Vec<AsBuilt>,
    track_seed: u64,
    pub(crate) site: Site,
    track: Track,
    errs: Errs,
    rng: ChaCha8Rng,
    /// The first answer about the failing turnout is a mistake.
    is_noted_wrong: bool,
}

pub(crate) fn below(rng: &mut ChaCha8Rng, count: usize) -> usize {
    usize::try_from(rng.next_u32()).unwrap() % count
}

pub(crate) fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * f64::from(rng.next_u32()) / f64::from(u32::MAX)
}

/// A plan of 8 to 64 turnouts on decoders of 4 or 8 outputs and one to three supplies.
pub(crate) fn random_plan(rng: &mut ChaCha8Rng) -> Plan {
    let turnouts = 8 + below(rng, 57);
    let supplies = 1 + below(rng, 3);
    let mut text = String::from("[layout]\nname = \"Somewhere\"\n");
    for supply in 0..supplies {
        let volts = between(rng, 12.0, 18.0);
        let amps = between(rng, 2.0, 5.0);
        write!(
            text,
            "[supply.s{supply}]\nkind = \"separate\"\nvolts = {volts:.1}\namps = {amps:.1}\n"
        )
        .unwrap();
        if rng.next_u32().is_multiple_of(3) {
            let uf = 4_700 + below(rng, 10_000);
            let ohms = 15 + below(rng, 60);
            writeln!(text, "capacitor_uf = {uf}\ncapacitor_charge_ohms = {ohms}").unwrap();
        }
    }
    let mut made = 0;
    let mut address = 1 + 4 * below(rng, 20);
    let mut decoder = 0;
    while made < turnouts {
        let outputs = if rng.next_u32().is_multiple_of(2) {
            4
        } else {
            8
        };
        let (output_kind, drive) = match below(rng, 10) {
            0 | 1 => ("stall-motor", "stall-motor"),
            2 => ("servo", "servo"),
            _ => ("pulse", "twin-coil"),
        };
        let supply = below(rng, supplies);
        let pulse = 80 + below(rng, 300);
        write!(
            text,
            "[decoder.D{decoder}]\noutputs = {outputs}\nfirst_address = {address}\n\
             supply = \"s{supply}\"\noutput_kind = \"{output_kind}\"\n"
        )
        .unwrap();
        if output_kind == "pulse" {
            writeln!(text, "pulse_ms = {pulse}").unwrap();
            if rng.next_u32().is_multiple_of(2) {
                text.push_str("max_output_amps = 2.0\n");
            }
        }
        let used = (1 + below(rng, outputs)).min(turnouts - made);
        for output in 1..=used {
            write!(
                text,
                "[[turnout]]\nid = \"T{made}\"\nshape = \"left\"\ndecoder = \"D{decoder}\"\n\
                 output = {output}\ndrive = \"{drive}\"\n"
            )
            .unwrap();
            if drive == "twin-coil" {
                let amps = between(rng, 0.5, 1.5);
                writeln!(text, "amps = {amps:.2}").unwrap();
            }
            made += 1;
        }
        decoder += 1;
        address += outputs + 4 * below(rng, 3);
    }
    Plan::from_text("somewhere.toml", &text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// Whether a layout with nothing wrong passes its sweep: a plan that asks too much of a supply
/// is no layout to hide a fault in.
fn is_sound(site: &Site, rng: &mut ChaCha8Rng, seed: u64, world: World) -> bool {
    let healthy = cause::by_name(cause::NOTHING_WRONG).unwrap();
    let built = world.state(healthy, site, rng).unwrap();
    let mut track = Track::new(&site.plan, &built, seed);
    let mut passes = |index: usize| {
        let (motion, others) = swept(site, &mut track, index);
        !motion.is_wrong() && others.is_empty()
    };
    site.telling().into_iter().all(&mut passes)
}

/// What is hidden.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Hidden {
    /// Nothing: the sweep was noted wrong.
    Nothing,
    /// That many causes at the failing turnout, each of which makes it fail by itself.
    Causes(usize),
    /// Figures no cause has.
    FarOutside,
}

/// As-built states that no cause of the catalogue describes, and what it would be fair to call
/// them.
fn far_outside(site: &Site, rng: &mut ChaCha8Rng) -> (AsBuilt, Vec<&'static str>) {
    let mut built = (cause::by_name(cause::NOTHING_WRONG).unwrap().state)(
        site,
        &mut Draw::new(rng.next_u64(), &[]),
    )
    .unwrap();
    let id = site.plan.turnouts[site.target].id.clone();
    let turnout = built.turnouts.entry(id).or_default();
    let unheard = vec!["no-signal", "signal-noisy"];
    match below(rng, 6) {
        0 => {
            built.rails.jitter_us = Some(between(rng, 9.0, 20.0));
            (built, unheard)
        }
        1 => {
            built.rails.asymmetry_us = Some(between(rng, 4.0, 20.0));
            (built, unheard)
        }
        2 => {
            turnout.lead_ohms = Some(between(rng, 300.0, 1_000.0));
            (built, vec!["common-off", "leads-too-thin"])
        }
        3 => {
            turnout.spring = Some(between(rng, 0.7, 9.0));
            turnout.leads_swapped = true;
            turnout.blades_stop_at = Some(between(rng, 0.3, 0.9));
            let all = ["spring-too-strong", "leads-swapped", "blades-stop-short"];
            (built, all.to_vec())
        }
        4 => {
            turnout.straight_coil = Some(Coil::Ohms(between(rng, 200.0, 1e5)));
            turnout.friction_to_diverging = Some(between(rng, 0.8, 50.0));
            let all = ["straight-coil-open", "stiff-to-diverging", "coils-weak"];
            (built, all.to_vec())
        }
        _ => {
            turnout.output = Some(OutputState::HalfDead(PairBit::One));
            turnout.diverging_coil = Some(Coil::Open);
            turnout.friction_to_straight = Some(between(rng, 0.8, 9.0));
            let all = [
                "straight-half-dead",
                "diverging-coil-open",
                "stiff-to-straight",
            ];
            (built, all.to_vec())
        }
    }
}

impl Case {
    /// A case of that seed; `None` if what is hidden can't be there, or is not seen in a sweep.
    pub(crate) fn new(seed: u64, hidden: Hidden, errs: Errs, world: World) -> Option<Self> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let plan = world.plan(&mut rng);
        let causes: Vec<&'static Cause> = cause::all()
            .filter(|it| it.name != cause::NOTHING_WRONG)
            .collect();
        let target = below(&mut rng, plan.turnouts.len());
        let site = Site::of(&plan, target);
        let track_seed = rng.next_u64();
        is_sound(&site, &mut rng, track_seed, world).then_some(())?;
        let mut truth = Vec::new();
        let mut built = Vec::new();
        let count = match hidden {
            Hidden::Causes(count) => count,
            Hidden::Nothing | Hidden::FarOutside => 0,
        };
        for _ in 0..count {
            let cause = causes[below(&mut rng, causes.len())];
            let state = world.state(cause, &site, &mut rng)?;
            let mut track = Track::new(&plan, &state, track_seed);
            let (motion, others) = swept(&site, &mut track, target);
            let passes = !motion.is_wrong() && others.is_empty();
            if passes || truth.contains(&cause.name) {
                return None;
            }
            truth.push(cause.name);
            built.push(state);
        }
        match hidden {
            Hidden::Causes(_) => {}
            Hidden::Nothing => {
                let healthy = cause::by_name(cause::NOTHING_WRONG)?;
                built.push(world.state(healthy, &site, &mut rng)?);
                truth.push(cause::NOTHING_WRONG);
            }
            Hidden::FarOutside => {
                let (state, fair) = far_outside(&site, &mut rng);
                (truth, built) = (fair, vec![state]);
            }
        }
        let mut case = Self {
            seed,
            track: Track::new(&plan, &AsBuilt::default(), 0),
            plan,
            target,
            truth,
            built,
            track_seed,
            site,
            errs,
            rng,
            is_noted_wrong: hidden == Hidden::Nothing,
        };
        case.rebuild();
        let (motion, others) = swept(&case.site, &mut case.track, target);
        let fails = motion.is_wrong() || !others.is_empty();
        (fails || case.is_noted_wrong).then_some(case)
    }

    fn rebuild(&mut self) {
        let mut states = self.built.iter();
        let first = states.next().cloned().unwrap_or_default();
        let built = states.fold(first, |all, one| cause::both(&all, one));
        self.track = Track::new(&self.plan, &built, self.track_seed);
    }

    /// Mends a cause, if it is there; whether it was.
    pub(crate) fn mend(&mut self, name: &str) -> bool {
        let Some(index) = self.truth.iter().position(|it| *it == name) else {
            return false;
        };
        self.truth.remove(index);
        self.built.remove(index);
        self.rebuild();
        true
    }

    /// What a sweep saw of the failing turnout and of those that are near it.
    pub(crate) fn sweep(&mut self) -> Vec<Swept> {
        let mut all = Vec::new();
        for turnout in self.site.telling() {
            let (motion, others) = swept(&self.site, &mut self.track, turnout);
            let wrong = turnout == self.target && self.is_noted_wrong;
            let motion = if wrong {
                Motion::ALL[1 + below(&mut self.rng, 6)]
            } else if self.is_mistaken() {
                Motion::ALL[below(&mut self.rng, 7)]
            } else {
                motion
            };
            let other = Other::of(&self.plan, turnout, others.iter().copied());
            let others = others.into_iter();
            let others = others.map(|it| self.plan.turnouts[it].id.clone());
            let others = others.collect();
            all.push(Swept {
                turnout,
                motion,
                other,
                others,
            });
        }
        all
    }

    /// Whether all answers are what was to be seen.
    pub(crate) fn is_told_truly(&self) -> bool {
        self.errs == Errs::Never && !self.is_noted_wrong
    }

    fn is_mistaken(&mut self) -> bool {
        self.errs == Errs::OneInTwenty && self.rng.next_u32().is_multiple_of(20)
    }

    /// Makes a test and says what it showed, or something else by mistake.
    pub(crate) fn answer(&mut self, test: Test) -> Answer {
        let answer = perform(&self.site, &mut self.track, test);
        if self.is_mistaken() {
            let all = test.answers();
            all[below(&mut self.rng, all.len())]
        } else {
            answer
        }
    }
}
