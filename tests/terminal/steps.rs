//! A decoder that is given its address, step by step.

use serde_json::json;

use crate::session::{Session, Setting, events};

const PLAN: &str = r#"
[layout]
name = "Kestrel Bay"

[decoder.D1]
place = "Slate quarry"
outputs = 4
first_address = 21
output_kind = "pulse"
pulse_ms = 150
learns = "switches"
learn = { switches = { count = 8 } }
"#;

#[test]
fn a_decoder_is_taught_by_its_switches_and_what_was_seen_is_told() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    let mut session = Session::start(&Setting {
        folder: folder.path(),
        arguments: &[
            "teach",
            "plan.toml",
            "D1",
            "--witness",
            "ask",
            "--format",
            "json",
            "--record",
            "none",
        ],
        environment: &[("NO_COLOR", "1")],
        is_output_shown: false,
    });
    session.wait_for("Step 1 of 14   D1, Slate quarry");
    session.wait_for("Take the power of D1 away");
    session.wait_for("> ");
    session.press("\r");
    session.wait_for("done");
    let shown = session.wait_for("> ");
    for told in [
        "Set the switches of D1: 2 and 3 on, all others off.",
        "     on  [ ] [#] [#] [ ] [ ] [ ] [ ] [ ]",
        "    off  [#] [ ] [ ] [#] [#] [#] [#] [#]",
    ] {
        assert!(shown.contains(told), "{shown}");
    }
    session.press("\r");
    session.wait_for("Give D1 power.");
    session.wait_for("> ");
    session.press("\r");
    // What is pressed before the question can't answer it.
    session.wait_for("Look at output 1 of D1, Slate quarry. It is sent now.");
    session.press_at_once("n");
    session.wait_for("Sent: straight to address 21, output 1.");
    session.wait_for("> ");
    session.press("o");
    session.wait_for("Which output acted?");
    session.wait_for("> ");
    session.press("4");
    session.wait_for("Look at output 1");
    session.wait_for("What did output 1 do?");
    session.wait_for("> ");
    session.press("q");
    session.wait_for("stop here?");
    session.wait_for("> ");
    session.press("q");
    let (code, stdout, _) = session.end();
    assert_eq!(code, Some(4));
    let lines = events(&stdout);
    let seen: Vec<_> = lines
        .iter()
        .filter(|one| one["event"] == "taught-seen")
        .map(|one| (&one["address"], &one["saw"], &one["other"]))
        .collect();
    assert_eq!(seen, [(&json!(21), &json!("other-output"), &json!(4))]);
}
