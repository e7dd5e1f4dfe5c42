//! Steps at a decoder, answered over HTTP.

use std::net::SocketAddr;

use serde_json::{Value, json};
use throwproof_protocol::address::Position;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::*;
use crate::plan::{Id, Plan};
use crate::witness::Witness as _;
use crate::witness::bench::{Did, Job, Saw, Task, Watch};
use crate::witness::desk::{Desk, Progress};

const PLAN: &str = "[layout]\nname = \"Kestrel Bay\"\n";

/// A phone that was let in.
struct Client {
    at: SocketAddr,
    cookie: String,
}

impl Client {
    async fn enter(phone: &Phone) -> Self {
        let at = phone.bound;
        let mut client = Self {
            at,
            cookie: String::new(),
        };
        let key = json!({"key": phone.door.key()});
        let (head, _) = client.send("POST", "/enter", &key.to_string()).await;
        let cookie = head.lines().find_map(|line| {
            let line = line
                .to_ascii_lowercase()
                .find("set-cookie: ")
                .map(|_| line)?;
            line.split_once(": ")?.1.split(';').next()
        });
        cookie.unwrap().clone_into(&mut client.cookie);
        client
    }

    /// Head and body of what comes back.
    async fn send(&self, method: &str, path: &str, body: &str) -> (String, String) {
        let Self { at, cookie } = self;
        let mut stream = TcpStream::connect(at).await.unwrap();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nCookie: {cookie}\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            body.len()
        );
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut whole = String::new();
        stream.read_to_string(&mut whole).await.unwrap();
        let (head, body) = whole.split_once("\r\n\r\n").unwrap();
        (head.to_owned(), body.to_owned())
    }

    /// The scene once it is as wanted.
    async fn scene(&self, is_wanted: impl Fn(&Value) -> bool) -> Value {
        loop {
            let (_, body) = self.send("GET", "/scene", "").await;
            let scene = serde_json::from_str(&body).unwrap();
            if is_wanted(&scene) {
                return scene;
            }
            // More often would be turned away.
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    async fn question(&self, number: u64) -> Value {
        self.scene(|scene| scene["asked"]["number"] == number).await
    }

    /// What becomes of an answer to the question of that scene.
    async fn answers(&self, scene: &Value, nonce: &str, reply: Value) -> String {
        let (session, number) = (&scene["session"], &scene["asked"]["number"]);
        let body = json!({"session": session, "number": number, "nonce": nonce, "reply": reply});
        let (_, said) = self.send("POST", "/answer", &body.to_string()).await;
        let said: Value = serde_json::from_str(&said).unwrap();
        said["status"].as_str().unwrap().to_owned()
    }
}

fn task(job: Job) -> Task {
    Task {
        decoder: Id::new("D1"),
        place: "Quay".to_owned(),
        step: 1,
        steps: 3,
        job,
        text: "Set the switches of D1.".to_owned(),
        mind: String::new(),
        if_stopped: Vec::new(),
    }
}

fn watch(output: Option<u8>) -> Watch {
    Watch {
        decoder: Id::new("D1"),
        place: "Quay".to_owned(),
        step: 2,
        steps: 3,
        output,
        outputs: 4,
        wired: None,
        address: 11,
        sent: Position::Straight,
        goes_off: false,
    }
}

async fn page(desk: &Desk) -> Phone {
    let listen = "127.0.0.1:0".parse().unwrap();
    let door = Door::unkept().unwrap();
    Phone::open(listen, door, desk.seat()).await.unwrap()
}

fn desk() -> Desk {
    let plan = Plan::from_text("plan.toml", PLAN).unwrap();
    Desk::new("phone", "session".to_owned(), Progress::of(&plan))
}

#[tokio::test]
async fn each_step_takes_its_own_answer_and_each_answer_counts_once() {
    let mut desk = desk();
    let phone = page(&desk).await;
    let engine = async {
        let on = vec![true, false];
        let did = desk.do_by_hand(&task(Job::Switches { on })).await.unwrap();
        let mut seen = Vec::new();
        for output in [Some(3), None] {
            let watch = watch(output);
            desk.watch_begins(&watch).await.unwrap();
            seen.push(desk.watch(&watch).await.unwrap());
        }
        (did, seen)
    };
    let person = async {
        let client = Client::enter(&phone).await;
        let scene = client.question(1).await;
        assert_eq!(scene["asked"]["kind"], "task");
        assert!(
            scene["asked"]["picture"]
                .as_str()
                .unwrap()
                .starts_with("<svg")
        );
        for other in [json!({"watch": "nothing"}), json!({"hand": "laid"})] {
            assert_eq!(client.answers(&scene, "a", other).await, "does-not-fit");
        }
        for wrong in [json!({"task": "perhaps"}), json!("done")] {
            assert_eq!(client.answers(&scene, "a", wrong).await, "not-understood");
        }
        let done = || json!({"task": "done"});
        assert_eq!(client.answers(&scene, "a", done()).await, "taken");
        assert_eq!(client.answers(&scene, "a", done()).await, "taken", "again");
        let late = json!({"task": "cannot"});
        assert_eq!(client.answers(&scene, "b", late).await, "answered");

        // It is shown where to look before anything is asked.
        let coming = client.scene(|scene| scene["coming"].is_object()).await;
        assert_eq!(coming["coming"]["output"], 3);
        assert_eq!(coming["asked"], Value::Null);
        let scene = client.question(2).await;
        assert_eq!(scene["coming"], Value::Null);
        assert_eq!(scene["answered"]["reply"], "done");
        for unfit in [
            json!({"task": "done"}),
            json!({"watch": {"other-output": 3}}),
            json!({"watch": {"other-output": 5}}),
            json!({"watch": {"acted": {"half": "straight", "stays_on": true}}}),
        ] {
            assert_eq!(client.answers(&scene, "c", unfit).await, "does-not-fit");
        }
        let half = json!({"watch": {"acted": {"half": "diverging"}}});
        assert_eq!(client.answers(&scene, "c", half).await, "taken");

        let scene = client.question(3).await;
        assert_eq!(scene["asked"]["output"], Value::Null);
        let half = json!({"watch": {"acted": {"half": "straight"}}});
        assert_eq!(client.answers(&scene, "d", half).await, "does-not-fit");
        let other = json!({"watch": {"other-output": 3}});
        assert_eq!(client.answers(&scene, "d", other).await, "taken");
    };
    let whole = async { tokio::join!(engine, person) };
    let patience = Duration::from_secs(20);
    let ((did, seen), ()) = timeout(patience, whole).await.unwrap();
    assert_eq!(did, Did::Done);
    let acted = Saw::Acted {
        position: Position::Diverging,
        stays_on: false,
    };
    assert_eq!(seen, [acted, Saw::OtherOutput(3)]);
}
