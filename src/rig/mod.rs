//! Everything a run needs from the outside, as traits. A rig is a set of these; nothing above this
//! module knows which one it has.

use crate::build::Build;
use crate::event::{Answer, BoardFacts, Checklist, HandReading, Question, Stamp, Whereabouts};
use crate::frame::Frame;
use crate::scan::ScanProgram;
use crate::units::Reading;
use std::sync::Arc;
use std::time::Duration;

pub mod board;
pub mod paced;
pub mod record;
pub mod replay;
pub mod sim;
mod tape;

/// The rig itself broke: never the sign's fault.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, serde::Serialize, serde::Deserialize)]
#[error("{what}: {why}; {todo}")]
pub struct RigError {
    /// What was attempted, e.g. `claiming the output lines`.
    pub what: String,
    /// What went wrong.
    pub why: String,
    /// What to do about it.
    pub todo: String,
}

/// The panels, as seen from the controller: a picture is shown until another is, or until blanked.
pub trait Output {
    /// Takes the lines and drives them dark. Must be called before anything else.
    fn claim(&mut self) -> Result<(), RigError>;
    /// Shows a program from now on and returns once it is on the wall.
    fn show(&mut self, program: &Arc<ScanProgram>) -> Result<(), RigError>;
    /// OE high at once, data low. Allowed at any time, also before `claim` and twice.
    fn blank(&mut self) -> Result<(), RigError>;
    /// Whether what is shown is still being shown.
    fn check(&mut self) -> Result<(), RigError> {
        Ok(())
    }
}

/// The sense points, in the order of the build.
pub trait Meter {
    /// Checks that the named chip is what answers, and sets it up. Text for the record, e.g.
    /// `ads1115 at 0x48 on bus 1`.
    fn identify(&mut self, point: usize) -> Reading<String>;
    /// One conversion, scaled to volts, amperes or degrees at the sense point; returns when it is done.
    fn read(&mut self, point: usize) -> Reading<f64>;
    /// Nominal time of one [`Meter::read`].
    fn read_time(&self, point: usize) -> Duration;
}

/// Time. Nothing outside `rig` asks the operating system for it.
pub trait Clock {
    /// Now.
    fn now(&self) -> Stamp;
    /// Waits; virtual in simulation.
    fn sleep(&mut self, time: Duration);
}

/// The controller's own state.
pub trait Health {
    /// Reads it afresh.
    fn read(&mut self) -> BoardFacts;
}

/// A person who looks at the wall. Whoever takes time to answer calls `idle` several times a second while waiting, so that
/// the interlock stays on; where `idle` says false the question is withdrawn, and the answer is that nobody is there.
pub trait Witness {
    /// Asks, showing what should be there. Blocks until answered; `Answer::Absent` where nobody is.
    fn ask(&mut self, question: &Question, expected: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer;
    /// At which place of the build a panel's mark (its picture, arrow up) appears. Blocks until answered.
    fn where_is(&mut self, build: &Build, question: &Question, mark: &Frame, idle: &mut dyn FnMut() -> bool) -> Whereabouts {
        let _ = (build, question, mark, idle);
        Whereabouts::Absent
    }
    /// What was checked by hand before the supply was switched on; `None` where nobody says. Nothing is lit yet.
    fn before_power(&mut self, build: &Build) -> Option<Checklist> {
        let _ = build;
        None
    }
    /// The same where it was handed in since the run began, or since it was asked last; does not wait.
    fn handed_in_late(&mut self) -> Option<Checklist> {
        None
    }
    /// The hottest joint's temperature at the end of the hold, by hand, and who took it; `None` where it was not measured.
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(HandReading, String)> {
        let _ = idle;
        None
    }
}

/// A witness with a checklist that was filled in elsewhere.
pub struct WithChecklist {
    /// Looks at the wall.
    pub inner: Box<dyn Witness>,
    /// The checklist.
    pub list: Checklist,
}

impl Witness for WithChecklist {
    fn ask(&mut self, question: &Question, expected: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer {
        self.inner.ask(question, expected, idle)
    }
    fn where_is(&mut self, build: &Build, question: &Question, mark: &Frame, idle: &mut dyn FnMut() -> bool) -> Whereabouts {
        self.inner.where_is(build, question, mark, idle)
    }
    fn before_power(&mut self, _build: &Build) -> Option<Checklist> {
        Some(self.list.clone())
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(HandReading, String)> {
        match self.list.reading(crate::checklist::JOINT) {
            Some(reading) => Some((reading.clone(), format!("{}, {}", self.list.who, self.list.when))),
            None => self.inner.hottest_joint(idle),
        }
    }
}

/// Nobody is there.
pub struct Nobody;

impl Witness for Nobody {
    fn ask(&mut self, _question: &Question, _expected: &Frame, _idle: &mut dyn FnMut() -> bool) -> Answer {
        Answer::Absent
    }
}

/// All of it.
pub struct Rig {
    /// `board`, `sim` or `replay`: for the record.
    pub name: String,
    /// True where no real sign is attached.
    pub simulated: bool,
    /// Output lines.
    pub output: Box<dyn Output>,
    /// Sense points.
    pub meter: Box<dyn Meter>,
    /// Time.
    pub clock: Box<dyn Clock>,
    /// The controller.
    pub health: Box<dyn Health>,
    /// The person.
    pub witness: Box<dyn Witness>,
}

impl<I, D, F, S> Meter for crate::meter::Converters<I, D, F, S>
where
    I: embedded_hal::i2c::I2c,
    D: embedded_hal::delay::DelayNs,
    F: crate::meter::iio::Files,
    S: embedded_hal::spi::SpiDevice,
{
    fn identify(&mut self, point: usize) -> Reading<String> {
        Self::identify(self, point)
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        Self::read(self, point)
    }
    fn read_time(&self, point: usize) -> Duration {
        Self::read_time(self, point)
    }
}

/// Wall time of the operating system, milliseconds since 1970.
pub fn wall_now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// Time since the first call in this process, never going back.
pub fn since_start() -> Duration {
    static START: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    START.get_or_init(std::time::Instant::now).elapsed()
}

/// The same as RFC 3339 in UTC.
pub fn wall_now() -> String {
    format!("{:.3}", jiff::Timestamp::now())
}

/// Readings corrected by what a hand meter has shown.
pub struct Corrected {
    inner: Box<dyn Meter>,
    /// Per sense point: factor, and what is added.
    by: Vec<(f64, f64)>,
}

impl Corrected {
    /// Over a meter; one correction per sense point, `(1, 0)` for none.
    pub fn new(inner: Box<dyn Meter>, by: Vec<(f64, f64)>) -> Self {
        Self { inner, by }
    }
}

impl Meter for Corrected {
    fn identify(&mut self, point: usize) -> Reading<String> {
        self.inner.identify(point)
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let (gain, offset) = self.by.get(point).copied().unwrap_or((1.0, 0.0));
        Ok(self.inner.read(point)? * gain + offset)
    }
    fn read_time(&self, point: usize) -> Duration {
        self.inner.read_time(point)
    }
}

/// A new run id: the start in UTC and four random hex digits, e.g. `20260301T101500Z-7f3a`.
pub fn new_run_id() -> String {
    let now = jiff::Timestamp::now();
    let mixed = now.subsec_nanosecond().unsigned_abs() ^ std::process::id();
    format!("{}-{:04x}", now.strftime("%Y%m%dT%H%M%SZ"), mixed & 0xffff)
}
