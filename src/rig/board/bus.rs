//! An I²C bus of the kernel with its errors sorted and one recovery.

use super::root::Root;
use crate::rig::RigError;
use embedded_hal::i2c::{Error as _, ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};
use linux_embedded_hal::I2cdev;
use linux_embedded_hal::i2cdev::linux::LinuxI2CError;
use std::path::PathBuf;

/// EREMOTEIO: what the kernel's drivers of this family report where no chip acknowledges (kernel documentation, I²C fault codes).
const REMOTE_IO: i32 = 121;

/// An open bus.
pub struct BoardBus {
    path: PathBuf,
    /// Opened at the first transaction, and again after a fault.
    device: Option<I2cdev>,
}

impl BoardBus {
    /// Opens bus `number`.
    ///
    /// # Errors
    /// Where the kernel has no such bus, or it may not be used.
    pub fn open(root: &Root, number: u8) -> Result<Self, RigError> {
        let path = root.at(&format!("/dev/i2c-{number}"));
        let opened = std::fs::OpenOptions::new().read(true).write(true).open(&path);
        let refuse = |why: String, todo: String| RigError { what: format!("opening I²C bus {number}"), why, todo };
        if let Err(error) = opened {
            let todo = match error.kind() {
                std::io::ErrorKind::NotFound if number == 1 => {
                    "enable it in the controller's boot configuration (`dtparam=i2c_arm=on`), load the module `i2c-dev`, and restart"
                        .to_owned()
                }
                std::io::ErrorKind::NotFound => format!(
                    "enable it in the controller's boot configuration (`dtoverlay=i2c{number}`), load the module `i2c-dev`, and restart"
                ),
                _ => "add this user to the group that owns it (usually `i2c`) and log in again".to_owned(),
            };
            return Err(refuse(format!("{}: {error}", path.display()), todo));
        }
        Ok(Self { path, device: None })
    }

    fn once(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        let device = match self.device.take() {
            Some(device) => device,
            None => I2cdev::new(&self.path).map_err(|_| BusError(ErrorKind::Bus))?,
        };
        I2c::<u8>::transaction(self.device.insert(device), address, operations).map_err(BusError::from)
    }
}

/// An error by its kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BusError(ErrorKind);

impl embedded_hal::i2c::Error for BusError {
    fn kind(&self) -> ErrorKind {
        self.0
    }
}

impl From<linux_embedded_hal::I2CError> for BusError {
    fn from(error: linux_embedded_hal::I2CError) -> Self {
        let number = match error.inner() {
            LinuxI2CError::Errno(number) => Some(*number),
            LinuxI2CError::Io(error) => error.raw_os_error(),
        };
        if number == Some(REMOTE_IO) {
            return Self(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Unknown));
        }
        Self(error.kind())
    }
}

impl ErrorType for BoardBus {
    type Error = BusError;
}

impl I2c for BoardBus {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        let first = self.once(address, operations);
        match first {
            // a chip that does not answer is no fault of the bus
            Ok(()) | Err(BusError(ErrorKind::NoAcknowledge(_))) => first,
            Err(_) => {
                // once, with a new handle: the kernel's driver clears a bus that a chip holds low where it can
                self.device = None;
                self.once(address, operations)
            }
        }
    }
}
