//! What decoders on the same wires hear.

use super::clock::Nanos;
use super::rails::{Formed, Wires};
use super::receiver::{Heard, Receiver};

/// Decoders on the same wires, which hear the same.
#[derive(Debug, Clone, Default)]
pub(super) struct Ear {
    receiver: Receiver,
    pub(super) wires: Option<Wires>,
    pub(super) units: Vec<usize>,
    /// Whether one of its decoders may be in service mode, and so must hear what ends it.
    pub(super) in_service_mode: bool,
    /// Half-bits as they arrived.
    carried: Vec<Nanos>,
    /// Packets that arrived whole.
    pub(super) arrived: u64,
}

impl Ear {
    /// One behind those wires, without decoders.
    pub(super) fn new(wires: Option<Wires>) -> Self {
        Self {
            wires,
            ..Self::default()
        }
    }

    /// Hears one half-bit; the packet that it completes, if it does.
    #[inline]
    pub(super) fn half(&mut self, half: Nanos) -> Option<Heard> {
        let half = self.wires.as_mut().map_or(half, |wires| wires.carry(half));
        self.receiver.half(half)
    }

    /// Hears all of a packet, as half by half; says with which half-bit one was complete.
    pub(super) fn packet(&mut self, formed: &mut Formed, mut complete: impl FnMut(usize, Heard)) {
        if let Some(wires) = &mut self.wires
            && wires.carry_all(&formed.halves, &mut self.carried)
        {
            for (index, half) in self.carried.iter().enumerate() {
                if let Some(heard) = self.receiver.half(*half) {
                    complete(index, heard);
                }
            }
            return;
        }
        let last = formed.halves.len().saturating_sub(1);
        let before = self.receiver.waits();
        if let Some((waited, heard, after)) = formed.heard
            && before == Some(waited)
        {
            self.receiver.wait(after);
            complete(last, heard);
            return;
        }
        let dropped = self.receiver.dropped();
        let mut of_it = None;
        for (index, half) in formed.halves.iter().enumerate() {
            if let Some(heard) = self.receiver.half(*half) {
                complete(index, heard);
                of_it = (of_it.is_none() && index == last).then_some(heard);
            }
        }
        if let (Some(before), Some(heard), Some(after)) = (before, of_it, self.receiver.waits())
            && self.receiver.dropped() == dropped
        {
            formed.heard = Some((before, heard, after));
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use throwproof_protocol::packet::Packet;

    use super::super::rails::{Signal, Station};
    use super::*;

    fn packets() -> impl Strategy<Value = Vec<Packet>> {
        let bytes = proptest::collection::vec(any::<u8>(), 2..5);
        let packet = bytes.prop_filter_map("a length its first byte has not", |bytes| {
            Packet::from_body(&bytes).ok()
        });
        let some = proptest::collection::vec(packet, 3);
        // The same few again and again, as a station sends them.
        (some, proptest::collection::vec(0..3_usize, 1..24))
            .prop_map(|(some, order)| order.into_iter().map(|it| some[it]).collect())
    }

    proptest! {
        /// A packet heard at once is what is heard half by half, whatever the wires do to it.
        #[test]
        fn whole_packets_are_heard_as_half_bits_are(
            packets in packets(),
            asymmetry in 0..5_u64,
            loss in prop_oneof![Just(None), (0.0..1.0).prop_map(Some), Just(Some(1.0))],
        ) {
            let signal = Signal {
                repeats: 1,
                asymmetry: Nanos::from_micros(asymmetry),
                ..Signal::default()
            };
            let wires = || loss.map(|loss| Wires::losing(loss, 7));
            let mut station = Station::new(signal, Packet::IDLE, 1);
            let (mut at_once, mut by_half) = (Ear::new(wires()), Ear::new(wires()));
            let mut now = Nanos::ZERO;
            for packet in packets {
                station.send(packet);
                let formed = station.whole(now).unwrap();
                let halves = formed.halves.clone();
                let mut one = Vec::new();
                at_once.packet(formed, |index, heard| one.push((index, heard)));
                let other = halves.iter().enumerate();
                let other = other.filter_map(|(index, half)| Some((index, by_half.half(*half)?)));
                prop_assert_eq!(one, other.collect::<Vec<_>>());
                prop_assert_eq!(at_once.receiver.dropped(), by_half.receiver.dropped());
                station.take(halves.len());
                now += Nanos::from_millis(30);
            }
        }
    }
}
