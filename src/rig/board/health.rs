//! The controller's own state, from the kernel's files.

use super::root::Root;
use super::scan::Scanner;
use crate::event::{BoardFacts, ScanFacts};
use crate::rig::Health;
use std::sync::Arc;

/// Reads the kernel's files each time.
pub struct BoardHealth {
    root: Root,
    storage: std::path::PathBuf,
    scanner: Arc<std::sync::Mutex<Option<Scanner>>>,
    path: Arc<std::sync::OnceLock<&'static str>>,
    synced: bool,
}

impl BoardHealth {
    pub(super) fn new(
        root: &Root,
        storage: std::path::PathBuf,
        scanner: Arc<std::sync::Mutex<Option<Scanner>>>,
        path: Arc<std::sync::OnceLock<&'static str>>,
    ) -> Self {
        Self { root: root.clone(), storage, scanner, path, synced: super::clock::synced(root) }
    }
}

/// What the firmware says: bit 0 undervoltage now, bits 1 to 3 slowed down now (bit meanings: the firmware's published
/// `get_throttled` word, from memory).
fn throttled_word(root: &Root) -> Option<u32> {
    let text = root.text("/sys/devices/platform/soc/soc:firmware/get_throttled")?;
    u32::from_str_radix(text.trim_start_matches("0x"), 16).ok()
}

/// The kernel's supply monitor of the board, whose alarm is the firmware's undervoltage flag (kernel driver raspberrypi-hwmon).
fn undervoltage_alarm(root: &Root) -> Option<bool> {
    root.list("/sys/class/hwmon").iter().find_map(|dir| {
        let name = std::fs::read_to_string(dir.join("name")).ok()?;
        let alarm = std::fs::read_to_string(dir.join("in0_lcrit_alarm")).ok()?;
        name.trim().ends_with("_volt").then(|| alarm.trim() == "1")
    })
}

/// All facts but those of the scan and the ambient temperature.
pub fn facts(root: &Root) -> BoardFacts {
    let number = |path: &str| root.text(path)?.parse::<f64>().ok();
    let word = throttled_word(root);
    BoardFacts {
        model: root.text("/proc/device-tree/model"),
        serial: root.text("/proc/device-tree/serial-number"),
        soc_c: number("/sys/class/thermal/thermal_zone0/temp").map(|milli| milli / 1000.0),
        undervoltage: undervoltage_alarm(root).into_iter().chain(word.map(|w| w & 1 != 0)).reduce(|a, b| a || b),
        throttled: word.map(|w| w & 0b1110 != 0),
        uptime_s: root.text("/proc/uptime").and_then(|t| t.split_whitespace().next()?.parse().ok()),
        ..BoardFacts::default()
    }
}

impl Health for BoardHealth {
    fn read(&mut self) -> BoardFacts {
        let mut facts = facts(&self.root);
        facts.clock_synced = Some(self.synced);
        facts.free_mib = rustix::fs::statvfs(&self.storage).ok().map(|s| s.f_bavail.saturating_mul(s.f_frsize) / (1 << 20));
        let scanner = self.scanner.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let (Some(scanner), Some(path)) = (&*scanner, self.path.get()) {
            let (refreshes, manner) = scanner.refreshes();
            facts.scan = Some(ScanFacts {
                path: (*path).to_owned(),
                manner: manner.unwrap_or_default(),
                refreshes: refreshes.count,
                refresh_hz: if refreshes.mean_s > 0.0 { 1.0 / refreshes.mean_s } else { 0.0 },
                jitter_us: refreshes.jitter_s() * 1e6,
                worst_us: refreshes.worst_s * 1e6,
                stalls: refreshes.stalls,
            });
        }
        facts
    }
}
