//! A kind of finding, explained, as a person and as a program reads it.

use std::fmt::Write as _;

use crate::check::explain::{explain, weighs};
use crate::plan::finding::Code;

/// Columns the text is wrapped to.
const WIDTH: usize = 96;

/// A kind of finding as a person reads it.
pub fn text(code: Code) -> String {
    let words = explain(code);
    let mut text = format!("{}\n", code.as_str());
    for (label, words) in [
        ("what", words.what),
        ("weighs", weighs(code)),
        ("why", code.why()),
        ("mend", words.mend),
        ("example", words.example),
        ("behind it", words.basis),
    ] {
        let head = format!("  {label:<11}");
        let options = textwrap::Options::new(WIDTH)
            .initial_indent(&head)
            .subsequent_indent("             ");
        text.push_str(&textwrap::fill(words, options));
        text.push('\n');
    }
    text
}

/// Every kind of finding in a line.
pub fn list() -> String {
    let mut text = String::new();
    for code in Code::ALL {
        let words = explain(*code);
        let _infallible = writeln!(
            text,
            "{:<7}  {:<22}  {}",
            code.severity().as_str(),
            code.as_str(),
            words.what
        );
    }
    text
}

/// A kind of finding as a program reads it: one JSON object.
///
/// # Errors
/// Never in practice: every field is a text.
pub fn json(code: Code) -> Result<String, serde_json::Error> {
    let words = explain(code);
    let line = serde_json::json!({
        "event": "explanation",
        "code": code.as_str(),
        "severity": code.severity(),
        "what": words.what,
        "why": code.why(),
        "mend": words.mend,
        "example": words.example,
        "basis": words.basis,
    });
    Ok(serde_json::to_string(&line)? + "\n")
}
