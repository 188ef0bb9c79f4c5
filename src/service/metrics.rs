//! Counters and the Prometheus text of the daemon (text exposition format 0.0.4).

use super::live::{Phase, Shared};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// What is counted.
#[derive(Default)]
pub struct Counters {
    /// Good readings.
    pub readings: AtomicU64,
    /// Readings that are missing.
    pub missing: AtomicU64,
    /// Longest time between two readings of one sense point in the run that goes on or the last one, microseconds.
    pub gap_us: AtomicU64,
    /// Alarms raised.
    pub alarms: AtomicU64,
    /// Open event streams.
    pub streams: AtomicU64,
    /// Open connections.
    pub connections: AtomicU64,
    responses: Mutex<BTreeMap<u16, u64>>,
    refused: Mutex<BTreeMap<&'static str, u64>>,
    runs: Mutex<BTreeMap<String, u64>>,
}

impl Counters {
    /// A response was sent.
    pub fn response(&self, status: u16) {
        *self.responses.lock().unwrap_or_else(PoisonError::into_inner).entry(status).or_default() += 1;
    }
    /// A request or connection was refused.
    pub fn refuse(&self, why: &'static str) {
        *self.refused.lock().unwrap_or_else(PoisonError::into_inner).entry(why).or_default() += 1;
    }
    /// How often was refused for this reason.
    pub fn refused(&self, why: &str) -> u64 {
        self.refused.lock().unwrap_or_else(PoisonError::into_inner).get(why).copied().unwrap_or(0)
    }
    /// A run came to its end.
    pub fn run(&self, outcome: &str) {
        *self.runs.lock().unwrap_or_else(PoisonError::into_inner).entry(outcome.to_owned()).or_default() += 1;
    }
}

fn label(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

struct Text(String);

impl Text {
    fn head(&mut self, name: &str, kind: &str, help: &str) {
        let _ = writeln!(self.0, "# HELP signproof_{name} {help}\n# TYPE signproof_{name} {kind}");
    }
    fn line(&mut self, name: &str, labels: &[(&str, &str)], value: impl std::fmt::Display) {
        let labels: Vec<String> = labels.iter().map(|(k, v)| format!("{k}=\"{}\"", label(v))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.0, "signproof_{name}{labels} {value}");
    }
    fn one(&mut self, name: &str, kind: &str, help: &str, value: impl std::fmt::Display) {
        self.head(name, kind, help);
        self.line(name, &[], value);
    }
}

/// The whole text.
pub fn text(shared: &Shared) -> String {
    let mut t = Text(String::new());
    let c = &shared.counters;
    let get = |a: &AtomicU64| a.load(Ordering::Relaxed);
    t.head("info", "gauge", "Version and kind of rig.");
    let rig = if shared.simulated { "sim" } else { "board" };
    t.line("info", &[("version", env!("CARGO_PKG_VERSION")), ("rig", rig), ("build", &shared.loaded().digest)], 1);
    let (points, phase, need, accepted) = {
        let live = shared.live();
        (live.points.clone(), live.phase, live.need.is_some(), live.memory.accepted.is_some())
    };
    t.one("run_active", "gauge", "1 while a run goes on.", u8::from(!matches!(phase, Phase::Starting | Phase::Watching)));
    t.one("witness_wanted", "gauge", "1 while a question waits for an answer.", u8::from(phase == Phase::Asking));
    t.one("person_wanted", "gauge", "1 while the daemon waits for a person.", u8::from(need));
    t.one("accepted", "gauge", "1 where this build has an accepted run.", u8::from(accepted));
    t.head("sense", "gauge", "Last reading of a sense point, in its unit; absent where there is none.");
    for p in &points {
        if let Some(value) = p.value {
            t.line("sense", &[("sense", &p.sense), ("unit", &p.unit)], value);
        }
    }
    t.head("alarm", "gauge", "1 while an alarm is raised.");
    for p in &points {
        for kind in ["low", "high", "silent"] {
            t.line("alarm", &[("sense", &p.sense), ("kind", kind)], u8::from(p.alarm.as_deref() == Some(kind)));
        }
    }
    t.one("readings_total", "counter", "Good readings since the start.", get(&c.readings));
    t.one("readings_missing_total", "counter", "Readings that are missing.", get(&c.missing));
    let gap = get(&c.gap_us) as f64 * 1e-6;
    t.one(
        "reading_gap_max_seconds",
        "gauge",
        "Longest time between two readings of one sense point in the run that goes on or the last.",
        gap,
    );
    t.one("alarms_total", "counter", "Alarms raised.", get(&c.alarms));
    t.one("progress_total", "counter", "Rounds of readings that came back; feeds the watchdog.", get(&shared.progress));
    t.one("events_total", "counter", "Events told to the page.", shared.events.last());
    t.one("event_streams", "gauge", "Open event streams.", get(&c.streams));
    t.one("connections", "gauge", "Open connections.", get(&c.connections));
    t.head("runs_total", "counter", "Runs that came to their end, by outcome.");
    for (outcome, n) in c.runs.lock().unwrap_or_else(PoisonError::into_inner).iter() {
        t.line("runs_total", &[("outcome", outcome)], n);
    }
    t.head("http_responses_total", "counter", "Responses, by status.");
    for (status, n) in c.responses.lock().unwrap_or_else(PoisonError::into_inner).iter() {
        t.line("http_responses_total", &[("status", &status.to_string())], n);
    }
    t.head("http_refused_total", "counter", "Requests and connections refused, by reason.");
    for (why, n) in c.refused.lock().unwrap_or_else(PoisonError::into_inner).iter() {
        t.line("http_refused_total", &[("reason", why)], n);
    }
    t.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn label_values_are_escaped() {
        assert_eq!(label("a\"b\\c\nd"), "a\\\"b\\\\c\\nd");
    }
}
