//! The claimed lines, by either path, and the gate that keeps them dark.

use super::bank::Bank;
use super::pins::{PinSet, Pins};
use crate::scan::{Lines, ScanProgram};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// How words reach the pins.
#[derive(Debug)]
pub enum Driver {
    /// The mapped registers.
    Bank(Bank),
    /// One line after the other.
    PerPin(Pins),
}

/// The claimed lines. Shared by the scan thread, the guard and whoever blanks.
#[derive(Debug)]
pub struct Wires {
    driver: Driver,
    oe: u32,
    others: u32,
    closed: AtomicBool,
}

impl Wires {
    /// Wires that are closed: OE cannot go low until they are opened.
    pub fn new(driver: Driver, set: &PinSet) -> Self {
        Self { driver, oe: set.oe_mask(), others: set.others_mask(), closed: AtomicBool::new(true) }
    }

    /// Drives OE high at once and keeps it there until [`Wires::open`], whatever the scan thread does.
    pub fn close(&self) {
        self.closed.store(true, Ordering::SeqCst);
        match &self.driver {
            Driver::Bank(bank) => bank.set(self.oe),
            Driver::PerPin(pins) => pins.dark(),
        }
    }

    /// Lets words light rows again.
    pub fn open(&self) {
        self.closed.store(false, Ordering::SeqCst);
    }

    /// True where nothing can be lit.
    #[cfg(test)]
    pub fn is_closed(&self) -> bool {
        self.closed.load(Ordering::SeqCst)
    }

    /// All lines but OE low.
    pub fn rest(&self) {
        match &self.driver {
            Driver::Bank(bank) => bank.clear(self.others),
            Driver::PerPin(pins) => pins.write(self.others, 0),
        }
    }

    /// How words reach the pins, in words.
    pub fn path(&self) -> &'static str {
        match &self.driver {
            Driver::Bank(_) => "mapped registers",
            Driver::PerPin(_) => "one line at a time",
        }
    }

    #[inline(always)]
    fn write(&self, clear: u32, set: u32) {
        let clear = if clear & self.oe != 0 && self.closed.load(Ordering::Relaxed) { clear & !self.oe } else { clear };
        match &self.driver {
            Driver::Bank(bank) => {
                if clear != 0 {
                    bank.clear(clear);
                }
                if set != 0 {
                    bank.set(set);
                }
            }
            Driver::PerPin(pins) => pins.write(clear, set),
        }
    }
}

/// The wires with a pause after each word.
pub struct Paced {
    wires: Arc<Wires>,
    spins: u32,
}

impl Paced {
    /// No pause until [`Paced::pace`].
    pub fn new(wires: Arc<Wires>) -> Self {
        Self { wires, spins: 0 }
    }
    /// Holds each word for at least the program's pulse, stretched by the board's factor; `spin_ns` as of [`spin_ns`].
    pub fn pace(&mut self, program: &ScanProgram, stretch: f64, spin_ns: f64) {
        self.spins = (program.pulse_ns * stretch / spin_ns.max(1e-3)).ceil().clamp(0.0, 1e6) as u32;
    }
}

impl Lines for Paced {
    #[inline(always)]
    fn write(&mut self, clear: u32, set: u32) {
        self.wires.write(clear, set);
        for _ in 0..self.spins {
            std::hint::spin_loop();
        }
    }
}

/// Nanoseconds of one turn of the pause: the fastest of several measurements, so that a pause is never too short.
pub fn spin_ns() -> f64 {
    const TURNS: u32 = 100_000;
    let mut best = Duration::MAX;
    for _ in 0..5 {
        let start = Instant::now();
        for _ in 0..TURNS {
            std::hint::spin_loop();
        }
        best = best.min(start.elapsed());
    }
    best.as_nanos() as f64 / f64::from(TURNS)
}
