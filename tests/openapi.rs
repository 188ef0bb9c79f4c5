//! The OpenAPI document that the daemon serves against what its handlers do.

mod daemon;

use daemon::{Daemon, configure};
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// The schema of an answer, with the document's own definitions.
fn schema(document: &Value, of: &Value) -> Value {
    let mut schema = of.clone();
    schema["components"] = document["components"].clone();
    schema
}

fn assert_valid(document: &Value, of: &Value, value: &Value, what: &str) {
    let validator = jsonschema::validator_for(&schema(document, of)).unwrap();
    let wrong: Vec<String> = validator.iter_errors(value).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(wrong.is_empty(), "{what}: {wrong:#?}\n{value}");
}

#[test]
fn every_documented_operation_is_there_and_answers_as_documented() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &["--pace", "1e9"]);
    let document = daemon.get("/api/v1/openapi.json").json();
    assert_eq!(document["openapi"], "3.1.0");
    let asked = daemon.until("asked", |s| !s["run"]["question"].is_null());
    let going_on = asked["run"]["id"].as_str().unwrap().to_owned();
    // also while a run goes on and a question is open
    let at = |path: &str, method: &str| document["paths"][path][method].clone();
    let good =
        |path: &str, method: &str, status: &str| at(path, method)["responses"][status]["content"]["application/json"]["schema"].clone();
    assert_valid(&document, &good("/api/v1/status", "get", "200"), &asked, "status while asking");
    let view = daemon.get(&format!("/api/v1/runs/{going_on}")).json();
    assert_valid(&document, &good("/api/v1/runs/{id}", "get", "200"), &view, "a run that goes on");
    assert!(view["kept"].is_null() && view["now"]["id"] == going_on.as_str());
    daemon.witness(|_| json!("as-shown"));
    // a full minute of the watch is not waited for: a day file as the daemon writes it
    std::fs::create_dir_all(dir.path().join("state/watch")).unwrap();
    std::fs::write(dir.path().join("state/watch/2026-03-01.csv"), "utc,sense,min,mean,max,count,missing\n").unwrap();

    let mut seen = BTreeSet::new();
    for (path, methods) in document["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            let name = operation["operationId"].as_str().unwrap();
            assert!(seen.insert(name.to_owned()), "{name} twice");
            let mut url = path.replace("{id}", &going_on).replace("{day}", "2026-03-01");
            if name == "mark" {
                url.push_str("?port=1&position=3");
            }
            if name.starts_with("compare") {
                url.push_str(&format!("?with={going_on}"));
            }
            let (status, response) = operation["responses"].as_object().unwrap().iter().find(|(k, _)| *k != "default").unwrap();
            let answer = match (method.as_str(), name) {
                (_, "events") => continue,
                ("get", "map-build") => {
                    daemon.get(&url).assert_problem(404);
                    continue;
                }
                ("get", _) => daemon.get(&url),
                // what cannot be done now is a documented problem too
                ("post", "stop-run") => {
                    daemon.post(&url, &json!({})).assert_problem(409);
                    continue;
                }
                ("post", "answer") => {
                    daemon.post(&url, &json!({ "question": 1, "answer": "as-shown" })).assert_problem(404);
                    continue;
                }
                ("post", "start-run") => {
                    let wanted = json!({ "place": "bench", "note": "n", "ambient_c": 21.5, "stages": ["open", "idle"] });
                    let takes = &operation["requestBody"]["content"]["application/json"]["schema"];
                    assert_valid(&document, takes, &wanted, "start-run takes");
                    assert!(!jsonschema::validator_for(&schema(&document, takes)).unwrap().is_valid(&json!({ "colour": "red" })));
                    let answer = daemon.post(&url, &wanted);
                    daemon.until("over", |s| s["phase"] == "watching");
                    answer
                }
                ("post", "joint") => {
                    daemon.post(&url, &json!({ "question": 1, "reading": null })).assert_problem(404);
                    continue;
                }
                ("post", "place") => {
                    daemon.post(&url, &json!({ "question": 1, "at": null })).assert_problem(409);
                    continue;
                }
                ("post", "find-map") => {
                    let answer = daemon.post(&url, &json!({}));
                    let asked = daemon.until("asked", |s| !s["run"]["question"].is_null());
                    assert_valid(&document, &good("/api/v1/status", "get", "200"), &asked, "status while searching");
                    daemon.ask("POST", "/stop", &[], "");
                    daemon.until("over", |s| s["phase"] == "watching");
                    answer
                }
                ("post", "hand-in-checklist") => {
                    let list = json!({ "schema": 1, "serial": "WT-0003", "who": "w", "when": "2026-03-01T10:15", "meter": { "model": "m" }, "answers": { "fuses": true } });
                    let takes = &operation["requestBody"]["content"]["application/json"]["schema"];
                    assert_valid(&document, takes, &list, "hand-in-checklist takes");
                    daemon.post(&url, &list)
                }
                ("post", "hand-in-checklist-file") => {
                    let text = "schema = 1\nserial = \"WT-0003\"\nwho = \"w\"\nwhen = 2026-03-01T10:15:00\n[meter]\nmodel = \"m\"\n";
                    daemon.post(&url, &json!({ "text": text }))
                }
                _ => daemon.post(&url, &json!({ "reason": "as built" })),
            };
            assert_eq!(answer.status.to_string(), *status, "{method} {path}: {}", answer.body);
            let Some((media, content)) = response["content"].as_object().and_then(|c| c.iter().next()) else {
                assert!(answer.body.is_empty(), "{name}: {}", answer.body);
                continue;
            };
            assert_eq!(answer.header("content-type").unwrap().split(';').next().unwrap(), media, "{name}");
            if media == "application/json" {
                assert_valid(&document, &content["schema"], &answer.json(), name);
            }
        }
    }
    for name in [
        "status",
        "list-runs",
        "start-run",
        "one-run",
        "stop-run",
        "answer",
        "accept-run",
        "report",
        "readings",
        "journal",
        "build",
        "desk",
        "events",
        "metrics",
    ] {
        assert!(seen.contains(name), "{name} is not documented");
    }
    // problems are as documented, also where nothing is
    let problem = &document["paths"]["/api/v1/status"]["get"]["responses"]["default"]["content"]["application/problem+json"]["schema"];
    for answer in [daemon.get("/api/v1/nothing"), daemon.get("/api/v1/runs/unknown-run-id"), daemon.ask("DELETE", "/api/v1/runs", &[], "")]
    {
        answer.assert_problem(answer.status);
        assert!(matches!(answer.status, 404 | 405));
        assert_valid(&document, problem, &answer.json(), "problem");
    }
    let other = daemon.get("/api/v1/wall.svg?frame=%7B%22level%22%3A9999%7D");
    other.assert_problem(400);
}

#[test]
fn metrics_are_prometheus_text() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", "[first_power]\nstart = \"never\"\n"), &[]);
    daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    let answer = daemon.get("/api/v1/metrics");
    assert_eq!(answer.header("content-type"), Some("text/plain; version=0.0.4; charset=utf-8"));
    let mut kinds = std::collections::BTreeMap::new();
    for line in answer.body.lines() {
        if let Some(rest) = line.strip_prefix("# TYPE ") {
            let (name, kind) = rest.split_once(' ').unwrap();
            assert!(matches!(kind, "counter" | "gauge"), "{line}");
            assert_eq!(kind == "counter", name.ends_with("_total"), "{line}");
            kinds.insert(name.to_owned(), kind.to_owned());
        } else if !line.starts_with('#') {
            let (series, value) = line.rsplit_once(' ').unwrap();
            let name = series.split('{').next().unwrap();
            assert!(kinds.contains_key(name), "no TYPE before {line}");
            assert!(value.parse::<f64>().is_ok_and(f64::is_finite), "{line}");
        }
    }
    assert!(daemon.metric("signproof_sense{sense=\"distribution\",unit=\"V\"}") > 4.5);
    assert!(daemon.metric("signproof_readings_total") >= 4.0);
}
