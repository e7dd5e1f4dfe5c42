//! Wires: what joins supplies, decoders and drives.

/// A pair of wires, out and back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wire {
    /// Length one way, metres.
    pub metres: f64,
    /// How thick it is.
    pub gauge: Gauge,
}

/// How thick a wire is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gauge {
    /// Cross-section, square millimetres (IEC 60228).
    SquareMillimetres(f64),
    /// American wire gauge (ASTM B258).
    Awg(u8),
}

/// What brings power to a decoder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// The wire.
    pub wire: Wire,
    /// Index in [`super::Plan::decoders`] of the decoder at which it begins; `None` where it
    /// begins at the supply.
    pub from: Option<usize>,
}
