//! The report as `JUnit` XML: a suite for each place, a test case for each turnout and signal.

use quick_junit::{NonSuccessKind, Property, SerializeError, TestCase, TestCaseStatus, TestSuite};

use super::model::{Report, State, Thing};
use super::words;

pub(super) fn bytes(report: &Report) -> Result<Vec<u8>, SerializeError> {
    let name = if report.is_rehearsal() {
        format!("{} ({})", report.layout, words::REHEARSAL)
    } else {
        report.layout.clone()
    };
    let mut document = quick_junit::Report::new(name);
    for place in &report.places {
        let mut suite = TestSuite::new(words::place(&place.name));
        if let Some(run) = report.last() {
            suite.add_property(Property::new("run", run.run.to_string()));
            suite.add_property(Property::new("started", run.started.at().to_string()));
            suite.add_property(Property::new("link", run.link.as_str()));
        }
        suite.add_property(Property::new("plan", report.plan.fingerprint.as_str()));
        for thing in &place.things {
            suite.add_test_case(case(thing, &place.name));
        }
        document.add_test_suite(suite);
    }
    let mut bytes = Vec::new();
    document.serialize(&mut bytes)?;
    Ok(bytes)
}

fn case(thing: &Thing, place: &str) -> TestCase {
    let status = match thing.state {
        State::Proved => TestCaseStatus::success(),
        State::Failed => failure(thing),
        State::Skipped | State::Open | State::Changed => {
            let mut status = TestCaseStatus::skipped();
            let mut message = words::state(thing).to_owned();
            if !thing.detail.is_empty() {
                message = format!("{message}: {}", thing.detail);
            }
            status.set_message(message);
            status
        }
    };
    let mut case = TestCase::new(thing.id.as_str(), status);
    case.set_classname(words::place(place));
    // One number, as ever, where there is one drive.
    let keyed = match thing.each_drive.as_slice() {
        [] => thing.address.to_string(),
        _ => words::addresses(thing),
    };
    case.add_property(Property::new("address", keyed));
    let output = words::output(thing);
    if !output.is_empty() {
        case.add_property(Property::new("output", output));
    }
    if let Some(line) = &thing.diagnosis {
        case.add_property(Property::new("diagnosis", words::diagnosis(line)));
        let fate = words::fate(line);
        if !fate.is_empty() {
            case.add_property(Property::new("since-diagnosis", fate));
        }
    }
    case
}

fn failure(thing: &Thing) -> TestCaseStatus {
    let mut status = TestCaseStatus::non_success(NonSuccessKind::Failure);
    if let Some(verdict) = thing.verdict {
        let mut message = format!("{verdict}: {}", words::meaning(thing));
        if !thing.detail.is_empty() {
            message = format!("{message} ({})", thing.detail);
        }
        status.set_type(verdict.as_str());
        status.set_message(message);
    }
    let mut lines: Vec<_> = thing
        .throws
        .iter()
        .map(|throw| format!("sent {}, seen: {}", throw.commanded, throw.words))
        .collect();
    for advice in &thing.advice {
        lines.push(words::advice(advice));
    }
    if let Some(line) = &thing.diagnosis {
        // How to mend the one cause is what to try, and told already.
        let is_told =
            |word: &str| line.holds && line.causes.len() == 1 && matches!(word, "mend" | "mind");
        for (word, text) in words::points(line) {
            if !is_told(word) {
                lines.push(format!("diagnosis, {word}: {text}"));
            }
        }
    }
    status.set_description(lines.join("\n"));
    status
}
