//! `report.json` against its published schema.

#[test]
fn the_report_schema_is_current() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/report.schema.json");
    let text = format!("{}\n", serde_json::to_string_pretty(&signproof::report::json_schema()).unwrap());
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(path, &text).unwrap();
    }
    assert!(std::fs::read_to_string(path).unwrap_or_default() == text, "run with UPDATE=1 to rewrite config/report.schema.json");
}
