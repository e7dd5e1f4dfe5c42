//! Reports: what the record says of a plan, as documents for keeping and labels for sticking on.
//!
//! [`Report::of`] folds runs into a model, a pure function of its arguments. Each kind of document
//! is a pure function of that model; [`write()`] puts them on disk whole or not at all.

mod advice;
mod chart;
pub(crate) mod comma;
mod diagnosis;
mod fold;
mod html;
mod json;
mod junit;
pub mod labels;
mod markdown;
mod model;
mod patterns;
mod picture;
mod standing;
mod story;
mod target;
mod text;
mod things;
mod words;

pub use fold::{Basis, Choice, ReportError, choose, runs_of};
pub use model::{
    Acceptance, AdviceLine, After, AspectLine, CautionLine, Change, Chart, Counts, DiagnosisLine,
    DriveLine, Driven, FORMAT, Kind, LookLine, Moment, Nature, NoteLine, OutputLine, Pattern,
    Place, PlanInfo, PlanSource, PositionLine, Report, Run, State, SupplyLine, Thing, Throw, Turn,
};
pub use target::{Document, Target, TargetError, WriteError, prepare, write, write_files};
pub use text::summary;
