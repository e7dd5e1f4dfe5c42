//! What is wrong on the layout shows in the reports: derived from what each fault is.

use std::time::Duration;

use crate::support::{LONG, Served};

/// Reports after keyed 1 was commanded to diverging, half 8.
fn reports(as_built: &str) -> Vec<String> {
    let served = Served::lcc(as_built);
    let mut line = served.connect();
    let alias = line.alias();
    line.send(":X195B4123N0101020000FF0008;");
    line.send(":X195B4123N0101020000FF000A;");
    // Keyed 2 is sound, and thrown after it.
    let mut said = line.until(&format!(":X195B4{alias}N0101020000FD000A;"), LONG);
    said.extend(line.listen(Duration::from_millis(500)));
    let of_first = said.into_iter().filter_map(|frame| {
        let event = frame.strip_prefix(&format!(":X195B4{alias}N0101020000"))?;
        let event = event.strip_suffix(';')?.to_owned();
        matches!(&event[2..], "0008" | "0009").then_some(event)
    });
    of_first.collect()
}

#[test]
fn sound() {
    assert_eq!(reports("[turnout.T1]\n"), ["FC0009", "FD0008"]);
}

#[test]
fn contact_inverted() {
    // It lies straight, and says diverging; then the other way round.
    let as_built = "[turnout.T1]\ncontact = \"inverted\"\n";
    assert_eq!(reports(as_built), ["FC0008", "FD0009"]);
}

#[test]
fn contact_dead() {
    let as_built = "[turnout.T1]\ncontact = \"dead\"\n";
    assert_eq!(reports(as_built), [""; 0]);
}

#[test]
fn output_dead() {
    let as_built = "[turnout.T1]\noutput = \"dead\"\n";
    assert_eq!(reports(as_built), [""; 0]);
}

#[test]
fn leads_swapped() {
    // It is pulled to where it lies already.
    let as_built = "[turnout.T1]\nleads_swapped = true\n";
    assert_eq!(reports(as_built), [""; 0]);
}

#[test]
fn stops_half_way() {
    // The contact opens and none closes.
    let as_built = "[turnout.T1]\nblades_stop_at = 0.6\n";
    assert_eq!(reports(as_built), ["FC0009"]);
}
