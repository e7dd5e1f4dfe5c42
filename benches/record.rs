//! From an event to its being durable in the record, as a ratio to a bare synced append of the
//! same bytes on the same disk in the same run.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "it measures and prints"
)]

use std::fs::File;
use std::io::Write as _;
use std::time::{Duration, Instant};

use throwproof::event::hub::Sink as _;
use throwproof::event::{Event, EventKind};
use throwproof::record::{Kept, Record, Sink};

/// Enough that one in a hundred is ten.
const ROUNDS: u64 = 1000;

fn event(seq: u64) -> Event {
    let json = if seq == 0 {
        r#"{"event":"run-started","format":1,"version":"0","layout":"Pier","plan":"p","link":"l",
            "witness":"ask","turnouts":1,"signals":0,"cycles":1,"seq":0,"at_us":0}"#
            .to_owned()
    } else {
        format!(
            r#"{{"event":"observation","turnout":"Q1","throw":{seq},"step":"visit",
                "commanded":"straight","observed":"straight","seq":{seq},"at_us":{seq}}}"#
        )
    };
    serde_json::from_str(&json).unwrap()
}

/// The value that this part of the times is not above.
fn percentile(times: &mut [Duration], percent: usize) -> Duration {
    times.sort_unstable();
    times[(times.len() - 1) * percent / 100]
}

fn main() {
    // On the disk of the build, which a folder for temporary files may not be on.
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let record = Record::open(&folder.path().join("it.record")).unwrap();
    let mut sink = Sink::new(record, Kept::default()).unwrap();
    let mut bare_file = File::create(folder.path().join("bare")).unwrap();
    let (mut bare, mut kept) = (Vec::new(), Vec::new());
    // In turn, so that whatever else the machine does befalls both.
    for seq in 0..ROUNDS {
        let event = event(seq);
        let line = serde_json::to_vec(&event).unwrap();
        let start = Instant::now();
        bare_file.write_all(&line).unwrap();
        bare_file.sync_all().unwrap();
        bare.push(start.elapsed());
        let start = Instant::now();
        sink.take(&event).unwrap();
        if !matches!(event.kind, EventKind::RunStarted { .. }) {
            kept.push(start.elapsed());
        }
    }
    for (name, percent) in [("p50", 50), ("p99", 99)] {
        let (bare, kept) = (
            percentile(&mut bare, percent),
            percentile(&mut kept, percent),
        );
        let ratio = kept.as_secs_f64() / bare.as_secs_f64();
        println!("{name}: bare synced append {bare:?}, event kept {kept:?}, ratio {ratio:.1}");
    }
}
