//! A time, as a report has it.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Serialize, Serializer};

/// A time, and how a person at the layout would write it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moment {
    at: Timestamp,
    text: String,
}

impl Moment {
    /// That time, written for that time zone: `2026-11-25 10:24`.
    pub fn new(at: Timestamp, zone: &TimeZone) -> Self {
        let text = at
            .to_zoned_datetime(zone.clone())
            .strftime("%Y-%m-%d %H:%M")
            .to_string();
        Self { at, text }
    }

    /// The time itself.
    pub fn at(&self) -> Timestamp {
        self.at
    }

    /// The day: `2026-11-25`.
    pub fn day(&self) -> &str {
        self.text.split(' ').next().unwrap_or_default()
    }
}

impl std::fmt::Display for Moment {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(&self.text)
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.at)
    }
}
