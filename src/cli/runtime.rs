//! Where engines run, and how signals of the system reach them.

use std::future::Future;
use std::io;

use tokio::runtime::Builder;

use super::Failure;
use crate::event::StopReason;
use crate::sweep::stop::{StopHandle, StopToken};

/// Runs `work` to its end, while signals that ask the program to end go to `stop`.
pub(super) fn block_on<T>(
    stop: &StopHandle,
    work: impl Future<Output = Result<T, Failure>>,
) -> Result<T, Failure> {
    let runtime = Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failure::Setup)?;
    runtime.block_on(async {
        listen(stop).map_err(Failure::Setup)?;
        work.await
    })
}

/// Sees to it that a write beyond the limit on file size fails, and does not end the program
/// with outputs active and nobody told.
#[cfg(unix)]
pub(super) fn heed_file_size_limit() -> Result<(), Failure> {
    use tokio::signal::unix::{SignalKind, signal};

    let runtime = Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failure::Setup)?;
    let _inside = runtime.enter();
    // Once it is heard by somebody it ends nothing any more.
    let xfsz = SignalKind::from_raw(rustix::process::Signal::XFSZ.as_raw());
    let _heard = signal(xfsz).map_err(Failure::Setup)?;
    Ok(())
}

#[cfg(not(unix))]
pub(super) fn heed_file_size_limit() -> Result<(), Failure> {
    Ok(())
}

/// Opens something, unless the program is asked to end meanwhile.
pub(super) async fn unless_asked<T>(
    stop: StopToken,
    open: impl Future<Output = Result<T, Failure>>,
) -> Result<T, Failure> {
    tokio::select! {
        biased;
        _ = stop.asked() => Err(Failure::Interrupted),
        opened = open => opened,
    }
}

#[cfg(unix)]
fn listen(stop: &StopHandle) -> io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};

    let signals = [
        (SignalKind::interrupt(), StopReason::Interrupt),
        (SignalKind::terminate(), StopReason::Interrupt),
        (SignalKind::hangup(), StopReason::TerminalLost),
    ];
    for (kind, reason) in signals {
        let mut signal = signal(kind)?;
        let stop = stop.clone();
        tokio::spawn(async move {
            while signal.recv().await.is_some() {
                stop.ask(reason);
            }
        });
    }
    Ok(())
}

#[cfg(not(unix))]
fn listen(stop: &StopHandle) -> io::Result<()> {
    let stop = stop.clone();
    tokio::spawn(async move {
        while tokio::signal::ctrl_c().await.is_ok() {
            stop.ask(StopReason::Interrupt);
        }
    });
    Ok(())
}
