//! What happens inside, for whoever looks for a fault: off unless asked for.

use std::fmt::{self, Write as _};
use std::fs::File;
use std::io;
use std::sync::Mutex;
use std::time::Duration;

use tracing::field::{Field, Visit};
use tracing::level_filters::LevelFilter;
use tracing::{Event, Subscriber};
use tracing_subscriber::fmt::format::{FormatFields, Writer};
use tracing_subscriber::fmt::{FmtContext, FormatEvent, fmt as subscriber};
use tracing_subscriber::registry::LookupSpan;

use super::{Failure, Global};
use crate::link::wire::{self, Stopwatch};

/// Starts to say on standard error what happens, for a command that keeps a log of its own.
pub(super) fn start_without_file(global: &Global) -> Result<(), Failure> {
    start(&Global {
        log: None,
        ..*global
    })
}

/// Opens the file of the log, if there is to be one.
pub(super) fn file(global: &Global) -> Result<Option<File>, Failure> {
    let opened = global.log.as_ref().map(|path| {
        File::create(path).map_err(|source| Failure::Log {
            path: path.clone(),
            source,
        })
    });
    opened.transpose()
}

/// Starts the log that the options ask for.
pub(super) fn start(global: &Global) -> Result<(), Failure> {
    let level = match (global.verbose, &global.log) {
        (0, None) => return Ok(()),
        (1, None) => LevelFilter::INFO,
        (0..=2, _) => LevelFilter::DEBUG,
        (3.., _) => LevelFilter::TRACE,
    };
    let started = if global.log.is_none() {
        subscriber()
            .with_max_level(level)
            .with_ansi(false)
            .with_target(false)
            .with_writer(io::stderr)
            .try_init()
    } else {
        let file = file(global)?;
        subscriber()
            // Bytes on the wire are traces.
            .with_max_level(LevelFilter::TRACE)
            .event_format(Lines::start())
            .with_writer(Mutex::new(file.map_or(Sink::Nowhere, Sink::File)))
            .try_init()
    };
    // Only a program that runs commands twice has one already, and that one serves.
    if let Err(error) = started {
        tracing::debug!(error, "there already is a log");
    }
    Ok(())
}

/// Where the log goes.
#[derive(Debug)]
enum Sink {
    File(File),
    Nowhere,
}

impl io::Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.write(bytes),
            Self::Nowhere => Ok(bytes.len()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::File(file) => file.flush(),
            Self::Nowhere => Ok(()),
        }
    }
}

/// The lines of a log: `0001.234567 > 3A 58  |:X|` for bytes, and `0001.234567 # what happened`
/// for all else.
#[derive(Debug)]
struct Lines(Stopwatch);

impl Lines {
    fn start() -> Self {
        Self(Stopwatch::start())
    }
}

fn time(writer: &mut Writer<'_>, time: Duration) -> fmt::Result {
    write!(writer, "{:04}.{:06}", time.as_secs(), time.subsec_micros())
}

impl<S, N> FormatEvent<S, N> for Lines
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        _context: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        time(&mut writer, self.0.elapsed())?;
        let mut fields = Fields::default();
        event.record(&mut fields);
        if event.metadata().target() == wire::TARGET {
            return writeln!(writer, " {}", fields.message);
        }
        let level = event.metadata().level().as_str().to_lowercase();
        let Fields { message, rest } = fields;
        // A line of the log is one line, whatever is in it.
        let text = format!("{level} {message}{rest}").replace(['\n', '\r'], " ");
        writeln!(writer, " # {text}")
    }
}

/// What an event says.
#[derive(Debug, Default)]
struct Fields {
    message: String,
    rest: String,
}

impl Visit for Fields {
    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        // A `String` takes anything.
        let _infallible = if field.name() == "message" {
            write!(self.message, "{value:?}")
        } else {
            write!(self.rest, " {}={value:?}", field.name())
        };
    }
}
