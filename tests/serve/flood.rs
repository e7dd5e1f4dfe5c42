//! Garbage and floods: it answers, and memory stays what it was.

use std::io::Write as _;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use crate::support::{LONG, NODE, Served, came_in_time, now, pause};

/// More memory than that is a leak, KiB: two full buffers for each of three clients.
const GROWTH: u64 = 8 * 1024;

/// Frames a second in a flood.
const RATE: u64 = 50_000;

#[test]
fn garbage_is_passed_over() {
    let seed = 7;
    println!("seed {seed}");
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    let before = served.resident();
    for round in 0..50 {
        let mut bytes = vec![0; 20_000];
        match round % 4 {
            0 => random.fill(&mut bytes[..]),
            1 => bytes.fill(0),
            2 => bytes.fill(b':'),
            // What frames are made of, in any order.
            _ => bytes.fill_with(|| b":XSNR;0123456789ABCDEF\r\n"[random.random_range(0..24)]),
        }
        line.send_bytes(&bytes);
        line.send(";:X19490123N;");
        line.listen(Duration::from_millis(1));
    }
    // Among the garbage may have been frames that cost the alias.
    line.listen(Duration::from_secs(1));
    line.send(";:X19490123N;");
    let answer = line.expect(":X19170", LONG);
    assert!(
        answer.ends_with(&format!("N{NODE};")),
        "{answer}, before {alias}"
    );
    if let (Some(before), Some(after)) = (before, served.resident()) {
        assert!(after < before + GROWTH, "{before} KiB, then {after} KiB");
    }
    assert!(served.end()["garbage"].as_u64().unwrap() > 50);
}

/// One client floods, one never reads, one works: it is answered in time, and no report is lost.
#[test]
fn a_flood_holds_up_nobody() {
    let mut served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    let deaf = served.connect();
    let flooding = served.connect();
    let before = served.resident();
    let is_over = AtomicBool::new(false);
    let sent = AtomicU64::new(0);
    let mut throws = 0;
    let mut replies = Vec::new();
    std::thread::scope(|scope| {
        scope.spawn(|| flood(flooding.second(), &is_over, &sent));
        let began = now();
        while began.elapsed() < Duration::from_secs(4) || throws < 5 {
            let (half, other) = if throws % 2 == 0 { (8, 9) } else { (9, 8) };
            let asked = now();
            line.send(":X19490123N;");
            line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
            replies.push(asked.elapsed());
            line.send(&format!(":X195B4123N0101020000FF{half:04X};"));
            line.expect(&format!(":X195B4{alias}N0101020000FC{other:04X};"), LONG);
            line.expect(&format!(":X195B4{alias}N0101020000FD{half:04X};"), LONG);
            line.send(&format!(":X195B4123N0101020000FE{half:04X};"));
            throws += 1;
        }
        is_over.store(true, Ordering::Relaxed);
    });
    came_in_time(&mut replies);
    let sent = sent.into_inner();
    println!("{sent} frames of the flood, {throws} throws");
    if let (Some(before), Some(after)) = (before, served.resident()) {
        println!("{before} KiB, then {after} KiB");
        assert!(after < before + GROWTH, "{before} KiB, then {after} KiB");
    }
    drop((deaf, flooding));
    let last = served.end();
    assert_eq!(last["contacts"], 2 * throws);
    assert!(last["unread"].as_u64().unwrap() > 0);
}

/// Sends frames that concern nobody, and some that do, at [`RATE`].
fn flood(mut to: std::net::TcpStream, is_over: &AtomicBool, sent: &AtomicU64) {
    let portion: String = (0..500)
        .map(|index| match index % 50 {
            // Commands too, to an address without a decoder.
            0 => ":X195B4456N0101020000FF0F00;".to_owned(),
            1 => ":X19490456N112233445566;".to_owned(),
            _ => format!(
                ":X195B4456N05010101010{index:03X};",
                index = index * 4 + 4096 / 8
            ),
        })
        .collect();
    let began = now();
    let mut count = 0;
    while !is_over.load(Ordering::Relaxed) {
        if to.write_all(portion.as_bytes()).is_err() {
            break;
        }
        count += 500;
        sent.store(count, Ordering::Relaxed);
        let due = Duration::from_micros(count * 1_000_000 / RATE);
        pause(due.saturating_sub(began.elapsed()));
    }
}

/// Commands faster than the rails carry them: the last one to each turnout holds, and soon.
#[test]
fn a_flood_of_commands_ends_where_the_last_ones_say() {
    let served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    let throw =
        |half| format!(":X195B4123N0101020000FF{half:04X};:X195B4123N0101020000FE{half:04X};");
    for _ in 0..500 {
        line.send(&(8..24).map(throw).collect::<String>());
        line.listen(Duration::ZERO);
    }
    // All lay straight, half 9 and so on; now all shall lie diverging.
    line.send(&(8..24).step_by(2).map(throw).collect::<String>());
    line.listen(Duration::from_secs(3));
    for half in (8..24).step_by(2) {
        line.ask_until(
            &format!(":X19914123N0101020000FD{half:04X};"),
            &format!(":X19544{alias}N0101020000FD{half:04X};"),
        );
    }
}
