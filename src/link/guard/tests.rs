use futures_util::FutureExt;

use super::*;

/// Writes down what is sent and when, in milliseconds.
#[derive(Default)]
struct Paper {
    now: Duration,
    lines: Vec<(u128, String)>,
    refuses: bool,
}

#[async_trait(?Send)]
impl Link for Paper {
    fn name(&self) -> String {
        "paper".to_owned()
    }

    fn abilities(&self) -> Abilities {
        Abilities::default()
    }

    fn now(&self) -> Duration {
        self.now
    }

    async fn send(&mut self, packet: &Packet) -> Result<Taken, LinkError> {
        if self.refuses {
            return Ok(Taken::Refused("no".to_owned()));
        }
        self.lines.push((self.now.as_millis(), packet.to_string()));
        Ok(Taken::Unanswered)
    }

    async fn pause(&mut self, time: Duration) -> Result<(), LinkError> {
        self.now += time;
        Ok(())
    }

    async fn reports(&mut self) -> Result<Vec<PositionReport>, LinkError> {
        Ok(Vec::new())
    }

    async fn close(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}

fn now<T>(work: impl Future<Output = T>) -> T {
    work.now_or_never().expect("paper does not wait")
}

fn send(guard: &mut Guard<Paper>, packet: &str) {
    now(guard.send(&Packet::parse_hex(packet).unwrap())).unwrap();
}

#[test]
fn an_output_is_released_by_itself_when_a_pause_is_too_long() {
    let mut guard = Guard::new(Paper::default());
    send(&mut guard, "81 F9 78");
    now(guard.pause(Duration::from_millis(400))).unwrap();
    send(&mut guard, "81 F8 79");
    now(guard.pause(Duration::from_secs(5))).unwrap();
    let lines: Vec<_> = guard
        .link
        .lines
        .iter()
        .map(|(at, line)| (*at, line.as_str()))
        .collect();
    assert_eq!(
        lines,
        [
            (0, "81 F9 78"),
            (400, "81 F8 79"),
            (1000, "81 F1 70"),
            (1400, "81 F0 71")
        ]
    );
    assert_eq!(guard.now(), Duration::from_millis(5400));
    assert!(!guard.is_active());
}

#[test]
fn activating_again_does_not_lengthen_the_time() {
    let mut guard = Guard::new(Paper::default());
    for _ in 0..3 {
        send(&mut guard, "81 F9 78");
        now(guard.pause(Duration::from_millis(400))).unwrap();
    }
    assert_eq!(guard.link.lines[3], (1000, "81 F1 70".to_owned()));
}

#[test]
fn all_active_outputs_are_released_and_only_those() {
    let mut guard = Guard::new(Paper::default());
    for packet in [
        "81 F9 78",
        "81 FA 7B",
        "81 F1 70",
        "81 71 05 F5",
        "FF 00 FF",
    ] {
        send(&mut guard, packet);
    }
    now(guard.release_all()).unwrap();
    assert_eq!(guard.link.lines.len(), 6);
    assert_eq!(guard.link.lines[5].1, "81 F2 73");
    now(guard.release_all()).unwrap();
    assert_eq!(guard.link.lines.len(), 6, "once is enough");
}

#[test]
fn a_refused_command_activates_nothing_and_a_refused_release_nothing_either() {
    let mut guard = Guard::new(Paper {
        refuses: true,
        ..Paper::default()
    });
    send(&mut guard, "81 F9 78");
    assert!(!guard.is_active());
    guard.link.refuses = false;
    send(&mut guard, "81 F9 78");
    guard.link.refuses = true;
    let error = now(guard.release_all()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the station refused to release binary address 4: no"
    );
    assert!(guard.is_active());
}

#[test]
fn closing_releases() {
    let mut guard = Guard::new(Paper::default());
    send(&mut guard, "81 F9 78");
    now(guard.close()).unwrap();
    assert_eq!(guard.link.lines[1].1, "81 F1 70");
}

/// Keyed 1, binary 4, has a coil that extended packets switch.
fn minding() -> Guard<Paper> {
    let coil = BinaryAddress::new(4).unwrap();
    Guard::new(Paper::default()).minding(BTreeSet::from([coil]))
}

// derived from RCN-213, second-hand: `RZZZZZZZ`, Z in tenths of a second, 0 off, 127 for ever.
#[test]
fn a_coil_that_an_extended_packet_leaves_on_is_switched_off() {
    for (packet, off, is_due) in [
        ("81 71 7F 8F", "81 71 00 F0", true),
        ("81 71 FF 0F", "81 71 80 70", true),
        ("81 71 85 75", "81 71 80 70", false),
        ("81 71 0B FB", "81 71 00 F0", true),
    ] {
        let mut guard = minding();
        send(&mut guard, packet);
        assert!(guard.is_active(), "{packet}");
        now(guard.pause(Duration::from_secs(3))).unwrap();
        let mut expected = vec![(0, packet.to_owned())];
        expected.extend(is_due.then(|| (1000, off.to_owned())));
        assert_eq!(guard.link.lines, expected);
        assert!(!guard.is_active());
        let mut guard = minding();
        send(&mut guard, packet);
        now(guard.release_all()).unwrap();
        assert_eq!(guard.link.lines[1].1, off);
        assert!(!guard.is_active());
        send(&mut guard, packet);
        send(&mut guard, off);
        assert!(!guard.is_active(), "its own release counts");
    }
}

#[test]
fn aspects_are_not_taken_for_switching_times() {
    let mut guard = minding();
    // Keyed 2.
    send(&mut guard, "81 73 7F 8D");
    assert!(!guard.is_active());
    now(guard.release_all()).unwrap();
    assert_eq!(guard.link.lines.len(), 1);
}

#[test]
fn a_refused_switching_time_switches_nothing_on() {
    let mut guard = minding();
    guard.link.refuses = true;
    send(&mut guard, "81 71 7F 8F");
    assert!(!guard.is_active());
    guard.link.refuses = false;
    send(&mut guard, "81 71 7F 8F");
    guard.link.refuses = true;
    send(&mut guard, "81 71 00 F0");
    assert!(guard.is_active(), "a refused release releases nothing");
    assert!(matches!(
        now(guard.release_all()),
        Err(LinkError::NotReleased { .. })
    ));
}
