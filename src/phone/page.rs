//! The page's files, its drawings, and the door in front of it. All of it is in the program.

use std::collections::BTreeMap;

use axum::http::HeaderValue;
use sha2::{Digest as _, Sha256};
use throwproof_protocol::address::Position;

use super::base64;
use crate::drawing::{Lies, routes, svg};
use crate::plan::Shape;

/// A file of the page.
#[derive(Debug)]
pub(super) struct File {
    pub(super) path: &'static str,
    pub(super) kind: &'static str,
    pub(super) bytes: &'static str,
}

const HTML: &str = "text/html; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// What the page says, the only file that another language would need.
const WORDS: &str = include_str!("page/en.json");

const DOOR: &str = include_str!("page/door.html");

macro_rules! file {
    ($path:literal, $kind:expr, $name:literal) => {
        File {
            path: $path,
            kind: $kind,
            bytes: include_str!(concat!("page/", $name)),
        }
    };
}

/// All files that are served as they are.
pub(super) static FILES: [File; 13] = [
    file!("/", HTML, "index.html"),
    file!("/page.css", "text/css; charset=utf-8", "page.css"),
    file!("/icon.svg", "image/svg+xml", "icon.svg"),
    file!("/words.json", "application/json", "en.json"),
    file!("/page.js", SCRIPT, "page.js"),
    file!("/view.js", SCRIPT, "view.js"),
    file!("/bench.js", SCRIPT, "bench.js"),
    file!("/hunt.js", SCRIPT, "hunt.js"),
    file!("/diagnosis.js", SCRIPT, "diagnosis.js"),
    file!("/survey.js", SCRIPT, "survey.js"),
    file!("/sheets.js", SCRIPT, "sheets.js"),
    file!("/delivery.js", SCRIPT, "delivery.js"),
    file!("/senses.js", SCRIPT, "senses.js"),
];

/// The door: what who has no cookie gets to see.
#[derive(Debug)]
pub(super) struct Front {
    pub(super) html: String,
    pub(super) policy: HeaderValue,
}

/// The door in the page's language, and a policy that lets its own script run and nothing else.
pub(super) fn front() -> Front {
    let words: BTreeMap<String, serde_json::Value> =
        serde_json::from_str(WORDS).unwrap_or_default();
    let mut html = DOOR.to_owned();
    for (name, said) in &words {
        if let Some(said) = said.as_str() {
            html = html.replace(&format!("{{{{{name}}}}}"), said);
        }
    }
    let inside = |tag: &str| {
        let begin = html.split_once(&format!("<{tag}>"));
        let inside = begin.and_then(|(_, rest)| rest.split_once(&format!("</{tag}>")));
        let digest = Sha256::digest(inside.map_or("", |(inside, _)| inside).as_bytes());
        base64::padded(&digest)
    };
    // clause: Content Security Policy Level 3, 6.7.3.3 (from memory): hash of what is between the
    // tags.
    let policy = format!(
        "default-src 'none'; script-src 'sha256-{}'; style-src 'sha256-{}'; connect-src 'self'; \
         img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        inside("script"),
        inside("style")
    );
    Front {
        policy: HeaderValue::from_str(&policy)
            .unwrap_or(HeaderValue::from_static("default-src 'none'")),
        html,
    }
}

/// Every shape of turnout, each way it can lie, as JSON: `{"left": {"straight": "<svg …"}}`. Where
/// several drives make more routes than two, those are `set-left` and so on.
pub(super) fn drawings() -> Vec<u8> {
    let shapes = [
        Shape::Left,
        Shape::Right,
        Shape::Wye,
        Shape::Curved,
        Shape::ThreeWay,
        Shape::SingleSlip,
        Shape::DoubleSlip,
        Shape::Crossover,
        Shape::Scissors,
    ];
    let ways = [
        ("straight", Lies::At(Position::Straight)),
        ("diverging", Lies::At(Position::Diverging)),
        ("between", Lies::Between),
        ("unknown", Lies::Unknown),
    ];
    let all: Vec<_> = shapes
        .iter()
        .map(|shape| {
            let simple = ways.map(|(name, lies)| (name.to_owned(), svg(*shape, lies)));
            let routes = routes(*shape).iter().map(|(route, _)| *route);
            let routes = routes.filter(|_| routes_of_several(*shape));
            let set = routes.map(|route| {
                let name = format!("set-{}", route.as_str());
                (name, svg(*shape, Lies::On(route)))
            });
            (shape, simple.into_iter().chain(set).collect())
        })
        .collect();
    let mut named = BTreeMap::<String, BTreeMap<String, String>>::new();
    for (shape, drawings) in all {
        if let Ok(serde_json::Value::String(name)) = serde_json::to_value(shape) {
            named.insert(name, drawings);
        }
    }
    serde_json::to_vec(&named).unwrap_or_default()
}

/// Whether a shape with several drives is drawn otherwise than one with a single drive.
fn routes_of_several(shape: Shape) -> bool {
    routes(shape).len() > 2
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::diagnose::cause;
    use crate::event::diagnosis::Came;
    use crate::event::hunt;
    use crate::event::teach::Outcome;

    fn words() -> BTreeMap<String, String> {
        serde_json::from_str(WORDS).unwrap()
    }

    #[test]
    fn every_word_that_the_page_uses_is_there_and_none_is_left_over() {
        let pattern = regex::Regex::new(
            r#"(?x) \b(?:say|put)\(\s*"([a-z0-9-]+)" | data-(?:say|label)="([a-z0-9-]+)" | \{\{([a-z0-9-]+)\}\}"#,
        )
        .unwrap();
        let files = FILES.iter().filter(|file| file.kind != "application/json");
        let mut used = BTreeSet::new();
        for text in files.map(|file| file.bytes).chain([DOOR]) {
            for found in pattern.captures_iter(text) {
                let name = found.iter().skip(1).flatten().next().unwrap();
                used.insert(name.as_str().to_owned());
            }
        }
        // Made of a word of the program: `say(`answer-${code}`)`.
        let families = [
            "answer-",
            "ask-",
            "verdict-",
            "lies-",
            "step-",
            "by-",
            "taught-",
            "hunted-",
            "hunt-back-",
            "diagnosis-",
            "cause-",
        ];
        let known: BTreeSet<_> = words().into_keys().collect();
        let missing: Vec<_> = used.difference(&known).collect();
        assert!(missing.is_empty(), "not in en.json: {missing:?}");
        let idle: Vec<_> = known
            .difference(&used)
            .filter(|name| !families.iter().any(|family| name.starts_with(family)))
            .collect();
        assert!(idle.is_empty(), "in en.json and never said: {idle:?}");
    }

    #[test]
    fn words_of_the_program_have_words_of_the_page() {
        let words = words();
        for verdict in crate::verdict::Verdict::ALL {
            assert!(
                words.contains_key(&format!("verdict-{}", verdict.as_str())),
                "{verdict:?}"
            );
        }
        for outcome in [
            hunt::Outcome::Proved,
            hunt::Outcome::OneWay,
            hunt::Outcome::Nobody,
            hunt::Outcome::Unclear,
            hunt::Outcome::BrokenOff,
        ] {
            let name = serde_json::to_value(outcome).unwrap();
            let name = format!("hunted-{}", name.as_str().unwrap());
            assert!(words.contains_key(&name), "{name}");
        }
        // A cause may do without one: it is told by its name then.
        let told = words.keys().filter_map(|key| key.strip_prefix("cause-"));
        for name in told.filter(|name| *name != "none-fits") {
            assert!(cause::by_name(name).is_some(), "{name}");
        }
        for kind in [Came::Named, Came::Remain, Came::NoneFits, Came::BrokenOff] {
            let name = serde_json::to_value(kind).unwrap();
            let name = format!("diagnosis-{}", name.as_str().unwrap());
            assert!(words.contains_key(&name), "{name}");
        }
        for outcome in [Outcome::Proved, Outcome::NotProved, Outcome::BrokenOff] {
            let name = serde_json::to_value(outcome).unwrap();
            let name = format!("taught-{}", name.as_str().unwrap());
            assert!(words.contains_key(&name), "{name}");
        }
        for code in [
            "straight",
            "diverging",
            "no-movement",
            "between",
            "another",
            "repeat",
            "undo",
            "back-and-forth",
            "keep-throwing",
            "note",
            "skip",
            "skip-place",
            "stop",
            "laid",
            "not-laid",
            "confirmed",
            "differ",
            "one-by-one",
            "good",
            "bad",
            "later",
            "enough",
            "done",
            "cannot",
            "nothing",
            "elsewhere",
            "cannot-see",
            "send-again",
            "straight-stays-on",
            "diverging-stays-on",
            "stop-here",
            "output",
            "moved",
            "did-not-move",
            "not-sure",
            "again",
        ] {
            assert!(words.contains_key(&format!("answer-{code}")), "{code}");
        }
    }

    #[test]
    fn the_door_says_all_it_has_to_say_and_nothing_of_any_plan() {
        let front = front();
        assert!(!front.html.contains("{{"), "{}", front.html);
        assert_eq!(front.html.matches("<script>").count(), 1);
        assert_eq!(front.html.matches("<style>").count(), 1);
        assert!(
            front
                .policy
                .to_str()
                .unwrap()
                .contains("script-src 'sha256-")
        );
    }

    #[test]
    fn nothing_of_the_page_comes_from_elsewhere() {
        for text in FILES.iter().map(|file| file.bytes).chain([DOOR]) {
            let text = text.replace("http://www.w3.org/2000/svg", "");
            assert!(!text.contains("http:") && !text.contains("https:") && !text.contains("//cdn"));
            assert!(!text.contains("style=\""), "the policy forbids it");
        }
    }

    #[test]
    fn drawings_of_every_shape_each_way() {
        let all: BTreeMap<String, BTreeMap<String, String>> =
            serde_json::from_slice(&drawings()).unwrap();
        assert_eq!(all.len(), 9);
        assert!(all.values().all(|ways| ways.len() >= 4));
        assert_eq!(all["left"].len(), 4);
        assert_eq!(all["double-slip"].len(), 8);
        assert!(all["three-way"]["set-left"].starts_with("<svg"));
        assert!(all["three-way"]["between"].starts_with("<svg"));
    }

    #[test]
    fn the_page_is_small() {
        let files: usize = FILES.iter().map(|file| file.bytes.len()).sum();
        let all = files + drawings().len();
        assert!(
            all < 125_000,
            "{all} bytes for a phone at the far end of the room"
        );
    }
}
