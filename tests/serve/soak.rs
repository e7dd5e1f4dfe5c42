//! Everything at once, for seconds here and for hours with `scripts/soak`.

use std::time::Duration;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use crate::support::{LONG, Line, NODE, Served, came_in_time, now, pause};

/// More memory than that, when all has been used once, is a leak, KiB.
const GROWTH: u64 = 8 * 1024;

/// How long, in seconds, and the seed.
fn asked(name: &str, otherwise: u64) -> u64 {
    let text = std::env::var(name).ok();
    text.map_or(otherwise, |text| text.parse().unwrap())
}

/// Times, to be told.
#[derive(Default)]
struct Times(Vec<Duration>);

impl Times {
    fn told(&mut self) -> String {
        self.0.sort_unstable();
        let at = |hundredths: usize| {
            let place = (self.0.len() * hundredths / 100).min(self.0.len() - 1);
            self.0[place].as_secs_f64() * 1e3
        };
        let (half, most, all) = (at(50), at(99), at(100));
        let count = self.0.len();
        format!("p50 {half:.2} ms, p99 {most:.2} ms, longest {all:.2} ms of {count}")
    }
}

struct Soak {
    served: Served,
    random: ChaCha8Rng,
    line: Line,
    alias: String,
    others: Vec<Line>,
    /// Which turnouts lie diverging, from keyed 1.
    lie: [bool; 8],
    replies: Times,
    reports: Times,
}

impl Soak {
    fn ask(&mut self) {
        let began = now();
        self.line.send(":X19490123N;");
        self.line
            .expect(&format!(":X19170{}N{NODE};", self.alias), LONG);
        self.replies.0.push(began.elapsed());
    }

    /// Throws the other way; the report has to come.
    fn throw(&mut self) {
        let which = self.random.random_range(0..8);
        self.lie[which] = !self.lie[which];
        // Bit R: 1 is straight.
        let half = 8 + 2 * which + usize::from(!self.lie[which]);
        let began = now();
        self.line
            .send(&format!(":X195B4123N0101020000FF{half:04X};"));
        let alias = &self.alias;
        self.line
            .expect(&format!(":X195B4{alias}N0101020000FD{half:04X};"), LONG);
        self.reports.0.push(began.elapsed());
        self.line
            .send(&format!(":X195B4123N0101020000FE{half:04X};"));
    }

    fn bustle(&mut self) {
        match self.random.random_range(0..5) {
            0 if self.others.len() < 8 => self.others.push(self.served.connect()),
            1 => drop(self.others.pop()),
            2 => {
                if let Some(other) = self.others.last_mut() {
                    let mut bytes = vec![0; 4_000];
                    // No colon, so no frame by chance that takes an alias.
                    bytes.fill_with(|| self.random.random_range(b';'..=255));
                    other.send_bytes(&bytes);
                }
            }
            3 => {
                if let Some(other) = self.others.first_mut() {
                    other.send(&":X195B4456N0501010101010203;".repeat(200));
                    other.send(":X19970456N;:X19490456N;");
                    other.listen(Duration::ZERO);
                }
            }
            _ => {
                self.line.send(":X19970123N;");
                pause(Duration::from_millis(self.random.random_range(0..5)));
            }
        }
    }
}

#[test]
fn soak() {
    let time = Duration::from_secs(asked("SOAK_SECONDS", 3));
    let seed = asked("SOAK_SEED", 11);
    println!("seed {seed}");
    let served = Served::lcc("");
    let mut line = served.connect();
    let mut soak = Soak {
        alias: line.alias(),
        line,
        random: ChaCha8Rng::seed_from_u64(seed),
        others: Vec::new(),
        lie: [false; 8],
        replies: Times::default(),
        reports: Times::default(),
        served,
    };
    let (began, mut told, mut warm) = (now(), 0, None);
    while began.elapsed() < time {
        for _ in 0..10 {
            soak.bustle();
        }
        soak.ask();
        soak.throw();
        if began.elapsed() > time / 4 && warm.is_none() {
            warm = soak.served.resident();
        }
        let minutes = began.elapsed().as_secs() / 60;
        if minutes > told {
            told = minutes;
            let resident = soak.served.resident().unwrap_or(0);
            println!(
                "{minutes} min: {resident} KiB; replies {}",
                soak.replies.told()
            );
        }
    }
    println!("replies: {}", soak.replies.told());
    came_in_time(&mut soak.replies.0);
    println!(
        "from command to report, travel and all: {}",
        soak.reports.told()
    );
    if let (Some(warm), Some(after)) = (warm, soak.served.resident()) {
        println!("memory: {warm} KiB, then {after} KiB");
        assert!(after < warm + GROWTH, "{warm} KiB, then {after} KiB");
    }
    soak.others.clear();
    // It may still have something to do; then it rests.
    for second in 0..=LONG.as_secs() {
        let before = soak.served.used();
        pause(Duration::from_secs(1));
        let Some((before, after)) = before.zip(soak.served.used()) else {
            break;
        };
        let idle = after.saturating_sub(before);
        println!(
            "idle: {} ms of processor time in a second",
            idle.as_millis()
        );
        if idle <= Duration::from_millis(50) {
            break;
        }
        assert!(second < LONG.as_secs(), "{idle:?}");
    }
    println!("{}", soak.served.end());
}
