//! What waits to be written to one client: bounded, because a client may never read.

use std::cell::{Cell, RefCell};
use std::rc::Rc;

use bytes::{Bytes, BytesMut};
use tokio::sync::Notify;

/// Bytes that may wait.
const ROOM: usize = 512 * 1024;

/// Bytes that may wait before others' traffic is dropped: the rest is kept for what the station
/// itself says, so that a flood costs no report.
const ROOM_FOR_OTHERS: usize = 256 * 1024;

/// Bytes handed to a writer at once.
const PORTION: usize = 64 * 1024;

/// Whose words they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Whose {
    /// The station's.
    Own,
    /// Another client's.
    Others,
}

#[derive(Debug, Default)]
struct Shared {
    waiting: RefCell<BytesMut>,
    filled: Notify,
    is_ended: Cell<bool>,
    dropped: Cell<u64>,
}

/// One end of it; clones are the same outlet.
#[derive(Debug, Clone, Default)]
pub(super) struct Outlet {
    shared: Rc<Shared>,
}

impl Outlet {
    /// Adds one whole message, or drops it whole when there is no room.
    pub(super) fn push(&self, message: &[u8], whose: Whose) {
        let room = match whose {
            Whose::Own => ROOM,
            Whose::Others => ROOM_FOR_OTHERS,
        };
        let mut waiting = self.shared.waiting.borrow_mut();
        if waiting.len() + message.len() > room {
            let dropped = self.shared.dropped.get();
            self.shared.dropped.set(dropped.saturating_add(1));
            return;
        }
        waiting.extend_from_slice(message);
        self.shared.filled.notify_one();
    }

    /// Nothing more will come: the writer may go when all is written.
    pub(super) fn end(&self) {
        self.shared.is_ended.set(true);
        self.shared.filled.notify_one();
    }

    /// Messages dropped so far.
    pub(super) fn dropped(&self) -> u64 {
        self.shared.dropped.get()
    }

    /// The next bytes to write; `None` at the end. May be dropped while it waits.
    pub(super) async fn take(&self) -> Option<Bytes> {
        loop {
            {
                let mut waiting = self.shared.waiting.borrow_mut();
                if !waiting.is_empty() {
                    let portion = waiting.len().min(PORTION);
                    return Some(waiting.split_to(portion).freeze());
                }
                if self.shared.is_ended.get() {
                    return None;
                }
            }
            self.shared.filled.notified().await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn others_leave_room_for_the_station() {
        let outlet = Outlet::default();
        let frame = [b'x'; 32];
        for _ in 0..100_000 {
            outlet.push(&frame, Whose::Others);
        }
        assert!(outlet.dropped() > 0);
        let dropped = outlet.dropped();
        for _ in 0..1_000 {
            outlet.push(&frame, Whose::Own);
        }
        assert_eq!(outlet.dropped(), dropped);
        assert!(outlet.shared.waiting.borrow().len() <= ROOM);
    }

    #[tokio::test]
    async fn all_is_taken_before_the_end() {
        let outlet = Outlet::default();
        outlet.push(b"last words", Whose::Own);
        outlet.end();
        assert_eq!(outlet.take().await.unwrap(), "last words");
        assert_eq!(outlet.take().await, None);
    }
}
