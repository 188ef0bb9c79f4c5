//! The OpenAPI 3.1 document, made from the table of routes.

use super::api::Route;
use super::problem::Problem;
use schemars::SchemaGenerator;
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};

/// The document of these routes.
pub fn document(routes: &[Route]) -> Value {
    let settings = SchemaSettings::draft2020_12().with(|s| s.definitions_path = "/components/schemas".into());
    let mut generator = SchemaGenerator::new(settings);
    let problem = generator.subschema_for::<Problem>();
    let mut paths = Map::new();
    for route in routes {
        let mut parameters: Vec<Value> = route
            .path
            .split('/')
            .filter_map(|part| part.strip_prefix('{').and_then(|p| p.strip_suffix('}')))
            .map(|name| json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string" } }))
            .collect();
        parameters.extend(
            route
                .query
                .iter()
                .map(|(name, text)| json!({ "name": name, "in": "query", "description": text, "schema": { "type": "string" } })),
        );
        let mut good = json!({ "description": "All is well." });
        if !route.media.is_empty() {
            let schema = match route.gives {
                Some(schema) => schema(&mut generator).to_value(),
                None if route.media == "application/json" => json!({ "type": "object" }),
                None => json!({ "type": "string" }),
            };
            good["content"] = json!({ route.media.split(';').next().unwrap_or_default(): { "schema": schema } });
        }
        let mut operation = json!({
            "operationId": route.name,
            "summary": route.summary,
            "parameters": parameters,
            "responses": {
                route.status.to_string(): good,
                "default": { "description": "A problem.", "content": { "application/problem+json": { "schema": problem.clone() } } },
            },
        });
        if let Some(schema) = route.takes {
            operation["requestBody"] =
                json!({ "required": true, "content": { "application/json": { "schema": schema(&mut generator).to_value() } } });
        }
        let path = paths.entry(route.path).or_insert_with(|| json!({}));
        path[route.method] = operation;
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "signproof",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Commissions a small LED-matrix sign and watches its supply.",
        },
        "security": [{ "token": [] }, {}],
        "paths": paths,
        "components": {
            "securitySchemes": { "token": { "type": "http", "scheme": "bearer" } },
            "schemas": generator.take_definitions(true),
        },
    })
}
