//! The tests that a diagnosis can ask for, and what each costs.

use super::sight::{
    Amps, Answer, Arrival, Feel, Lamp, Light, Motion, Ohms, Other, Sound, Stored, Volts,
};
use super::site::Site;
use crate::plan::Drive;

/// One test: something is done, and one question is asked about what it showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Test {
    /// Throw it there and back twice.
    Again,
    /// Throw it there and back six times, to see whether it ever misses.
    Cycle,
    /// Throw it with a long pause before each throw: a discharge unit is full, a coil cold.
    Rested,
    /// The same with no more pause than its travel needs.
    Rapid,
    /// The same with the command repeated, so that a decoder's own pulse is prolonged.
    Burst,
    /// The same without a release, for at most a second.
    Unreleased,
    /// The same together with another turnout of its supply.
    Together,
    /// Throw another turnout of the same decoder there and back twice.
    Mate,
    /// Throw a turnout of another decoder on the same supply.
    SupplyMate,
    /// Throw a turnout of another supply.
    Elsewhere,
    /// Throw at the address four above, and look whether the failing one moves.
    FourUp,
    /// Throw at the address four below.
    FourDown,
    /// Throw at the addresses one, two and three away.
    Nearby,
    /// Throw at the addresses 1 to 4, where a decoder answers that was never taught; at 5 to 8
    /// and further for its later outputs.
    Default,
    /// Command it by extended packets.
    Extended,
    /// Move its blades with a finger.
    ByHand,
    /// Listen at the drive while it is thrown.
    Listen,
    /// Feel the coil when nothing has been thrown for a while.
    Touch,
    /// Look at the lamp on the decoder while it is thrown.
    DecoderLight,
    /// Put a lamp in place of the drive.
    LampOnOutput,
    /// Exchange its two leads at the output and throw it.
    SwapLeads,
    /// Unhook the drive from the blades, throw it and look at the drive.
    Unhook,
    /// Measure the voltage that feeds the decoder's outputs, at rest and during a throw.
    Volts,
    /// Measure the voltage at the supply itself, its wires taken off.
    VoltsAtSupply,
    /// Measure the resistance through each lead, taken off the output.
    Ohms,
    /// Measure the same at the drive itself.
    OhmsAtDrive,
    /// Give the decoder its address again, as its plan says, and throw.
    Reteach,
    /// Listen in on the wires right at the decoder's input while it is commanded.
    Capture,
    /// Read its address and settings on the programming track.
    ReadCvs,
    /// Measure the current through the output during a throw.
    Amps,
    /// Put the decoder beside the station, on a feed and a supply known to be good, and throw.
    GoodFeed,
}

/// How much a test asks of the operator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// Seconds it takes, looking and answering included.
    pub seconds: f64,
    /// Whether hands or tools are needed at the layout; if not, only a look is asked for.
    pub hands: bool,
}

impl Test {
    /// All of them.
    pub const ALL: [Self; 31] = [
        Self::Again,
        Self::Cycle,
        Self::Rested,
        Self::Rapid,
        Self::Burst,
        Self::Unreleased,
        Self::Together,
        Self::Mate,
        Self::SupplyMate,
        Self::Elsewhere,
        Self::FourUp,
        Self::FourDown,
        Self::Nearby,
        Self::Default,
        Self::Extended,
        Self::ByHand,
        Self::Listen,
        Self::Touch,
        Self::DecoderLight,
        Self::LampOnOutput,
        Self::SwapLeads,
        Self::Unhook,
        Self::Volts,
        Self::VoltsAtSupply,
        Self::Ohms,
        Self::OhmsAtDrive,
        Self::Reteach,
        Self::Capture,
        Self::ReadCvs,
        Self::Amps,
        Self::GoodFeed,
    ];

    /// Its stable name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Again => "throw-again",
            Self::Cycle => "six-cycles",
            Self::Rested => "throw-rested",
            Self::Rapid => "throw-rapidly",
            Self::Burst => "longer-pulse",
            Self::Unreleased => "without-release",
            Self::Together => "together",
            Self::Mate => "same-decoder",
            Self::SupplyMate => "same-supply",
            Self::Elsewhere => "other-supply",
            Self::FourUp => "four-up",
            Self::FourDown => "four-down",
            Self::Nearby => "addresses-nearby",
            Self::Default => "first-addresses",
            Self::Extended => "extended-packets",
            Self::ByHand => "by-hand",
            Self::Listen => "listen",
            Self::Touch => "touch",
            Self::DecoderLight => "decoder-lamp",
            Self::LampOnOutput => "lamp-on-output",
            Self::SwapLeads => "swap-leads",
            Self::Unhook => "unhook",
            Self::Volts => "volts",
            Self::VoltsAtSupply => "volts-at-supply",
            Self::Ohms => "ohms",
            Self::OhmsAtDrive => "ohms-at-drive",
            Self::Reteach => "address-again",
            Self::Capture => "packets-at-decoder",
            Self::ReadCvs => "read-settings",
            Self::Amps => "amps",
            Self::GoodFeed => "good-feed",
        }
    }

    /// What it costs. Times are common practice, no source: a look is quick, a walk under the
    /// layout with a meter is not.
    pub const fn cost(self) -> Cost {
        let (seconds, hands) = match self {
            Self::Again | Self::Rapid | Self::Mate | Self::SupplyMate | Self::Elsewhere => {
                (15.0, false)
            }
            Self::FourUp | Self::FourDown | Self::Extended => (12.0, false),
            Self::Nearby | Self::Default | Self::Burst | Self::Together => (20.0, false),
            Self::Unreleased => (25.0, false),
            Self::Cycle => (45.0, false),
            Self::Rested => (100.0, false),
            Self::ByHand | Self::Listen => (20.0, true),
            Self::Touch => (25.0, true),
            Self::DecoderLight => (40.0, true),
            Self::LampOnOutput | Self::Unhook | Self::Ohms | Self::OhmsAtDrive => (150.0, true),
            Self::SwapLeads => (180.0, true),
            Self::Volts | Self::VoltsAtSupply => (90.0, true),
            Self::Amps => (200.0, true),
            Self::Reteach => (300.0, true),
            Self::Capture => (600.0, true),
            Self::ReadCvs => (900.0, true),
            Self::GoodFeed => (1200.0, true),
        };
        Cost { seconds, hands }
    }

    /// Whether it drives addresses that the plan may not have, which needs the operator's say.
    pub const fn leaves_the_plan(self) -> bool {
        matches!(
            self,
            Self::FourUp | Self::FourDown | Self::Nearby | Self::Default
        )
    }

    /// Whether anybody is asked for it in the ordinary course. What is not needs an instrument
    /// that few have, or the decoder taken out of the layout; it is only named where nothing
    /// else parts what remains.
    pub const fn is_ordinary(self) -> bool {
        !matches!(
            self,
            Self::Capture | Self::ReadCvs | Self::Amps | Self::GoodFeed
        )
    }

    /// Whether it depends on which address the decoder has, which is not the same once it was
    /// given anew.
    pub const fn is_of_the_address(self) -> bool {
        matches!(
            self,
            Self::FourUp
                | Self::FourDown
                | Self::Nearby
                | Self::Default
                | Self::Reteach
                | Self::ReadCvs
        )
    }

    /// Whether it throws another turnout, which may have a fault of its own.
    pub const fn is_of_another(self) -> bool {
        matches!(self, Self::Mate | Self::SupplyMate | Self::Elsewhere)
    }

    /// Whether it can be made at this site.
    pub fn is_offered(self, site: &Site) -> bool {
        let turnout = &site.plan.turnouts[site.target];
        let is_coil = turnout.drive == Drive::TwinCoil;
        match self {
            Self::Mate => site.mate.is_some(),
            Self::SupplyMate => site.supply_mate.is_some(),
            Self::Together => site.supply_mate.or(site.mate).is_some(),
            Self::Elsewhere => site.elsewhere.is_some(),
            Self::FourUp => site.address_off_by(4).is_some(),
            Self::FourDown => site.address_off_by(-4).is_some(),
            Self::Touch | Self::Unreleased | Self::Burst => is_coil,
            Self::SwapLeads | Self::Ohms | Self::OhmsAtDrive | Self::Amps => {
                turnout.drive != Drive::Servo
            }
            Self::Again
            | Self::Cycle
            | Self::Rested
            | Self::Rapid
            | Self::Nearby
            | Self::Default
            | Self::Extended
            | Self::ByHand
            | Self::Listen
            | Self::DecoderLight
            | Self::LampOnOutput
            | Self::Unhook
            | Self::Volts => true,
            Self::VoltsAtSupply => site.supply().is_some(),
            Self::Reteach | Self::Capture | Self::ReadCvs | Self::GoodFeed => {
                site.decoder().is_some()
            }
        }
    }

    /// Every answer it can have.
    pub fn answers(self) -> Vec<Answer> {
        const VOLTS: [Volts; 4] = [Volts::None, Volts::Low, Volts::Right, Volts::High];
        const OHMS: [Ohms; 4] = [Ohms::Open, Ohms::Low, Ohms::Right, Ohms::High];
        const SOUNDS: [Sound; 3] = [Sound::Silent, Sound::Buzz, Sound::Throw];
        fn pairs<T: Copy, U>(all: &[T], make: fn(T, T) -> U) -> Vec<U> {
            let one = all.iter();
            one.flat_map(|one| all.iter().map(move |other| make(*one, *other)))
                .collect()
        }
        match self {
            Self::Again
            | Self::Cycle
            | Self::Rested
            | Self::Rapid
            | Self::Burst
            | Self::Unreleased
            | Self::Together
            | Self::Mate
            | Self::SupplyMate
            | Self::Elsewhere
            | Self::Extended
            | Self::SwapLeads
            | Self::Reteach
            | Self::GoodFeed => Motion::ALL
                .iter()
                .flat_map(|motion| Other::ALL.map(|other| Answer::Motion(*motion, other)))
                .collect(),
            Self::Unhook => Motion::ALL
                .map(|motion| Answer::Motion(motion, Other::Nothing))
                .to_vec(),
            Self::FourUp | Self::FourDown | Self::Nearby | Self::Default => {
                vec![Answer::Moved(false), Answer::Moved(true)]
            }
            Self::ByHand => Feel::ALL.map(Answer::Feel).to_vec(),
            Self::Listen => pairs(&SOUNDS, Answer::Sound),
            Self::Touch => vec![Answer::Hot(false), Answer::Hot(true)],
            Self::DecoderLight => [Light::Dark, Light::Steady, Light::Answers]
                .map(Answer::Light)
                .to_vec(),
            Self::LampOnOutput => Lamp::ALL.map(Answer::Lamp).to_vec(),
            Self::VoltsAtSupply => VOLTS.map(Answer::Supply).to_vec(),
            Self::Volts => VOLTS
                .iter()
                .flat_map(|rest| {
                    pairs(&VOLTS, |least, after| (least, after))
                        .into_iter()
                        .map(|(least, after)| Answer::Volts(*rest, least, after))
                })
                .collect(),
            Self::Ohms | Self::OhmsAtDrive => pairs(&OHMS, Answer::Ohms),
            Self::Capture => [Arrival::None, Arrival::Some, Arrival::All]
                .map(Answer::Arrival)
                .to_vec(),
            Self::ReadCvs => [
                Stored::AsPlanned,
                Stored::OtherAddress,
                Stored::OtherSettings,
            ]
            .map(Answer::Stored)
            .to_vec(),
            Self::Amps => pairs(
                &[Amps::None, Amps::Low, Amps::Right, Amps::High],
                Answer::Amps,
            ),
        }
    }
}
