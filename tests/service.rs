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
    assert!(page.body.contains("SIMULATED"), "{} {:.300}", page.status, page.body);
    assert!(page.header("content-security-policy").unwrap().contains("sandbox"));
    let rows = daemon.get(&format!("/api/v1/runs/{id}/readings")).body;
    assert!(rows.lines().count() > 10_000, "{}", rows.lines().count());
    // signed once this board has a key
    let ticket = || daemon.get(&format!("/api/v1/runs/{id}/ticket?symptom=dark%20at%20dusk"));
    let (state, signature) = (dir.path().join("state"), "MANIFEST.sha256.minisig");
    let unsigned = ticket();
    assert_eq!(unsigned.header("content-type"), Some("application/zip"), "{}", unsigned.body);
    assert!(unsigned.body.contains("report.json") && !unsigned.body.contains(signature));
    let key = std::process::Command::new(env!("CARGO_BIN_EXE_signproof")).arg("key").arg("--state-dir").arg(&state).output().unwrap();
    assert!(key.status.success(), "{}", String::from_utf8_lossy(&key.stderr));
    assert!(ticket().body.contains(signature));
    let journal = std::fs::read_to_string(dir.path().join(format!("state/runs/{id}/journal.jsonl"))).unwrap();
    assert_eq!(daemon.get(&format!("/api/v1/runs/{id}/journal")).body, journal);
    let accept = format!("/api/v1/runs/{id}/accept");
    for no_reason in [json!({}), json!({ "reason": "  " })] {
        daemon.post(&accept, &no_reason).assert_problem(400);
    }
    let accepted = daemon.post(&accept, &json!({ "reason": "as built" }));
    assert_eq!(accepted.status, 204, "{}", accepted.body);
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
    assert_eq!(first["title"], "panel stays dark: 1·2", "{over}");
    assert!(over["need"].as_str().unwrap().contains("fail") && over["acceptable"].is_null());
    let id = kept(&daemon)[0]["id"].as_str().unwrap().to_owned();
    daemon.post(&format!("/api/v1/runs/{id}/accept"), &json!({ "reason": "good enough" })).assert_problem(409);
    drop(daemon);
    // a new boot does not begin by itself either
    let daemon = Daemon::start(&config, &FAST);
    let status = daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    assert!(status["run"].is_null() && status["need"].as_str().unwrap().contains("fail"), "{status}");
}

#[test]
fn a_cut_run_is_neither_offered_nor_allowed_as_the_baseline() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", "[first_power]\nstart = \"after-button\"\n"), &FAST);
    daemon.until("watching", |s| s["phase"] == "watching");
    let begun = daemon.post("/api/v1/runs", &json!({ "stages": ["open", "idle"] }));
    assert_eq!(begun.status, 202, "{}", begun.body);
    daemon.until("running", |s| s["phase"] != "watching");
    let over = daemon.witness(as_shown);
    assert_eq!((&over["last"], &over["acceptable"]), (&json!("incomplete"), &Value::Null), "{over}");
    assert!(!over["need"].as_str().unwrap().contains("accept"), "{over}");
    let run = kept(&daemon).pop().unwrap();
    assert_eq!(run["acceptable"], json!(false), "{run}");
    let refused = daemon.post(&format!("/api/v1/runs/{}/accept", run["id"].as_str().unwrap()), &json!({ "reason": "good enough" }));
    assert!(refused.body.contains("accept a whole run"), "{}", refused.body);
    refused.assert_problem(409);
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
    let asked = daemon.until("asked", |s| !s["run"]["question"].is_null());
    let (step, steps) = (asked["run"]["step"].as_u64().unwrap(), asked["run"]["steps"].as_u64().unwrap());
    assert!(0 < step && step + 1 < steps, "{asked}");
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

/// Hears the service manager's socket until a message has `wanted`.
fn hear(socket: &UnixDatagram, wanted: &str) {
    let mut bytes = [0; 4096];
    loop {
        let n = socket.recv(&mut bytes).unwrap_or_else(|e| panic!("never {wanted}: {e}"));
        if String::from_utf8_lossy(&bytes[..n]).contains(wanted) {
            return;
        }
    }
}

/// Ids and command lines of all processes that can be seen.
fn processes() -> Vec<(u32, String)> {
    let ids = std::fs::read_dir("/proc").unwrap().filter_map(|e| e.unwrap().file_name().to_str()?.parse().ok());
    let line = |id: u32| std::fs::read_to_string(format!("/proc/{id}/cmdline")).ok().map(|c| (id, c.replace('\0', " ")));
    ids.filter_map(line).collect()
}

#[test]
fn the_daemon_is_ready_and_its_watchdog_fed_while_an_interrupted_run_is_still_judged() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "[first_power]\ninterruptions = 1\n");
    let mut daemon = Daemon::start(&config, &["--pace", "30"]);
    let status = daemon.until("in the sweep", |s| s["run"]["stage"] == "sweep");
    daemon.signal("KILL");
    assert_eq!(daemon.end(), None);
    // the journal comes through a pipe, so judging lasts until this test lets it end
    let run = dir.path().join("state/runs").join(status["run"]["id"].as_str().unwrap());
    let (journal, aside) = (run.join("journal.jsonl"), dir.path().join("journal.jsonl"));
    std::fs::rename(&journal, &aside).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(&journal).status().unwrap().success());
    let path = dir.path().join("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(LONG)).unwrap();
    let mut command = command(&config, &FAST);
    command.env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "600000");
    let daemon = Daemon::spawn(command);
    hear(&socket, "READY=1");
    for _ in 0..4 {
        hear(&socket, "WATCHDOG=1");
    }
    let status = daemon.status();
    assert!(status["need"].as_str().unwrap().contains("1 attempts were interrupted"), "{status}");
    assert!(daemon.log().contains("lines are settled") && !daemon.log().contains("the interrupted run is judged"), "{}", daemon.log());
    assert!(kept(&daemon).is_empty() && !run.join("report.json").exists());
    // where memory runs out it goes, not the daemon
    let judging = processes().into_iter().filter(|(_, command)| command.contains(" judge ") && command.contains(run.to_str().unwrap()));
    let expendable: Vec<_> = judging.map(|(id, _)| std::fs::read_to_string(format!("/proc/{id}/oom_score_adj")).unwrap()).collect();
    assert_eq!(expendable, ["500\n"]);
    // opens once it is read
    let mut pipe = std::fs::File::options().write(true).open(&journal).unwrap();
    let text = std::fs::read(&aside).unwrap();
    std::fs::rename(&aside, &journal).unwrap();
    std::io::Write::write_all(&mut pipe, &text).unwrap();
    drop(pipe);
    daemon.until("read the supply", |s| s["points"][0]["value"].is_number());
    assert!(daemon.log().contains("the interrupted run is judged"), "{}", daemon.log());
    assert_eq!(kept(&daemon)[0]["outcome"], "interrupted");
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

/// A filled-in checklist of the demo with this reading at the terminals.
fn list(volts: f64) -> Value {
    let yes = ["arrows", "polarity", "fuses", "strands", "strain-relief", "selector", "protective-earth"];
    json!({
        "schema": 1, "serial": "WT-0003", "who": "the builder", "when": "2026-03-01T10:15", "licensed": "the electrician",
        "meter": { "model": "hand meter", "volts": { "percent": 0.5, "digits": 2, "step": 0.01 }, "ohms": { "percent": 1, "digits": 3, "step": 0.1 } },
        "answers": yes.map(|id| (id.to_owned(), json!(true))).into_iter().collect::<serde_json::Map<_, _>>(),
        "ohms": { "main": 150.0 },
        "volts": { "main": volts },
    })
}

fn report(daemon: &Daemon) -> Value {
    let id = kept(daemon).pop().unwrap()["id"].as_str().unwrap().to_owned();
    daemon.get(&format!("/api/v1/runs/{id}/report")).json()
}

fn check<'a>(report: &'a Value, id: &str) -> &'a Value {
    report["checks"].as_array().unwrap().iter().find(|c| c["id"] == id).unwrap_or(&Value::Null)
}

/// Begins a run of these stages and waits for its end.
fn run(daemon: &Daemon, stages: &[&str]) -> Value {
    let begun = daemon.post("/api/v1/runs", &json!({ "stages": stages }));
    assert_eq!(begun.status, 202, "{}", begun.body);
    daemon.until("over", |s| s["phase"] == "watching")
}

#[test]
fn a_checklist_outside_its_limits_stops_each_run_before_a_line_is_driven_until_a_good_one_is_handed_in() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "[first_power]\nstart = \"after-button\"\n");
    let daemon = Daemon::start(&config, &FAST);
    let view = daemon.get("/api/v1/checklist").json();
    let asked: Vec<&str> = view["questions"].as_array().unwrap().iter().map(|q| q["id"].as_str().unwrap()).collect();
    for id in ["arrows", "polarity", "ohms/main", "protective-earth", "volts/main"] {
        assert!(asked.contains(&id), "{asked:?}");
    }
    assert!(view["handed_in"].is_null());
    // not of this sign, a question that there is not, a reading whose meter says nothing of its accuracy
    for (key, value) in [("serial", json!("XX-1")), ("answers", json!({ "polarety": true })), ("meter", json!({ "model": "m" }))] {
        let mut wrong = list(5.02);
        wrong[key] = value;
        daemon.post("/api/v1/checklist", &wrong).assert_problem(400);
    }
    let seen = daemon.post("/api/v1/checklist", &list(5.31));
    assert!(seen.json()["stops"].as_str().unwrap().contains("5.31 V"), "{}", seen.body);
    for _ in 0..2 {
        let over = run(&daemon, &["open", "idle"]);
        assert_eq!(over["last"], "stopped", "{over}");
        assert!(over["handed_in"]["stops"].is_string(), "it stays: {over}");
        let report = report(&daemon);
        assert!(report["reasons"].to_string().contains("5.31 V"), "{}", report["reasons"]);
        assert_eq!(check(&report, "by-hand/volts/main")["result"], "fail");
        let id = report["run_id"].as_str().unwrap();
        let journal = daemon.get(&format!("/api/v1/runs/{id}/journal")).body;
        assert!(journal.contains("\"checklist\"") && !journal.contains("stage-started"), "nothing was driven");
    }
    // nor is anything lit to find the map
    daemon.post("/api/v1/map", &json!({})).assert_problem(409);
    // from the file, as filled in elsewhere
    let text = toml::to_string(&list(5.02)).unwrap();
    let seen = daemon.post("/api/v1/checklist/file", &json!({ "text": text }));
    assert!(seen.status == 200 && seen.json()["stops"].is_null(), "{}", seen.body);
    let over = run(&daemon, &["open", "idle"]);
    assert!(over["last"] == "incomplete" && over["handed_in"].is_null(), "used up: {over}");
    let first = report(&daemon);
    let volts = check(&first, "by-hand/volts/main");
    assert_eq!((&volts["result"], &volts["value"]), (&json!("pass"), &json!(5.02)));
    let basis = volts["basis"].as_str().unwrap();
    assert!(basis.contains("the builder") && basis.contains("2026-03-01T10:15"), "{basis}");
    assert!(check(&first, "by-hand/protective-earth")["basis"].as_str().unwrap().contains("the electrician (licensed)"));
    // nobody is asked twice, and nothing is made up
    run(&daemon, &["open"]);
    let later = report(&daemon);
    assert!(check(&later, "by-hand/volts/main").is_null());
    let page = daemon.get(&format!("/api/v1/runs/{}/report.html", later["run_id"].as_str().unwrap())).body;
    assert!(page.contains("No before-power checklist was handed in"));
}

#[test]
fn answers_typed_into_the_first_run_are_judged_and_the_hottest_joint_too() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &FAST);
    let asked = daemon.until("asked", |s| !s["run"]["question"].is_null());
    daemon.post("/api/v1/checklist", &list(5.02));
    let joint = format!("/api/v1/runs/{}/joint", asked["run"]["id"].as_str().unwrap());
    daemon.post(&joint, &json!({ "question": asked["run"]["question"]["id"], "reading": null })).assert_problem(409);
    let hot =
        json!({ "celsius": 78.0, "meter": "thermometer", "accuracy": { "percent": 1, "digits": 10, "step": 0.1 }, "who": "the builder" });
    let over = daemon.witness_with(as_shown, &hot);
    assert_eq!(over["last"], "fail", "{over}");
    let report = report(&daemon);
    assert_eq!(check(&report, "by-hand/volts/main")["result"], "pass");
    let joint = check(&report, "by-hand/joint");
    assert_eq!((&joint["result"], &joint["value"]), (&json!("fail"), &json!(78.0)));
    assert!(joint["basis"].as_str().unwrap().contains("the builder"));
}

#[test]
fn a_bad_answer_handed_in_while_the_witness_looks_ends_the_run() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &FAST);
    daemon.until("asked", |s| !s["run"]["question"].is_null());
    let mut bad = list(5.02);
    bad["answers"]["polarity"] = json!(false);
    assert_eq!(daemon.post("/api/v1/checklist", &bad).status, 200);
    let over = daemon.until("over", |s| s["phase"] == "watching");
    assert_eq!(over["last"], "stopped", "{over}");
    assert!(report(&daemon)["reasons"].to_string().contains("`polarity` was answered with no"));
}

#[test]
fn the_first_run_imports_the_file_that_the_configuration_names() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("checklist.toml");
    let config = configure(dir.path(), "", "[first_power]\nchecklist = \"checklist.toml\"\n");
    std::fs::write(&file, "schema = 1\n").unwrap();
    let checked =
        || String::from_utf8(command(&config, &["--check"]).stdout(std::process::Stdio::piped()).output().unwrap().stdout).unwrap();
    assert!(checked().contains("the checklist is not usable"), "{}", checked());
    let daemon = Daemon::start(&config, &FAST);
    let need = daemon.status()["need"].as_str().unwrap_or_default().to_owned();
    assert!(need.contains("checklist") && daemon.status()["run"].is_null(), "{need}");
    drop(daemon);
    std::fs::write(&file, toml::to_string(&list(5.31)).unwrap()).unwrap();
    assert!(checked().contains("checklist of the builder"), "{}", checked());
    let daemon = Daemon::start(&config, &FAST);
    let over = daemon.until("over", |s| s["last"] == "stopped" && s["phase"] == "watching");
    assert!(over["handed_in"]["stops"].as_str().unwrap().contains("5.31 V"), "{over}");
    assert_eq!(check(&report(&daemon), "by-hand/volts/main")["result"], "fail");
    // what stopped a run is not forgotten with the power
    drop(daemon);
    let daemon = Daemon::start(&config, &FAST);
    assert!(daemon.status()["handed_in"]["stops"].is_string());
    assert_eq!(run(&daemon, &["open"])["last"], "stopped");
}

#[test]
fn the_joint_is_not_asked_for_where_the_configuration_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "[first_power]\nstart = \"after-button\"\njoint_wait_min = 0\n");
    let daemon = Daemon::start(&config, &FAST);
    let over = run(&daemon, &["open", "hold"]);
    assert_eq!(over["last"], "incomplete", "{over}");
    let report = report(&daemon);
    assert!(report["checks"].as_array().unwrap().iter().any(|c| c["id"].as_str().unwrap().starts_with("hold/")), "it held");
    assert!(check(&report, "by-hand/joint").is_null());
}

#[test]
fn the_map_is_found_on_the_page_where_the_witness_says_that_things_are_in_the_wrong_place() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "", "[first_power]\nstart = \"after-button\"\n");
    let scenario = dir.path().join("scenario.toml");
    std::fs::write(&scenario, "[[fault]]\nkind = \"port-swap\"\nports = [1, 2]\n").unwrap();
    let daemon = Daemon::start(&config, &["--pace", "1e9", "--scenario", scenario.to_str().unwrap()]);
    assert_eq!(daemon.status()["misplaced"], false);
    daemon.post("/api/v1/runs", &json!({ "stages": ["open", "marks"] }));
    let swapped = |_: &Value| json!({ "differs": [{ "port": 1, "position": 1, "seen": { "picture-of": { "port": 2, "position": 1 } } }] });
    daemon.until("asked", |s| s["phase"] == "asking");
    let over = daemon.witness(swapped);
    assert_eq!(over["misplaced"], true, "{over}");
    let build = daemon.get("/api/v1/build").json();
    let at = |port: u64, position: u64| {
        let all = build["panels"].as_array().unwrap();
        all.iter().find(|p| p["port"] == port && p["position"] == position).map(|p| p["at"].clone())
    };
    // a search that is stopped says so, and leaves no map
    assert_eq!(daemon.post("/api/v1/map", &json!({})).status, 202);
    daemon.post("/api/v1/map", &json!({})).assert_problem(409);
    daemon.until("asked", |s| s["run"]["question"]["about"] == "place");
    assert_eq!(daemon.ask("POST", "/stop", &[], "").status, 202);
    daemon.until("over", |s| s["phase"] == "watching");
    let map = daemon.get("/api/v1/map").json();
    assert!(map["found"]["wrong"].to_string().contains("a person at the page"), "{map}");
    daemon.get("/api/v1/map/build.toml").assert_problem(404);
    // a whole one: what port 1 drives hangs where port 2 should be, and the other way round
    assert_eq!(daemon.post("/api/v1/map", &json!({})).status, 202);
    daemon.until("searching", |s| s["phase"] != "watching");
    let mut marks = Vec::new();
    loop {
        let status = daemon.until("asked or over", |s| s["phase"] == "asking" || s["phase"] == "watching");
        if status["phase"] == "watching" {
            break;
        }
        let question = &status["run"]["question"];
        let (Some(port), Some(position)) = (question["mark"][0].as_u64(), question["mark"][1].as_u64()) else { continue };
        assert!(status["run"]["search"] == true && question["about"] == "place", "{status}");
        let body = json!({ "question": question["id"], "at": at(3 - port, position), "degrees": 0 });
        let answer = daemon.post("/api/v1/map/place", &body);
        if answer.status == 204 {
            marks.push((port, position));
        }
        std::thread::sleep(std::time::Duration::from_millis(60));
    }
    assert_eq!(marks, [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)]);
    let map = daemon.get("/api/v1/map").json();
    assert!(map["found"]["advice"][0].as_str().unwrap().contains("Swap the ribbons of ports 1 and 2"), "{map}");
    assert!(map["found"]["diff"].as_str().unwrap().contains("+# Chains as found on the wall by find-map, SIMULATED"), "{map}");
    assert_eq!(daemon.status()["misplaced"], false, "the map is known now");
    assert_eq!(kept(&daemon).len(), 1, "a search is no run");
    let text = daemon.get("/api/v1/map/build.toml").body;
    let corrected = signproof::build::load(&text, "corrected").unwrap_or_else(|_| panic!("no valid build"));
    assert_eq!(signproof::power::desk(&corrected).exit_code(), 0);
    let (found, was) = (corrected.panel_at(1, 1).unwrap(), at(2, 1).unwrap());
    assert_eq!(json!(corrected.panels[found].at), was);
    // kept over a boot
    drop(daemon);
    let daemon = Daemon::start(&config, &FAST);
    assert_eq!(daemon.get("/api/v1/map/build.toml").body, text);
}

#[test]
fn whole_runs_leave_no_memory_behind() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", ""), &FAST);
    for run in 0..2 {
        if run > 0 {
            assert_eq!(daemon.post("/api/v1/runs", &json!({})).status, 202);
            daemon.until("running", |s| s["phase"] != "watching");
        }
        assert_eq!(daemon.witness(as_shown)["last"], "pass");
    }
    let (now, peak) = (daemon.memory("VmRSS:"), daemon.memory("VmHWM:"));
    println!("resident after two whole runs {now:.1} MiB, at most {peak:.1} MiB");
    assert!(now < 26.0 && peak < 32.0, "resident after two whole runs {now:.1} MiB, at most {peak:.1} MiB");
}
