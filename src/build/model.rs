//! The checked expected build. Everything that holds a [`Build`] may rely on what the checks of
//! `build::load` guarantee: names resolve, panels do not overlap, pins are distinct.
//!
//! Panels, feeds, supplies and sense points are referred to by their index in the vectors here.

use crate::units::{Amps, Ohms, Volts};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One of the three colours of a pixel, in the order of the data lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Colour {
    /// Red.
    Red,
    /// Green.
    Green,
    /// Blue.
    Blue,
}

impl Colour {
    /// All colours in data-line order.
    pub const ALL: [Self; 3] = [Self::Red, Self::Green, Self::Blue];
    /// 0 red, 1 green, 2 blue.
    pub const fn index(self) -> usize {
        self as usize
    }
    /// Lower-case word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Red => "red",
            Self::Green => "green",
            Self::Blue => "blue",
        }
    }
}

/// Upper or lower data lines of a panel (R1 G1 B1 or R2 G2 B2), in the panel's own frame, arrow up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Half {
    /// Rows fed by R1 G1 B1.
    Upper,
    /// Rows fed by R2 G2 B2.
    Lower,
}

impl Half {
    /// Both halves.
    pub const ALL: [Self; 2] = [Self::Upper, Self::Lower];
    /// 0 upper, 1 lower.
    pub const fn index(self) -> usize {
        self as usize
    }
    /// Lower-case word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Upper => "upper",
            Self::Lower => "lower",
        }
    }
}

/// Where a panel's arrow points on the wall, seen from the front; also the edge names of a panel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Up {
    /// Upright.
    Up,
    /// Arrow to the right: turned 90° clockwise seen from the front.
    Right,
    /// Upside down.
    Down,
    /// Arrow to the left: turned 270° clockwise seen from the front.
    Left,
}

impl Up {
    /// Clockwise turn seen from the front, in degrees.
    pub const fn degrees(self) -> u16 {
        match self {
            Self::Up => 0,
            Self::Right => 90,
            Self::Down => 180,
            Self::Left => 270,
        }
    }
    /// Lower-case word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Right => "right",
            Self::Down => "down",
            Self::Left => "left",
        }
    }
    /// The orientation with this many quarter turns clockwise added.
    pub const fn turned(self, quarter_turns: u16) -> Self {
        match (self.degrees() / 90 + quarter_turns) % 4 {
            0 => Self::Up,
            1 => Self::Right,
            2 => Self::Down,
            _ => Self::Left,
        }
    }
}

/// Data input edge of a panel, seen from the front with its arrow up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum InputSide {
    /// Data enters at the left edge.
    Left,
    /// Data enters at the right edge.
    Right,
}

/// How the rows of a panel are multiplexed.
///
/// A half of the panel has `height / 2 = addresses · fold` rows. With `fold` 1 each address selects
/// one row of each half. With `fold` k each address lights k rows of each half at once, and the shift
/// register of a data line is `width · k` stages long; [`RowScheme::order`] and
/// [`RowScheme::block`] say which stage serves which row and column.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RowScheme {
    /// Number of row addresses: 4, 8, 16 or 32.
    pub addresses: u16,
    /// Rows per half lit at once.
    pub fold: u16,
    /// Number of neighbouring columns that are served before the stages go on to the next segment
    /// (equal to the panel's width where segments follow one another whole).
    pub block: u16,
    /// For each group of `fold · block` stages, counted from the data input: which segment (0 = top
    /// `addresses` rows of the half) each run of `block` stages serves, and whether the run is
    /// mirrored. Length `fold`.
    pub order: Vec<FoldRun>,
}

/// One run of stages of a folded row scheme.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FoldRun {
    /// 0 = the top `addresses` rows of the half, 1 = the next.
    pub segment: u16,
    /// Columns of the run in the opposite direction.
    #[serde(default)]
    pub mirrored: bool,
}

impl RowScheme {
    /// A scheme without folding for a panel of this many addresses and width.
    pub fn plain(addresses: u16, width: u16) -> Self {
        Self { addresses, fold: 1, block: width, order: vec![FoldRun { segment: 0, mirrored: false }] }
    }
    /// Address lines needed: 2 for 4 addresses up to 5 for 32.
    pub const fn address_lines(&self) -> u32 {
        self.addresses.trailing_zeros()
    }
}

/// Electric and geometric data of one kind of panel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PanelType {
    /// Its key in the build file.
    pub name: String,
    /// Pixels, arrow up.
    pub width: u16,
    /// Pixels, arrow up; even.
    pub height: u16,
    /// Distance of pixels in millimetres.
    pub pitch_mm: f64,
    /// Row multiplexing.
    pub scheme: RowScheme,
    /// Data input edge, from the front, arrow up.
    pub input_side: InputSide,
    /// Lowest volts at its own power connector.
    pub min_v: Volts,
    /// Current with everything dark.
    pub idle_a: Amps,
    /// Additional current with one colour of the whole panel lit, by [`Colour::index`].
    pub full_a: [Amps; 3],
    /// Tolerance of `full_a` (two standard deviations), percent.
    pub tolerance_pct: f64,
    /// Volts below which a colour's current falls, by [`Colour::index`].
    pub knee_v: [Volts; 3],
    /// Panel shift clock limit in MHz.
    pub clock_mhz: f64,
    /// Words to send to driver chips that need them at start-up, in order; each is one register word
    /// shifted into every chip of 16 outputs, latched over the given number of clocks.
    pub startup: Vec<StartupWord>,
    /// Maker, free text.
    pub maker: Option<String>,
    /// Batch, free text.
    pub batch: Option<String>,
}

impl PanelType {
    /// Outputs of one driver chip: the width of a block in the sweep.
    pub const DRIVER_OUTPUTS: u16 = 16;

    /// Stages of each data line's shift register.
    pub fn stages(&self) -> usize {
        usize::from(self.width) * usize::from(self.scheme.fold)
    }
    /// Current of the whole panel at full white, idle included.
    pub fn white_a(&self) -> Amps {
        self.idle_a + self.full_a[0] + self.full_a[1] + self.full_a[2]
    }
}

/// A word that some driver chips need before they light anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StartupWord {
    /// The 16-bit word.
    pub word: u16,
    /// LAT is held high over the last this many clocks.
    pub latch_clocks: u8,
}

/// What a lead is made of.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Conductor {
    /// Fine-stranded copper of this nominal area in mm² (IEC 60228 class 5).
    Mm2(f64),
    /// American wire gauge number (ASTM B258).
    Awg(u8),
}

/// A pair of conductors, out and return.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Lead {
    /// Cross-section.
    pub conductor: Conductor,
    /// One-way length in metres.
    pub length_m: f64,
    /// Ampacity from its maker, if given.
    pub rated_a: Option<Amps>,
    /// Contact resistance of all its joints, out and return together.
    pub joints: Ohms,
}

/// A 5 V source with its fused distribution.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Supply {
    /// Its key in the build file.
    pub name: String,
    /// Output volts it is to be set to, unloaded.
    pub set_v: Volts,
    /// Rated current.
    pub rated_a: Amps,
    /// Accepted window at its terminals, low and high.
    pub accept_v: [Volts; 2],
    /// Internal resistance (load regulation).
    pub source: Ohms,
    /// Current at which it limits, as a multiple of `rated_a`.
    pub limit_factor: f64,
    /// Ambient temperature above which it derates.
    pub derate_from_c: f64,
    /// Percent of `rated_a` per kelvin above `derate_from_c`.
    pub derate_pct_per_k: f64,
    /// From the supply to the distribution.
    pub input_lead: Lead,
    /// Maker and model, free text.
    pub maker: Option<String>,
}

/// One fused output of a distribution and the lead behind it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Feed {
    /// Its key in the build file.
    pub name: String,
    /// Index into [`Build::supplies`].
    pub supply: usize,
    /// Fuse rating.
    pub fuse_a: Amps,
    /// Fuse resistance, cold, holder included, if the build states it.
    pub fuse_ohm: Option<Ohms>,
    /// Lead to its panels or to the controller.
    pub lead: Lead,
}

/// The single-board computer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Controller {
    /// Free text.
    pub model: String,
    /// Index into [`Build::feeds`].
    pub feed: usize,
    /// Greatest steady current it takes at 5 V.
    pub draw_a: Amps,
    /// Volts below which it is not reliable.
    pub min_v: Volts,
}

/// Input logic of the adapter's buffers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub enum Buffer {
    /// TTL-compatible inputs (V_IH 2.0 V): right for 3.3 V logic.
    #[serde(rename = "HCT")]
    Hct,
    /// CMOS inputs (V_IH 3.5 V at 5 V): out of specification from 3.3 V logic.
    #[serde(rename = "HC")]
    Hc,
    /// No buffer.
    #[serde(rename = "none")]
    None,
}

/// A shared control line of the adapter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Control {
    /// Shift clock.
    Clk,
    /// Latch.
    Lat,
    /// Output enable, low = lit.
    Oe,
    /// Row address bit 0.
    A,
    /// Row address bit 1.
    B,
    /// Row address bit 2.
    C,
    /// Row address bit 3.
    D,
    /// Row address bit 4.
    E,
}

/// GPIO numbers (BCM, 0–27) of one port's data lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct PortPins {
    /// Port number as printed on the adapter, from 1.
    pub port: u8,
    /// `[half][colour]`: R1 G1 B1, R2 G2 B2.
    pub data: [[u8; 3]; 2],
}

/// The board that takes the controller's GPIO lines to the ports.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Adapter {
    /// Free text.
    pub model: String,
    /// Input logic.
    pub buffer: Buffer,
    /// An external resistor pulls OE up (dark) while the controller boots.
    pub oe_pull_up: bool,
    /// Shift clock pin.
    pub clk: u8,
    /// Latch pin.
    pub lat: u8,
    /// Output-enable pin.
    pub oe: u8,
    /// Address pins A, B, C, D, E as many as there are (2 to 5).
    pub address: Vec<u8>,
    /// Ports, ordered by number.
    pub ports: Vec<PortPins>,
}

impl Adapter {
    /// Every pin the adapter uses with the name of its line, e.g. `("port 1 R1", 10)`.
    pub fn pins(&self) -> Vec<(String, u8)> {
        let mut out = vec![("CLK".to_owned(), self.clk), ("LAT".to_owned(), self.lat), ("OE".to_owned(), self.oe)];
        for (i, &pin) in self.address.iter().enumerate() {
            out.push((["A", "B", "C", "D", "E"][i].to_owned(), pin));
        }
        for p in &self.ports {
            for half in Half::ALL {
                for colour in Colour::ALL {
                    let letter = ["R", "G", "B"][colour.index()];
                    out.push((format!("port {} {letter}{}", p.port, half.index() + 1), p.data[half.index()][colour.index()]));
                }
            }
        }
        out
    }
}

/// One panel as placed, in chain order.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Panel {
    /// Port of its chain.
    pub port: u8,
    /// Position in its chain, from 1 nearest the port.
    pub position: u8,
    /// Index into [`Build::panel_types`].
    pub kind: usize,
    /// Top-left corner in wall pixels, front view.
    pub at: [u16; 2],
    /// Where its arrow points.
    pub up: Up,
    /// Index into [`Build::feeds`].
    pub feed: usize,
    /// Serial number, if known.
    pub serial: Option<String>,
    /// Length of the ribbon from the port or the panel before, metres.
    pub ribbon_m: f64,
}

/// The panels daisy-chained on one port.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Chain {
    /// Port number.
    pub port: u8,
    /// Indices into [`Build::panels`], position 1 first.
    pub panels: Vec<usize>,
}

/// A point of the network at which volts can be sensed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Node {
    /// Terminals of a supply (index).
    Supply(usize),
    /// Fused distribution of a supply (index).
    Distribution(usize),
    /// Far end of a feed's lead (index).
    FeedEnd(usize),
    /// Power connector of a panel (index).
    Panel(usize),
    /// Power input of the controller.
    Controller,
}

/// What a sense point measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Quantity {
    /// Volts between a node's + and the reference node's −.
    Volts,
    /// Amperes through the place that the node names (supply: its input lead; feed end: its lead).
    Amps,
    /// Ambient temperature.
    Celsius,
}

/// One chip of the ADS111x and ADS101x families.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum AdsPart {
    /// 12 bits, one input, ±2.048 V.
    Ads1013,
    /// 12 bits, one input, ranges.
    Ads1014,
    /// 12 bits, four inputs, ranges.
    Ads1015,
    /// 16 bits, one input, ±2.048 V.
    Ads1113,
    /// 16 bits, one input, ranges.
    Ads1114,
    /// 16 bits, four inputs, ranges.
    #[default]
    Ads1115,
}

impl AdsPart {
    /// The `kind` words with what they mean.
    const WORDS: [(&'static str, Self); 6] = [
        ("ads1013", Self::Ads1013),
        ("ads1014", Self::Ads1014),
        ("ads1015", Self::Ads1015),
        ("ads1113", Self::Ads1113),
        ("ads1114", Self::Ads1114),
        ("ads1115", Self::Ads1115),
    ];
    /// By its word in the build file.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::WORDS.into_iter().find(|(w, _)| *w == word).map(|(_, part)| part)
    }
    /// Its word in the build file.
    pub const fn word(self) -> &'static str {
        Self::WORDS[self as usize].0
    }
    /// Bits of a result.
    pub const fn bits(self) -> u32 {
        if matches!(self, Self::Ads1013 | Self::Ads1014 | Self::Ads1015) { 12 } else { 16 }
    }
    /// Whether it selects between four inputs.
    pub const fn selects(self) -> bool {
        matches!(self, Self::Ads1015 | Self::Ads1115)
    }
    /// Whether its range can be chosen.
    pub const fn has_ranges(self) -> bool {
        !matches!(self, Self::Ads1013 | Self::Ads1113)
    }
    fn is_ads1115(&self) -> bool {
        *self == Self::Ads1115
    }
}

/// The converter chip behind a sense point.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Chip {
    /// I²C converter of the families ADS111x, 16 bits (TI SBAS444), and ADS101x, 12 bits (TI SBAS473).
    Ads1115 {
        /// Which of them.
        #[serde(skip_serializing_if = "AdsPart::is_ads1115")]
        part: AdsPart,
        /// I²C bus number.
        bus: u8,
        /// 7-bit address, 0x48 to 0x4b.
        address: u8,
        /// Input 0 to 3, against ground.
        channel: u8,
        /// Full scale: 0.256, 0.512, 1.024, 2.048, 4.096 or 6.144 V.
        range_v: f64,
        /// Its own supply volts: no input may exceed it by more than 0.3 V.
        supply_v: f64,
    },
    /// I²C power monitor of the INA226 family (TI SBOS547).
    Ina226 {
        /// I²C bus number.
        bus: u8,
        /// 7-bit address, 0x40 to 0x4f.
        address: u8,
        /// Shunt resistance; needed for amps.
        shunt_ohm: Option<f64>,
    },
    /// I²C power monitor INA219, 12 bits (TI SBOS448).
    Ina219 {
        /// I²C bus number.
        bus: u8,
        /// 7-bit address, 0x40 to 0x4f.
        address: u8,
        /// Shunt resistance; needed for amps.
        shunt_ohm: Option<f64>,
    },
    /// I²C power monitor INA228, 20 bits (TI SLYS021).
    Ina228 {
        /// I²C bus number.
        bus: u8,
        /// 7-bit address, 0x40 to 0x4f.
        address: u8,
        /// Shunt resistance; needed for amps.
        shunt_ohm: Option<f64>,
    },
    /// 12-bit SPI converter MCP3208 (Microchip DS21298).
    Mcp3208 {
        /// SPI bus number.
        bus: u8,
        /// Its chip select.
        select: u8,
        /// Input 0 to 7, against ground.
        channel: u8,
        /// Volts of its reference: full scale.
        reference_v: f64,
        /// Limits of the reference, percent.
        accuracy_pct: f64,
        /// Its own supply volts: no input may exceed it by more than 0.6 V.
        supply_v: f64,
    },
    /// A channel that a driver of the kernel reads and gives as a file below `/sys` (its IIO or hwmon interface).
    Iio {
        /// What the device's `name` file says, or the folder's own name such as `iio:device0` or `hwmon2`.
        device: String,
        /// Channel as the file's name has it: `voltage0`, `current1`, `temp` (IIO), `in1`, `curr1`, `temp1` (hwmon).
        file: String,
        /// Smallest step at the chip's input: volts, amperes or degrees Celsius.
        step: f64,
        /// Limits of its gain, percent of the reading.
        accuracy_pct: f64,
        /// Highest value that it can read: volts, amperes or degrees Celsius.
        highest: Option<f64>,
    },
}

impl Chip {
    /// I²C bus and address, where it is on one.
    pub const fn place(&self) -> Option<(u8, u8)> {
        match self {
            Self::Ads1115 { bus, address, .. }
            | Self::Ina219 { bus, address, .. }
            | Self::Ina226 { bus, address, .. }
            | Self::Ina228 { bus, address, .. } => Some((*bus, *address)),
            Self::Mcp3208 { .. } | Self::Iio { .. } => None,
        }
    }
    /// Where it is, in words, e.g. `ads1115 at 0x48 on bus 1`.
    pub fn described(&self) -> String {
        match self {
            Self::Iio { device, file, .. } => format!("{file} of the kernel's device {device}"),
            Self::Mcp3208 { bus, select, .. } => format!("{} at select {select} of SPI bus {bus}", self.word()),
            Self::Ads1115 { bus, address, .. }
            | Self::Ina219 { bus, address, .. }
            | Self::Ina226 { bus, address, .. }
            | Self::Ina228 { bus, address, .. } => format!("{} at 0x{address:02x} on bus {bus}", self.word()),
        }
    }
    /// Shunt resistance of a power monitor that measures amperes.
    pub const fn shunt_ohm(&self) -> Option<f64> {
        match self {
            Self::Ina219 { shunt_ohm, .. } | Self::Ina226 { shunt_ohm, .. } | Self::Ina228 { shunt_ohm, .. } => *shunt_ohm,
            _ => None,
        }
    }
    /// Greatest volts across the shunt: ±320 mV (TI SBOS448), ±81.92 mV (SBOS547), ±163.84 mV (SLYS021).
    pub const fn shunt_full_v(&self) -> Option<f64> {
        match self {
            Self::Ina219 { .. } => Some(0.32),
            Self::Ina226 { .. } => Some(0.081_92),
            Self::Ina228 { .. } => Some(0.163_84),
            _ => None,
        }
    }
    /// Volts of one step at its input; for a file of the kernel in the unit of what it measures.
    pub fn step(&self) -> f64 {
        match self {
            Self::Ads1115 { part, range_v, .. } => range_v / f64::from(1_u32 << (part.bits() - 1)),
            Self::Ina219 { .. } => 4e-3,
            Self::Ina226 { .. } => 1.25e-3,
            Self::Ina228 { .. } => 195.3125e-6,
            Self::Mcp3208 { reference_v, .. } => reference_v / 4096.0,
            Self::Iio { step, .. } => *step,
        }
    }
    /// The `kind` word of the build file.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Ads1115 { part, .. } => part.word(),
            Self::Ina219 { .. } => "ina219",
            Self::Ina228 { .. } => "ina228",
            Self::Mcp3208 { .. } => "mcp3208",
            Self::Ina226 { .. } => "ina226",
            Self::Iio { .. } => "iio",
        }
    }
}

/// Resistive divider before a converter input.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Divider {
    /// From the node to the input.
    pub top: Ohms,
    /// From the input to the reference.
    pub bottom: Ohms,
    /// Tolerance of each resistor, percent (limits, rectangular).
    pub tolerance_pct: f64,
}

/// A place where volts, amperes or temperature are measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SensePoint {
    /// Its name in the build file.
    pub name: String,
    /// What is measured.
    pub quantity: Quantity,
    /// Where.
    pub node: Node,
    /// The node whose − is the other wire or the converter's ground.
    pub reference: Node,
    /// The chip.
    pub chip: Chip,
    /// Divider between node and chip.
    pub divider: Option<Divider>,
}

/// Limits of the run and the judging, defaults replaced by the build's `[limits]`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// Blank below this, one per sense point (0 V for points that do not measure volts).
    pub trip_low_v: Vec<Volts>,
    /// Blank above this at any volts point.
    pub trip_high_v: Volts,
    /// Seconds of the hold.
    pub hold_s: f64,
    /// Steady load of a fuse, percent of its rating.
    pub fuse_load_pct: f64,
    /// Steady load of a supply, percent of its derated rating.
    pub supply_load_pct: f64,
    /// Greatest voltage lost between supply terminals and a panel, volts.
    pub drop_v: Volts,
    /// Lowest refresh rate, hertz.
    pub refresh_hz: f64,
    /// Highest ambient temperature the sign is meant for.
    pub ambient_max_c: f64,
    /// A cell's response may differ from the expected one by this much, percent.
    pub cell_pct: f64,
    /// After the run the supply must return to within this of where it was.
    pub rest_v: Volts,
    /// Greatest drift during the hold, volts per minute, after its first minute.
    pub hold_drift_v_per_min: Volts,
    /// The climb's resistance may exceed the expected one by this much, percent.
    pub climb_pct: f64,
    /// Highest temperature of a joint by hand at the end of the hold.
    pub joint_max_c: f64,
}

/// Name and place of a sign.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Sign {
    /// Name.
    pub name: String,
    /// Serial number.
    pub serial: String,
    /// Where it stands.
    pub place: Option<String>,
    /// Notes.
    pub notes: Option<String>,
}

/// A checked expected build.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Build {
    /// Name and serial.
    pub sign: Sign,
    /// Kinds of panel.
    pub panel_types: Vec<PanelType>,
    /// Supplies.
    pub supplies: Vec<Supply>,
    /// Feeds.
    pub feeds: Vec<Feed>,
    /// The controller.
    pub controller: Controller,
    /// The adapter.
    pub adapter: Adapter,
    /// Chains ordered by port.
    pub chains: Vec<Chain>,
    /// All panels: chain after chain, position after position.
    pub panels: Vec<Panel>,
    /// Sense points in file order.
    pub sense: Vec<SensePoint>,
    /// Limits.
    pub limits: Limits,
}

impl Build {
    /// SPI buses with the chip selects that converters are on, in order.
    pub fn selects(&self) -> Vec<(u8, u8)> {
        let mut places: Vec<(u8, u8)> = Vec::new();
        for sense in &self.sense {
            if let Chip::Mcp3208 { bus, select, .. } = sense.chip {
                places.push((bus, select));
            }
        }
        places.sort_unstable();
        places.dedup();
        places
    }
    /// Numbers of the I²C buses that converters are on, in order.
    pub fn buses(&self) -> Vec<u8> {
        let mut numbers: Vec<u8> = self.sense.iter().filter_map(|s| Some(s.chip.place()?.0)).collect();
        numbers.sort_unstable();
        numbers.dedup();
        numbers
    }
    /// The type of a panel.
    pub fn panel_type(&self, panel: usize) -> &PanelType {
        &self.panel_types[self.panels[panel].kind]
    }
    /// Index of the panel at a port and position.
    pub fn panel_at(&self, port: u8, position: u8) -> Option<usize> {
        self.panels.iter().position(|p| p.port == port && p.position == position)
    }
    /// The supply that a sense point belongs to.
    pub fn supply_of(&self, point: usize) -> Option<usize> {
        let feed = |f: usize| self.feeds.get(f).map(|f| f.supply);
        match self.sense.get(point)?.node {
            Node::Supply(s) | Node::Distribution(s) => Some(s),
            Node::FeedEnd(f) => feed(f),
            Node::Panel(p) => self.panels.get(p).and_then(|p| feed(p.feed)),
            Node::Controller => feed(self.controller.feed),
        }
    }
    /// The feed at whose end a sense point is, at a panel's plug included.
    pub fn feed_end_of(&self, point: usize) -> Option<usize> {
        match self.sense.get(point)?.node {
            Node::FeedEnd(f) => Some(f),
            Node::Panel(p) => self.panels.get(p).map(|p| p.feed),
            Node::Supply(_) | Node::Distribution(_) | Node::Controller => None,
        }
    }
    /// Size of a panel's footprint on the wall, in pixels.
    pub fn footprint(&self, panel: usize) -> [u16; 2] {
        let t = self.panel_type(panel);
        match self.panels[panel].up {
            Up::Up | Up::Down => [t.width, t.height],
            Up::Left | Up::Right => [t.height, t.width],
        }
    }
    /// Width and height of the wall in pixels: the box around all panels.
    pub fn wall_size(&self) -> [u16; 2] {
        let mut size = [0, 0];
        for (i, p) in self.panels.iter().enumerate() {
            let [w, h] = self.footprint(i);
            size = [size[0].max(p.at[0] + w), size[1].max(p.at[1] + h)];
        }
        size
    }
    /// Greatest number of row addresses of any panel: the number of rows of a scan.
    pub fn addresses(&self) -> u16 {
        self.panels.iter().enumerate().map(|(i, _)| self.panel_type(i).scheme.addresses).max().unwrap_or(1)
    }
    /// Index of a feed by name.
    pub fn feed_named(&self, name: &str) -> Option<usize> {
        self.feeds.iter().position(|f| f.name == name)
    }
    /// Index of a sense point by name.
    pub fn sense_named(&self, name: &str) -> Option<usize> {
        self.sense.iter().position(|s| s.name == name)
    }
    /// SHA-256 over the canonical build, lower-case hex: the same for files that differ only in
    /// comments, order of keys or spelling of numbers.
    pub fn digest(&self) -> String {
        use sha2::{Digest, Sha256};
        let bytes = serde_json::to_vec(self).expect("a build has only plain data");
        let mut hex = String::with_capacity(64);
        for byte in Sha256::digest(&bytes) {
            use fmt::Write as _;
            let _ = write!(hex, "{byte:02x}");
        }
        hex
    }
}
