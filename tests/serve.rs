//! The served simulated track, through the real program: bytes in, bytes out.
//!
//! Frames are written by hand from NMRA S-9.7.x (2021): CAN Frame Transfer (CFT), Message Network
//! (MN), Event Transport (ET), Event Identifiers (EI), Simple Node Information (SNI).
#![cfg(unix)]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of tests fail by panic"
)]

#[path = "serve/support.rs"]
mod support;

#[path = "serve/faults.rs"]
mod faults;
#[path = "serve/flood.rs"]
mod flood;
#[path = "serve/lcc.rs"]
mod lcc;
#[path = "serve/places.rs"]
mod places;
#[path = "serve/profile.rs"]
mod profile;
#[path = "serve/soak.rs"]
mod soak;
