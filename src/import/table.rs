//! From text to rows of cells.

use csv::{ReaderBuilder, StringRecord};

use super::decode::Encoding;
use super::words::heading_key;
use super::{ImportError, MOST_COLUMNS, MOST_ROWS};

/// A list as rows of cells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// What the bytes were.
    pub encoding: Encoding,
    /// What stands between cells: `,` `;` or a tab.
    pub delimiter: char,
    /// The row of headings; `None` if there is none.
    pub headings: Option<Row>,
    /// Every other row that has something in it and is no comment.
    pub rows: Vec<Row>,
    /// Rows that are comments or stand above the headings.
    pub remarks: Vec<Row>,
    /// Rows with a quotation mark that opens and never closes.
    pub open_quotes: Vec<usize>,
}

/// One row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// As a spreadsheet counts, from 1.
    pub number: usize,
    /// Its cells.
    pub cells: Vec<String>,
}

impl Row {
    fn is_blank(&self) -> bool {
        self.cells.iter().all(|cell| cell.trim().is_empty())
    }

    fn is_comment(&self) -> bool {
        let mut cells = self.cells.iter().map(|cell| cell.trim());
        let first = cells.find(|cell| !cell.is_empty());
        first.is_some_and(|cell| cell.starts_with('#') || cell.starts_with("//"))
    }

    /// The cells that have something in them, as one line.
    pub(super) fn line(&self) -> String {
        let cells = self.cells.iter().map(|cell| cell.trim());
        let cells: Vec<_> = cells.filter(|cell| !cell.is_empty()).collect();
        cells.join(" | ")
    }
}

impl Table {
    /// How many columns the widest row has.
    pub fn width(&self) -> usize {
        let rows = self.rows.iter().chain(&self.headings);
        rows.map(|row| row.cells.len()).max().unwrap_or(0)
    }

    /// Whether `export` wrote it.
    pub fn is_export(&self) -> bool {
        let first = self.headings.as_ref().and_then(|row| row.cells.first());
        first.is_some_and(|cell| cell.trim() == super::export::MARK)
    }

    /// The heading of a column, by number from 0.
    pub(super) fn heading(&self, column: usize) -> Option<&str> {
        let cell = self.headings.as_ref()?.cells.get(column)?.trim();
        (!cell.is_empty()).then_some(cell)
    }
}

/// How far down the headings are looked for.
const HEADINGS_WITHIN: usize = 20;

/// Rows that tell what stands between cells.
const SAMPLE: usize = 200;

pub(super) fn read(text: &str, encoding: Encoding) -> Result<Table, ImportError> {
    let (said, text, skipped) = said_delimiter(text);
    let delimiter = said.unwrap_or_else(|| find_delimiter(text));
    let mut open_quotes = Vec::new();
    let mut rows = split(text, delimiter, usize::MAX, &mut open_quotes);
    for row in &mut rows {
        row.number += skipped;
        if row.cells.len() > MOST_COLUMNS {
            let filled = row.cells.iter().rposition(|cell| !cell.trim().is_empty());
            let columns = filled.map_or(0, |last| last + 1);
            if columns > MOST_COLUMNS {
                let row = row.number;
                return Err(ImportError::TooWide { row, columns });
            }
            row.cells.truncate(columns);
        }
    }
    for number in &mut open_quotes {
        *number += skipped;
    }
    rows.retain(|row| !row.is_blank());
    if rows.len() > MOST_ROWS {
        return Err(ImportError::TooLong(rows.len()));
    }
    let at = headings(&rows);
    let mut remarks = Vec::new();
    let mut kept = Vec::new();
    let mut found = None;
    for (index, row) in rows.into_iter().enumerate() {
        if at == Some(index) {
            found = Some(row);
        } else if row.is_comment() || at.is_some_and(|at| index < at) {
            remarks.push(row);
        } else {
            kept.push(row);
        }
    }
    if kept.is_empty() && found.is_none() {
        return Err(ImportError::Empty);
    }
    Ok(Table {
        encoding,
        delimiter: char::from(delimiter),
        headings: found,
        rows: kept,
        remarks,
        open_quotes,
    })
}

/// A first line `sep=;`, with which some spreadsheets say it themselves.
fn said_delimiter(text: &str) -> (Option<u8>, &str, usize) {
    let Some((line, rest)) = text.split_once('\n') else {
        return (None, text, 0);
    };
    let said = line.trim_end_matches('\r').trim_matches('"');
    match said.to_ascii_lowercase().as_str() {
        "sep=;" => (Some(b';'), rest, 1),
        "sep=," => (Some(b','), rest, 1),
        "sep=\t" => (Some(b'\t'), rest, 1),
        _ => (None, text, 0),
    }
}

/// The one that gives the most headings, else the most rows of the same width.
fn find_delimiter(text: &str) -> u8 {
    let score = |delimiter: u8| {
        let rows = split(text, delimiter, SAMPLE, &mut Vec::new());
        let known = rows.iter().take(HEADINGS_WITHIN).map(recognised).max();
        let mut widths: Vec<_> = rows.iter().map(|row| row.cells.len()).collect();
        widths.sort_unstable();
        let usual = widths.get(widths.len() / 2).copied().unwrap_or(1);
        let alike = widths.iter().filter(|width| **width == usual).count();
        let alike = if usual > 1 { alike } else { 0 };
        (known.unwrap_or(0).min(usual), alike, usual)
    };
    // The last of equals wins.
    let order = [b',', b'\t', b';'];
    order
        .into_iter()
        .max_by_key(|one| score(*one))
        .unwrap_or(b',')
}

fn recognised(row: &Row) -> usize {
    let known = row.cells.iter().filter(|cell| heading_key(cell).is_some());
    known.count()
}

fn headings(rows: &[Row]) -> Option<usize> {
    let mut near = rows.iter().take(HEADINGS_WITHIN).enumerate();
    let found = near.find(|(index, row)| {
        let known = recognised(row);
        let filled = row.cells.iter().filter(|cell| !cell.trim().is_empty());
        let filled: Vec<_> = filled.collect();
        let digits = filled
            .iter()
            .any(|cell| cell.chars().any(|c| c.is_ascii_digit()));
        let export = row
            .cells
            .first()
            .is_some_and(|cell| cell.trim() == super::export::MARK);
        !row.is_comment()
            && (export
                || (known >= 2 && !digits)
                || (*index == 0 && known >= 1 && !digits && known * 2 >= filled.len()))
    });
    found.map(|(index, _)| index)
}

/// Most quotation marks that are taken to be stray before none is trusted any more.
const MOST_STRAY: usize = 50;

/// Splits text into rows, numbered as a spreadsheet does. A quotation mark that opens a cell and
/// is not properly closed would swallow the rows behind it: such a row is split without quotes.
fn split(text: &str, delimiter: u8, most: usize, open_quotes: &mut Vec<usize>) -> Vec<Row> {
    let mut rows = Vec::new();
    let (mut start, mut number) = (0, 1);
    let mut strays = 0;
    while let Some(rest) = text.get(start..).filter(|rest| !rest.is_empty()) {
        let quotes = strays < MOST_STRAY;
        let stray = run(rest, delimiter, quotes, most, &mut number, &mut rows);
        let Some(stray) = stray else { break };
        strays += 1;
        open_quotes.push(number);
        // This line alone without quotes, then on.
        let line = text.get(start + stray..).unwrap_or_default();
        let end = line.find(['\r', '\n']).unwrap_or(line.len());
        let alone = line.get(..end).unwrap_or_default();
        run(alone, delimiter, false, most, &mut number, &mut rows);
        start += stray + end;
        let after = text.get(start..).unwrap_or_default();
        let gap = after.len() - after.trim_start_matches(['\r', '\n']).len();
        number += breaks(after.get(..gap).unwrap_or_default());
        start += gap;
    }
    rows
}

/// Reads rows until the end, or the start of one whose quotes do not fit, which is given back.
/// `number` is that of the row where it begins, and then that of the row where it stopped.
fn run(
    text: &str,
    delimiter: u8,
    quotes: bool,
    most: usize,
    number: &mut usize,
    rows: &mut Vec<Row>,
) -> Option<usize> {
    let mut reader = ReaderBuilder::new()
        .delimiter(delimiter)
        .has_headers(false)
        .flexible(true)
        .quoting(quotes)
        .from_reader(text.as_bytes());
    let mut record = StringRecord::new();
    let bytes = text.as_bytes();
    let is_break = |at: usize| matches!(bytes.get(at), Some(b'\r' | b'\n'));
    while rows.len() < most {
        let before = usize::try_from(reader.position().byte()).unwrap_or(usize::MAX);
        // What was text stays text, so this can't fail.
        if !reader.read_record(&mut record).unwrap_or(false) {
            break;
        }
        let (mut from, mut to) = (before, before);
        while from > 0 && is_break(from - 1) {
            from -= 1;
        }
        while is_break(to) {
            to += 1;
        }
        *number += breaks(text.get(from..to).unwrap_or_default());
        let after = usize::try_from(reader.position().byte()).unwrap_or(usize::MAX);
        let raw = text.get(to..after.min(text.len())).unwrap_or_default();
        let raw = raw.trim_end_matches(['\r', '\n']);
        let inside = breaks(raw);
        if quotes && inside > 0 && !is_well_quoted(raw.as_bytes(), delimiter) {
            return Some(to);
        }
        let cells = record.iter().map(str::to_owned).collect();
        rows.push(Row {
            number: *number,
            cells,
        });
    }
    None
}

/// How many line ends there are: `\r\n`, `\n` or `\r`.
fn breaks(text: &str) -> usize {
    let ends = text.matches(['\r', '\n']).count();
    ends - text.matches("\r\n").count()
}

/// Whether every quoted cell ends with its quotation mark (RFC 4180, section 2, rules 5 to 7).
fn is_well_quoted(raw: &[u8], delimiter: u8) -> bool {
    let mut quoted = false;
    let mut starts = true;
    let mut bytes = raw.iter().copied().peekable();
    while let Some(byte) = bytes.next() {
        if !quoted {
            quoted = starts && byte == b'"';
            starts = byte == delimiter;
        } else if byte == b'"' {
            if bytes.peek() == Some(&b'"') {
                bytes.next();
            } else if bytes.peek().is_none_or(|next| *next == delimiter) {
                quoted = false;
            } else {
                return false;
            }
        }
    }
    !quoted
}
