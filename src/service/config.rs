//! The daemon's configuration: one TOML file, checked as a whole.

use crate::build::FileKind;
use serde::Deserialize;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

/// What begins a run at first power-up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Policy {
    /// The daemon, as soon as it is ready.
    #[default]
    ByItself,
    /// A person, by the button on the page or the API.
    AfterButton,
    /// Nobody: this daemon runs nothing, it only watches the supply.
    Never,
}

/// First power-up.
#[derive(Clone, Debug, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FirstPower {
    /// What begins a run.
    pub start: Policy,
    /// After this many interrupted attempts it waits for a person (a brown-out loop is a finding, not a fate).
    pub interruptions: u32,
    /// A question that nobody answers for this many minutes ends the run and darkens the wall.
    pub witness_wait_min: u32,
    /// The hottest joint's temperature is waited for this many minutes after the hold, then it counts as not measured: a joint
    /// cools within minutes. 0: it is not asked for.
    pub joint_wait_min: u32,
    /// Before-power checklist, filled in elsewhere, for the first run; beside the configuration where not absolute.
    pub checklist: Option<PathBuf>,
}

impl Default for FirstPower {
    fn default() -> Self {
        Self { start: Policy::ByItself, interruptions: 2, witness_wait_min: 120, joint_wait_min: 5, checklist: None }
    }
}

/// The supply between runs.
#[derive(Clone, Debug, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Watch {
    /// Off where another program needs the converter.
    pub enabled: bool,
    /// Rows are kept in memory for this many minutes before they are written, to spare the card.
    pub flush_min: u32,
    /// Days kept.
    pub keep_days: u32,
    /// A reading this far back inside the window, in volts, ends an alarm.
    pub hysteresis_v: f64,
    /// Consecutive seconds outside the window that raise an alarm, or inside it that end one.
    pub patience_s: u32,
    /// Alarm window in volts; the build's trip window where absent.
    pub window_v: Option<[f64; 2]>,
}

impl Default for Watch {
    fn default() -> Self {
        Self { enabled: true, flush_min: 15, keep_days: 400, hysteresis_v: 0.02, patience_s: 5, window_v: None }
    }
}

/// The page and the API.
#[derive(Clone, Debug, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Http {
    /// Address and port. Loopback needs no token unless `token` says so; any other address always does.
    pub listen: SocketAddr,
    /// Ask for the token on loopback too.
    pub token: bool,
    /// Names by which a browser may call this board, besides its addresses; others are refused.
    pub hosts: Vec<String>,
    /// Open connections at once.
    pub connections: usize,
    /// Requests a second of one address, on average.
    pub requests_per_s: f64,
    /// Requests at once of one address.
    pub burst: f64,
    /// Largest request body, bytes.
    pub body_bytes: usize,
    /// Longest time for the head or the body of a request, seconds.
    pub patience_s: f64,
}

impl Default for Http {
    fn default() -> Self {
        Self {
            listen: SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8380),
            token: false,
            hosts: Vec::new(),
            connections: 256,
            requests_per_s: 50.0,
            burst: 200.0,
            body_bytes: 16 * 1024,
            patience_s: 10.0,
        }
    }
}

impl Http {
    /// Whether a token is asked for.
    pub fn needs_token(&self) -> bool {
        self.token || !self.listen.ip().is_loopback()
    }
}

/// What the daemon drives; never chosen by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RigWord {
    /// The sign on this controller.
    Board,
    /// A simulated sign.
    Sim,
}

/// The whole file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// What is driven; `--rig` on the command line comes first.
    pub rig: RigWord,
    /// The expected-build file; beside this file where not absolute.
    pub build: PathBuf,
    /// Where runs, rows and tokens are kept; `STATE_DIRECTORY` of systemd comes first, `state` beside this file last.
    pub state_dir: Option<PathBuf>,
    /// First power-up.
    #[serde(default)]
    pub first_power: FirstPower,
    /// The supply between runs.
    #[serde(default)]
    pub watch: Watch,
    /// The page and the API.
    #[serde(default)]
    pub http: Http,
}

/// Largest configuration file, bytes.
const LARGEST: u64 = 64 * 1024;

impl Config {
    /// Reads and checks a file; paths in it become usable from anywhere.
    ///
    /// # Errors
    /// What is wrong with it, with file and line, for the person at the board.
    pub fn read(path: &Path) -> Result<Self, String> {
        let name = path.display();
        let size = std::fs::metadata(path).map_err(|e| format!("{name}: {e}; name the configuration file with --config"))?.len();
        if size > LARGEST {
            return Err(format!("{name}: {size} bytes; a configuration has at most {LARGEST}"));
        }
        let text = std::fs::read_to_string(path).map_err(|e| format!("{name}: {e}"))?;
        let mut config = Self::parse(&text).map_err(|e| format!("{name}: {e}"))?;
        let beside = path.parent().unwrap_or(Path::new(""));
        config.build = beside.join(&config.build);
        config.first_power.checklist = config.first_power.checklist.map(|path| beside.join(path));
        let given = std::env::var_os("STATE_DIRECTORY")
            .filter(|v| !v.is_empty())
            .and_then(|v| v.to_str().and_then(|s| s.split(':').next().map(PathBuf::from)));
        config.state_dir = Some(given.unwrap_or_else(|| beside.join(config.state_dir.as_deref().unwrap_or(Path::new("state")))));
        Ok(config)
    }

    /// Where runs, rows and tokens are kept.
    pub fn state(&self) -> &Path {
        self.state_dir.as_deref().unwrap_or(Path::new("state"))
    }

    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let config: Self = toml::from_str(text).map_err(|e| FileKind::Configuration.trouble(text, &e))?;
        let mut wrong = Vec::new();
        let mut range = |name: &str, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                wrong.push(format!("`{name}` is {value}; expected {low} to {high}"));
            }
        };
        range("first_power.interruptions", config.first_power.interruptions.into(), 1.0, 10.0);
        range("first_power.witness_wait_min", config.first_power.witness_wait_min.into(), 1.0, 10_080.0);
        range("first_power.joint_wait_min", config.first_power.joint_wait_min.into(), 0.0, 60.0);
        range("watch.flush_min", config.watch.flush_min.into(), 1.0, 60.0);
        range("watch.keep_days", config.watch.keep_days.into(), 1.0, 4000.0);
        range("watch.hysteresis_v", config.watch.hysteresis_v, 0.0, 1.0);
        range("watch.patience_s", config.watch.patience_s.into(), 1.0, 3600.0);
        range("http.connections", config.http.connections as f64, 4.0, 4096.0);
        range("http.requests_per_s", config.http.requests_per_s, 1.0, 100_000.0);
        range("http.burst", config.http.burst, 5.0, 100_000.0);
        range("http.body_bytes", config.http.body_bytes as f64, 1024.0, 1_048_576.0);
        range("http.patience_s", config.http.patience_s, 0.1, 60.0);
        if let Some([low, high]) = config.watch.window_v {
            range("watch.window_v (low)", low, 0.0, high);
            range("watch.window_v (high)", high, low, 60.0);
        }
        if wrong.is_empty() { Ok(config) } else { Err(wrong.join("; ")) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_least_file_has_safe_defaults() {
        let c = Config::parse("rig = \"sim\"\nbuild = \"b.toml\"").unwrap();
        assert!(c.http.listen.ip().is_loopback());
        assert!(!c.http.needs_token());
        assert_eq!(c.first_power.start, Policy::ByItself);
        assert_eq!(c.first_power.interruptions, 2);
    }

    #[test]
    fn another_kind_of_file_is_called_by_its_name() {
        let e = Config::parse(include_str!("../../config/water-taxi.toml")).unwrap_err();
        assert!(e.contains("looks like a build file"), "{e}");
        let e = Config::parse("rig = \"sim\"\nbuild = \"b\"\n[watch]\nhysteresis_v = \"much\"\n").unwrap_err();
        assert!(e.contains("expected a number, e.g. 5.02") && e.contains("line 4"), "{e}");
    }

    #[test]
    fn the_network_always_needs_a_token() {
        let c = Config::parse("rig = \"sim\"\nbuild = \"b.toml\"\n[http]\nlisten = \"0.0.0.0:8380\"\ntoken = false\n").unwrap();
        assert!(c.http.needs_token());
    }

    #[test]
    fn all_that_is_out_of_range_is_named_at_once_and_unknown_keys_are_refused() {
        let e = Config::parse("rig = \"sim\"\nbuild = \"b\"\n[watch]\nflush_min = 0\n[http]\nconnections = 1\n").unwrap_err();
        assert!(e.contains("watch.flush_min") && e.contains("http.connections"), "{e}");
        let e = Config::parse("rig = \"sim\"\nbuild = \"b\"\n[watch]\nflsh_min = 3\n").unwrap_err();
        assert!(e.contains("flsh_min") && e.contains("line 4"), "{e}");
    }
}
