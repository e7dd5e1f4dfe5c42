//! Service mode, direct CV addressing: NMRA S-9.2.3 (July 2012) section E.

use super::super::clock::Nanos;
use super::cvs::Cvs;
use super::reading::{self, CvAccess, CvAction};

/// A decoder leaves service mode after this time without a reset or service packet.
const LEAVE_AFTER: Nanos = Nanos::from_millis(20);

/// How long the acknowledgement current flows: 6 ms ± 1 ms.
const ACKNOWLEDGEMENT: Nanos = Nanos::from_millis(6);

/// How long this decoder takes to write its memory, before it acknowledges.
const WRITE_TIME: Nanos = Nanos::from_millis(4);

/// Where a decoder is in service mode.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Service {
    /// When the last reset or service packet was heard; `None` outside service mode and before
    /// a reset.
    alive: Option<Nanos>,
    /// The last service packet, and how often in a row it was heard.
    last: Option<([u8; 4], u32)>,
    acknowledge: Option<(Nanos, Nanos)>,
}

impl Service {
    /// How long the acknowledgement current flowed between those times.
    pub(super) fn acknowledged(&self, since: Nanos, now: Nanos) -> Nanos {
        self.acknowledge.map_or(Nanos::ZERO, |(from, until)| {
            until.min(now).since(from.max(since))
        })
    }

    pub(super) fn is_on(&self) -> bool {
        self.alive.is_some()
    }

    /// Follows the sequence of packets; the CV access to carry out, if its second identical
    /// packet just came. Verifications only decide about the acknowledgement.
    pub(super) fn hear(&mut self, bytes: &[u8], now: Nanos, cvs: &Cvs) -> Option<CvAccess> {
        if self
            .alive
            .is_some_and(|heard| now.since(heard) > LEAVE_AFTER)
        {
            self.leave();
        }
        if let [0x00, 0x00, _] = bytes {
            self.alive = Some(now);
            self.last = None;
            return None;
        }
        // Service mode is entered by a reset that a service packet follows at once.
        let (Some(_), Some(access), Ok(packet)) = (
            self.alive,
            reading::read_service(bytes),
            <[u8; 4]>::try_from(bytes),
        ) else {
            self.leave();
            return None;
        };
        self.alive = Some(now);
        let count = match self.last {
            Some((last, count)) if last == packet => count + 1,
            _ => 1,
        };
        self.last = Some((packet, count));
        if count != 2 {
            return None;
        }
        let value = cvs.get(access.cv);
        let (agrees, delay) = match access.action {
            CvAction::VerifyByte(expected) => (value == expected, Nanos::ZERO),
            CvAction::VerifyBit(bit, expected) => {
                ((value >> bit & 1 != 0) == expected, Nanos::ZERO)
            }
            CvAction::WriteByte(_) | CvAction::WriteBit(..) => (true, WRITE_TIME),
        };
        if agrees {
            let from = now + delay;
            self.acknowledge = Some((from, from + ACKNOWLEDGEMENT));
        }
        Some(access)
    }

    fn leave(&mut self) {
        self.alive = None;
        self.last = None;
    }
}
