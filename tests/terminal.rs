//! The operator at the terminal, a pseudo-terminal of the system of 80 by 24, through the program
//! itself.
#![cfg(target_os = "linux")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]
#![expect(clippy::disallowed_methods, reason = "a real terminal takes real time")]

#[path = "terminal/answers.rs"]
mod answers;
#[path = "terminal/hunt.rs"]
mod hunt;
#[path = "terminal/screen.rs"]
mod screen;
#[path = "terminal/session.rs"]
mod session;
#[path = "terminal/steps.rs"]
mod steps;
