//! From entries to the text of a plan that can be read.

use std::fmt::Write as _;

use throwproof_protocol::address::Numbering;

use super::words::remark;
use super::{Outcome, Table, Unread};
use crate::plan::draft::Draft;
use crate::textfile::TextFile;

/// What an entry is in the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Header {
    Turnout,
    Signal,
    Accessory,
    /// `[name.id]`, the id as TOML has it.
    Named(&'static str, String),
}

/// One table of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    /// The row it comes from.
    pub(super) row: usize,
    pub(super) header: Header,
    /// Keys and values as TOML, and what to say beside them.
    pub(super) pairs: Vec<(&'static str, String, String)>,
    /// Comments above it.
    pub(super) remarks: Vec<String>,
    /// Why it can't be in the plan, if it can't: then all of it is a comment.
    pub(super) lost: Option<String>,
}

impl Entry {
    pub(super) fn new(row: usize, header: Header) -> Self {
        Self {
            row,
            header,
            pairs: Vec::new(),
            remarks: Vec::new(),
            lost: None,
        }
    }

    #[expect(
        clippy::needless_pass_by_value,
        reason = "numbers and ids are handed over as they are"
    )]
    pub(super) fn set(&mut self, key: &'static str, value: impl ToString) {
        self.pairs.push((key, value.to_string(), String::new()));
    }

    #[expect(
        clippy::needless_pass_by_value,
        reason = "numbers and ids are handed over as they are"
    )]
    pub(super) fn set_because(&mut self, key: &'static str, value: impl ToString, why: String) {
        self.pairs.push((key, value.to_string(), why));
    }

    /// An entry that is not in the plan.
    pub(super) fn lost(row: usize, why: String) -> Self {
        Self {
            lost: Some(why),
            ..Self::new(row, Header::Turnout)
        }
    }
}

/// What a table came to, before it is known to be a plan.
#[derive(Debug, Clone, Default)]
pub(super) struct Drafted {
    /// The `[layout]` table.
    pub(super) head: String,
    /// The layout's acceptance list, and the row that it comes from.
    pub(super) accept: Option<(usize, String)>,
    pub(super) entries: Vec<Entry>,
    pub(super) unread: Vec<Unread>,
    pub(super) assumed: Vec<String>,
}

/// Writes the plan; an entry that a plan can't have becomes a comment.
pub(super) fn settle(mut drafted: Drafted, table: &Table) -> Outcome {
    for row in &table.open_quotes {
        drafted.unread.push(Unread {
            row: *row,
            reason: "a quotation mark opens a cell and does not close it".to_owned(),
            mend: "take it away, or close the cell with another; the row was read without it"
                .to_owned(),
            kept: true,
        });
    }
    let text = loop {
        let (text, lines) = render(&drafted, table);
        let file = TextFile::from_text("plan.toml", text.as_str());
        let Err(problems) = Draft::parse_unwired(file, Numbering::default()) else {
            break text;
        };
        let mut lost = 0;
        for problem in &problems.list {
            let line = problems.file.line(problem.at.start);
            let line = usize::try_from(line).unwrap_or(usize::MAX);
            // The entry with the last line that is not below the problem's.
            let at = lines.partition_point(|(first, _)| *first <= line);
            let entry = at.checked_sub(1).and_then(|at| lines.get(at));
            if entry.is_none()
                && let Some((row, _)) = drafted.accept.take()
            {
                drafted.unread.push(Unread {
                    row,
                    reason: remark(&problem.fault.to_string()),
                    mend: remark(&problem.fault.mend()),
                    kept: true,
                });
                lost += 1;
            }
            let entry = entry.and_then(|(_, index)| drafted.entries.get_mut(*index));
            let Some(entry) = entry.filter(|entry| entry.lost.is_none()) else {
                continue;
            };
            let reason = remark(&problem.fault.to_string());
            entry.lost = Some(reason.clone());
            drafted.unread.push(Unread {
                row: entry.row,
                reason,
                mend: remark(&problem.fault.mend()),
                kept: false,
            });
            lost += 1;
        }
        if lost == 0 {
            // Nothing but the layout can be left to blame, and that has been seen to.
            break text;
        }
    };
    let count = |is: fn(&Header) -> bool| {
        let kept = drafted.entries.iter().filter(|entry| entry.lost.is_none());
        kept.filter(|entry| is(&entry.header)).count()
    };
    drafted.unread.sort_by_key(|unread| unread.row);
    Outcome {
        text,
        rows: table.rows.len(),
        turnouts: count(|header| *header == Header::Turnout),
        unwired: unwired(&drafted.entries),
        signals: count(|header| matches!(header, Header::Signal | Header::Accessory)),
        decoders: count(|header| matches!(header, Header::Named("decoder", _))),
        unread: drafted.unread,
        assumed: drafted.assumed,
    }
}

/// How many turnouts have neither an address nor an output.
fn unwired(entries: &[Entry]) -> usize {
    let wired = |key: &str| matches!(key, "address" | "output" | "outputs" | "addresses");
    let kept = entries.iter().filter(|entry| entry.lost.is_none());
    let turnouts = kept.filter(|entry| entry.header == Header::Turnout);
    turnouts
        .filter(|entry| !entry.pairs.iter().any(|(key, _, _)| wired(key)))
        .count()
}

/// The text, and for each entry in it the line where it begins.
fn render(drafted: &Drafted, table: &Table) -> (String, Vec<(usize, usize)>) {
    let mut text = String::from(
        "# What should be there, for throwproof; from a list. Everything after a # is yours.\n",
    );
    for one in &drafted.assumed {
        let _infallible = writeln!(text, "# Assumed: {}", remark(one));
    }
    for row in &table.remarks {
        let line = remark(&row.line());
        let line = line.trim_start_matches(['#', '/', ' ']);
        let _infallible = writeln!(text, "# Row {}: {line}", row.number);
    }
    text.push('\n');
    text.push_str(&drafted.head);
    if let Some((_, list)) = &drafted.accept {
        let _infallible = writeln!(text, "accept = {list}");
    }
    let mut lines = Vec::new();
    let mut line = text.matches('\n').count() + 1;
    for (index, entry) in drafted.entries.iter().enumerate() {
        lines.push((line, index));
        let from = text.len();
        one(&mut text, entry, table);
        line += text.get(from..).map_or(0, |new| new.matches('\n').count());
    }
    (text, lines)
}

fn one(text: &mut String, entry: &Entry, table: &Table) {
    text.push('\n');
    for line in &entry.remarks {
        let _infallible = writeln!(text, "# {}", remark(line));
    }
    if let Some(why) = &entry.lost {
        let at = table
            .rows
            .binary_search_by_key(&entry.row, |row| row.number);
        let row = at.ok().and_then(|at| table.rows.get(at));
        let line = row.map(super::Row::line).unwrap_or_default();
        let _infallible = writeln!(
            text,
            "# Row {} is not in the plan: {}",
            entry.row,
            remark(why)
        );
        let _infallible = writeln!(text, "#   {}", remark(&line));
        return;
    }
    let _infallible = match &entry.header {
        Header::Turnout => writeln!(text, "[[turnout]]"),
        Header::Signal => writeln!(text, "[[signal]]"),
        Header::Accessory => writeln!(text, "[[accessory]]"),
        Header::Named(table, id) => writeln!(text, "[{table}.{id}]"),
    };
    for (key, value, why) in &entry.pairs {
        let _infallible = match why.as_str() {
            "" => writeln!(text, "{key} = {value}"),
            why => writeln!(text, "{key} = {value}    # {}", remark(why)),
        };
    }
}
