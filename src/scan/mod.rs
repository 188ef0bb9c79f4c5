//! Frame → scan program, and the replay of a program over the output lines.

mod compile;
pub mod scheme;

pub use compile::{blank_words, compile};

/// One step of a program: first the lines in `clear` go low, then those in `set` go high.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Word {
    /// GPIO bits to drive low.
    pub clear: u32,
    /// GPIO bits to drive high.
    pub set: u32,
}

/// The output register of the rig. Implementations hold each call for at least the panel's
/// minimum pulse width; an empty mask costs no write.
pub trait Lines {
    /// Clears, then sets.
    fn write(&mut self, clear: u32, set: u32);
}

/// The words of one frame: computed once, replayed until told otherwise.
#[derive(Clone, Debug, PartialEq)]
pub struct ScanProgram {
    /// Sent once with OE high: loads and latches the first row so that no stale row is lit.
    pub prepare: Vec<Word>,
    /// One refresh; may be repeated for as long as the frame is shown.
    pub refresh: Vec<Word>,
    /// The OE line.
    pub oe: u32,
    /// Every line the program drives.
    pub mask: u32,
    /// Least time per word in nanoseconds, from the slowest panel's shift clock limit.
    pub pulse_ns: f64,
}

impl ScanProgram {
    /// Share of a refresh in which some row is lit.
    pub fn lit_share(&self) -> f64 {
        let mut lit = 0;
        let mut dark = true;
        for word in &self.refresh {
            if word.clear & self.oe != 0 {
                dark = false;
            }
            if word.set & self.oe != 0 {
                dark = true;
            }
            lit += usize::from(!dark);
        }
        lit as f64 / self.refresh.len().max(1) as f64
    }

    /// Seconds of one refresh at the minimum pulse width.
    pub fn refresh_s(&self) -> f64 {
        self.refresh.len() as f64 * self.pulse_ns * 1e-9
    }
}

/// Sends the words that load the first row in the dark.
pub fn replay_prepare<L: Lines + ?Sized>(program: &ScanProgram, lines: &mut L) {
    for word in &program.prepare {
        lines.write(word.clear, word.set);
    }
}

/// Sends one refresh.
pub fn replay_refresh<L: Lines + ?Sized>(program: &ScanProgram, lines: &mut L) {
    for word in &program.refresh {
        lines.write(word.clear, word.set);
    }
}
