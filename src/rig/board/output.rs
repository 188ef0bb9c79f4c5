//! The panels through the claimed lines.

use super::bank::Bank;
use super::lock::{self, Lock};
use super::neighbours;
use super::pins::{PinSet, Pins};
use super::root::Root;
use super::scan::{ScanOptions, Scanner};
use super::soc::Path;
use super::wires::{Driver, Wires};
use crate::rig::{Output, RigError};
use crate::scan::ScanProgram;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

/// Where the registers are for an unprivileged user.
const REGISTERS: &str = "/dev/gpiomem";

/// Lines that are locked and found free, not yet driven.
pub struct BoardOutput {
    root: Root,
    set: PinSet,
    path: Path,
    options: ScanOptions,
    settle: Duration,
    pub(super) scanner: Arc<Mutex<Option<Scanner>>>,
    pub(super) driven_by: Arc<OnceLock<&'static str>>,
    _lock: Lock,
}

/// Maps the registers; drives nothing.
fn bank(root: &Root) -> Result<Bank, RigError> {
    let path = root.at(REGISTERS);
    Bank::open(&path).map_err(|error| {
        let todo = match error.kind() {
            std::io::ErrorKind::NotFound => "run on the sign's controller, with a kernel that has the GPIO register device",
            std::io::ErrorKind::PermissionDenied => "add this user to the group that owns it (usually `gpio`) and log in again",
            _ => "check that it is the register device of the controller",
        };
        RigError { what: "opening the output lines".to_owned(), why: format!("{}: {error}", path.display()), todo: todo.to_owned() }
    })
}

/// Whether the registers can be mapped.
pub fn registers(root: &Root) -> Result<(), RigError> {
    bank(root).map(drop)
}

impl BoardOutput {
    /// Locks the lines and makes sure that nobody else is on them. Nothing is driven.
    ///
    /// # Errors
    /// Where the device is not there or not permitted, another run has the lock, or another program the lines.
    pub fn open(root: &Root, set: PinSet, path: Path, options: ScanOptions, settle: Duration, doing: &str) -> Result<Self, RigError> {
        if path == Path::Bank {
            drop(bank(root)?);
        }
        let lock = lock::take(root, doing, &set)?;
        let found = neighbours::look(root, Some(&set));
        if found.any() {
            return Err(RigError {
                what: "looking for others on the output lines".to_owned(),
                why: found.text(),
                todo: "stop that program first".to_owned(),
            });
        }
        tracing::info!(neighbours = %found.text(), "output lines are free");
        let (scanner, driven_by) = (Arc::default(), Arc::default());
        Ok(Self { root: root.clone(), set, path, options, settle, scanner, driven_by, _lock: lock })
    }

    fn scanner<T>(&self, what: &str, act: impl FnOnce(&Scanner) -> Result<T, RigError>) -> Result<T, RigError> {
        match &*self.scanner.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(scanner) => act(scanner),
            None => Err(RigError {
                what: what.to_owned(),
                why: "the output lines were not claimed".to_owned(),
                todo: "report this as a bug".to_owned(),
            }),
        }
    }
}

/// Claims the pins and closes them: OE high, all others low.
///
/// # Errors
/// Where a pin is not permitted or otherwise used.
pub fn claim(root: &Root, set: &PinSet, path: Path) -> Result<Wires, RigError> {
    // a tree of a test has registers in a file, but no pins to switch
    let pins = if root.is_system() { Some(Pins::claim(set)?) } else { None };
    let driver = match (path, pins) {
        (Path::PerPin, Some(pins)) => Driver::PerPin(pins),
        // dropping the pins leaves them as they are
        (_, _) => Driver::Bank(bank(root)?),
    };
    let wires = Wires::new(driver, set);
    wires.close();
    wires.rest();
    Ok(wires)
}

impl Output for BoardOutput {
    fn claim(&mut self) -> Result<(), RigError> {
        let wires = claim(&self.root, &self.set, self.path)?;
        let _ = self.driven_by.set(wires.path());
        let scanner = Scanner::start(Arc::new(wires), &self.options).map_err(|e| RigError {
            what: "starting the scan thread".to_owned(),
            why: e.to_string(),
            todo: "close other programs".to_owned(),
        })?;
        *self.scanner.lock().unwrap_or_else(PoisonError::into_inner) = Some(scanner);
        Ok(())
    }

    fn show(&mut self, program: &Arc<ScanProgram>) -> Result<(), RigError> {
        self.scanner("showing a frame", |s| s.show(program))?;
        // the supply's own regulation answers to the step
        std::thread::sleep(self.settle);
        Ok(())
    }

    fn blank(&mut self) -> Result<(), RigError> {
        match &*self.scanner.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(scanner) => scanner.blank(),
            // nothing was claimed, so nothing was lit by this program
            None => Ok(()),
        }
    }

    fn check(&mut self) -> Result<(), RigError> {
        self.scanner("clocking the panels", Scanner::check)
    }
}
