//! What `check` says of power, wires, pulses and outputs, held against the simulated track, for
//! plans nobody wrote.
//!
//! - Where it finds neither error nor warning, a sweep of the track as planned proves everything,
//!   whatever the seed, and with parts as weak and as hungry as they come.
//! - Each error of power that it finds is one that the track shows: the turnouts it names are not
//!   proved, or the supply trips, the board switches off, the coil burns.
//!
//! `THROWPROOF_PLANS` says how many plans, `THROWPROOF_SEED` from which seed on.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use throwproof::check;
use throwproof::electric::figures;
use throwproof::event::hub::{Hub, Sink};
use throwproof::event::{Event, EventKind};
use throwproof::plan::finding::{Code, Finding, Severity};
use throwproof::plan::{Draft, Drive, OutputKind, Plan};
use throwproof::sweep::stop::StopToken;
use throwproof::sweep::{Options, Sweep};
use throwproof::textfile::TextFile;
use throwproof::track::as_built::{AsBuilt, Parts};
use throwproof::track::clock::Nanos;
use throwproof::track::{self, Track};
use throwproof::verdict::Verdict;
use throwproof_protocol::address::Position;
use throwproof_protocol::instruction::BasicAccessory;

/// How many plans a run of the tests tries.
const PLANS: u64 = 300;

/// How many are tried at a time.
const THREADS: u64 = 4;

fn number(name: &str, default: u64) -> u64 {
    std::env::var(name).map_or(default, |text| text.parse().unwrap())
}

/// Draws what plans are made of.
struct Dice(ChaCha8Rng);

impl Dice {
    fn below(&mut self, end: u32) -> u32 {
        self.0.next_u32() % end
    }

    /// Once in that many.
    fn once_in(&mut self, times: u32) -> bool {
        self.below(times) == 0
    }

    fn of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.below(u32::try_from(choices.len()).unwrap()) as usize]
    }

    /// Between those, evenly over their logarithm.
    fn between(&mut self, low: f64, high: f64) -> f64 {
        let share = f64::from(self.0.next_u32()) / f64::from(u32::MAX);
        low * (high / low).powf(share)
    }
}

/// A plan of one or two supplies, some boards and a few turnouts. `wild` ones have whatever fits
/// in a file; the others are such as a careful builder would write, and may still be risky.
fn plan(seed: u64) -> String {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    let wild = dice.once_in(2);
    let mut text = format!("# seed {seed}\n[layout]\nname = \"Slipway {seed}\"\n");
    if dice.once_in(3) {
        let _ = writeln!(text, "throw_gap_ms = {:.0}", dice.between(100.0, 4_000.0));
    }
    let supplies = 1 + dice.below(2);
    for supply in 0..supplies {
        supply_of(&mut text, &mut dice, supply, wild);
    }
    let mut turnouts = String::new();
    for decoder in 0..=dice.below(3) {
        decoder_of(&mut text, &mut turnouts, &mut dice, decoder, supplies, wild);
    }
    if seed.is_multiple_of(25) {
        burner(&mut text, &mut turnouts, &mut dice);
    }
    text + &turnouts
}

/// A board that leaves a hungry coil on for long, on a supply that can bear it: by chance that is
/// rare.
fn burner(text: &mut String, turnouts: &mut String, dice: &mut Dice) {
    let _ = writeln!(
        text,
        "[supply.furnace]\nkind = \"separate\"\nvolts = 16\namps = 8\n\
         [decoder.F]\noutputs = 4\nfirst_address = 101\nsupply = \"furnace\"\npulse_ms = {:.0}",
        dice.between(10_000.0, 60_000.0)
    );
    let _ = writeln!(
        turnouts,
        "[[turnout]]\nid = \"F1\"\nshape = \"left\"\ndecoder = \"F\"\noutput = 1\namps = {:.2}",
        dice.between(1.2, 5.0)
    );
}

fn supply_of(text: &mut String, dice: &mut Dice, supply: u32, wild: bool) {
    let volts = dice.of(&[12.0, 14.0, 16.0, 18.0]);
    let amps = if wild {
        dice.between(0.02, 8.0)
    } else {
        dice.between(1.5, 8.0)
    };
    let _ = writeln!(
        text,
        "[supply.s{supply}]\nkind = \"{}\"\nvolts = {volts}\namps = {amps:.3}",
        dice.of(&["separate", "separate", "track"])
    );
    if dice.once_in(3) {
        let most = if wild { 5.0 } else { 0.4 };
        let _ = writeln!(text, "internal_ohms = {:.3}", dice.between(0.01, most));
    }
    if dice.once_in(3) {
        let least = if wild { 200.0 } else { 4_700.0 };
        let _ = writeln!(
            text,
            "capacitor_uf = {:.0}\ncapacitor_charge_ohms = {:.1}",
            dice.between(least, 20_000.0),
            dice.between(10.0, if wild { 800.0 } else { 60.0 })
        );
    }
    if dice.once_in(3) {
        let trip = amps * dice.between(if wild { 0.5 } else { 1.1 }, 2.0);
        let _ = writeln!(
            text,
            "trip_amps = {trip:.3}\ntrip_ms = {:.0}",
            dice.between(5.0, 600.0)
        );
    }
}

const KINDS: [(&str, &str); 4] = [
    ("twin-coil", "pulse"),
    ("stall-motor", "stall-motor"),
    ("servo", "servo"),
    ("memory-wire", "steady"),
];

fn gauge(dice: &mut Dice, metres: f64) -> String {
    let gauge = if dice.once_in(2) {
        let areas = ["0.14", "0.22", "0.5", "0.75", "1.5", "2.5"];
        format!("mm2 = {}", dice.of(&areas))
    } else {
        format!("awg = {}", dice.of(&[14, 16, 18, 20, 22, 24, 26]))
    };
    format!("metres = {metres:.2}, {gauge}")
}

fn decoder_of(
    text: &mut String,
    turnouts: &mut String,
    dice: &mut Dice,
    decoder: u32,
    supplies: u32,
    wild: bool,
) {
    let (drive, mut output) = dice.of(&KINDS);
    if wild && dice.once_in(8) {
        output = dice.of(&["pulse", "steady", "servo", "stall-motor"]);
    }
    let first = 9 + 8 * decoder;
    let _ = writeln!(
        text,
        "[decoder.D{decoder}]\noutputs = 8\nfirst_address = {first}\noutput_kind = \"{output}\""
    );
    // Now and then nothing is known of its supply.
    let from = (decoder > 0 && dice.once_in(3)).then(|| decoder - 1);
    match from {
        Some(_) => {}
        None if dice.once_in(8) => {}
        None => {
            let _ = writeln!(text, "supply = \"s{}\"", dice.below(supplies));
        }
    }
    if from.is_some() || dice.once_in(2) {
        let metres = dice.between(0.3, if wild { 80.0 } else { 6.0 });
        let gauge = gauge(dice, metres);
        let from = from.map_or(String::new(), |from| format!(", from = \"D{from}\""));
        let _ = writeln!(text, "wire = {{ {gauge}{from} }}");
    }
    if output == "pulse" {
        let pulse = match (wild, dice.below(12)) {
            (true, 0) => 0.0,
            (true, 1) => dice.between(2_000.0, 60_000.0),
            (true, _) => dice.between(5.0, 900.0),
            (false, _) => dice.between(60.0, 400.0),
        };
        let _ = writeln!(text, "pulse_ms = {pulse:.0}");
    }
    if dice.once_in(2) {
        let _ = writeln!(text, "idle_amps = {:.3}", dice.between(0.005, 0.06));
    }
    let usual = match drive {
        "twin-coil" => 1.0,
        "stall-motor" => 0.018,
        "servo" => 0.3,
        _ => 0.05,
    };
    if dice.once_in(2) {
        let least = if wild { 0.2 } else { 1.5 };
        let _ = writeln!(
            text,
            "max_output_amps = {:.4}",
            usual * dice.between(least, 5.0)
        );
    }
    if dice.once_in(3) {
        let least = if wild { 0.3 } else { 5.0 };
        let _ = writeln!(
            text,
            "max_total_amps = {:.4}",
            usual * dice.between(least, 10.0)
        );
    }
    for number in 1..=1 + dice.below(3) {
        turnout_of(turnouts, dice, (decoder, number), (drive, usual), wild);
    }
}

fn turnout_of(
    text: &mut String,
    dice: &mut Dice,
    (decoder, number): (u32, u32),
    (drive, usual): (&str, f64),
    wild: bool,
) {
    let _ = writeln!(
        text,
        "[[turnout]]\nid = \"T{decoder}{number}\"\nshape = \"left\"\ndecoder = \"D{decoder}\"\n\
         output = {number}\ndrive = \"{drive}\""
    );
    if dice.once_in(2) {
        let most = if wild { 4.0 } else { 1.3 };
        let _ = writeln!(text, "amps = {:.4}", usual * dice.between(0.6, most));
    }
    if dice.once_in(3) {
        let metres = dice.between(0.2, if wild { 60.0 } else { 3.0 });
        let gauge = gauge(dice, metres);
        let _ = writeln!(text, "wire = {{ {gauge} }}");
    }
    if dice.once_in(4) {
        let (low, high) = match drive {
            "twin-coil" => (20.0, if wild { 600.0 } else { 50.0 }),
            "memory-wire" => (300.0, 1_000.0),
            _ => (500.0, 5_000.0),
        };
        let _ = writeln!(text, "needs_ms = {:.0}", dice.between(low, high));
    }
    if dice.once_in(6) {
        let _ = writeln!(text, "drives = 2");
    }
    if dice.once_in(5) {
        let _ = writeln!(text, "straight_output = 0");
    }
}

#[derive(Default)]
struct Verdicts(BTreeMap<String, Verdict>);

impl Sink for &mut Verdicts {
    fn name(&self) -> &'static str {
        "verdicts"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        if let EventKind::Verdict {
            subject, verdict, ..
        } = &event.kind
        {
            self.0.insert(subject.id().to_string(), *verdict);
        }
        Ok(())
    }
}

/// What a track came to.
struct Shown {
    verdicts: BTreeMap<String, Verdict>,
    /// How often each supply of the plan tripped.
    trips: Vec<u32>,
    board_cuts: u32,
    /// Ids of turnouts with a burnt coil.
    burnt: Vec<String>,
}

impl Shown {
    fn all_proved(&self) -> bool {
        self.verdicts
            .values()
            .all(|verdict| *verdict == Verdict::Proved)
    }
}

/// A sweep of the track as planned. `used` has every turnout thrown to diverging before, one
/// after the other, and left so for a while: motors and wires are powered then.
fn shown(plan: &Plan, parts: Parts, seed: u64, used: bool) -> Shown {
    let as_built = AsBuilt {
        parts,
        ..AsBuilt::default()
    };
    let (mut link, mut witness) = track::open(plan, &as_built, seed);
    if used {
        use_all(plan, &mut link.track().borrow_mut());
    }
    let mut verdicts = Verdicts::default();
    let mut hub = Hub::new();
    hub.add(&mut verdicts);
    let sweep = Sweep {
        plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop: StopToken::never(),
        options: Options::default(),
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    runtime.block_on(sweep.run()).unwrap();
    drop(hub);
    let track = link.track().borrow();
    let physics = track.physics();
    let turnouts = plan.turnouts.iter().enumerate();
    let burnt = turnouts.filter(|(index, _)| {
        let mut drives = track.drives_of(*index).iter();
        drives.any(|drive| physics.drive(*drive).is_burnt())
    });
    Shown {
        verdicts: verdicts.0,
        trips: (0..plan.supplies.len())
            .map(|supply| physics.supply(supply).trips())
            .collect(),
        board_cuts: physics.board_cuts(),
        burnt: burnt.map(|(_, turnout)| turnout.id.to_string()).collect(),
    }
}

/// Throws every turnout to diverging by itself, as a panel would, with no release but where the
/// board waits for one; and lets all of it be for a while.
fn use_all(plan: &Plan, track: &mut Track) {
    let longest = plan.decoders.iter().map(|decoder| decoder.pulse_ms).max();
    for turnout in &plan.turnouts {
        let command = |activate| {
            BasicAccessory {
                address: turnout.address.binary(plan.layout.numbering),
                pair_bit: turnout.pair_bit(Position::Diverging),
                activate,
            }
            .emit()
        };
        track.send(command(true));
        let decoder = turnout.output.map(|output| &plan.decoders[output.decoder]);
        if decoder.is_some_and(|it| it.output_kind == OutputKind::Pulse && it.pulse_ms == 0) {
            track.advance(track.now() + Nanos::from_millis(200));
            track.send(command(false));
        }
        let moves = if turnout.drive == Drive::TwinCoil {
            1_000
        } else {
            3_000
        };
        track.advance(track.now() + Nanos::from_millis(moves));
    }
    let rest = 40_000 + u64::from(longest.unwrap_or_default());
    let end = track.now() + Nanos::from_millis(rest);
    while track.now() < end {
        track.advance(end.min(track.now() + Nanos::from_millis(500)));
        // Idle packets change nothing.
        track.rest_until(end);
    }
}

/// Ids of turnouts that do not go to diverging while all others lie so, thrown after the others
/// have been left alone: what is powered then is not powered in a sweep.
fn stay_amid_all(plan: &Plan, parts: Parts, seed: u64) -> Vec<String> {
    let as_built = AsBuilt {
        parts,
        ..AsBuilt::default()
    };
    let mut track = Track::new(plan, &as_built, seed);
    use_all(plan, &mut track);
    let mut stay = Vec::new();
    for (index, turnout) in plan.turnouts.iter().enumerate() {
        for position in [Position::Straight, Position::Diverging] {
            let command = BasicAccessory {
                address: turnout.address.binary(plan.layout.numbering),
                pair_bit: turnout.pair_bit(position),
                activate: true,
            };
            track.send(command.emit());
            track.advance(track.now() + Nanos::from_millis(8_000));
        }
        if track.lies(index) != Some(Position::Diverging) {
            stay.push(turnout.id.to_string());
        }
    }
    stay
}

/// Whether a track shows an error.
fn shows(finding: &Finding, plan: &Plan, shown: &Shown) -> bool {
    let ids = || finding.subjects.iter().map(ToString::to_string);
    let supply = || {
        let supplies = plan.supplies.iter();
        supplies
            .zip(&shown.trips)
            .any(|(supply, trips)| *trips > 0 && ids().any(|id| id == supply.id.as_str()))
    };
    let named: Vec<_> = ids().filter(|id| plan.turnout(id).is_some()).collect();
    let unproved = named
        .iter()
        .all(|id| shown.verdicts.get(id) != Some(&Verdict::Proved));
    let of_supply = [Code::SupplyOverloaded, Code::SupplyTrips];
    if of_supply.contains(&finding.code) {
        supply()
    } else if finding.code == Code::BoardOverloaded {
        shown.board_cuts > 0
    } else if finding.code == Code::PulseTooHot {
        named.iter().all(|id| shown.burnt.contains(id))
    } else {
        !named.is_empty() && unproved
    }
}

/// Ways to look at a track, the likeliest to show something first.
const LOOKS: [(Parts, bool); 6] = [
    (Parts::Typical, true),
    (Parts::Typical, false),
    (Parts::Weak, true),
    (Parts::Strong, true),
    (Parts::Random, true),
    (Parts::Weak, false),
];

/// What a range of plans came to.
#[derive(Default)]
struct Tally {
    found: BTreeMap<&'static str, usize>,
    clean: usize,
    /// Errors that something else hid.
    hidden: usize,
    disagree: Vec<String>,
}

impl Tally {
    fn add(&mut self, seed: u64) {
        let text = plan(seed);
        let draft = Draft::parse(TextFile::from_text("slipway.toml", text.as_str()))
            .unwrap_or_else(|problems| panic!("{problems}\n{text}"));
        let findings = check::findings(&draft);
        let plan = draft
            .into_plan()
            .unwrap_or_else(|problems| panic!("{problems}\n{text}"));
        for finding in &findings {
            *self.found.entry(finding.code.as_str()).or_default() += 1;
        }
        if findings.iter().all(|it| it.severity() == Severity::Note) {
            self.clean += 1;
            let told = nothing_fails(&plan, seed).map(|told| format!("{told}\n{text}"));
            self.disagree.extend(told);
        }
        let errors = findings.iter();
        let errors = errors.filter(|it| it.severity() == Severity::Error);
        let mut left = not_shown(&plan, seed, errors.collect());
        // What fails first may hide what would fail next.
        for code in Code::ELECTRICAL {
            let (of_code, others) = left.into_iter().partition(|it| it.code == *code);
            let of_code: Vec<_> = of_code;
            self.hidden += of_code.len();
            left = others;
            if !of_code.is_empty() {
                left.extend(not_shown(&alone(&plan, *code), seed, of_code));
            }
        }
        self.hidden -= left.len();
        self.disagree.extend(left.into_iter().map(|finding| {
            let (code, message) = (finding.code.as_str(), &finding.message);
            format!("not shown: {code}: {message} {:?}\n{text}", finding.figures)
        }));
    }
}

/// Of those errors, the ones that no look at the track shows.
fn not_shown<'f>(plan: &Plan, seed: u64, errors: Vec<&'f Finding>) -> Vec<&'f Finding> {
    let mut left = errors;
    for (parts, used) in LOOKS {
        if left.is_empty() {
            return left;
        }
        let shown = shown(plan, parts, seed, used);
        left.retain(|finding| !shows(finding, plan, &shown));
    }
    if left
        .iter()
        .any(|finding| finding.code == Code::DriveStarved)
    {
        let stay = stay_amid_all(plan, Parts::Typical, seed);
        left.retain(|finding| {
            let mut ids = finding.subjects.iter().map(ToString::to_string);
            let named = ids.all(|id| stay.contains(&id) || plan.turnout(&id).is_none());
            finding.code != Code::DriveStarved || !named
        });
    }
    left
}

/// The plan without what would protect itself before an error of that kind shows: once the rest
/// is mended, it must.
fn alone(plan: &Plan, code: Code) -> Plan {
    let mut plan = plan.clone();
    for decoder in &mut plan.decoders {
        if code != Code::OutputOverloaded {
            decoder.max_output_amps = None;
        }
        if code != Code::BoardOverloaded {
            decoder.max_total_amps = None;
        }
    }
    if !matches!(code, Code::SupplyOverloaded | Code::SupplyTrips) {
        for supply in &mut plan.supplies {
            supply.internal_ohms = Some(figures::internal_ohms(supply));
            supply.trip_amps = Some(1e9);
            supply.amps = 1e9;
        }
    }
    plan
}

/// What fails on the track of a plan in which nothing was found.
fn nothing_fails(plan: &Plan, seed: u64) -> Option<String> {
    let looks = [
        (Parts::Random, seed.is_multiple_of(2)),
        (Parts::Weak, true),
        (Parts::Strong, true),
    ];
    looks.into_iter().find_map(|(parts, used)| {
        let shown = shown(plan, parts, seed, used);
        let quiet = shown.trips.iter().all(|trips| *trips == 0)
            && shown.board_cuts == 0
            && shown.burnt.is_empty();
        (!quiet || !shown.all_proved()).then(|| {
            format!(
                "nothing found, and {parts:?} parts (used: {used}) give {:?}, trips {:?}, cuts \
                 {}, burnt {:?}",
                shown.verdicts, shown.trips, shown.board_cuts, shown.burnt
            )
        })
    })
}

#[test]
fn the_track_shows_what_check_says() {
    let first = number("THROWPROOF_SEED", 1);
    let count = number("THROWPROOF_PLANS", PLANS);
    println!("THROWPROOF_SEED={first} THROWPROOF_PLANS={count}");
    let tally = |part: u64| {
        let mut tally = Tally::default();
        for seed in (first..first + count).filter(|seed| seed % THREADS == part) {
            tally.add(seed);
        }
        tally
    };
    let tallies: Vec<_> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..THREADS)
            .map(|part| scope.spawn(move || tally(part)))
            .collect();
        threads
            .into_iter()
            .map(|thread| thread.join().unwrap())
            .collect()
    });
    let mut all = Tally::default();
    for tally in tallies {
        all.clean += tally.clean;
        all.hidden += tally.hidden;
        all.disagree.extend(tally.disagree);
        for (code, times) in tally.found {
            *all.found.entry(code).or_default() += times;
        }
    }
    let Tally {
        found,
        clean,
        hidden,
        disagree,
    } = all;
    println!("{count} plans, {clean} of them clean; {hidden} errors behind others; {found:#?}");
    for one in disagree.iter().take(8) {
        println!("----\n{one}");
    }
    assert_eq!(disagree.len(), 0, "check and track disagree");
    // A test that meets nothing proves nothing.
    if count >= PLANS {
        assert!(
            clean * 5 >= usize::try_from(count).unwrap(),
            "{clean} clean"
        );
        let errors = Code::ELECTRICAL.iter().copied();
        let missed: Vec<_> = errors
            .filter(|it| !found.contains_key(it.as_str()))
            .collect();
        assert_eq!(missed, [], "of the errors of power");
    }
}
