//! The node and the hub.

use std::time::Duration;

use rustix::process::Signal;

use crate::support::{LONG, NODE, Served, came_in_time, now, pause};

const SHORT: Duration = Duration::from_millis(200);

#[test]
fn a_client_reserves_an_alias_and_asks() {
    let mut served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    // clause: CFT S 6.2.1; the frames are those of CFT TN 2.6.2.1, node id 12.34.56.78.9A.BC,
    // alias FED. Nobody objects.
    line.send(":X17123FEDN;:X16456FEDN;:X15789FEDN;:X14ABCFEDN;");
    assert_eq!(line.listen(SHORT), [""; 0]);
    line.send(":X10700FEDN;:X10701FEDN123456789ABC;:X19100FEDN123456789ABC;");

    // clause: MN S 3.4.2: verify node id, global and addressed.
    line.send(":X19490FEDN;");
    line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    line.send(&format!(":X19490FEDN{NODE};"));
    line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    line.send(&format!(":X19488FEDN0{alias};"));
    line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    // Another's id is not answered.
    line.send(":X19490FEDN123456789ABC;");
    assert_eq!(line.listen(SHORT), [""; 0]);

    // clause: MN S 3.3.7: protocol support; 04 events, 10 in the second byte node information.
    line.send(&format!(":X19828FEDN0{alias};"));
    line.expect(&format!(":X19668{alias}N0FED0410"), LONG);

    // clause: MN S 3.5.1: an unknown addressed message is rejected.
    line.send(&format!(":X19238FEDN0{alias};"));
    let rejected = line.expect(&format!(":X19068{alias}N0FED"), LONG);
    assert!(rejected.ends_with("0238;"), "{rejected}");

    // clause: CFT S 6.2.5: somebody checks the node's alias: it is reserved.
    line.send(&format!(":X17123{alias}N;"));
    line.expect(&format!(":X10700{alias}N;"), LONG);

    let last = served.end();
    assert_eq!(last["event"], "served");
    assert_eq!(last["clients"], 1);
    // clause: CFT S 6.2.4: it leaves in good order.
    line.expect(&format!(":X10703{alias}N{NODE};"), LONG);
}

#[test]
fn replies_come_in_time() {
    let served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    let mut replies = Vec::new();
    for _ in 0..21 {
        let began = now();
        line.send(":X19490123N;");
        line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
        replies.push(began.elapsed());
    }
    came_in_time(&mut replies);
}

#[test]
fn it_describes_itself() {
    let served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    line.send(&format!(":X19DE8123N0{alias};"));
    let mut payload = Vec::new();
    loop {
        let frame = line.expect(&format!(":X19A08{alias}N"), LONG);
        let data = &frame[11..frame.len() - 1];
        assert_eq!(&data[1..4], "123");
        for at in (4..data.len()).step_by(2) {
            payload.push(u8::from_str_radix(&data[at..at + 2], 16).unwrap());
        }
        // clause: MN S 7.3.3: 00 only, 01 first, 11 middle, 10 last.
        if matches!(&data[..1], "0" | "2") {
            break;
        }
    }
    // clause: SNI S 5.1: 04, four texts, 02, two texts, each ended by NUL.
    let version = env!("CARGO_PKG_VERSION");
    let expected = format!(
        "\u{4}throwproof\0simulated track\0none\0{version}\0\u{2}Simulated track\0Test quay\0"
    );
    assert_eq!(String::from_utf8(payload).unwrap(), expected);
}

#[test]
fn it_says_what_it_produces_and_consumes() {
    let served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    // clause: ET S 6.2: identify events, all.
    line.send(":X19970123N;");
    let mut said = Vec::new();
    let end = now() + LONG;
    let mut has = |frame: String| {
        while !said.contains(&frame) {
            assert!(now() < end, "no {frame} in {said:?}");
            said.extend(line.listen(SHORT));
        }
    };
    // clause: EI S 5.3, derived: all 4096 basic commands, activate and deactivate, as ranges.
    has(format!(":X194A4{alias}N0101020000FF0FFF;"));
    has(format!(":X194A4{alias}N0101020000FE0FFF;"));
    has(format!(":X194A4{alias}N010102000107FFFF;"));
    // Binary 4 to 11 are halves 8 to 23. A range is told by its low run of equal bits (ET S 4.3):
    // 8 is 01 000, 8 to 15; 17 hex is 10 111, 16 to 23.
    for event in ["FD0008", "FC0008", "FD0017", "FC0017"] {
        has(format!(":X19524{alias}N0101020000{event};"));
    }
    // Keyed 1 lies straight: bit R is 1 for straight, half 9.
    has(format!(":X19544{alias}N0101020000FD0009;"));
    has(format!(":X19544{alias}N0101020000FC0008;"));
    // clause: ET S 6.3: one event.
    line.send(":X19914123N0101020000FD0008;");
    line.expect(&format!(":X19545{alias}N0101020000FD0008;"), LONG);
    // A turnout that is none is not answered.
    line.send(":X19914123N0101020000FD0100;");
    assert_eq!(line.listen(SHORT), [""; 0]);
}

/// clause: EI TN 2.5.3.3: keyed 1 reverse is 000000001000, normal 000000001001.
#[test]
fn a_command_throws_a_turnout_and_the_contact_says_so() {
    let mut served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    let began = now();
    line.send(":X195B4123N0101020000FF0008;");
    line.expect(&format!(":X195B4{alias}N0101020000FC0009;"), LONG);
    line.expect(&format!(":X195B4{alias}N0101020000FD0008;"), LONG);
    // The packet alone takes 5 ms. How much more depends on what else the machine has to do.
    let took = began.elapsed();
    assert!(took > Duration::from_millis(5), "{took:?}");
    line.send(":X195B4123N0101020000FE0008;");
    pause(SHORT);
    // The same again moves nothing.
    line.send(":X195B4123N0101020000FF0008;:X195B4123N0101020000FE0008;");
    assert_eq!(line.listen(Duration::from_millis(500)), [""; 0]);
    // And back; nobody asked for the release, which the decoder does by itself.
    line.send(":X195B4123N0101020000FF0009;");
    line.expect(&format!(":X195B4{alias}N0101020000FD0009;"), LONG);
    // The state is known now.
    line.send(":X19914123N0101020000FC0008;");
    line.expect(&format!(":X19544{alias}N0101020000FC0008;"), LONG);
    let last = served.end();
    assert_eq!(last["contacts"], 4);
    assert_eq!(last["commands"], 5);
}

#[test]
fn clients_hear_each_other_and_never_themselves() {
    let served = Served::lcc("");
    let (mut one, mut two, mut three) = (served.connect(), served.connect(), served.connect());
    let alias = one.alias();
    for line in [&mut one, &mut two, &mut three] {
        line.listen(SHORT);
    }
    // All kinds of frame: to another node, 11 bits, remote.
    let frames = [
        ":X19488123N0456;",
        ":X1A456123N20A1EF;",
        ":S7FFN0102;",
        ":X10702FFFR;",
    ];
    one.send(&frames.concat());
    assert_eq!(two.until(":X10702", LONG), frames);
    assert_eq!(three.until(":X10702", LONG), frames);
    assert_eq!(one.listen(SHORT), [""; 0]);
    // What the node says, all hear.
    two.send(":X19490456N;");
    for line in [&mut one, &mut two, &mut three] {
        line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    }
}

#[test]
fn a_client_goes_and_comes_back_and_the_node_stays() {
    let mut served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    // In the middle of a frame.
    line.send(":X19490");
    drop(line);
    let mut line = served.connect();
    // Nothing begins anew because somebody came.
    assert_eq!(line.listen(Duration::from_millis(500)), [""; 0]);
    line.send("123N;:X19490123N;");
    line.expect(&format!(":X19170{alias}N{NODE};"), LONG);
    assert_eq!(line.alias(), alias);
    assert_eq!(served.end()["clients"], 2);
}

/// clause: CFT S 6.2.1: four check frames, 200 ms, reserve, map definition; MN S 3.4.1: then
/// initialization complete.
#[test]
fn it_starts_anew_when_told_to() {
    let served = Served::lcc("");
    let mut line = served.connect();
    line.alias();
    // Before the first of them, as the last may be read late.
    let began = now();
    served.signal(Signal::USR1);
    line.expect(":X17", LONG);
    let checked = line.until(":X14", LONG);
    assert_eq!(checked.len(), 3);
    let alias = checked[2][7..10].to_owned();
    // The id is 0A.01.02.03.04.05.
    assert_eq!(checked[0], format!(":X16102{alias}N;"));
    assert_eq!(checked[1], format!(":X15030{alias}N;"));
    assert_eq!(checked[2], format!(":X14405{alias}N;"));
    let reserved = line.until(&format!(":X10701{alias}N{NODE};"), LONG);
    assert!(began.elapsed() >= SHORT);
    assert_eq!(reserved[0], format!(":X10700{alias}N;"));
    assert_eq!(line.expect(":X19", LONG), format!(":X19100{alias}N{NODE};"));
}

#[test]
fn an_alias_that_another_uses_is_given_up() {
    let served = Served::lcc("");
    let mut line = served.connect();
    let alias = line.alias();
    // clause: CFT S 6.2.5: not a check frame: the alias is released, and another is reserved.
    line.send(&format!(":X19490{alias}N;"));
    line.expect(&format!(":X10703{alias}N{NODE};"), LONG);
    assert_ne!(line.alias(), alias);
}

/// clause: EI S 5.1: FF FF emergency off, FF FE cleared, FF FD emergency stop, FF FC cleared.
#[test]
fn in_an_emergency_nothing_moves() {
    for (begins, ends) in [("FFFF", "FFFE"), ("FFFD", "FFFC")] {
        let served = Served::lcc("");
        let mut line = served.connect();
        let alias = line.alias();
        line.send(&format!(":X195B4123N010000000000{begins};"));
        line.send(":X195B4123N0101020000FF0008;");
        assert_eq!(line.listen(Duration::from_millis(700)), [""; 0]);
        line.send(&format!(":X195B4123N010000000000{ends};"));
        // What came meanwhile is not done later.
        assert_eq!(line.listen(Duration::from_millis(500)), [""; 0]);
        line.send(":X195B4123N0101020000FF0008;");
        line.expect(&format!(":X195B4{alias}N0101020000FD0008;"), LONG);
    }
}

#[test]
fn fast_pace_does_not_wait() {
    let args = ["--tcp", "127.0.0.1:0", "--pace", "fast"];
    let served = Served::lcc_with("", &args);
    let mut line = served.connect();
    let alias = line.alias();
    let mut times = Vec::new();
    for (half, other) in [(8, 9), (9, 8)].repeat(20) {
        let began = now();
        line.send(&format!(":X195B4123N0101020000FF{half:04X};"));
        line.expect(&format!(":X195B4{alias}N0101020000FC{other:04X};"), LONG);
        line.expect(&format!(":X195B4{alias}N0101020000FD{half:04X};"), LONG);
        line.send(&format!(":X195B4123N0101020000FE{half:04X};"));
        times.push(began.elapsed());
    }
    came_in_time(&mut times);
}
