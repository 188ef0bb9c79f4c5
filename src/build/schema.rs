//! JSON schema of the expected-build file, for editors that complete and check TOML. The structs here only describe; reading
//! and checking is done by `load`, and a test holds the two together.

use super::{Buffer, FoldRun, InputSide, Quantity, StartupWord, Up};
use schemars::JsonSchema;
use std::collections::BTreeMap;

/// An expected build: what was meant to be built.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct BuildFile {
    /// Version of this format: 1.
    schema: u32,
    sign: SignTable,
    /// Kinds of panel by name.
    panel_types: BTreeMap<String, PanelTypeTable>,
    /// 5 V supplies by name; each has one fused distribution.
    supplies: BTreeMap<String, SupplyTable>,
    /// Fused outputs by name.
    feeds: BTreeMap<String, FeedTable>,
    controller: ControllerTable,
    adapter: AdapterTable,
    /// One chain of panels a port.
    chains: Vec<ChainTable>,
    /// Places where something is measured.
    sense: Vec<SenseTable>,
    limits: Option<LimitsTable>,
}

/// Name and place of the sign.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct SignTable {
    name: String,
    serial: String,
    place: Option<String>,
    notes: Option<String>,
}

/// Data of a panel, from its maker or measured.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct PanelTypeTable {
    /// Pixels, width and height, arrow up.
    size: [u16; 2],
    /// Distance of pixels.
    pitch_mm: f64,
    /// "1:" and the number of row addresses (4, 8, 16 or 32); rows lit at once = height / addresses.
    scan: String,
    /// Data input edge, seen from the front with the arrow up.
    input_side: InputSide,
    /// Lowest volts at its own power connector.
    min_v: f64,
    /// Current with everything dark.
    idle_a: f64,
    /// Additional current of the whole panel, one colour fully lit.
    full_a: Colours,
    /// Of full_a, two standard deviations, percent. Default 10 (common practice, no source).
    tolerance_pct: Option<f64>,
    /// Volts below which a colour's current falls. Default 3.6, 4.1, 4.2 (from memory).
    knee_v: Option<KneeTable>,
    /// Shift clock limit. Default 20 MHz (the lower end of driver data sheets).
    clock_mhz: Option<f64>,
    /// How folded rows lie in the shift register.
    fold: Option<FoldTable>,
    /// Words that some driver chips need at start-up.
    startup: Option<Vec<StartupWord>>,
    maker: Option<String>,
    batch: Option<String>,
}

/// Amperes per colour.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct Colours {
    red: f64,
    green: f64,
    blue: f64,
}

/// Volts per colour.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct KneeTable {
    red: Option<f64>,
    green: Option<f64>,
    blue: Option<f64>,
}

/// A folded row scheme.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct FoldTable {
    /// Neighbouring columns served before the next segment. Default: the whole width.
    block: Option<u16>,
    /// Segments in the order of the stages, from the data input.
    order: Vec<FoldRun>,
}

/// A 5 V source.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct SupplyTable {
    /// Volts it is set to, unloaded.
    set_v: f64,
    rated_a: f64,
    /// Accepted at its terminals, nothing lit. Default [4.90, 5.25] (common practice, no source).
    accept_v: Option<[f64; 2]>,
    /// Internal resistance. Default 1 mΩ.
    source_mohm: Option<f64>,
    /// Where it limits, times rated_a. Default 1.2 (makers' sheets: 1.1 to 1.4, from memory).
    limit_factor: Option<f64>,
    /// Derating starts here. Default 50 °C (makers' sheets, from memory).
    derate_from_c: Option<f64>,
    /// Default 2.5 % per kelvin (makers' sheets, from memory).
    derate_pct_per_k: Option<f64>,
    /// From the supply to the distribution.
    input_lead: LeadTable,
    maker: Option<String>,
}

/// A pair of conductors; exactly one of mm2 and awg.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct LeadTable {
    /// Area of fine-stranded copper (IEC 60228 class 5).
    mm2: Option<f64>,
    /// American wire gauge (ASTM B258).
    awg: Option<u8>,
    /// One way.
    length_m: f64,
    /// Ampacity from its maker.
    rated_a: Option<f64>,
    /// Contact resistance of all its joints. Default 2 mΩ (common practice, no source).
    joints_mohm: Option<f64>,
}

/// A fused output and the lead behind it.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct FeedTable {
    /// May be left out where there is one supply.
    supply: Option<String>,
    fuse_a: f64,
    /// Fuse and holder, cold. Default: typical of its rating.
    fuse_mohm: Option<f64>,
    lead: LeadTable,
}

/// The single-board computer.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct ControllerTable {
    model: Option<String>,
    feed: String,
    /// Greatest steady current at 5 V.
    draw_a: f64,
    /// Default 4.75 V (USB 2.0 high-power port, from memory).
    min_v: Option<f64>,
}

/// GPIO numbers (BCM, 0 to 27) of every line.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct AdapterTable {
    model: Option<String>,
    buffer: Buffer,
    /// An external resistor keeps OE high while the controller boots. Default false.
    oe_pull_up: Option<bool>,
    clk: u8,
    lat: u8,
    oe: u8,
    a: u8,
    b: u8,
    c: Option<u8>,
    d: Option<u8>,
    e: Option<u8>,
    ports: Vec<PortTable>,
}

/// Data lines of a port.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct PortTable {
    port: u8,
    r1: u8,
    g1: u8,
    b1: u8,
    r2: u8,
    g2: u8,
    b2: u8,
}

/// Panels daisy-chained on a port, position 1 nearest the port; at most 64.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct ChainTable {
    port: u8,
    panels: Vec<PanelTable>,
}

/// One panel.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct PanelTable {
    /// Name of a panel type.
    r#type: String,
    /// Top-left corner in wall pixels, front view.
    at: [u16; 2],
    /// Where its arrow points.
    up: Up,
    feed: String,
    serial: Option<String>,
    /// Ribbon from the port or the panel before. Default 0.3 m.
    ribbon_m: Option<f64>,
}

/// A sense point; at most 32.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct SenseTable {
    name: String,
    /// Default volts.
    quantity: Option<Quantity>,
    /// supply, distribution, feed:NAME, panel:PORT-POSITION or controller; with several supplies supply:NAME, distribution:NAME.
    node: String,
    /// Where the other wire, or the converter's ground, is: its −. Default controller.
    reference: Option<String>,
    chip: ChipTable,
    divider: Option<DividerTable>,
}

/// The converter chip.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct ChipTable {
    kind: ChipKind,
    /// I²C bus number.
    bus: u8,
    /// 7-bit address.
    address: u8,
    /// ads1115: input 0 to 3.
    channel: Option<u8>,
    /// ads1115: 0.256, 0.512, 1.024, 2.048, 4.096 or 6.144.
    range_v: Option<f64>,
    /// ads1115: its own supply. Default 3.3 V.
    supply_v: Option<f64>,
    /// ina226: needed for amps.
    shunt_ohm: Option<f64>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "lowercase")]
#[expect(dead_code, reason = "described, never built")]
enum ChipKind {
    Ads1115,
    Ina226,
}

/// Divider between node and chip; the chip's input resistance is counted.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct DividerTable {
    top_ohm: f64,
    bottom_ohm: f64,
    /// Default 1 %.
    tolerance_pct: Option<f64>,
}

/// Overrides of the limits.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[expect(dead_code, reason = "described, never built")]
struct LimitsTable {
    /// Blank below this. Default: just above the controller's min_v at supply, distribution and controller, 4.65 V elsewhere.
    trip_low_v: Option<f64>,
    /// Blank above this. Default 5.40 V: below what damages 5 V logic (5.5 V in most data sheets, from memory).
    trip_high_v: Option<f64>,
    /// Length of the hold. Default 1200 s: joints are warm by then (common practice, no source).
    hold_s: Option<f64>,
    /// Continuous load of a fuse. Default 75 % (fuse makers' derating at 25 °C).
    fuse_load_pct: Option<f64>,
    /// Continuous load of a supply. Default 80 % (common practice, no source).
    supply_load_pct: Option<f64>,
    /// Greatest drop from supply to panel. Default 0.5 V (10 %: ABYC's non-critical circuits).
    drop_v: Option<f64>,
    /// Default 100 Hz (common practice, no source).
    refresh_hz: Option<f64>,
    /// Highest ambient temperature meant for. Default 40 °C.
    ambient_max_c: Option<f64>,
    /// A cell's response may be off by this. Default 35 % (part tolerance and leads; common practice, no source).
    cell_pct: Option<f64>,
    /// Supply after the run against before. Default 0.02 V (common practice, no source).
    rest_v: Option<f64>,
    /// Default 0.005 V/min (common practice, no source).
    hold_drift_v_per_min: Option<f64>,
    /// Volts lost in the climb against the computed ones. Default 50 % (common practice, no source).
    climb_pct: Option<f64>,
    /// A joint by hand at the end of the hold. Default 60 °C (touchable metal for a moment; common practice, no source).
    joint_max_c: Option<f64>,
}

/// The schema as pretty JSON with a final newline.
pub fn json_schema() -> String {
    let mut text = serde_json::to_string_pretty(&schemars::schema_for!(BuildFile)).unwrap_or_default();
    text.push('\n');
    text
}
