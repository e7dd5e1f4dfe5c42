//! From the rows of a person's list to entries of a plan.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use super::columns::{Columns, Key};
use super::words::{self, Form, plain, quoted, remark};
use super::write::{Drafted, Entry, Header};
use super::{Options, Row, Table, Unread};
use crate::plan::{Drive, Shape};
use crate::toml_reader::Choice;

mod boards;
mod ids;
mod wiring;

use boards::Boards;
use wiring::{Dashes, Place};

pub(super) use wiring::looks_wired;

/// A reason and a mend.
type Trouble = (String, String);

/// What a cell comes to that a plan can't say.
struct Reader<'a> {
    table: &'a Table,
    columns: &'a Columns,
    dashes: Dashes,
    boards: Boards,
    drafted: Drafted,
    /// Ids that are taken, with the row of each.
    taken: BTreeMap<String, usize>,
    unstated: BTreeSet<&'static str>,
}

pub(super) fn entries(table: &Table, columns: &Columns, options: &Options) -> Drafted {
    let mut reader = Reader {
        table,
        columns,
        dashes: Dashes::of(table, columns),
        boards: Boards::default(),
        drafted: Drafted::default(),
        taken: BTreeMap::new(),
        unstated: BTreeSet::new(),
    };
    let mut same: BTreeMap<Vec<&str>, usize> = BTreeMap::new();
    for row in &table.rows {
        let cells = row.cells.iter().map(|cell| cell.trim());
        let mut cells: Vec<_> = cells.collect();
        while cells.last().is_some_and(|cell| cell.is_empty()) {
            cells.pop();
        }
        if let Some(first) = same.get(&cells) {
            reader.again(row.number, *first);
            continue;
        }
        same.insert(cells, row.number);
        if let Err((reason, mend)) = reader.row(row) {
            reader
                .drafted
                .entries
                .push(Entry::lost(row.number, reason.clone()));
            reader.unread(row.number, reason, mend, false);
        }
    }
    reader.finish(options)
}

impl Reader<'_> {
    fn cell<'r>(&self, row: &'r Row, key: Key) -> &'r str {
        let cell = self
            .columns
            .of(key)
            .and_then(|column| row.cells.get(column));
        words::undefused(cell.map_or("", |cell| cell.trim())).trim()
    }

    fn unread(&mut self, row: usize, reason: String, mend: String, kept: bool) {
        self.drafted.unread.push(Unread {
            row,
            reason,
            mend,
            kept,
        });
    }

    /// A row that says once more what another did.
    fn again(&mut self, row: usize, first: usize) {
        let mut entries = self.drafted.entries.iter_mut();
        if let Some(entry) = entries.find(|entry| entry.row == first) {
            entry
                .remarks
                .push(format!("Row {row} says the same again."));
        }
    }

    fn row(&mut self, row: &Row) -> Result<(), Trouble> {
        let shape_text = self.cell(row, Key::Shape);
        let form = words::form(shape_text);
        if form == Some(Form::Other) {
            return Err((
                format!(
                    "`{}` is no turnout, and a list can't say all that a plan needs of it",
                    remark(shape_text)
                ),
                "write it into the plan as a [[signal]] with its kind and aspects".to_owned(),
            ));
        }
        let places = self.places(row)?;
        let id_text = self.cell(row, Key::Id);
        let (ids, places) = ids::match_up(id_text, places, row.number)?;
        let mut ready = Vec::new();
        for (id, _) in ids.iter().zip(&places) {
            if let Some(first) = self.taken.get(id) {
                return Err((
                    format!("`{id}` is the id of row {first} already"),
                    "give one of them another id".to_owned(),
                ));
            }
            ids::rule(id)?;
            ready.push(id.clone());
        }
        for id in ready {
            self.taken.insert(id, row.number);
        }
        for (index, (id, place)) in ids.iter().zip(places).enumerate() {
            let mut entry = Entry::new(row.number, Header::Turnout);
            entry.remarks.push(format!("Row {}", row.number));
            entry.set("id", quoted(id));
            if index == 0 && id != id_text && !id_text.is_empty() {
                entry
                    .remarks
                    .push(format!("The list calls it {}", remark(id_text)));
            }
            let drive = self.details(row, &mut entry, index == 0);
            self.wire(row.number, &mut entry, &place, drive);
            self.drafted.entries.push(entry);
        }
        Ok(())
    }

    /// Where a row's turnouts are wired.
    fn places(&mut self, row: &Row) -> Result<Vec<Place>, Trouble> {
        let (address, decoder, output) = (
            self.cell(row, Key::Address),
            self.cell(row, Key::Decoder),
            self.cell(row, Key::Output),
        );
        let id_count = ids::range(self.cell(row, Key::Id)).map(|ids| ids.len());
        let by_address = if address.is_empty() {
            None
        } else {
            Some(self.dashes.read(address, id_count)?)
        };
        let by_output = wiring::outputs(decoder, output)?;
        match (by_address, by_output) {
            // What is to be wired yet is a turnout all the same; a row with a name alone may be
            // anything, a sum or a heading.
            (None, None) if decoder.is_empty() && self.tells_a_turnout(row) => {
                Ok(vec![Place::default()])
            }
            (None, None) if decoder.is_empty() => Err((
                "it has no address, no decoder with an output, and no shape or drive".to_owned(),
                "fill in one of them, if it is a turnout".to_owned(),
            )),
            (None, None) => Err((
                format!(
                    "`{}` names a decoder, and nothing says which output",
                    remark(decoder)
                ),
                "fill in the output, or write decoder and output as 3/2".to_owned(),
            )),
            (Some(mut places), None) => {
                // A decoder without its output: the address says enough.
                let label = Some(decoder).filter(|label| !label.is_empty());
                for place in &mut places {
                    place.label = label.map(str::to_owned);
                }
                Ok(places)
            }
            (None, Some(places)) => Ok(places),
            (Some(addresses), Some(outputs)) => wiring::both(addresses, outputs),
        }
    }

    /// Whether a row has the id and the shape or drive of a turnout.
    fn tells_a_turnout(&self, row: &Row) -> bool {
        let is_form = matches!(
            words::form(self.cell(row, Key::Shape)),
            Some(Form::Turnout(_))
        );
        let has_id = !self.cell(row, Key::Id).is_empty();
        has_id && (is_form || words::drive(self.cell(row, Key::Drive)).is_some())
    }

    /// Everything but id and wiring; gives the drive.
    fn details(&mut self, row: &Row, entry: &mut Entry, first: bool) -> Option<Drive> {
        let place = self.cell(row, Key::Place);
        if !place.is_empty() {
            let clean = remark(place);
            let short: String = clean.chars().take(200).collect();
            if short != clean {
                entry.remarks.push(format!("Place: {clean}"));
            }
            entry.set("place", quoted(&short));
        }
        self.shape(row, entry, first);
        let drive = self.word(
            row,
            entry,
            first,
            Key::Drive,
            words::drive,
            "coil, motor, servo or memory wire",
        );
        match drive {
            Some(drive) => entry.set("drive", quoted(drive.name())),
            None => {
                self.unstated
                    .insert("a turnout without a drive in the list is a twin-coil one");
            }
        }
        if let Some(amps) = self.word(
            row,
            entry,
            first,
            Key::Amps,
            words::amps,
            "a current up to 50 A, such as 0,8",
        ) {
            entry.set("amps", amps);
        }
        let yes = "yes or no, ja or nein, or x";
        if let Some(reports) = self.word(row, entry, first, Key::Reports, words::yes, yes) {
            entry.set("position_reports", reports);
        }
        if self.word(row, entry, first, Key::Inverted, words::yes, yes) == Some(true) {
            entry.set("straight_output", 0);
        }
        let supply = self.cell(row, Key::Supply);
        if !supply.is_empty() {
            entry.remarks.push(format!("Supply: {}", remark(supply)));
            self.unstated.insert(
                "nothing is said of supplies but their names, which are comments: write \
                 [supply.ID] with kind, volts and amps, and supply = \"ID\" for each decoder",
            );
        }
        for column in &self.columns.list {
            let cell = row.cells.get(column.number.saturating_sub(1));
            let cell = words::undefused(cell.map_or("", |cell| cell.trim()));
            if column.key == Key::Note && !cell.is_empty() {
                let heading = column.heading.as_deref().map(remark);
                let heading = heading.unwrap_or_else(|| format!("Column {}", column.number));
                entry.remarks.push(format!("{heading}: {}", remark(cell)));
            }
        }
        for extra in row.cells.iter().skip(
            self.table
                .headings
                .as_ref()
                .map_or(usize::MAX, |heads| heads.cells.len()),
        ) {
            if !extra.trim().is_empty() {
                entry
                    .remarks
                    .push(format!("Beside the headings: {}", remark(extra)));
            }
        }
        drive
    }

    fn shape(&mut self, row: &Row, entry: &mut Entry, first: bool) {
        let read = |text: &str| match words::form(text) {
            Some(Form::Turnout(shape)) => Some(shape),
            Some(Form::Other) | None => None,
        };
        let words = "left, right, wye, curved, three-way, EKW, DKW, crossover or scissors";
        if let Some(shape) = self.word(row, entry, first, Key::Shape, read, words) {
            entry.set("shape", quoted(shape.name()));
        } else {
            let why = "the list does not say; mend it".to_owned();
            entry.set_because("shape", quoted(Shape::Left.name()), why);
            self.unstated
                .insert("where no shape can be read, it is left; those lines say so, mend them");
        }
    }

    /// The meaning of a cell; one without is kept as a comment and told.
    fn word<T>(
        &mut self,
        row: &Row,
        entry: &mut Entry,
        first: bool,
        key: Key,
        read: impl Fn(&str) -> Option<T>,
        known: &str,
    ) -> Option<T> {
        let text = self.cell(row, key);
        if text.is_empty() {
            return None;
        }
        let value = read(text);
        if value.is_none() {
            let what = format!("{} `{}` is not understood", key.as_str(), remark(text));
            entry.remarks.push(what.clone());
            if first {
                let mend = format!("write {known}, in the list or in the plan");
                self.unread(row.number, what, mend, true);
            }
        }
        value
    }

    /// Writes the wiring; decoders are settled when every row is known.
    fn wire(&mut self, row: usize, entry: &mut Entry, place: &Place, drive: Option<Drive>) {
        if let Some((board, output)) = &place.output {
            let id = self.boards.note(board, *output, place.address, drive, row);
            entry.set("decoder", quoted(&id));
            entry.set("output", output);
        }
        if let Some(address) = place.address {
            entry.set("address", address);
        }
        if let Some(label) = &place.label {
            entry.remarks.push(format!("Decoder: {}", remark(label)));
        }
    }

    fn finish(mut self, options: &Options) -> Drafted {
        let name: String = remark(&options.name).chars().take(200).collect();
        let mut head = String::new();
        // A `String` takes anything.
        let _infallible = write!(
            head,
            "[layout]\nname = {}\nnumbering = \"{}\"\n",
            quoted(&name),
            options.numbering.name()
        );
        self.drafted.head = head;
        let taken = self.drafted.entries.iter().flat_map(|entry| &entry.pairs);
        let taken = taken.filter(|(key, _, _)| *key == "address");
        let taken = taken.filter_map(|(_, value, _)| value.parse().ok()).max();
        let decoders = self
            .boards
            .entries(taken.unwrap_or(0), &mut self.drafted.assumed);
        self.drafted.entries.splice(0..0, decoders);
        let unstated = self.unstated.into_iter().map(str::to_owned);
        self.drafted.assumed.extend(unstated);
        self.drafted
    }
}

/// Text without what an id can't have.
fn id_text(text: &str) -> String {
    let mut id = String::new();
    for letter in text.trim().chars() {
        if letter.is_alphanumeric() || matches!(letter, '-' | '_' | '.') {
            id.push(letter);
        } else if !id.ends_with('-') && !plain(text).is_empty() {
            id.push('-');
        }
    }
    id.trim_matches('-').to_owned()
}
