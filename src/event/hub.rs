//! Where events go: every sink in its turn, the ones that must not miss anything first.
//!
//! An event that an essential sink did not take waits in a queue, and whatever comes after it
//! waits behind it, so that nothing is lost, doubled or out of order once the sink works again.

use std::collections::VecDeque;
use std::fmt;
use std::io;
use std::time::Duration;

use super::{Event, EventKind};

/// Something that takes events: a record, a view.
pub trait Sink {
    /// What a person calls it: `the record`.
    fn name(&self) -> &'static str;

    /// Takes one event.
    ///
    /// # Errors
    /// When it could not be kept or shown.
    fn take(&mut self, event: &Event) -> io::Result<()>;
}

/// A sink without which a run must not go on has failed.
#[derive(Debug, thiserror::Error)]
#[error("{sink} can't be written")]
pub struct SinkError {
    /// What the sink is called.
    pub sink: &'static str,
    /// What went wrong.
    #[source]
    pub source: io::Error,
}

/// An event on its way.
#[derive(Debug)]
struct Unkept {
    at: Duration,
    kind: EventKind,
    /// How many of the essential sinks have it.
    taken: usize,
    /// Whether the others have it already.
    is_shown: bool,
}

/// Numbers events and hands each to every sink, in the order in which they were added.
///
/// The essential sinks come first whenever they were added, so that nothing is shown that was
/// not kept. When one of them fails the run must hold: the event stays in a queue, and
/// [`Hub::flush`] tries again. Any other sink that fails is switched off, and
/// [`Hub::switched_off`] says so at the end.
#[derive(Default)]
pub struct Hub<'a> {
    essential: Vec<Box<dyn Sink + 'a>>,
    others: Vec<Box<dyn Sink + 'a>>,
    switched_off: Vec<SinkError>,
    unkept: VecDeque<Unkept>,
    /// Number of the event at the front of the queue, or of the next one.
    next: u64,
}

impl fmt::Debug for Hub<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Hub")
            .field("essential", &self.essential.len())
            .field("others", &self.others.len())
            .field("switched_off", &self.switched_off)
            .field("unkept", &self.unkept)
            .field("next", &self.next)
            .finish()
    }
}

impl<'a> Hub<'a> {
    /// A hub without sinks.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a sink without which the run must not go on.
    pub fn add_essential(&mut self, sink: impl Sink + 'a) {
        self.essential.push(Box::new(sink));
    }

    /// Adds a sink that the run can do without.
    pub fn add(&mut self, sink: impl Sink + 'a) {
        self.others.push(Box::new(sink));
    }

    /// Says that something happened, `at` after the run began.
    ///
    /// # Errors
    /// When an essential sink did not take it, or an event before it; it is not lost, see
    /// [`Hub::flush`].
    pub fn emit(&mut self, at: Duration, kind: EventKind) -> Result<(), SinkError> {
        self.unkept.push_back(Unkept {
            at,
            kind,
            taken: 0,
            is_shown: false,
        });
        self.flush()
    }

    /// Tries again to hand on what an essential sink did not take.
    ///
    /// # Errors
    /// When it still does not.
    pub fn flush(&mut self) -> Result<(), SinkError> {
        while let Some(front) = self.unkept.front_mut() {
            let event = event(self.next, front.at, front.kind.clone());
            while let Some(sink) = self.essential.get_mut(front.taken) {
                sink.take(&event).map_err(|source| SinkError {
                    sink: sink.name(),
                    source,
                })?;
                front.taken += 1;
            }
            let is_shown = front.is_shown;
            self.unkept.pop_front();
            self.next += 1;
            if !is_shown {
                self.show(&event);
            }
        }
        Ok(())
    }

    /// Whether an essential sink lacks an event.
    pub fn is_behind(&self) -> bool {
        !self.unkept.is_empty()
    }

    /// What an essential sink lacks, the oldest first.
    pub fn unkept(&self) -> impl Iterator<Item = &EventKind> {
        self.unkept.iter().map(|unkept| &unkept.kind)
    }

    /// Tells all but the essential sinks of something while those lack an event: it takes its
    /// place before that event, and the essential sinks hear of it as soon as they hear of
    /// anything.
    pub fn tell_others(&mut self, kind: EventKind) {
        let Some(front) = self.unkept.front() else {
            return;
        };
        let at = front.at;
        // An event that one of several essential sinks has keeps its number.
        let behind = usize::from(front.taken > 0);
        let told = event(self.next + behind as u64, at, kind.clone());
        let told_kind = Unkept {
            at,
            kind,
            taken: 0,
            is_shown: true,
        };
        self.unkept.insert(behind, told_kind);
        self.show(&told);
    }

    fn show(&mut self, event: &Event) {
        let switched_off = &mut self.switched_off;
        self.others.retain_mut(|sink| match sink.take(event) {
            Ok(()) => true,
            Err(source) => {
                tracing::warn!(sink = sink.name(), %source, "switched off");
                switched_off.push(SinkError {
                    sink: sink.name(),
                    source,
                });
                false
            }
        });
    }

    /// The sinks that failed and were switched off, and why.
    pub fn switched_off(&self) -> &[SinkError] {
        &self.switched_off
    }
}

fn event(seq: u64, at: Duration, kind: EventKind) -> Event {
    let at_us = u64::try_from(at.as_micros()).unwrap_or(u64::MAX);
    Event { kind, seq, at_us }
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;
    use std::rc::Rc;

    use super::*;
    use crate::event::StopReason;

    #[derive(Clone)]
    struct Shelf {
        name: &'static str,
        holds: usize,
        taken: Rc<RefCell<Vec<(&'static str, u64)>>>,
    }

    impl Sink for Shelf {
        fn name(&self) -> &'static str {
            self.name
        }

        fn take(&mut self, event: &Event) -> io::Result<()> {
            let mut taken = self.taken.borrow_mut();
            if taken.iter().filter(|(name, _)| *name == self.name).count() == self.holds {
                return Err(io::Error::other("full"));
            }
            taken.push((self.name, event.seq));
            Ok(())
        }
    }

    fn stopped() -> EventKind {
        EventKind::Stopped {
            reason: StopReason::Operator,
        }
    }

    #[test]
    fn essential_sinks_are_served_first() {
        let taken = Rc::default();
        let mut hub = Hub::new();
        hub.add(Shelf {
            name: "view",
            holds: 9,
            taken: Rc::clone(&taken),
        });
        hub.add_essential(Shelf {
            name: "record",
            holds: 9,
            taken: Rc::clone(&taken),
        });
        hub.emit(Duration::ZERO, stopped()).unwrap();
        hub.emit(Duration::ZERO, stopped()).unwrap();
        assert_eq!(
            *taken.borrow(),
            [("record", 0), ("view", 0), ("record", 1), ("view", 1)]
        );
    }

    #[test]
    fn a_failing_view_is_switched_off_and_the_others_go_on() {
        let taken = Rc::default();
        let mut hub = Hub::new();
        hub.add(Shelf {
            name: "small",
            holds: 1,
            taken: Rc::clone(&taken),
        });
        hub.add(Shelf {
            name: "large",
            holds: 9,
            taken: Rc::clone(&taken),
        });
        for _ in 0..3 {
            hub.emit(Duration::ZERO, stopped()).unwrap();
        }
        assert_eq!(
            *taken.borrow(),
            [("small", 0), ("large", 0), ("large", 1), ("large", 2)]
        );
        assert_eq!(hub.switched_off().len(), 1);
        assert_eq!(hub.switched_off()[0].sink, "small");
    }

    #[test]
    fn a_failing_essential_sink_is_an_error_and_no_view_shows_what_was_not_kept() {
        let taken = Rc::default();
        let mut hub = Hub::new();
        hub.add(Shelf {
            name: "view",
            holds: 9,
            taken: Rc::clone(&taken),
        });
        hub.add_essential(Shelf {
            name: "record",
            holds: 1,
            taken: Rc::clone(&taken),
        });
        hub.emit(Duration::ZERO, stopped()).unwrap();
        let error = hub.emit(Duration::ZERO, stopped()).unwrap_err();
        assert_eq!(error.to_string(), "record can't be written");
        assert_eq!(*taken.borrow(), [("record", 0), ("view", 0)]);
    }

    /// Takes so many, then fails so often, then works again.
    struct Door {
        opens_after: Rc<RefCell<(usize, usize)>>,
        taken: Rc<RefCell<Vec<Event>>>,
    }

    impl Sink for Door {
        fn name(&self) -> &'static str {
            "the record"
        }

        fn take(&mut self, event: &Event) -> io::Result<()> {
            let mut state = self.opens_after.borrow_mut();
            match &mut *state {
                (0, 0) => {}
                (0, fails) => {
                    *fails -= 1;
                    return Err(io::Error::other("full"));
                }
                (works, _) => *works -= 1,
            }
            drop(state);
            self.taken.borrow_mut().push(event.clone());
            Ok(())
        }
    }

    #[test]
    fn what_was_not_kept_is_kept_later_in_order_and_without_gaps() {
        let kept: Rc<RefCell<Vec<Event>>> = Rc::default();
        let shown: Rc<RefCell<Vec<Event>>> = Rc::default();
        let mut hub = Hub::new();
        hub.add_essential(Door {
            opens_after: Rc::new(RefCell::new((1, 2))),
            taken: Rc::clone(&kept),
        });
        hub.add(Door {
            opens_after: Rc::default(),
            taken: Rc::clone(&shown),
        });
        hub.emit(Duration::ZERO, stopped()).unwrap();
        hub.emit(Duration::from_secs(1), stopped()).unwrap_err();
        hub.tell_others(EventKind::Held {
            reason: "full".to_owned(),
        });
        let held = |event: &Event| matches!(event.kind, EventKind::Held { .. });
        assert_eq!((kept.borrow().len(), shown.borrow().len()), (1, 2));
        assert!(held(&shown.borrow()[1]) && hub.is_behind());
        hub.emit(Duration::from_secs(2), EventKind::Resumed {})
            .unwrap_err();
        hub.flush().unwrap();
        assert!(!hub.is_behind());
        assert_eq!(*kept.borrow(), *shown.borrow());
        let numbers: Vec<_> = kept.borrow().iter().map(|event| event.seq).collect();
        assert_eq!(numbers, [0, 1, 2, 3]);
        assert!(kept.borrow().is_sorted_by_key(|event| event.at_us));
        assert!(held(&kept.borrow()[1]));
    }

    #[test]
    fn an_event_that_one_essential_sink_has_is_not_given_to_it_again() {
        let first: Rc<RefCell<Vec<Event>>> = Rc::default();
        let second: Rc<RefCell<Vec<Event>>> = Rc::default();
        let mut hub = Hub::new();
        hub.add_essential(Door {
            opens_after: Rc::default(),
            taken: Rc::clone(&first),
        });
        hub.add_essential(Door {
            opens_after: Rc::new(RefCell::new((0, 1))),
            taken: Rc::clone(&second),
        });
        hub.emit(Duration::ZERO, stopped()).unwrap_err();
        hub.tell_others(EventKind::Resumed {});
        hub.flush().unwrap();
        assert_eq!(*first.borrow(), *second.borrow());
        assert_eq!(first.borrow().len(), 2);
    }
}
