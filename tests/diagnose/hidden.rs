//! A layout nobody has seen, with a fault in it, and someone who answers questions about it.

use std::fmt::Write as _;

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

/// How often who answers is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Errs {
    Never,
    OneInTwenty,
}

/// A hidden fault.
pub(crate) struct Case {
    pub(crate) seed: u64,
    pub(crate) plan: Plan,
    pub(crate) target: usize,
    pub(crate) truth: &'static str,
    site: Site,
    track: Track,
    errs: Errs,
    rng: ChaCha8Rng,
}

fn below(rng: &mut ChaCha8Rng, count: usize) -> usize {
    usize::try_from(rng.next_u32()).unwrap() % count
}

fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
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

impl Case {
    /// A case of that seed; `None` if its fault can't be there, or is not seen in a sweep.
    pub(crate) fn new(seed: u64, errs: Errs) -> Option<Self> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let plan = random_plan(&mut rng);
        let causes: Vec<&'static Cause> = cause::all()
            .filter(|it| it.name != cause::NOTHING_WRONG)
            .collect();
        let truth = causes[below(&mut rng, causes.len())];
        let target = below(&mut rng, plan.turnouts.len());
        let site = Site::of(&plan, target);
        let built = (truth.state)(&site, &mut Draw::new(rng.next_u64(), &[]))?;
        let mut track = Track::new(&plan, &built, rng.next_u64());
        let (motion, others) = swept(&site, &mut track, target);
        (motion.is_wrong() || !others.is_empty()).then_some(Self {
            seed,
            plan,
            target,
            truth: truth.name,
            site,
            track,
            errs,
            rng,
        })
    }

    /// What a sweep saw of the failing turnout and of those that are near it.
    pub(crate) fn sweep(&mut self) -> Vec<Swept> {
        let mut turnouts = vec![self.target];
        let roles = [self.site.mate, self.site.supply_mate, self.site.elsewhere];
        turnouts.extend(roles.into_iter().flatten());
        let own = self.plan.turnouts[self.target].address.get();
        let near = |index: &usize| self.plan.turnouts[*index].address.get().abs_diff(own) <= 4;
        turnouts.extend((0..self.plan.turnouts.len()).filter(near));
        let mut done: Vec<usize> = Vec::new();
        let mut all = Vec::new();
        for turnout in turnouts {
            if done.contains(&turnout) {
                continue;
            }
            done.push(turnout);
            let (motion, others) = swept(&self.site, &mut self.track, turnout);
            let motion = if self.is_mistaken() {
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
