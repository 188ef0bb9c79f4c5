//! Pins through rppal: claimed, given their level, switched to output. Nothing else uses that library.

use crate::build::Build;
use crate::rig::RigError;
use rppal::gpio::{Bias, Error, Gpio, IoPin, Mode, OutputPin};
use std::sync::Mutex;

/// Which pins a build needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PinSet {
    /// Output enable: high is dark.
    pub oe: u8,
    /// All others; low is their resting level.
    pub others: Vec<u8>,
}

impl PinSet {
    /// The pins of a build's adapter: control lines and the data lines of all its ports.
    pub fn of(build: &Build) -> Self {
        let a = &build.adapter;
        let mut others = vec![a.clk, a.lat];
        others.extend(&a.address);
        for port in &a.ports {
            others.extend(port.data.iter().flatten());
        }
        Self { oe: a.oe, others }
    }
    /// The mask of OE.
    pub fn oe_mask(&self) -> u32 {
        1 << self.oe
    }
    /// The mask of all others.
    pub fn others_mask(&self) -> u32 {
        self.others.iter().fold(0, |m, &p| m | 1 << p)
    }
    /// All pins, OE first.
    pub fn all(&self) -> impl Iterator<Item = u8> + '_ {
        std::iter::once(self.oe).chain(self.others.iter().copied())
    }
}

/// Claimed pins. They stay as they are when this is dropped: a released OE may light a row.
#[derive(Debug)]
pub struct Pins {
    oe: Mutex<IoPin>,
    others: Mutex<Vec<OutputPin>>,
    set: PinSet,
}

fn trouble(error: &Error, doing: &str) -> RigError {
    let (why, todo) = match error {
        Error::PermissionDenied(path) => {
            (format!("no permission for {path}"), "add this user to the group that owns it (usually `gpio`) and log in again".to_owned())
        }
        Error::UnknownModel => (
            "this controller is not one that the pins are known for".to_owned(),
            "run on a controller of the BCM283x family or a later one of its line".to_owned(),
        ),
        Error::PinNotAvailable(pin) => (format!("GPIO {pin} is not there"), "correct the adapter's pins in the build file".to_owned()),
        Error::PinUsed(pin) => (format!("GPIO {pin} is claimed twice by this program"), "report this as a bug".to_owned()),
        other => (other.to_string(), "check that the kernel has the GPIO devices /dev/gpiomem and /dev/gpiochip0".to_owned()),
    };
    RigError { what: doing.to_owned(), why, todo }
}

impl Pins {
    /// Claims the pins. OE first: its level is preset high before it becomes an output, then its pull-up is set; only then do the
    /// others become outputs, each with its level preset low. No row can light meanwhile.
    ///
    /// # Errors
    /// Where a pin is not there, not permitted, or switched to another function of the chip.
    pub fn claim(set: &PinSet) -> Result<Self, RigError> {
        const DOING: &str = "claiming the output lines";
        let gpio = Gpio::new().map_err(|e| trouble(&e, DOING))?;
        let get = |pin: u8| gpio.get(pin).map_err(|e| trouble(&e, DOING));
        // looked at before anything is changed
        for pin in set.all() {
            let mode = get(pin)?.mode();
            if !matches!(mode, Mode::Input | Mode::Output | Mode::Null) {
                return Err(RigError {
                    what: DOING.to_owned(),
                    why: format!("GPIO {pin} is switched to another function of the chip ({mode:?}): a bus or a serial port uses it"),
                    todo: "switch that bus off in the controller's boot configuration, or move the line on the adapter".to_owned(),
                });
            }
        }
        let mut oe = get(set.oe)?.into_output_high();
        oe.set_reset_on_drop(false);
        drop(oe);
        let mut oe = get(set.oe)?.into_io(Mode::Output);
        oe.set_reset_on_drop(false);
        oe.set_bias(Bias::PullUp);
        let mut others = Vec::with_capacity(set.others.len());
        for &pin in &set.others {
            let mut line = get(pin)?.into_output_low();
            line.set_reset_on_drop(false);
            others.push(line);
        }
        Ok(Self { oe: Mutex::new(oe), others: Mutex::new(others), set: set.clone() })
    }

    /// Drives OE high; returns without waiting for the other lines.
    pub fn dark(&self) {
        self.oe.lock().unwrap_or_else(std::sync::PoisonError::into_inner).set_high();
    }

    /// One line after the other: clears, then sets.
    pub fn write(&self, clear: u32, set: u32) {
        let mut others = self.others.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let mut each = |mask: u32, high: bool| {
            if mask & self.set.oe_mask() != 0 {
                let mut oe = self.oe.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                if high { oe.set_high() } else { oe.set_low() }
            }
            if mask & !self.set.oe_mask() != 0 {
                for pin in others.iter_mut().filter(|p| mask >> p.pin() & 1 == 1) {
                    if high { pin.set_high() } else { pin.set_low() }
                }
            }
        };
        each(clear, false);
        each(set, true);
    }
}
