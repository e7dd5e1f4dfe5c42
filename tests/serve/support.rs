//! A served track, and the other end of its line.

use std::fmt::Write as _;
use std::fs::OpenOptions;
use std::io::{self, BufRead as _, BufReader, Read, Write};
use std::net::TcpStream;
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;

/// The id of the node, given on the command line.
pub(crate) const NODE: &str = "0A0102030405";

/// Twin-coil turnouts with contacts at keyed 1 to 8 (binary 4 to 11, by S-9.2.1: keyed + 3).
pub(crate) const PLAN: &str = "\
[layout]
name = \"Test quay\"
[supply.quay]
kind = \"separate\"
volts = 16.0
amps = 4.0
[decoder.D1]
outputs = 8
first_address = 1
supply = \"quay\"
output_kind = \"pulse\"
pulse_ms = 150
max_output_amps = 2.0
";

/// Longer than anything takes.
pub(crate) const LONG: Duration = Duration::from_secs(20);

/// How long a reply may take. The machine may have other things to do, so that single replies are
/// waited for [`LONG`]; it is the median of several that has to keep to it.
///
/// clause: MN S 3.7: a node replies within 750 ms.
pub(crate) const REPLY: Duration = Duration::from_millis(750);

/// Most of them came in time.
pub(crate) fn came_in_time(replies: &mut [Duration]) {
    replies.sort_unstable();
    let median = replies[replies.len() / 2];
    assert!(median < REPLY, "{median:?}, of {replies:?}");
}

#[expect(clippy::disallowed_methods, reason = "the program runs in real time")]
pub(crate) fn now() -> Instant {
    Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "the program runs in real time")]
pub(crate) fn pause(time: Duration) {
    std::thread::sleep(time);
}

/// A running program.
pub(crate) struct Served {
    child: Child,
    output: BufReader<ChildStdout>,
    /// What it said of itself.
    pub(crate) line: Value,
    pub(crate) folder: TempDir,
}

/// A folder with the plan and an as-built file that says how all turnouts lie.
pub(crate) fn folder(as_built: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut plan = PLAN.to_owned();
    let mut lies = String::new();
    for output in 1..=8 {
        write!(
            plan,
            "[[turnout]]\nid = \"T{output}\"\nshape = \"left\"\ndecoder = \"D1\"\n\
             output = {output}\ndrive = \"twin-coil\"\namps = 0.8\nposition_reports = true\n"
        )
        .unwrap();
        let id = format!("[turnout.T{output}]");
        if !as_built.contains(&id) {
            writeln!(lies, "{id}\nlies = \"straight\"").unwrap();
        }
    }
    std::fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let as_built = as_built.replace("T1]\n", "T1]\nlies = \"straight\"\n") + &lies;
    std::fs::write(folder.path().join("as-built.toml"), as_built).unwrap();
    folder
}

pub(crate) fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin("throwproof"));
    command
        .current_dir(folder)
        .env("XDG_CONFIG_HOME", folder)
        .args(["track", "plan.toml", "--as-built", "as-built.toml"])
        .args(args)
        .stdin(Stdio::null());
    command
}

impl Served {
    pub(crate) fn start(as_built: &str, args: &[&str]) -> Self {
        Self::start_in(folder(as_built), args)
    }

    pub(crate) fn start_in(folder: TempDir, args: &[&str]) -> Self {
        let mut child = command(folder.path(), args)
            .args(["--format", "json"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut output = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        output.read_line(&mut line).unwrap();
        let line = serde_json::from_str(&line).unwrap_or_else(|_| panic!("no line, but `{line}`"));
        keeps_to_schema(&line);
        Self {
            child,
            output,
            line,
            folder,
        }
    }

    /// An LCC node by TCP.
    pub(crate) fn lcc(as_built: &str) -> Self {
        Self::lcc_with(as_built, &["--tcp", "127.0.0.1:0"])
    }

    pub(crate) fn lcc_with(as_built: &str, args: &[&str]) -> Self {
        let common = ["--serve", "lcc", "--node-id", "0A.01.02.03.04.05"];
        Self::start(as_built, &[&common, args].concat())
    }

    pub(crate) fn connect(&self) -> Line {
        let address = self.line["tcp"].as_str().unwrap();
        let stream = TcpStream::connect(address).unwrap();
        stream.set_nodelay(true).unwrap();
        Line::new(Stream::Tcp(stream))
    }

    pub(crate) fn open(&self) -> Line {
        open(Path::new(self.line["pty"].as_str().unwrap()))
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).unwrap();
    }

    /// How it ends, and its last line.
    pub(crate) fn wait(&mut self) -> (ExitStatus, Value) {
        let mut last = String::new();
        self.output.read_to_string(&mut last).unwrap();
        let status = self.child.wait().unwrap();
        let last = serde_json::from_str(&last).unwrap();
        keeps_to_schema(&last);
        (status, last)
    }

    /// Ends it well; its last line.
    pub(crate) fn end(&mut self) -> Value {
        self.signal(Signal::TERM);
        let (status, last) = self.wait();
        assert_eq!(status.code(), Some(0));
        last
    }

    /// Processor time used so far, where the system tells: in hundredths of a second.
    pub(crate) fn used(&self) -> Option<Duration> {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).ok()?;
        // The name, in brackets, may have spaces in it.
        let fields: Vec<_> = stat.rsplit_once(')')?.1.split_whitespace().collect();
        let ticks = fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?;
        Some(Duration::from_millis(10 * ticks))
    }

    /// Resident memory in KiB, where the system tells.
    pub(crate) fn resident(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).ok()?;
        let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
        line.split_whitespace().nth(1)?.parse().ok()
    }
}

fn keeps_to_schema(line: &Value) {
    let schema = include_str!("../../docs/schema/events.schema.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    if let Err(error) = validator.validate(line) {
        panic!("{line}: {error}");
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        // One that has ended is none to end.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

pub(crate) fn open(path: &Path) -> Line {
    try_open(path).unwrap()
}

pub(crate) fn try_open(path: &Path) -> io::Result<Line> {
    let noctty = i32::try_from(rustix::fs::OFlags::NOCTTY.bits()).unwrap();
    let mut options = OpenOptions::new();
    let options = options.read(true).write(true).custom_flags(noctty);
    Ok(Line::new(Stream::File(options.open(path)?)))
}

pub(crate) enum Stream {
    Tcp(TcpStream),
    File(std::fs::File),
}

impl Stream {
    fn fd(&self) -> BorrowedFd<'_> {
        match self {
            Self::Tcp(stream) => stream.as_fd(),
            Self::File(file) => file.as_fd(),
        }
    }

    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Tcp(stream) => stream.read(bytes),
            Self::File(file) => file.read(bytes),
        }
    }

    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.write_all(bytes),
            Self::File(file) => file.write_all(bytes),
        }
    }
}

/// The client's end of a line.
pub(crate) struct Line {
    stream: Stream,
    /// What came and is no whole message yet.
    begun: Vec<u8>,
    /// Whole messages that nobody asked for yet.
    messages: Vec<String>,
    is_ended: bool,
}

impl Line {
    fn new(stream: Stream) -> Self {
        Self {
            stream,
            begun: Vec::new(),
            messages: Vec::new(),
            is_ended: false,
        }
    }

    pub(crate) fn send(&mut self, text: &str) {
        self.send_bytes(text.as_bytes());
    }

    pub(crate) fn send_bytes(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).unwrap();
    }

    /// Lets nobody else open it, as programs commonly do with serial ports.
    pub(crate) fn lock(&self) {
        rustix::termios::ioctl_tiocexcl(self.stream.fd()).unwrap();
    }

    /// The other end of the stream, to write to from elsewhere.
    pub(crate) fn second(&self) -> TcpStream {
        match &self.stream {
            Stream::Tcp(stream) => stream.try_clone().unwrap(),
            Stream::File(_) => panic!("not TCP"),
        }
    }

    /// Reads what is there, or what comes within that time.
    pub(crate) fn read(&mut self, within: Duration) -> Vec<u8> {
        let mut polled = [PollFd::from_borrowed_fd(self.stream.fd(), PollFlags::IN)];
        let time = Timespec::try_from(within).unwrap();
        if poll(&mut polled, Some(&time)).unwrap() == 0 {
            return Vec::new();
        }
        let mut bytes = vec![0; 65_536];
        let count = self.stream.read(&mut bytes).unwrap_or(0);
        self.is_ended |= count == 0;
        bytes.truncate(count);
        bytes
    }

    /// Messages that end with a line end, as they are complete.
    fn fill(&mut self, within: Duration) {
        let bytes = self.read(within);
        self.begun.extend_from_slice(&bytes);
        while let Some(end) = self.begun.iter().position(|byte| *byte == b'\n') {
            let message: Vec<u8> = self.begun.drain(..=end).collect();
            let message = String::from_utf8(message).unwrap();
            self.messages.push(message.trim_end().to_owned());
        }
    }

    /// Waits for the first message that begins so, and gives it and all before it; later ones stay.
    pub(crate) fn until(&mut self, beginning: &str, within: Duration) -> Vec<String> {
        let end = now() + within;
        loop {
            let found = self.messages.iter();
            let mut found = found.map(|message| message.starts_with(beginning));
            if let Some(place) = found.position(|is_it| is_it) {
                return self.messages.drain(..=place).collect();
            }
            let left = end.saturating_duration_since(now());
            assert!(
                !left.is_zero() && !self.is_ended,
                "no {beginning} within {within:?}, but {:?}",
                self.messages
            );
            self.fill(left);
        }
    }

    /// The first message that begins so.
    pub(crate) fn expect(&mut self, beginning: &str, within: Duration) -> String {
        self.until(beginning, within).pop().unwrap()
    }

    /// Everything that comes within that time.
    pub(crate) fn listen(&mut self, time: Duration) -> Vec<String> {
        let end = now() + time;
        loop {
            let left = end.saturating_duration_since(now());
            if left.is_zero() || self.is_ended {
                return std::mem::take(&mut self.messages);
            }
            self.fill(left);
        }
    }

    pub(crate) fn is_ended(&mut self) -> bool {
        self.listen(Duration::from_secs(2));
        self.is_ended
    }

    /// Asks until that is the answer: what it tells of may take its time.
    pub(crate) fn ask_until(&mut self, question: &str, answer: &str) {
        let end = now() + LONG;
        while now() < end {
            self.send(question);
            let said = self.listen(Duration::from_millis(100));
            if said.iter().any(|message| message == answer) {
                return;
            }
        }
        panic!("{question} was never answered by {answer}");
    }

    /// Asks for the node's alias. Afterwards nothing more comes that was asked for here, or that
    /// the node says when it begins.
    ///
    /// clause: CFT S 6.2.3: an alias map enquiry is answered with the map definition.
    pub(crate) fn alias(&mut self) -> String {
        // The node may still be reserving one, and is silent then.
        let end = now() + LONG;
        while now() < end {
            self.send(&format!(":X10702123N{NODE};"));
            let answers = self.listen(Duration::from_millis(100));
            let of_node = answers
                .iter()
                .find(|frame| frame.starts_with(":X10701") && frame.ends_with("N0A0102030405;"));
            if let Some(frame) = of_node {
                let alias = frame[7..10].to_owned();
                // clause: MN S 3.3.7: protocol support. Its answer comes after all others.
                self.send(&format!(":X19828EEEN0{alias};"));
                self.expect(&format!(":X19668{alias}N0EEE"), LONG);
                for _ in 0..20 {
                    if self.listen(Duration::from_millis(50)).is_empty() {
                        break;
                    }
                }
                return alias;
            }
        }
        panic!("the node has no alias");
    }
}
