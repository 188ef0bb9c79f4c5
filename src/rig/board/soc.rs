//! Which controller this is, and what follows from that for the output lines.

use super::root::Root;

/// How lines are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Path {
    /// Set and clear registers, mapped: all lines of a mask at once.
    Bank,
    /// One line after the other, for boards with another register layout.
    PerPin,
}

/// A family of chips of single-board controllers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Soc {
    /// Name in the device tree, e.g. `bcm2837`.
    pub name: &'static str,
    /// How its lines are written where nothing else is asked for.
    pub path: Path,
    /// Least time per word as a multiple of the panel's pulse. Register writes are posted: a faster core may bunch them on their way
    /// to the pins. The later chip gets a reserve (common practice, no source; to be confirmed with an oscilloscope).
    pub stretch: f64,
}

/// The chips whose register layout is known (BCM2835 ARM Peripherals, section 6.1; the BCM2711 keeps the set, clear and
/// function-select registers, BCM2711 ARM Peripherals, section 5.2).
const KNOWN: [Soc; 5] = [
    Soc { name: "bcm2835", path: Path::Bank, stretch: 1.0 },
    Soc { name: "bcm2836", path: Path::Bank, stretch: 1.0 },
    Soc { name: "bcm2837", path: Path::Bank, stretch: 1.0 },
    Soc { name: "bcm2711", path: Path::Bank, stretch: 1.5 },
    // its header is behind another chip with registers of its own
    Soc { name: "bcm2712", path: Path::PerPin, stretch: 1.0 },
];

/// The chip of this board by its device tree.
pub fn identify(root: &Root) -> Option<Soc> {
    let compatible = root.text("/proc/device-tree/compatible").or_else(|| root.text("/sys/firmware/devicetree/base/compatible"))?;
    compatible.split('\0').find_map(|word| KNOWN.into_iter().find(|soc| word.ends_with(&format!(",{}", soc.name))))
}
