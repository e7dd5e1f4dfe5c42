//! Profiles: the two that ship, and everything that can be wrong with one.

use std::path::Path;
use std::sync::Arc;

use throwproof::profile::Profile;

fn shipped(name: &str) -> Arc<Profile> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/profiles")
        .join(name);
    match Profile::load(&path) {
        Ok(profile) => Arc::new(profile),
        Err(error) => panic!("{error}"),
    }
}

#[test]
fn both_load() {
    shipped("harbour-text.toml");
    shipped("harbour-binary.toml");
}

#[test]
fn show() {
    for name in ["harbour-text.toml", "harbour-binary.toml"] {
        let explanation = throwproof::profile::Explanation::of(&shipped(name));
        println!("{}", throwproof::view::profile::text(&explanation, false));
        println!("{}", throwproof::view::profile::json(&explanation).unwrap());
    }
}
