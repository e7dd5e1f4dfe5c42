//! What is to be done for a test, and what to mind meanwhile.

use super::named;
use crate::cautions::{self, Caution};
use crate::diagnose::site::Site;
use crate::diagnose::test::Test;
use crate::plan::Drive;

impl Test {
    /// What to mind while it is made.
    pub const fn caution(self) -> Option<&'static Caution> {
        match self {
            Self::Burst | Self::Unreleased | Self::Touch | Self::LampOnOutput => {
                Some(&cautions::COIL_ON)
            }
            Self::Cycle | Self::ByHand | Self::Listen | Self::Unhook => Some(&cautions::MOVING),
            Self::SwapLeads | Self::Ohms | Self::OhmsAtDrive | Self::Amps | Self::GoodFeed => {
                Some(&cautions::UNPLUG)
            }
            Self::Volts | Self::VoltsAtSupply => Some(&cautions::BACK_FEED),
            Self::Again
            | Self::Rested
            | Self::Rapid
            | Self::Together
            | Self::Mate
            | Self::SupplyMate
            | Self::Elsewhere
            | Self::FourUp
            | Self::FourDown
            | Self::Nearby
            | Self::Default
            | Self::Extended
            | Self::DecoderLight
            | Self::Reteach
            | Self::Capture
            | Self::ReadCvs => None,
        }
    }

    /// What is to be done, for this site.
    #[expect(clippy::too_many_lines, reason = "one sentence for each test")]
    pub fn told_to_do(self, site: &Site) -> String {
        let plan = &site.plan;
        let own = &plan.turnouts[site.target];
        let id = &own.id;
        let other = |index: Option<usize>| named(plan, index);
        let off = |offset| {
            let address = site.address_off_by(offset);
            address.map_or_else(String::new, |it| it.get().to_string())
        };
        match self {
            Self::Again => format!("Throw {id} there and back twice, and watch it."),
            Self::Cycle => format!("Throw {id} there and back six times, and watch for a miss."),
            Self::Rested => {
                format!("Throw {id} there and back twice, with 20 s of rest before each throw.")
            }
            Self::Rapid => {
                format!("Throw {id} both ways three times, each throw right after the last.")
            }
            Self::Burst => format!(
                "Throw {id} both ways, repeating each command ten times within half a second, \
                 so that its pulse lasts that long. No longer: the coil gets warm."
            ),
            Self::Unreleased => format!(
                "Throw {id} both ways without a release, and release after one second at the \
                 latest: a coil left on burns."
            ),
            Self::Together => format!(
                "Throw {id} and {} at the same moment, both ways.",
                other(site.supply_mate.or(site.mate))
            ),
            Self::Mate => format!(
                "Throw {}, on the same decoder, there and back twice.",
                other(site.mate)
            ),
            Self::SupplyMate => format!(
                "Throw {}, on another decoder of the same supply, there and back twice.",
                other(site.supply_mate)
            ),
            Self::Elsewhere => format!(
                "Throw {}, on another supply, there and back twice.",
                other(site.elsewhere)
            ),
            Self::FourUp => format!("Throw at address {} both ways, and watch {id}.", off(4)),
            Self::FourDown => format!("Throw at address {} both ways, and watch {id}.", off(-4)),
            Self::Nearby => format!(
                "Throw at the addresses one, two and three below and above {}, and watch {id}.",
                own.address.get()
            ),
            Self::Default => {
                let all = site.first_addresses();
                format!(
                    "Throw at the addresses {} to {}, where {id} is if its decoder was never \
                     taught, and watch {id}.",
                    all.start(),
                    all.end()
                )
            }
            Self::Extended => format!(
                "Command {id} at address {} by extended packets, both ways.",
                own.address.get()
            ),
            Self::ByHand if matches!(own.drive, Drive::StallMotor | Drive::Servo) => format!(
                "Unhook the drive of {id}, which must not be pushed, and move the blades with a \
                 finger."
            ),
            Self::ByHand => format!("Move the blades of {id} with a finger, both ways."),
            Self::Listen => format!("Listen at the drive of {id} while it is thrown both ways."),
            Self::Touch => format!("Leave {id} alone for 20 s, and feel its coil carefully."),
            Self::DecoderLight => {
                format!("Look at the lamp on the decoder of {id} while it is thrown.")
            }
            Self::LampOnOutput => format!(
                "Take what is on {} off it, put a lamp for {:.0} V there, and throw {id} both \
                 ways.",
                output(site),
                volts(site)
            ),
            Self::SwapLeads => {
                format!("Exchange the two leads of {id} at its output, and throw it both ways.")
            }
            Self::Unhook => {
                format!("Unhook the drive of {id} from the blades, throw, and watch the drive.")
            }
            Self::Volts => format!(
                "Measure what feeds the outputs of the decoder of {id}, at rest and while it is \
                 thrown. Expect {:.1} V; below {:.1} V is low.",
                volts(site),
                0.8 * volts(site)
            ),
            Self::VoltsAtSupply => format!(
                "Take the wires off the supply of {id} and measure at the supply itself. Expect \
                 {:.1} V; below {:.1} V is low.",
                volts(site),
                0.8 * volts(site)
            ),
            Self::Ohms => format!(
                "Take the leads of {id} off its output and measure through each of them to the \
                 common. Expect about {:.3} ohms.",
                ohms(site)
            ),
            Self::OhmsAtDrive => format!(
                "Measure at the drive of {id} itself, leads off, each half to the common. Expect \
                 about {:.3} ohms.",
                ohms(site)
            ),
            Self::Reteach => format!(
                "Give the decoder of {id} its address {} again, as `throwproof teach` does, and \
                 throw {id} there and back twice. Note first how it is set: this changes it.",
                decoder_address(site)
            ),
            Self::Capture => format!(
                "Listen in on the two signal wires right at the decoder of {id} with a packet \
                 analyser while {id} is commanded, and compare with what is sent."
            ),
            Self::ReadCvs => format!(
                "Put the decoder of {id} on the programming track and read CV 1, 9, 29 and the \
                 on-times from CV 515: its first address should be {}.",
                decoder_address(site)
            ),
            Self::Amps => format!(
                "Measure the current through the output of {id} while it is thrown either way, \
                 by a meter that holds the largest value. Expect about {:.3} A.",
                volts(site) / ohms(site)
            ),
            Self::GoodFeed => format!(
                "Put the decoder of {id} with its drives beside the station, on short wires and \
                 on a supply known to be good, and throw {id} there and back twice."
            ),
        }
    }
}

fn volts(site: &Site) -> f64 {
    let supply = site.supply();
    supply.map_or(16.0, |it| site.plan.supplies[it].volts)
}

fn ohms(site: &Site) -> f64 {
    let turnout = &site.plan.turnouts[site.target];
    let usual = match turnout.drive {
        Drive::TwinCoil => 1.0,
        Drive::StallMotor => 0.018,
        Drive::Servo => 0.3,
        Drive::MemoryWire => 0.05,
    };
    volts(site) / turnout.amps.unwrap_or(usual).max(1e-3)
}

/// The output that the plan gives the failing turnout, in words.
fn output(site: &Site) -> String {
    let own = &site.plan.turnouts[site.target];
    let named = own.output.and_then(|output| {
        let decoder = site.plan.decoders.get(output.decoder)?;
        Some(format!("output {} of {}", output.number, decoder.id))
    });
    named.unwrap_or_else(|| format!("the output of {}", own.id))
}

fn decoder_address(site: &Site) -> String {
    let decoder = site
        .decoder()
        .and_then(|index| site.plan.decoders.get(index));
    decoder.map_or_else(String::new, |it| it.first_address.get().to_string())
}
