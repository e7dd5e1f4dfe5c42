//! How often several failing turnouts are traced to what they have in common: random layouts
//! with one common cause, or with two causes at two places, swept as a whole and diagnosed until
//! nothing is left unexplained.
//!
//! `THROWPROOF_DIAGNOSES=200` for how many cases (few by default), `THROWPROOF_SEED` for others
//! than the usual ones, `THROWPROOF_ONLY=cause` for one cause. Every case prints its seed.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of tests fail by panic, an evaluation prints its table"
)]

#[expect(dead_code, reason = "only the layouts are taken, not the cases")]
#[path = "diagnose/hidden.rs"]
mod hidden;
#[path = "diagnose/other.rs"]
mod other;

use std::collections::BTreeMap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof::diagnose::belief::Options;
use throwproof::diagnose::cause::{self, Draw, Suspects};
use throwproof::diagnose::common::{Round, sweep};
use throwproof::diagnose::perform::{perform, swept};
use throwproof::diagnose::site::Site;
use throwproof::diagnose::test::Test;
use throwproof::diagnose::{Kind, Next};
use throwproof::plan::{Drive, Gauge, Plan, Run, Wire};
use throwproof::track::Track;
use throwproof::track::as_built::AsBuilt;
use throwproof::track::clock::Nanos;

/// Causes that reach more than one turnout.
const COMMON: [&str; 19] = [
    "supply-off",
    "bus-section-off",
    "decoder-not-fed",
    "decoder-hears-nothing",
    "extended-only",
    "decoder-outputs-dead",
    "decoder-common-off",
    "decoder-reversed",
    "never-taught",
    "wrong-address",
    "decoder-four-up",
    "decoder-four-down",
    "block-off",
    "station-four-up",
    "station-four-down",
    "no-signal",
    "sense-reversed",
    "wire-broken",
    "wire-joint-bad",
];

/// Causes in one place, for two at once.
const PLACED: [&str; 12] = [
    "supply-off",
    "decoder-not-fed",
    "decoder-hears-nothing",
    "extended-only",
    "decoder-common-off",
    "decoder-reversed",
    "decoder-four-up",
    "leads-swapped",
    "common-off",
    "blades-stiff",
    "linkage-off",
    "output-dead",
];

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap())
}

fn below(rng: &mut ChaCha8Rng, count: usize) -> usize {
    usize::try_from(rng.next_u32()).unwrap() % count
}

fn built(site: &Site, name: &str, rng: &mut ChaCha8Rng) -> Option<AsBuilt> {
    (cause::by_name(name).unwrap().state)(
        site,
        &mut Draw::new(rng.next_u64(), &Suspects::default()),
    )
}

fn failing(plan: &Plan, built: &AsBuilt, seed: u64) -> Vec<usize> {
    let mut track = Track::new(plan, built, seed);
    let swept = sweep(plan, &mut track);
    let failing = swept.iter().filter(|one| one.fails());
    failing.map(|one| one.turnout).collect()
}

/// Boards wired one behind the other, now and then from the supply anew.
fn wired(mut plan: Plan, rng: &mut ChaCha8Rng) -> Plan {
    for index in 0..plan.decoders.len() {
        let supply = plan.decoders[index].supply;
        let before = (0..index).rfind(|it| plan.decoders[*it].supply == supply);
        let from = before.filter(|_| !rng.next_u32().is_multiple_of(3));
        let metres = f64::from(1 + rng.next_u32() % 4);
        let gauge = Gauge::SquareMillimetres(1.5);
        let wire = Wire { metres, gauge };
        plan.decoders[index].wire = Some(Run { wire, from });
    }
    plan
}

/// A layout on which everything works.
fn sound(rng: &mut ChaCha8Rng, seed: u64) -> Option<Plan> {
    let mut plan = hidden::random_plan(rng);
    if rng.next_u32().is_multiple_of(3) {
        plan = wired(plan, rng);
    }
    let healthy = built(&Site::of(&plan, 0), cause::NOTHING_WRONG, rng)?;
    failing(&plan, &healthy, seed).is_empty().then_some(plan)
}

/// What was said of one group of failing turnouts.
struct Group {
    named: Vec<&'static str>,
    turnouts: Vec<usize>,
    questions: usize,
}

/// Diagnoses until every failing turnout is explained.
fn diagnose(plan: &Plan, built: &AsBuilt, seed: u64) -> Vec<Group> {
    let mut track = Track::new(plan, built, seed);
    let swept = sweep(plan, &mut track);
    let mut round = Round::new(plan, &swept);
    let options = Options::default();
    let mut groups = Vec::new();
    while let Some(target) = round.next() {
        let site = round.site(target);
        let mut diagnosis = round.diagnosis(target, &options);
        let conclusion = loop {
            match diagnosis.choose() {
                Next::Done(conclusion) => break conclusion,
                Next::Test(test) => {
                    let answer = perform(&site, &mut track, test);
                    diagnosis.tell(test, answer);
                }
            }
        };
        let mut turnouts = round.conclude(target, &conclusion, options.seed);
        turnouts.push(target);
        let all = conclusion.causes.iter().map(|it| it.cause.name);
        let named = match conclusion.kind {
            Kind::Named => all.take(1).collect(),
            Kind::Remain => all.collect(),
            Kind::NoneFits => Vec::new(),
        };
        if std::env::var("THROWPROOF_TELL").is_ok() {
            println!("  {target}: {named:?} explains {turnouts:?}");
            for learnt in diagnosis.belief().learnt() {
                println!("    {:?}: {:?}", learnt.source, learnt.answer);
            }
        }
        groups.push(Group {
            named,
            turnouts,
            questions: diagnosis.asked().len(),
        });
    }
    groups
}

/// Whether a name is that cause, seen from either of two decoders at one address.
fn is_it(named: &str, truth: &str) -> bool {
    named == truth || named == "duplicate-address" && truth == "wrong-address"
}

fn is_named(group: &Group, truth: &str) -> bool {
    group.named.len() <= 4 && group.named.iter().any(|name| is_it(name, truth))
}

#[expect(clippy::cast_precision_loss, reason = "some thousand cases")]
fn share(of: usize, all: usize) -> f64 {
    of as f64 / all.max(1) as f64
}

/// Seeds one after the other, until that many cases could be made.
fn cases(count: u64, mut make: impl FnMut(u64, &mut ChaCha8Rng) -> Option<()>) {
    let mut seed = number("THROWPROOF_SEED", 1) * 1_000_000;
    let mut taken = 0;
    while taken < count {
        seed += 1;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        taken += u64::from(make(seed, &mut rng).is_some());
    }
}

#[test]
fn what_fails_for_one_reason_is_recognised_as_one() {
    let only = std::env::var("THROWPROOF_ONLY").ok();
    let (mut all, mut as_one, mut questions) = (0, 0, 0);
    let mut by_cause: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    cases(number("THROWPROOF_DIAGNOSES", 3), |seed, rng| {
        let name = COMMON[below(rng, COMMON.len())];
        if only.as_ref().is_some_and(|only| only != name) {
            return None;
        }
        let plan = sound(rng, seed)?;
        let site = Site::of(&plan, below(rng, plan.turnouts.len()));
        let state = built(&site, name, rng)?;
        let fail = failing(&plan, &state, seed);
        if fail.len() < 2 {
            return None;
        }
        let groups = diagnose(&plan, &state, seed);
        let first = &groups[0];
        let right = is_named(first, name) && first.turnouts.len() == fail.len();
        all += 1;
        as_one += usize::from(right);
        questions += first.questions;
        let row = by_cause.entry(name).or_default();
        row.0 += usize::from(right);
        row.1 += 1;
        println!(
            "seed {seed}: {name}, {} of {} fail: first {:?} with {} of them, {} questions, {} groups",
            fail.len(),
            plan.turnouts.len(),
            first.named,
            first.turnouts.len(),
            first.questions,
            groups.len(),
        );
        Some(())
    });
    println!("recognised as one {as_one} of {all}, {questions} questions; {by_cause:?}");
    assert!(share(as_one, all) >= 0.6, "{as_one} of {all}");
}

#[test]
fn two_causes_at_two_places_are_both_named_with_their_own() {
    let (mut all, mut both, mut turnouts, mut own) = (0, 0, 0, 0);
    cases(number("THROWPROOF_DIAGNOSES", 2), |seed, rng| {
        let plan = sound(rng, seed)?;
        let places = [0, 0].map(|_| below(rng, plan.turnouts.len()));
        let names = [0, 0].map(|_| PLACED[below(rng, PLACED.len())]);
        let of = |place: usize| plan.turnouts[place].output.map(|it| it.decoder);
        if of(places[0]) == of(places[1]) || names[0] == names[1] {
            return None;
        }
        let mut states = Vec::new();
        let mut sets: Vec<Vec<usize>> = Vec::new();
        for (place, name) in places.into_iter().zip(names) {
            let state = built(&Site::of(&plan, place), name, rng)?;
            sets.push(failing(&plan, &state, seed));
            states.push(state);
        }
        // What hides behind the other can't be seen before that is mended.
        let hides = sets[0].iter().any(|it| sets[1].contains(it));
        if hides || sets.iter().any(Vec::is_empty) {
            return None;
        }
        let state = cause::both(&states[0], &states[1]);
        let groups = diagnose(&plan, &state, seed);
        let found = |which: usize| {
            let fits = |group: &&Group| is_named(group, names[which]);
            let mut those = groups.iter().filter(fits);
            those.any(|group| group.turnouts.iter().any(|it| sets[which].contains(it)))
        };
        let right = found(0) && found(1);
        all += 1;
        both += usize::from(right);
        for (which, set) in sets.iter().enumerate() {
            turnouts += set.len();
            let is_own = |it: &&usize| {
                let group = groups.iter().find(|group| group.turnouts.contains(it));
                group.is_some_and(|group| is_named(group, names[which]))
            };
            own += set.iter().filter(is_own).count();
        }
        let told: Vec<_> = groups
            .iter()
            .map(|it| (&it.named, it.turnouts.len()))
            .collect();
        println!(
            "seed {seed}: {names:?} with {:?}: {} {told:?}",
            sets.iter().map(Vec::len).collect::<Vec<_>>(),
            if right { "both in" } else { "NOT both in" },
        );
        Some(())
    });
    println!(
        "two causes: both named in {both} of {all}; {own} of {turnouts} turnouts with their own"
    );
    assert!(share(both, all) >= 0.5, "{both} of {all}");
    assert!(share(own, turnouts) >= 0.5, "{own} of {turnouts}");
}

/// Packets that get lost by chance are others where more is thrown before.
const BY_CHANCE: [&str; 2] = ["signal-noisy", "decoder-hears-badly"];

#[test]
fn a_smaller_site_shows_what_the_whole_layout_shows() {
    let (mut all, mut same) = (0, 0);
    cases(number("THROWPROOF_DIAGNOSES", 4), |seed, rng| {
        let mut plan = hidden::random_plan(rng);
        if seed % 2 == 0 {
            plan = wired(plan, rng);
        }
        for decoder in &mut plan.decoders {
            decoder.idle_amps = Some(f64::from(5 + rng.next_u32() % 40) / 1_000.0);
        }
        // What hardly works at all is decided by the last millivolt.
        if !failing(&plan, &AsBuilt::default(), seed).is_empty() {
            return None;
        }
        let whole = Site::of(&plan, below(rng, plan.turnouts.len()));
        let near = whole.near(&[], &[]);
        let causes: Vec<_> = cause::all().collect();
        let cause = causes[below(rng, causes.len())];
        if BY_CHANCE.contains(&cause.name) {
            return None;
        }
        let state = built(&near, cause.name, rng)?;
        let mut small = Track::new(&near.plan, &state, seed);
        let mut large = Track::new(&plan, &state, seed);
        let place = |turnout: usize| {
            let id = &plan.turnouts[turnout].id;
            near.plan.turnouts.iter().position(|it| it.id == *id)
        };
        // What stays powered once it was thrown, draws from then on.
        for (index, turnout) in plan.turnouts.iter().enumerate() {
            if turnout.drive == Drive::StallMotor && place(index).is_none() {
                // Unless the cause keeps it from being thrown at all.
                if swept(&whole, &mut large, index).0.is_wrong() {
                    return None;
                }
            }
        }
        for track in [&mut small, &mut large] {
            track.coast(track.now() + Nanos::from_millis(20_000));
        }
        let volts = [
            small.volts_at(near.decoder().unwrap()),
            large.volts_at(whole.decoder().unwrap()),
        ];
        assert!(
            (volts[0] - volts[1]).abs() <= 0.02 * volts[1].max(1.0),
            "seed {seed}, {}: {volts:?}",
            cause.name
        );
        for turnout in whole.telling() {
            let of_small = swept(&near, &mut small, place(turnout).unwrap());
            let of_large = swept(&whole, &mut large, turnout);
            let kept = of_large.1.into_iter().filter_map(place).collect::<Vec<_>>();
            all += 1;
            // Parts differ by chance: what is left out draws a little more or less, which may
            // decide whether a weak drive arrives.
            if of_small == (of_large.0, kept) {
                same += 1;
            } else {
                let id = &plan.turnouts[turnout].id;
                println!("seed {seed}, {}: {id} shows otherwise", cause.name);
            }
        }
        Some(())
    });
    assert!(share(same, all) >= 0.95, "{same} of {all}");
}

/// The harbour yard, and beside it what has only an address, obeys extended packets, or stands
/// next to drives that must not be thrown by themselves.
fn yard() -> Plan {
    let more = "[[turnout]]\nid = \"L1\"\nshape = \"left\"\naddress = 301\n\
                [[turnout]]\nid = \"L2\"\nshape = \"left\"\naddress = 302\n\
                drive = \"stall-motor\"\nformat = \"extended\"\n\
                [[turnout]]\nid = \"L3\"\nshape = \"right\"\naddress = 116\n\
                drive = \"stall-motor\"\n";
    let text = include_str!("../fixtures/shapes/plan.toml").to_owned() + more;
    Plan::from_text("yard.toml", &text).unwrap().apart()
}

#[test]
fn turnouts_of_every_shape_are_swept_and_diagnosed_drive_by_drive() {
    let plan = yard();
    cases(number("THROWPROOF_DIAGNOSES", 4), |seed, rng| {
        let healthy = built(&Site::of(&plan, 0), cause::NOTHING_WRONG, rng)?;
        assert!(failing(&plan, &healthy, seed).is_empty(), "seed {seed}");
        let target = below(rng, plan.turnouts.len());
        let site = Site::of(&plan, target);
        let causes: Vec<_> = cause::all().collect();
        let cause = causes[below(rng, causes.len())];
        let state = built(&site, cause.name, rng)?;
        let mut track = Track::new(&plan, &state, seed);
        // None panics, whatever it finds.
        for test in Test::ALL.into_iter().filter(|test| test.is_offered(&site)) {
            assert!(test.answers().contains(&perform(&site, &mut track, test)));
        }
        let fail = failing(&plan, &state, seed);
        let groups = diagnose(&plan, &state, seed);
        let explained: usize = groups.iter().map(|it| it.turnouts.len()).sum();
        assert_eq!(explained, fail.len(), "seed {seed}");
        let told: Vec<_> = groups
            .iter()
            .map(|it| (&it.named, it.turnouts.len()))
            .collect();
        println!(
            "seed {seed}: {} at {}: {told:?}",
            cause.name, plan.turnouts[target].id
        );
        Some(())
    });
}

#[test]
fn drives_that_may_be_in_the_way_are_not_thrown_on_the_quiet() {
    let plan = yard();
    let index = |id: &str| {
        plan.turnouts
            .iter()
            .position(|it| it.id.as_str() == id)
            .unwrap()
    };
    // Beside the other blades of a three-way turnout, and beside a crossover that may be passed.
    let left = Site::of(&plan, index("T1 drive 1"));
    assert!(!left.spares(Test::Nearby) && left.spares(Test::Again));
    assert!(!Site::of(&plan, index("L3")).spares(Test::Nearby));
    assert!(Site::of(&plan, index("L1")).spares(Test::Nearby));
    let far_end = Site::of(&plan, index("T1 drive 2"));
    let before = far_end.before(far_end.target);
    assert_eq!(before.first().unwrap().0, index("T1 drive 1"));
    for target in 0..plan.turnouts.len() {
        let site = Site::of(&plan, target);
        for role in [site.mate, site.supply_mate, site.elsewhere]
            .into_iter()
            .flatten()
        {
            assert!(plan.turnouts[role].part.is_none());
        }
        let near = site.near(&[], &[]);
        assert_eq!(near.before(near.target).len(), site.before(target).len());
    }
}

#[test]
fn the_program_finds_which_drive_of_several_fails() {
    let file = tempfile::NamedTempFile::with_suffix(".toml").unwrap();
    std::fs::write(
        file.path(),
        "[turnout.T1.second]\ndiverging_coil = \"open\"\n",
    )
    .unwrap();
    let run = |args: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("throwproof").unwrap();
        command.args(["diagnose", "fixtures/shapes/plan.toml", "T1"]);
        let output = command.args(args).write_stdin("2\nq\n").output().unwrap();
        let told = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        (told, output.status.code().unwrap())
    };
    let (told, code) = run(&["--as-built", file.path().to_str().unwrap()]);
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("T1 drive 2: diverging-coil-open"), "{told}");
    let (told, code) = run(&["--hands"]);
    assert_eq!(code, 2, "{told}");
    assert!(told.contains("simulated track alone"), "{told}");
}

fn told(args: &[&str], fault: &str) -> (Vec<serde_json::Value>, i32) {
    let file = tempfile::NamedTempFile::with_suffix(".toml").unwrap();
    std::fs::write(file.path(), fault).unwrap();
    let output = assert_cmd::Command::cargo_bin("throwproof")
        .unwrap()
        .env("THROWPROOF_RECORD", "none")
        .args(["diagnose", "fixtures/faults/plan.toml"])
        .args(args)
        .args(["--as-built", file.path().to_str().unwrap()])
        .args(["--format", "json"])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let schema = include_str!("../docs/schema/events.schema.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    let lines = text.lines().map(|line| {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(validator.is_valid(&line), "{line}");
        line
    });
    (lines.collect(), output.status.code().unwrap())
}

fn of_event<'a>(lines: &'a [serde_json::Value], event: &str) -> Vec<&'a serde_json::Value> {
    lines.iter().filter(|line| line["event"] == event).collect()
}

#[test]
fn without_an_id_the_program_goes_on_until_all_is_explained() {
    let fault = "[decoder.A]\nfeed = false\n[turnout.C1]\nleads_swapped = true\n";
    let (lines, code) = told(&[], fault);
    assert_eq!(code, 1);
    let concluded = of_event(&lines, "diagnosis");
    let first: Vec<_> = concluded
        .iter()
        .map(|line| line["causes"][0]["cause"].as_str().unwrap())
        .collect();
    assert_eq!(first, ["decoder-not-fed", "leads-swapped"], "{lines:?}");
    assert!(concluded[0]["explains"].as_array().unwrap().len() >= 2);
    assert_eq!(concluded[1]["explains"], serde_json::Value::Null);
    let (lines, code) = told(&[], "seed = 1\n");
    assert_eq!((lines.len(), code), (0, 0));
}
