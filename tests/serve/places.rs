//! Where it is served, how it comes there, and how it goes.

use std::fs;
use std::net::TcpListener;
use std::os::unix::fs::symlink;
use std::time::Duration;

use rustix::process::Signal;

use crate::support::{LONG, NODE, Served, command, folder, now, open, pause, try_open};

fn on_pty(args: &[&str]) -> Served {
    Served::lcc_with("", &[&["--pty"], args].concat())
}

#[test]
fn a_pty_is_like_a_serial_port() {
    let mut served = on_pty(&["--pty-link", "layout"]);
    let link = served.path("layout");
    let target = fs::read_link(&link).unwrap();
    assert_eq!(target.to_str(), served.line["pty"].as_str());
    let mut client = open(&link);
    let alias = client.alias();
    client.send(":X195B4123N0101020000FF0008;");
    client.expect(&format!(":X195B4{alias}N0101020000FD0008;"), LONG);
    // Every byte goes through as it is: raw mode, no echo, no line editing, no flow control.
    client.send_bytes(&(0..=255).collect::<Vec<u8>>());
    client.send(";:X19490123N;");
    let heard = client.until(&format!(":X19170{alias}N{NODE};"), LONG);
    assert_eq!(heard.len(), 1, "{heard:?}");
    assert!(served.end()["garbage"].as_u64().unwrap() > 0);
    assert!(client.is_ended());
    assert!(fs::symlink_metadata(&link).is_err());
}

#[test]
fn a_client_opens_a_live_node_again_and_again() {
    let mut served = on_pty(&[]);
    // Nobody is there for longer than the node needs for its alias, also on a busy machine.
    pause(Duration::from_millis(1_500));
    let mut first = None;
    for _ in 0..5 {
        let mut line = served.open();
        // Nothing left from before, and nothing begins anew.
        assert_eq!(line.listen(Duration::from_millis(150)), [""; 0]);
        let alias = line.alias();
        assert_eq!(*first.get_or_insert_with(|| alias.clone()), alias);
        // It asks, and goes without reading the answers.
        line.send(":X19970123N;:X19490123N;");
        pause(Duration::from_millis(100));
        drop(line);
        // Something moves while nobody is there to hear: not possible by this line, so only time.
        pause(Duration::from_millis(400));
    }
    // One that opens, speaks and goes in one moment is heard all the same.
    let mut line = served.open();
    line.send(":X195B4123N0101020000FF0008;");
    drop(line);
    pause(Duration::from_millis(700));
    let mut line = served.open();
    let alias = line.alias();
    line.ask_until(
        ":X19914123N0101020000FD0008;",
        &format!(":X19544{alias}N0101020000FD0008;"),
    );
    assert_eq!(served.end()["commands"], 1);
}

#[test]
fn a_client_that_does_not_read_blocks_nothing() {
    let mut served = on_pty(&[]);
    let mut line = served.open();
    let alias = line.alias();
    // Each is answered; nothing is read. What fits nowhere is dropped.
    let before = served.resident();
    let many = ":X19490123N;:X19828123N0456;".repeat(1_000);
    for _ in 0..200 {
        line.send(&many);
    }
    if let (Some(before), Some(after)) = (before, served.resident()) {
        assert!(after < before + 8 * 1024, "{before} KiB, then {after} KiB");
    }
    line.listen(Duration::from_millis(500));
    line.send(":X19490123N;");
    line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    served.end();
}

#[test]
fn each_signal_ends_it_well() {
    for signal in [Signal::TERM, Signal::INT, Signal::HUP] {
        let mut served = on_pty(&["--pty-link", "layout"]);
        let link = served.path("layout");
        assert!(fs::symlink_metadata(&link).is_ok());
        served.signal(signal);
        let (status, last) = served.wait();
        assert_eq!(status.code(), Some(0), "{signal:?}");
        assert_eq!(last["event"], "served");
        assert!(fs::symlink_metadata(&link).is_err(), "{signal:?}");
    }
}

#[test]
fn the_symlink_takes_nothing_away() {
    let here = folder("");
    let file = here.path().join("layout");
    fs::write(&file, "a person's notes").unwrap();
    let args = ["--serve", "lcc", "--pty-link", "layout"];
    let output = command(here.path(), &args).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        said.contains("layout is there already and is no symlink"),
        "{said}"
    );
    assert_eq!(fs::read_to_string(&file).unwrap(), "a person's notes");
    // One that a killed run left is replaced.
    fs::remove_file(&file).unwrap();
    symlink("/dev/pts/none", &file).unwrap();
    let mut served = Served::start_in(here, &args);
    assert_eq!(
        fs::read_link(served.path("layout")).unwrap().to_str(),
        served.line["pty"].as_str()
    );
    // Another's is not removed at the end.
    let link = served.path("layout");
    fs::remove_file(&link).unwrap();
    symlink("/dev/pts/other", &link).unwrap();
    served.end();
    assert!(fs::symlink_metadata(&link).is_ok());
}

#[test]
fn the_node_id_is_drawn_once_and_kept() {
    let mut served = Served::start("", &["--serve", "lcc"]);
    let first = served.line["node_id"].as_str().unwrap().to_owned();
    // clause: Unique Identifiers S 5.12: locally allocated.
    assert!(first.starts_with("0A."), "{first}");
    served.end();
    let other = tempfile::tempdir().unwrap();
    let here = std::mem::replace(&mut served.folder, other);
    let again = Served::start_in(here, &["--serve", "lcc"]);
    assert_eq!(again.line["node_id"], *first);
}

#[test]
fn a_port_in_use_is_told() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let here = folder("");
    let args = [
        "--serve",
        "lcc",
        "--node-id",
        "0A.01.02.03.04.05",
        "--tcp",
        &address,
    ];
    let output = command(here.path(), &args).output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        said.contains(&format!("can't listen at {address}")),
        "{said}"
    );
    assert!(said.contains("another program listens there"), "{said}");
}

#[test]
fn usage() {
    let here = folder("");
    let cases: [(&[&str], &str); 7] = [
        (&["--serve", "lcc", "--tcp", "0.0.0.0:0"], "other computers"),
        (&["--serve", "lcc", "--tcp", "[::]:0"], "other computers"),
        (
            &["--serve", "lcc", "--tcp", "12021"],
            "not an address with a port",
        ),
        (&["--serve", "shouting"], "no such protocol"),
        (
            &["--serve", "lcc", "--node-id", "00.00.00.00.00.00"],
            "can't be the node id",
        ),
        (&["--serve", "profile:none.toml"], "none.toml"),
        (
            &["--serve", "lcc", "--pty", "--tcp", "127.0.0.1:0"],
            "cannot be used with",
        ),
    ];
    for (args, expected) in cases {
        let output = command(here.path(), args).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{args:?}: {said}");
        assert!(said.contains(expected), "{args:?}: {said}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn the_log_has_every_byte_both_ways() {
    let mut served = on_pty(&["--log", "wire.log"]);
    let mut line = served.open();
    let alias = line.alias();
    line.send(":X19490123N;\0");
    line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    served.end();
    let log = fs::read_to_string(served.path("wire.log")).unwrap();
    let has = |end: &str| assert!(log.lines().any(|line| line.ends_with(end)), "{log}");
    has("< 3A 58 31 39 34 39 30 31 32 33 4E 3B 00  |:X19490123N;.|");
    has(&format!("|:X19170{alias}N{NODE};.|"));
    for line in log.lines().filter(|line| !line.starts_with("# ")) {
        let (seconds, rest) = line.split_once('.').unwrap();
        assert!(seconds.len() == 4 && rest.as_bytes()[6] == b' ', "{line}");
        assert!(matches!(&rest[7..8], "<" | ">"), "{line}");
    }
}

/// A client that opened the line for itself alone and was killed. Root may open it all the same.
#[test]
fn a_line_left_locked_is_replaced() {
    let served = on_pty(&["--pty-link", "layout"]);
    let link = served.path("layout");
    let mut client = open(&link);
    client.alias();
    client.lock();
    drop(client);
    let end = now() + LONG;
    loop {
        if let Ok(mut client) = try_open(&link) {
            client.alias();
            break;
        }
        assert!(now() < end, "nobody can open it");
        pause(Duration::from_millis(20));
    }
}
