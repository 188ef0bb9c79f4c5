//! The events of the page: numbered, kept in a bounded ring, read by each listener at its own speed. A listener
//! that comes back says which number it saw last and gets all that followed, or is told that some are gone.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::watch;

/// Events kept.
const MOST: usize = 8192;
/// Bytes of data kept.
const MOST_BYTES: usize = 2 * 1024 * 1024;

/// One event.
#[derive(Debug, PartialEq, Eq)]
pub struct Told {
    /// Number within this boot of the daemon, from 1, without gaps.
    pub number: u64,
    /// Kind word.
    pub kind: &'static str,
    /// One line of JSON.
    pub data: String,
}

/// What a listener gets next.
#[derive(Debug, PartialEq, Eq)]
pub enum Since {
    /// All events after the one it named, oldest first; empty where there is nothing new.
    These(Vec<Arc<Told>>),
    /// Events are gone (too old, or of an earlier boot): it must look at the whole state again, from this number on.
    Gone(u64),
}

#[derive(Default)]
struct Ring {
    kept: VecDeque<Arc<Told>>,
    bytes: usize,
    last: u64,
}

/// The ring. Numbers are only unique within an epoch, which stands for one boot of the daemon.
pub struct EventLog {
    /// Distinguishes this boot's numbers from another's.
    pub epoch: String,
    ring: Mutex<Ring>,
    last: watch::Sender<u64>,
}

impl EventLog {
    /// An empty log.
    pub fn new(epoch: String) -> Self {
        Self { epoch, ring: Mutex::default(), last: watch::Sender::new(0) }
    }

    /// Tells all listeners. `data` must be plain data; its number is returned.
    pub fn tell<T: serde::Serialize>(&self, kind: &'static str, data: &T) -> u64 {
        let data = serde_json::to_string(data).unwrap_or_else(|_| "null".to_owned());
        let number = {
            let mut ring = self.ring.lock().unwrap_or_else(PoisonError::into_inner);
            ring.last += 1;
            ring.bytes += data.len();
            let number = ring.last;
            ring.kept.push_back(Arc::new(Told { number, kind, data }));
            while ring.kept.len() > MOST || ring.bytes > MOST_BYTES {
                let Some(old) = ring.kept.pop_front() else { break };
                ring.bytes -= old.data.len();
            }
            number
        };
        self.last.send_replace(number);
        number
    }

    /// Number of the newest event, 0 before the first.
    pub fn last(&self) -> u64 {
        *self.last.borrow()
    }

    /// A wake-up for each new event.
    pub fn subscribe(&self) -> watch::Receiver<u64> {
        self.last.subscribe()
    }

    /// At most `most` events after number `seen`.
    pub fn since(&self, seen: u64, most: usize) -> Since {
        let ring = self.ring.lock().unwrap_or_else(PoisonError::into_inner);
        let oldest = ring.kept.front().map_or(ring.last + 1, |e| e.number);
        if seen > ring.last || seen + 1 < oldest {
            return Since::Gone(ring.last);
        }
        let skip = usize::try_from(seen + 1 - oldest).unwrap_or(usize::MAX);
        Since::These(ring.kept.iter().skip(skip).take(most).map(Arc::clone).collect())
    }

    /// The id of an event, for `Last-Event-ID`.
    pub fn id(&self, number: u64) -> String {
        format!("{}-{number}", self.epoch)
    }

    /// The number in an id; `None` where it is of another boot or no id at all.
    pub fn number(&self, id: &str) -> Option<u64> {
        let (epoch, number) = id.rsplit_once('-')?;
        (epoch == self.epoch).then(|| number.parse().ok()).flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_listener_catches_up_without_a_gap() {
        let log = EventLog::new("e".into());
        for i in 0..100 {
            log.tell("x", &i);
        }
        let mut seen = 40;
        let mut got = Vec::new();
        while let Since::These(list) = log.since(seen, 7) {
            let Some(newest) = list.last() else { break };
            seen = newest.number;
            got.extend(list.iter().map(|e| e.number));
        }
        assert_eq!(got, (41..=100).collect::<Vec<_>>());
    }

    #[test]
    fn what_is_gone_is_said_never_skipped() {
        let log = EventLog::new("e".into());
        for i in 0..MOST + 10 {
            log.tell("x", &i);
        }
        let last = MOST as u64 + 10;
        assert_eq!(log.since(0, 5), Since::Gone(last));
        assert_eq!(log.since(9, 5), Since::Gone(last));
        assert!(matches!(log.since(10, 5), Since::These(list) if list[0].number == 11));
        assert_eq!(log.since(last + 1, 5), Since::Gone(last));
    }

    #[test]
    fn bytes_are_bounded_too() {
        let log = EventLog::new("e".into());
        let big = "x".repeat(MOST_BYTES / 4);
        for _ in 0..8 {
            log.tell("x", &big);
        }
        assert_eq!(log.since(0, 5), Since::Gone(8));
        assert!(matches!(log.since(5, 5), Since::These(list) if list.len() == 3));
    }

    #[test]
    fn ids_of_another_boot_are_not_mistaken() {
        let log = EventLog::new("20260301T101500Z-7f3a".into());
        assert_eq!(log.number(&log.id(7)), Some(7));
        assert_eq!(log.number("20260301T101500Z-0000-7"), None);
        assert_eq!(log.number("7"), None);
        assert_eq!(log.number("junk-x"), None);
    }
}
