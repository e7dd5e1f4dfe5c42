//! What is wrong or risky in a plan.

use serde::{Deserialize, Serialize};

use crate::textfile::Span;
use crate::toml_reader::{Fault, Mark, Problem};

use super::Id;

/// Something wrong or risky in a plan, found without touching the layout.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What kind of thing it is.
    pub code: Code,
    /// What it is about: ids of turnouts, signals, decoders or supplies, in the order of the
    /// plan.
    pub subjects: Vec<Id>,
    /// Where the plan says it.
    pub at: Span,
    /// Line of the plan, from 1.
    pub line: u32,
    /// Other places of the plan that have to do with it.
    pub others: Vec<Mark>,
    /// What is found.
    pub message: String,
    /// How to mend it.
    pub mend: String,
    /// The figures behind it.
    pub figures: Vec<Figure>,
}

/// A figure behind a finding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// What it is: `steady current`.
    pub name: &'static str,
    /// Its value.
    pub value: f64,
    /// The unit of value and limit: `A`.
    pub unit: &'static str,
    /// What it is held to, if to anything.
    pub limit: Option<Limit>,
}

/// What a figure is held to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// It should not be more.
    Most(f64),
    /// It should not be less.
    Least(f64),
}

impl Figure {
    /// A figure that is held to nothing.
    pub fn of(name: &'static str, value: f64, unit: &'static str) -> Self {
        Self {
            name,
            value,
            unit,
            limit: None,
        }
    }

    /// The same, held to at most that.
    #[must_use]
    pub fn at_most(self, limit: f64) -> Self {
        Self {
            limit: Some(Limit::Most(limit)),
            ..self
        }
    }

    /// The same, held to at least that.
    #[must_use]
    pub fn at_least(self, limit: f64) -> Self {
        Self {
            limit: Some(Limit::Least(limit)),
            ..self
        }
    }

    /// What is left to its limit; negative beyond it.
    pub fn margin(&self) -> Option<f64> {
        Some(match self.limit? {
            Limit::Most(limit) => limit - self.value,
            Limit::Least(limit) => self.value - limit,
        })
    }
}

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Good to know.
    Note,
    /// It may work, and may not.
    Warning,
    /// It can't work, or the plan can't be right; see [`Code::refuses`].
    Error,
}

impl Severity {
    /// Its name in the output.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Warning => "warning",
            Self::Error => "error",
        }
    }
}

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident = $code:literal, $severity:ident, $why:literal;)+) => {
        /// The kinds of finding. Their names are stable.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code {
            $($(#[$doc])* $name,)+
        }

        impl Code {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];

            /// Its stable name, in kebab case.
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$name => $code,)+ }
            }

            /// How much it weighs.
            pub fn severity(self) -> Severity {
                match self { $(Self::$name => Severity::$severity,)+ }
            }

            /// The kind of that name.
            pub fn named(name: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|code| code.as_str() == name)
            }

            /// Why it matters.
            pub fn why(self) -> &'static str {
                match self { $(Self::$name => $why,)+ }
            }
        }
    };
}

codes! {
    /// An address, or the end of a block, outside 1 to 2048.
    AddressOutOfRange = "address-out-of-range", Error,
        "a packet has 11 address bits: no station can send to it";
    /// Two things have the same address, and not both say that they mean it.
    AddressUsedTwice = "address-used-twice", Error,
        "one command would throw both";
    /// Two things are on the same output, and not both say that they mean it.
    OutputUsedTwice = "output-used-twice", Error,
        "one command would throw both, and one output would have to drive both";
    /// Wires from board to board that come back to where they began.
    WireLoop = "wire-loop", Error,
        "what feeds these boards can't be told: none of them is reached from a supply";
    /// A wire from a board that hangs on another supply.
    WireElsewhere = "wire-elsewhere", Error,
        "a bus belongs to one supply: what the wire brings would be the other one's";
    /// Address, decoder and output do not fit together.
    AddressDisagrees = "address-disagrees", Error,
        "the command would go to one output and the wires to another";
    /// A decoder that is not in the plan.
    UnknownDecoder = "unknown-decoder", Error,
        "nothing says what the output can do or which address it has";
    /// A supply that is not in the plan.
    UnknownSupply = "unknown-supply", Error,
        "nothing says what the outputs are fed with";
    /// An output that the decoder lacks.
    NoSuchOutput = "no-such-output", Error,
        "there is no terminal to wire it to";
    /// A thing that needs one packet format on a decoder that obeys the other.
    WrongFormat = "wrong-format", Error,
        "the decoder would not obey the packets sent for it";
    /// A basic and an extended thing at the same address.
    BothFormats = "both-formats", Warning,
        "the two are different packets, but on most decoders they share the address space";
    /// An address that every basic decoder obeys.
    BroadcastAddress = "broadcast-address", Warning,
        "every basic decoder may obey it, whatever its own address (S-9.2.1, July 2012)";
    /// An address whose packet is the emergency stop of accessories.
    EmergencyStopAddress = "emergency-stop-address", Warning,
        "its release is byte for byte the emergency stop, and every decoder may obey it";
    /// An address that stations send differently.
    NumberingDependent = "numbering-dependent", Warning,
        "stations put these numbers on different binary addresses, so another station, or a \
         changed setting, throws something else";
    /// Decoders of which more than one answers to an address.
    BlocksOverlap = "blocks-overlap", Warning,
        "both answer to the addresses they share: throwing one also throws the other";
    /// A first address that the decoder can't be given.
    BlockStart = "block-start", Warning,
        "such a decoder takes the start of the block instead, and every output moves along";
    /// A coil that stays powered.
    CoilLeftOn = "coil-left-on", Warning,
        "a coil is made for a pulse; left on it burns within seconds";
    /// A drive on an output that can't move it both ways.
    DriveOutputMismatch = "drive-output-mismatch", Error,
        "what the output gives is not what the drive runs on: it moves one way only, or not at all";
    /// A drive that gets too little to move.
    DriveStarved = "drive-starved", Error,
        "what is left of the voltage at the drive does not move it";
    /// A drive that gets little.
    SupplySags = "supply-sags", Warning,
        "a coil's force goes with the square of its current: a tenth less is a fifth less pull, \
         and the stiffest of its kind stays where it is";
    /// A drop in the wires.
    WireTooLong = "wire-too-long", Warning,
        "what is lost in the wire is missing at the drive, and weak throws are hard to find later";
    /// A short at the far end of a wire trips nothing.
    TripNeverReached = "trip-never-reached", Warning,
        "a short at the far end then warms the wire for as long as nobody sees it";
    /// A supply that carries more than it is rated for, all the time.
    SupplyOverloaded = "supply-overloaded", Error,
        "it gets hot and switches off, and with it all that it feeds";
    /// A supply that carries more than four fifths of it.
    SupplyNearLimit = "supply-near-limit", Warning,
        "it runs warm, and nothing is left for throws or for one board more";
    /// A throw that trips its supply.
    SupplyTrips = "supply-trips", Error,
        "the throw itself switches the supply off, and with it all that it feeds";
    /// Throws that draw more than the supply gives.
    ThrowsOverload = "throws-overload", Warning,
        "the voltage falls for all that move just then, and the supply may trip";
    /// A capacitor that is thrown from again before it is full.
    RechargeTooSlow = "recharge-too-slow", Warning,
        "the next throw begins with too little charge: it works alone and fails in a route";
    /// A pulse that ends before the drive has moved.
    PulseTooShort = "pulse-too-short", Error,
        "the current ends before the blades are past the middle, and the spring takes them back";
    /// A pulse that the slowest of its kind need to its end.
    PulseBarelyLong = "pulse-barely-long", Warning,
        "a stiff or slow one of its kind is left half-way";
    /// A pulse that burns the coil.
    PulseTooHot = "pulse-too-hot", Error,
        "a coil is made for a short pulse; the insulation of its wire fails at about 160 °C";
    /// A coil that gets too hot when it is thrown again and again.
    CoilRunsHot = "coil-runs-hot", Warning,
        "a child at the panel, or a program that tries again, throws it as fast as it can";
    /// An output that carries more than it can.
    OutputOverloaded = "output-overloaded", Error,
        "the output switches itself off before the drive has moved, or burns";
    /// An output that carries more than its label says.
    OutputNearLimit = "output-near-limit", Warning,
        "it works until the day is warm or the drive is stiff";
    /// A board that carries more than it can.
    BoardOverloaded = "board-overloaded", Error,
        "the board switches all its outputs off";
    /// A board that carries more than its label says.
    BoardNearLimit = "board-near-limit", Warning,
        "it works until one more of its outputs is used";
    /// Many decoders that draw from the rails.
    PowerFromTrack = "power-from-track", Note,
        "an engine that runs into a turnout set against it shorts the rails, and then that very \
         turnout can't be thrown; and what turnouts draw is missing for trains";
    /// Unused addresses amid a decoder's block.
    AddressGap = "address-gap", Note,
        "either something is missing in the plan, or numbers were skipped that nothing else can \
         have";
    /// A three-way turnout that can come to lie both ways at once.
    ForbiddenPair = "forbidden-pair", Warning,
        "with both its drives thrown the blades foul each other, and what comes derails";
    /// Position reports that the link does not carry.
    ReportsNotCarried = "reports-not-carried", Warning,
        "the plan counts on reports that never come, so they can't be a witness";
    /// Aspects of a signal that are the same command.
    AspectsAlike = "aspects-alike", Warning,
        "they are one and the same command, so one of them can't be right";
    /// Aspects of a signal that light the same lamps.
    AspectsLookAlike = "aspects-look-alike", Warning,
        "nobody can tell by eye which of them is shown";
    /// An aspect whose lamps the plan leaves out, where it describes others.
    AspectNotDescribed = "aspect-not-described", Note,
        "whoever is asked sees no picture of it among the others";
    /// Lights on outputs that go off by themselves.
    LightsOnPulse = "lights-on-pulse", Warning,
        "a pulse ends by itself, and the lights go off with it";
    /// A plan without turnout or signal.
    NothingToProve = "nothing-to-prove", Warning,
        "a sweep would throw nothing and prove nothing";
    /// An address said to be shared that nothing shares.
    NothingShared = "nothing-shared", Note,
        "either the other end is missing or the line is left over";
}

impl Code {
    /// The errors of power, drives and outputs.
    pub const ELECTRICAL: &'static [Self] = &[
        Self::DriveOutputMismatch,
        Self::DriveStarved,
        Self::SupplyOverloaded,
        Self::SupplyTrips,
        Self::PulseTooShort,
        Self::PulseTooHot,
        Self::OutputOverloaded,
        Self::BoardOverloaded,
    ];

    /// Whether nothing is driven from a plan that has it: the plan contradicts itself. Errors of
    /// power do not refuse it, since driving it is how they show.
    pub fn refuses(self) -> bool {
        self.severity() == Severity::Error && !Self::ELECTRICAL.contains(&self)
    }
}

impl Finding {
    /// How much it weighs.
    pub fn severity(&self) -> Severity {
        self.code.severity()
    }

    /// The finding as a reason to refuse the file.
    pub(crate) fn into_problem(self) -> Problem {
        let Self {
            code,
            at,
            others,
            message,
            mend,
            ..
        } = self;
        Problem {
            fault: Fault::Meaning {
                code: code.as_str(),
                what: message,
                mend,
            },
            at,
            others,
        }
    }
}
