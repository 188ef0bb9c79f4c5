//! The dictionary of faults: what can be wrong with a sign, and where. The judge names findings with
//! these kinds, the simulator makes them happen, coverage counts them.

use crate::build::{Colour, Half};
use serde::{Deserialize, Serialize};

/// A line of the panel interface, counted at the connector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
#[allow(missing_docs, reason = "the variants are the signal names of the connector")]
pub enum Line {
    R1,
    G1,
    B1,
    R2,
    G2,
    B2,
    Clk,
    Lat,
    Oe,
    A,
    B,
    C,
    D,
    E,
}

impl Line {
    /// Every line in connector order.
    pub const ALL: [Self; 14] = [
        Self::R1,
        Self::G1,
        Self::B1,
        Self::R2,
        Self::G2,
        Self::B2,
        Self::Clk,
        Self::Lat,
        Self::Oe,
        Self::A,
        Self::B,
        Self::C,
        Self::D,
        Self::E,
    ];
    /// Signal name, e.g. `R1` or `CLK`.
    pub const fn word(self) -> &'static str {
        ["R1", "G1", "B1", "R2", "G2", "B2", "CLK", "LAT", "OE", "A", "B", "C", "D", "E"][self as usize]
    }
    /// The data line of a half and colour.
    pub const fn data(half: Half, colour: Colour) -> Self {
        Self::ALL[half.index() * 3 + colour.index()]
    }
    /// The address line of a bit, 0 = A.
    pub const fn address(bit: usize) -> Self {
        Self::ALL[9 + bit]
    }
    /// Half and colour of a data line.
    pub fn half_colour(self) -> Option<(Half, Colour)> {
        let i = self as usize;
        (i < 6).then(|| (Half::ALL[i / 3], Colour::ALL[i % 3]))
    }
    /// Bit number of an address line.
    pub fn address_bit(self) -> Option<usize> {
        (self as usize).checked_sub(9)
    }
}

/// One fault of a sign. Supplies, feeds and sense points by index into the build; ports and positions
/// by number.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "each variant's fields are the place and magnitude that its doc names")]
pub enum Fault {
    /// The supply's output is set to other volts.
    SupplySet { supply: usize, volts: f64 },
    /// The supply's source resistance is higher by this.
    SupplySoft { supply: usize, milliohm: f64 },
    /// The supply limits at this current.
    SupplyLimit { supply: usize, amps: f64 },
    /// Added contact resistance in a feed's out conductor.
    JointFeed { feed: usize, milliohm: f64 },
    /// Added contact resistance in a supply's input lead.
    JointInput { supply: usize, milliohm: f64 },
    /// A fuse is open.
    FuseOpen { feed: usize },
    /// A leak across a feed's end (moisture, a strand): amperes at 5 V.
    Leak { feed: usize, amps: f64 },
    /// A panel that lights nothing and draws nothing.
    PanelDark { port: u8, position: u8 },
    /// A panel that draws this factor of its lit current.
    PanelWeak { port: u8, position: u8, factor: f64 },
    /// A panel mounted turned clockwise by this.
    PanelTurned { port: u8, position: u8, degrees: u16 },
    /// The ribbons of two ports exchanged.
    PortSwap { ports: [u8; 2] },
    /// Two panels of a chain connected in each other's place.
    OrderSwap { port: u8, positions: [u8; 2] },
    /// The ribbon behind a position (0 = at the port) is open.
    RibbonOpen { port: u8, after: u8 },
    /// One line open behind a position.
    LineOpen { port: u8, line: Line, after: u8 },
    /// Two lines exchanged behind a position.
    LinesSwapped { port: u8, lines: [Line; 2], after: u8 },
    /// Two lines shorted behind a position.
    LinesShorted { port: u8, lines: [Line; 2], after: u8 },
    /// An address line of the adapter stuck.
    AddressStuck { line: Line, high: bool },
    /// One driver chip dead: columns `16·block` to `16·block + 15` of a half and colour.
    DriverDead { port: u8, position: u8, colour: Colour, half: Half, block: u16 },
    /// One column of a half and colour dead.
    ColumnDead { port: u8, position: u8, colour: Colour, half: Half, column: u16 },
    /// One row dead.
    RowDead { port: u8, position: u8, row: u16 },
    /// A feed's return conductor open.
    ReturnOpen { feed: usize },
    /// A sense point's converter does not answer.
    ConverterSilent { sense: usize },
    /// A sense point's converter repeats its last value.
    ConverterStuck { sense: usize },
    /// A sense point reads off by this.
    ConverterOffset { sense: usize, millivolt: f64 },
    /// A divider's ratio is off by this.
    DividerOff { sense: usize, percent: f64 },
}

impl Fault {
    /// Every kind word of the dictionary, as used in scenario files and findings.
    pub const KINDS: [&'static str; 24] = [
        "supply-set",
        "supply-soft",
        "supply-limit",
        "joint",
        "fuse-open",
        "leak",
        "panel-dark",
        "panel-weak",
        "panel-turned",
        "port-swap",
        "order-swap",
        "ribbon-open",
        "line-open",
        "lines-swapped",
        "lines-shorted",
        "address-stuck",
        "driver-dead",
        "column-dead",
        "row-dead",
        "return-open",
        "converter-silent",
        "converter-stuck",
        "converter-offset",
        "divider-off",
    ];

    /// The kind word.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::SupplySet { .. } => "supply-set",
            Self::SupplySoft { .. } => "supply-soft",
            Self::SupplyLimit { .. } => "supply-limit",
            Self::JointFeed { .. } | Self::JointInput { .. } => "joint",
            Self::FuseOpen { .. } => "fuse-open",
            Self::Leak { .. } => "leak",
            Self::PanelDark { .. } => "panel-dark",
            Self::PanelWeak { .. } => "panel-weak",
            Self::PanelTurned { .. } => "panel-turned",
            Self::PortSwap { .. } => "port-swap",
            Self::OrderSwap { .. } => "order-swap",
            Self::RibbonOpen { .. } => "ribbon-open",
            Self::LineOpen { .. } => "line-open",
            Self::LinesSwapped { .. } => "lines-swapped",
            Self::LinesShorted { .. } => "lines-shorted",
            Self::AddressStuck { .. } => "address-stuck",
            Self::DriverDead { .. } => "driver-dead",
            Self::ColumnDead { .. } => "column-dead",
            Self::RowDead { .. } => "row-dead",
            Self::ReturnOpen { .. } => "return-open",
            Self::ConverterSilent { .. } => "converter-silent",
            Self::ConverterStuck { .. } => "converter-stuck",
            Self::ConverterOffset { .. } => "converter-offset",
            Self::DividerOff { .. } => "divider-off",
        }
    }
}
