//! A rig whose readings are seen on the page, and whose person answers there.

use super::live::Shared;
use super::person::PageWitness;
use crate::rig::{Meter, Rig};
use crate::units::Reading;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// The page as the person, and each reading on the page.
pub fn on_page(shared: &Arc<Shared>, rig: Rig) -> Rig {
    shared.counters.gap_us.store(0, Ordering::Relaxed);
    let last = vec![None; shared.loaded().build.sense.len()];
    let meter = Box::new(SeenMeter { meter: rig.meter, shared: Arc::clone(shared), last });
    Rig { meter, witness: Box::new(PageWitness(Arc::clone(shared))), ..rig }
}

/// A meter that shows each reading on the page.
struct SeenMeter {
    meter: Box<dyn Meter>,
    shared: Arc<Shared>,
    /// When each point was read last.
    last: Vec<Option<Duration>>,
}

impl Meter for SeenMeter {
    fn identify(&mut self, point: usize) -> Reading<String> {
        self.meter.identify(point)
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let reading = self.meter.read(point);
        let now = crate::rig::since_start();
        if let Some(last) = self.last.get_mut(point)
            && let Some(before) = last.replace(now)
        {
            self.shared.counters.gap_us.fetch_max(now.saturating_sub(before).as_micros() as u64, Ordering::Relaxed);
        }
        see(&self.shared, point, &reading);
        reading
    }
    fn read_time(&self, point: usize) -> Duration {
        self.meter.read_time(point)
    }
}

/// Shows a reading on the page.
pub fn see(shared: &Shared, point: usize, reading: &Reading<f64>) {
    let c = &shared.counters;
    let _ = if reading.is_ok() { c.readings.fetch_add(1, Ordering::Relaxed) } else { c.missing.fetch_add(1, Ordering::Relaxed) };
    if let Some(now) = shared.live().points.get_mut(point) {
        now.value = reading.as_ref().ok().copied();
        now.missing = reading.as_ref().err().map(|e| e.text().to_owned());
    }
    // a reason given in time is progress too: only a hang starves the watchdog
    shared.advance();
}
