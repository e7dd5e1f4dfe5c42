//! A decoder's addresses and outputs.

use serde::Serialize;

use crate::plan::{Drive, OutputKind};

/// A decoder's outputs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    /// The decoder.
    pub id: String,
    /// Where it is.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub place: String,
    /// Its supply, where the plan says it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply: Option<SupplyLine>,
    /// What its outputs do.
    pub output_kind: OutputKind,
    /// How long they stay on by themselves, milliseconds; 0 until released.
    pub pulse_ms: u32,
    /// Its outputs, in order.
    pub outputs: Vec<OutputLine>,
}

/// A supply, as much as a label holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SupplyLine {
    /// Its id.
    pub id: String,
    /// Volts.
    pub volts: f64,
    /// Amperes.
    pub amps: f64,
}

/// An output of a decoder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OutputLine {
    /// Its number, from 1.
    pub output: u8,
    /// The address that a person keys; nothing beyond the last there is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<u16>,
    /// The address on the rails.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub binary_address: Option<u16>,
    /// What it drives; nothing for a spare one.
    pub drives: Vec<Driven>,
}

/// What an output drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Driven {
    /// Its id.
    pub id: String,
    /// What moves a turnout; nothing for a signal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drive: Option<Drive>,
}
