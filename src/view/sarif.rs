//! Findings as SARIF 2.1.0 (OASIS Standard, 27 March 2020), for tools that show them beside the
//! text of the plan. Clauses are from memory.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::{Value, json};

use super::findings::Told;
use crate::check::explain::explain;
use crate::plan::draft::Draft;
use crate::plan::finding::{Code, Finding};
use crate::textfile::Span;

/// Where the schema of version 2.1.0 is published.
const SCHEMA: &str =
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json";

/// One run of `check` as a SARIF log.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn sarif(draft: &Draft, findings: &[Finding]) -> Result<String, serde_json::Error> {
    // clause: 3.49 reportingDescriptor: every rule that has a result, each once.
    let mut rules: Vec<Code> = findings.iter().map(|finding| finding.code).collect();
    rules.sort_unstable();
    rules.dedup();
    let results: Vec<_> = findings
        .iter()
        .map(|finding| result(draft, finding, &rules))
        .collect();
    // clause: 3.13 sarifLog, 3.14 run, 3.18 tool, 3.19 toolComponent.
    let log = json!({
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [{
            "tool": { "driver": {
                "name": env!("CARGO_PKG_NAME"),
                "version": env!("CARGO_PKG_VERSION"),
                "rules": rules.iter().copied().map(rule).collect::<Vec<_>>(),
            }},
            "columnKind": "unicodeCodePoints",
            "results": results,
        }],
    });
    Ok(serde_json::to_string_pretty(&log)? + "\n")
}

fn rule(code: Code) -> Value {
    let words = explain(code);
    json!({
        "id": code.as_str(),
        "shortDescription": { "text": words.what },
        "fullDescription": { "text": format!("{}: {}.", words.what, code.why()) },
        "help": { "text": format!("{}. Behind it: {}.", words.mend, words.basis) },
        "defaultConfiguration": { "level": code.severity().as_str() },
    })
}

fn result(draft: &Draft, finding: &Finding, rules: &[Code]) -> Value {
    let index = rules.iter().position(|code| *code == finding.code);
    let related = finding.others.iter().enumerate().map(|(id, mark)| {
        let mut location = location(draft, mark.at);
        location["id"] = json!(id);
        location["message"] = json!({ "text": mark.label });
        location
    });
    let figures = finding.figures.iter().map(Told::from);
    let subjects = finding.subjects.iter().map(crate::plan::Id::as_str);
    // clause: 3.27 result; 3.27.10 level: "error", "warning", "note" are as here; 3.8 property
    // bag.
    json!({
        "ruleId": finding.code.as_str(),
        "ruleIndex": index,
        "level": finding.severity().as_str(),
        "message": { "text": format!("{}. To mend it: {}.", finding.message, finding.mend) },
        "locations": [location(draft, finding.at)],
        "relatedLocations": related.collect::<Vec<_>>(),
        "properties": {
            "subjects": subjects.collect::<Vec<_>>(),
            "mend": finding.mend,
            "figures": figures.collect::<Vec<_>>(),
        },
    })
}

/// clause: 3.28 location, 3.29 physicalLocation, 3.30 region: lines and columns from 1, the end
/// column is the one behind the last character.
fn location(draft: &Draft, at: Span) -> Value {
    let (start, end) = (draft.file.position(at.start), draft.file.position(at.end));
    json!({ "physicalLocation": {
        "artifactLocation": { "uri": uri(draft.file.path()) },
        "region": {
            "startLine": start.line,
            "startColumn": start.column,
            "endLine": end.line,
            "endColumn": end.column,
        },
    }})
}

/// clause: 3.4.3: a valid URI (RFC 3986): what is not plain is written as `%XX`.
fn uri(path: &Path) -> String {
    let text = path.to_string_lossy().replace('\\', "/");
    let mut uri = String::new();
    if text.starts_with('/') {
        uri.push_str("file://");
    }
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            uri.push(char::from(byte));
        } else {
            let _infallible = write!(uri, "%{byte:02X}");
        }
    }
    uri
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_are_uris() {
        assert_eq!(uri(Path::new("my plans/bay.toml")), "my%20plans/bay.toml");
        assert_eq!(uri(Path::new("/home/ö.toml")), "file:///home/%C3%B6.toml");
    }
}
