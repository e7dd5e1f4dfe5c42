//! Places where a file is not TOML.

use std::collections::HashSet;

use toml::de::Error;

use crate::textfile::{Span, TextFile};

use super::problem::{Fault, Problem};

/// The parser's errors as problems, one a line: what follows on the same line is most often
/// said twice. At most `kept` of them, and how many more there are.
pub(super) fn problems(file: &TextFile, errors: &[Error], kept: usize) -> (Vec<Problem>, usize) {
    let end = file.text().len();
    let mut problems: Vec<Problem> = Vec::new();
    let mut lines = HashSet::new();
    for error in errors {
        let at = error
            .span()
            .map_or(Span { start: end, end }, |span| clamp(file, span.into()));
        // To tell where a key was first takes a walk through the file, so only the kept are told.
        if lines.insert(file.line(at.start)) && problems.len() < kept {
            problems.push(problem(file, error.message(), at));
        }
    }
    let more = lines.len() - problems.len();
    problems.sort_by_key(|problem| problem.at.start);
    (problems, more)
}

fn problem(file: &TextFile, message: &str, at: Span) -> Problem {
    if message != "duplicate key" {
        let fault = Fault::Syntax {
            message: message.to_owned(),
        };
        return Problem::new(fault, at);
    }
    let key = file
        .text()
        .get(at.start..at.end)
        .unwrap_or_default()
        .to_owned();
    let first = first_use(file, at, &key);
    let line = first.map(|first| file.line(first.start));
    let problem = Problem::new(Fault::DuplicateKey { key, first: line }, at);
    match first {
        Some(first) => problem.and(first, "the first is here"),
        None => problem,
    }
}

/// Where the key that stands at `again` was given first. The parser does not say; the same
/// header stands above, or the same key between its header and here.
fn first_use(file: &TextFile, again: Span, key: &str) -> Option<Span> {
    let (line_start, line) = file.line_around(again.start);
    let header = line.trim_start().starts_with('[');
    let mut found = None;
    let mut offset = 0;
    for candidate in file.text().get(..line_start)?.split_inclusive('\n') {
        let start = offset;
        offset += candidate.len();
        let trimmed = candidate.trim_start();
        if !header && trimmed.starts_with('[') {
            found = None;
        } else if header && bare_header(trimmed) == bare_header(line) && found.is_none() {
            found = candidate.find(key).map(|at| start + at);
        } else if !header && found.is_none() {
            let rest = trimmed.strip_prefix(key).map(str::trim_start);
            if rest.is_some_and(|rest| rest.starts_with('=')) {
                found = Some(start + candidate.len() - trimmed.len());
            }
        }
    }
    found.map(|start| Span {
        start,
        end: start + key.len(),
    })
}

/// A header without comment and white space.
fn bare_header(line: &str) -> &str {
    line.split('#').next().unwrap_or_default().trim()
}

fn clamp(file: &TextFile, span: Span) -> Span {
    let end = file.text().len();
    let start = span.start.min(end);
    Span {
        start,
        end: span.end.clamp(start, end),
    }
}
