//! Findings, as a person and as a program reads them.

use std::fmt::Write as _;

use anstyle::{AnsiColor, Style};
use serde::Serialize;

use crate::check::Counts;
use crate::electric::Load;
use crate::plan::draft::Draft;
use crate::plan::finding::{Figure, Limit};
use crate::plan::{Finding, Plan, Severity};

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
    text.push_str(&total(counts, findings));
    text.push('\n');
    text
}

/// The findings as a program reads them: one JSON object a line, the last one the summary.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn json(findings: &[Finding]) -> Result<String, serde_json::Error> {
    json_with(findings, None)
}

/// The same, with what each supply of a plan has to give before the summary.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn json_with(
    findings: &[Finding],
    supplies: Option<(&Plan, &[Load])>,
) -> Result<String, serde_json::Error> {
    let mut text = String::new();
    for finding in findings {
        text.push_str(&serde_json::to_string(&Line::from(finding))?);
        text.push('\n');
    }
    for (plan, load) in supplies
        .into_iter()
        .flat_map(|(plan, loads)| loads.iter().map(move |load| (plan, load)))
    {
        let Some(supply) = plan.supplies.get(load.supply) else {
            continue;
        };
        let line = Line::SupplyLoad {
            supply: supply.id.as_str(),
            steady_amps: rounded(load.steady),
            throw_amps: rounded(load.throw),
            at_once: load.at_once,
            worst_amps: rounded(load.from_supply),
            rated_amps: rounded(load.rated),
            margin_amps: rounded(load.margin()),
            capacitor: supply.capacitor.is_some(),
        };
        text.push_str(&serde_json::to_string(&line)?);
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
        #[serde(skip_serializing_if = "Vec::is_empty")]
        figures: Vec<Told>,
    },
    SupplyLoad {
        supply: &'a str,
        steady_amps: f64,
        throw_amps: f64,
        at_once: u32,
        worst_amps: f64,
        rated_amps: f64,
        margin_amps: f64,
        capacitor: bool,
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
            figures: finding.figures.iter().map(Told::from).collect(),
        }
    }
}

/// A figure as a program reads it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub(super) struct Told {
    name: &'static str,
    value: f64,
    unit: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    at_most: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    at_least: Option<f64>,
}

impl From<&Figure> for Told {
    fn from(figure: &Figure) -> Self {
        let (at_most, at_least) = match figure.limit {
            None => (None, None),
            Some(Limit::Most(limit)) => (Some(limit), None),
            Some(Limit::Least(limit)) => (None, Some(limit)),
        };
        Self {
            name: figure.name,
            value: rounded(figure.value),
            unit: figure.unit,
            at_most: at_most.map(rounded),
            at_least: at_least.map(rounded),
        }
    }
}

/// To a ten-thousandth: more is noise, and different from machine to machine.
fn rounded(value: f64) -> f64 {
    (value * 10_000.0).round() / 10_000.0
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
    for (index, figure) in finding.figures.iter().enumerate() {
        text.push_str(&" ".repeat(INDENT));
        text.push_str(if index == 0 { "with  " } else { "      " });
        text.push_str(&said(figure));
        text.push('\n');
    }
}

/// A figure in words: `worst 3.10 A, at most 2.50 A: margin −0.60 A`.
fn said(figure: &Figure) -> String {
    let value = |value: f64| with_unit(value, figure.unit);
    let mut text = format!("{} {}", figure.name, value(figure.value));
    let limit = match figure.limit {
        None => return text,
        Some(Limit::Most(limit)) => format!(", at most {}", value(limit)),
        Some(Limit::Least(limit)) => format!(", at least {}", value(limit)),
    };
    text.push_str(&limit);
    if let Some(margin) = figure.margin() {
        text.push_str(": margin ");
        text.push_str(&value(margin));
    }
    text
}

/// A value to about three digits, with its unit.
fn with_unit(value: f64, unit: &str) -> String {
    let digits = match value.abs() {
        _ if unit.is_empty() => 0,
        size if size >= 100.0 => 0,
        size if size >= 10.0 => 1,
        size if size >= 0.1 || size == 0.0 => 2,
        _ => 3,
    };
    let number = format!("{value:.digits$}").replace('-', "\u{2212}");
    if unit.is_empty() {
        number
    } else {
        format!("{number} {unit}")
    }
}

/// What each supply has to give, as a table; empty without supplies.
pub fn supplies_text(plan: &Plan, loads: &[Load]) -> String {
    if loads.is_empty() {
        return String::new();
    }
    let mut rows =
        vec![["supply", "steady", "a throw", "worst", "rated", "margin"].map(str::to_owned)];
    for load in loads {
        let name = plan.supplies.get(load.supply).map(|supply| {
            let behind = if supply.capacitor.is_some() {
                " (capacitor)"
            } else {
                ""
            };
            format!("{}{behind}", supply.id)
        });
        let amps = |value| with_unit(value, "A");
        rows.push([
            name.unwrap_or_default(),
            amps(load.steady),
            amps(load.throw),
            amps(load.from_supply),
            amps(load.rated),
            amps(load.margin()),
        ]);
    }
    let widths = (0..6).map(|column| {
        let cells = rows.iter().filter_map(|row| row.get(column));
        cells
            .map(|cell| cell.chars().count())
            .max()
            .unwrap_or_default()
    });
    let widths: Vec<_> = widths.collect();
    let mut text = String::from("\n");
    for row in &rows {
        let mut line = String::new();
        for (index, (cell, width)) in row.iter().zip(&widths).enumerate() {
            let room = " ".repeat(width - cell.chars().count());
            if index == 0 {
                let _infallible = write!(line, "{cell}{room}");
            } else {
                let _infallible = write!(line, "  {room}{cell}");
            }
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
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

fn total(counts: Counts, findings: &[Finding]) -> String {
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
    if findings.iter().any(|finding| finding.code.refuses()) {
        text.push_str(": nothing is thrown from this plan until the errors are mended");
    }
    text
}

fn several(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
