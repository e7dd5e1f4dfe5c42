//! The cautions: shown before a real layout is driven, never on the simulated track.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use assert_cmd::Command;

const PLAN: &str = "
[layout]
name = \"Slipway\"

[[turnout]]
id = \"Q1\"
shape = \"left\"
address = 5
";

/// Nobody listens there.
const NOBODY: &str = "lcc:tcp:127.0.0.1:1";

struct Home(tempfile::TempDir);

impl Home {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
        Self(folder)
    }

    /// Exit code and what was said.
    fn run(&self, arguments: &[&str]) -> (i32, String) {
        let mut command = Command::cargo_bin("throwproof").unwrap();
        command
            .current_dir(self.0.path())
            .env("HOME", self.0.path())
            .env_remove("XDG_STATE_HOME")
            .env_remove("XDG_CONFIG_HOME")
            .env_remove("THROWPROOF_CAUTIONS_READ")
            .env("THROWPROOF_RECORD", "none")
            .args(arguments);
        let output = command.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code().unwrap(), said)
    }
}

#[test]
fn a_real_link_is_not_even_opened_before_they_are_read() {
    let home = Home::new();
    let (exit, said) = home.run(&[
        "throw",
        "Q1",
        "straight",
        "--plan",
        "plan.toml",
        "--link",
        NOBODY,
    ]);
    assert_eq!(exit, 2, "{said}");
    assert!(said.contains("Local codes"), "{said}");
    assert!(said.contains("--cautions-read"), "{said}");
}

#[test]
fn whoever_says_so_has_read_them() {
    let home = Home::new();
    let arguments = [
        "throw",
        "Q1",
        "straight",
        "--plan",
        "plan.toml",
        "--link",
        NOBODY,
    ];
    // The link fails: it was tried.
    let witness = ["--witness", "reports", "--cautions-read"];
    let (exit, said) = home.run(&[&arguments[..], &witness].concat());
    assert_eq!(exit, 3, "{said}");
    assert!(!said.contains("Local codes"), "{said}");
}

#[test]
fn the_simulated_track_needs_none() {
    let home = Home::new();
    let (exit, said) = home.run(&["sweep", "plan.toml"]);
    assert_eq!(exit, 0, "{said}");
    assert!(!said.contains("caution"), "{said}");
}
