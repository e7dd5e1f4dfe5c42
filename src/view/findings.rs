//! Findings, as a person and as a program reads them.

use anstyle::{AnsiColor, Style};
use serde::Serialize;

use crate::check::Counts;
use crate::plan::draft::Draft;
use crate::plan::{Finding, Severity};

/// Columns the text is wrapped to.
const WIDTH: usize = 96;

/// Columns before the text of a finding: `error    line 1234  `.
const INDENT: usize = 20;

/// The findings as a person reads them: the gravest first, then in the order of the file.
/// `styled` has ANSI colours, which `anstream` takes out where they don't belong.
pub fn text(draft: &Draft, findings: &[Finding], styled: bool) -> String {
    let mut text = format!(
        "{}: {}, {}, {}, {}\n",
        draft.layout.name,
        several(draft.turnouts.len(), "turnout", "turnouts"),
        several(draft.signals.len(), "signal", "signals"),
        several(draft.decoders.len(), "decoder", "decoders"),
        several(draft.supplies.len(), "supply", "supplies"),
    );
    for severity in [Severity::Error, Severity::Warning, Severity::Note] {
        let of_severity = findings
            .iter()
            .filter(|finding| finding.severity() == severity);
        for finding in of_severity {
            text.push('\n');
            one(&mut text, finding, styled);
        }
    }
    let counts = Counts::of(findings);
    text.push_str(if findings.is_empty() { "" } else { "\n" });
    text.push_str(&total(counts));
    text.push('\n');
    text
}

/// The findings as a program reads them: one JSON object a line, the last one the summary.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn json(findings: &[Finding]) -> Result<String, serde_json::Error> {
    let mut text = String::new();
    for finding in findings {
        text.push_str(&serde_json::to_string(&Line::from(finding))?);
        text.push('\n');
    }
    let Counts {
        errors,
        warnings,
        notes,
    } = Counts::of(findings);
    let summary = Line::Summary {
        errors,
        warnings,
        notes,
    };
    text.push_str(&serde_json::to_string(&summary)?);
    text.push('\n');
    Ok(text)
}

#[derive(Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum Line<'a> {
    Finding {
        code: &'static str,
        severity: Severity,
        subjects: Vec<&'a str>,
        line: u32,
        message: &'a str,
        why: &'static str,
        mend: &'a str,
    },
    Summary {
        errors: usize,
        warnings: usize,
        notes: usize,
    },
}

impl<'a> From<&'a Finding> for Line<'a> {
    fn from(finding: &'a Finding) -> Self {
        Self::Finding {
            code: finding.code.as_str(),
            severity: finding.severity(),
            subjects: finding
                .subjects
                .iter()
                .map(crate::plan::Id::as_str)
                .collect(),
            line: finding.line,
            message: &finding.message,
            why: finding.code.why(),
            mend: &finding.mend,
        }
    }
}

fn one(text: &mut String, finding: &Finding, styled: bool) {
    let colour = match finding.severity() {
        Severity::Error => AnsiColor::Red,
        Severity::Warning => AnsiColor::Yellow,
        Severity::Note => AnsiColor::Cyan,
    };
    let style = if styled {
        colour.on_default().bold()
    } else {
        Style::new()
    };
    let head = format!(
        "{:<7}  line {:<5} ",
        finding.severity().as_str(),
        finding.line
    );
    let head = format!("{head:<INDENT$}");
    let (severity, rest) = head.split_at(finding.severity().as_str().len());
    for part in [
        &style.render().to_string(),
        severity,
        &style.render_reset().to_string(),
        rest,
    ] {
        text.push_str(part);
    }
    wrap(
        text,
        &format!("{} [{}]", finding.message, finding.code.as_str()),
        0,
    );
    for (label, words) in [
        ("why   ", finding.code.why()),
        ("mend  ", finding.mend.as_str()),
    ] {
        text.push_str(&" ".repeat(INDENT));
        text.push_str(label);
        wrap(text, words, label.len());
    }
}

/// Appends words to a text whose last line is already filled to the indent and `hang` more.
fn wrap(text: &mut String, words: &str, hang: usize) {
    let room = WIDTH - INDENT - hang;
    let mut used = 0;
    for word in words.split(' ') {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > room {
            text.push('\n');
            text.push_str(&" ".repeat(INDENT + hang));
            used = 0;
        }
        if used > 0 {
            text.push(' ');
            used += 1;
        }
        text.push_str(word);
        used += length;
    }
    text.push('\n');
}

fn total(counts: Counts) -> String {
    let Counts {
        errors,
        warnings,
        notes,
    } = counts;
    if errors + warnings + notes == 0 {
        return "nothing found".to_owned();
    }
    let parts = [
        (errors, several(errors, "error", "errors")),
        (warnings, several(warnings, "warning", "warnings")),
        (notes, several(notes, "note", "notes")),
    ];
    let parts = parts
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(_, text)| text);
    let mut text = parts.collect::<Vec<_>>().join(", ");
    if errors > 0 {
        text.push_str(": nothing is thrown from this plan until the errors are mended");
    }
    text
}

fn several(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
