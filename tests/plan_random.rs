//! Plans nobody wrote: random ones that are right, and files that are anything at all.

#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panic")]

use std::fmt::Write as _;
use std::fs;

use proptest::prelude::*;
use proptest::sample::Index;
use throwproof::check;
use throwproof::plan::Draft;
use throwproof::plan::{Drive, OutputRef, Plan, Shape};
use throwproof::textfile::TextFile;
use throwproof::toml_reader::{Choice, Problems};
use throwproof::view::{findings, problems};
use throwproof_protocol::address::{PairBit, Position};

/// Every problem lies inside the file and can be shown.
fn assert_can_be_shown(problems: &Problems) {
    let text = problems.file.text();
    assert!(!problems.list.is_empty());
    for problem in &problems.list {
        let spans = problem.others.iter().map(|mark| mark.at);
        for span in spans.chain([problem.at]) {
            assert!(
                span.start <= span.end && span.end <= text.len(),
                "{problem:?}"
            );
            let place = problems.file.position(span.start);
            let lines = text.split('\n').count();
            assert!(
                place.line >= 1 && place.line as usize <= lines,
                "{problem:?}"
            );
            let line = text.split('\n').nth(place.line as usize - 1).unwrap();
            assert!(
                place.column as usize <= line.chars().count() + 1,
                "{problem:?}"
            );
        }
    }
    let shown = problems::render(problems, false);
    assert!(shown.contains(" in random.toml"), "{shown}");
    let told = problems
        .to_string()
        .lines()
        .filter(|line| line.starts_with("random.toml:"))
        .count();
    assert!(told >= problems.list.len(), "{problems}");
}

/// Loads a text as every command does; neither panics, nor points outside the file.
fn take(text: &str) {
    match Draft::parse(TextFile::from_text("random.toml", text)) {
        Err(problems) => assert_can_be_shown(&problems),
        Ok(draft) => {
            let found = check::findings(&draft);
            let lines = draft.file.text().split('\n').count();
            for finding in &found {
                assert!(finding.at.end <= draft.file.text().len());
                assert!(finding.line >= 1 && finding.line as usize <= lines);
            }
            assert!(!findings::text(&draft, &found, false).is_empty());
            let refusing = found.iter().filter(|found| found.code.refuses());
            let errors = refusing.count();
            match draft.into_plan() {
                Ok(_) => assert_eq!(errors, 0),
                Err(problems) => {
                    assert_eq!(problems.list.len(), errors, "the same words refuse it");
                    assert_can_be_shown(&problems);
                }
            }
        }
    }
}

/// One change to a text.
#[derive(Debug, Clone)]
enum Slip {
    Remove(Index, usize),
    Repeat(Index, usize),
    Insert(Index, String),
    SwapLines(Index, Index),
}

fn slip() -> impl Strategy<Value = Slip> {
    let bit = prop_oneof![
        "[\\[\\]{}=\"'#.,\\n0-9a-z-]{1,4}",
        Just("[[turnout]]\n".to_owned()),
        Just("id = \"Q1\"\n".to_owned()),
        Just("address = 9\n".to_owned()),
        Just("\"\"\"".to_owned()),
        Just("99999999999999999999".to_owned()),
        Just("= -1\n".to_owned()),
        Just("\r".to_owned()),
        Just("é\u{202e}".to_owned()),
        Just("{ a = { b = [ 1, ] } }".to_owned()),
    ];
    prop_oneof![
        (any::<Index>(), 1..40_usize).prop_map(|(at, length)| Slip::Remove(at, length)),
        (any::<Index>(), 1..80_usize).prop_map(|(at, length)| Slip::Repeat(at, length)),
        (any::<Index>(), bit).prop_map(|(at, text)| Slip::Insert(at, text)),
        (any::<Index>(), any::<Index>()).prop_map(|(a, b)| Slip::SwapLines(a, b)),
    ]
}

fn apply(text: &str, slip: &Slip) -> String {
    if let Slip::SwapLines(a, b) = slip {
        let mut lines: Vec<_> = text.split('\n').collect();
        let (a, b) = (a.index(lines.len()), b.index(lines.len()));
        lines.swap(a, b);
        return lines.join("\n");
    }
    let mut letters: Vec<char> = text.chars().collect();
    let place = |at: &Index| at.index(letters.len() + 1);
    match slip {
        Slip::Remove(at, length) => {
            let start = place(at);
            let end = (start + length).min(letters.len());
            letters.drain(start..end);
        }
        Slip::Repeat(at, length) => {
            let start = place(at);
            let end = (start + length).min(letters.len());
            let again: Vec<_> = letters[start..end].to_vec();
            letters.splice(start..start, again);
        }
        Slip::Insert(at, text) => {
            let start = place(at);
            letters.splice(start..start, text.chars());
        }
        Slip::SwapLines(..) => {}
    }
    letters.into_iter().collect()
}

proptest! {
    #[test]
    fn any_bytes_are_taken_or_told(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("random.toml");
        fs::write(&path, &bytes).unwrap();
        match TextFile::read(&path) {
            Ok(file) => take(file.text()),
            Err(error) => prop_assert!(!error.to_string().is_empty() && !error.mend().is_empty()),
        }
    }

    #[test]
    fn any_text_is_taken_or_told(text in "\\PC{0,200}") {
        take(&text);
    }

    #[test]
    fn any_toml_like_text_is_taken_or_told(
        text in "(\\[{1,2}(layout|turnout|signal|decoder\\.D|supply\\.s|a\\.b)\\]{1,2}\n\
                 |(id|name|address|output|decoder|aspects|kind|shape|a\\.b) = \
                 (1|-1|\"x\"|\"pairs\"|true|\\[\\]|\\{ a = 1 \\}|'''|\"\"\"|1e400|0x1F)\n){0,12}"
    ) {
        take(&text);
    }

    #[test]
    fn a_plan_with_slips_is_taken_or_told(slips in prop::collection::vec(slip(), 1..6)) {
        let plan = include_str!("../fixtures/kestrel-bay/plan.toml");
        let text = slips.iter().fold(plan.to_owned(), |text, slip| apply(&text, slip));
        take(&text);
    }
}

/// A turnout to be written down and read back.
#[derive(Debug, Clone)]
struct Written {
    by_address: bool,
    shape: Shape,
    drive: Drive,
    drives: u8,
    straight_bit: PairBit,
    amps: Option<f64>,
    rest: Option<Position>,
    position_reports: bool,
}

fn named<T: Choice + std::fmt::Debug>() -> impl Strategy<Value = T> {
    let values: Vec<T> = T::NAMES.iter().map(|(_, value)| *value).collect();
    prop::sample::select(values)
}

fn written() -> impl Strategy<Value = Written> {
    let amps = prop::option::of((1..5000_u16).prop_map(|milliamps| f64::from(milliamps) / 1000.0));
    (
        any::<bool>(),
        named(),
        named(),
        1..=4_u8,
        prop::sample::select(PairBit::ALL.to_vec()),
        amps,
        prop::option::of(named()),
        any::<bool>(),
    )
        .prop_map(|fields| {
            let (by_address, shape, drive, drives, straight_bit, amps, rest, reports) = fields;
            Written {
                by_address,
                shape,
                drive,
                drives,
                straight_bit,
                amps,
                rest,
                position_reports: reports,
            }
        })
}

/// Decoders of one to eight outputs with gaps between their blocks, and a turnout or nothing on
/// each output.
fn layout() -> impl Strategy<Value = Vec<(u16, Vec<Option<Written>>)>> {
    let outputs = prop::collection::vec(prop::option::of(written()), 1..=8);
    prop::collection::vec((0..12_u16, outputs), 1..12)
}

fn write_down(decoders: &[(u16, Vec<Option<Written>>)]) -> String {
    let mut text = "[layout]\nname = \"Random\"\nrest = \"diverging\"\n".to_owned();
    let mut turnouts = String::new();
    let mut address = 1;
    for (decoder, (gap, outputs)) in decoders.iter().enumerate() {
        let first = address + gap;
        address = first + u16::try_from(outputs.len()).unwrap();
        let count = outputs.len();
        writeln!(
            text,
            "[decoder.D{decoder}]\noutputs = {count}\nfirst_address = {first}\n\
             block_start = \"any\""
        )
        .unwrap();
        for (output, turnout) in outputs.iter().enumerate() {
            let Some(turnout) = turnout else {
                continue;
            };
            let number = output + 1;
            writeln!(turnouts, "[[turnout]]\nid = \"D{decoder}.{number}\"").unwrap();
            if turnout.by_address {
                writeln!(turnouts, "address = {}", usize::from(first) + output).unwrap();
            } else {
                writeln!(turnouts, "decoder = \"D{decoder}\"\noutput = {number}").unwrap();
            }
            writeln!(
                turnouts,
                "shape = \"{}\"\ndrive = \"{}\"\ndrives = {}\nstraight_output = {}\n\
                 position_reports = {}",
                turnout.shape.name(),
                turnout.drive.name(),
                turnout.drives,
                turnout.straight_bit,
                turnout.position_reports
            )
            .unwrap();
            if let Some(amps) = turnout.amps {
                writeln!(turnouts, "amps = {amps}").unwrap();
            }
            if let Some(rest) = turnout.rest {
                writeln!(turnouts, "rest = \"{rest}\"").unwrap();
            }
        }
    }
    text + &turnouts
}

proptest! {
    #[test]
    fn what_is_written_down_is_read_back(decoders in layout()) {
        let text = write_down(&decoders);
        let plan = Plan::from_text("random.toml", &text);
        let plan = plan.map_err(|problems| TestCaseError::fail(problems.to_string()))?;
        let mut turnouts = plan.turnouts.iter();
        let mut address = 1;
        for (decoder, (gap, outputs)) in decoders.iter().enumerate() {
            address += gap;
            for (output, written) in outputs.iter().enumerate() {
                if let Some(written) = written {
                    let turnout = turnouts.next().unwrap();
                    let number = u8::try_from(output + 1).unwrap();
                    prop_assert_eq!(turnout.output, Some(OutputRef { decoder, number }));
                    prop_assert_eq!(turnout.address.get(), address);
                    prop_assert_eq!(turnout.shape, written.shape);
                    prop_assert_eq!(turnout.drive, written.drive);
                    prop_assert_eq!(turnout.drives, written.drives);
                    prop_assert_eq!(turnout.straight_bit, written.straight_bit);
                    prop_assert_eq!(turnout.amps, written.amps);
                    prop_assert_eq!(turnout.position_reports, written.position_reports);
                    prop_assert_eq!(turnout.rest, written.rest.unwrap_or(Position::Diverging));
                }
                address += 1;
            }
        }
        prop_assert_eq!(turnouts.next(), None);
        // What is generated is sound, so all that may be found is what is risky by design.
        let draft = Draft::parse(TextFile::from_text("random.toml", text)).unwrap();
        let found = check::findings(&draft);
        prop_assert!(found.iter().all(|found| !found.code.refuses()));
    }
}

#[test]
fn large_files_that_are_no_plan_are_told_without_delay() {
    // One error or one problem a line, so that anything that looks through the whole file for
    // each of them would take minutes.
    let lines = |line: &dyn Fn(usize) -> String| (0..2_000).map(line).collect::<String>();
    let big = (1 << 20) + 2;
    for text in [
        lines(&|_| "a = 1\n".to_owned()),
        lines(&|_| "[a]\n".to_owned()),
        lines(&|_| "= =\n".to_owned()),
        lines(&|n| format!("k{n} = 1\n")),
        lines(&|n| format!("[decoder.{n}]\n")),
        lines(&|_| "[[turnout]]\n".to_owned()),
        lines(&|_| "[[turnout]]\nid = \"A\"\nshape = \"left\"\naddress = 1\n".to_owned()),
        "=\n".repeat(big / 2),
        "x".repeat(big),
        "[".repeat(5_000),
        "a.".repeat(5_000),
        format!("a = {}", "[".repeat(5_000)),
    ] {
        take(&text);
    }
}
