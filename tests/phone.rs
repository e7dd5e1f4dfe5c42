//! The witness `phone`: a sweep that is answered over HTTP, and who is turned away.
#![cfg(target_os = "linux")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(clippy::disallowed_methods, reason = "a real program takes real time")]

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

#[path = "phone/support.rs"]
mod support;

use support::{PATIENCE, Request, SECRETS, Sweep, as_sent};

/// All that can be asked for, and what can't.
const PATHS: [&str; 15] = [
    "/page.css",
    "/page.js",
    "/view.js",
    "/words.json",
    "/drawings.json",
    "/icon.svg",
    "/scene",
    "/events",
    "/events?tab=x",
    "/answer",
    "/stop",
    "/nothing",
    "/../plan.toml",
    "//",
    "/favicon.ico",
];

#[test]
fn a_whole_sweep_is_answered_and_its_end_is_shown() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let mut stream = phone.request("GET", "/events?tab=a").open();
    let mut answered = 0;
    let mut number = 0;
    let mut line = String::new();
    while !line.contains(r#""ended":{"#) {
        if let Some(data) = line
            .strip_prefix("data: ")
            .filter(|data| data.starts_with('{'))
        {
            let scene: Value = serde_json::from_str(data).unwrap();
            if scene["asked"]["number"]
                .as_u64()
                .is_some_and(|asked| asked > number)
            {
                number = phone.sees_what_was_sent(&scene);
                answered += 1;
            }
        }
        line.clear();
        assert_ne!(
            stream.read_line(&mut line).unwrap(),
            0,
            "it ended without a word"
        );
    }
    // The stream ends with the program, and the last it says is how it went.
    stream.read_to_string(&mut String::new()).unwrap();
    let scene: Value = serde_json::from_str(line.strip_prefix("data: ").unwrap()).unwrap();
    assert_eq!(scene["progress"]["ended"]["proved"], 3);
    assert_eq!(scene["progress"]["verdicts"], json!({"proved": 3}));
    let (code, events) = sweep.end();
    assert_eq!(code, Some(0));
    let observations = events.iter().filter(|one| one["event"] == "observation");
    assert_eq!(observations.count(), answered);
    assert_eq!(number, answered as u64);
    assert_eq!(events[0]["witness"], "phone");
}

#[test]
fn without_the_key_every_path_says_the_same_and_nothing_of_the_plan() {
    let sweep = Sweep::start(&["--only", "Q1"]);
    let mut answers = Vec::new();
    for path in PATHS {
        for method in ["GET", "POST", "PUT", "DELETE", "OPTIONS"] {
            answers.push(sweep.request(method, path).send());
            let guessed = sweep
                .request(method, path)
                .with("Cookie", "throwproof-1=x; a=b");
            answers.push(guessed.send());
        }
    }
    for wrong in ["", "x", "AAAAAAAAAAAAAAAAAAAAAA"] {
        answers.push(sweep.enter(wrong));
    }
    answers.push(sweep.request("POST", "/enter").saying("{").send());
    answers.push(
        sweep
            .request("POST", "/enter")
            .saying(&"x".repeat(5000))
            .send(),
    );
    answers.push(sweep.request("GET", "/enter").send());
    for answer in answers {
        assert_eq!(
            (answer.status, answer.body.as_str()),
            (401, ""),
            "{answer:?}"
        );
        let headers: Vec<_> = answer
            .headers
            .iter()
            .map(|(name, _)| name.as_str())
            .collect();
        assert!(
            !headers.contains(&"allow") && !headers.contains(&"content-type"),
            "{headers:?}"
        );
        assert!(
            !headers
                .iter()
                .any(|name| name.starts_with("access-control")),
            "{headers:?}"
        );
    }
    let door = sweep.request("GET", "/").send();
    assert_eq!(door.status, 401);
    for secret in SECRETS {
        assert!(!door.body.contains(secret), "the door tells of {secret}");
    }
    assert!(
        door.header("content-security-policy")
            .unwrap()
            .contains("script-src 'sha256-")
    );
}

#[test]
fn the_page_is_locked_down() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    for path in ["/", "/page.js", "/scene", "/nothing"] {
        let answer = phone.request("GET", path).send();
        let says = |name: &str| answer.header(name).unwrap_or_default().to_owned();
        let policy = says("content-security-policy");
        for part in [
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        ] {
            assert!(policy.contains(part), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(says("x-content-type-options"), "nosniff");
        assert_eq!(says("referrer-policy"), "no-referrer");
        assert_eq!(says("cache-control"), "no-store");
        assert_eq!(says("cross-origin-opener-policy"), "same-origin");
        assert_eq!(says("cross-origin-resource-policy"), "same-origin");
        assert!(says("permissions-policy").contains("screen-wake-lock=(self)"));
        assert_eq!(answer.header("access-control-allow-origin"), None);
        assert_eq!(answer.header("server"), None);
    }
    for (method, path, status) in [
        ("GET", "/nothing", 404),
        ("POST", "/scene", 405),
        ("GET", "/answer", 405),
        ("PUT", "/scene", 405),
        ("HEAD", "/", 405),
        ("OPTIONS", "/answer", 405),
    ] {
        assert_eq!(
            phone.request(method, path).send().status,
            status,
            "{method} {path}"
        );
    }
}

#[test]
fn another_name_for_this_computer_is_turned_away() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let port = sweep.at.port();
    let ask = |host: &str| {
        phone
            .request("GET", "/scene")
            .with("Host", host)
            .send()
            .status
    };
    for host in [
        format!("127.0.0.1:{port}"),
        format!("localhost:{port}"),
        format!("[::1]:{port}"),
    ] {
        assert_eq!(ask(&host), 200, "{host}");
    }
    for host in [
        "evil.example".to_owned(),
        format!("evil.example:{port}"),
        format!("127.0.0.1.evil.example:{port}"),
        format!("127.0.0.1:{}", port - 1),
        "127.0.0.1".to_owned(),
        format!("192.168.1.20:{port}"),
    ] {
        assert_eq!(ask(&host), 401, "{host}");
        let door = sweep.request("GET", "/").with("Host", &host).send();
        assert_eq!(
            (door.status, door.body.as_str()),
            (401, ""),
            "not even the door"
        );
        let origin = format!("http://{host}");
        let body = json!({"key": sweep.key}).to_string();
        let enter = sweep
            .request("POST", "/enter")
            .with("Host", &host)
            .with("Origin", &origin);
        assert_eq!(enter.saying(&body).send().status, 401);
    }
    assert_eq!(
        phone.request("GET", "/scene").without("Host").send().status,
        401
    );
}

#[test]
fn what_another_site_asks_for_is_turned_away() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let scene = phone.question(0);
    let body = json!({
        "session": scene["session"], "number": 1, "nonce": "n", "reply": as_sent(&scene)
    });
    let body = body.to_string();
    let post = || phone.request("POST", "/answer").saying(&body);
    let turned_away: [(&str, Request); 9] = [
        (
            "another origin",
            post().with("Origin", "http://evil.example"),
        ),
        ("an origin that is none", post().with("Origin", "null")),
        ("no origin", post().without("Origin")),
        (
            "another scheme",
            post().with("Origin", &format!("https://{}", sweep.at)),
        ),
        ("another port", post().with("Origin", "http://127.0.0.1:1")),
        ("cross-site", post().with("Sec-Fetch-Site", "cross-site")),
        ("same-site", post().with("Sec-Fetch-Site", "same-site")),
        (
            "a stream",
            phone
                .request("GET", "/events")
                .with("Origin", "http://evil.example"),
        ),
        (
            "a script",
            phone
                .request("GET", "/page.js")
                .with("Sec-Fetch-Site", "cross-site"),
        ),
    ];
    for (what, request) in turned_away {
        assert_eq!(request.send().status, 403, "{what}");
    }
    let as_form = post().with("Content-Type", "text/plain").send();
    assert_eq!(
        as_form.status, 415,
        "what a form of another site could send"
    );
    let link = |mode: &str| {
        let request = phone
            .request("GET", "/")
            .with("Sec-Fetch-Site", "cross-site");
        request.with("Sec-Fetch-Mode", mode).send().status
    };
    assert_eq!(link("navigate"), 200, "a link may be anywhere");
    assert_eq!(link("no-cors"), 403);
    assert_eq!(
        phone.question(0)["asked"]["number"],
        1,
        "nothing was answered"
    );
    assert_eq!(
        post().with("Sec-Fetch-Site", "same-origin").send().status,
        200
    );
}

#[test]
fn guessing_is_limited_and_shuts_out_nobody_who_is_in() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let statuses: Vec<_> = (0..14)
        .map(|_| sweep.enter("AAAAAAAAAAAAAAAAAAAAAA").status)
        .collect();
    assert_eq!(statuses[..10], [401; 10]);
    assert_eq!(statuses[10..], [429; 4]);
    assert_eq!(
        sweep.enter(&sweep.key).status,
        429,
        "else guessing could go on"
    );
    phone.sees_what_was_sent(&phone.question(0));
}

#[test]
fn an_answer_counts_once_and_only_for_its_own_question() {
    let sweep = Sweep::start(&["--only", "Q1"]);
    let (one, two) = (sweep.phone(), sweep.phone());
    let first = one.question(0);
    let between = json!({"throw": {"seen": {"observed": "between"}}});
    // Answers that do not fit, and questions that are not open.
    let not = |number, reply: &Value| one.answer(&first, number, "x", reply).status;
    assert_eq!(not(1, &json!({"hand": "laid"})), 422);
    assert_eq!(
        not(
            1,
            &json!({"throw": {"seen": {"observed": {"aspect": "stop"}}}})
        ),
        422
    );
    let stranger = json!({"throw": {"seen": {"observed": "another", "others": ["Q9"]}}});
    assert_eq!(not(1, &stranger), 422);
    assert_eq!(not(1, &json!({"throw": {"note": {}}})), 422);
    assert_eq!(not(1, &json!({"throw": "proved"})), 400);
    assert_eq!(not(2, &between), 409, "not asked yet");
    assert_eq!(not(0, &between), 409);

    assert_eq!(one.answer(&first, 1, "a", &as_sent(&first)).status, 200);
    let again = one.answer(&first, 1, "a", &as_sent(&first));
    assert_eq!(again.status, 200, "the same answer, sent again");
    let late = two.answer(&first, 1, "b", &between);
    assert_eq!(late.status, 409);
    let told: Value = serde_json::from_str(&late.body).unwrap();
    let answered = json!({"number": 1, "about": "Q1", "reply": "straight", "by": "phone"});
    assert_eq!(told, json!({"status": "answered", "answered": answered}));
    assert_eq!(
        one.answer(&first, 1, "a", &between).status,
        409,
        "another answer, same nonce"
    );

    let second = two.question(1);
    assert_eq!(second["answered"], answered);
    // Still for the first question: it must not answer the second.
    assert_eq!(two.answer(&second, 1, "c", &between).status, 409);
    let mut other_start = second.clone();
    other_start["session"] = json!("0123456789abcdef");
    let restarted = two.answer(&other_start, 2, "d", &between);
    assert_eq!(
        (restarted.status, restarted.body.as_str()),
        (409, r#"{"status":"restarted"}"#)
    );
    let number = two.sees_what_was_sent(&second);
    let third = one.question(number);
    assert_eq!(
        one.answer(&first, 1, "a", &as_sent(&first)).status,
        200,
        "still known"
    );
    one.sees_what_was_sent(&third);
    let (code, events) = sweep.end();
    let seen: Vec<_> = events
        .iter()
        .filter(|one| one["event"] == "observation")
        .collect();
    assert_eq!((code, seen.len()), (Some(0), 3), "{seen:?}");
    assert!(
        seen.iter().all(|one| one["observed"] == one["commanded"]),
        "{seen:?}"
    );
}

#[test]
fn several_phones_see_the_same_and_one_of_two_answers_counts() {
    let sweep = Sweep::start(&["--only", "Q1"]);
    let phones = [sweep.phone(), sweep.phone(), sweep.phone()];
    let mut number = 0;
    for round in 1..=3 {
        let scene = phones[0].question(number);
        number = scene["asked"]["number"].as_u64().unwrap();
        let statuses: Vec<u16> = std::thread::scope(|scope| {
            let answers: Vec<_> = phones
                .iter()
                .enumerate()
                .map(|(at, phone)| {
                    let (scene, nonce) = (&scene, at.to_string());
                    scope.spawn(move || phone.answer(scene, number, &nonce, &as_sent(scene)).status)
                })
                .collect();
            answers
                .into_iter()
                .map(|answer| answer.join().unwrap())
                .collect()
        });
        let taken = statuses.iter().filter(|status| **status == 200).count();
        // After the last question the program ends, and one that is slow finds it gone.
        let is_late = |status: &u16| *status == 409 || round == 3 && *status == 0;
        let late = statuses.iter().filter(|status| is_late(status)).count();
        assert_eq!((taken, late), (1, 2), "{statuses:?}");
    }
    let (code, events) = sweep.end();
    assert_eq!(code, Some(0));
    assert_eq!(
        events
            .iter()
            .filter(|one| one["event"] == "observation")
            .count(),
        3
    );
}

#[test]
fn a_stream_tells_of_every_question_and_of_nothing_twice() {
    let sweep = Sweep::start(&["--only", "Q1"]);
    let phone = sweep.phone();
    let mut stream = phone.request("GET", "/events?tab=a").open();
    let mut scenes = Vec::new();
    let mut line = String::new();
    while scenes.len() < 40 && stream.read_line(&mut line).unwrap() > 0 {
        if let Some(data) = line.strip_prefix("data: {") {
            let scene: Value = serde_json::from_str(&format!("{{{data}")).unwrap();
            if scene["asked"]["number"].is_u64()
                && scene["asked"]
                    != scenes
                        .last()
                        .map_or(Value::Null, |last: &Value| last["asked"].clone())
            {
                phone.sees_what_was_sent(&scene);
            }
            assert_ne!(scenes.last(), Some(&scene), "the same scene again");
            scenes.push(scene);
        }
        line.clear();
    }
    assert!(
        !scenes.last().unwrap()["progress"]["ended"].is_null(),
        "{scenes:?}"
    );
    assert_eq!(sweep.end().0, Some(0));
}

#[test]
fn a_new_stream_of_a_tab_ends_its_old_one() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let mut old = phone.request("GET", "/events?tab=a").open();
    let mut other = phone.request("GET", "/events?tab=b").open();
    let first = |stream: &mut BufReader<TcpStream>| {
        let mut line = String::new();
        while !line.starts_with("data: {") {
            line.clear();
            assert_ne!(stream.read_line(&mut line).unwrap(), 0);
        }
    };
    first(&mut old);
    first(&mut other);
    let mut new = phone.request("GET", "/events?tab=a").open();
    first(&mut new);
    let mut rest = String::new();
    old.read_to_string(&mut rest).unwrap();
    phone.sees_what_was_sent(&phone.question(0));
    first(&mut new);
    first(&mut other);
}

#[test]
fn what_is_too_large_or_too_slow_is_dropped() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let large = phone
        .request("POST", "/answer")
        .saying(&"x".repeat(4097))
        .send();
    assert_eq!(large.status, 413);
    let said_small = phone
        .request("POST", "/answer")
        .with("Content-Length", "100000000")
        .send();
    assert_eq!(said_small.status, 413, "before any of it came");
    let header = phone
        .request("GET", "/scene")
        .with("X-Long", &"x".repeat(20_000))
        .send();
    assert!(matches!(header.status, 431 | 0), "{header:?}");

    // One letter at a time, as if it never ended; and a body that does not come.
    let began = Instant::now();
    let mut slow = TcpStream::connect(sweep.at).unwrap();
    slow.set_read_timeout(Some(Duration::from_millis(500)))
        .unwrap();
    let waiting = phone
        .request("POST", "/answer")
        .with("Content-Length", "50")
        .open();
    let mut silent = TcpStream::connect(sweep.at).unwrap();
    silent.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut sent = slow.write_all(b"GET /scene HTTP/1.1\r\nX: ");
    while sent.is_ok() {
        assert!(
            began.elapsed() < PATIENCE,
            "a slow request is never dropped"
        );
        let mut some = [0; 64];
        if matches!(slow.read(&mut some), Ok(0)) {
            break;
        }
        sent = slow.write_all(b"x");
    }
    let mut said = String::new();
    let _reset = { waiting }.read_to_string(&mut said);
    assert!(said.starts_with("HTTP/1.1 408"), "{said}");
    assert_eq!(
        silent.read(&mut [0; 8]).unwrap_or(0),
        0,
        "nor one that says nothing"
    );
    assert!(began.elapsed() < PATIENCE);
    phone.sees_what_was_sent(&phone.question(0));
}

#[test]
fn a_crowd_of_connections_does_not_keep_a_phone_out_for_long() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let crowd: Vec<_> = (0..200)
        .map(|_| TcpStream::connect(sweep.at).unwrap())
        .collect();
    let began = Instant::now();
    // All from the same address, which is the hardest case: it is let in as they are dropped.
    loop {
        if phone.request("GET", "/scene").send().status == 200 {
            break;
        }
        assert!(began.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(100));
    }
    drop(crowd);
}

#[test]
fn a_phone_that_asks_too_often_has_to_wait_and_is_not_shut_out() {
    let sweep = Sweep::start(&[]);
    let (greedy, calm) = (sweep.phone(), sweep.phone());
    let statuses: Vec<_> = (0..200)
        .map(|_| greedy.request("GET", "/icon.svg").send().status)
        .collect();
    assert!(statuses.contains(&429), "{statuses:?}");
    assert!(
        statuses.iter().all(|status| matches!(status, 200 | 429)),
        "{statuses:?}"
    );
    calm.sees_what_was_sent(&calm.question(0));
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(greedy.request("GET", "/icon.svg").send().status, 200);
}

#[test]
fn stop_and_ctrl_c_end_it_with_four_and_phones_are_told() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    let scene = phone.question(0);
    let mut stream = phone.request("GET", "/events").open();
    assert_eq!(
        phone
            .answer(&scene, 1, "n", &json!({"throw": "stop"}))
            .status,
        200
    );
    let mut said = String::new();
    stream.read_to_string(&mut said).unwrap();
    assert!(said.contains(r#""stopped":"operator""#), "{said}");
    let (code, events) = sweep.end();
    assert_eq!(code, Some(4));
    assert_eq!(events.last().unwrap()["event"], "summary");
}

#[test]
fn a_phone_stops_it_whatever_it_is_at_and_only_one_that_is_in() {
    let sweep = Sweep::start(&[]);
    let phone = sweep.phone();
    phone.question(0);
    assert_eq!(
        phone.request("POST", "/stop").saying("{}").send().status,
        200
    );
    let (code, events) = sweep.end();
    assert_eq!(code, Some(4));
    let stopped = events.iter().rfind(|event| event["event"] == "stopped");
    assert_eq!(stopped.unwrap()["reason"], "operator");
}

/// Ports on which a process listens, by its open files.
fn listens(child: u32) -> usize {
    let table = std::fs::read_to_string(format!("/proc/{child}/net/tcp")).unwrap()
        + &std::fs::read_to_string(format!("/proc/{child}/net/tcp6")).unwrap_or_default();
    let listening: Vec<String> = table
        .lines()
        .map(|line| line.split_whitespace().collect::<Vec<_>>())
        // clause: proc_net_tcp of the Linux kernel's documentation: state 0A is listening.
        .filter(|fields| fields.get(3) == Some(&"0A"))
        .map(|fields| format!("socket:[{}]", fields[9]))
        .collect();
    let files = std::fs::read_dir(format!("/proc/{child}/fd")).unwrap();
    let open = files.filter_map(|file| std::fs::read_link(file.ok()?.path()).ok());
    open.filter(|file| listening.contains(&file.display().to_string()))
        .count()
}

#[test]
fn nothing_listens_without_the_witness_phone() {
    let sweep = Sweep::start(&[]);
    sweep.event("run-started");
    assert_eq!(listens(sweep.pid()), 1, "the check itself works");
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("plan.toml"), support::PLAN).unwrap();
    let program = assert_cmd::cargo::cargo_bin("throwproof");
    let run = |options: &[&str]| {
        let mut command = Command::new(&program);
        command
            .current_dir(folder.path())
            .args(["sweep", "plan.toml"])
            .args(options);
        command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    };
    // Long enough to be looked at.
    let mut other = run(&["--cycles", "2000", "--format", "json"])
        .spawn()
        .unwrap();
    let mut first = String::new();
    let mut out = BufReader::new(other.stdout.take().unwrap());
    out.read_line(&mut first).unwrap();
    assert!(first.contains("run-started"), "{first}");
    assert_eq!(listens(other.id()), 0);
    other.kill().unwrap();
    other.wait().unwrap();
    // And where it is asked for without need, that is said.
    let refused = run(&["--listen", "0.0.0.0"]).output().unwrap();
    assert_eq!(refused.status.code(), Some(2));
    let said = String::from_utf8(refused.stderr).unwrap();
    assert!(said.contains("--witness phone"), "{said}");
    let taken = sweep.at.to_string();
    let refused = run(&["--witness", "phone", "--listen", &taken])
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(2));
    let said = String::from_utf8(refused.stderr).unwrap();
    assert!(said.contains(&taken) && said.contains("help:"), "{said}");
}
