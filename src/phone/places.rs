//! How many may be connected, and how much each may ask for.

use std::collections::HashMap;
use std::hash::Hash;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::Instant;

/// Connections at the same time, of all together.
const ALL: usize = 96;

/// And of one address. A browser takes six at most.
const ONE: usize = 32;

/// Counts connections.
#[derive(Debug, Clone)]
pub(super) struct Places(Arc<Counted>);

#[derive(Debug)]
struct Counted {
    by_address: Mutex<HashMap<IpAddr, usize>>,
    all: watch::Sender<usize>,
}

/// A place that is taken until this is dropped.
#[derive(Debug)]
pub(super) struct Place {
    counted: Arc<Counted>,
    address: IpAddr,
}

impl Places {
    pub(super) fn new() -> Self {
        Self(Arc::new(Counted {
            by_address: Mutex::default(),
            all: watch::channel(0).0,
        }))
    }

    /// A place for a connection from there, if there is one.
    pub(super) fn take(&self, address: IpAddr) -> Option<Place> {
        let mut by_address = lock(&self.0.by_address);
        let all: usize = by_address.values().sum();
        let count = by_address.entry(address).or_default();
        if all >= ALL || *count >= ONE {
            if *count == 0 {
                by_address.remove(&address);
            }
            return None;
        }
        *count += 1;
        self.0.all.send_replace(all + 1);
        Some(Place {
            counted: Arc::clone(&self.0),
            address,
        })
    }

    /// Waits until all have left.
    pub(super) async fn empty(&self) {
        let mut all = self.0.all.subscribe();
        // The sender is here.
        let _none = all.wait_for(|all| *all == 0).await;
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut by_address = lock(&self.counted.by_address);
        if let Some(count) = by_address.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                by_address.remove(&self.address);
            }
        }
        self.counted.all.send_replace(by_address.values().sum());
    }
}

/// Who may ask how often: each has so many requests at once, and gets so many more each second.
#[derive(Debug)]
pub(super) struct Rate<K> {
    at_once: f64,
    each_second: f64,
    left: Mutex<HashMap<K, (f64, Instant)>>,
}

impl<K: Eq + Hash> Rate<K> {
    pub(super) fn new(at_once: u32, each_second: u32) -> Self {
        Self {
            at_once: at_once.into(),
            each_second: each_second.into(),
            left: Mutex::default(),
        }
    }

    /// Whether that one may ask now.
    pub(super) fn allows(&self, who: K, now: Instant) -> bool {
        let full = Duration::from_secs_f64(self.at_once / self.each_second);
        let mut left = lock(&self.left);
        left.retain(|_, (_, then)| now.duration_since(*then) < full);
        let (tokens, then) = left.entry(who).or_insert((self.at_once, now));
        let gained = now.duration_since(*then).as_secs_f64() * self.each_second;
        (*tokens, *then) = ((*tokens + gained).min(self.at_once), now);
        if *tokens < 1.0 {
            return false;
        }
        *tokens -= 1.0;
        true
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Nothing that holds one leaves it half done.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(last: u8) -> IpAddr {
        [10, 0, 0, last].into()
    }

    #[tokio::test]
    async fn one_address_cannot_take_every_place() {
        let places = Places::new();
        let mut taken: Vec<_> = (0..ONE).map(|_| places.take(address(1)).unwrap()).collect();
        assert!(places.take(address(1)).is_none());
        taken.extend((0..ONE).map(|_| places.take(address(2)).unwrap()));
        taken.extend((0..ONE).map(|_| places.take(address(3)).unwrap()));
        assert!(places.take(address(4)).is_none(), "all {ALL} are taken");
        taken.truncate(1);
        assert!(places.take(address(4)).is_some());
        drop(taken);
        places.empty().await;
    }

    #[tokio::test(start_paused = true)]
    async fn requests_come_back_with_time() {
        let rate = Rate::new(3, 2);
        let ask = |who: u8| rate.allows(who, Instant::now());
        assert_eq!([ask(1), ask(1), ask(1), ask(1)], [true, true, true, false]);
        assert!(ask(2), "another is not held back");
        tokio::time::advance(Duration::from_millis(500)).await;
        assert_eq!([ask(1), ask(1)], [true, false]);
    }
}
