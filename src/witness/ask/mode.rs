//! The terminal's mode while keys are taken one by one.
//!
//! Output stays as it is: whatever else prints meanwhile looks as always.

use std::io;

pub(super) use system::Mode;

#[cfg(unix)]
mod system {
    use std::io;
    use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

    use rustix::termios::{
        InputModes, LocalModes, OptionalActions, SpecialCodeIndex, Termios, tcgetattr, tcsetattr,
    };

    /// What is switched off: lines, what is typed being shown, and keys that the terminal itself
    /// would act on. Ctrl-Z must not stop the program while an output is active, so signals wait
    /// for a question.
    const LOCAL: LocalModes = LocalModes::ICANON
        .union(LocalModes::ECHO)
        .union(LocalModes::ECHONL)
        .union(LocalModes::ISIG)
        .union(LocalModes::IEXTEN);

    /// The mode as it was before; shared with the thread that reads keys.
    #[derive(Debug, Clone, Default)]
    pub(in super::super) struct Mode(Arc<Mutex<Option<Termios>>>);

    impl Mode {
        fn before(&self) -> MutexGuard<'_, Option<Termios>> {
            // Nothing that holds it leaves it half done.
            self.0.lock().unwrap_or_else(PoisonError::into_inner)
        }

        /// Takes keys one by one. Does nothing if they are already, and puts it right if
        /// somebody else has changed it.
        pub(in super::super) fn enter(&self) -> io::Result<()> {
            let mut before = self.before();
            let now = tcgetattr(io::stdin())?;
            if before.is_some() && !now.local_modes.intersects(LOCAL) {
                return Ok(());
            }
            let mut single = now.clone();
            single.local_modes -= LOCAL;
            single.input_modes -= InputModes::IXON;
            single.special_codes[SpecialCodeIndex::VMIN] = 1;
            single.special_codes[SpecialCodeIndex::VTIME] = 0;
            tcsetattr(io::stdin(), OptionalActions::Now, &single)?;
            before.get_or_insert(now);
            Ok(())
        }

        /// The terminal is as before.
        pub(in super::super) fn leave(&self) -> io::Result<()> {
            match self.before().take() {
                Some(before) => Ok(tcsetattr(io::stdin(), OptionalActions::Now, &before)?),
                None => Ok(()),
            }
        }

        /// Whether it takes keys one by one.
        pub(in super::super) fn is_entered(&self) -> bool {
            self.before().is_some()
        }
    }

    /// Lets the shell have the terminal, until it brings the program back.
    pub(in super::super) fn suspend() -> io::Result<()> {
        use rustix::process::{Signal, kill_current_process_group};
        Ok(kill_current_process_group(Signal::TSTP)?)
    }
}

#[cfg(not(unix))]
mod system {
    use std::io;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    use crossterm::terminal::{disable_raw_mode, enable_raw_mode};

    /// Whether keys are taken one by one; shared with the thread that reads them.
    #[derive(Debug, Clone, Default)]
    pub(in super::super) struct Mode(Arc<AtomicBool>);

    impl Mode {
        pub(in super::super) fn enter(&self) -> io::Result<()> {
            if !self.0.swap(true, Ordering::SeqCst) {
                enable_raw_mode()?;
            }
            Ok(())
        }

        pub(in super::super) fn leave(&self) -> io::Result<()> {
            if self.0.swap(false, Ordering::SeqCst) {
                disable_raw_mode()?;
            }
            Ok(())
        }

        pub(in super::super) fn is_entered(&self) -> bool {
            self.0.load(Ordering::SeqCst)
        }
    }

    pub(in super::super) fn suspend() -> io::Result<()> {
        Ok(())
    }
}

/// Lets the shell have the terminal; comes back when the program is brought back.
pub(super) fn suspend(mode: &Mode) -> io::Result<()> {
    mode.leave()?;
    system::suspend()?;
    mode.enter()
}
