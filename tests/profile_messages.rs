//! What `check` tells of a profile. Each `NAME.toml` in `fixtures/profiles/bad` is wrong in its
//! own way and has its message in `NAME.txt`; the explanations of the profiles that ship are
//! beside them.
//!
//! With `WRITE_MESSAGES=1` in the environment the messages are written instead of compared.

use std::fs;
use std::path::Path;

use throwproof::profile::{Explanation, Profile};
use throwproof::textfile::TextFile;
use throwproof::view::{problems, profile};

#[test]
fn each_bad_profile_is_refused_in_the_words_beside_it() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/profiles/bad");
    let entries = fs::read_dir(&directory).unwrap();
    let mut files: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|ending| ending == "toml"));
    files.sort();
    assert!(files.len() >= 40, "{} bad profiles", files.len());
    let mut wrong = Vec::new();
    for file in files {
        let name = file.file_name().unwrap().to_str().unwrap().to_owned();
        let text = fs::read_to_string(&file).unwrap();
        let told = match Profile::parse(TextFile::from_text(&*name, text)) {
            Ok(_) => "nothing is wrong with it\n".to_owned(),
            Err(found) => problems::render(&found, false),
        };
        let message = file.with_extension("txt");
        if std::env::var_os("WRITE_MESSAGES").is_some() {
            fs::write(&message, &told).unwrap();
        }
        let expected = fs::read_to_string(&message).unwrap_or_default();
        if told != expected {
            wrong.push(format!(
                "{name} is told:\n{told}\nand should be told:\n{expected}"
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn each_shipped_profile_is_explained_in_the_words_beside_it() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/profiles");
    for name in ["harbour-text", "harbour-binary"] {
        let file = directory.join(name).with_extension("toml");
        let explanation = Explanation::of(&Profile::load(&file).unwrap());
        let told = [
            ("txt", profile::text(&explanation, false)),
            ("jsonl", profile::json(&explanation).unwrap()),
        ];
        for (ending, told) in told {
            let beside = file.with_extension(ending);
            if std::env::var_os("WRITE_MESSAGES").is_some() {
                fs::write(&beside, &told).unwrap();
            }
            let expected = fs::read_to_string(&beside).unwrap_or_default();
            assert!(told == expected, "{name} is told:\n{told}");
        }
        let styled = profile::text(&explanation, true);
        assert!(styled.contains("\u{1b}[1m"), "titles are bold");
        for line in profile::json(&explanation).unwrap().lines() {
            let object: serde_json::Value = serde_json::from_str(line).unwrap();
            assert!(object["event"].is_string(), "{line}");
        }
    }
}
