//! Teaching without the binary: recovery from any cut, service mode on the wire, stops.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::cell::{Cell, RefCell};
use std::fmt::Write as _;
use std::io;
use std::rc::Rc;
use std::time::Duration;

use async_trait::async_trait;
use proptest::prelude::*;
use throwproof::event::hub::{Hub, Sink};
use throwproof::event::{Event, EventKind, StopReason, Taught};
use throwproof::link::{Link, LinkError, PositionReport, Taken};
use throwproof::plan::Plan;
use throwproof::sweep::About;
use throwproof::sweep::stop::{StopHandle, stop_pair};
use throwproof::teach::{Act, Ended, Lesson, Method, Options, Outcome, Teach};
use throwproof::track::as_built::AsBuilt;
use throwproof::track::clock::Nanos;
use throwproof::track::{Track, TrackLink, TrackWitness};
use throwproof::witness::bench::{Did, Saw, Task, Watch};
use throwproof::witness::{Answer, Question, Witness, WitnessError};
use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, Position};
use throwproof_protocol::bits::Preamble;
use throwproof_protocol::cv::AddressMethod;
use throwproof_protocol::packet::Packet;
use throwproof_protocol::service::ServiceStep;

fn plan(text: &str) -> Plan {
    let layout = "[layout]\nname = \"Kestrel Bay\"\n";
    Plan::from_text("plan.toml", &format!("{layout}{text}")).unwrap()
}

/// A plan of one decoder.
fn board(learns: &str, outputs: u8, first: u16, more: &str) -> Plan {
    plan(&format!(
        "[decoder.D]\noutputs = {outputs}\nfirst_address = {first}\nlearns = \"{learns}\"\n{more}\n"
    ))
}

fn untaught(plan: &Plan) -> Track {
    let text = "[decoder.D]\ntaught = false\n";
    let file = throwproof::textfile::TextFile::from_text("as-built.toml", text);
    Track::new(plan, &AsBuilt::parse(file, plan).unwrap(), 1)
}

/// Sends one copy of a packet, apart from the one before.
fn one_copy(track: &mut Track, packet: Packet) {
    track.send_times(packet, Preamble::OPERATIONS_NMRA, 1);
    let until = track.now() + Nanos::from_millis(10);
    track.advance(until);
}

/// The writes of a lesson, each as three copies on the rails; the step that each belongs to.
fn copies(lesson: &Lesson) -> Vec<(usize, Packet)> {
    let steps = lesson.steps.iter().enumerate();
    let writes = steps.filter_map(|(at, step)| {
        if let Act::Write { packet, .. } = step.act {
            Some((at, packet))
        } else {
            None
        }
    });
    writes.flat_map(|write| [write; 3]).collect()
}

fn send_all(track: &mut Track, lesson: &Lesson) {
    for (_, packet) in copies(lesson) {
        one_copy(track, packet);
    }
}

fn learns(method: AddressMethod) -> &'static str {
    match method {
        AddressMethod::Decoder => "cv-decoder",
        AddressMethod::Output => "cv-output",
    }
}

fn fitting(method: AddressMethod, number: u16) -> u16 {
    match method {
        AddressMethod::Decoder => number - (number - 1) % 4,
        AddressMethod::Output => number,
    }
}

fn method() -> impl Strategy<Value = AddressMethod> {
    prop_oneof![Just(AddressMethod::Decoder), Just(AddressMethod::Output)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(160))]

    /// Whatever packet is the last before the plug is pulled: what is then told leads to the
    /// wanted address.
    #[test]
    fn the_told_recovery_works_after_any_packet(
        from in 1_u16..=2000,
        to in 1_u16..=2000,
        held_by in method(),
        wanted_by in method(),
        is_extended: bool,
        outputs in 1_u8..=8,
        cut in 0_usize..16,
    ) {
        let format = if is_extended { "format = \"extended\"" } else { "" };
        let (from, to) = (fitting(held_by, from), fitting(wanted_by, to));
        let old = board(learns(held_by), outputs, from, format);
        let new = board(learns(wanted_by), outputs, to, format);
        let mut track = untaught(&old);
        // From the factory to the address that it has.
        send_all(&mut track, &Lesson::new(&old, 0, &Options::default()).unwrap());
        let binary = |keyed| KeyedAddress::new(keyed).unwrap().binary(Numbering::Linear).get();
        prop_assert_eq!(track.decoder(0).first(), binary(from));

        let options = Options {
            from: Some(KeyedAddress::new(from).unwrap()),
            held_by: Some(held_by),
            ..Options::default()
        };
        let lesson = Lesson::new(&new, 0, &options).unwrap();
        let copies = copies(&lesson);
        let cut = cut.min(copies.len());
        for (_, packet) in &copies[..cut] {
            one_copy(&mut track, *packet);
        }
        // The step that was under way when the plug was pulled.
        let done = copies.get(cut).map_or(lesson.steps.len(), |(step, _)| *step);
        let state = lesson.state(done);
        let at = BinaryAddress::new(track.decoder(0).first()).unwrap().keyed(Numbering::Linear);
        prop_assert!(state.at.iter().any(|(told, _)| *told == at), "{at} is not told: {state:?}");
        // clause: S-9.2.1: decoder address 511, keyed 2041 to 2044; those above it are the first.
        prop_assert!(!(2041..=2044).contains(&at.get()), "{at} is the broadcast");

        for (told, by) in &state.at {
            let options = Options {
                from: Some(*told),
                held_by: *by,
                ..Options::default()
            };
            send_all(&mut track, &Lesson::new(&new, 0, &options).unwrap());
        }
        prop_assert_eq!(track.decoder(0).first(), binary(to));
    }

    /// No address on the way belongs to another decoder of the plan.
    #[test]
    fn nobody_else_is_ever_written_to(
        from in 1_u16..=500,
        to in 1_u16..=500,
        others in proptest::collection::btree_set(0_u16..=500, 1..60),
    ) {
        let (from, to) = (4 * from + 1, 4 * to + 1);
        let mut text = format!(
            "[decoder.D]\noutputs = 4\nfirst_address = {to}\nlearns = \"cv-decoder\"\n"
        );
        for other in &others {
            let first = 4 * other + 1;
            if first != from && first != to {
                write!(text, "[decoder.K{first}]\noutputs = 4\nfirst_address = {first}\n").unwrap();
            }
        }
        let plan = plan(&text);
        let mut track = Track::new(&plan, &AsBuilt::default(), 1);
        let before: Vec<_> = (1..plan.decoders.len()).map(|at| track.decoder(at).first()).collect();
        let options = Options {
            from: Some(KeyedAddress::new(from).unwrap()),
            held_by: Some(AddressMethod::Decoder),
            ..Options::default()
        };
        let lesson = Lesson::new(&plan, 0, &options).unwrap();
        send_all(&mut track, &lesson);
        let after: Vec<_> = (1..plan.decoders.len()).map(|at| track.decoder(at).first()).collect();
        prop_assert_eq!(before, after);
    }
}

/// Keeps every event.
#[derive(Clone, Default)]
struct Kept(Rc<RefCell<Vec<Event>>>);

impl Sink for Kept {
    fn name(&self) -> &'static str {
        "the test"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        self.0.borrow_mut().push(event.clone());
        Ok(())
    }
}

/// A witness that asks for a stop, or fails to do something, after so many things by hand.
struct Hands {
    eyes: TrackWitness,
    stop: Option<(usize, StopHandle)>,
    refuses: Option<usize>,
    jobs: usize,
}

#[async_trait(?Send)]
impl Witness for Hands {
    fn name(&self) -> &'static str {
        "track"
    }

    async fn attend(&mut self, _question: &Question<'_>) -> Result<(), WitnessError> {
        Ok(())
    }

    async fn observe(&mut self, _question: &Question<'_>) -> Result<Answer, WitnessError> {
        Ok(Answer::Stop)
    }

    async fn do_by_hand(&mut self, task: &Task) -> Result<Did, WitnessError> {
        self.jobs += 1;
        if self.refuses == Some(self.jobs) {
            return Ok(Did::Cannot);
        }
        let did = self.eyes.do_by_hand(task).await;
        if let Some((at, stop)) = &self.stop
            && *at == self.jobs
        {
            stop.ask(StopReason::Interrupt);
        }
        did
    }

    async fn watch_begins(&mut self, watch: &Watch) -> Result<(), WitnessError> {
        self.eyes.watch_begins(watch).await
    }

    async fn watch(&mut self, watch: &Watch) -> Result<Saw, WitnessError> {
        self.eyes.watch(watch).await
    }

    async fn lay_by_hand(
        &mut self,
        _question: &Question<'_>,
        _position: Position,
    ) -> Result<bool, WitnessError> {
        Ok(false)
    }
}

/// What a lesson came to.
struct Came {
    ended: Ended,
    events: Vec<Taught>,
    link: TrackLink,
}

fn teach(plan: &Plan, options: &Options, stop_at: Option<usize>, refuses: Option<usize>) -> Came {
    let text = "[decoder.D]\ntaught = false\n";
    let file = throwproof::textfile::TextFile::from_text("as-built.toml", text);
    let as_built = AsBuilt::parse(file, plan).unwrap();
    let (mut link, eyes) = throwproof::track::open(plan, &as_built, 1);
    link.track().borrow_mut().listen_in();
    let lesson = Lesson::new(plan, 0, options).unwrap();
    let (handle, stop) = stop_pair();
    let mut witness = Hands {
        eyes,
        stop: stop_at.map(|at| (at, handle.clone())),
        refuses,
        jobs: 0,
    };
    let kept = Kept::default();
    let mut hub = Hub::new();
    hub.add(kept.clone());
    let teach = Teach {
        plan,
        link: &mut link,
        witness: &mut witness,
        hub: &mut hub,
        stop,
        lesson: &lesson,
        about: About::default(),
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let ended = runtime.block_on(teach.run()).unwrap();
    drop(hub);
    let events = kept.0.borrow();
    let events = events.iter().filter_map(|event| {
        if let EventKind::Teach(taught) = &event.kind {
            Some(taught.clone())
        } else {
            None
        }
    });
    Came {
        ended,
        events: events.collect(),
        link,
    }
}

/// A packet as it stood on the rails: how many ones before it, its bytes, when its end bit was
/// over.
#[derive(Debug, Clone, PartialEq, Eq)]
struct OnRails {
    ones: usize,
    bytes: Vec<u8>,
    starts: Duration,
    ends: Duration,
}

/// A reading of half-bits by S-9.1 and S-9.2, for this test alone: a bit is a one if its halves
/// are 52 to 64 µs.
fn packets(halves: &[Nanos]) -> Vec<OnRails> {
    let mut now = Duration::ZERO;
    let bits: Vec<(bool, Duration, Duration)> = halves
        .chunks(2)
        .map(|pair| {
            let start = now;
            now += Duration::from_nanos(pair.iter().map(|half| half.0).sum());
            ((52_000..=64_000).contains(&pair[0].0), start, now)
        })
        .collect();
    let mut found = Vec::new();
    let mut at = 0;
    while at < bits.len() {
        let starts = bits[at].1;
        let ones = bits[at..].iter().take_while(|bit| bit.0).count();
        at += ones;
        let mut bytes = Vec::new();
        // A zero before each byte, a one behind the last.
        while bits.get(at).is_some_and(|bit| !bit.0) && at + 9 <= bits.len() {
            let byte = bits[at + 1..at + 9]
                .iter()
                .fold(0, |byte, bit| byte << 1 | u8::from(bit.0));
            bytes.push(byte);
            at += 9;
        }
        // The last one may have been cut short.
        let Some(end) = bits.get(at).filter(|end| end.0) else {
            break;
        };
        found.push(OnRails {
            ones,
            bytes,
            starts,
            ends: end.2,
        });
        at += 1;
    }
    found
}

/// Runs of equal packets, each with its length.
fn runs(packets: &[OnRails]) -> Vec<(Vec<u8>, usize)> {
    let mut runs: Vec<(Vec<u8>, usize)> = Vec::new();
    for packet in packets {
        match runs.last_mut() {
            Some((bytes, count)) if *bytes == packet.bytes => *count += 1,
            _ => runs.push((packet.bytes.clone(), 1)),
        }
    }
    runs
}

// clause: S-9.2.3 (July 2012), section E.
#[test]
fn service_mode_keeps_counts_preamble_and_pauses_on_the_wire() {
    let plan = board(
        "cv-output",
        4,
        1044,
        "pulse_ms = 300\nlearn = { on_time_unit_ms = 10 }",
    );
    let options = Options {
        method: Some(Method::ProgrammingTrack),
        set_pulse: true,
        read: true,
        ..Options::default()
    };
    let taken = teach(&plan, &options, None, None);
    assert_eq!(
        taken.ended,
        Ended::With(Outcome::Proved),
        "{:#?}",
        taken.events
    );
    let halves = taken.link.track().borrow_mut().listened_in();
    let packets = packets(&halves);
    let is_service = |packet: &&OnRails| {
        packet.bytes == [0, 0, 0] || (packet.bytes[0] & 0xf0 == 0x70 && packet.bytes.len() == 4)
    };
    let first = packets
        .iter()
        .position(|packet| is_service(&packet))
        .unwrap();
    let last = packets
        .iter()
        .rposition(|packet| is_service(&packet))
        .unwrap();
    let served = &packets[first..=last];
    // Nothing but service mode from the first packet to the last, with the long preamble, and no
    // pause in which a decoder would leave (20 ms).
    for (at, packet) in served.iter().enumerate() {
        assert!(is_service(&packet), "{packet:?} in between");
        // The end bit of the packet before is a one too, but was counted there.
        assert!(packet.ones >= 20, "long preamble: {packet:?}");
        if let Some(next) = served.get(at + 1) {
            assert!(next.starts == packet.ends, "a pause after {packet:?}");
            assert!(next.ends < packet.ends + Duration::from_millis(20));
        }
    }
    let runs = runs(served);
    assert!(
        runs[0].0 == [0, 0, 0] && runs[0].1 >= 20 + 3,
        "power on, then three resets"
    );
    let mut writes = 0;
    let mut reads = 0;
    for (at, (bytes, count)) in runs.iter().enumerate() {
        if *bytes == [0, 0, 0] {
            continue;
        }
        assert_eq!(*count, 5, "five identical packets: {bytes:02X?}");
        let before = &runs[at - 1];
        assert!(
            before.0 == [0, 0, 0] && before.1 >= 3,
            "three resets before {bytes:02X?}"
        );
        let after = &runs[at + 1];
        let is_write = bytes[0] & 0x0c == 0x0c || (bytes[0] & 0x0c == 0x08 && bytes[2] & 0x10 != 0);
        if is_write {
            // Six to recover; three of the next sequence follow.
            assert!(
                after.0 == [0, 0, 0] && after.1 >= 6,
                "recovery after {bytes:02X?}"
            );
            writes += 1;
        } else {
            reads += 1;
        }
    }
    // The method bit, CV 1, CV 9, CV 3 to 6.
    assert_eq!(writes, 7);
    // Each of those verified; eleven CVs before and seven after in nine questions each; the test
    // for direct access in two.
    assert_eq!(reads, 7 + (11 + 7) * 9 + 2);
}

#[test]
fn every_accessory_cv_is_read_as_it_is() {
    let plan = board(
        "cv-decoder",
        4,
        101,
        "learn = { on_time_unit_ms = 10 }\npulse_ms = 250",
    );
    let options = Options {
        method: Some(Method::ProgrammingTrack),
        set_pulse: true,
        read: true,
        ..Options::default()
    };
    let taken = teach(&plan, &options, None, None);
    let read = |before: bool| -> Vec<(u16, Option<u8>)> {
        let of = taken.events.iter().filter_map(|event| {
            if let Taught::CvRead {
                cv,
                value,
                before: was,
                ..
            } = event
                && *was == before
            {
                Some((*cv, *value))
            } else {
                None
            }
        });
        of.collect()
    };
    // clause: S-9.2.2 (July 2012), table 3: defaults; CV 8 of home-made decoders is 13. On-times
    // are 250 ms in counts of 10.
    let before = [
        (29, 0x80),
        (1, 1),
        (9, 0),
        (3, 25),
        (4, 25),
        (5, 25),
        (6, 25),
        (7, 1),
        (8, 13),
        (2, 0),
        (28, 0),
    ];
    assert_eq!(read(true), before.map(|(cv, value)| (cv, Some(value))));
    // derived from S-9.2.2: keyed 101 is decoder address 26.
    let after = [
        (29, 0x80),
        (1, 26),
        (9, 0),
        (3, 25),
        (4, 25),
        (5, 25),
        (6, 25),
    ];
    assert_eq!(read(false), after.map(|(cv, value)| (cv, Some(value))));
}

#[test]
fn a_decoder_off_the_programming_track_gives_no_answer_and_hears_nothing() {
    let plan = plan(
        "[decoder.D]\noutputs = 4\nfirst_address = 101\nlearns = \"cv-decoder\"\n\
         [decoder.K]\noutputs = 4\nfirst_address = 9\nlearns = \"cv-decoder\"\n",
    );
    let options = Options {
        method: Some(Method::ProgrammingTrack),
        ..Options::default()
    };
    let taken = teach(&plan, &options, None, None);
    assert_eq!(taken.ended, Ended::With(Outcome::Proved));
    let track = taken.link.track().borrow();
    assert_eq!(
        track.decoder(1).first(),
        12,
        "the one on the layout is as it was"
    );
}

#[test]
fn a_stop_at_any_hand_leaves_service_mode_and_says_what_to_do() {
    let learn = board("first-command", 4, 9, "learn = { power = \"off\" }");
    let main = board("cv-decoder", 4, 1001, "");
    let serve = Options {
        method: Some(Method::ProgrammingTrack),
        ..Options::default()
    };
    for (plan, options) in [
        (&learn, Options::default()),
        (&main, serve),
        (&main, Options::default()),
    ] {
        let hands = Lesson::new(plan, 0, &options).unwrap();
        let hands = hands
            .steps
            .iter()
            .filter(|step| matches!(step.act, Act::Hand(_)))
            .count();
        for at in 1..=hands {
            let taken = teach(plan, &options, Some(at), None);
            let Some(Taught::TeachDone {
                outcome,
                next,
                may_be_at,
                ..
            }) = taken.events.last()
            else {
                panic!("no last event");
            };
            if taken.ended == Ended::With(Outcome::Proved) {
                assert_eq!(at, hands);
                continue;
            }
            assert_eq!(taken.ended, Ended::Stopped(StopReason::Interrupt));
            assert_eq!(*outcome, Outcome::BrokenOff);
            let track = taken.link.track().borrow();
            let decoder = track.decoder(0);
            let first = BinaryAddress::new(decoder.first())
                .unwrap()
                .keyed(Numbering::Linear);
            assert!(
                may_be_at.contains(&first.get()),
                "{first} is not told: {may_be_at:?}"
            );
            let told = next.join("\n");
            if decoder.is_learning() {
                assert!(told.contains("out of learn mode first"), "{told}");
            }
            assert!(told.contains(&format!("--from {first}")), "{told}");
            assert!((0..4).all(|output| track.output_is_on(0, output).is_none()));
        }
    }
}

#[test]
fn what_can_not_be_done_by_hand_ends_it_without_proof() {
    let plan = board("first-command", 4, 9, "");
    let taken = teach(&plan, &Options::default(), None, Some(1));
    assert_eq!(taken.ended, Ended::With(Outcome::NotProved));
    let sent = taken
        .events
        .iter()
        .any(|event| matches!(event, Taught::TaughtSent { .. }));
    assert!(
        !sent,
        "nothing is sent to a decoder that is not in learn mode"
    );
}

/// A link that is lost in the middle of service mode, and comes back.
struct Plug {
    link: TrackLink,
    sent: Cell<usize>,
    lost_at: usize,
}

#[async_trait(?Send)]
impl Link for Plug {
    fn name(&self) -> String {
        "plug".to_owned()
    }

    fn abilities(&self) -> throwproof::link::Abilities {
        self.link.abilities()
    }

    fn now(&self) -> Duration {
        self.link.now()
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        self.count()?;
        self.link.send(packet).await
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        self.link.pause(time).await
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        self.link.reports().await
    }

    fn returns(&self) -> bool {
        true
    }

    async fn reconnect(&mut self) -> Result<(), LinkError> {
        Ok(())
    }

    fn can_serve(&self) -> Result<(), String> {
        Ok(())
    }

    async fn serve(&mut self, step: &ServiceStep) -> Result<Option<bool>, LinkError> {
        self.count()?;
        self.link.serve(step).await
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}

impl Plug {
    fn count(&self) -> Result<(), LinkError> {
        self.sent.set(self.sent.get() + 1);
        if self.sent.get() == self.lost_at {
            return Err(LinkError::Lost("the plug is out".to_owned()));
        }
        Ok(())
    }
}

#[test]
fn a_link_that_comes_back_does_the_broken_step_again() {
    let plan = board("cv-decoder", 4, 1001, "");
    let file = throwproof::textfile::TextFile::from_text("a", "[decoder.D]\ntaught = false\n");
    let as_built = AsBuilt::parse(file, &plan).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    for (method, steps) in [(Method::Main, 12), (Method::ProgrammingTrack, 40)] {
        for lost_at in (1..=steps).step_by(3) {
            let (link, mut witness) = throwproof::track::open(&plan, &as_built, 1);
            let mut link = Plug {
                link,
                sent: Cell::new(0),
                lost_at,
            };
            let options = Options {
                method: Some(method),
                ..Options::default()
            };
            let lesson = Lesson::new(&plan, 0, &options).unwrap();
            let mut hub = Hub::new();
            let teach = Teach {
                plan: &plan,
                link: &mut link,
                witness: &mut witness,
                hub: &mut hub,
                stop: stop_pair().1,
                lesson: &lesson,
                about: About {
                    reconnect: Duration::from_secs(5),
                    ..About::default()
                },
            };
            let ended = runtime.block_on(teach.run()).unwrap();
            assert_eq!(
                ended,
                Ended::With(Outcome::Proved),
                "{method:?}, lost at {lost_at}"
            );
        }
    }
}
