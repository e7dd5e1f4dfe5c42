//! A sweep with the phone page as witness, and a small HTTP client that says what it is told to.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

pub(crate) const PLAN: &str = r#"
[layout]
name = "Slipway"

[decoder.D]
outputs = 4
first_address = 5
output_kind = "pulse"
pulse_ms = 150

[[turnout]]
id = "Q1"
place = "Quay throat"
shape = "left"
decoder = "D"
output = 1

[[turnout]]
id = "Q2"
place = "Quay throat"
shape = "right"
decoder = "D"
output = 2

[[signal]]
id = "S1"
place = "Fish dock"
address = 60
kind = "extended"
aspects = { stop = 0, proceed = 1 }
"#;

/// Names of the plan, which no one without the key may learn.
pub(crate) const SECRETS: [&str; 5] = ["Slipway", "Quay", "Q1", "S1", "plan.toml"];

/// How long anything may take.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);

/// A sweep that serves its page.
pub(crate) struct Sweep {
    child: Child,
    pub(crate) at: SocketAddr,
    pub(crate) key: String,
    lines: Mutex<Receiver<Value>>,
    _folder: tempfile::TempDir,
}

impl Sweep {
    pub(crate) fn start(options: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
        let mut child = Command::new(assert_cmd::cargo::cargo_bin("throwproof"))
            .current_dir(folder.path())
            .env("XDG_STATE_HOME", folder.path().join("state"))
            .args([
                "sweep",
                "plan.toml",
                "--witness",
                "phone",
                "--format",
                "json",
            ])
            .args(["--listen", "127.0.0.1:0"])
            .args(options)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stderr.take().unwrap());
        let mut line = String::new();
        while !line.contains("http://") {
            line.clear();
            assert_ne!(said.read_line(&mut line).unwrap(), 0, "no link was shown");
        }
        let shown = line.trim().strip_prefix("http://").unwrap();
        let (at, key) = shown.split_once("/#").unwrap();
        let (sender, lines) = channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            // What else it says must not block it.
            std::thread::spawn(move || said.read_to_string(&mut String::new()));
            for line in out.lines().map_while(Result::ok) {
                if sender.send(serde_json::from_str(&line).unwrap()).is_err() {
                    return;
                }
            }
        });
        Self {
            child,
            at: at.parse().unwrap(),
            key: key.to_owned(),
            lines: Mutex::new(lines),
            _folder: folder,
        }
    }

    /// A request as the page would make it, without a cookie.
    pub(crate) fn request(&self, method: &str, path: &str) -> Request {
        let mut request = Request {
            at: self.at,
            head: format!("{method} {path} HTTP/1.1\r\n"),
            headers: vec![("Host".to_owned(), self.at.to_string())],
            body: String::new(),
        };
        if method == "POST" {
            let origin = format!("http://{}", self.at);
            request = request
                .with("Origin", &origin)
                .with("Content-Type", "application/json");
        }
        request
    }

    /// Tries a key.
    pub(crate) fn enter(&self, key: &str) -> Answer {
        let body = json!({"key": key}).to_string();
        self.request("POST", "/enter").saying(&body).send()
    }

    /// A phone that is let in.
    pub(crate) fn phone(&self) -> Phone<'_> {
        let answer = self.enter(&self.key);
        assert_eq!(answer.status, 204);
        let cookie = answer.header("set-cookie").unwrap();
        let (pair, attributes) = cookie.split_once("; ").unwrap();
        for attribute in ["HttpOnly", "SameSite=Strict", "Path=/"] {
            assert!(attributes.contains(attribute), "{cookie}");
        }
        assert!(!pair.contains(&self.key), "the cookie is the key: {cookie}");
        Phone {
            sweep: self,
            cookie: pair.to_owned(),
        }
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// The next event of that kind.
    pub(crate) fn event(&self, kind: &str) -> Value {
        loop {
            let event = self.lines.lock().unwrap().recv_timeout(PATIENCE).unwrap();
            if event["event"] == kind {
                return event;
            }
        }
    }

    /// How it ended and the events that are left.
    pub(crate) fn end(mut self) -> (Option<i32>, Vec<Value>) {
        let left: Vec<Value> = self.lines.get_mut().unwrap().iter().collect();
        (self.child.wait().unwrap().code(), left)
    }
}

impl Drop for Sweep {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _killed = self.child.kill();
        let _ended = self.child.wait();
    }
}

/// A phone that was let in.
pub(crate) struct Phone<'a> {
    sweep: &'a Sweep,
    cookie: String,
}

impl Phone<'_> {
    pub(crate) fn request(&self, method: &str, path: &str) -> Request {
        self.sweep
            .request(method, path)
            .with("Cookie", &self.cookie)
    }

    pub(crate) fn scene(&self) -> Value {
        let answer = self.request("GET", "/scene").send();
        assert_eq!(answer.status, 200);
        serde_json::from_str(&answer.body).unwrap()
    }

    /// The scene once another question is open than that one.
    pub(crate) fn question(&self, before: u64) -> Value {
        let began = Instant::now();
        while began.elapsed() < PATIENCE {
            let scene = self.scene();
            if scene["asked"]["number"]
                .as_u64()
                .is_some_and(|number| number > before)
            {
                return scene;
            }
            // More often would be turned away: 20 a second.
            std::thread::sleep(Duration::from_millis(60));
        }
        panic!("no question after {before}: {}", self.scene());
    }

    /// Answers that question in that way.
    pub(crate) fn answer(&self, scene: &Value, number: u64, nonce: &str, reply: &Value) -> Answer {
        let body = json!({
            "session": scene["session"], "number": number, "nonce": nonce, "reply": reply
        });
        self.request("POST", "/answer")
            .saying(&body.to_string())
            .send()
    }

    /// Answers what was sent, as seen; gives the number of the question.
    pub(crate) fn sees_what_was_sent(&self, scene: &Value) -> u64 {
        let number = scene["asked"]["number"].as_u64().unwrap();
        let answer = self.answer(scene, number, "n", &as_sent(scene));
        assert_eq!(
            (answer.status, answer.body.as_str()),
            (200, r#"{"status":"taken"}"#)
        );
        number
    }
}

/// The answer that says that it lies as it was sent.
pub(crate) fn as_sent(scene: &Value) -> Value {
    let asked = &scene["asked"];
    let observed = if asked["signal"].is_string() {
        json!({"aspect": asked["commanded"]})
    } else {
        asked["commanded"].clone()
    };
    json!({"throw": {"seen": {"observed": observed}}})
}

/// A request, word for word.
pub(crate) struct Request {
    at: SocketAddr,
    head: String,
    headers: Vec<(String, String)>,
    body: String,
}

impl Request {
    /// Adds a header, or says another thing in it.
    pub(crate) fn with(mut self, name: &str, value: &str) -> Self {
        self.headers.retain(|(known, _)| known != name);
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }

    pub(crate) fn without(mut self, name: &str) -> Self {
        self.headers.retain(|(known, _)| known != name);
        self
    }

    pub(crate) fn saying(mut self, body: &str) -> Self {
        body.clone_into(&mut self.body);
        self.with("Content-Length", &body.len().to_string())
    }

    fn text(&self) -> String {
        let headers = self
            .headers
            .iter()
            .map(|(name, value)| format!("{name}: {value}\r\n"));
        format!(
            "{}{}\r\n{}",
            self.head,
            headers.collect::<String>(),
            self.body
        )
    }

    /// Sends it and leaves the connection open, for a stream.
    pub(crate) fn open(&self) -> BufReader<TcpStream> {
        self.try_open().unwrap()
    }

    fn try_open(&self) -> std::io::Result<BufReader<TcpStream>> {
        let mut stream = TcpStream::connect(self.at)?;
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        // It may be turned away before all is said.
        let _sent = stream.write_all(self.text().as_bytes());
        Ok(BufReader::new(stream))
    }

    /// What came back; status 0 where nobody is there any more.
    pub(crate) fn send(self) -> Answer {
        let stream = self.with("Connection", "close").try_open();
        stream.map_or_else(
            |_| Answer {
                status: 0,
                headers: Vec::new(),
                body: String::new(),
            },
            |mut stream| Answer::read(&mut stream),
        )
    }
}

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: String,
}

impl Answer {
    fn read(stream: &mut BufReader<TcpStream>) -> Self {
        let mut whole = Vec::new();
        // A reset comes after what was said.
        let _read = stream.read_to_end(&mut whole);
        let whole = String::from_utf8(whole).unwrap();
        let (head, body) = whole.split_once("\r\n\r\n").unwrap_or((&whole, ""));
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1));
        let headers = lines.filter_map(|line| line.split_once(": "));
        Self {
            status: status.and_then(|status| status.parse().ok()).unwrap_or(0),
            headers: headers
                .map(|(name, value)| (name.to_lowercase(), value.to_owned()))
                .collect(),
            body: body.to_owned(),
        }
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let found = self.headers.iter().find(|(known, _)| known == name);
        found.map(|(_, value)| value.as_str())
    }
}
