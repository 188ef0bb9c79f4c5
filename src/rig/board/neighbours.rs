//! Who else is on the lines: users of single lines by the kernel's line info, programs that have the register device mapped.

use super::pins::PinSet;
use super::root::Root;

/// What was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Neighbours {
    /// Line and user, where the kernel names one.
    pub lines: Vec<(u8, String)>,
    /// Process number and name of programs with the register device open or mapped.
    pub programs: Vec<(u32, String)>,
    /// Processes of other users that could not be looked into.
    pub unseen: u32,
    /// Why the kernel's line info could not be read.
    pub no_line_info: Option<String>,
}

impl Neighbours {
    /// True where somebody holds the lines.
    pub fn any(&self) -> bool {
        !self.lines.is_empty() || !self.programs.is_empty()
    }
    /// In words: who holds them, and what could not be seen.
    pub fn text(&self) -> String {
        let mut said = Vec::new();
        for (line, user) in &self.lines {
            said.push(format!("GPIO {line} is held by {user}"));
        }
        for (number, name) in &self.programs {
            said.push(format!("{name} (process {number}) has the register device open"));
        }
        if said.is_empty() {
            said.push("nobody was found on the lines".to_owned());
        }
        if let Some(why) = &self.no_line_info {
            said.push(format!("the kernel's line info could not be read ({why})"));
        }
        if self.unseen > 0 {
            said.push(format!("{} processes of other users could not be looked into", self.unseen));
        }
        said.join("; ")
    }
}

/// Text that a program chose, fit to print.
fn plain(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(60).collect()
}

/// Looks; at single lines where some are given.
pub fn look(root: &Root, set: Option<&PinSet>) -> Neighbours {
    let mut found = Neighbours::default();
    match lines(root, set) {
        Ok(lines) => found.lines = lines,
        Err(why) => found.no_line_info = Some(why),
    }
    programs(root, &mut found);
    found
}

/// The chip of the header: its label is that of its pin controller, e.g. `pinctrl-bcm2835` (kernel drivers pinctrl-bcm2835 and
/// pinctrl-rp1).
fn lines(root: &Root, set: Option<&PinSet>) -> Result<Vec<(u8, String)>, String> {
    let chips: Vec<_> =
        root.list("/dev").into_iter().filter(|p| p.file_name().is_some_and(|n| n.to_string_lossy().starts_with("gpiochip"))).collect();
    let mut why = "there is no /dev/gpiochip device".to_owned();
    for path in chips {
        let opened = gpiocdev::Chip::from_path(&path).and_then(|chip| Ok((chip.info()?.label, chip)));
        let (label, chip) = match opened {
            Ok(opened) => opened,
            Err(error) => {
                why = format!("{}: {error}", path.display());
                continue;
            }
        };
        if !label.starts_with("pinctrl-") {
            continue;
        }
        let mut held = Vec::new();
        for pin in set.into_iter().flat_map(PinSet::all) {
            let info = chip.line_info(u32::from(pin)).map_err(|e| format!("GPIO {pin}: {e}"))?;
            if info.used {
                let user = plain(&info.consumer);
                held.push((pin, if user.is_empty() { "a part of the kernel".to_owned() } else { format!("`{user}`") }));
            }
        }
        return Ok(held);
    }
    Err(why)
}

/// True where a path names a device through which the registers are reached.
fn registers(path: &str) -> bool {
    let device = path.trim_end_matches(" (deleted)");
    device.starts_with("/dev/gpiomem") || device == "/dev/mem"
}

fn programs(root: &Root, found: &mut Neighbours) {
    let own = std::process::id();
    for dir in root.list("/proc") {
        let Some(number) = dir.file_name().and_then(|n| n.to_str()).and_then(|n| n.parse::<u32>().ok()) else { continue };
        if number == own {
            continue;
        }
        // a kernel thread has no memory of its own and nothing mapped
        let maps = std::fs::read_to_string(dir.join("maps"));
        let files = std::fs::read_dir(dir.join("fd"));
        if maps.as_ref().is_err_and(|e| e.kind() == std::io::ErrorKind::PermissionDenied)
            || files.as_ref().is_err_and(|e| e.kind() == std::io::ErrorKind::PermissionDenied)
        {
            found.unseen += 1;
        }
        let mapped = maps.unwrap_or_default().lines().filter_map(|l| l.split_whitespace().nth(5)).any(registers);
        let mut open = files.into_iter().flatten().flatten().filter_map(|f| std::fs::read_link(f.path()).ok());
        if mapped || open.any(|target| registers(&target.to_string_lossy())) {
            let name = std::fs::read_to_string(dir.join("comm")).unwrap_or_default();
            found.programs.push((number, plain(name.trim())));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn programs_are_found_by_map_or_open_file() {
        let dir = tempfile::tempdir().unwrap();
        let root = Root::new(dir.path());
        for (number, name, maps, link) in [
            (7, "sleeper", "ffff0000-ffff1000 r-xp 00000000 00:01 5 /usr/bin/sleeper\n", None),
            (8, "mapper", "ffff0000-ffff1000 rw-s 00000000 00:05 9 /dev/gpiomem\n", None),
            (9, "opener", "", Some("/dev/mem")),
            (10, "other", "", Some("/dev/memory-of-a-trip")),
        ] {
            let process = root.at(&format!("/proc/{number}"));
            fs::create_dir_all(process.join("fd")).unwrap();
            fs::write(process.join("maps"), maps).unwrap();
            fs::write(process.join("comm"), format!("{name}\n")).unwrap();
            if let Some(target) = link {
                std::os::unix::fs::symlink(target, process.join("fd/3")).unwrap();
            }
        }
        let found = look(&root, Some(&PinSet { oe: 4, others: vec![] }));
        assert_eq!(found.programs, [(8, "mapper".to_owned()), (9, "opener".to_owned())]);
        assert!(found.any());
        assert!(found.text().contains("mapper (process 8) has the register device open"), "{}", found.text());
        assert!(found.text().contains("line info could not be read"), "{}", found.text());
    }
}
