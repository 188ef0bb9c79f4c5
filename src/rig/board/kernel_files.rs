//! Channels of the kernel's IIO and hwmon drivers: found by the device's name, read from their files.

use super::root::Root;
use crate::build::Chip;
use crate::meter::iio::{Files, of_input, of_raw};
use crate::units::{NoReading, Reading};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// ENXIO, EREMOTEIO, ENODEV: what drivers report where the chip does not acknowledge or has gone (kernel documentation, I²C fault codes).
const SILENT: [i32; 3] = [6, 121, 19];
const TIMED_OUT: i32 = 110;

/// The files of the system.
pub(super) struct KernelFiles {
    root: Root,
    /// Found channels by sense point.
    found: Vec<Option<Channel>>,
}

#[derive(Clone)]
enum Channel {
    /// Already in thousandths.
    Input(PathBuf),
    /// With its scale and offset, which stay.
    Raw { raw: PathBuf, offset: Option<String>, scale: Option<String> },
}

impl KernelFiles {
    pub fn new(root: Root) -> Self {
        Self { root, found: Vec::new() }
    }

    /// The folders of devices of this name: the text of their `name` file, or their own name.
    fn folders(&self, device: &str) -> Vec<PathBuf> {
        let all = ["/sys/bus/iio/devices", "/sys/class/hwmon"].into_iter().flat_map(|place| self.root.list(place));
        all.filter(|folder| {
            folder.file_name().is_some_and(|own| own == device)
                || std::fs::read_to_string(folder.join("name")).is_ok_and(|text| text.trim() == device)
        })
        .collect()
    }

    fn find(&self, device: &str, file: &str) -> Reading<(Channel, PathBuf)> {
        let folders = self.folders(device);
        let mut found = folders.iter().filter_map(|folder| Some((channel(folder, file)?, folder.clone())));
        match (found.next(), found.next()) {
            (Some(one), None) => Ok(one),
            // two devices of one name: which of them is meant is not for us to guess
            (Some(_), Some(_)) => Err(NoReading::WrongChip),
            (None, _) if folders.is_empty() => Err(NoReading::NoAnswer),
            (None, _) => Err(NoReading::WrongChip),
        }
    }

    fn channel(&mut self, point: usize, chip: &Chip) -> Reading<Channel> {
        if let Some(Some(channel)) = self.found.get(point) {
            return Ok(channel.clone());
        }
        let Chip::Iio { device, file, .. } = chip else { return Err(NoReading::NotPresent) };
        let (channel, _) = self.find(device, file)?;
        if self.found.len() <= point {
            self.found.resize(point + 1, None);
        }
        self.found[point] = Some(channel.clone());
        Ok(channel)
    }
}

fn channel(folder: &Path, file: &str) -> Option<Channel> {
    let word = file.trim_end_matches(|c: char| c.is_ascii_digit());
    let text = |name: String| std::fs::read_to_string(folder.join(name)).ok();
    // hwmon: in0_input; IIO: in_voltage0_input
    for name in [format!("{file}_input"), format!("in_{file}_input")] {
        let path = folder.join(name);
        if path.exists() {
            return Some(Channel::Input(path));
        }
    }
    let raw = folder.join(format!("in_{file}_raw"));
    raw.exists().then(|| {
        // of the channel, or shared by all of its kind
        let of = |what: &str| text(format!("in_{file}_{what}")).or_else(|| text(format!("in_{word}_{what}")));
        Channel::Raw { raw, offset: of("offset"), scale: of("scale") }
    })
}

fn text(path: &Path) -> Reading<String> {
    std::fs::read_to_string(path).map_err(|error| match (error.raw_os_error(), error.kind()) {
        (Some(number), _) if SILENT.contains(&number) => NoReading::NoAnswer,
        (Some(TIMED_OUT), _) | (_, ErrorKind::TimedOut) => NoReading::TimedOut,
        (_, ErrorKind::NotFound) => NoReading::NoAnswer,
        _ => NoReading::BusFault,
    })
}

impl Files for KernelFiles {
    fn identify(&mut self, point: usize, chip: &Chip) -> Reading<String> {
        let Chip::Iio { device, file, .. } = chip else { return Err(NoReading::NotPresent) };
        let (_, folder) = self.find(device, file)?;
        self.read(point, chip)?;
        Ok(folder.file_name().unwrap_or_default().to_string_lossy().into_owned())
    }

    fn read(&mut self, point: usize, chip: &Chip) -> Reading<f64> {
        let value = match self.channel(point, chip)? {
            Channel::Input(path) => of_input(&text(&path)?),
            Channel::Raw { raw, offset, scale } => of_raw(&text(&raw)?, offset.as_deref(), scale.as_deref()),
        };
        // a driver that gives no number does not work
        value.ok_or(NoReading::BusFault)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chip(device: &str, file: &str) -> Chip {
        Chip::Iio { device: device.to_owned(), file: file.to_owned(), step: 0.001, accuracy_pct: 1.0, highest: None }
    }

    fn tree(files: &[(&str, &str)]) -> (tempfile::TempDir, KernelFiles) {
        let dir = tempfile::tempdir().unwrap();
        for (name, text) in files {
            let path = dir.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        let files = KernelFiles::new(Root::new(dir.path()));
        (dir, files)
    }

    #[test]
    fn channels_are_found_by_name_or_folder() {
        let (dir, mut files) = tree(&[
            ("sys/bus/iio/devices/iio:device0/name", "ads1015\n"),
            ("sys/bus/iio/devices/iio:device0/in_voltage0_raw", "20276\n"),
            ("sys/bus/iio/devices/iio:device0/in_voltage0_scale", "0.125000000\n"),
            ("sys/bus/iio/devices/iio:device0/in_voltage1_raw", "100\n"),
            ("sys/bus/iio/devices/iio:device0/in_voltage_scale", "2\n"),
            ("sys/class/hwmon/hwmon3/name", "ina2xx\n"),
            ("sys/class/hwmon/hwmon3/in1_input", "5090\n"),
            ("sys/class/hwmon/hwmon3/curr1_input", "7250\n"),
            ("sys/class/hwmon/hwmon3/temp1_input", "no number\n"),
        ]);
        assert_eq!(files.identify(0, &chip("ads1015", "voltage0")), Ok("iio:device0".to_owned()));
        assert_eq!(files.read(0, &chip("ads1015", "voltage0")), Ok(2.5345));
        assert_eq!(files.read(1, &chip("iio:device0", "voltage1")), Ok(0.2));
        assert_eq!(files.read(2, &chip("hwmon3", "in1")), Ok(5.09));
        assert_eq!(files.read(3, &chip("ina2xx", "curr1")), Ok(7.25));
        assert_eq!(files.read(4, &chip("ina2xx", "temp1")), Err(NoReading::BusFault));
        assert_eq!(files.identify(5, &chip("ads1115", "voltage0")), Err(NoReading::NoAnswer), "no such device");
        assert_eq!(files.identify(6, &chip("ads1015", "voltage7")), Err(NoReading::WrongChip), "it has no such channel");
        std::fs::remove_file(dir.path().join("sys/class/hwmon/hwmon3/in1_input")).unwrap();
        assert_eq!(files.read(2, &chip("hwmon3", "in1")), Err(NoReading::NoAnswer), "the driver went away");
    }

    #[test]
    fn two_devices_of_one_name_are_not_guessed_between() {
        let (_dir, mut files) = tree(&[
            ("sys/class/hwmon/hwmon0/name", "ina2xx\n"),
            ("sys/class/hwmon/hwmon0/in1_input", "5000\n"),
            ("sys/class/hwmon/hwmon1/name", "ina2xx\n"),
            ("sys/class/hwmon/hwmon1/in1_input", "4000\n"),
        ]);
        assert_eq!(files.read(0, &chip("ina2xx", "in1")), Err(NoReading::WrongChip));
        assert_eq!(files.read(1, &chip("hwmon1", "in1")), Ok(4.0));
    }
}
