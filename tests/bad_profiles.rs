//! Every way a profile can be wrong, and what its user is told: each `NAME.toml` in
//! `fixtures/profiles/bad` has its message in `NAME.txt`.
//!
//! With `WRITE_MESSAGES=1` in the environment the messages are written instead of compared.

use std::fs;
use std::path::Path;

use throwproof::profile::Profile;
use throwproof::textfile::TextFile;
use throwproof::view::problems;

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
