//! The decoder of the failing turnout, taught anew, read, listened to and put on a good feed.

use throwproof_protocol::address::{KeyedAddress, PairBit, Position};
use throwproof_protocol::instruction::BasicAccessory;
use throwproof_protocol::packet::Packet;

use super::{Hands, SHARE_OF_NONE};
use crate::diagnose::sight::{Answer, Arrival, Stored};
use crate::diagnose::steps::Manner;
use crate::plan::PacketFormat;
use crate::track::clock::Nanos;
use crate::track::decoder::cvs;
use crate::track::supply::Ratings;

/// How often a command is sent while somebody listens in.
const CAPTURED: u32 = 8;

/// More than this share of packets is every packet: one that was cut at the end does not count.
const SHARE_OF_ALL: f64 = 0.97;

/// Time between the commands that teach.
const BETWEEN: Nanos = Nanos::from_millis(300);

impl Hands<'_> {
    fn planned(&self) -> Option<&crate::plan::Decoder> {
        self.site.plan.decoders.get(self.site.decoder()?)
    }

    /// Gives the decoder its address as its plan says it takes it, and throws. What was wrong
    /// with its address is mended by that, and stays mended.
    pub(super) fn retaught(&mut self) -> Answer {
        if let Some(planned) = self.planned().cloned() {
            let decoder = self.decoder();
            let first = planned
                .first_address
                .binary(self.site.plan.layout.numbering);
            let switches = planned.teaching.switches;
            if let Some(on) = switches.and_then(|switches| switches.set_for(first).ok()) {
                self.track.set_power(decoder, false);
                self.track.set_switches(decoder, on);
                self.track.set_power(decoder, true);
            } else {
                self.teach(decoder, &planned);
            }
        }
        self.motion(self.site.target, Manner::Usual, 4)
    }

    fn teach(&mut self, decoder: usize, planned: &crate::plan::Decoder) {
        let teaching = &planned.teaching;
        let numbering = self.site.plan.layout.numbering;
        let chooses = teaching.chooses.iter();
        let choice = chooses
            .clone()
            .find(|it| it.pulse_ms == planned.pulse_ms)
            .or(chooses.clone().next());
        let (first, position) = choice.map_or((1, Position::Straight), |it| {
            (u16::from(it.output), it.position)
        });
        let outputs = if teaching.each_output {
            1..=u16::from(planned.outputs)
        } else {
            first..=first
        };
        let half = match position {
            Position::Straight => PairBit::One,
            Position::Diverging => PairBit::Zero,
        };
        if teaching.power_off {
            self.track.set_power(decoder, false);
        }
        self.track.set_learning(decoder, true);
        if teaching.power_off {
            self.track.set_power(decoder, true);
        }
        for output in outputs {
            let keyed = planned.first_address.get() + output - 1;
            let Ok(address) = KeyedAddress::new(keyed) else {
                continue;
            };
            let address = address.binary(numbering);
            self.track
                .send(BasicAccessory::new(address, half, true).emit());
            self.wait(BETWEEN);
        }
        self.track.set_learning(decoder, false);
        self.wait(BETWEEN);
    }

    /// What arrives at its input of commands to the failing turnout.
    pub(super) fn captured(&mut self) -> Answer {
        let packet = self
            .command(self.site.target, Position::Straight)
            .map_or(Packet::IDLE, |command| command.packet);
        let decoder = self.decoder();
        let (sent, arrived) = self.track.capture(decoder, packet, CAPTURED);
        #[expect(clippy::cast_precision_loss, reason = "some hundred packets")]
        let share = arrived as f64 / sent.max(1) as f64;
        Answer::Arrival(if share < SHARE_OF_NONE {
            Arrival::None
        } else if share > SHARE_OF_ALL {
            Arrival::All
        } else {
            Arrival::Some
        })
    }

    /// What its memory holds: CV 1, 9 and 29, and the on-time of its outputs (S-9.2.2).
    pub(super) fn stored(&mut self) -> Answer {
        let Some(planned) = self.planned().cloned() else {
            return Answer::Stored(Stored::AsPlanned);
        };
        let there = self.track.decoder(self.decoder());
        let first = planned
            .first_address
            .binary(self.site.plan.layout.numbering);
        let on_time = there.cvs.on_time(0).unwrap_or_default();
        let wanted = Nanos::from_millis(planned.pulse_ms.into());
        let is_near = on_time.0.abs_diff(wanted.0) * 4 <= wanted.0;
        let is_extended = there.cvs.get(cvs::CONFIGURATION) & cvs::EXTENDED != 0;
        Answer::Stored(if there.first() != first.get() {
            Stored::OtherAddress
        } else if is_extended != (planned.format == PacketFormat::Extended) || !is_near {
            Stored::OtherSettings
        } else {
            Stored::AsPlanned
        })
    }

    /// Puts the decoder on a feed and a supply known to be good, with short wires to the station,
    /// and throws.
    pub(super) fn on_good_feed(&mut self) -> Answer {
        let decoder = self.decoder();
        self.track.put_on_good_feed(
            decoder,
            Ratings {
                volts: self.planned_volts(),
                internal_ohms: 0.1,
                rated_amps: f64::INFINITY,
                trip_amps: f64::INFINITY,
                trip_after: Nanos::ZERO,
                capacitor: None,
            },
        );
        self.motion(self.site.target, Manner::Usual, 4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnose::perform::perform;
    use crate::diagnose::sight::{Amps, Lamp, Motion, Other, Sound};
    use crate::diagnose::site::Site;
    use crate::diagnose::test::Test;
    use crate::plan::Plan;
    use crate::textfile::TextFile;
    use crate::track::Track;
    use crate::track::as_built::AsBuilt;

    fn shown(test: Test, fault: &str) -> Answer {
        let planned = include_str!("../../../fixtures/faults/plan.toml");
        let plan = Plan::from_text("plan.toml", planned).unwrap();
        let built = AsBuilt::parse(TextFile::from_text("as-built.toml", fault), &plan).unwrap();
        let mut track = Track::new(&plan, &built, 3);
        perform(&Site::of(&plan, 0), &mut track, test)
    }

    const FAR: &str = "[decoder.A]\nfirst_address = 401\n";
    const DEAF: &str = "[decoder.A]\npacket_loss = 1.0\n";
    const UNFED: &str = "[decoder.A]\nfeed = false\n";
    const OPEN: &str = "[turnout.A1]\nstraight_coil = \"open\"\n";

    #[test]
    fn teaching_mends_a_wrong_address_and_nothing_else() {
        let motion = |motion| Answer::Motion(motion, Other::Nothing);
        assert_eq!(shown(Test::Again, FAR), motion(Motion::Still));
        assert_eq!(shown(Test::Reteach, FAR), motion(Motion::AsSent));
        assert_eq!(shown(Test::Reteach, DEAF), motion(Motion::Still));
        assert_eq!(shown(Test::Reteach, UNFED), motion(Motion::Still));
    }

    #[test]
    fn a_capture_says_whether_packets_arrive() {
        assert_eq!(shown(Test::Capture, FAR), Answer::Arrival(Arrival::All));
        assert_eq!(shown(Test::Capture, DEAF), Answer::Arrival(Arrival::None));
        let bad = "[decoder.A]\npacket_loss = 0.7\n";
        assert_eq!(shown(Test::Capture, bad), Answer::Arrival(Arrival::Some));
    }

    #[test]
    fn memory_is_read_against_the_plan() {
        let cases = [
            ("", Stored::AsPlanned),
            (DEAF, Stored::AsPlanned),
            (FAR, Stored::OtherAddress),
            ("[decoder.A]\ntaught = false\n", Stored::OtherAddress),
            ("[decoder.A]\npulse_ms = 5\n", Stored::OtherSettings),
            (
                "[decoder.A]\nformat = \"extended\"\n",
                Stored::OtherSettings,
            ),
        ];
        for (fault, stored) in cases {
            assert_eq!(
                shown(Test::ReadCvs, fault),
                Answer::Stored(stored),
                "{fault}"
            );
        }
    }

    #[test]
    fn a_good_feed_mends_what_comes_to_the_decoder_and_not_what_is_behind_it() {
        let motion = |motion| Answer::Motion(motion, Other::Nothing);
        let low = "[supply.bench]\nvolts = 4.0\n";
        for fault in [DEAF, UNFED, low] {
            assert_eq!(
                shown(Test::GoodFeed, fault),
                motion(Motion::AsSent),
                "{fault}"
            );
        }
        assert_eq!(shown(Test::GoodFeed, OPEN), motion(Motion::OnlyDiverging));
    }

    #[test]
    fn a_lamp_shows_the_planned_output_and_not_what_is_wired_to_it() {
        let lamp = |lamp| Answer::Lamp(lamp);
        assert_eq!(shown(Test::LampOnOutput, ""), lamp(Lamp::Both));
        let dead = "[turnout.A1]\noutput = \"dead\"\n";
        assert_eq!(shown(Test::LampOnOutput, dead), lamp(Lamp::Dark));
        // Its leads are on another decoder, which is not commanded.
        let elsewhere = "[turnout.A1]\nexchanged_with = \"B1\"\n";
        assert_eq!(
            shown(Test::Listen, elsewhere),
            Answer::Sound(Sound::Silent, Sound::Silent)
        );
        assert_eq!(shown(Test::LampOnOutput, elsewhere), lamp(Lamp::Both));
    }

    #[test]
    fn current_flows_where_it_can() {
        assert_eq!(
            shown(Test::Amps, ""),
            Answer::Amps(Amps::Right, Amps::Right)
        );
        assert_eq!(
            shown(Test::Amps, OPEN),
            Answer::Amps(Amps::None, Amps::Right)
        );
        assert_eq!(
            shown(Test::Amps, UNFED),
            Answer::Amps(Amps::None, Amps::None)
        );
    }
}
