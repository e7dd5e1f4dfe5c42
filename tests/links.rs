//! Links over a line in memory, on a paused clock: answers, silence, trouble.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

use std::collections::VecDeque;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use throwproof::link::transport::{OpenError, Opener, SerialOpener, TcpOpener, Transport};
use throwproof::link::{LccLink, Link, LinkError, Live, Patience, ProfileLink, Taken};
use throwproof::profile::{Dtr, FlowControl, Parity, Profile, Serial};
use throwproof_protocol::lcc::NodeId;
use throwproof_protocol::packet::Packet;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::io::{DuplexStream, duplex};

/// Lines that were made beforehand.
struct Lines(VecDeque<DuplexStream>);

#[async_trait(?Send)]
impl Opener for Lines {
    fn name(&self) -> String {
        "memory".to_owned()
    }

    async fn open(&mut self) -> Result<Transport, OpenError> {
        match self.0.pop_front() {
            Some(line) => Ok(Box::new(line)),
            None => Err(OpenError::NotThere {
                port: "memory".to_owned(),
                near: Vec::new(),
            }),
        }
    }
}

fn lines<const N: usize>() -> (Lines, [BufReader<DuplexStream>; N]) {
    let mut ours = VecDeque::new();
    let theirs = [(); N].map(|()| {
        let (one, other) = duplex(4096);
        ours.push_back(one);
        BufReader::new(other)
    });
    (Lines(ours), theirs)
}

fn packet(hex: &str) -> Packet {
    Packet::parse_hex(hex).unwrap()
}

/// Keyed address 1, output 1: activate, release.
const THROW: &str = "81 F9 78";
const RELEASE: &str = "81 F1 70";

fn profile() -> Arc<Profile> {
    Arc::new(Profile::load(Path::new("fixtures/profiles/harbour-text.toml")).unwrap())
}

type Peer = BufReader<DuplexStream>;

async fn line(peer: &mut Peer) -> String {
    let mut line = String::new();
    peer.read_line(&mut line).await.unwrap();
    line
}

async fn say(peer: &mut Peer, text: &str) {
    peer.get_mut().write_all(text.as_bytes()).await.unwrap();
}

/// A link to a station that has heard the start messages.
async fn open() -> (Live, Peer) {
    let (lines, [mut peer]) = lines();
    let opened = ProfileLink::open(profile(), Box::new(lines), Patience::default());
    let greeted = async {
        assert_eq!(line(&mut peer).await, "good morning\n");
        assert_eq!(line(&mut peer).await, "tell me what moves\n");
    };
    let (link, ()) = tokio::join!(opened, greeted);
    (link.unwrap(), peer)
}

/// Sends a throw to a station that says this each time; gives the outcome and how often it was
/// asked.
async fn asked(answers: &[&str]) -> (Taken, usize) {
    let (mut link, mut peer) = open().await;
    let mut times = 0;
    let station = async {
        let mut answers = answers.iter();
        loop {
            assert_eq!(line(&mut peer).await, "berth 0001 heave fairway\n");
            times += 1;
            if let Some(answer) = answers.next() {
                say(&mut peer, answer).await;
            }
        }
    };
    let packet = packet(THROW);
    let taken = tokio::select! {
        taken = link.send(&packet) => taken.unwrap(),
        () = station => panic!("a station does not end"),
    };
    (taken, times)
}

#[tokio::test(start_paused = true)]
async fn a_throw_is_acknowledged_refused_or_unanswered() {
    assert_eq!(asked(&["aye, berth 1\n"]).await, (Taken::Acknowledged, 1));
    let refused = Taken::Refused("the tide is out".to_owned());
    assert_eq!(asked(&["never: the tide is out\n"]).await, (refused, 1));
    // Two retries: asked three times.
    assert_eq!(asked(&[]).await, (Taken::Unanswered, 3));
    // An answer to another is none.
    assert_eq!(
        asked(&["aye, berth 2\n", "aye, berth 1\n"]).await,
        (Taken::Acknowledged, 2)
    );
}

#[tokio::test(start_paused = true)]
async fn a_busy_station_is_asked_again_but_not_for_ever() {
    let busy = "hold your horses\n";
    assert_eq!(
        asked(&[busy, busy, "aye, berth 1\n"]).await,
        (Taken::Acknowledged, 3)
    );
    let (taken, times) = asked(&[busy; 9]).await;
    assert_eq!(
        taken,
        Taken::Refused("it was busy all of 5 times".to_owned())
    );
    assert_eq!(times, 5);
}

#[tokio::test(start_paused = true)]
async fn garbage_split_lines_and_reports_go_their_way() {
    let (mut link, mut peer) = open().await;
    let packet = packet(THROW);
    let station = async {
        line(&mut peer).await;
        say(&mut peer, "\0\u{1}garbage\nI see berth 9 lying side").await;
        tokio::time::sleep(Duration::from_millis(5)).await;
        say(&mut peer, "ways\naye, ber").await;
        tokio::time::sleep(Duration::from_millis(5)).await;
        say(&mut peer, "th 1\n").await;
    };
    let (taken, ()) = tokio::join!(link.send(&packet), station);
    assert_eq!(taken.unwrap(), Taken::Acknowledged);
    let reports = link.reports().await.unwrap();
    assert_eq!(reports.len(), 1);
    assert_eq!(reports[0].address.get(), 12);
    assert!(link.reports().await.unwrap().is_empty());
}

#[tokio::test(start_paused = true)]
async fn the_layout_holds_the_run_until_it_does_not() {
    let (mut link, mut peer) = open().await;
    assert_eq!(link.held(), None);
    let moment = Duration::from_millis(10);
    say(&mut peer, "man overboard: short circuit\n").await;
    link.pause(moment).await.unwrap();
    assert_eq!(
        link.held().as_deref(),
        Some("the station reports: short circuit")
    );
    say(&mut peer, "lamps out\nlamps burning\n").await;
    link.pause(moment).await.unwrap();
    assert_eq!(link.held(), None);
}

#[tokio::test(start_paused = true)]
async fn a_hold_that_is_over_before_anyone_looked_is_told_once() {
    let (mut link, mut peer) = open().await;
    let moment = Duration::from_millis(10);
    say(&mut peer, "man overboard: short circuit\n").await;
    say(&mut peer, "lamps burning\n").await;
    link.pause(moment).await.unwrap();
    assert_eq!(
        link.held().as_deref(),
        Some("the station reports: short circuit")
    );
    assert_eq!(link.held(), None);
}

#[tokio::test(start_paused = true)]
async fn a_lost_line_is_an_error_of_whatever_is_under_way_and_can_be_opened_again() {
    let (lines, [mut first, mut second]) = lines();
    let opened = ProfileLink::open(profile(), Box::new(lines), Patience::default());
    let mut link = opened.await.unwrap();
    line(&mut first).await;
    line(&mut first).await;
    let (throw, release) = (packet(THROW), packet(RELEASE));
    let station = async {
        line(&mut first).await;
        // In the middle of its answer.
        say(&mut first, "aye, be").await;
        drop(first);
    };
    let (taken, ()) = tokio::join!(link.send(&throw), station);
    assert!(matches!(taken, Err(LinkError::Lost(_))), "{taken:?}");
    let pause = link.pause(Duration::from_secs(1)).await;
    assert!(matches!(pause, Err(LinkError::Lost(_))), "{pause:?}");
    link.reconnect().await.unwrap();
    assert_eq!(line(&mut second).await, "good morning\n");
    assert_eq!(line(&mut second).await, "tell me what moves\n");
    let station = async {
        // What was under way before is forgotten.
        assert_eq!(line(&mut second).await, "berth 0001 belay fairway\n");
        say(&mut second, "aye, berth 1\n").await;
    };
    let (taken, ()) = tokio::join!(link.send(&release), station);
    assert_eq!(taken.unwrap(), Taken::Acknowledged);
    let error = link.reconnect().await.unwrap_err().to_string();
    assert_eq!(error, "the link is gone: there is no port memory");
}

#[tokio::test(start_paused = true)]
async fn a_line_that_takes_no_bytes_is_lost_and_does_not_hang() {
    let (one, _other) = duplex(8);
    let lines = Lines(VecDeque::from([one]));
    let opened = ProfileLink::open(profile(), Box::new(lines), Patience::default());
    let error = opened.await.unwrap_err().to_string();
    assert_eq!(error, "memory is open, but it took no bytes for 2 s");
}

#[tokio::test(start_paused = true)]
async fn packets_that_lcc_does_not_carry_are_known_before() {
    let (lines, [_peer]) = lines();
    let node = NodeId::local(5);
    let opened = LccLink::open(node, Box::new(lines), Patience::default());
    let mut link = opened.await.unwrap();
    // Nobody took part: that is told, and each throw is unanswered.
    let remarks = link.remarks();
    assert!(
        remarks[0].contains("no node on this LCC bus"),
        "{remarks:?}"
    );
    assert!(link.can_carry(&packet(THROW)).is_ok());
    let error = link.can_carry(&Packet::IDLE).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("LCC bus can't carry packet FF 00 FF")
    );
    let taken = link.send(&packet(THROW)).await.unwrap();
    assert_eq!(taken, Taken::Unanswered);
}

/// A flood of 500,000 frames, as in 10 s at 50,000 a second, with position reports among them.
#[tokio::test]
async fn a_flood_on_lcc_loses_no_report_and_blocks_no_command() {
    const FRAMES: usize = 500_000;
    const EVERY: usize = 100;
    let (one, mut other) = duplex(1 << 16);
    let lines = Lines(VecDeque::from([one]));
    let opened = LccLink::open(NodeId::local(6), Box::new(lines), Patience::default());
    let mut link = opened.await.unwrap();
    // derived: an event of no meaning here, and a contact made, by Event Identifiers TN 2.5.3.4.
    let noise = b":X195B4777N0203040506070809;";
    let report = b":X195B4777N0101020000FD0009;";
    let flood = async {
        let mut sink = vec![0; 4096];
        for number in 0..FRAMES / EVERY {
            let mut bytes = noise.repeat(EVERY - 1);
            bytes.extend_from_slice(report);
            other.write_all(&bytes).await.unwrap();
            if number % 50 == 0 {
                let read = other.read(&mut sink);
                // What the program says is read now and then, so that it can go on saying it.
                drop(tokio::time::timeout(Duration::from_micros(100), read).await);
            }
        }
    };
    let sweep = async {
        let mut reports = 0;
        for _ in 0..20 {
            link.send(&packet(THROW)).await.unwrap();
            link.send(&packet(RELEASE)).await.unwrap();
            link.pause(Duration::from_millis(5)).await.unwrap();
            reports += link.reports().await.unwrap().len();
        }
        (link, reports)
    };
    let ((), (mut link, mut reports)) = tokio::join!(flood, sweep);
    // The last of it is on its way; how long that takes is the machine's affair.
    for _ in 0..100 {
        link.pause(Duration::from_millis(200)).await.unwrap();
        reports += link.reports().await.unwrap().len();
        if reports >= FRAMES / EVERY {
            break;
        }
    }
    assert_eq!(reports, FRAMES / EVERY);
}

const SERIAL: Serial = Serial {
    baud: 57_600,
    data_bits: 8,
    parity: Parity::None,
    stop_bits: 1,
    flow: FlowControl::None,
    dtr: Dtr::On,
};

async fn refusal(port: &str) -> OpenError {
    match SerialOpener::new(port, SERIAL).open().await {
        Ok(_) => panic!("{port} was opened"),
        Err(error) => error,
    }
}

#[cfg(unix)]
#[tokio::test]
async fn what_is_no_port_says_what_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path().to_str().unwrap();
    for (port, says) in [
        (folder, "is not a serial port but a folder"),
        ("Cargo.toml", "is not a serial port but a file"),
        (
            "/dev/null",
            "is not a serial port but another kind of device",
        ),
        ("/dev/not-there", "there is no port /dev/not-there"),
    ] {
        let error = refusal(port).await;
        assert!(error.to_string().contains(says), "{error}");
        assert!(!error.help().is_empty());
    }
}

#[tokio::test]
async fn a_host_that_does_not_listen_says_so() {
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = free.local_addr().unwrap().port();
    drop(free);
    let host = "127.0.0.1".to_owned();
    match (TcpOpener { host, port }).open().await {
        Err(OpenError::Refused { .. }) => {}
        Err(error) => panic!("{error}"),
        Ok(_) => panic!("it was opened"),
    }
}

#[tokio::test]
async fn a_link_by_tcp_goes_the_same_way() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let host = "127.0.0.1".to_owned();
    let opened = ProfileLink::open(
        profile(),
        Box::new(TcpOpener { host, port }),
        Patience::default(),
    );
    let station = async {
        let (stream, _) = listener.accept().await.unwrap();
        let mut stream = BufReader::new(stream);
        let mut heard = String::new();
        stream.read_line(&mut heard).await.unwrap();
        stream.read_line(&mut heard).await.unwrap();
        (stream, heard)
    };
    let (link, (mut stream, heard)) = tokio::join!(opened, station);
    let mut link = link.unwrap();
    assert_eq!(heard, "good morning\ntell me what moves\n");
    let throw = packet(THROW);
    let answer = async {
        let mut heard = String::new();
        stream.read_line(&mut heard).await.unwrap();
        stream.get_mut().write_all(b"aye\n").await.unwrap();
        heard
    };
    let (taken, heard) = tokio::join!(link.send(&throw), answer);
    assert_eq!(heard, "berth 0001 heave fairway\n");
    assert_eq!(taken.unwrap(), Taken::Acknowledged);
    link.close().await.unwrap();
    let mut rest = String::new();
    stream.read_to_string(&mut rest).await.unwrap();
    assert_eq!(rest, "");
}
