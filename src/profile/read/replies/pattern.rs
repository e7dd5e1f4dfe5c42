//! `match`: how a reply looks.

use regex::RegexBuilder;

use crate::textfile::Span;
use crate::toml_reader::{Located, Problem, Table};

use super::unknown_capture;
use crate::profile::compile::{Compiler, meaning, number_format, within};
use crate::profile::formula::Formula;
use crate::profile::layout::{Layout, Part};
use crate::profile::reply::Matcher;
use crate::profile::scan::{self, BinaryToken};
use crate::profile::template::NumberFormat;

/// Most memory that one regular expression may take, bytes.
const REGEX_SIZE: usize = 1 << 18;

/// A regular expression, with its groups by their number.
pub(super) fn regular_expression(
    compiler: &Compiler<'_>,
    table: &Table<'_>,
    text: Located<&str>,
) -> Option<(Matcher, Vec<(String, usize)>)> {
    if let Err(error) = regex_syntax::Parser::new().parse(text.value) {
        table.report(broken_regex(compiler, text, &error));
        return None;
    }
    // The whole line must match.
    let whole = format!("^(?:{})$", text.value);
    let built = RegexBuilder::new(&whole)
        .size_limit(REGEX_SIZE)
        .dfa_size_limit(REGEX_SIZE)
        .build();
    let regex = match built {
        Ok(regex) => regex,
        Err(error) => {
            let what = if matches!(error, regex::Error::CompiledTooBig(_)) {
                "this regular expression becomes too large".to_owned()
            } else {
                format!("this regular expression can't be used: {error}")
            };
            let mend = "use smaller counts, such as {1,4}, and no comments in it";
            table.report(meaning("pattern", what, mend, text.span));
            return None;
        }
    };
    let groups = regex.capture_names().enumerate();
    let names: Vec<_> = groups
        .filter_map(|(group, name)| Some((name?.to_owned(), group)))
        .collect();
    let mut hexadecimal = vec![false; regex.captures_len()];
    let listed = table.strings("hexadecimal").optional();
    for listed in listed.map(|list| list.value).unwrap_or_default() {
        match names.iter().find(|(name, _)| name == listed.value) {
            Some((_, group)) => hexadecimal[*group] = true,
            None => table.report(unknown_capture(&names, listed.value, listed.span)),
        }
    }
    Some((Matcher::Text(Box::new(regex), hexadecimal), names))
}

fn broken_regex(
    compiler: &Compiler<'_>,
    text: Located<&str>,
    error: &regex_syntax::Error,
) -> Problem {
    let (span, kind) = match error {
        regex_syntax::Error::Parse(error) => (*error.span(), error.kind().to_string()),
        regex_syntax::Error::Translate(error) => (*error.span(), error.kind().to_string()),
        other => {
            let what = format!("this is no regular expression: {other}");
            return meaning("pattern", what, "look at its brackets", text.span);
        }
    };
    let at = within(compiler.file, text, span.start.offset..span.end.offset);
    meaning(
        "pattern",
        format!("this is no regular expression: {kind}"),
        "put \\ before a character that is meant as it is, and write groups as (?<keyed>[0-9]+)",
        at,
    )
}

/// A row of bytes, with its fields by their number. `open` framing says itself where one ends.
pub(super) fn layout(
    compiler: &Compiler<'_>,
    table: &Table<'_>,
    text: Located<&str>,
    open: bool,
) -> Option<(Matcher, Vec<(String, usize)>)> {
    let tokens = match scan::binary(text.value) {
        Ok(tokens) => tokens,
        Err(slip) => {
            let at = within(compiler.file, text, slip.at.clone());
            table.report(meaning("pattern", slip.what, slip.mend, at));
            return None;
        }
    };
    let mut parts = Vec::new();
    let mut names: Vec<(String, usize)> = Vec::new();
    for token in tokens {
        match token {
            BinaryToken::Fixed { value, bits, .. } => parts.push(Part::Fixed { value, bits }),
            BinaryToken::Any(_) => parts.push(Part::Any),
            BinaryToken::Field(field) => {
                let at = within(compiler.file, text, field.range.clone());
                let part = if field.format == "run" {
                    Some(Part::Run).filter(|run| open && !parts.contains(run))
                } else {
                    number_format(field.format).and_then(|format| match format {
                        NumberFormat::Bytes { count, order } => Some(Part::Bytes { count, order }),
                        NumberFormat::Bits(bits) => Some(Part::Bits(bits)),
                        NumberFormat::Digits(_) => None,
                    })
                };
                let Some(part) = part else {
                    table.report(bad_field(field.format, open, at));
                    return None;
                };
                let name = Formula::parse(field.inner).ok();
                let name = name.as_ref().and_then(Formula::alone);
                let Some(name) =
                    name.filter(|name| names.iter().all(|(known, _)| *known != name.text))
                else {
                    let what = format!("`{}` is no name, or is there twice", field.inner);
                    let mend = "give each captured field a name of its own: {keyed:2be}";
                    table.report(meaning("pattern", what, mend, at));
                    return None;
                };
                names.push((name.text.clone(), names.len()));
                parts.push(part);
            }
        }
    }
    if let Err(ragged) = whole_bytes(&parts) {
        let what = format!("the bits before part {} fill no whole byte", ragged + 1);
        let mend = "bits in a row must come to 8, 16, 24 …; fill up with 0b0 or {unused:2bits}";
        table.report(meaning("bits", what, mend, text.span));
        return None;
    }
    let layout = Layout::new(parts);
    if layout.shortest() == 0 && !layout.has_run() {
        let what = "a reply without any byte";
        table.report(meaning("pattern", what, "write its bytes", text.span));
        return None;
    }
    Some((Matcher::Binary(layout), names))
}

fn bad_field(format: &str, open: bool, at: Span) -> Problem {
    let (what, mend) = if format == "run" && !open {
        (
            "a run has no length of its own, and nothing in [framing] says where it ends"
                .to_owned(),
            "give it a length: {rest:4be}, or add [framing.length] or an end",
        )
    } else if format == "run" {
        (
            "a second run: where would the first end?".to_owned(),
            "leave one run only",
        )
    } else {
        (
            format!("`{format}` is no format of a field"),
            "formats are {name:1}, {name:2be}, {name:2le} up to 4, {name:5bits}, and {name:run}",
        )
    };
    meaning("pattern", what, mend, at)
}

/// Does everything but bits begin with a byte? `Err` has the part that does not.
fn whole_bytes(parts: &[Part]) -> Result<(), usize> {
    let mut bits = 0_u32;
    for (index, part) in parts.iter().enumerate() {
        let (count, whole) = match part {
            Part::Fixed { bits: 8, .. } if bits.is_multiple_of(8) => (8, true),
            Part::Fixed { bits, .. } | Part::Bits(bits) => (u32::from(*bits), false),
            Part::Any | Part::Bytes { .. } | Part::Run => (0, true),
        };
        if whole && !bits.is_multiple_of(8) {
            return Err(index);
        }
        bits += count;
    }
    if bits.is_multiple_of(8) {
        Ok(())
    } else {
        Err(parts.len())
    }
}
