//! A station that speaks a profile's protocol.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use bytes::BytesMut;
use throwproof::profile::{Command, Decoded, Profile, ProfileCodec, Says};
use throwproof_protocol::address::{BinaryAddress, PairBit};
use throwproof_protocol::instruction::BasicAccessory;

use crate::support::{LONG, Line, Served, now};

const SHORT: Duration = Duration::from_millis(200);

fn shipped(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/profiles");
    path.join(name).to_str().unwrap().to_owned()
}

fn start(name: &str) -> Served {
    let serve = format!("profile:{}", shipped(name));
    Served::start("", &["--serve", &serve, "--tcp", "127.0.0.1:0"])
}

/// The lines are those of the profile `harbour-text.toml`.
#[test]
fn a_text_station_answers_and_reports() {
    let mut served = start("harbour-text.toml");
    assert_eq!(served.line["protocol"], "profile");
    assert_eq!(served.line["profile"], "Harbour master");
    let (mut one, mut two) = (served.connect(), served.connect());
    one.send("good morning\ntell me what moves\nall calm\n");
    for _ in 0..2 {
        one.expect("good morning to you", LONG);
    }
    // In pieces.
    one.send("berth 0001 hea");
    one.listen(SHORT / 4);
    one.send("ve sideways\n");
    one.expect("aye, berth 1", LONG);
    // The report goes to all, the answers only to who asked.
    one.expect("I see berth 1 lying sideways", LONG);
    one.send("berth 0001 belay sideways\n");
    one.expect("aye, berth 1", LONG);
    two.send("berth 0002 heave sideways\n");
    let heard = two.until("I see berth 2 lying sideways", LONG);
    let expected = [
        "I see berth 1 lying sideways",
        "aye, berth 2",
        "I see berth 2 lying sideways",
    ];
    assert_eq!(heard, expected);
    one.expect("I see berth 2 lying sideways", LONG);
    // What it does not understand it says so; the next is understood.
    one.send("berth many heave sideways\n");
    one.expect("man overboard: not understood", LONG);
    one.send("ledger of 1 page 1 please\n");
    one.expect("never: no decoder answers", LONG);
    assert_eq!(two.listen(SHORT), [""; 0]);
    let last = served.end();
    assert_eq!(last["commands"], 3);
    assert_eq!(last["garbage"], 1);
}

#[test]
fn without_power_nothing_is_thrown() {
    let served = start("harbour-text.toml");
    let mut line = served.connect();
    line.send("douse the lamps\nberth 0001 heave sideways\n");
    line.expect("never: the power is off", LONG);
    line.send("light the lamps\nberth 0001 heave sideways\n");
    line.expect("aye, berth 1", LONG);
    line.expect("I see berth 1 lying sideways", LONG);
}

/// Takes what comes until a reply that is wanted.
fn reply(line: &mut Line, codec: &mut ProfileCodec, buffer: &mut BytesMut) -> Says {
    let end = now() + LONG;
    while now() < end {
        if let Some(decoded) = codec.decode(buffer) {
            match decoded {
                Decoded::Reply(reply, _) => return reply.says,
                Decoded::Dropped(dropped) => panic!("{dropped:?}"),
            }
        }
        buffer.extend_from_slice(&line.read(SHORT));
    }
    panic!("no reply");
}

#[test]
fn a_binary_station_answers_and_reports() {
    let mut served = start("harbour-binary.toml");
    let profile = Arc::new(Profile::load(Path::new(&shipped("harbour-binary.toml"))).unwrap());
    let mut codec = ProfileCodec::new(Arc::clone(&profile));
    let mut buffer = BytesMut::new();
    let mut line = served.connect();
    let send = |line: &mut Line, command: Command| {
        let outgoing = profile.encode(&command).unwrap().unwrap();
        line.send_bytes(&outgoing.bytes);
    };
    // Keyed 1 is binary 4; bit R 0 is diverging.
    let address = BinaryAddress::new(4).unwrap();
    let throw = BasicAccessory::new(address, PairBit::Zero, true);
    send(&mut line, throw.into());
    assert_eq!(reply(&mut line, &mut codec, &mut buffer), Says::Done);
    // A frame with a bit turned over, then the release: the latter is understood.
    let mut bad = profile
        .encode(&throw.into())
        .unwrap()
        .unwrap()
        .bytes
        .to_vec();
    bad[2] ^= 0x10;
    line.send_bytes(&bad);
    send(&mut line, throw.released().into());
    let pair_bit = PairBit::Zero;
    let mut said = [0, 1].map(|_| reply(&mut line, &mut codec, &mut buffer));
    said.sort_by_key(|says| matches!(says, Says::Done));
    assert_eq!(said, [Says::Position { address, pair_bit }, Says::Done]);
    send(&mut line, Command::Power(false));
    assert_eq!(
        reply(&mut line, &mut codec, &mut buffer),
        Says::Power(false)
    );
    assert_eq!(served.end()["garbage"], 1);
}
