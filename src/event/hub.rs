//! Where events go: every sink in its turn, the ones that must not miss anything first.

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

/// Numbers events and hands each to every sink, in the order in which they were added.
///
/// The essential sinks come first whenever they were added, so that nothing is shown that was
/// not kept. When one of them fails the run must stop. Any other sink that fails is switched
/// off, and [`Hub::switched_off`] says so at the end.
#[derive(Default)]
pub struct Hub<'a> {
    essential: Vec<Box<dyn Sink + 'a>>,
    others: Vec<Box<dyn Sink + 'a>>,
    switched_off: Vec<SinkError>,
    next: u64,
}

impl fmt::Debug for Hub<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Hub")
            .field("essential", &self.essential.len())
            .field("others", &self.others.len())
            .field("switched_off", &self.switched_off)
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
    /// When an essential sink did not take it.
    pub fn emit(&mut self, at: Duration, kind: EventKind) -> Result<(), SinkError> {
        let at_us = u64::try_from(at.as_micros()).unwrap_or(u64::MAX);
        let event = Event {
            kind,
            seq: self.next,
            at_us,
        };
        self.next += 1;
        for sink in &mut self.essential {
            sink.take(&event).map_err(|source| SinkError {
                sink: sink.name(),
                source,
            })?;
        }
        let switched_off = &mut self.switched_off;
        self.others.retain_mut(|sink| match sink.take(&event) {
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
        Ok(())
    }

    /// The sinks that failed and were switched off, and why.
    pub fn switched_off(&self) -> &[SinkError] {
        &self.switched_off
    }
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
}
