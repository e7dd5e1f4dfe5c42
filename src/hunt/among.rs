//! Which addresses are meant: `1-512, 600, Q3`.

use std::fmt::Write as _;

use throwproof_protocol::address::KeyedAddress;

use crate::plan::{Plan, SignalKind};

/// Why a list of addresses can't be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AmongError {
    /// It is no address, no range and nothing of the plan.
    #[error("`{0}` is no address, no range of addresses and nothing of the plan")]
    Unknown(String),
    /// A range ends before it begins.
    #[error("`{0}` ends before it begins")]
    Backwards(String),
    /// A number is out of range.
    #[error("`{word}`: {source}")]
    Range {
        /// What was written.
        word: String,
        /// What is wrong with it.
        source: throwproof_protocol::AddressError,
    },
    /// There is nothing in it.
    #[error("it names no address at all")]
    Empty,
}

/// The addresses that a list names, in ascending order: numbers, ranges, and ids of the plan.
///
/// # Errors
/// What can't be read.
pub fn parse(plan: &Plan, text: &str) -> Result<Vec<KeyedAddress>, AmongError> {
    let mut addresses = Vec::new();
    for word in text
        .split(',')
        .map(str::trim)
        .filter(|word| !word.is_empty())
    {
        if let Some(own) = of_plan(plan, word) {
            addresses.extend(own);
            continue;
        }
        let (first, last) = word.split_once('-').unwrap_or((word, word));
        let number = |text: &str| {
            let number: u16 = text
                .trim()
                .parse()
                .map_err(|_| AmongError::Unknown(word.to_owned()))?;
            KeyedAddress::new(number).map_err(|source| AmongError::Range {
                word: word.to_owned(),
                source,
            })
        };
        let (first, last) = (number(first)?, number(last)?);
        if last < first {
            return Err(AmongError::Backwards(word.to_owned()));
        }
        addresses.extend(KeyedAddress::all().filter(|one| (first..=last).contains(one)));
    }
    if addresses.is_empty() {
        return Err(AmongError::Empty);
    }
    addresses.sort_unstable();
    addresses.dedup();
    Ok(addresses)
}

/// The addresses of a turnout or signal of the plan.
fn of_plan(plan: &Plan, id: &str) -> Option<Vec<KeyedAddress>> {
    if let Some(turnout) = plan.turnout(id) {
        let mut addresses = vec![turnout.address];
        let joint = turnout.joint.iter().flat_map(|joint| &joint.drives);
        addresses.extend(joint.map(|drive| drive.address));
        return Some(addresses);
    }
    let signal = plan.signal(id)?;
    let pairs = match signal.kind {
        SignalKind::Extended => 1,
        SignalKind::Pairs => u16::from(signal.addresses()),
    };
    let first = signal.address.get();
    Some(
        (first..first + pairs)
            .filter_map(|number| KeyedAddress::new(number).ok())
            .collect(),
    )
}

/// Addresses in ascending order as people write them: `1-512, 600`.
pub fn runs(addresses: &[KeyedAddress]) -> String {
    let mut text = String::new();
    let mut at = 0;
    while let Some(first) = addresses.get(at).map(|one| one.get()) {
        let follow = addresses[at..].iter().zip(first..);
        let count = follow
            .take_while(|(one, expected)| one.get() == *expected)
            .count()
            .max(1);
        let last = addresses[at + count - 1].get();
        let gap = if text.is_empty() { "" } else { ", " };
        let _written = match count {
            1 => write!(text, "{gap}{first}"),
            2 => write!(text, "{gap}{first}, {last}"),
            _ => write!(text, "{gap}{first}-{last}"),
        };
        at += count;
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> Plan {
        let text = "[layout]\nname = \"Kestrel Bay\"\n[[turnout]]\nid = \"Q1\"\naddress = 7\n\
                    shape = \"left\"\ndrive = \"twin-coil\"\n";
        Plan::from_text("plan.toml", text).unwrap()
    }

    fn read(list: &str) -> String {
        match parse(&plan(), list) {
            Ok(addresses) => runs(&addresses),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn numbers_ranges_and_ids_are_read() {
        assert_eq!(read("5, 1-3,Q1"), "1-3, 5, 7");
        assert_eq!(read("2-1"), "`2-1` ends before it begins");
        assert_eq!(
            read("Q9"),
            "`Q9` is no address, no range of addresses and nothing of the plan"
        );
        assert_eq!(read(","), "it names no address at all");
        assert!(read("2049").contains("addresses run from 1 to 2048"));
        assert_eq!(read("2047-2048,1,1"), "1, 2047, 2048");
    }
}
