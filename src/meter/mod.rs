//! Converter chips, sampling and statistics.

pub mod ads1115;
pub mod decide;
pub mod iio;
pub mod ina219;
pub mod ina226;
pub mod ina228;
pub mod least_squares;
pub mod mcp3208;
pub mod robust;
pub mod sequential;
pub mod stats;
mod uncertainty;

pub use uncertainty::{SHUNT_TOLERANCE_PCT, point_uncertainty};

use crate::build::{Build, Chip, Quantity, SensePoint};
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{ErrorKind, I2c};
use embedded_hal::spi::SpiDevice;
use std::time::Duration;

/// A bus error as a reason for having no reading.
pub(crate) fn no_reading<E: embedded_hal::i2c::Error>(error: &E) -> NoReading {
    match error.kind() {
        ErrorKind::NoAcknowledge(_) => NoReading::NoAnswer,
        _ => NoReading::BusFault,
    }
}

/// Reads a 16-bit register, high byte first, as both chip families send it.
pub(crate) fn read_register<I: I2c>(bus: &mut I, address: u8, register: u8) -> Reading<u16> {
    let mut bytes = [0; 2];
    bus.write_read(address, &[register], &mut bytes).map_err(|e| no_reading(&e))?;
    Ok(u16::from_be_bytes(bytes))
}

/// Writes a 16-bit register, high byte first.
pub(crate) fn write_register<I: I2c>(bus: &mut I, address: u8, register: u8, value: u16) -> Reading<()> {
    let [high, low] = value.to_be_bytes();
    bus.write(address, &[register, high, low]).map_err(|e| no_reading(&e))
}

/// Resistance that the chip's input puts across the divider's bottom resistor, ohms.
pub fn input_ohm(chip: &Chip) -> f64 {
    match chip {
        Chip::Ads1115 { range_v, .. } => ads1115::input_ohm(*range_v),
        Chip::Ina219 { .. } => ina219::BUS_INPUT_OHM,
        Chip::Ina228 { .. } => ina228::BUS_INPUT_OHM,
        Chip::Mcp3208 { .. } => mcp3208::INPUT_OHM,
        Chip::Ina226 { .. } => ina226::BUS_INPUT_OHM,
        Chip::Iio { .. } => iio::INPUT_OHM,
    }
}

/// Volts (or amperes) at the sense point per volt at the chip's input, nominal parts.
pub fn scale(point: &SensePoint) -> f64 {
    if let (Quantity::Amps, Some(shunt)) = (point.quantity, point.chip.shunt_ohm()) {
        return 1.0 / shunt;
    }
    point.divider.map_or(1.0, |d| {
        let input = input_ohm(&point.chip);
        let bottom = d.bottom.value() * input / (d.bottom.value() + input);
        (d.top.value() + bottom) / bottom
    })
}

/// The converters of a build behind their buses; the same on every rig.
pub struct Converters<I, D, F = iio::NoFiles, S = NoSpi> {
    points: Vec<SensePoint>,
    scales: Vec<f64>,
    buses: Vec<(u8, I)>,
    delay: D,
    files: F,
    /// By bus and chip select.
    spi: Vec<((u8, u8), S)>,
}

/// No SPI device at all.
pub enum NoSpi {}

impl embedded_hal::spi::ErrorType for NoSpi {
    type Error = std::convert::Infallible;
}

impl SpiDevice for NoSpi {
    fn transaction(&mut self, _: &mut [embedded_hal::spi::Operation<'_, u8>]) -> Result<(), Self::Error> {
        match *self {}
    }
}

impl<I: I2c, D: DelayNs> Converters<I, D> {
    /// `buses` are pairs of bus number and bus; a point on a bus that is not given has no reading.
    pub fn new(build: &Build, buses: Vec<(u8, I)>, delay: D) -> Self {
        Self {
            points: build.sense.clone(),
            scales: build.sense.iter().map(scale).collect(),
            buses,
            delay,
            files: iio::NoFiles,
            spi: Vec::new(),
        }
    }
}

impl<I: I2c, D: DelayNs, F: iio::Files, S: SpiDevice> Converters<I, D, F, S> {
    /// With the kernel's files behind the points of kind `iio`.
    pub fn with_files<G: iio::Files>(self, files: G) -> Converters<I, D, G, S> {
        Converters { points: self.points, scales: self.scales, buses: self.buses, delay: self.delay, files, spi: self.spi }
    }
    /// With SPI devices, each with its bus and chip select.
    pub fn with_spi<T: SpiDevice>(self, spi: Vec<((u8, u8), T)>) -> Converters<I, D, F, T> {
        Converters { points: self.points, scales: self.scales, buses: self.buses, delay: self.delay, files: self.files, spi }
    }

    /// Checks that the named chip is what answers. Text for the record, e.g. `ads1115 at 0x48 on bus 1`.
    pub fn identify(&mut self, point: usize) -> Reading<String> {
        let p = self.points.get(point).ok_or(NoReading::NotPresent)?;
        match p.chip {
            Chip::Ads1115 { part, bus, address, channel, range_v, .. } => {
                ads1115::identify(find(&mut self.buses, bus)?, address, ads1115::Input { part, channel, range_v })?;
            }
            Chip::Ina219 { bus, address, .. } => ina219::identify(find(&mut self.buses, bus)?, address)?,
            Chip::Ina228 { bus, address, .. } => ina228::identify(find(&mut self.buses, bus)?, address)?,
            Chip::Mcp3208 { bus, select, channel, .. } => mcp3208::identify(find(&mut self.spi, (bus, select))?, channel)?,
            Chip::Ina226 { bus, address, .. } => ina226::identify(find(&mut self.buses, bus)?, address)?,
            Chip::Iio { .. } => return Ok(format!("{} ({})", p.chip.described(), self.files.identify(point, &p.chip)?)),
        }
        Ok(p.chip.described())
    }

    /// One conversion, scaled to volts, amperes or degrees at the sense point.
    pub fn read(&mut self, point: usize) -> Reading<f64> {
        let p = self.points.get(point).ok_or(NoReading::NotPresent)?;
        let value = match (&p.chip, p.quantity) {
            (&Chip::Ads1115 { part, bus, address, channel, range_v, .. }, Quantity::Volts) => {
                let bus = find(&mut self.buses, bus)?;
                ads1115::read(bus, &mut self.delay, address, ads1115::Input { part, channel, range_v })?
            }
            (Chip::Ina219 { bus, address, .. }, Quantity::Volts) => {
                ina219::read_bus_v(find(&mut self.buses, *bus)?, &mut self.delay, *address)?
            }
            (Chip::Ina219 { bus, address, shunt_ohm: Some(_) }, Quantity::Amps) => {
                ina219::read_shunt_v(find(&mut self.buses, *bus)?, &mut self.delay, *address)?
            }
            (Chip::Ina228 { bus, address, .. }, Quantity::Volts) => {
                ina228::read_bus_v(find(&mut self.buses, *bus)?, &mut self.delay, *address)?
            }
            (Chip::Ina228 { bus, address, shunt_ohm: Some(_) }, Quantity::Amps) => {
                ina228::read_shunt_v(find(&mut self.buses, *bus)?, &mut self.delay, *address)?
            }
            (&Chip::Mcp3208 { bus, select, channel, reference_v, .. }, Quantity::Volts) => {
                mcp3208::read(find(&mut self.spi, (bus, select))?, channel, reference_v)?
            }
            (Chip::Ina226 { bus, address, .. }, Quantity::Volts) => {
                let bus = find(&mut self.buses, *bus)?;
                f64::from(ina226::read_bus_uv(bus, &mut self.delay, *address, ina226::Setup::DEFAULT)?) * 1e-6
            }
            (Chip::Ina226 { bus, address, shunt_ohm: Some(_) }, Quantity::Amps) => {
                let bus = find(&mut self.buses, *bus)?;
                f64::from(ina226::read_shunt_nv(bus, &mut self.delay, *address, ina226::Setup::DEFAULT)?) * 1e-9
            }
            (Chip::Iio { highest, .. }, _) => iio::within(self.files.read(point, &p.chip)?, *highest)?,
            // Amperes through a plain converter, and temperatures, have no conversion in the build model.
            _ => return Err(NoReading::NotPresent),
        };
        Ok(value * self.scales[point])
    }

    /// Nominal time of one [`Self::read`]: conversion and its transactions at 400 kHz.
    pub fn read_time(&self, point: usize) -> Duration {
        let conversion = |wait_ns: u32| Duration::from_nanos(u64::from(wait_ns) + 320_000);
        match self.points.get(point).map(|p| &p.chip) {
            Some(&Chip::Ads1115 { part, channel, range_v, .. }) => conversion(ads1115::Input { part, channel, range_v }.wait_ns()),
            Some(Chip::Ina219 { .. }) => conversion(ina219::WAIT_NS),
            Some(Chip::Ina226 { .. }) => conversion(ina226::Setup::DEFAULT.wait_ns(ina226::Input::Bus)),
            Some(Chip::Ina228 { .. }) => conversion(ina228::WAIT_NS),
            Some(Chip::Mcp3208 { .. }) => mcp3208::READ_TIME,
            Some(Chip::Iio { .. }) => iio::READ_TIME,
            None => Duration::ZERO,
        }
    }
}

fn find<K: Copy + PartialEq, I>(buses: &mut [(K, I)], number: K) -> Reading<&mut I> {
    buses.iter_mut().find(|(n, _)| *n == number).map(|(_, bus)| bus).ok_or(NoReading::NotPresent)
}
