//! Slows the virtual time of a simulated rig to a stated multiple of real time, so that a person can follow it.

use super::{Clock, Meter, Rig};
use crate::event::Stamp;
use crate::units::Reading;
use std::cell::RefCell;
use std::rc::Rc;
use std::time::{Duration, Instant};

/// Shorter waits are left to add up.
const SHORTEST: Duration = Duration::from_millis(2);

struct Pace {
    clock: Box<dyn Clock>,
    /// Virtual seconds in a real one.
    speed: f64,
    virtual_ns: u64,
    due: Instant,
}

impl Pace {
    /// Waits until real time has caught up with virtual time. Real time spent elsewhere is not made good.
    fn keep(&mut self) {
        let now_ns = self.clock.now().mono_ns;
        let passed = now_ns.saturating_sub(self.virtual_ns) as f64 * 1e-9 / self.speed;
        self.virtual_ns = now_ns;
        let now = Instant::now();
        self.due = self.due.max(now.checked_sub(SHORTEST).unwrap_or(now)) + Duration::from_secs_f64(passed);
        let wait = self.due.saturating_duration_since(now);
        if wait >= SHORTEST {
            std::thread::sleep(wait);
        }
    }
}

struct PacedClock(Rc<RefCell<Pace>>);

impl Clock for PacedClock {
    fn now(&self) -> Stamp {
        self.0.borrow().clock.now()
    }
    fn sleep(&mut self, time: Duration) {
        let mut pace = self.0.borrow_mut();
        pace.clock.sleep(time);
        pace.keep();
    }
}

struct PacedMeter {
    meter: Box<dyn Meter>,
    pace: Rc<RefCell<Pace>>,
}

impl Meter for PacedMeter {
    fn identify(&mut self, point: usize) -> Reading<String> {
        self.meter.identify(point)
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let reading = self.meter.read(point);
        self.pace.borrow_mut().keep();
        reading
    }
    fn read_time(&self, point: usize) -> Duration {
        self.meter.read_time(point)
    }
}

/// The rig with its time slowed to `speed` virtual seconds a second. `speed` must be above 0.
pub fn paced(rig: Rig, speed: f64) -> Rig {
    let virtual_ns = rig.clock.now().mono_ns;
    let pace = Rc::new(RefCell::new(Pace { clock: rig.clock, speed, virtual_ns, due: Instant::now() }));
    Rig { clock: Box::new(PacedClock(Rc::clone(&pace))), meter: Box::new(PacedMeter { meter: rig.meter, pace }), ..rig }
}
