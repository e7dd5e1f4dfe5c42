//! Events as JSON, one object a line.

use std::io::{self, Write};

use crate::event::Event;
use crate::event::hub::Sink;

/// Writes each event as one line of JSON.
#[derive(Debug)]
pub struct Json<W> {
    out: W,
}

impl<W: Write> Json<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out }
    }
}

impl<W: Write> Sink for Json<W> {
    fn name(&self) -> &'static str {
        "the JSON output"
    }

    fn take(&mut self, event: &Event) -> io::Result<()> {
        let mut line = serde_json::to_vec(event)?;
        line.push(b'\n');
        // In one piece, and at once: whoever reads along sees whole lines as they happen.
        self.out.write_all(&line)?;
        self.out.flush()
    }
}
