//! What each kind of finding means, at length: for whoever meets its code.

use crate::plan::finding::{Code, Severity};

mod electric;

/// A kind of finding, explained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Explained {
    /// What is found.
    pub what: &'static str,
    /// How to mend it.
    pub mend: &'static str,
    /// A piece of a plan that has it.
    pub example: &'static str,
    /// The clause or the practice behind it.
    pub basis: &'static str,
}

/// What a kind of finding means.
pub fn explain(code: Code) -> Explained {
    let (what, mend, example, basis) = electric::words(code)
        .or_else(|| structure(code))
        .or_else(|| signals(code))
        .unwrap_or_else(|| rest(code));
    Explained {
        what,
        mend,
        example,
        basis,
    }
}

/// What, mend, example, basis.
type Words = (&'static str, &'static str, &'static str, &'static str);

/// What refuses a plan.
#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the other kinds have their own tables"
)]
fn structure(code: Code) -> Option<Words> {
    Some(match code {
        Code::AddressOutOfRange => (
            "an address, or the end of a decoder's block, is outside 1 to 2048",
            "use an address from 1 to 2040; the last eight are broadcast or emergency stop in one numbering or another",
            "address = 2049",
            "S-9.2.1 (July 2012): a packet has 11 address bits",
        ),
        Code::AddressUsedTwice => (
            "two things have the same address, and not each says `shares_address = true`",
            "give each its own address, or say for each that it shares it",
            "two [[turnout]] with address = 30",
            "common practice, no source: sharing is right for the ends of a crossover, else a slip of the pen",
        ),
        Code::OutputUsedTwice => (
            "two things are on the same output, and not each says `shares_address = true`",
            "move one of them to another output, or say for each that it shares it",
            "two [[turnout]] with decoder = \"D1\" and output = 1",
            "common practice, no source",
        ),
        Code::WireLoop => (
            "boards are wired one behind the other and come back to the first",
            "leave `from` away for the board that the supply's own wire comes to",
            "D1 with from = \"D2\", and D2 with from = \"D1\"",
            "common practice, no source: a bus is not closed into a ring",
        ),
        Code::WireElsewhere => (
            "a board's wire begins at a board that another supply feeds",
            "leave `from` away, or name the same supply for every board of the bus",
            "D2 with supply = \"shed\" and from = \"D1\", which is on \"quay\"",
            "common practice, no source",
        ),
        Code::AddressDisagrees => (
            "`address` is another than that of `decoder` and `output`",
            "write the address that the output has, or leave it away",
            "first_address = 9 of the decoder, output = 3, address = 12",
            "S-9.2.2 (July 2012), CV 1 and 9: the outputs of a decoder have consecutive addresses",
        ),
        Code::UnknownDecoder => (
            "no such decoder is in the plan",
            "mend the name, or add the decoder",
            "decoder = \"D9\" without a [decoder.D9]",
            "of the plan itself",
        ),
        Code::UnknownSupply => (
            "no such supply is in the plan",
            "mend the name, or add the supply",
            "supply = \"shet\" for a [supply.shed]",
            "of the plan itself",
        ),
        Code::NoSuchOutput => (
            "the decoder lacks that output",
            "use an output it has, or mend `outputs`",
            "output = 9 on a decoder with outputs = 8",
            "of the plan itself",
        ),
        Code::WrongFormat => (
            "the decoder obeys the other packet format",
            "put it on a decoder of its format, or mend `format`",
            "an extended signal on a decoder with format = \"basic\"",
            "S-9.2.2 (July 2012), CV 29 bit 5",
        ),
        _ => return None,
    })
}

/// Signals and what is switched like one.
#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the other kinds have their own tables"
)]
fn signals(code: Code) -> Option<Words> {
    Some(match code {
        Code::AspectsAlike => (
            "two aspects of a signal have the same value",
            "look up the values that the signal's decoder gives its aspects",
            "aspects = { stop = 0, proceed = 0 }",
            "S-9.2.1 (July 2012): values but 0 are the decoder's own",
        ),
        Code::AspectsLookAlike => (
            "two aspects of a signal light the same lamps",
            "let `shows` tell them apart, as by a lamp that flashes; or look again at the signal",
            "shows = { stop = [\"red\"], caution = [\"red\"] }",
            "of the plan itself: whoever looks could not tell which of the two it is",
        ),
        Code::AspectNotDescribed => (
            "`shows` leaves out an aspect of a signal with lamps",
            "add it; an aspect without light is an empty list",
            "aspects = { stop = 0, proceed = 1 } and shows = { stop = [\"red\"] }",
            "of the plan itself",
        ),
        Code::LightsOnPulse => (
            "lights are on an output that goes off by itself",
            "put them on a decoder with output_kind = \"steady\"",
            "an [[accessory]] with kind = \"lights\" on an output of kind \"pulse\"",
            "common practice, no source: lamps want an output that stays on",
        ),
        _ => return None,
    })
}

/// What may work and may not, of addresses, blocks and aspects.
#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the other kinds have their own tables"
)]
fn rest(code: Code) -> Words {
    match code {
        Code::BothFormats => (
            "a basic and an extended thing have the same address",
            "give one of them an address of its own",
            "a turnout with address = 50 and an extended signal with address = 50",
            "S-9.2.1 (July 2012), section D; most decoders share the space: common practice, no source",
        ),
        Code::BroadcastAddress => (
            "every basic decoder may obey it: 2041 to 2043 in linear numbering",
            "use another address",
            "address = 2041",
            "S-9.2.1 (July 2012), section D: decoder address 511 is the broadcast",
        ),
        Code::EmergencyStopAddress => (
            "its release is the emergency stop: 2044 in linear numbering",
            "use another address",
            "address = 2044",
            "RCN-211, second-hand",
        ),
        Code::NumberingDependent => (
            "the last four of each 256: stations differ in what they send for them",
            "use other addresses, or make sure of the station's numbering",
            "address = 253",
            "RCN-213, second-hand",
        ),
        Code::BlocksOverlap => (
            "two decoders answer to the same addresses",
            "move one of them behind the other",
            "first_address = 13 with 8 outputs, and another decoder at 17",
            "common practice, no source",
        ),
        Code::BlockStart => (
            "the decoder can't be given that first address",
            "start it at the block before or behind; block_start = \"any\" for one that can",
            "first_address = 7",
            "S-9.2.2 (July 2012), CV 1 and 9: a decoder address holds four outputs",
        ),
        Code::NothingToProve => (
            "the plan has no turnout and no signal",
            "add a [[turnout]] with id, shape and address",
            "a plan of [layout] alone",
            "of the plan itself",
        ),
        Code::AddressGap => (
            "two or more outputs amid a decoder's block are used by nothing",
            "keep one spare output a board; use the rest, or note what it is kept for",
            "turnouts on outputs 1, 2 and 6 of one decoder",
            "common practice, no source: one spare output a board",
        ),
        Code::ForbiddenPair => (
            "a three-way turnout is written as two, and throwing one half while the other rests comes to the forbidden position",
            "let both rest straight",
            "two turnouts of shape \"three-way\" at one place, one with rest = \"diverging\"",
            "common practice, no source: of its four positions three are allowed",
        ),
        Code::ReportsNotCarried => (
            "the plan has turnouts with position reports, and the link does not carry any",
            "describe the station's reports in its profile, or take `position_reports` out",
            "position_reports = true, and --link profile:station.toml:… without a reply that means a position",
            "of the profile itself",
        ),
        _ => (
            "`shares_address = true`, and nothing shares it",
            "add the other end, or take `shares_address` out",
            "shares_address = true for one turnout alone",
            "of the plan itself",
        ),
    }
}

/// How much a kind of finding weighs, in words.
pub fn weighs(code: Code) -> &'static str {
    match (code.severity(), code.refuses()) {
        (Severity::Note, _) => "note: good to know; `check` ends with 0",
        (Severity::Warning, _) => "warning: it may work, and may not",
        (Severity::Error, true) => "error: nothing is thrown from such a plan",
        (Severity::Error, false) => "error: it can't work; a sweep shows how it fails",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_code_has_words_of_its_own() {
        let mut whats: Vec<_> = Code::ALL.iter().map(|code| explain(*code).what).collect();
        whats.sort_unstable();
        whats.dedup();
        assert_eq!(whats.len(), Code::ALL.len(), "each code its own");
    }

    #[test]
    fn only_errors_of_power_let_a_plan_be_driven() {
        for code in Code::ELECTRICAL {
            assert_eq!(code.severity(), Severity::Error);
            assert!(!code.refuses());
            assert!(electric::words(*code).is_some());
        }
    }
}
