//! The expected-build file, key by key: what each is, its unit, its limits, its default and why.

use super::spec::{Field, Kind, NAME_MAX, Spec, default, number, optional, required, whole};

/// Most panels in one chain.
pub const MAX_CHAIN: usize = 64;
/// Most sense points.
pub const MAX_SENSE: usize = 32;
/// Most ports: of the header's 28 lines 3 go to CLK, LAT and OE and at least 2 to addresses; each port takes 6,
/// and one bus for a converter takes 2.
pub const MAX_PORTS: usize = 3;
/// Greatest width or height of a wall in pixels.
pub const MAX_WALL: u16 = 4096;
/// Floor of the default low trip, in volts: below it a controller of the 5 V class is at its own undervoltage
/// threshold (4.63 V; from memory).
pub const TRIP_FLOOR_V: f64 = 4.65;

const TEXT: Kind = Kind::Text { max: 120, lines: false };
const PIN: Kind = whole(0, 27);
const VOLTS: Kind = number(3.0, 6.0);

/// The whole file.
pub(super) const ROOT: Spec = Spec {
    name: "Build",
    about: "The expected build of one sign.",
    fields: &[
        required("schema", whole(1, 1), "version of this format", "1"),
        required("sign", Kind::Table(&SIGN), "name and place of the sign", "{ name = \"…\", serial = \"…\" }"),
        required("panel_types", Kind::Named { item: &PANEL_TYPE, max: 16 }, "kinds of panel, by name", "…"),
        required("supplies", Kind::Named { item: &SUPPLY, max: 16 }, "5 V supplies, by name", "…"),
        required("feeds", Kind::Named { item: &FEED, max: 64 }, "fused outputs of the distributions, by name", "…"),
        required("controller", Kind::Table(&CONTROLLER), "the single-board computer", "…"),
        required("adapter", Kind::Table(&ADAPTER), "the board that takes GPIO lines to the ports", "…"),
        required(
            "chains",
            Kind::List { item: &Kind::Table(&CHAIN), min: 1, max: MAX_PORTS },
            "panels on each port",
            "[{ port = 1, panels = […] }]",
        ),
        optional(
            "sense",
            Kind::List { item: &Kind::Table(&SENSE), min: 0, max: MAX_SENSE },
            "sense points; without one nothing can be measured, only the paper checks work",
            "[]",
        ),
        optional("limits", Kind::Table(&LIMITS), "limits that differ from the defaults", "{}"),
    ],
};

const SIGN: Spec = Spec {
    name: "Sign",
    about: "Name and place of the sign.",
    fields: &[
        required("name", TEXT, "name of the sign", "\"Harbour steps water-taxi board\""),
        required("serial", TEXT, "serial number of the sign", "\"WT-0003\""),
        optional("place", TEXT, "where it stands", "\"east pontoon\""),
        optional("notes", Kind::Text { max: 4000, lines: true }, "anything else", "\"…\""),
    ],
};

const PANEL_TYPE: Spec = Spec {
    name: "PanelType",
    about: "Data of one kind of panel, from its maker or measured.",
    fields: &[
        required(
            "size",
            Kind::List { item: &whole(4, 512), min: 2, max: 2 },
            "width and height in pixels, arrow up; the height is 2 · addresses · rows of a half lit at once",
            "[64, 32]",
        ),
        required("pitch_mm", number(0.5, 100.0), "distance of pixels in mm", "4.0"),
        required(
            "scan",
            Kind::Word(&["1:4", "1:8", "1:16", "1:32"]),
            "row multiplexing: 1:N has N row addresses and lights height / N rows at once",
            "\"1:16\"",
        ),
        optional(
            "fold",
            Kind::Table(&FOLD),
            "which stages of a folded shift register serve which rows; default: the width of the panel for the top rows of a half, \
             then again for the next",
            "{ block = 16, order = [{ segment = 0 }, { segment = 1 }] }",
        ),
        required("input_side", Kind::Word(&["left", "right"]), "data input edge, from the front, arrow up", "\"right\""),
        required("min_v", VOLTS, "lowest volts at its own power connector", "4.50"),
        required("idle_a", number(0.0, 10.0), "amperes with everything dark", "0.10"),
        required(
            "full_a",
            Kind::Table(&FULL_A),
            "amperes added by one colour of the whole panel",
            "{ red = 1.45, green = 1.10, blue = 1.05 }",
        ),
        default(
            "tolerance_pct",
            10.0,
            0.0,
            50.0,
            "tolerance of full_a in percent, two standard deviations; default 10: common practice, no source",
        ),
        optional("knee_v", Kind::Table(&KNEE_V), "volts below which a colour's current falls", "{ red = 3.6, green = 4.1, blue = 4.2 }"),
        default(
            "clock_mhz",
            20.0,
            1.0,
            50.0,
            "highest shift clock in MHz; default 20: the lower end of what driver chips of this kind state (from memory)",
        ),
        optional(
            "startup",
            Kind::List { item: &Kind::Table(&STARTUP), min: 1, max: 16 },
            "words that the driver chips need at start-up, in order; default: none",
            "[{ word = 0x7fff, latch_clocks = 11 }]",
        ),
        optional("maker", TEXT, "maker and model", "\"…\""),
        optional("batch", TEXT, "batch", "\"…\""),
    ],
};

const FOLD: Spec = Spec {
    name: "Fold",
    about: "Order of the stages of a folded row scheme, counted from the data input.",
    fields: &[
        required("block", whole(1, 512), "neighbouring columns served before the stages go to the next segment", "16"),
        required(
            "order",
            Kind::List { item: &Kind::Table(&FOLD_RUN), min: 1, max: 16 },
            "segment of each run of `block` stages, one for each row lit at once in a half",
            "[{ segment = 0 }, { segment = 1 }]",
        ),
    ],
};

const FOLD_RUN: Spec = Spec {
    name: "FoldRun",
    about: "One run of stages.",
    fields: &[
        required("segment", whole(0, 15), "0 = the top rows of the half, 1 = the next", "0"),
        optional("mirrored", Kind::Bool, "columns in the opposite direction; default: false", "true"),
    ],
};

const FULL_A: Spec = Spec {
    name: "FullAmps",
    about: "Amperes of the whole panel, one colour fully lit, idle not counted.",
    fields: &[
        required("red", number(0.001, 40.0), "amperes of red", "1.45"),
        required("green", number(0.001, 40.0), "amperes of green", "1.10"),
        required("blue", number(0.001, 40.0), "amperes of blue", "1.05"),
    ],
};

const KNEE_V: Spec = Spec {
    name: "KneeVolts",
    about: "Volts below which a colour's current falls. Defaults from memory: red LEDs need about 2.0 V, green and blue about 3.0 V, \
            and the driver about 1 V more.",
    fields: &[
        default("red", 3.6, 1.0, 5.0, "knee of red in volts; default 3.6 (from memory)"),
        default("green", 4.1, 1.0, 5.0, "knee of green in volts; default 4.1 (from memory)"),
        default("blue", 4.2, 1.0, 5.0, "knee of blue in volts; default 4.2 (from memory)"),
    ],
};

const STARTUP: Spec = Spec {
    name: "StartupWord",
    about: "A word that driver chips need before they light anything.",
    fields: &[
        required("word", whole(0, 0xffff), "the 16-bit word", "0x7fff"),
        required("latch_clocks", whole(1, 16), "LAT is high over the last this many clocks", "11"),
    ],
};

const LEAD: Spec = Spec {
    name: "Lead",
    about: "A pair of conductors, out and return: either mm2 or awg.",
    fields: &[
        optional(
            "mm2",
            Kind::Choice(&[0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0]),
            "cross-section in mm² (IEC 60228 class 5 sizes)",
            "1.5",
        ),
        optional("awg", whole(10, 24), "American wire gauge number (ASTM B258), instead of mm2", "16"),
        required("length_m", number(0.01, 100.0), "one-way length in m", "0.45"),
        optional("rated_a", number(0.1, 500.0), "ampacity in A from its maker; default: from the table of its size", "16"),
        default(
            "joints_mohm",
            2.0,
            0.0,
            1000.0,
            "contact resistance of all its joints in mΩ, out and return together; default 2: four good crimped or screwed joints of \
             about 0.5 mΩ (common practice, no source)",
        ),
    ],
};

const SUPPLY: Spec = Spec {
    name: "Supply",
    about: "A 5 V source with its one fused distribution.",
    fields: &[
        required("set_v", number(4.5, 6.0), "volts it is to be set to, no load", "5.10"),
        required("rated_a", number(0.5, 500.0), "rated current in A", "40.0"),
        required(
            "accept_v",
            Kind::List { item: &number(4.0, 6.0), min: 2, max: 2 },
            "accepted volts at its terminals, low and high",
            "[4.90, 5.25]",
        ),
        required("source_mohm", number(0.0, 1000.0), "internal resistance (load regulation) in mΩ", "1.0"),
        default(
            "limit_factor",
            1.2,
            1.0,
            3.0,
            "current at which it limits, as a multiple of rated_a; default 1.2: within the usual 1.1 to 1.5 (common practice, no source)",
        ),
        default("derate_from_c", 50.0, 0.0, 100.0, "ambient °C above which it derates; default 50: common practice, no source"),
        default("derate_pct_per_k", 2.5, 0.0, 20.0, "percent of rated_a per K above that; default 2.5: common practice, no source"),
        required("input_lead", Kind::Table(&LEAD), "lead from the supply to the distribution", "{ mm2 = 6.0, length_m = 0.6 }"),
        optional("maker", TEXT, "maker and model", "\"…\""),
    ],
};

const FEED: Spec = Spec {
    name: "Feed",
    about: "One fused output of a distribution and the lead behind it.",
    fields: &[
        optional("supply", Kind::Name, "name of its supply; may be left out where there is one", "\"main\""),
        required("fuse_a", number(0.1, 100.0), "fuse rating in A", "10.0"),
        optional(
            "fuse_mohm",
            number(0.1, 1000.0),
            "cold resistance of the fuse with its holder in mΩ; default: from a table of blade fuses",
            "8.0",
        ),
        required("lead", Kind::Table(&LEAD), "lead to its panels or the controller", "{ mm2 = 1.5, length_m = 0.45 }"),
    ],
};

const CONTROLLER: Spec = Spec {
    name: "Controller",
    about: "The single-board computer.",
    fields: &[
        required("model", TEXT, "model", "\"single-board computer with a 40-pin header\""),
        required("feed", Kind::Name, "name of its feed", "\"F4\""),
        required("draw_a", number(0.01, 20.0), "greatest steady current at 5 V in A", "3.0"),
        required("min_v", number(4.0, 5.2), "volts below which it is not reliable", "4.75"),
    ],
};

const ADAPTER: Spec = Spec {
    name: "Adapter",
    about: "The board that takes GPIO lines (BCM numbers) to the ports.",
    fields: &[
        optional("model", TEXT, "model; default: adapter", "\"hand-wired adapter\""),
        required("buffer", Kind::Word(&["HCT", "HC", "none"]), "logic family of its buffers", "\"HCT\""),
        required("oe_pull_up", Kind::Bool, "whether a resistor on the board pulls OE up (dark) while the controller boots", "true"),
        required("clk", PIN, "GPIO of the shift clock", "9"),
        required("lat", PIN, "GPIO of the latch", "10"),
        required("oe", PIN, "GPIO of output enable", "4"),
        required(
            "address",
            Kind::List { item: &PIN, min: 2, max: 5 },
            "GPIO of address lines A, B, C, D, E, as many as there are",
            "[5, 6, 7, 8]",
        ),
        required(
            "ports",
            Kind::List { item: &Kind::Table(&PORT), min: 1, max: MAX_PORTS },
            "its ports",
            "[{ port = 1, data = [11, 12, 13, 16, 17, 18] }]",
        ),
    ],
};

const PORT: Spec = Spec {
    name: "Port",
    about: "Data lines of one port.",
    fields: &[
        required("port", whole(1, 9), "port number as printed on the adapter", "1"),
        required("data", Kind::List { item: &PIN, min: 6, max: 6 }, "GPIO of R1 G1 B1 R2 G2 B2", "[11, 12, 13, 16, 17, 18]"),
    ],
};

const CHAIN: Spec = Spec {
    name: "Chain",
    about: "The panels daisy-chained on one port.",
    fields: &[
        required("port", whole(1, 9), "port of the adapter", "1"),
        required(
            "panels",
            Kind::List { item: &Kind::Table(&PANEL), min: 1, max: MAX_CHAIN },
            "panels, position 1 (nearest the port) first",
            "[{ type = \"p4-64x32\", at = [0, 0], feed = \"F1\" }]",
        ),
    ],
};

const PANEL: Spec = Spec {
    name: "Panel",
    about: "One panel as placed.",
    fields: &[
        required("type", Kind::Name, "name of its panel type", "\"p4-64x32\""),
        required(
            "at",
            Kind::List { item: &whole(0, MAX_WALL as i64 - 1), min: 2, max: 2 },
            "its top-left corner in wall pixels, front view",
            "[0, 0]",
        ),
        optional("up", Kind::Word(&["up", "right", "down", "left"]), "where its arrow points, front view; default: up", "\"up\""),
        required("feed", Kind::Name, "name of its feed", "\"F1\""),
        optional("serial", TEXT, "serial number", "\"P-0101\""),
        default(
            "ribbon_m",
            0.3,
            0.01,
            10.0,
            "length in m of the ribbon from the port or the panel before; default 0.3: common practice, no source",
        ),
    ],
};

const SENSE: Spec = Spec {
    name: "SensePoint",
    about: "A place where volts, amperes or temperature are measured.",
    fields: &[
        required("name", Kind::Name, "name of the sense point", "\"distribution\""),
        optional("quantity", Kind::Word(&["volts", "amps", "celsius"]), "what is measured; default: volts", "\"volts\""),
        required("node", Kind::Text { max: NAME_MAX + 20, lines: false }, NODE_WORDS, "\"distribution\""),
        optional(
            "reference",
            Kind::Text { max: NAME_MAX + 20, lines: false },
            "place whose minus is the other wire, or the converter's ground; default: controller",
            "\"controller\"",
        ),
        required(
            "chip",
            Kind::Table(&CHIP),
            "the converter",
            "{ kind = \"ads1115\", bus = 1, address = 0x48, channel = 0, range_v = 4.096 }",
        ),
        optional(
            "divider",
            Kind::Table(&DIVIDER),
            "divider before the converter; default: none",
            "{ top_ohm = 10000, bottom_ohm = 10000 }",
        ),
    ],
};

/// The node syntax, in words.
pub(super) const NODE_WORDS: &str = "place: supply, distribution, feed:NAME, panel:PORT-POSITION or controller; with several supplies \
                                     supply:NAME and distribution:NAME";

/// Kinds of converter.
const CHIP_WORDS: [&str; 11] =
    ["ads1115", "ads1114", "ads1113", "ads1015", "ads1014", "ads1013", "ina226", "ina219", "ina228", "mcp3208", "iio"];

const CHIP: Spec = Spec {
    name: "Chip",
    about: "A converter. ads1015 and ads1115 need channel and range_v, ads1014 and ads1114 range_v; ina219, ina226 and ina228 need shunt_ohm to measure amperes; mcp3208 is on an SPI bus and needs select, channel and reference_v; iio, a file of the kernel, needs device and file.",
    fields: &[
        required("kind", Kind::Word(&CHIP_WORDS), "kind of chip", "\"ads1115\""),
        optional("bus", Kind::Choice(&[0.0, 1.0, 3.0, 4.0, 5.0, 6.0]), "I²C bus number of a chip; SPI bus number of an mcp3208", "1"),
        optional("address", whole(0x08, 0x77), "I²C address of a chip", "0x48"),
        optional("channel", whole(0, 7), "input of an ads1015, ads1115 or mcp3208; the others have one", "0"),
        optional("select", whole(0, 2), "chip select of an mcp3208", "0"),
        optional("reference_v", number(2.0, 5.5), "volts of an mcp3208's reference: its full scale", "3.3"),
        optional(
            "range_v",
            Kind::Choice(&RANGES),
            "full scale of a chip of the ads families in volts (TI SBAS444 table 7-1); ads1013 and ads1113 have 2.048",
            "4.096",
        ),
        default("supply_v", 3.3, 2.0, 5.5, "the chip's own supply in volts; default 3.3: its bus is the header's, with 3.3 V pull-ups"),
        optional(
            "device",
            Kind::Text { max: NAME_MAX, lines: false },
            "of an iio: what its `name` file below /sys/bus/iio/devices or /sys/class/hwmon says, or its folder, such as iio:device0",
            "\"ads1015\"",
        ),
        optional(
            "file",
            Kind::Text { max: NAME_MAX, lines: false },
            "of an iio: its channel, voltage0, current0 or temp (IIO), in0, curr1 or temp1 (hwmon)",
            "\"voltage0\"",
        ),
        default("step", 0.001, 1e-9, 1.0, "of an iio: smallest step at its input in V, A or °C; default 0.001: the unit of hwmon's files"),
        default(
            "accuracy_pct",
            1.0,
            0.0,
            20.0,
            "limits of an iio's gain, or of an mcp3208's reference, in percent; default 1: assumed, no source",
        ),
        optional("highest", number(0.001, 1000.0), "of an iio: the highest value it can read in V, A or °C; default: not known", "4.096"),
        optional("shunt_ohm", number(0.000_01, 10.0), "shunt of a power monitor in Ω", "0.002"),
    ],
};

const RANGES: [f64; 6] = [0.256, 0.512, 1.024, 2.048, 4.096, 6.144];

const DIVIDER: Spec = Spec {
    name: "Divider",
    about: "Resistors before a converter input.",
    fields: &[
        required("top_ohm", number(1.0, 10e6), "resistor from the place to the input in Ω", "10000"),
        required("bottom_ohm", number(1.0, 10e6), "resistor from the input to the reference in Ω", "10000"),
        default("tolerance_pct", 1.0, 0.001, 20.0, "tolerance of each resistor in percent; default 1: the common grade"),
    ],
};

const LIMITS: Spec = Spec {
    name: "Limits",
    about: "Overrides of the default limits.",
    fields: &[
        optional(
            "trip_low_v",
            number(4.0, 5.0),
            "blank below this at any volts point; default: 4.65, and the controller's min_v at places its current passes, so that \
             the wall goes dark before the controller does",
            "4.75",
        ),
        default(
            "trip_high_v",
            5.40,
            5.1,
            6.0,
            "blank above this at any volts point; default 5.40: 5 V logic of the 5.5 V class keeps a margin",
        ),
        default(
            "hold_s",
            1200.0,
            1.0,
            86_400.0,
            "seconds of the hold; default 1200: leads and fuses are warm after 20 minutes (common practice, no source)",
        ),
        default(
            "fuse_load_pct",
            75.0,
            10.0,
            100.0,
            "steady load of a fuse in percent; default 75: makers' derating for continuous operation",
        ),
        default(
            "supply_load_pct",
            80.0,
            10.0,
            100.0,
            "steady load of a supply in percent of its derated rating; default 80: common practice, no source",
        ),
        default(
            "drop_v",
            0.5,
            0.01,
            1.5,
            "greatest volts lost between supply and panel; default 0.5: 10 % of 5 V (common practice, no source)",
        ),
        default(
            "refresh_hz",
            100.0,
            30.0,
            10_000.0,
            "lowest refresh rate in Hz; default 100: no visible flicker (common practice, no source)",
        ),
        default(
            "ambient_max_c",
            40.0,
            -20.0,
            85.0,
            "highest ambient °C the sign is meant for; default 40: the temperature of the ampacity tables",
        ),
        default(
            "cell_pct",
            35.0,
            1.0,
            100.0,
            "deviation of a cell's response in percent; default 35: beyond part tolerances, below one missing driver chip in two",
        ),
        default("rest_v", 0.02, 0.001, 1.0, "volts within which the supply returns after the run; default 0.02: no source"),
        default(
            "hold_drift",
            0.005,
            0.0001,
            1.0,
            "greatest drift in the hold in V per minute after its first minute; default 0.005: no source",
        ),
        default(
            "climb_pct",
            50.0,
            1.0,
            500.0,
            "how far the climb's resistance may exceed the expected one, in percent; default 50: no source",
        ),
        default("joint_max_c", 60.0, 30.0, 120.0, "hottest joint by hand at the hold's end in °C; default 60: common practice, no source"),
    ],
};

/// The default of a number, for a table that was left out whole.
pub(super) fn default_of(fields: &[Field], key: &str) -> f64 {
    fields
        .iter()
        .find_map(|f| match f.need {
            super::spec::Need::Default(value) if f.key == key => Some(value),
            _ => None,
        })
        .unwrap_or(f64::NAN)
}

pub(super) const LIMIT_FIELDS: &[Field] = LIMITS.fields;
pub(super) const KNEE_FIELDS: &[Field] = KNEE_V.fields;
