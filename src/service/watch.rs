//! The supply between runs: readings → minute rows and alarms. Pure, but for [`DayFiles`].

use crate::units::Reading;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Bytes a day, at most.
pub const DAY_BYTES: usize = 1024 * 1024;
/// First line of each file.
pub const HEADER: &str = "utc,sense,min,mean,max,count,missing\n";

#[derive(Clone, Copy, Debug)]
struct Sums {
    min: f64,
    max: f64,
    sum: f64,
    count: u32,
    missing: u32,
}

const NOTHING: Sums = Sums { min: f64::INFINITY, max: f64::NEG_INFINITY, sum: 0.0, count: 0, missing: 0 };

/// Gathers readings into rows, one a minute and sense point; for many points one in several minutes, so that a day
/// stays within [`DAY_BYTES`].
pub struct Rows {
    names: Vec<String>,
    every_ms: i64,
    slot: Option<i64>,
    sums: Vec<Sums>,
}

/// Longest row beside the name: time 16, three figures of 12, two counts of 5, separators.
const ROW_BYTES: usize = 70;

impl Rows {
    /// For these sense points.
    pub fn new(names: Vec<String>) -> Self {
        let row: usize = names.iter().map(|n| n.len() + ROW_BYTES).sum();
        let minutes = (row * 24 * 60).div_ceil(DAY_BYTES).max(1);
        let sums = vec![NOTHING; names.len()];
        Self { names, every_ms: minutes as i64 * 60_000, slot: None, sums }
    }

    /// Adds a round of readings at wall time `unix_ms`; text of the rows that are now complete.
    pub fn add(&mut self, unix_ms: i64, readings: &[Reading<f64>]) -> Option<(i64, String)> {
        let slot = unix_ms.div_euclid(self.every_ms);
        let done = if self.slot.is_some_and(|s| s != slot) { self.close() } else { None };
        self.slot = Some(slot);
        for (sums, reading) in self.sums.iter_mut().zip(readings) {
            match reading {
                Ok(v) => {
                    sums.min = sums.min.min(*v);
                    sums.max = sums.max.max(*v);
                    sums.sum += v;
                    sums.count += 1;
                }
                Err(_) => sums.missing += 1,
            }
        }
        done
    }

    /// The row begun last, complete or not, with its start in milliseconds since 1970.
    pub fn close(&mut self) -> Option<(i64, String)> {
        let start = self.slot.take()? * self.every_ms;
        let time = jiff::Timestamp::from_millisecond(start).map(|t| t.strftime("%Y-%m-%dT%H:%MZ").to_string()).unwrap_or_default();
        let mut text = String::new();
        for (name, sums) in self.names.iter().zip(&mut self.sums) {
            let s = std::mem::replace(sums, NOTHING);
            let name = if name.contains([',', '"', '\n']) { format!("\"{}\"", name.replace('"', "\"\"")) } else { name.clone() };
            if s.count > 0 {
                let mean = s.sum / f64::from(s.count);
                let _ = writeln!(text, "{time},{name},{:.4},{mean:.4},{:.4},{},{}", s.min, s.max, s.count, s.missing);
            } else {
                let _ = writeln!(text, "{time},{name},,,,0,{}", s.missing);
            }
        }
        Some((start, text))
    }
}

/// What is wrong at a sense point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wrong {
    /// Below its window.
    Low,
    /// Above it.
    High,
    /// No readings.
    Silent,
}

impl Wrong {
    /// For metrics and messages.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::High => "high",
            Self::Silent => "silent",
        }
    }
}

/// An alarm with hysteresis: raised after `patience` bad readings in a row, ended after as many that are good by the
/// hysteresis.
pub struct Alarm {
    window: [f64; 2],
    hysteresis: f64,
    patience: u32,
    raised: Option<Wrong>,
    count: u32,
    tending: Option<Wrong>,
}

impl Alarm {
    /// Quiet.
    pub const fn new(window: [f64; 2], hysteresis: f64, patience: u32) -> Self {
        Self { window, hysteresis, patience, raised: None, count: 0, tending: None }
    }
    /// What is raised now.
    pub const fn raised(&self) -> Option<Wrong> {
        self.raised
    }
    /// Takes a reading; true where the alarm was raised, changed or ended by it.
    pub fn take(&mut self, reading: &Reading<f64>) -> bool {
        let [low, high] = self.window;
        let back = |wrong| if self.raised == Some(wrong) { self.hysteresis } else { 0.0 };
        let now = match reading {
            Err(_) => Some(Wrong::Silent),
            Ok(v) if *v < low + back(Wrong::Low) => Some(Wrong::Low),
            Ok(v) if *v > high - back(Wrong::High) => Some(Wrong::High),
            Ok(_) => None,
        };
        if now == self.raised {
            self.count = 0;
            return false;
        }
        self.count = if now == self.tending { self.count + 1 } else { 1 };
        self.tending = now;
        if self.count < self.patience {
            return false;
        }
        self.raised = now;
        self.count = 0;
        true
    }
}

/// Rows by day, `YYYY-MM-DD.csv` in UTC, buffered, never more than [`DAY_BYTES`] a day.
pub struct DayFiles {
    dir: PathBuf,
    day: String,
    written: usize,
    buffer: String,
    full: bool,
}

impl DayFiles {
    /// In this directory; it is made when first written.
    pub fn new(dir: &Path) -> Self {
        Self { dir: dir.to_owned(), day: String::new(), written: 0, buffer: String::new(), full: false }
    }

    /// Keeps rows in memory; true where the day has no room for them (said once a day).
    ///
    /// # Errors
    /// Where the day before could not be written.
    pub fn add(&mut self, start_ms: i64, rows: &str) -> std::io::Result<bool> {
        let day = jiff::Timestamp::from_millisecond(start_ms).map(|t| t.strftime("%Y-%m-%d").to_string()).unwrap_or_default();
        if day != self.day {
            let before = self.flush();
            self.buffer.clear();
            self.written = std::fs::metadata(self.dir.join(format!("{day}.csv"))).map_or(0, |m| m.len() as usize);
            self.day = day;
            self.full = false;
            if self.written == 0 {
                self.buffer.push_str(HEADER);
            }
            before?;
        }
        if self.written + self.buffer.len() + rows.len() > DAY_BYTES {
            return Ok(!std::mem::replace(&mut self.full, true));
        }
        self.buffer.push_str(rows);
        Ok(false)
    }

    /// Writes what is kept in memory.
    ///
    /// # Errors
    /// Where the file cannot be written; the rows stay in memory.
    pub fn flush(&mut self) -> std::io::Result<()> {
        if self.buffer.is_empty() || self.day.is_empty() {
            return Ok(());
        }
        std::fs::create_dir_all(&self.dir)?;
        let path = self.dir.join(format!("{}.csv", self.day));
        let mut file = std::fs::OpenOptions::new().append(true).create(true).open(path)?;
        std::io::Write::write_all(&mut file, self.buffer.as_bytes())?;
        self.written += self.buffer.len();
        self.buffer.clear();
        Ok(())
    }

    /// Removes files older than `keep` days before `now_ms`.
    pub fn prune(&self, now_ms: i64, keep: u32) {
        let Ok(oldest) = jiff::Timestamp::from_millisecond(now_ms - i64::from(keep) * 86_400_000) else { return };
        let oldest = format!("{}.csv", oldest.strftime("%Y-%m-%d"));
        for entry in std::fs::read_dir(&self.dir).into_iter().flatten().flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            if is_day(&name) && name < oldest && std::fs::remove_file(entry.path()).is_err() {
                tracing::warn!(file = name, "an old file of the supply watch could not be removed");
            }
        }
    }
}

fn is_day(name: &str) -> bool {
    name.len() == 14 && name.ends_with(".csv") && name[..10].bytes().all(|b| b.is_ascii_digit() || b == b'-')
}

/// The day files there are, oldest first, without their ending.
pub fn days(dir: &Path) -> Vec<String> {
    let mut days: Vec<String> = std::fs::read_dir(dir)
        .into_iter()
        .flatten()
        .flatten()
        .map(|e| e.file_name().to_string_lossy().into_owned())
        .filter(|n| is_day(n))
        .map(|n| n[..10].to_owned())
        .collect();
    days.sort();
    days
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::NoReading;

    #[test]
    fn a_minute_becomes_one_row_and_missing_readings_are_counted() {
        let mut rows = Rows::new(vec!["distribution".into()]);
        let start = 1_772_359_200_000; // 2026-03-01T10:00:00Z
        for s in 0..60 {
            let reading = if s == 7 { Err(NoReading::NoAnswer) } else { Ok(5.0 + f64::from(s % 2) * 0.1) };
            assert_eq!(rows.add(start + i64::from(s) * 1000, &[reading]), None);
        }
        let (at, text) = rows.add(start + 60_000, &[Ok(5.0)]).unwrap();
        assert_eq!(at, start);
        assert_eq!(text, "2026-03-01T10:00Z,distribution,5.0000,5.0492,5.1000,59,1\n");
    }

    #[test]
    fn a_silent_minute_has_no_figures_rather_than_zeros() {
        let mut rows = Rows::new(vec!["a".into()]);
        rows.add(0, &[Err(NoReading::NoAnswer)]);
        assert_eq!(rows.close().unwrap().1, "1970-01-01T00:00Z,a,,,,0,1\n");
    }

    #[test]
    fn even_the_most_sense_points_stay_within_a_day_s_share() {
        let names: Vec<String> = (0..32).map(|i| format!("a rather long name of sense point number {i:02}")).collect();
        let mut rows = Rows::new(names.clone());
        let dir = tempfile::tempdir().unwrap();
        let mut files = DayFiles::new(dir.path());
        let mut refused = 0;
        for s in (0..86_400).step_by(10) {
            if let Some((at, text)) = rows.add(s * 1000, &vec![Ok(-12.345_678); names.len()]) {
                refused += u32::from(files.add(at, &text).unwrap());
            }
        }
        files.flush().unwrap();
        let size = std::fs::metadata(dir.path().join("1970-01-01.csv")).unwrap().len() as usize;
        assert_eq!(refused, 0);
        assert!(size <= DAY_BYTES && size > DAY_BYTES / 3, "{size}");
    }

    #[test]
    fn a_full_day_is_said_once_and_the_next_day_goes_on() {
        let dir = tempfile::tempdir().unwrap();
        let mut files = DayFiles::new(dir.path());
        let row = "x".repeat(1000) + "\n";
        let said = (0..1500).filter(|_| files.add(0, &row).unwrap()).count();
        assert_eq!(said, 1);
        files.add(86_400_000, "tomorrow\n").unwrap();
        files.flush().unwrap();
        assert!(std::fs::metadata(dir.path().join("1970-01-01.csv")).unwrap().len() as usize <= DAY_BYTES);
        assert_eq!(std::fs::read_to_string(dir.path().join("1970-01-02.csv")).unwrap(), format!("{HEADER}tomorrow\n"));
        assert_eq!(days(dir.path()), ["1970-01-01", "1970-01-02"]);
        files.prune(10 * 86_400_000, 9);
        assert_eq!(days(dir.path()), ["1970-01-02"]);
    }

    #[test]
    fn a_restart_in_mid_day_adds_to_the_file() {
        let dir = tempfile::tempdir().unwrap();
        for _ in 0..2 {
            let mut files = DayFiles::new(dir.path());
            files.add(0, "row\n").unwrap();
            files.flush().unwrap();
        }
        assert_eq!(std::fs::read_to_string(dir.path().join("1970-01-01.csv")).unwrap(), format!("{HEADER}row\nrow\n"));
    }

    #[test]
    fn alarms_have_patience_and_hysteresis() {
        let mut a = Alarm::new([4.8, 5.3], 0.05, 3);
        assert!(!a.take(&Ok(4.7)) && !a.take(&Ok(4.7)));
        assert!(!a.take(&Ok(5.0)), "a short dip is no alarm");
        assert!(!a.take(&Ok(4.7)) && !a.take(&Ok(4.7)));
        assert!(a.take(&Ok(4.7)));
        assert_eq!(a.raised(), Some(Wrong::Low));
        for _ in 0..10 {
            assert!(!a.take(&Ok(4.82)), "still within the hysteresis");
        }
        assert!(!a.take(&Ok(4.86)) && !a.take(&Ok(4.86)));
        assert!(a.take(&Ok(4.86)));
        assert_eq!(a.raised(), None);
        for _ in 0..2 {
            assert!(!a.take(&Err(NoReading::NoAnswer)));
        }
        assert!(a.take(&Err(NoReading::NoAnswer)));
        assert_eq!(a.raised(), Some(Wrong::Silent));
    }
}
