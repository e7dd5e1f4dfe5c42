//! Findings in a plan, without touching the layout: what can't be right, and what is risky.
//!
//! What can't be right is known to [`plan`](crate::plan) itself, which refuses to drive such a
//! plan; this module adds what may work and may not.

use crate::plan::draft::Draft;
use crate::plan::finding::{Code, Finding, Severity};
use crate::textfile::Span;

mod addresses;
mod blocks;
mod decoders;
mod drives;
pub mod explain;
mod outputs;
mod power;
mod pulses;
mod site;
mod wires;

/// How many findings there are of each severity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// How many errors.
    pub errors: usize,
    /// How many warnings.
    pub warnings: usize,
    /// How many notes.
    pub notes: usize,
}

impl Counts {
    /// Counts findings.
    pub fn of(findings: &[Finding]) -> Self {
        let count = |severity| {
            findings
                .iter()
                .filter(|finding| finding.severity() == severity)
                .count()
        };
        Self {
            errors: count(Severity::Error),
            warnings: count(Severity::Warning),
            notes: count(Severity::Note),
        }
    }

    /// Whether there is nothing worse than a note: `check` then ends with exit code 0.
    pub fn is_clean(self) -> bool {
        self.errors == 0 && self.warnings == 0
    }
}

/// Every finding in a plan, in the order of its file.
pub fn findings(draft: &Draft) -> Vec<Finding> {
    let (resolution, mut findings) = draft.resolve();
    addresses::find(draft, &resolution, &mut findings);
    decoders::find(draft, &resolution, &mut findings);
    drives::find(draft, &resolution, &mut findings);
    blocks::find(draft, &resolution, &mut findings);
    site::find(draft, &resolution, &mut findings);
    if draft.turnouts.is_empty() && draft.signals.is_empty() {
        findings.push(nothing_to_prove());
    }
    findings.sort_by_key(|finding| (finding.at.start, finding.code));
    findings
}

/// What is found where the link that a plan is to be driven through carries no position reports.
pub fn reports_not_carried(draft: &Draft) -> Option<Finding> {
    let mut reporting = draft.turnouts.iter().filter(|it| it.position_reports);
    let first = reporting.next()?;
    let mut subjects = vec![first.id.value.clone()];
    subjects.extend(reporting.map(|it| it.id.value.clone()));
    let ids = subjects.iter().map(ToString::to_string);
    let message = format!(
        "{} should report, and this link carries no position reports",
        crate::plan::sound::and_more(ids)
    );
    let at = first.wiring.span;
    Some(Finding {
        code: Code::ReportsNotCarried,
        subjects,
        at,
        line: draft.file.line(at.start),
        others: Vec::new(),
        message,
        mend: "describe the reports in the station's profile, or drop position_reports".to_owned(),
        figures: Vec::new(),
    })
}

fn nothing_to_prove() -> Finding {
    Finding {
        code: Code::NothingToProve,
        subjects: Vec::new(),
        at: Span { start: 0, end: 0 },
        line: 1,
        others: Vec::new(),
        message: "the plan has no turnout and no signal".to_owned(),
        mend: "add a [[turnout]] with id, shape and address".to_owned(),
        figures: Vec::new(),
    }
}
