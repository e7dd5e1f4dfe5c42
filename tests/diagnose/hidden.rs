//! A layout nobody has seen, with a fault in it, and someone who answers questions about it.

#[path = "outside.rs"]
mod outside;

use std::fmt::Write as _;

use super::other;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof::diagnose::Swept;
use throwproof::diagnose::cause::{self, Cause, Draw, Suspects};
use throwproof::diagnose::perform::swept;
use throwproof::diagnose::sight::{Answer, Motion, Other};
use throwproof::diagnose::site::Site;
use throwproof::diagnose::test::Test;
use throwproof::plan::Plan;
use throwproof::track::Track;
use throwproof::track::as_built::AsBuilt;
use throwproof::track::clock::Nanos;

use outside::Person;

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
    pub(crate) fn plan(self, rng: &mut ChaCha8Rng) -> Plan {
        match self {
            Self::Usual => random_plan(rng),
            Self::Other => other::random_plan(rng),
        }
    }

    /// A cause as it is built here.
    pub(crate) fn state(self, cause: &Cause, site: &Site, rng: &mut ChaCha8Rng) -> Option<AsBuilt> {
        let built = (cause.state)(site, &mut Draw::new(rng.next_u64(), &Suspects::default()))?;
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
    /// What kind of thing it is, where no cause describes it.
    pub(crate) label: &'static str,
    /// The layout as it is.
    real: Plan,
    person: Person,
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
    // Figures are drawn anew for what is hidden: several draws have to do.
    let draws = match world {
        World::Usual => 1,
        World::Other => 3,
    };
    (0..draws).all(|_| {
        let built = world.state(healthy, site, rng).unwrap();
        let mut track = Track::new(&site.plan, &built, seed);
        let mut passes = |index: usize| {
            let (motion, others) = swept(site, &mut track, index);
            !motion.is_wrong() && others.is_empty()
        };
        (0..site.plan.turnouts.len()).all(&mut passes)
    })
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
    /// Something unlike anything in the model.
    Unlike,
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
        let (mut label, mut person, mut real) = ("", Person::Careful, plan.clone());
        let count = match hidden {
            Hidden::Causes(count) => count,
            Hidden::Nothing | Hidden::FarOutside | Hidden::Unlike => 0,
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
            Hidden::FarOutside | Hidden::Unlike => {
                let kinds = if hidden == Hidden::Unlike {
                    outside::UNLIKE
                } else {
                    outside::FIGURES
                };
                let far = outside::outside(&site, &mut rng, kinds)?;
                (truth, built) = (far.fair, vec![far.built]);
                (label, person) = (far.label, far.person);
                real = far.real.unwrap_or(real);
            }
        }
        let mut case = Self {
            seed,
            track: Track::new(&plan, &AsBuilt::default(), 0),
            plan,
            target,
            truth,
            label,
            real,
            person,
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
        self.track = Track::new(&self.real, &built, self.track_seed);
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

    /// What a sweep saw of every turnout.
    pub(crate) fn sweep(&mut self) -> Vec<Swept> {
        let mut all = Vec::new();
        // A sweep goes through everything, and motors stay powered after it.
        for turnout in 0..self.plan.turnouts.len() {
            if self.plan.turnouts[turnout].joint.is_none() {
                swept(&self.site, &mut self.track, turnout);
            }
        }
        for turnout in 0..self.plan.turnouts.len() {
            if self.plan.turnouts[turnout].joint.is_some() {
                continue;
            }
            let (motion, others) = swept(&self.site, &mut self.track, turnout);
            let wrong = turnout == self.target && self.is_noted_wrong;
            let motion = if wrong {
                Motion::ALL[1 + below(&mut self.rng, 6)]
            } else if self.is_mistaken() || self.person.babbles(&mut self.rng) {
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
        let mut sound = Track::new(&self.plan, &AsBuilt::default(), self.track_seed);
        // Reading a question and going to the turnout takes a while.
        let seconds = 5 + below(&mut self.rng, 40) as u64;
        self.track
            .coast(self.track.now() + Nanos::from_millis(1_000 * seconds));
        let (site, track) = (&self.site, &mut self.track);
        let (answer, was_there) = (self.person).says(site, track, &mut sound, test, &mut self.rng);
        if was_there && self.truth.len() > 1 && matches!(self.person, Person::ComesAndGoes(_)) {
            self.truth.retain(|it| *it != cause::NOTHING_WRONG);
        }
        if self.is_mistaken() {
            let all = test.answers();
            all[below(&mut self.rng, all.len())]
        } else {
            answer
        }
    }
}
