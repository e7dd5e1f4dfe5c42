//! A list: any bytes are refused in words or become a plan that can be read.

#![no_main]

use std::collections::BTreeMap;

use libfuzzer_sys::fuzz_target;
use throwproof::import::{self, Options};
use throwproof::plan::Draft;
use throwproof::textfile::TextFile;

fuzz_target!(|bytes: &[u8]| {
    let Ok(table) = import::read(bytes) else { return };
    let columns = import::columns(&table, &BTreeMap::new()).expect("nothing is mapped");
    let options = Options {
        name: "Kestrel Bay".to_owned(),
        numbering: Default::default(),
    };
    if let Ok(outcome) = import::plan(&table, &columns, &options) {
        let file = TextFile::from_text("plan.toml", outcome.text);
        drop(Draft::parse(file).expect("an imported plan can be read"));
    }
});
