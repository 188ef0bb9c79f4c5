//! SPI devices of the kernel.

use super::root::Root;
use crate::build::Build;
use crate::meter::mcp3208::CLOCK_HZ;
use crate::rig::RigError;
use linux_embedded_hal::SpidevDevice;
use linux_embedded_hal::spidev::{SpiModeFlags, SpidevOptions};

/// A device with its bus and chip select.
pub(super) type Selected = ((u8, u8), SpidevDevice);

/// Opens those that the build's converters are on.
///
/// # Errors
/// Where the kernel has no such device, or it may not be used.
pub(super) fn open_all(root: &Root, build: &Build) -> Result<Vec<Selected>, RigError> {
    build.selects().into_iter().map(|at| open(root, at)).collect()
}

/// Opens one.
///
/// # Errors
/// As [`open_all`].
pub(super) fn open(root: &Root, (bus, select): (u8, u8)) -> Result<Selected, RigError> {
    let path = root.at(&format!("/dev/spidev{bus}.{select}"));
    let refuse = |error: std::io::Error| RigError {
        what: format!("opening SPI bus {bus}, chip select {select}"),
        why: format!("{}: {error}", path.display()),
        todo: match (error.kind(), bus) {
            (std::io::ErrorKind::NotFound, 0) => {
                "enable it in the controller's boot configuration (`dtparam=spi=on`) and restart".to_owned()
            }
            (std::io::ErrorKind::NotFound, _) => {
                format!("enable it in the controller's boot configuration (`dtoverlay=spi{bus}-{}cs`) and restart", select + 1)
            }
            _ => "add this user to the group that owns it (usually `spi`) and log in again".to_owned(),
        },
    };
    // the device's own error does not tell what kind it is
    std::fs::OpenOptions::new().read(true).write(true).open(&path).map_err(refuse)?;
    let mut device = SpidevDevice::open(&path).map_err(|e| refuse(std::io::Error::other(e.to_string())))?;
    let options = SpidevOptions::new().bits_per_word(8).max_speed_hz(CLOCK_HZ).mode(SpiModeFlags::SPI_MODE_0).build();
    device.configure(&options).map_err(refuse)?;
    Ok(((bus, select), device))
}
