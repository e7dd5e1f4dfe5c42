//! Profiles: the two that ship, from both sides of the wire, and framings of every shape.

use std::path::Path;
use std::sync::{Arc, LazyLock};

use bytes::BytesMut;
use proptest::prelude::*;
use throwproof::profile::{
    Answers, CannotSend, Command, CvReach, Decoded, Dropped, Heard, MessageKind, Profile,
    ProfileCodec, Reply, Request, Says, StationCodec, Why,
};
use throwproof_protocol::address::{BinaryAddress, KeyedAddress, Numbering, PairBit, Position};
use throwproof_protocol::cv::{CvNumber, CvOperation};
use throwproof_protocol::instruction::{
    AccessoryCv, BasicAccessory, CvTarget, ExtendedAccessory, LegacyCv,
};
use throwproof_protocol::packet::Packet;

const SHIPPED: [&str; 2] = ["harbour-text.toml", "harbour-binary.toml"];

fn shipped(name: &str) -> Arc<Profile> {
    static READ: LazyLock<[Arc<Profile>; 2]> = LazyLock::new(|| {
        let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/profiles");
        SHIPPED.map(|name| {
            let profile = Profile::load(&directory.join(name));
            Arc::new(profile.expect("the shipped profile is sound"))
        })
    });
    let which = usize::from(name == SHIPPED[1]);
    Arc::clone(&READ[which])
}

fn from_text(text: &str) -> Arc<Profile> {
    Arc::new(Profile::from_text("test.toml", text).expect("the profile is sound"))
}

fn station(profile: &Arc<Profile>) -> StationCodec {
    StationCodec::new(Arc::clone(profile)).expect("the profile can be served")
}

fn linear(keyed: u16) -> BinaryAddress {
    let keyed = KeyedAddress::new(keyed).expect("1 to 2048");
    keyed.binary(Numbering::Linear)
}

fn throw(keyed: u16, position: Position, activate: bool) -> Command {
    BasicAccessory::new(linear(keyed), position.pair_bit(), activate).into()
}

fn wire(profile: &Profile, command: &Command) -> Vec<u8> {
    let outgoing = profile.encode(command).expect("the profile can send it");
    outgoing.expect("there is something to send").bytes.to_vec()
}

/// Everything that a station hears in some bytes.
fn heard(station: &mut StationCodec, bytes: &[u8]) -> Vec<Heard> {
    let mut buffer = BytesMut::from(bytes);
    let heard = std::iter::from_fn(|| station.decode(&mut buffer)).collect();
    // A byte that ends frames and starts them too may begin the next.
    assert!(buffer.len() <= 1, "nothing is left over");
    heard
}

fn requests(station: &mut StationCodec, bytes: &[u8]) -> Vec<Request> {
    let heard = heard(station, bytes).into_iter();
    heard
        .map(|heard| match heard {
            Heard::Request(request, _) => request,
            Heard::Dropped(dropped) => unreachable!("dropped {dropped:?}"),
        })
        .collect()
}

/// Everything that comes out of some chunks of bytes.
fn decoded(codec: &mut ProfileCodec, chunks: &[&[u8]]) -> (Vec<Reply>, Vec<Dropped>) {
    let mut buffer = BytesMut::new();
    let (mut replies, mut drops) = (Vec::new(), Vec::new());
    for chunk in chunks {
        buffer.extend_from_slice(chunk);
        while let Some(decoded) = codec.decode(&mut buffer) {
            match decoded {
                Decoded::Reply(reply, _) => replies.push(reply),
                Decoded::Dropped(dropped) => drops.push(dropped),
            }
        }
    }
    (replies, drops)
}

/// The CRC of the shipped binary profile, bit by bit: x^16 + x^15 + x^14 + x^11 + x^6 + x^5 + x^2
/// + x + 1, register FFFF (CRC-16/CDMA2000 in Cook's catalogue).
fn crc_by_hand(bytes: &[u8]) -> u16 {
    let mut register = 0xffff_u16;
    for byte in bytes {
        register ^= u16::from(*byte) << 8;
        for _ in 0..8 {
            let carry = register & 0x8000 != 0;
            register <<= 1;
            if carry {
                register ^= 0xc867;
            }
        }
    }
    register
}

/// A frame of the shipped binary profile, by hand.
fn frame_by_hand(body: &[u8]) -> Vec<u8> {
    let mut inside = body.to_vec();
    inside.extend(crc_by_hand(body).to_le_bytes());
    let mut frame = vec![0x6d];
    for byte in inside {
        if matches!(byte, 0x6d | 0xb2 | 0x4b) {
            frame.extend([0x4b, byte ^ 0x81]);
        } else {
            frame.push(byte);
        }
    }
    frame.push(0xb2);
    frame
}

#[test]
fn the_text_profile_sends_what_its_file_says() {
    let profile = shipped(SHIPPED[0]);
    let text = |command: &Command| String::from_utf8(wire(&profile, command)).unwrap();
    let activate = throw(37, Position::Diverging, true);
    assert_eq!(text(&activate), "berth 0037 heave sideways\n");
    let release = throw(2048, Position::Straight, false);
    assert_eq!(text(&release), "berth 2048 belay fairway\n");
    let aspect = ExtendedAccessory::new(linear(60), 17).into();
    assert_eq!(text(&aspect), "mast 60 fly pennant 17\n");
    // clause: S-9.2 (July 2004), section B: idle is FF 00 FF.
    assert_eq!(
        text(&Command::Packet(Packet::IDLE)),
        "bottle holds ff+00+ff\n"
    );
    let cv = CvNumber::new(29).unwrap();
    let access = AccessoryCv {
        target: CvTarget::Decoder(linear(1).decoder()),
        cv,
        operation: CvOperation::WriteByte(128),
    };
    let write = Command::Packet(access.emit());
    assert_eq!(text(&write), "ledger of 1 page 29 becomes 128\n");
    assert_eq!(text(&Command::Power(false)), "douse the lamps\n");
    let starts: Vec<_> = profile
        .start()
        .into_iter()
        .map(|start| start.bytes)
        .collect();
    assert_eq!(starts, ["good morning\n", "tell me what moves\n"]);
    assert_eq!(profile.keepalive().unwrap().bytes, "all calm\n");
}

#[test]
fn the_binary_profile_sends_what_its_file_says() {
    let profile = shipped(SHIPPED[1]);
    // derived: keyed 37 is binary 40, decoder 10, pair 0; nine bits 000001010, then 00, R = 0,
    // activate 1, 101.
    let activate = throw(37, Position::Diverging, true);
    let expected = frame_by_hand(&[0x1c, 0b0000_0101, 0b0000_1101]);
    assert_eq!(wire(&profile, &activate), expected);
    let release = throw(37, Position::Diverging, false);
    let expected = frame_by_hand(&[0x1c, 0b0000_0101, 0b0000_0101]);
    assert_eq!(wire(&profile, &release), expected);
    // derived: binary 2047 ^ 682 = 1365 = 0x555, the low byte first; 255 - 3 = 252.
    let aspect = ExtendedAccessory::new(BinaryAddress::MAX, 3).into();
    assert_eq!(
        wire(&profile, &aspect),
        frame_by_hand(&[0x2f, 0x55, 0x05, 0xfc])
    );
    let idle = wire(&profile, &Command::Packet(Packet::IDLE));
    assert_eq!(idle, frame_by_hand(&[0x3e, 2, 0xff, 0x00]));
    // Every byte that means something to the framing: 6D, 4B and B2 as a packet's body.
    let packet = Packet::from_body(&[0x6d, 0x4b, 0xb2]).unwrap();
    let bytes = wire(&profile, &Command::Packet(packet));
    assert_eq!(bytes, frame_by_hand(&[0x3e, 3, 0x6d, 0x4b, 0xb2]));
    let end = bytes.iter().position(|byte| *byte == 0xb2);
    assert_eq!(end, Some(bytes.len() - 1), "the end byte is nowhere else");
}

#[test]
fn the_station_understands_every_throw_release_and_aspect() {
    for name in SHIPPED {
        let profile = shipped(name);
        let mut station = station(&profile);
        for address in BinaryAddress::all() {
            let mut commands: Vec<Command> = Vec::new();
            for side in PairBit::ALL {
                for activate in [true, false] {
                    commands.push(BasicAccessory::new(address, side, activate).into());
                }
            }
            let all = address.get() % 97 == 0;
            for data in (0..=255).filter(|data| all || [0, 1, 77, 255].contains(data)) {
                commands.push(ExtendedAccessory::new(address, data).into());
            }
            for command in commands {
                let bytes = wire(&profile, &command);
                let found = requests(&mut station, &bytes);
                assert_eq!(found, [Request::Command(command)], "{name}: {command}");
            }
        }
    }
}

#[test]
fn the_station_understands_cv_access_power_starts_and_packets() {
    for name in SHIPPED {
        let profile = shipped(name);
        let mut station = station(&profile);
        let mut commands = vec![Command::Power(true), Command::Power(false)];
        for cv in CvNumber::all() {
            let value = u8::try_from(cv.get() % 256).unwrap();
            commands.push(Command::ServiceWrite { cv, value });
            commands.push(Command::ServiceRead { cv });
            let address = BinaryAddress::new(cv.get() * 2 - 2).unwrap();
            let pair = CvTarget::pair(address);
            let whole = CvTarget::Decoder(address.decoder());
            for target in [pair, whole, CvTarget::Extended(address)] {
                let operation = CvOperation::WriteByte(value);
                let access = AccessoryCv {
                    target,
                    cv,
                    operation,
                };
                commands.push(Command::Packet(access.emit()));
                let operation = CvOperation::VerifyByte(value);
                let access = AccessoryCv {
                    target,
                    cv,
                    operation,
                };
                commands.push(Command::Packet(access.emit()));
            }
            let target = if profile.reach == CvReach::Decoder {
                whole
            } else {
                pair
            };
            commands.push(Command::CvRead { target, cv });
        }
        let decoder = linear(1).decoder();
        let cv = CvNumber::MIN;
        let legacy = LegacyCv {
            decoder,
            cv,
            value: 3,
        };
        commands.extend([Packet::IDLE, Packet::RESET, legacy.emit()].map(Command::Packet));
        for command in commands {
            let bytes = wire(&profile, &command);
            let found = requests(&mut station, &bytes);
            assert_eq!(found, [Request::Command(command)], "{name}: {command}");
        }
        let starts: Vec<u8> = profile
            .start()
            .iter()
            .flat_map(|start| start.bytes.to_vec())
            .collect();
        let expected: Vec<_> = (0..profile.start().len()).map(Request::Start).collect();
        assert_eq!(requests(&mut station, &starts), expected);
        let keepalive = profile.keepalive().unwrap().bytes;
        assert_eq!(requests(&mut station, &keepalive), [Request::Keepalive]);
    }
}

#[test]
fn every_position_report_comes_back_as_it_was_said() {
    for name in SHIPPED {
        let profile = shipped(name);
        let station = station(&profile);
        let mut codec = ProfileCodec::new(Arc::clone(&profile));
        for address in BinaryAddress::all() {
            for pair_bit in PairBit::ALL {
                let says = Says::Position { address, pair_bit };
                let bytes = station.emit(&says, None).expect("it has an `emit`");
                let (replies, drops) = decoded(&mut codec, &[&bytes]);
                assert!(drops.is_empty(), "{name}: {drops:?}");
                let [reply] = &*replies else {
                    unreachable!("{name}: {replies:?}");
                };
                assert_eq!((&reply.says, reply.address), (&says, Some(address)));
                assert_eq!(reply.answers, Answers::Nothing);
            }
        }
    }
}

#[test]
fn every_other_reply_comes_back_as_it_was_said() {
    for name in SHIPPED {
        let profile = shipped(name);
        let station = station(&profile);
        let mut codec = ProfileCodec::new(Arc::clone(&profile));
        let mut said = vec![
            Says::Done,
            Says::Busy,
            Says::Power(true),
            Says::Power(false),
            Says::Nothing,
        ];
        for cv in CvNumber::all() {
            for value in [0, 1, 128, 255] {
                said.push(Says::CvValue {
                    cv: Some(cv),
                    value,
                });
            }
        }
        let said = said.into_iter().map(|says| (says.clone(), says));
        let told = |text: &str, binary: &str| match name {
            "harbour-text.toml" => text.to_owned(),
            _ => binary.to_owned(),
        };
        let reasons = [
            (
                Says::Refused("the rope broke".into()),
                Says::Refused(told("the rope broke", "no such decoder")),
            ),
            (
                Says::Fault("kelp\u{fc}\r\n".into()),
                Says::Fault(told("kelp???", "short circuit on the rails")),
            ),
        ];
        for (says, expected) in said.chain(reasons) {
            let bytes = station
                .emit(&says, Some(linear(37)))
                .expect("it has an `emit`");
            let (replies, drops) = decoded(&mut codec, &[&bytes]);
            assert!(drops.is_empty(), "{name}: {drops:?}");
            assert_eq!(replies.len(), 1);
            assert_eq!(replies[0].says, expected, "{name}");
        }
    }
}

#[test]
fn a_reply_never_tells_what_is_not_known() {
    let station = station(&shipped(SHIPPED[0]));
    // The first reply that means done wants an address, the second none.
    let done = station.emit(&Says::Done, None);
    assert_eq!(done.as_deref(), Some(&b"aye\r\n"[..]));
    let done = station.emit(&Says::Done, Some(linear(9)));
    assert_eq!(done.as_deref(), Some(&b"aye, berth 9\r\n"[..]));
    let value = Says::CvValue { cv: None, value: 1 };
    assert_eq!(station.emit(&value, None), None);
}

#[test]
fn answers_find_their_command() {
    let profile = shipped(SHIPPED[0]);
    let mut codec = ProfileCodec::new(Arc::clone(&profile));
    let (replies, _) = decoded(&mut codec, &[b"aye, berth 37\r\naye\nnever: wind\n"]);
    let (to_37, to_38) = (
        throw(37, Position::Straight, true),
        throw(38, Position::Straight, true),
    );
    let answered: Vec<_> = replies
        .iter()
        .map(|reply| (reply.is_answer_to(&to_37), reply.is_answer_to(&to_38)))
        .collect();
    assert_eq!(answered, [(true, false), (true, true), (true, true)]);
    assert!(profile.timing.is_answered(MessageKind::Throw));
    assert!(!profile.timing.is_answered(MessageKind::PowerOn));
}

#[test]
fn what_is_wrong_in_a_reply_is_dropped_with_a_reason() {
    let profile = shipped(SHIPPED[0]);
    let mut codec = ProfileCodec::new(Arc::clone(&profile));
    let long = [b"x".repeat(5000), b"\naye\n".to_vec()].concat();
    let cases: [(&[u8], Option<Why>); 8] = [
        (b"I see berth 2049 lying fairway\n", Some(Why::BadAddress)),
        (b"I see berth 0 lying fairway\n", Some(Why::BadAddress)),
        (b"I see berth 12 lying upside down\n", Some(Why::Unknown)),
        (b"page 1025 reads 3\n", Some(Why::BadNumber)),
        (b"page 29 reads 256\n", Some(Why::BadNumber)),
        (b"aye \xff\n", Some(Why::NotText)),
        (&long, Some(Why::TooLong)),
        (b"\0\0aye\r\n\r\n\n", None),
    ];
    for (bytes, why) in cases {
        let (_, drops) = decoded(&mut codec, &[bytes]);
        let found: Vec<_> = drops.iter().map(|dropped| dropped.why).collect();
        assert_eq!(found, why.into_iter().collect::<Vec<_>>());
    }
    assert_eq!(codec.counters().messages, 2, "the two ayes");
    assert_eq!(codec.counters().drops, 7);
}

#[test]
fn a_binary_frame_is_found_again_behind_whatever_goes_wrong() {
    let profile = shipped(SHIPPED[1]);
    let mut codec = ProfileCodec::new(profile);
    let done = frame_by_hand(&[0x91]);
    let mut wrong_check = done.clone();
    wrong_check[2] ^= 1;
    let cases: [(Vec<u8>, Why); 5] = [
        (vec![0, 0, 0xff], Why::NoStart),
        (wrong_check, Why::BadCheck),
        (done[..3].to_vec(), Why::CutShort),
        (frame_by_hand(&[0x91, 0x92]), Why::Unknown),
        (frame_by_hand(&[0xa4, 0, 0, 0x33]), Why::BadPosition),
    ];
    for (garbage, why) in cases {
        let bytes = [&*garbage, &*done].concat();
        let (replies, drops) = decoded(&mut codec, &[&bytes]);
        let found: Vec<_> = drops.iter().map(|dropped| dropped.why).collect();
        assert_eq!(found, [why]);
        assert_eq!(replies.len(), 1, "{why}");
        assert_eq!(replies[0].says, Says::Done);
    }
}

#[test]
fn silence_frees_what_a_lost_byte_left_behind() {
    let profile = shipped(SHIPPED[1]);
    let mut codec = ProfileCodec::new(profile);
    let done = frame_by_hand(&[0x91]);
    let mut buffer = BytesMut::from(&done[..done.len() - 1]);
    assert_eq!(codec.decode(&mut buffer), None);
    let given_up = codec.decode_after_silence(&mut buffer);
    assert!(matches!(given_up, Some(Decoded::Dropped(dropped)) if dropped.why == Why::Silence));
    while codec.decode_after_silence(&mut buffer).is_some() {}
    assert!(buffer.is_empty());
    buffer.extend_from_slice(&done);
    let reply = codec.decode_after_silence(&mut buffer);
    assert!(matches!(reply, Some(Decoded::Reply(reply, _)) if reply.says == Says::Done));
    assert_eq!(codec.decode_after_silence(&mut buffer), None);
}

#[test]
fn a_flood_without_any_message_takes_no_memory() {
    for name in SHIPPED {
        let mut codec = ProfileCodec::new(shipped(name));
        let mut buffer = BytesMut::new();
        for byte in [0x00, 0x6d, b'x', 0xb2, 0x4b] {
            for _ in 0..200 {
                buffer.extend_from_slice(&[byte; 4096]);
                while codec.decode(&mut buffer).is_some() {}
                assert!(buffer.len() <= 256, "{name}: {} bytes kept", buffer.len());
            }
            while codec.decode_after_silence(&mut buffer).is_some() {}
            assert!(buffer.is_empty());
        }
    }
}

#[test]
fn what_a_profile_cannot_send_is_known_beforehand() {
    let profile = from_text(
        r#"
[profile]
name = "Narrow"
[serial]
baud = 1200
[framing]
kind = "text"
line_end = "\n"
[positions]
straight = "fairway"
diverging = "sideways"
[send]
throw = "berth {keyed:02} heave {position}"
release = "berth {keyed:02} belay {position}"
"#,
    );
    let packet = |keyed, activate| {
        let side = Position::Straight.pair_bit();
        BasicAccessory::new(linear(keyed), side, activate).emit()
    };
    let reachable = packet(99, true);
    assert_eq!(profile.can_send(&reachable), Ok(()));
    let beyond = packet(100, true);
    let error = profile.can_send(&beyond).unwrap_err();
    assert!(
        error
            .to_string()
            .contains("comes to 100, and the place has 2 digits"),
        "{error}"
    );
    let released = packet(100, false);
    assert!(profile.can_send(&released).is_err());
    let aspect = ExtendedAccessory::new(linear(1), 1).emit();
    let error = profile.can_send(&aspect).unwrap_err();
    assert!(matches!(error, CannotSend::NoMessage { .. }));
    assert!(
        error
            .to_string()
            .contains("it would be `aspect` or `packet`"),
        "{error}"
    );
    assert_eq!(profile.throws().count(), 99);
    assert_eq!(profile.aspects().count(), 0);
    let abilities = profile.abilities();
    assert!(abilities.throws && !abilities.raw_packets && !abilities.acknowledges);
}

#[test]
fn a_station_that_releases_by_itself_is_sent_no_release_but_the_stop() {
    let text = r#"
[profile]
name = "By itself"
[serial]
baud = 1200
[framing]
kind = "text"
line_end = "\n"
[positions]
straight = "fairway"
diverging = "sideways"
[send]
throw = "berth {keyed} heave {position}"
packet = "bottle {packet:02x}"
[timing]
releases_itself = true
"#;
    let profile = from_text(text);
    let release = throw(5, Position::Straight, false);
    assert_eq!(profile.encode(&release), Ok(None));
    // clause: S-9.2.1 (2025) and RCN-213, second-hand: BF 86 39 stops all accessories. It looks
    // like a release, and must go out.
    let stop = Packet::from_body(&[0xbf, 0x86]).unwrap();
    assert_eq!(wire(&profile, &Command::Packet(stop)), b"bottle bf8639\n");
    let only_throws = text.replace("packet = \"bottle {packet:02x}\"\n", "");
    let profile = from_text(&only_throws);
    assert!(profile.can_send(&stop).is_err());
}

#[test]
fn a_release_goes_the_way_its_throw_went() {
    let profile = from_text(
        r#"
[profile]
name = "Two ways"
[serial]
baud = 1200
[framing]
kind = "text"
line_end = "\n"
[positions]
straight = "fairway"
diverging = "sideways"
[send]
throw = "berth {keyed:02} heave {position}"
release = "berth {keyed} belay {position}"
packet = "bottle {packet:02x}"
"#,
    );
    let throw_of = |keyed, activate| wire(&profile, &throw(keyed, Position::Straight, activate));
    assert_eq!(throw_of(99, true), b"berth 99 heave fairway\n");
    assert_eq!(throw_of(99, false), b"berth 99 belay fairway\n");
    assert!(throw_of(100, true).starts_with(b"bottle "));
    assert!(throw_of(100, false).starts_with(b"bottle "));
}

#[test]
fn the_profiles_in_the_chapter_are_sound() {
    let chapter = include_str!("../docs/profiles.md");
    let blocks = chapter.split("```toml\n").skip(1);
    let blocks: Vec<_> = blocks
        .filter_map(|block| block.split("```").next())
        .collect();
    assert!(!blocks.is_empty());
    for block in blocks {
        let profile = from_text(block);
        let activate = throw(37, Position::Diverging, true);
        assert_eq!(wire(&profile, &activate), b"berth 0037 heave sideways\n");
    }
    // Every name that a profile can use is in it.
    let names = MessageKind::ALL.iter().map(|kind| kind.key());
    for name in names.chain(["pair_bit", "body_length", "hexadecimal", "cv_target"]) {
        assert!(chapter.contains(&format!("`{name}`")), "{name}");
    }
}

/// A binary profile with any framing.
fn framed(framing: &str, open: bool) -> String {
    let packet = if open {
        "packet = \"C3 {packet_length} {packet}\""
    } else {
        ""
    };
    format!(
        r#"
[profile]
name = "Framing"
[serial]
baud = 9600
[framing]
kind = "binary"
{framing}
[positions]
straight = 1
diverging = 2
[send]
throw = "C1 {{keyed:2le}} {{position}}"
release = "C2 {{keyed:2le}} {{position}}"
aspect = "D5 {{binary:11bits}} 0b00000 {{aspect}}"
{packet}
[[reply]]
means = "done"
match = "A1 {{keyed:2be}}"
emit = "A1 {{keyed:2be}}"
[[reply]]
means = "position"
match = "A2 {{binary:2le}} {{position}}"
emit = "A2 {{binary:2le}} {{position}}"
"#
    )
}

prop_compose! {
    /// Any framing that says where a frame ends, and whether it may have any length.
    fn any_framing()(
        start in proptest::option::of(proptest::collection::vec(any::<u8>(), 1..3)),
        ends in 0..4_u8,
        end in any::<u8>(),
        escape in any::<u8>(),
        xor in 1..=255_u8,
        at in 0..3_usize,
        bytes in 1..=2_u8,
        counts in prop::sample::select(vec!["frame", "after", "body"]),
        plus in -3..=3_i32,
        order in prop::sample::select(vec!["big-endian", "little-endian"]),
        check in 0..5_u8,
        covers in prop::sample::select(vec!["frame", "after-start", "body"]),
    ) -> (String, bool) {
        let mut lines = vec!["longest = 64\n".to_owned()];
        let mut tables = Vec::new();
        if let Some(start) = &start {
            let start: Vec<_> = start.iter().map(|byte| format!("{byte:02X}")).collect();
            lines.push(format!("start = \"{}\"\n", start.join(" ")));
        }
        let (stuffed, has_length) = (ends & 1 == 1, ends & 2 == 2);
        if stuffed {
            lines.push(format!("end = \"{end:02X}\"\n"));
            tables.push(format!("[framing.stuffing]\nescape = \"{escape:02X}\"\nxor = {xor}\n"));
        }
        if has_length {
            let at = start.as_ref().map_or(0, Vec::len) + at;
            tables.push(format!(
                "[framing.length]\nat = {at}\nbytes = {bytes}\ncounts = \"{counts}\"\n\
                 plus = {plus}\norder = \"{order}\"\n"
            ));
        }
        let kind = match check {
            0 => "",
            1 => "kind = \"xor\"\ninit = 0x55\n",
            2 => "kind = \"sum\"\nbytes = 2\n",
            3 => "kind = \"twos-complement\"\n",
            _ => "kind = \"crc\"\nwidth = 12\npoly = 0x80F\nrefout = true\n",
        };
        if check > 0 {
            tables.push(format!(
                "[framing.check]\n{kind}covers = \"{covers}\"\norder = \"{order}\"\n"
            ));
        }
        lines.append(&mut tables);
        (lines.concat(), stuffed || has_length)
    }
}

fn some_commands(profile: &Profile, open: bool) -> Vec<Command> {
    let mut commands: Vec<Command> = Vec::new();
    for number in [0, 3, 40, 193, 255, 256, 1024, 2047] {
        let address = BinaryAddress::new(number).expect("11 bits");
        for side in PairBit::ALL {
            for activate in [true, false] {
                commands.push(BasicAccessory::new(address, side, activate).into());
            }
        }
        commands.push(ExtendedAccessory::new(address, 0xc1).into());
    }
    if open {
        commands.push(Command::Packet(Packet::IDLE));
    }
    // A length that comes out negative is told before anything is sent.
    commands.retain(|command| profile.encode(command).is_ok());
    commands
}

/// Framings that must work, should the random ones ever all be refused.
const FRAMINGS: [(&str, bool); 7] = [
    ("", false),
    ("start = \"A7\"\n[framing.check]\nkind = \"xor\"", false),
    (
        "start = \"A7 19\"\n[framing.length]\ncounts = \"after\"\n[framing.check]\n\
         kind = \"sum\"\ncovers = \"after-start\"",
        true,
    ),
    (
        "end = \"19\"\n[framing.length]\nat = 1\nbytes = 2\norder = \"little-endian\"\n\
         counts = \"frame\"\n[framing.check]\nkind = \"twos-complement\"\ncovers = \"frame\"",
        true,
    ),
    (
        "start = \"19\"\nend = \"19\"\n[framing.stuffing]\nescape = \"A7\"\nxor = 0x44",
        true,
    ),
    (
        "end = \"19\"\n[framing.stuffing]\nescape = \"A7\"\nxor = 0x44\nbytes = \"11 13\"\n\
         [framing.check]\nkind = \"none\"",
        true,
    ),
    (
        "start = \"A7\"\n[framing.length]\ncounts = \"body\"\nplus = 2\n[framing.check]\n\
         kind = \"crc\"\nwidth = 32\npoly = 0x04C11DB7\ninit = 0xFFFFFFFF\nrefin = true\n\
         refout = true\nxorout = 0xFFFFFFFF\norder = \"big-endian\"",
        true,
    ),
];

#[test]
fn these_framings_carry_every_message() {
    for (framing, open) in FRAMINGS {
        let profile = from_text(&framed(framing, open));
        let commands = some_commands(&profile, open);
        assert!(commands.len() >= 40);
        let bytes = commands.iter().flat_map(|command| wire(&profile, command));
        let found = requests(&mut station(&profile), &bytes.collect::<Vec<_>>());
        let commands: Vec<_> = commands.into_iter().map(Request::Command).collect();
        assert_eq!(found, commands, "{framing}");
    }
}

#[test]
fn a_length_a_check_and_an_end_are_where_the_profile_has_them() {
    // derived: opcode, length of the whole frame (low byte first), keyed 37, straight = 1, the
    // byte that makes the sum 0, end. C1 + 08 + 25 + 01 = EF.
    let profile = from_text(&framed(FRAMINGS[3].0, true));
    let bytes = wire(&profile, &throw(37, Position::Straight, true));
    assert_eq!(bytes, [0xc1, 8, 0, 37, 0, 1, 0x11, 0x19]);
    // derived: A7 19, what follows the length, C2 25 00 02 and the sum of 05 C2 25 00 02 = EE.
    let profile = from_text(&framed(FRAMINGS[2].0, true));
    let bytes = wire(&profile, &throw(37, Position::Diverging, false));
    assert_eq!(bytes, [0xa7, 0x19, 5, 0xc2, 37, 0, 2, 0xee]);
    // derived: keyed 25 is 0x19, which is sent as A7 5D.
    let profile = from_text(&framed(FRAMINGS[4].0, true));
    let bytes = wire(&profile, &throw(25, Position::Straight, true));
    assert_eq!(bytes, [0x19, 0xc1, 0xa7, 0x5d, 0, 1, 0x19]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_framing_carries_every_message_however_it_is_cut(
        (framing, open) in any_framing(),
        cut in 1..9_usize,
    ) {
        let text = framed(&framing, open);
        let Ok(profile) = Profile::from_text("any.toml", &text) else {
            // Some bytes can't go together: the profile says so.
            return Ok(());
        };
        let profile = Arc::new(profile);
        let mut station = StationCodec::new(Arc::clone(&profile)).expect("it can be served");
        let commands = some_commands(&profile, open);
        let bytes: Vec<u8> = commands.iter().flat_map(|command| wire(&profile, command)).collect();
        let mut buffer = BytesMut::new();
        let mut found = Vec::new();
        for chunk in bytes.chunks(cut) {
            buffer.extend_from_slice(chunk);
            while let Some(heard) = station.decode(&mut buffer) {
                match heard {
                    Heard::Request(Request::Command(command), _) => found.push(command),
                    Heard::Request(other, _) => prop_assert!(false, "{text}\n{other}"),
                    Heard::Dropped(dropped) => prop_assert!(false, "{text}\n{dropped:?}"),
                }
            }
        }
        prop_assert_eq!(found, commands, "{}", text);
        for number in [0, 3, 255, 2047] {
            let address = BinaryAddress::new(number).expect("11 bits");
            let pair_bit = PairBit::One;
            let says = Says::Position { address, pair_bit };
            if let Some(bytes) = station.emit(&says, None) {
                let mut codec = ProfileCodec::new(Arc::clone(&profile));
                let (replies, drops) = decoded(&mut codec, &bytes.chunks(cut).collect::<Vec<_>>());
                prop_assert!(drops.is_empty(), "{text}\n{drops:?}");
                prop_assert_eq!(&replies[0].says, &says);
            }
        }
    }

    /// Garbage may swallow the frame it runs into, never the one after that, once it is quiet.
    #[test]
    fn any_framing_finds_its_way_back(
        (framing, open) in any_framing(),
        garbage in proptest::collection::vec(any::<u8>(), 0..80),
    ) {
        let Ok(profile) = Profile::from_text("any.toml", &framed(&framing, open)) else {
            return Ok(());
        };
        let profile = Arc::new(profile);
        let station = StationCodec::new(Arc::clone(&profile)).expect("it can be served");
        let says = Says::Position { address: linear(37), pair_bit: PairBit::Zero };
        let Some(report) = station.emit(&says, None) else {
            return Ok(());
        };
        let mut codec = ProfileCodec::new(profile);
        let mut buffer = BytesMut::from(&*garbage);
        while codec.decode(&mut buffer).is_some() {}
        prop_assert!(buffer.len() <= 2 * 64 + 2, "{} bytes kept", buffer.len());
        while codec.decode_after_silence(&mut buffer).is_some() {}
        buffer.extend_from_slice(&report);
        let mut replies = Vec::new();
        while let Some(decoded) = codec.decode_after_silence(&mut buffer) {
            if let Decoded::Reply(reply, _) = decoded {
                replies.push(reply.says);
            }
        }
        prop_assert!(replies.contains(&says), "{replies:?}");
    }

    #[test]
    fn replies_do_not_depend_on_how_the_bytes_are_cut(
        parts in proptest::collection::vec((0..7_u8, proptest::collection::vec(any::<u8>(), 0..40)), 1..12),
        cuts in proptest::collection::vec(1..30_usize, 1..40),
        which in 0..2_usize,
    ) {
        let profile = shipped(SHIPPED[which]);
        let station = StationCodec::new(Arc::clone(&profile)).expect("it can be served");
        let mut bytes = Vec::new();
        for (kind, garbage) in &parts {
            let address = linear(37);
            let says = match kind {
                0 => Says::Done,
                1 => Says::Position { address, pair_bit: PairBit::One },
                2 => Says::Busy,
                3 => Says::Fault("mist".into()),
                _ => {
                    bytes.extend_from_slice(garbage);
                    continue;
                }
            };
            bytes.extend(station.emit(&says, Some(address)).expect("it has an `emit`"));
        }
        let mut whole = ProfileCodec::new(Arc::clone(&profile));
        let (at_once, _) = decoded(&mut whole, &[&bytes]);
        let mut chunks = Vec::new();
        let mut rest = &*bytes;
        for cut in cuts.iter().cycle() {
            if rest.is_empty() {
                break;
            }
            let (chunk, more) = rest.split_at((*cut).min(rest.len()));
            chunks.push(chunk);
            rest = more;
        }
        let mut cut = ProfileCodec::new(profile);
        let (in_parts, _) = decoded(&mut cut, &chunks);
        prop_assert_eq!(at_once, in_parts);
        prop_assert_eq!(whole.counters().messages, cut.counters().messages);
        prop_assert_eq!(whole.counters().dropped_bytes, cut.counters().dropped_bytes);
    }

    #[test]
    fn any_bytes_are_taken_without_harm(
        bytes in proptest::collection::vec(any::<u8>(), 0..600),
        which in 0..2_usize,
    ) {
        let profile = shipped(SHIPPED[which]);
        let mut codec = ProfileCodec::new(Arc::clone(&profile));
        let mut station = StationCodec::new(profile).expect("it can be served");
        let mut buffer = BytesMut::from(&*bytes);
        while codec.decode_after_silence(&mut buffer).is_some() {}
        prop_assert!(buffer.is_empty());
        let mut buffer = BytesMut::from(&*bytes);
        while station.decode_after_silence(&mut buffer).is_some() {}
        prop_assert!(buffer.is_empty());
    }

    #[test]
    fn a_spoilt_profile_is_read_or_refused(
        which in 0..2_usize,
        at in any::<prop::sample::Index>(),
        taken in 0..12_usize,
        put in "[ -~]{0,6}",
    ) {
        let text = [
            include_str!("../fixtures/profiles/harbour-text.toml"),
            include_str!("../fixtures/profiles/harbour-binary.toml"),
        ][which];
        let at = at.index(text.len());
        let end = (at + taken).min(text.len());
        let spoilt = [&text[..at], &*put, &text[end..]].concat();
        match Profile::from_text("spoilt.toml", &spoilt) {
            Ok(profile) => {
                let explanation = throwproof::profile::Explanation::of(&profile);
                prop_assert!(!throwproof::view::profile::text(&explanation, false).is_empty());
            }
            Err(problems) => {
                prop_assert!(!problems.list.is_empty());
                for problem in &problems.list {
                    prop_assert!(problem.at.start <= spoilt.len());
                    prop_assert!(problem.at.start <= problem.at.end);
                    prop_assert!(!problem.fault.mend().is_empty());
                }
                prop_assert!(!throwproof::view::problems::render(&problems, false).is_empty());
            }
        }
    }
}
