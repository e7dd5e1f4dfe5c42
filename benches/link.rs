//! From the call to throw to the first byte readable at the other end of a pseudo-terminal, as a
//! ratio to a bare write through the same pair in the same run.
#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "it measures and prints"
)]

use std::time::{Duration, Instant};

#[cfg(unix)]
fn main() {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(unix::measure());
}

#[cfg(not(unix))]
fn main() {
    println!("there are no pseudo-terminals here");
}

/// The value that this part of the times is not above.
fn percentile(times: &mut [Duration], part: f64) -> Duration {
    times.sort_unstable();
    let last = times.len() - 1;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a place in a list of thousands"
    )]
    let place = (last as f64 * part).round() as usize;
    times[place]
}

#[cfg(unix)]
mod unix {
    use std::fs::File;
    use std::io::{Read as _, Write as _};
    use std::sync::Arc;
    use std::sync::mpsc;

    use throwproof::link::transport::SerialOpener;
    use throwproof::link::{Link as _, Patience, ProfileLink};
    use throwproof::profile::Profile;
    use throwproof_protocol::packet::Packet;

    use super::{Duration, Instant, percentile};

    const ROUNDS: usize = 5000;

    /// A station that answers nothing, so that a send ends with its writing.
    const PROFILE: &str = r#"
[profile]
name = "Mute"
[serial]
baud = 57600
[framing]
kind = "text"
line_end = "\n"
[positions]
straight = "fairway"
diverging = "sideways"
[send]
throw = "berth {keyed:04} heave {position}"
release = "berth {keyed:04} belay {position}"
"#;

    fn pty() -> (File, String) {
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&ours).unwrap();
        unlockpt(&ours).unwrap();
        let name = ptsname(&ours, Vec::new()).unwrap();
        (File::from(ours), name.to_str().unwrap().to_owned())
    }

    pub(super) async fn measure() {
        let (mut ours, name) = pty();
        let mut bare_end = File::options().read(true).write(true).open(&name).unwrap();
        let profile = Profile::from_text("mute.toml", PROFILE).unwrap();
        let opener = Box::new(SerialOpener::new(&name, profile.serial));
        let opening = ProfileLink::open(Arc::new(profile), opener, Patience::default());
        let mut link = opening.await.unwrap();
        let (sender, arrived) = mpsc::channel();
        // A reader of its own, so that both ways are woken alike.
        std::thread::spawn(move || {
            let mut some = [0; 256];
            while ours.read(&mut some).is_ok_and(|count| count > 0) {
                if sender.send(Instant::now()).is_err() {
                    break;
                }
            }
        });
        let message = b"berth 0001 heave fairway\n";
        let packet = Packet::parse_hex("81 F9 78").unwrap();
        let (mut bare, mut linked) = (Vec::new(), Vec::new());
        // In turn, so that whatever else the machine does befalls both.
        for _ in 0..ROUNDS {
            let start = Instant::now();
            bare_end.write_all(message).unwrap();
            bare.push(arrived.recv().unwrap() - start);
            std::thread::sleep(Duration::from_micros(200));
            let start = Instant::now();
            link.send(&packet).await.unwrap();
            linked.push(arrived.recv().unwrap() - start);
            std::thread::sleep(Duration::from_micros(200));
        }
        for (name, part) in [("p50", 0.5), ("p99", 0.99)] {
            let (bare, linked) = (percentile(&mut bare, part), percentile(&mut linked, part));
            let ratio = linked.as_secs_f64() / bare.as_secs_f64();
            println!("{name}: bare write {bare:?}, throw {linked:?}, ratio {ratio:.2}");
        }
    }
}
