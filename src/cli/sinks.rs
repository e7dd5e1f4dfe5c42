//! Where what happens in a run goes: the record, the desk of whoever is asked, and a view.

use std::io;

use super::layout::Way;
use super::{Failure, Format, remark};
use crate::event::hub::{self, Hub};
use crate::record::{Kept, Record, Sink};
use crate::view::json::Json;
use crate::view::unkept;

/// A hub for a run: `kept` is the record and what it keeps of the run beside its events, where
/// there is one; `follower` keeps the desk up to date; `view` is what shows the run as text.
pub(super) fn hub<'h, V: hub::Sink + 'h>(
    kept: Option<(Record, Kept)>,
    way: &Way,
    format: Format,
    view: impl FnOnce() -> V,
) -> Result<Hub<'h>, Failure> {
    let mut hub = Hub::new();
    if let Some((record, keeps)) = kept {
        hub.add_essential(Sink::new(record, keeps)?);
    }
    if let Some(follower) = way.follower() {
        hub.add(follower);
    }
    match format {
        Format::Json => hub.add(Json::new(io::stdout())),
        Format::Text => hub.add(view()),
    }
    Ok(hub)
}

/// Reads out what was seen and could not be kept, so that it can at least be written down. To be
/// called whatever ended the run.
pub(super) fn tell_unkept(hub: &Hub<'_>) {
    for lost in hub.unkept().filter_map(unkept::told) {
        remark(&format!("this is NOT kept: {lost}"));
    }
}
