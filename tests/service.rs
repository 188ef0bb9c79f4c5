//! The built daemon with the simulated sign, over loopback: what a person and the service manager live through.

mod daemon;

use daemon::{Daemon, LONG, command, configure};
use serde_json::{Value, json};
use std::os::unix::net::UnixDatagram;
use std::path::Path;

/// As fast as the machine goes.
const FAST: [&str; 2] = ["--pace", "1e9"];

fn as_shown(_: &Value) -> Value {
    json!("as-shown")
}

fn kept(daemon: &Daemon) -> Vec<Value> {
    daemon.get("/api/v1/runs").json()["runs"].as_array().unwrap().clone()
}

#[test]
fn the_first_power_up_runs_by_itself_asks_passes_and_becomes_the_baseline() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "");
    let mut daemon = Daemon::start(&config, &FAST);
    let over = daemon.witness(as_shown);
    assert_eq!(over["last"], "pass", "{over}");
    assert!(over["need"].as_str().unwrap().contains("accept"), "{over}");
    let runs = kept(&daemon);
    assert_eq!((runs.len(), &runs[0]["outcome"], &runs[0]["simulated"]), (1, &json!("pass"), &json!(true)));
    let id = runs[0]["id"].as_str().unwrap().to_owned();
    assert_eq!(over["acceptable"], id.as_str());
    let report = daemon.get(&format!("/api/v1/runs/{id}/report"));
    assert_eq!(report.json()["outcome"], "pass");
    let page = daemon.get(&format!("/api/v1/runs/{id}/report.html"));
    assert!(page.body.contains("SIMULATED") && page.header("content-security-policy").unwrap().contains("sandbox"));
    let rows = daemon.get(&format!("/api/v1/runs/{id}/readings")).body;
    assert!(rows.lines().count() > 10_000, "{}", rows.lines().count());
    assert_eq!(daemon.get(&format!("/api/v1/runs/{id}/ticket?symptom=dark%20at%20dusk")).header("content-type"), Some("application/zip"));
    let journal = std::fs::read_to_string(dir.path().join(format!("state/runs/{id}/journal.jsonl"))).unwrap();
    assert_eq!(daemon.get(&format!("/api/v1/runs/{id}/journal")).body, journal);
    assert_eq!(daemon.post(&format!("/api/v1/runs/{id}/accept"), &json!({})).status, 204);
    assert!(daemon.status()["need"].is_null());
    daemon.signal("TERM");
    assert_eq!(daemon.end(), Some(0), "{}", daemon.log());
    // next boot: proven, so nothing is begun
    let daemon = Daemon::start(&config, &FAST);
    let status = daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    assert_eq!((&status["phase"], &status["accepted"]), (&json!("watching"), &json!(id)));
    assert!(status["need"].is_null() && status["run"].is_null(), "{status}");
    assert_eq!(kept(&daemon).len(), 1);
    // a later run after moving it
    let begun = daemon.post("/api/v1/runs", &json!({ "place": "outdoors", "note": "on the pontoon", "ambient_c": 8.5 }));
    assert_eq!(begun.status, 202, "{}", begun.body);
    daemon.post("/api/v1/runs", &json!({})).assert_problem(409);
    daemon.until("running", |s| s["phase"] != "watching");
    daemon.witness(as_shown);
    let run = kept(&daemon).pop().unwrap();
    assert_eq!((&run["place"], &run["note"], &run["outcome"]), (&json!("outdoors"), &json!("on the pontoon"), &json!("pass")));
    // compared with the baseline by itself, and on request
    let later = run["id"].as_str().unwrap();
    let report = daemon.get(&format!("/api/v1/runs/{later}/report")).json();
    assert_eq!(report["comparison"]["before"]["run_id"], json!(id), "{}", report["comparison"]);
    let compared = daemon.get(&format!("/api/v1/runs/{later}/compare.txt?with={id}"));
    assert!(compared.status == 200 && compared.body.contains("SIMULATED") && compared.body.contains("outdoors"), "{}", compared.body);
    daemon.get(&format!("/api/v1/runs/{later}/compare?with=20260301T101500Z-0000")).assert_problem(404);
}

#[test]
fn a_dark_panel_that_the_witness_taps_fails_and_waits_for_a_person() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "");
    let scenario = dir.path().join("scenario.toml");
    std::fs::write(&scenario, "[[fault]]\nkind = \"panel-dark\"\nport = 1\nposition = 2\n").unwrap();
    let daemon = Daemon::start(&config, &["--pace", "1e9", "--scenario", scenario.to_str().unwrap()]);
    let over = daemon.witness(|_| json!({ "differs": [{ "port": 1, "position": 2, "seen": "dark" }] }));
    assert_eq!(over["last"], "fail", "{over}");
    let first = &over["findings"][0];
    assert_eq!((&first["kind"], &first["place"]), (&json!("panel-dark"), &json!("port 1 position 2")), "{over}");
    assert!(over["need"].as_str().unwrap().contains("fail") && over["acceptable"].is_null());
    let id = kept(&daemon)[0]["id"].as_str().unwrap().to_owned();
    daemon.post(&format!("/api/v1/runs/{id}/accept"), &json!({})).assert_problem(409);
    drop(daemon);
    // a new boot does not begin by itself either
    let daemon = Daemon::start(&config, &FAST);
    let status = daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    assert!(status["run"].is_null() && status["need"].as_str().unwrap().contains("fail"), "{status}");
}

#[test]
fn stop_in_climb_darkens_the_wall_and_ends_as_stopped() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &["--pace", "30"]);
    let events = daemon.follow(None);
    let asked = |status: &Value| status["phase"] == "asking" || status["run"]["stage"] == "climb";
    loop {
        let status = daemon.until("asked or climbing", asked);
        if status["run"]["stage"] == "climb" {
            let id = status["run"]["id"].as_str().unwrap();
            assert_eq!(daemon.post(&format!("/api/v1/runs/{id}/stop"), &json!({})).status, 202);
            break;
        }
        let body = json!({ "question": status["run"]["question"]["id"], "answer": "as-shown" });
        daemon.post(&format!("/api/v1/runs/{}/witness", status["run"]["id"].as_str().unwrap()), &body);
    }
    let over = daemon.until("over", |s| s["phase"] == "watching");
    assert_eq!(over["last"], "stopped");
    let blanked = events.into_iter().find(|e| e.kind == "blanked").unwrap();
    assert!(blanked.data["cause"].as_str().unwrap().contains("a person at the page"), "{}", blanked.data);
    // within one sample period of virtual time: a reading takes about 10 ms
    assert!(blanked.data["after_s"].as_f64().unwrap() < 0.05, "{}", blanked.data);
}

#[test]
fn the_stop_is_heard_while_a_question_waits() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &FAST);
    daemon.until("asked", |s| !s["run"]["question"].is_null());
    assert_eq!(daemon.ask("POST", "/stop", &[], "").status, 202);
    let over = daemon.until("over", |s| s["phase"] == "watching");
    assert_eq!(over["last"], "stopped");
}

#[test]
fn two_losses_of_power_are_reported_and_then_a_person_is_waited_for() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "");
    for _ in 0..2 {
        let mut daemon = Daemon::start(&config, &["--pace", "30"]);
        daemon.until("in the sweep", |s| s["run"]["stage"] == "sweep");
        daemon.signal("KILL");
        assert_eq!(daemon.end(), None);
    }
    let daemon = Daemon::start(&config, &FAST);
    let status = daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    assert!(status["run"].is_null() && status["need"].as_str().unwrap().contains("2 attempts were interrupted"), "{status}");
    let outcomes: Vec<_> = kept(&daemon).iter().map(|r| r["outcome"].clone()).collect();
    assert_eq!(outcomes, ["interrupted", "interrupted"]);
    // a person begins: what ends is no interruption any more
    assert_eq!(daemon.post("/api/v1/runs", &json!({})).status, 202);
    daemon.until("running", |s| s["phase"] != "watching");
    assert_eq!(daemon.witness(as_shown)["last"], "pass");
}

#[test]
fn a_dropped_listener_catches_up_without_losing_an_event() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &["--pace", "200"]);
    let mut events = daemon.follow(None);
    let hello = events.next().unwrap();
    assert_eq!(hello.kind, "hello");
    let mut numbers: Vec<u64> = events.by_ref().take(10).map(|e| e.number()).collect();
    let mut last = format!("{}-{}", hello.id.rsplit_once('-').unwrap().0, numbers[9]);
    drop(events);
    daemon.until("asked", |s| s["phase"] == "asking");
    for _ in 0..3 {
        let got: Vec<_> = daemon.follow(Some(&last)).take(7).collect();
        numbers.extend(got.iter().map(daemon::Event::number));
        last.clone_from(&got[6].id);
    }
    let first = numbers[0];
    assert_eq!(numbers, (first..first + 31).collect::<Vec<_>>());
    assert_eq!(first, hello.number() + 1);
    assert_eq!(daemon.follow(Some("20260301T101500Z-0000-3")).next().unwrap().kind, "gone", "an id of another boot");
}

#[test]
fn an_answer_to_another_question_or_of_the_wrong_shape_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &FAST);
    let status = daemon.until("asked", |s| !s["run"]["question"].is_null());
    let path = format!("/api/v1/runs/{}/witness", status["run"]["id"].as_str().unwrap());
    let open = status["run"]["question"]["id"].as_u64().unwrap();
    daemon.post(&path, &json!({ "question": open + 1, "answer": "as-shown" })).assert_problem(409);
    for answer in [
        json!("perhaps"),
        json!({ "differs": [] }),
        json!({ "differs": [{ "port": 9, "position": 1, "seen": "dark" }] }),
        json!({ "differs": [{ "port": 1, "position": 1, "seen": { "turned": { "degrees": 45 } } }] }),
        json!({ "differs": [{ "port": 1, "position": 1, "seen": { "other": "" } }] }),
    ] {
        daemon.post(&path, &json!({ "question": open, "answer": answer })).assert_problem(400);
    }
    daemon.post("/api/v1/runs/20260301T101500Z-0000/witness", &json!({ "question": open, "answer": "as-shown" })).assert_problem(404);
    assert_eq!(daemon.status()["run"]["question"]["id"], open, "none of them counted");
}

#[test]
fn a_reload_takes_the_new_window_and_its_alarm_is_raised_counted_told_and_written() {
    let dir = tempfile::tempdir().unwrap();
    let quiet = "[first_power]\nstart = \"never\"\n[watch]\npatience_s = 1\n";
    let config = configure(dir.path(), "", quiet);
    let mut daemon = Daemon::start(&config, &FAST);
    let status = daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    assert!(status["points"][0]["alarm"].is_null());
    daemon.post("/api/v1/runs", &json!({})).assert_problem(409);
    let mut events = daemon.follow(None);
    // unusable: the old one stays
    std::fs::write(&config, "rig = \"sim\"\nbuild = 3\n").unwrap();
    daemon.signal("HUP");
    let until = std::time::Instant::now() + LONG;
    while !daemon.log().contains("the old one stays") {
        assert!(std::time::Instant::now() < until, "{}", daemon.log());
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    configure(dir.path(), "", &format!("{quiet}window_v = [5.2, 5.3]\n"));
    daemon.signal("HUP");
    assert!(events.any(|e| e.kind == "reloaded"));
    let alarm = events.find(|e| e.kind == "alarm").unwrap();
    assert_eq!(alarm.data["alarm"], "low", "{}", alarm.data);
    let status = daemon.until("raised", |s| s["points"][0]["alarm"] == "low");
    assert_eq!(status["points"][0]["window"], json!([5.2, 5.3]));
    assert_eq!(daemon.metric("signproof_alarm{sense=\"distribution\",kind=\"low\"}"), 1.0);
    assert!(daemon.log().contains("supply alarm"));
    daemon.signal("TERM");
    assert_eq!(daemon.end(), Some(0));
    let day = std::fs::read_dir(dir.path().join("state/watch")).unwrap().next().unwrap().unwrap().path();
    let rows = std::fs::read_to_string(day).unwrap();
    assert!(rows.starts_with("utc,sense,min,mean,max,count,missing\n") && rows.contains(",distribution,5."), "{rows}");
}

#[test]
fn the_service_manager_is_told_and_the_watchdog_fed_as_long_as_readings_come() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(LONG)).unwrap();
    let mut command = command(&configure(dir.path(), "", "[first_power]\nstart = \"never\"\n"), &FAST);
    command.env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "3000000");
    let mut daemon = Daemon::spawn(command);
    let mut told = Vec::new();
    let hear = || {
        let mut bytes = [0; 4096];
        let n = socket.recv(&mut bytes).expect("the service manager hears nothing");
        String::from_utf8_lossy(&bytes[..n]).into_owned()
    };
    while told.iter().filter(|t: &&String| t.contains("WATCHDOG=1")).count() < 3 {
        told.push(hear());
    }
    let ready = told.iter().position(|t| t.contains("READY=1")).expect("never ready");
    let fed = told.iter().position(|t| t.contains("WATCHDOG=1")).unwrap();
    assert!(ready < fed, "{told:?}");
    assert!(told.iter().any(|t| t.contains("STATUS=SIMULATED: watching the supply")), "{told:?}");
    daemon.signal("TERM");
    while !hear().contains("STOPPING=1") {}
    assert_eq!(daemon.end(), Some(0));
}

#[test]
fn a_state_directory_has_one_daemon_and_a_bad_configuration_is_said_with_its_line() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "[first_power]\nstart = \"never\"\n");
    let _first = Daemon::start(&config, &FAST);
    let second = command(&config, &FAST).output().unwrap();
    assert_eq!(second.status.code(), Some(6));
    assert!(String::from_utf8_lossy(&second.stderr).contains("another daemon uses this state directory"));
    let bad = dir.path().join("bad.toml");
    std::fs::write(&bad, "rig = \"sim\"\nbuild = \"b.toml\"\n[http]\nlisten = \"nowhere\"\n").unwrap();
    let refused = command(&bad, &[]).output().unwrap();
    assert_eq!(refused.status.code(), Some(2));
    let text = String::from_utf8_lossy(&refused.stderr);
    assert!(text.contains("line 4") && text.contains("bad.toml"), "{text}");
    assert!(!Path::new("b.toml").exists());
}

#[test]
fn the_code_is_shown_on_the_sign_only_where_a_phone_could_use_it() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "");
    let refused = command(&config, &["--show-token", "--on-sign", "--for", "1"]).output().unwrap();
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("no phone reaches"));
    let config = configure(dir.path(), "hosts = [\"sign.local:8380\"]", "");
    let shown = command(&config, &["--show-token", "--on-sign", "--for", "1"]).output().unwrap();
    let text = String::from_utf8_lossy(&shown.stderr);
    assert_eq!(shown.status.code(), Some(0), "{text}");
    let tokens = std::fs::read_to_string(dir.path().join("state/tokens.toml")).unwrap();
    let token = tokens.split('"').nth(1).unwrap();
    assert!(!text.contains(token), "the code is on the sign, the token not in the log");
}
