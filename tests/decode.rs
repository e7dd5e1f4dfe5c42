//! `decode`: what may be written, and what is wrong with what can't be read.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use assert_cmd::Command;
use proptest::prelude::*;
use serde_json::Value;

fn run(arguments: &[&str]) -> (i32, String, String) {
    let mut command = Command::cargo_bin("throwproof").unwrap();
    let output = command.arg("decode").args(arguments).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

#[test]
fn bytes_may_be_written_in_any_usual_way() {
    let ways: [&[&str]; 6] = [
        &["81 F9 78"],
        &["81", "F9", "78"],
        &["81F978"],
        &["81:F9:78"],
        &["81f978"],
        &["0x81", "0xF9", "0x78"],
    ];
    for way in ways {
        let (code, out, err) = run(&[way, &["--format", "json"]].concat());
        assert_eq!(code, 0, "{way:?}: {err}");
        let line: Value = serde_json::from_str(&out).unwrap();
        assert_eq!(
            (&line["packet"], &line["binary_address"]),
            (&"81 F9 78".into(), &4.into())
        );
    }
}

#[test]
fn a_wrong_check_byte_is_told_beside_the_right_one() {
    let (code, out, err) = run(&["81 F9 79"]);
    assert_eq!(code, 2);
    assert!(
        err.contains("byte 3 is 79, but the check byte of the bytes before it is 78"),
        "{err}"
    );
    assert!(err.contains("help: "), "{err}");
    assert!(
        out.contains("byte 2  F9  11111001"),
        "the rest is shown all the same: {out}"
    );
    let (code, out, _) = run(&["81 F9 79", "--format", "json"]);
    assert_eq!((code, out.as_str()), (2, ""));
}

#[test]
fn what_is_no_packet_is_refused() {
    // clause: S-9.2.1 (January 2025), second-hand: the body of 81 77 15 with check byte 00.
    for bytes in [
        "",
        "8",
        "81",
        "81 F9",
        "8G F9 78",
        "81 77 15 00",
        "81 F9 78 00 00 00 00 00",
    ] {
        let (code, _, err) = run(&[bytes]);
        assert_eq!(code, 2, "{bytes}");
        assert!(err.contains("error: "), "{bytes}: {err}");
    }
    assert_eq!(run(&[]).0, 2);
}

#[test]
fn numbering_and_service_mode_change_the_reading() {
    let json = |arguments: &[&str]| -> Value {
        let (_, out, _) = run(&[arguments, &["--format", "json"]].concat());
        serde_json::from_str(&out).unwrap()
    };
    // clause: S-9.2.1 (January 2025), table, second-hand: 80 F0 is 2045, or 253 non-linear.
    assert_eq!(json(&["80 F9 79"])["address"], 2045);
    assert_eq!(
        json(&["80 F9 79", "--numbering", "non-linear"])["address"],
        253
    );
    assert_eq!(json(&["7C 00 03 7F"])["kind"], "multi-function");
    let service = json(&["7C 00 03 7F", "--service"]);
    assert_eq!(
        (&service["kind"], &service["cv"]),
        (&"direct".into(), &1.into())
    );
    // clause: S-9.2.3 (July 2012), section E: the page preset.
    assert_eq!(json(&["7D 01 7C", "--service"])["kind"], "page-preset");
    assert_eq!(run(&["81 F9 78", "--service"]).0, 2);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_written_ends_with_nothing_but_an_answer(text in "[0-9a-fA-Fx:, ]{0,24}") {
        let (code, out, err) = run(&["--", &text]);
        prop_assert!(code == 0 || code == 2, "{code}");
        prop_assert_eq!(code == 2, err.contains("error: "));
        prop_assert!(code == 2 || !out.is_empty());
    }
}
