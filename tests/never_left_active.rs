//! Whatever ends a run, the bytes on the wire end with a release of every output that was
//! activated: the program is interrupted at each message it sends, and the wire is read.
#![cfg(target_os = "linux")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(clippy::disallowed_methods, reason = "a real wire takes real time")]

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::fs::{OFlags, fcntl_setfl};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use throwproof::lcc::{Happening, Node, NodeOptions};
use throwproof_protocol::lcc::{Decoded, GridConnect, NodeId, TextFrame};

const PLAN: &str = r#"
[layout]
name = "Slipway"
[decoder.D]
outputs = 4
first_address = 5
output_kind = "pulse"
pulse_ms = 150
[[turnout]]
id = "Q1"
place = "Quay"
shape = "left"
decoder = "D"
output = 1
"#;

/// Messages that command an output in the sweep of one turnout: three throws.
const COMMANDS: usize = 6;

/// How long anything may take.
const PATIENCE: Duration = Duration::from_secs(30);

/// A pseudo-terminal: our end, and the name of the other.
struct Pty {
    ours: File,
    name: String,
    /// Kept open, so that our end does not read as gone before and after the program has it.
    _theirs: File,
}

impl Pty {
    fn open() -> Self {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&ours).unwrap();
        unlockpt(&ours).unwrap();
        let name = ptsname(&ours, Vec::new()).unwrap();
        let name = name.to_str().unwrap().to_owned();
        let theirs = File::options().read(true).write(true).open(&name).unwrap();
        fcntl_setfl(&ours, OFlags::NONBLOCK).unwrap();
        Self {
            ours: File::from(ours),
            name,
            _theirs: theirs,
        }
    }

    /// No echo: a wire gives back nothing by itself.
    fn wire() -> Self {
        let pty = Self::open();
        let mut attributes = tcgetattr(&pty.ours).unwrap();
        attributes.make_raw();
        tcsetattr(&pty.ours, OptionalActions::Now, &attributes).unwrap();
        pty
    }

    fn read(&mut self) -> Vec<u8> {
        let mut some = [0; 1024];
        match self.ours.read(&mut some) {
            Ok(length) => some[..length].to_vec(),
            Err(error) if error.kind() == ErrorKind::WouldBlock => Vec::new(),
            Err(error) => panic!("the wire: {error}"),
        }
    }
}

/// What is heard on the wire: an output by its name, activated or released.
type Heard = (String, bool);

/// The station at the other end.
trait Station {
    /// Takes bytes, gives the answer, and adds what was commanded.
    fn hear(&mut self, bytes: &[u8], heard: &mut Vec<Heard>) -> Vec<u8>;
}

/// A station that speaks `fixtures/profiles/harbour-text.toml`.
#[derive(Default)]
struct Harbour(Vec<u8>);

impl Station for Harbour {
    fn hear(&mut self, bytes: &[u8], heard: &mut Vec<Heard>) -> Vec<u8> {
        self.0.extend_from_slice(bytes);
        let mut answer = Vec::new();
        while let Some(end) = self.0.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = self.0.drain(..=end).collect();
            let line = String::from_utf8(line).unwrap();
            let words: Vec<_> = line.split_whitespace().collect();
            if let ["berth", number, verb, position] = words[..] {
                heard.push((format!("{number} {position}"), verb == "heave"));
                let number: u16 = number.parse().unwrap();
                answer.extend(format!("aye, berth {number}\r\n").into_bytes());
            }
        }
        answer
    }
}

/// A command station on an LCC bus.
struct Gateway {
    node: Node,
    decoder: GridConnect,
    began: Instant,
}

impl Default for Gateway {
    fn default() -> Self {
        let options = NodeOptions {
            node: NodeId::local(77),
            model: "station".to_owned(),
            name: String::new(),
            description: String::new(),
        };
        let mut node = Node::gateway(&options, []).unwrap();
        node.start();
        Self {
            node,
            decoder: GridConnect::new(),
            began: Instant::now(),
        }
    }
}

impl Station for Gateway {
    fn hear(&mut self, bytes: &[u8], heard: &mut Vec<Heard>) -> Vec<u8> {
        let now = self.began.elapsed();
        self.node.tick(now);
        for found in self.decoder.feed(bytes) {
            if let Decoded::Frame(frame) = found {
                self.node.frame(&frame, now);
            }
        }
        while let Some(happening) = self.node.next_happening() {
            if let Happening::Basic { command, .. } = happening {
                let output = format!("{} {}", command.address, command.pair_bit);
                heard.push((output, command.activate));
            }
        }
        let mut answer = Vec::new();
        while let Some(frame) = self.node.next_frame(now) {
            answer.extend_from_slice(TextFrame::of(&frame).as_bytes());
        }
        answer
    }
}

/// A sweep at a terminal of its own, whose operator sees each turnout go where it was sent.
struct Run {
    child: Child,
    terminal: Pty,
    screen: String,
    /// When the question that is shown is answered.
    answer_at: Option<Instant>,
    folder: tempfile::TempDir,
}

impl Run {
    fn start(link: &str, arguments: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
        let terminal = Pty::open();
        let end = || {
            let end = File::options().read(true).write(true).open(&terminal.name);
            Stdio::from(end.unwrap())
        };
        let child = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .env("THROWPROOF_CAUTIONS_READ", "1")
            .args(["sweep", "--link", link, "--format", "json"])
            .args(arguments)
            .arg(folder.path().join("plan.toml"))
            .env("XDG_CONFIG_HOME", folder.path())
            .stdin(end())
            .stdout(File::create(folder.path().join("out")).unwrap())
            .stderr(end())
            .spawn()
            .unwrap();
        Self {
            child,
            terminal,
            screen: String::new(),
            answer_at: None,
            folder,
        }
    }

    /// Looks at the screen and answers what it asks.
    fn attend(&mut self) {
        let shown = self.terminal.read();
        self.screen.push_str(&String::from_utf8_lossy(&shown));
        if self.screen.ends_with("\n> ") && self.answer_at.is_none() {
            self.answer_at = Some(Instant::now() + Duration::from_millis(400));
        }
        if self.answer_at.is_some_and(|at| at <= Instant::now()) {
            self.answer_at = None;
            let key = if self.screen.contains("Sent: diverging") {
                "d"
            } else {
                "s"
            };
            self.screen.clear();
            self.terminal.ours.write_all(key.as_bytes()).unwrap();
        }
    }

    fn signal(&self, signal: Signal) {
        // One that has ended by itself is none to send one to.
        let _ended = kill_process(Pid::from_child(&self.child), signal);
    }

    fn output(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("out")).unwrap()
    }
}

/// What was left active, of all that was heard.
fn left_active(heard: &[Heard]) -> Vec<&str> {
    let mut active = BTreeMap::new();
    for (output, activate) in heard {
        active.insert(output.as_str(), *activate);
    }
    let active = active.into_iter().filter(|(_, active)| *active);
    active.map(|(output, _)| output).collect()
}

/// Runs a sweep and sends it a signal once so many commands were heard.
fn interrupted(link: &str, station: &mut dyn Station, after: usize, signal: Signal) {
    let mut wire = Pty::wire();
    let mut run = Run::start(&format!("{link}:{}", wire.name), &[]);
    let mut heard = Vec::new();
    let mut sent = false;
    let began = Instant::now();
    let mut ended = None;
    loop {
        let bytes = wire.read();
        let answer = station.hear(&bytes, &mut heard);
        if !sent && (heard.len() >= after && !(after == 0 && bytes.is_empty())) {
            sent = true;
            run.signal(signal);
        }
        wire.ours.write_all(&answer).unwrap();
        run.attend();
        if ended.is_some() && bytes.is_empty() {
            break;
        }
        ended = ended.or(run.child.try_wait().unwrap());
        let screen = &run.screen;
        assert!(
            began.elapsed() < PATIENCE,
            "after {after}: {heard:?} {screen}"
        );
        std::thread::sleep(Duration::from_millis(1));
    }
    let context = format!("{link}, {signal:?} after {after}: {heard:?}");
    assert!(sent, "{context}");
    let code = ended.unwrap().code();
    if after < COMMANDS {
        assert_eq!(code, Some(4), "{context}\n{}", run.screen);
    }
    assert_eq!(left_active(&heard), Vec::<&str>::new(), "{context}");
}

fn at_each_command<S: Station + Default>(link: &str) {
    std::thread::scope(|scope| {
        for after in 0..=COMMANDS {
            scope.spawn(move || {
                for signal in [Signal::INT, Signal::TERM, Signal::HUP] {
                    interrupted(link, &mut S::default(), after, signal);
                }
            });
        }
    });
}

fn harbour() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/profiles/harbour-text.toml");
    format!("profile:{}", file.display())
}

#[test]
fn a_signal_at_any_command_leaves_nothing_active_by_a_profile() {
    at_each_command::<Harbour>(&harbour());
}

#[test]
fn a_signal_at_any_command_leaves_nothing_active_by_lcc() {
    at_each_command::<Gateway>("lcc");
}

/// Runs a sweep whose port goes away after so many commands, and comes back. Gives what was heard
/// before and after, the lines of output and the exit code.
fn unplugged(
    link: &str,
    stations: [&mut dyn Station; 2],
    after: usize,
) -> ([Vec<Heard>; 2], String, Option<i32>) {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut wire = Some(Pty::wire());
    symlink(&wire.as_ref().unwrap().name, &port).unwrap();
    let mut run = Run::start(&format!("{link}:{}", port.display()), &[]);
    let mut heard = [Vec::new(), Vec::new()];
    let [first, second] = stations;
    let began = Instant::now();
    let mut back_at = None;
    let code = loop {
        if let Some(wire) = &mut wire {
            let bytes = wire.read();
            let (station, heard) = match back_at {
                None => (&mut *first, &mut heard[0]),
                Some(_) => (&mut *second, &mut heard[1]),
            };
            // Line by line: what was read at once with the command at which the cable is pulled
            // has not arrived.
            let lines = bytes.split_inclusive(|byte| matches!(byte, b'\n' | b';'));
            // Where nothing came, time goes on all the same.
            for line in std::iter::once(&[][..]).chain(lines) {
                if back_at.is_none() && heard.len() == after {
                    break;
                }
                let answer = station.hear(line, heard);
                wire.ours.write_all(&answer).unwrap();
            }
        }
        if back_at.is_none() && heard[0].len() == after {
            wire = None;
            std::fs::remove_file(&port).unwrap();
            back_at = Some(Instant::now() + Duration::from_millis(700));
        }
        if wire.is_none() && back_at.is_some_and(|at| at <= Instant::now()) {
            let new = Pty::wire();
            symlink(&new.name, &port).unwrap();
            wire = Some(new);
        }
        run.attend();
        if let Some(status) = run.child.try_wait().unwrap() {
            break status.code();
        }
        let screen = &run.screen;
        assert!(began.elapsed() < PATIENCE, "{heard:?} {screen}");
        std::thread::sleep(Duration::from_millis(1));
    };
    (heard, run.output(), code)
}

fn a_cable_pulled_at_each_command<S: Station + Default>(link: &str) {
    std::thread::scope(|scope| {
        for after in 1..COMMANDS {
            scope.spawn(move || {
                let (mut first, mut second) = (S::default(), S::default());
                let ([before, then], output, code) =
                    unplugged(link, [&mut first, &mut second], after);
                let context = format!("{link} after {after}: {before:?} {then:?}\n{output}");
                assert_eq!(code, Some(0), "{context}");
                for event in ["link-lost", "link-returned"] {
                    let event = format!("{{\"event\":\"{event}\"");
                    assert!(output.contains(&event), "{event}: {context}");
                }
                // What was active when the cable was pulled is released before all else.
                for output in left_active(&before) {
                    assert_eq!(then.first(), Some(&(output.to_owned(), false)), "{context}");
                }
                assert_eq!(left_active(&then), Vec::<&str>::new(), "{context}");
                let proved = output
                    .lines()
                    .any(|line| line.contains("\"verdict\":\"proved\""));
                assert!(proved, "{context}");
            });
        }
    });
}

#[test]
fn a_pulled_cable_is_waited_for_and_what_was_active_released_first_by_a_profile() {
    a_cable_pulled_at_each_command::<Harbour>(&harbour());
}

#[test]
fn a_pulled_cable_is_waited_for_and_what_was_active_released_first_by_lcc() {
    a_cable_pulled_at_each_command::<Gateway>("lcc");
}

#[test]
fn a_port_that_stays_away_ends_the_run_with_three() {
    let mut wire = Pty::wire();
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    symlink(&wire.name, &port).unwrap();
    let link = format!("{}:{}", harbour(), port.display());
    let mut run = Run::start(&link, &["--reconnect", "1"]);
    let (mut station, mut heard) = (Harbour::default(), Vec::new());
    while heard.is_empty() {
        let bytes = wire.read();
        let answer = station.hear(&bytes, &mut heard);
        wire.ours.write_all(&answer).unwrap();
        run.attend();
    }
    drop(wire);
    std::fs::remove_file(&port).unwrap();
    let began = Instant::now();
    let status = loop {
        run.attend();
        if let Some(status) = run.child.try_wait().unwrap() {
            break status;
        }
        assert!(began.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(1));
    };
    let output = run.output();
    assert_eq!(status.code(), Some(3), "{output} {}", run.screen);
    assert!(output.contains("did not come back within 1 s"), "{output}");
    assert!(output.contains("\"reason\":\"link\""), "{output}");
    assert!(output.lines().last().unwrap().contains("\"summary\""));
}

#[test]
fn a_port_in_use_says_so() {
    let wire = Pty::wire();
    let link = format!("{}:{}", harbour(), wire.name);
    let holder = serialport::new(&wire.name, 9600).open().unwrap();
    let mut run = Run::start(&link, &[]);
    let status = run.child.wait().unwrap();
    run.attend();
    drop(holder);
    assert_eq!(status.code(), Some(3), "{}", run.screen);
    assert!(
        run.screen.contains("is in use by another program"),
        "{}",
        run.screen
    );
    assert!(run.screen.contains("close the program"), "{}", run.screen);
}
