//! What happens inside, for whoever looks for a fault: off unless asked for.

use std::fs::File;
use std::io;
use std::sync::Mutex;

use tracing::level_filters::LevelFilter;
use tracing_subscriber::fmt;

use super::{Failure, Global};

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
    let builder = fmt()
        .with_max_level(level)
        .with_ansi(false)
        .with_target(false);
    let started = match &global.log {
        None => builder.with_writer(io::stderr).try_init(),
        Some(path) => {
            let file = File::create(path).map_err(|source| Failure::Log {
                path: path.clone(),
                source,
            })?;
            builder.with_writer(Mutex::new(file)).try_init()
        }
    };
    // Only a program that runs commands twice has one already, and that one serves.
    if let Err(error) = started {
        tracing::debug!(error, "there already is a log");
    }
    Ok(())
}
