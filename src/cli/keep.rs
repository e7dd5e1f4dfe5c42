//! Where a run is kept, from what the options say.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use throwproof_protocol::address::Numbering;

use super::find_plan::Here;
use super::options::{Reach, RecordAt, RecordPlace};
use super::{Failure, remark};
use crate::event::Subject;
use crate::plan::{Draft, Id, Plan};
use crate::record::{Kept, Record, RunKind, fingerprint, marks};
use crate::sweep::About;

/// A plan with what the record keeps of it.
#[derive(Debug)]
pub(super) struct KeptPlan {
    pub(super) plan: Plan,
    pub(super) text: String,
    pub(super) fingerprint: String,
    pub(super) marks: BTreeMap<Subject, String>,
}

impl KeptPlan {
    /// Reads the plan that is named, or else the one in the current folder. Once, so that what is
    /// kept is what was driven, even if somebody edits it meanwhile or it is a pipe.
    pub(super) fn read(named: Option<&PathBuf>, reach: &Reach) -> Result<Self, Failure> {
        let path = Here::unless_named(named)?;
        Self::from_file(&path, reach.numbering.unwrap_or_default())
    }

    /// Reads that plan, with this numbering where it gives none.
    pub(super) fn from_file(path: &Path, numbering: Numbering) -> Result<Self, Failure> {
        let draft = Draft::read_assuming(path, numbering).map_err(Failure::Plan)?;
        let text = draft.file.as_read();
        let plan = draft
            .into_plan()
            .map_err(|problems| Failure::Plan(problems.into()))?;
        Ok(Self {
            fingerprint: fingerprint(text.as_bytes()),
            marks: marks(&plan),
            plan,
            text,
        })
    }

    /// What the record keeps of a run beside its events.
    pub(super) fn keeps(&self, kind: RunKind, only: &[Id], is_rehearsal: bool) -> Kept {
        Kept {
            plan_text: self.text.clone(),
            fingerprint: self.fingerprint.clone(),
            marks: self.marks.clone(),
            only: only.to_vec(),
            is_rehearsal,
            kind,
        }
    }

    /// What is known of a run of it before it begins.
    pub(super) fn about(&self, reach: &Reach, tester: &str, seed: Option<u64>) -> About {
        About {
            seed,
            tester: tester.to_owned(),
            fingerprint: self.fingerprint.clone(),
            reconnect: reach.patience(),
        }
    }
}

/// Opens the record for a run of that plan; `None` if nothing is to be kept.
pub(super) fn open(
    plan: &Plan,
    at: &RecordAt,
    is_rehearsal: bool,
) -> Result<Option<Record>, Failure> {
    let path = match at.place(&plan.source) {
        RecordPlace::Nowhere if is_rehearsal => return Ok(None),
        RecordPlace::Nowhere => {
            return Err(Failure::usage(
                "a run on a real layout is always kept: what you see is gone otherwise, and \
                 nothing could be carried on",
                "leave `--record none` out (and THROWPROOF_RECORD, if that says it), or name a \
                 file",
            ));
        }
        RecordPlace::Beside(_) if !plan.source.is_file() => return no_place(is_rehearsal),
        RecordPlace::Named(path) | RecordPlace::Beside(path) => path,
    };
    if path == plan.source {
        return Err(Failure::usage(
            format!("{} is the plan and can't be the record too", path.display()),
            "name another file with --record",
        ));
    }
    Ok(Some(Record::open(&path)?))
}

/// The plan comes through a pipe: there is no "beside" it.
fn no_place(is_rehearsal: bool) -> Result<Option<Record>, Failure> {
    if is_rehearsal {
        remark("the plan is no file to keep a record beside, so this run is not kept");
        return Ok(None);
    }
    Err(Failure::usage(
        "the plan is no file, so there is no place beside it for the record",
        "name one with --record FILE",
    ))
}
