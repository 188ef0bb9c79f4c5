//! Time of the operating system.

use super::root::Root;
use crate::event::Stamp;
use crate::rig::Clock;
use std::time::{Duration, Instant};

/// Monotonic and wall time, with what is known of its synchronisation.
pub struct BoardClock {
    start: Instant,
    root: Root,
    synced: bool,
}

impl BoardClock {
    /// Reads once whether the clock is synchronised.
    pub fn new(root: &Root) -> Self {
        Self { start: Instant::now(), root: root.clone(), synced: synced(root) }
    }
}

/// Where systemd's time client says that it has set the clock, or systemd that the kernel's clock is kept in step.
pub fn synced(root: &Root) -> bool {
    if root.at("/run/systemd/timesync/synchronized").exists() {
        return true;
    }
    root.is_system()
        && std::process::Command::new("timedatectl")
            .args(["show", "--property=NTPSynchronized", "--value"])
            // where it fails it would tell so to the daemon's service manager, which takes notice of the daemon alone
            .env_remove("NOTIFY_SOCKET")
            .stderr(std::process::Stdio::null())
            .output()
            .is_ok_and(|out| out.stdout.trim_ascii() == b"yes")
}

impl Clock for BoardClock {
    fn now(&self) -> Stamp {
        let synced = self.synced || self.root.at("/run/systemd/timesync/synchronized").exists();
        Stamp { mono_ns: self.start.elapsed().as_nanos() as u64, unix_ms: crate::rig::wall_now_ms(), synced }
    }
    fn sleep(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}
