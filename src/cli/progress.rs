//! Progress on a terminal: stage, step, supply volts, how far. Silent where stderr is no terminal.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// One line that is rewritten.
pub struct Progress {
    bar: ProgressBar,
}

impl Progress {
    /// Draws at most ten times a second.
    pub fn new() -> Self {
        let bar = ProgressBar::with_draw_target(Some(1000), ProgressDrawTarget::stderr_with_hz(10));
        if let Ok(style) = ProgressStyle::with_template("{prefix:>5} {bar:24} {wide_msg}") {
            bar.set_style(style);
        }
        Self { bar }
    }
    /// Shows where the run is.
    pub fn update(&mut self, p: &crate::run::Progress<'_>) {
        if self.bar.is_hidden() {
            return;
        }
        self.bar.set_prefix(p.stage.word());
        self.bar.set_position((p.done * 1000.0) as u64);
        let volts = p.volts.map(|v| format!("{v:.3} V  ")).unwrap_or_default();
        self.bar.set_message(format!("{volts}{}", p.title));
    }
    /// Clears the line.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}
