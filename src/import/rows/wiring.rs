//! Addresses, and decoders with outputs, in all the ways people write them.

use super::ids::MOST;
use super::{Columns, Key, Table, Trouble, remark};

/// Where one turnout is wired.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Place {
    /// The address that is keyed.
    pub(super) address: Option<i64>,
    /// The decoder as the list calls it, and its output.
    pub(super) output: Option<(String, u32)>,
    /// A decoder of which the output is not known.
    pub(super) label: Option<String>,
}

impl Place {
    fn address(address: i64) -> Self {
        Self {
            address: Some(address),
            ..Self::default()
        }
    }

    fn output(board: &str, output: u32) -> Self {
        Self {
            output: Some((board.trim().to_owned(), output)),
            ..Self::default()
        }
    }

    /// The place so many further.
    pub(super) fn step(&self, step: usize) -> Self {
        let mut next = self.clone();
        let wide = i64::try_from(step).unwrap_or(i64::MAX);
        next.address = next.address.map(|address| address.saturating_add(wide));
        if let Some((_, output)) = &mut next.output {
            *output = output.saturating_add(u32::try_from(step).unwrap_or(u32::MAX));
        }
        next
    }
}

/// What a hyphen between two numbers means in this list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Dashes {
    /// Some row has one that can only be a decoder and output.
    outputs: bool,
    /// Some row has one that can only be a range of addresses.
    ranges: bool,
}

fn number(text: &str) -> Option<i64> {
    let text = text.trim();
    let digits = !text.is_empty() && text.chars().all(|c| c.is_ascii_digit());
    text.parse().ok().filter(|_| digits)
}

/// Two numbers with a hyphen between.
fn hyphen(text: &str) -> Option<(i64, i64)> {
    let (first, second) = text.split_once('-')?;
    Some((number(first)?, number(second)?))
}

/// Whether a cell looks like an address or a decoder and output.
pub(in crate::import) fn looks_wired(text: &str) -> bool {
    let text = text.trim();
    number(text).is_some_and(|one| (1..=2048).contains(&one))
        || hyphen(text).is_some()
        || text.split_once('/').is_some_and(|(board, output)| {
            number(output).is_some() && board.chars().any(|c| c.is_ascii_digit())
        })
}

impl Dashes {
    pub(super) fn of(table: &Table, columns: &Columns) -> Self {
        let mut dashes = Self::default();
        let Some(column) = columns.of(Key::Address) else {
            return dashes;
        };
        for row in &table.rows {
            let cell = row.cells.get(column).map_or("", |cell| cell.trim());
            match hyphen(cell) {
                Some((first, second)) if second <= first => dashes.outputs = true,
                // No decoder in the lists people keep has more outputs than this on one number.
                Some((_, second)) if second > 16 => dashes.ranges = true,
                Some(_) => {}
                None => dashes.outputs |= cell.contains('/') && looks_wired(cell),
            }
        }
        dashes
    }

    /// Reads a cell of addresses; `ids` is how many the row's ids are, if they are a range.
    pub(super) fn read(self, text: &str, ids: Option<usize>) -> Result<Vec<Place>, Trouble> {
        let text = text
            .replace(" und ", "+")
            .replace(" and ", "+")
            .replace('&', "+");
        let mut places = Vec::new();
        for part in text.split('+') {
            places.extend(self.part(part.trim(), ids)?);
            if places.len() > MOST {
                return Err(too_many(&text));
            }
        }
        Ok(places)
    }

    fn part(self, text: &str, ids: Option<usize>) -> Result<Vec<Place>, Trouble> {
        if let Some(address) = number(text) {
            return Ok(vec![Place::address(address)]);
        }
        if let Some((first, second)) = hyphen(text) {
            let count = second
                .checked_sub(first)
                .and_then(|apart| apart.checked_add(1));
            let fits = count.and_then(|count| usize::try_from(count).ok());
            return if fits.is_some() && fits == ids && fits != Some(1) {
                addresses(text, first, second)
            } else if second <= first {
                form(text, &first.to_string(), second)
            } else if second > 16 || (self.ranges && !self.outputs) {
                addresses(text, first, second)
            } else if self.outputs && !self.ranges {
                form(text, &first.to_string(), second)
            } else {
                Err((
                    format!(
                        "`{text}` may be addresses {first} to {second}, or output {second} of decoder {first}"
                    ),
                    format!("write {first}..{second} or {first}/{second}"),
                ))
            };
        }
        for mark in ["..", "–", "—", " to ", " bis "] {
            if let Some((first, second)) = text.split_once(mark)
                && let (Some(first), Some(second)) = (number(first), number(second))
            {
                return addresses(text, first, second);
            }
        }
        match outputs(text, "")? {
            Some(places) => Ok(places),
            None => Err(not_understood(text)),
        }
    }
}

fn addresses(text: &str, first: i64, last: i64) -> Result<Vec<Place>, Trouble> {
    let count = last
        .checked_sub(first)
        .and_then(|apart| usize::try_from(apart).ok());
    match count {
        Some(apart) if apart < MOST => Ok((first..=last).map(Place::address).collect()),
        Some(_) => Err(too_many(text)),
        None => Err((
            format!("`{}` runs backwards", remark(text)),
            "write the lower address first".to_owned(),
        )),
    }
}

fn too_many(text: &str) -> Trouble {
    (
        format!("`{}` is more than {MOST} addresses", remark(text)),
        "write fewer in one row".to_owned(),
    )
}

fn not_understood(text: &str) -> Trouble {
    (
        format!(
            "`{}` is no address and no decoder with output",
            remark(text)
        ),
        "write an address such as 21, or decoder and output such as 3/2".to_owned(),
    )
}

fn form(text: &str, board: &str, output: i64) -> Result<Vec<Place>, Trouble> {
    let output = u32::try_from(output)
        .ok()
        .filter(|output| (1..=64).contains(output));
    output
        .map(|output| vec![Place::output(board, output)])
        .ok_or_else(|| {
            (
                format!("`{}` is no output that a decoder has", remark(text)),
                "a decoder has outputs 1 to 64".to_owned(),
            )
        })
}

/// A decoder and its output, from the two columns or from one that has both; `None` where there
/// is a decoder alone, or nothing.
pub(super) fn outputs(decoder: &str, output: &str) -> Result<Option<Vec<Place>>, Trouble> {
    if !output.is_empty() {
        if let Some(number) = number(output) {
            if decoder.is_empty() {
                return Err((
                    format!("output {number} is of no decoder"),
                    "fill in the decoder".to_owned(),
                ));
            }
            return form(output, decoder, number).map(Some);
        }
        if decoder.is_empty() || output.contains('/') {
            return outputs(output, "");
        }
        if let Some((first, last)) = hyphen(output) {
            return several(output, decoder, first, last).map(Some);
        }
        return Err((
            format!("output `{}` is not understood", remark(output)),
            "write a number such as 2, or several as 1-4".to_owned(),
        ));
    }
    for mark in ['/', '.', '-', ':'] {
        if let Some((board, last)) = decoder.rsplit_once(mark)
            && !board.trim().is_empty()
        {
            // A name such as `Quay-2` is a decoder of that name.
            let bare = number(board).is_some();
            let is_form = mark == '/'
                || bare
                || (mark == '.' && board.ends_with(|c: char| c.is_ascii_digit()));
            match (number(last), hyphen(last)) {
                (Some(0), _) if mark == '.' && bare => {
                    // A spreadsheet's 21.0 for 21.
                    return Ok(number(board).map(|address| vec![Place::address(address)]));
                }
                (Some(output), _) if is_form => return form(decoder, board, output).map(Some),
                (_, Some((first, last))) if is_form => {
                    return several(decoder, board, first, last).map(Some);
                }
                _ => {}
            }
        }
    }
    Ok(None)
}

fn several(text: &str, board: &str, first: i64, last: i64) -> Result<Vec<Place>, Trouble> {
    let mut places = Vec::new();
    if first > last || last > 64 {
        return form(text, board, 0);
    }
    for output in first..=last {
        places.extend(form(text, board, output)?);
    }
    Ok(places)
}

/// A row that gives both addresses and outputs.
pub(super) fn both(addresses: Vec<Place>, outputs: Vec<Place>) -> Result<Vec<Place>, Trouble> {
    if addresses == outputs {
        return Ok(outputs);
    }
    let plain = addresses.iter().all(|place| place.address.is_some());
    if !plain || addresses.len() != outputs.len() {
        return Err((
            "its address and its decoder with output do not fit together".to_owned(),
            "leave one of the two empty".to_owned(),
        ));
    }
    let both = addresses
        .into_iter()
        .zip(outputs)
        .map(|(address, output)| Place {
            address: address.address,
            ..output
        });
    Ok(both.collect())
}
