//! What is wrong or risky in a plan.

use serde::{Deserialize, Serialize};

use crate::textfile::Span;
use crate::toml_reader::{Fault, Mark, Problem};

use super::Id;

/// Something wrong or risky in a plan, found without touching the layout.
#[derive(Debug, Clone, PartialEq, Eq)]
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
}

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Good to know.
    Note,
    /// It may work, and may not.
    Warning,
    /// The plan can't be right; nothing is driven from it.
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

impl Finding {
    /// How much it weighs.
    pub fn severity(&self) -> Severity {
        self.code.severity()
    }

    /// The finding as a reason to refuse the file.
    pub(super) fn into_problem(self) -> Problem {
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
