//! The words of the trade, English and German, as headings and in cells.

use std::fmt::Write as _;

use super::Key;
use crate::plan::{Drive, Shape};

/// The same without case, umlauts, spaces and punctuation: `Rück-Meldung` is `rueckmeldung`.
pub(super) fn plain(text: &str) -> String {
    let mut plain = String::new();
    for letter in text.trim().chars().flat_map(char::to_lowercase) {
        match letter {
            'ä' => plain.push_str("ae"),
            'ö' => plain.push_str("oe"),
            'ü' => plain.push_str("ue"),
            'ß' => plain.push_str("ss"),
            letter if letter.is_alphanumeric() => plain.push(letter),
            _ => {}
        }
    }
    plain
}

/// The headings known, each plain.
const HEADINGS: &[(Key, &[&str])] = &[
    (
        Key::Id,
        &[
            "id",
            "turnout",
            "turnouts",
            "turnoutid",
            "turnoutname",
            "turnoutno",
            "turnoutnumber",
            "point",
            "points",
            "pointno",
            "pointsno",
            "pointid",
            "setofpoints",
            "weiche",
            "weichen",
            "weichennr",
            "weichennummer",
            "weichenname",
            "weichenbezeichnung",
            "bezeichnung",
            "kennung",
        ],
    ),
    (
        Key::Address,
        &[
            "address",
            "addr",
            "adr",
            "adresse",
            "adressen",
            "addresses",
            "weichenadresse",
            "dccaddress",
            "dccadresse",
            "dccaddr",
            "digitaladresse",
            "digitaladdress",
            "turnoutaddress",
            "pointaddress",
            "keyedaddress",
            "accessoryaddress",
            "zubehoeradresse",
            "flataddress",
        ],
    ),
    (
        Key::Decoder,
        &[
            "decoder",
            "board",
            "boards",
            "baustein",
            "weichendecoder",
            "schaltdecoder",
            "zubehoerdecoder",
            "accessorydecoder",
            "decoderboard",
            "module",
            "modul",
            "dekoder",
            "decoderoutput",
            "decoderausgang",
            "boardoutput",
            "bausteinausgang",
            "decoderport",
        ],
    ),
    (
        Key::Output,
        &[
            "output",
            "outputs",
            "ausgang",
            "port",
            "outputpair",
            "outputno",
            "ausgangnr",
            "ausgangsnummer",
            "terminal",
            "anschluss",
        ],
    ),
    (
        Key::Place,
        &[
            "place",
            "area",
            "location",
            "ort",
            "bereich",
            "where",
            "standort",
            "einbauort",
            "lage",
            "bahnhof",
        ],
    ),
    (
        Key::Shape,
        &[
            "shape",
            "kind",
            "type",
            "art",
            "bauform",
            "form",
            "typ",
            "weichenart",
            "weichentyp",
            "hand",
            "turnoutkind",
            "turnouttype",
            "pointtype",
        ],
    ),
    (
        Key::Drive,
        &[
            "drive",
            "motor",
            "antrieb",
            "weichenantrieb",
            "pointmotor",
            "turnoutmotor",
            "switchmachine",
            "antriebsart",
            "actuator",
        ],
    ),
    (
        Key::Supply,
        &[
            "supply",
            "versorgung",
            "netzteil",
            "power",
            "powersupply",
            "stromversorgung",
            "trafo",
            "transformer",
        ],
    ),
    (
        Key::Reports,
        &[
            "positionreports",
            "positionreport",
            "reports",
            "feedback",
            "rueckmeldung",
            "rueckmelder",
            "lagerueckmeldung",
            "stellungsrueckmeldung",
        ],
    ),
    (
        Key::Inverted,
        &[
            "inverted",
            "invertiert",
            "inverse",
            "reversed",
            "swapped",
            "umgepolt",
            "vertauscht",
        ],
    ),
    (
        Key::Note,
        &[
            "note",
            "notes",
            "bemerkung",
            "bemerkungen",
            "remark",
            "remarks",
            "comment",
            "comments",
            "notiz",
            "anmerkung",
            "kommentar",
        ],
    ),
    (
        Key::Amps,
        &[
            "amps",
            "current",
            "strom",
            "ampere",
            "stromaufnahme",
            "amperes",
            "currenta",
            "stroma",
            "stromina",
        ],
    ),
];

/// Headings that may be an id or an address.
const NUMBER: &[&str] = &["no", "nr", "number", "nummer", "num", "lfdnr", "name"];

/// The one key that a heading names beyond doubt.
pub(super) fn heading_key(text: &str) -> Option<Key> {
    let plain = plain(text);
    let known = HEADINGS
        .iter()
        .find(|(_, words)| words.contains(&plain.as_str()));
    known.map(|(key, _)| *key)
}

/// Every key that a heading may name: all that its words name.
pub(super) fn heading_keys(text: &str) -> Vec<Key> {
    if let Some(key) = heading_key(text) {
        return vec![key];
    }
    if NUMBER.contains(&plain(text).as_str()) {
        return vec![Key::Id, Key::Address];
    }
    let mut keys = Vec::new();
    for word in text.split(|c: char| !c.is_alphanumeric()) {
        if let Some(key) = heading_key(word)
            && !keys.contains(&key)
        {
            keys.push(key);
        }
    }
    keys
}

/// What a cell of the column of shapes says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// A turnout of that shape.
    Turnout(Shape),
    /// A signal, or something else that is no turnout.
    Other,
}

pub(super) fn form(text: &str) -> Option<Form> {
    let plain = plain(text);
    let plain = plain
        .strip_suffix("turnout")
        .filter(|rest| !rest.is_empty())
        .unwrap_or(&plain);
    let shape = match plain {
        "left" | "l" | "lh" | "lefthand" | "links" | "linksweiche" | "weichelinks" | "li" => {
            Shape::Left
        }
        "right" | "r" | "rh" | "righthand" | "rechts" | "rechtsweiche" | "weicherechts" | "re" => {
            Shape::Right
        }
        "wye" | "y" | "ypoint" | "yweiche" | "aussenbogenweiche" | "abw" => Shape::Wye,
        "curved" | "curvedpoint" | "bogen" | "bogenweiche" | "innenbogenweiche" | "ibw" => {
            Shape::Curved
        }
        "threeway" | "3way" | "dreiweg" | "dreiwegweiche" | "dww" | "tandem" => Shape::ThreeWay,
        "singleslip" | "ekw" | "einfachekreuzungsweiche" => Shape::SingleSlip,
        "doubleslip" | "slip" | "dkw" | "doppeltekreuzungsweiche" => Shape::DoubleSlip,
        "crossover" | "gleisverbindung" => Shape::Crossover,
        "scissors" | "scissorscrossover" | "doublecrossover" | "doppeltegleisverbindung" => {
            Shape::Scissors
        }
        "signal" | "signals" | "uncoupler" | "entkuppler" | "gates" | "bahnschranke"
        | "schranke" | "light" | "lights" | "licht" => return Some(Form::Other),
        _ => return None,
    };
    Some(Form::Turnout(shape))
}

pub(super) fn drive(text: &str) -> Option<Drive> {
    Some(match plain(text).as_str() {
        "twincoil"
        | "coil"
        | "coils"
        | "spule"
        | "spulen"
        | "doppelspule"
        | "magnetic"
        | "magnet"
        | "magnetantrieb"
        | "doppelspulenantrieb"
        | "solenoid"
        | "twincoilsolenoid"
        | "solenoidmotor" => Drive::TwinCoil,
        "stallmotor" | "motor" | "motorantrieb" | "slowmotion" | "slowmotionmotor"
        | "langsamlaeufer" | "slowaction" | "slowactionmotor" => Drive::StallMotor,
        "servo" | "servoantrieb" | "servomotor" => Drive::Servo,
        "memorywire" | "formgedaechtnisdraht" | "memorydraht" => Drive::MemoryWire,
        _ => return None,
    })
}

pub(super) fn yes(text: &str) -> Option<bool> {
    match text.trim() {
        "✓" | "✔" => return Some(true),
        "-" | "–" | "" => return Some(false),
        _ => {}
    }
    match plain(text).as_str() {
        "yes" | "y" | "ja" | "j" | "x" | "true" | "wahr" | "1" | "inverted" | "invertiert" => {
            Some(true)
        }
        "no" | "n" | "nein" | "false" | "falsch" | "0" | "none" | "keine" | "normal" => Some(false),
        _ => None,
    }
}

/// A current, with decimal comma or point, in A or mA.
pub(super) fn amps(text: &str) -> Option<f64> {
    let text = text.trim().to_lowercase();
    let (number, scale) = if let Some(number) = text.strip_suffix("ma") {
        (number, 0.001)
    } else {
        let bare = text.trim_end_matches("amps").trim_end_matches("ampere");
        (bare.strip_suffix('a').unwrap_or(bare), 1.0)
    };
    let amps = decimal(number)? * scale;
    // Without the tail that the scaling leaves: to a tenth of a milliampere.
    let amps = (amps * 10_000.0).round() / 10_000.0;
    (0.001..=50.0).contains(&amps).then_some(amps)
}

/// A number with decimal comma or point.
pub(super) fn decimal(text: &str) -> Option<f64> {
    let text = text.trim().replace(',', ".");
    let digits = text.chars().all(|c| c.is_ascii_digit() || c == '.');
    text.parse()
        .ok()
        .filter(|number: &f64| digits && number.is_finite())
}

/// Text as a TOML string.
pub(super) fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for letter in text.chars() {
        match letter {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            letter if letter.is_control() => {
                let code = u32::from(letter);
                // A `String` takes anything.
                let _infallible = write!(quoted, "\\u{code:04X}");
            }
            letter => quoted.push(letter),
        }
    }
    quoted.push('"');
    quoted
}

/// Text as a TOML key: without quotation marks where it needs none.
pub(super) fn key(text: &str) -> String {
    let bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_');
    if !text.is_empty() && text.chars().all(bare) {
        text.to_owned()
    } else {
        quoted(text)
    }
}

/// Text that a comment can have: one line, no control characters, not without end.
pub(super) fn remark(text: &str) -> String {
    const LONGEST: usize = 2000;
    let letters = text.trim().chars();
    let letters = letters.map(|c| if c.is_control() { ' ' } else { c });
    letters.take(LONGEST).collect()
}

/// The text of a cell that a spreadsheet is to show as it is, without the mark for that.
pub(super) fn undefused(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.trim_start().starts_with(['=', '+', '-', '@']) => rest,
        Some(_) | None => cell,
    }
}
