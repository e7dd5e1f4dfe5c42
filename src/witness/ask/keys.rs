//! Single keys from a terminal.

use std::io::{self, IsTerminal};
use std::time::Duration;

use async_trait::async_trait;
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers, read};
use tokio::sync::mpsc;

use super::key::Key;
use super::mode::{self, Mode};
use crate::event::StopReason;
use crate::sweep::stop::StopHandle;

/// How often to look whether the terminal is still there: reading one that has gone away need
/// not fail.
const WATCH: Duration = Duration::from_millis(250);

/// Nobody sees a question and answers it within this time: keys that come sooner were meant for
/// something else.
const TOO_SOON: Duration = Duration::from_millis(120);

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

    /// Lets the shell have the terminal, and comes back when the program is brought back.
    ///
    /// # Errors
    /// When the terminal is gone.
    fn suspend(&mut self) -> io::Result<()>;
}

/// Keys from the terminal that the program runs in.
///
/// While keys are taken one by one, Ctrl-C is a key like any other and no signal; it asks the run
/// to stop all the same. So is Ctrl-Z, which is heard when a question is open: never while an
/// output is active.
#[derive(Debug)]
pub struct TerminalKeys {
    keys: mpsc::UnboundedReceiver<io::Result<Key>>,
    mode: Mode,
}

impl TerminalKeys {
    /// Starts to listen; `None` if standard input or standard error is no terminal.
    pub fn open(stop: StopHandle) -> Option<Self> {
        if !is_terminal() {
            return None;
        }
        let (sender, keys) = mpsc::unbounded_channel();
        let mode = Mode::default();
        let shared = mode.clone();
        // Blocks in reading and ends with the program.
        std::thread::spawn(move || {
            loop {
                let key = match read() {
                    Ok(Event::Key(event)) if event.kind != KeyEventKind::Release => {
                        if is_interrupt(&event) {
                            restore(&shared);
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
        Some(Self { keys, mode })
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
    if event.modifiers == KeyModifiers::CONTROL && event.code == KeyCode::Char('z') {
        return Key::Suspend;
    }
    if !(event.modifiers - KeyModifiers::SHIFT).is_empty() {
        return Key::Other;
    }
    // Not by a match of all codes: there are many, and more with every version.
    let named = [
        (KeyCode::Enter, Key::Enter),
        (KeyCode::Backspace, Key::Backspace),
        (KeyCode::Esc, Key::Esc),
        (KeyCode::Tab, Key::Tab),
        (KeyCode::Left, Key::Left),
        (KeyCode::Right, Key::Right),
        (KeyCode::Up, Key::Up),
        (KeyCode::Down, Key::Down),
        (KeyCode::PageUp, Key::PageUp),
        (KeyCode::PageDown, Key::PageDown),
        (KeyCode::Home, Key::Home),
        (KeyCode::End, Key::End),
        (KeyCode::Insert, Key::Insert),
        (KeyCode::Delete, Key::Delete),
    ];
    if let KeyCode::Char(letter) = event.code {
        Key::Char(letter)
    } else if let KeyCode::F(number) = event.code {
        Key::F(number)
    } else {
        let known = named.iter().find(|(code, _)| *code == event.code);
        known.map_or(Key::Other, |(_, key)| *key)
    }
}

fn restore(mode: &Mode) {
    if let Err(error) = mode.leave() {
        tracing::warn!(%error, "the terminal's mode can't be restored");
    }
}

#[async_trait(?Send)]
impl Keys for TerminalKeys {
    fn attend(&mut self) -> io::Result<()> {
        self.mode.enter()
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
                    // Whoever stopped and continued the program may have changed it.
                    if self.mode.is_entered() {
                        self.mode.enter()?;
                    }
                }
            }
        }
    }

    fn rest(&mut self) {
        restore(&self.mode);
    }

    fn suspend(&mut self) -> io::Result<()> {
        mode::suspend(&self.mode)
    }
}

impl Drop for TerminalKeys {
    /// Also on the way out of a panic.
    fn drop(&mut self) {
        self.rest();
    }
}
