//! Single keys from a terminal.

use std::io::{self, IsTerminal};
use std::time::Duration;

use async_trait::async_trait;
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers, read};
use crossterm::terminal::{disable_raw_mode, enable_raw_mode};
use tokio::sync::mpsc;

use crate::event::StopReason;
use crate::sweep::stop::StopHandle;

/// How often to look whether the terminal is still there: reading one that has gone away need
/// not fail.
const WATCH: Duration = Duration::from_millis(250);

/// Nobody sees a question and answers it within this time: keys that come sooner were meant for
/// something else.
const TOO_SOON: Duration = Duration::from_millis(120);

/// A key, as far as questions care.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// A letter, digit or sign.
    Char(char),
    /// Enter.
    Enter,
    /// Backspace.
    Backspace,
    /// Any other.
    Other,
}

/// Where keys come from.
#[async_trait(?Send)]
pub trait Keys {
    /// From now on keys are taken one by one, and none is shown.
    ///
    /// # Errors
    /// When the terminal is gone.
    fn attend(&mut self) -> io::Result<()>;

    /// Forgets keys that were pressed before anybody could have read the question.
    async fn forget_early(&mut self);

    /// The next key.
    ///
    /// # Errors
    /// When the terminal is gone.
    async fn next(&mut self) -> io::Result<Key>;

    /// The terminal is as before.
    fn rest(&mut self);
}

/// Keys from the terminal that the program runs in.
///
/// While keys are taken one by one, Ctrl-C is a key like any other and no signal; it asks the run
/// to stop all the same.
#[derive(Debug)]
pub struct TerminalKeys {
    keys: mpsc::UnboundedReceiver<io::Result<Key>>,
    raw: bool,
}

impl TerminalKeys {
    /// Starts to listen; `None` if standard input or standard error is no terminal.
    pub fn open(stop: StopHandle) -> Option<Self> {
        if !is_terminal() {
            return None;
        }
        let (sender, keys) = mpsc::unbounded_channel();
        // Blocks in reading and ends with the program.
        std::thread::spawn(move || {
            loop {
                let key = match read() {
                    Ok(Event::Key(event)) if event.kind != KeyEventKind::Release => {
                        if is_interrupt(&event) {
                            restore();
                            stop.ask(StopReason::Interrupt);
                            continue;
                        }
                        Ok(key_of(&event))
                    }
                    Ok(_) => continue,
                    Err(error) => Err(error),
                };
                let failed = key.is_err();
                if sender.send(key).is_err() || failed {
                    break;
                }
            }
        });
        Some(Self { keys, raw: false })
    }
}

fn is_terminal() -> bool {
    io::stdin().is_terminal() && io::stderr().is_terminal()
}

fn is_interrupt(event: &KeyEvent) -> bool {
    event.modifiers.contains(KeyModifiers::CONTROL)
        && matches!(event.code, KeyCode::Char('c' | 'C' | '\\'))
}

fn key_of(event: &KeyEvent) -> Key {
    let plain = (event.modifiers - KeyModifiers::SHIFT).is_empty();
    if event.code == KeyCode::Enter {
        Key::Enter
    } else if event.code == KeyCode::Backspace {
        Key::Backspace
    } else if let KeyCode::Char(letter) = event.code
        && plain
    {
        Key::Char(letter)
    } else {
        Key::Other
    }
}

fn restore() {
    if let Err(error) = disable_raw_mode() {
        tracing::warn!(%error, "the terminal's mode can't be restored");
    }
}

#[async_trait(?Send)]
impl Keys for TerminalKeys {
    fn attend(&mut self) -> io::Result<()> {
        if !self.raw {
            enable_raw_mode()?;
            self.raw = true;
        }
        Ok(())
    }

    async fn forget_early(&mut self) {
        tokio::time::sleep(TOO_SOON).await;
        while let Ok(Ok(_)) = self.keys.try_recv() {}
    }

    async fn next(&mut self) -> io::Result<Key> {
        loop {
            tokio::select! {
                key = self.keys.recv() => {
                    return key.unwrap_or_else(|| Err(io::ErrorKind::UnexpectedEof.into()));
                }
                () = tokio::time::sleep(WATCH) => {
                    if !is_terminal() {
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                }
            }
        }
    }

    fn rest(&mut self) {
        if std::mem::take(&mut self.raw) {
            restore();
        }
    }
}

impl Drop for TerminalKeys {
    /// Also on the way out of a panic.
    fn drop(&mut self) {
        self.rest();
    }
}
