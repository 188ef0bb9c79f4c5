//! `config/build.schema.json` is what the code says, and says what the reader knows. `UPDATE=1 cargo test --test schema` rewrites it.

use serde_json::Value;
use signproof::build::{json_schema, load};
use std::collections::BTreeSet;
use std::path::Path;

const DEMO: &str = include_str!("../config/water-taxi.toml");

#[test]
fn the_checked_in_schema_is_current() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/build.schema.json");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&path, json_schema()).unwrap();
    }
    assert_eq!(std::fs::read_to_string(path).unwrap(), json_schema(), "run UPDATE=1 cargo test --test schema and read the diff");
}

fn properties(schema: &Value, table: &str) -> BTreeSet<String> {
    let place = if table.is_empty() { &schema["properties"] } else { &schema["$defs"][table]["properties"] };
    place.as_object().unwrap_or_else(|| panic!("no {table}")).keys().cloned().collect()
}

#[test]
fn schema_and_reader_know_the_same_keys() {
    let schema: Value = serde_json::from_str(&json_schema()).unwrap();
    let fold = "scan = \"1:8\"\nknee_v = { red = 3.5 }\nfold = { order = [{ segment = 0 }, { segment = 1 }] }\nstartup = [{ word = 1, latch_clocks = 2 }]";
    let base = DEMO.replace("scan = \"1:16\"", fold).replace("[controller]", "[limits]\nhold_s = 60\n\n[controller]");
    // an unknown key in each table makes the reader list the keys it knows there
    for (table, from) in [
        ("", "schema = 1"),
        ("SignTable", "serial = \"WT-0003\""),
        ("PanelTypeTable", "pitch_mm = 4.0"),
        ("SupplyTable", "rated_a = 40.0"),
        ("FeedTable", "fuse_a = 15.0"),
        ("ControllerTable", "draw_a = 3.0"),
        ("AdapterTable", "clk = 6"),
        ("ChainTable", "port = 1\npanels"),
        ("SenseTable", "name = \"feed-1\""),
        ("LimitsTable", "hold_s = 60"),
        ("Colours", "full_a = { red = 1.45"),
        ("KneeTable", "knee_v = { red = 3.5"),
        ("FoldTable", "fold = { order"),
        ("StartupWord", "startup = [{ word = 1"),
        ("LeadTable", "lead = { mm2 = 4.0"),
        ("PortTable", "{ port = 1, r1 = 7"),
        ("PanelTable", "{ type = \"p4-64x32\""),
        ("DividerTable", "divider = { top_ohm = 10000"),
    ] {
        assert!(base.contains(from), "{from}");
        let inline = from.contains('{');
        let to = if inline { from.replacen("{ ", "{ zzz = 1, ", 1) } else { format!("zzz = 1\n{from}") };
        let problems = load(&base.replacen(from, &to, 1), "x.toml").unwrap_err();
        let line =
            problems.list.iter().find(|p| p.message.contains("`zzz`")).unwrap_or_else(|| panic!("{table}: {}", problems.render(false)));
        let known: BTreeSet<String> = line.expected.trim_start_matches("known keys: ").split(", ").map(str::to_owned).collect();
        assert_eq!(known, properties(&schema, table), "{table}");
    }
}
