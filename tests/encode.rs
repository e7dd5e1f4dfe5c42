//! `encode` and `decode`, against published packets.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use assert_cmd::Command;
use serde_json::Value;

fn run(arguments: &str) -> (i32, String, String) {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    let output = command.args(arguments.split(' ')).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

fn packets(arguments: &str) -> Vec<Value> {
    let (code, out, err) = run(&format!("{arguments} --format json"));
    assert_eq!(code, 0, "{arguments}: {err}");
    out.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn each_packet_is_as_published_or_derived() {
    for (arguments, packet, kind) in [
        // clause: S-9.2.1 (January 2025), table, second-hand; check bytes and D derived.
        ("encode turnout 1 straight", "81 F9 78", "basic"),
        ("encode turnout 1 diverging", "81 F8 79", "basic"),
        ("encode turnout 1 straight --release", "81 F1 70", "basic"),
        ("encode turnout 252 straight", "BF FF 40", "basic"),
        ("encode turnout 253 straight", "80 E9 69", "basic"),
        (
            "encode turnout 253 straight --numbering non-linear",
            "80 F9 79",
            "basic",
        ),
        ("encode turnout 2045 straight", "80 F9 79", "basic"),
        // derived: the user's address less one.
        (
            "encode turnout 1 straight --numbering from-zero",
            "80 F9 79",
            "basic",
        ),
        // clause: S-9.2.1 (July 2012), section D; RCN-211, second-hand.
        (
            "encode turnout 2044 straight",
            "BF 8F 30",
            "basic-broadcast",
        ),
        (
            "encode turnout 2044 diverging --release",
            "BF 86 39",
            "emergency-stop",
        ),
        ("encode stop", "BF 86 39", "emergency-stop"),
        ("encode stop --extended", "BF 07 00 B8", "emergency-stop"),
        // derived from S-9.2.1 (July 2012), section D.
        ("encode aspect 1 5", "81 71 05 F5", "extended"),
        ("encode aspect 2045 5", "80 71 05 F4", "extended"),
        (
            "encode cv write 1 29 128 --target decoder",
            "81 F0 EC 1C 80 01",
            "cv",
        ),
        ("encode cv write 1 1 5", "81 F8 EC 00 05 90", "cv"),
        ("encode cv write 3 1 5", "81 FC EC 00 05 94", "cv"),
        (
            "encode cv write 1 1 5 --target extended",
            "81 71 EC 00 05 19",
            "cv",
        ),
        (
            "encode cv verify 1 1 5 --target extended",
            "81 71 E4 00 05 11",
            "cv",
        ),
        (
            "encode cv bit 1 29 3 1 --target extended",
            "81 71 E8 1C FB FF",
            "cv",
        ),
        // clause: S-9.2.1 (January 2025) 2.4.6, second-hand; derived.
        ("encode nop 1", "81 78 F9", "nop"),
        ("encode nop 1 --extended", "81 79 F8", "nop"),
        // clause: S-9.2 (July 2004), section B.
        ("encode idle", "FF 00 FF", "idle"),
        ("encode reset", "00 00 00", "reset"),
    ] {
        let lines = packets(arguments);
        assert_eq!(lines.len(), 1, "{arguments}");
        assert_eq!(lines[0]["packet"], packet, "{arguments}");
        assert_eq!(lines[0]["kind"], kind, "{arguments}");
        let back = packets(&format!("decode {packet}"));
        assert_eq!(back[0]["meaning"], lines[0]["meaning"], "{packet}");
    }
}

#[test]
fn the_fields_of_the_contract_are_there() {
    let line = &packets("encode turnout 1 straight")[0];
    assert_eq!(line["event"], "packet");
    assert_eq!(line["address"], 1);
    assert_eq!(line["binary_address"], 4);
    assert_eq!(line["output"], 1);
    assert_eq!(line["activate"], true);
    assert_eq!(line["position"], "straight");
    assert_eq!(packets("encode turnout 1 diverging")[0]["output"], 0);
    // derived from S-9.1 (March 2020), table 1, and S-9.2 (July 2004), section A.
    assert_eq!(line["bits"], "111111111111110100000010111110010011110001");
    assert_eq!(
        (&line["bit_count"], &line["duration_us"]),
        (&42.into(), &6132.into())
    );
    let longer = &packets("encode turnout 1 straight --preamble 17")[0];
    assert_eq!(
        (&longer["bit_count"], &longer["duration_us"]),
        (&45.into(), &6480.into())
    );
}

#[test]
fn the_text_shows_bytes_bits_and_what_they_mean() {
    let (code, out, _) = run("encode turnout 1 straight");
    assert_eq!(code, 0);
    for part in [
        "81 F9 78\n",
        "binary address 4: activate straight",
        "keyed address 1 in linear numbering",
        "byte 2  F9  11111001",
        "address bits A10 to A8, sent inverted: 000",
        "11111111111111 0 10000001 0 11111001 0 01111000 1\n",
        "6.132 ms",
        "S-9.2.1 (July 2012), section D",
    ] {
        assert!(out.contains(part), "{part:?} in {out}");
    }
}

#[test]
fn service_mode_is_a_whole_sequence() {
    // clause: S-9.2.3 (July 2012), section E: counts, preamble, where to listen.
    let steps = |arguments: &str| -> Vec<_> {
        let step = |line: &Value| {
            (
                line["count"].as_u64().unwrap(),
                line["packet"].as_str().unwrap().to_owned(),
            )
        };
        packets(arguments).iter().map(step).collect()
    };
    let step = |count: u64, packet: &str| (count, packet.to_owned());
    assert_eq!(
        steps("encode service write 1 3"),
        [
            step(3, "00 00 00"),
            step(5, "7C 00 03 7F"),
            step(6, "00 00 00")
        ]
    );
    assert_eq!(
        steps("encode service verify 8 13 --power-on"),
        [
            step(20, "00 00 00"),
            step(3, "00 00 00"),
            step(5, "74 07 0D 7E"),
            step(1, "00 00 00")
        ]
    );
    assert_eq!(
        steps("encode service bit 29 6 1")[1],
        step(5, "78 1C FE 9A")
    );
    assert_eq!(
        steps("encode service bit 8 7 0 --verify")[1],
        step(5, "78 07 E7 98")
    );
    assert_eq!(
        steps("encode service write 1024 0")[1],
        step(5, "7F FF 00 80")
    );
    let lines = packets("encode service write 1 3");
    assert!(lines.iter().all(|line| line["preamble"] == 20));
    assert_eq!(lines[1]["listen_from"], 2);
    let (_, out, _) = run("encode service write 1 3");
    assert!(out.contains("  5 ×  7C 00 03 7F"), "{out}");
    assert!(out.contains("listen from the end of packet 2"), "{out}");
}

#[test]
fn a_data_byte_is_read_as_asked() {
    // clause: NEM 672 (2015): the published example 0000-0100 is proceed at 40 km/h.
    let line = &packets("encode aspect 1 4 --read-as signal")[0];
    assert_eq!(line["read_as"], "signal aspect: proceed at 40 km/h");
    assert!(packets("encode aspect 1 4")[0]["read_as"].is_null());
    // clause: RCN-213, second-hand: RZZZZZZZ in steps of 100 ms.
    let line = &packets("encode aspect 1 133 --read-as switching-time")[0];
    assert!(
        line["read_as"].as_str().unwrap().contains("on for 0.5 s"),
        "{line}"
    );
}

#[test]
fn wrong_numbers_are_refused() {
    for arguments in [
        "encode turnout 0 straight",
        "encode turnout 2049 straight",
        "encode turnout 1 sideways",
        "encode aspect 1 256",
        "encode cv write 1 0 1",
        "encode cv write 1 1025 1",
        "encode cv bit 1 1 8 1",
        "encode cv bit 1 1 7 2",
        "encode service write 1025 0",
        "encode turnout 1 straight --preamble 9",
        "encode",
        "encode cv",
    ] {
        let (code, out, err) = run(arguments);
        assert_eq!((code, out.as_str()), (2, ""), "{arguments}");
        assert!(!err.is_empty(), "{arguments}");
    }
}
