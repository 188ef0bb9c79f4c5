//! JSON schema of `report.json`, from the types themselves.

use super::Report;

/// JSON schema (2020-12) of `report.json`; kept in `config/report.schema.json`.
pub fn json_schema() -> serde_json::Value {
    let mut schema = schemars::schema_for!(Report).to_value();
    schema["title"] = "signproof report".into();
    schema
}
