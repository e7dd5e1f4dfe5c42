//! Every worked example in `fixtures/standards`, in both directions.

#[cfg(test)]
#[path = "published_vectors/says.rs"]
mod says;
#[cfg(test)]
#[path = "published_vectors/vectors.rs"]
mod vectors;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use vectors::{File, Standing};

#[cfg(test)]
fn files() -> BTreeMap<String, File> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/standards");
    fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        // The vectors of LCC have a form and a test of their own, lcc_published.rs.
        .filter(|path| path.file_stem().is_some_and(|name| name != "lcc"))
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let text = fs::read_to_string(&path).unwrap();
            let file = toml::from_str(&text).unwrap_or_else(|error| panic!("{name}: {error}"));
            (name, file)
        })
        .collect()
}

#[test]
fn every_published_example_holds_in_both_directions() {
    let mut counts = BTreeMap::new();
    for (name, file) in files() {
        for group in file.group {
            let place = format!("{name}: {}, {}", group.source, group.clause);
            assert!(
                !group.source.is_empty() && !group.clause.is_empty(),
                "{name}: no source"
            );
            let ran = group.vectors.run(&place);
            assert!(ran > 0, "{place}: no vectors");
            *counts.entry(group.standing).or_insert(0) += ran;
        }
    }
    // So that no example can be lost without a change here.
    let expected = [
        (Standing::Read, 61),
        (Standing::SecondHand, 31),
        (Standing::Derived, 85),
    ];
    assert_eq!(counts.into_iter().collect::<Vec<_>>(), expected);
}
