//! The doors of the built daemon: what must be refused is refused, counted, and logged without secrets.

mod daemon;

use daemon::{Daemon, configure};
use serde_json::json;
use std::io::{Read, Write};
use std::net::TcpStream;

/// A daemon that begins nothing, with tokens; the tokens to act and to look.
fn guarded(dir: &std::path::Path, http: &str) -> (Daemon, String, String) {
    let config = configure(dir, &format!("token = true\n{http}"), "[first_power]\nstart = \"never\"\n");
    let daemon = Daemon::start(&config, &[]);
    let text = std::fs::read_to_string(dir.join("state/tokens.toml")).unwrap();
    let token = |name: &str| text.lines().find_map(|l| l.strip_prefix(name)).unwrap().trim_matches('"').to_owned();
    (daemon, token("operator = "), token("viewer = "))
}

fn refused(daemon: &Daemon, token: &str, why: &str) -> f64 {
    let answer = daemon.ask("GET", "/api/v1/metrics", &[("Authorization", &format!("Bearer {token}"))], "");
    assert_eq!(answer.status, 200, "{}", answer.body);
    let line = format!("signproof_http_refused_total{{reason=\"{why}\"}} ");
    answer.body.lines().find_map(|l| l.strip_prefix(&line)).map_or(0.0, |v| v.parse().unwrap())
}

#[test]
fn tokens_open_the_doors_and_nothing_else_does() {
    let dir = tempfile::tempdir().unwrap();
    let (daemon, operator, viewer) = guarded(dir.path(), "");
    for path in ["/api/v1/status", "/api/v1/events", "/api/v1/metrics", "/api/v1/openapi.json", "/api/v1/nothing"] {
        daemon.get(path).assert_problem(401);
    }
    daemon.post("/api/v1/runs", &json!({})).assert_problem(401);
    daemon.ask("POST", "/stop", &[], "").assert_problem(401);
    let page = daemon.get("/");
    assert_eq!((page.status, page.header("location")), (303, Some("/login")));
    assert_eq!(refused(&daemon, &operator, "no-token"), 7.0);
    let with = |token: &str, method: &str, path: &str| {
        daemon.ask(method, path, &[("Authorization", &format!("Bearer {token}")), ("Content-Type", "application/json")], "{}")
    };
    with("wrong-wrong-wrong-wrong", "GET", "/api/v1/status").assert_problem(401);
    with(&operator[..operator.len() - 1], "GET", "/api/v1/status").assert_problem(401);
    assert_eq!(refused(&daemon, &operator, "token"), 2.0);
    assert_eq!(with(&operator, "GET", "/api/v1/status").json()["may_act"], true);
    // a viewer looks
    assert_eq!(with(&viewer, "GET", "/api/v1/status").json()["may_act"], false);
    with(&viewer, "POST", "/api/v1/runs").assert_problem(403);
    with(&viewer, "POST", "/stop").assert_problem(403);
    assert_eq!(refused(&daemon, &operator, "role"), 2.0);
    // the operator may, but this configuration begins nothing
    with(&operator, "POST", "/api/v1/runs").assert_problem(409);
    let log = daemon.log();
    assert!(log.contains("request refused"), "{log}");
    // the tokens were shown once, on the console, before the log of requests
    assert_eq!((log.matches(&operator).count(), log.matches(&viewer).count()), (1, 1));
    assert!(!log.contains("wrong-wrong"), "what was shown is not logged");
}

#[test]
fn the_cookie_is_hardened_and_ends() {
    let dir = tempfile::tempdir().unwrap();
    let (daemon, operator, _) = guarded(dir.path(), "");
    let form = [("Content-Type", "application/x-www-form-urlencoded")];
    let wrong = daemon.ask("POST", "/login", &form, "token=guess");
    assert_eq!(wrong.status, 403);
    assert!(wrong.header("set-cookie").is_none() && wrong.body.contains("not a token of this board"));
    let right = daemon.ask("POST", "/login", &form, &format!("token={operator}"));
    assert_eq!((right.status, right.header("location")), (303, Some("/")));
    let cookie = right.header("set-cookie").unwrap();
    assert!(cookie.contains("; HttpOnly") && cookie.contains("; SameSite=Strict") && !cookie.contains(&operator), "{cookie}");
    let value = cookie.split(';').next().unwrap();
    let page = daemon.ask("GET", "/", &[("Cookie", value)], "");
    assert_eq!(page.status, 200);
    for (name, part) in [
        ("content-security-policy", "default-src 'none'"),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "same-origin"),
        ("x-frame-options", "DENY"),
        ("cache-control", "no-store"),
        ("cross-origin-resource-policy", "same-origin"),
    ] {
        assert!(page.header(name).is_some_and(|v| v.contains(part)), "{name}: {}", page.head);
    }
    assert!(!page.body.contains("http://") && !page.body.contains("https://"), "the page fetches nothing from elsewhere");
    daemon.ask("GET", "/api/v1/status", &[("Cookie", &format!("{}0", &value[..value.len() - 1]))], "").assert_problem(401);
    assert!(daemon.ask("POST", "/logout", &[("Cookie", value)], "").header("set-cookie").unwrap().contains("Max-Age=0"));
}

#[test]
fn too_many_wrong_tokens_shut_the_door_for_a_while() {
    let dir = tempfile::tempdir().unwrap();
    let (daemon, operator, _) = guarded(dir.path(), "");
    let answers: Vec<u16> =
        (0..14).map(|i| daemon.ask("GET", "/api/v1/status", &[("Authorization", &format!("Bearer guess-{i}"))], "").status).collect();
    assert_eq!(answers[0], 401);
    assert!(answers.contains(&429), "{answers:?}");
    assert!(refused(&daemon, &operator, "tries") >= 1.0, "the right token still opens");
}

#[test]
fn foreign_hosts_and_origins_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let (daemon, operator, _) = guarded(dir.path(), "");
    let own = daemon.address.to_string();
    let token = format!("Bearer {operator}");
    let ask = |method: &str, host: &str, more: &[(&str, &str)]| {
        let mut headers = vec![("Host", host), ("Authorization", token.as_str()), ("Content-Type", "application/json")];
        headers.extend(more);
        daemon.ask(method, "/api/v1/status", &headers, "")
    };
    for host in
        ["evil.example", "evil.example:8380", "127.0.0.1", "127.0.0.1.evil.example:80", "localhost.evil.example", "192.0.2.1:80", ""]
    {
        ask("GET", host, &[]).assert_problem(421);
    }
    assert_eq!(refused(&daemon, &operator, "host"), 7.0);
    let twice = format!("GET /api/v1/status HTTP/1.1\r\nHost: {own}\r\nHost: evil.example\r\nConnection: close\r\n\r\n");
    assert!(matches!(daemon.raw(twice.as_bytes()).status, 400 | 421));
    assert!(matches!(daemon.raw(b"GET /api/v1/status HTTP/1.1\r\nConnection: close\r\n\r\n").status, 400 | 421), "no Host at all");
    for origin in ["http://evil.example", "null", "https://127.0.0.1", &format!("https://{own}"), &format!("http://{own}.evil.example")] {
        ask("GET", &own, &[("Origin", origin)]).assert_problem(403);
    }
    for site in ["cross-site", "same-site"] {
        ask("GET", &own, &[("Sec-Fetch-Site", site), ("Sec-Fetch-Mode", "no-cors")]).assert_problem(403);
    }
    assert_eq!(refused(&daemon, &operator, "origin"), 7.0);
    assert_eq!(ask("GET", &own, &[("Origin", &format!("http://{own}"))]).status, 200);
    assert_eq!(ask("GET", &format!("localhost:{}", daemon.address.port()), &[]).status, 200);
    // a link on another page that a person follows; it may look, never act
    let follow = [("Sec-Fetch-Site", "cross-site"), ("Sec-Fetch-Mode", "navigate")];
    assert_eq!(ask("GET", &own, &follow).status, 200);
    daemon.ask("POST", "/stop", &[("Authorization", &token), follow[0], follow[1]], "").assert_problem(403);
}

#[test]
fn bodies_that_are_too_large_malformed_or_of_another_kind_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "body_bytes = 2048", "[first_power]\nstart = \"after-button\"\n");
    let daemon = Daemon::start(&config, &[]);
    let post = |kind: &str, body: &str| daemon.ask("POST", "/api/v1/runs", &[("Content-Type", kind)], body);
    let note = "x".repeat(4000);
    post("application/json", &json!({ "note": note }).to_string()).assert_problem(413);
    // a length that promises too much, and chunks that never end
    let promised = format!(
        "POST /api/v1/runs HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nContent-Length: 999999999\r\nConnection: close\r\n\r\n{note}",
        daemon.address
    );
    assert_eq!(daemon.raw(promised.as_bytes()).status, 413);
    let chunked = format!(
        "POST /api/v1/runs HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\nfa0\r\n{note}\r\n",
        daemon.address
    );
    assert_eq!(daemon.raw(chunked.as_bytes()).status, 413);
    for body in [
        "",
        "{",
        "[]",
        "null",
        "{\"place\": \"moon\"}",
        "{\"colour\": \"red\"}",
        "{\"ambient_c\": 1e9}",
        "{\"ambient_c\": NaN}",
        "\u{feff}{}",
    ] {
        post("application/json", body).assert_problem(400);
    }
    post("application/json", &"[".repeat(2000)).assert_problem(400);
    post("text/plain", "{}").assert_problem(415);
    post("application/x-www-form-urlencoded", "place=bench").assert_problem(415);
    daemon.ask("POST", "/api/v1/runs", &[], "{}").assert_problem(415);
    assert_eq!(daemon.status()["phase"], "watching", "none of them began a run");
    assert_eq!(daemon.metric("signproof_http_refused_total{reason=\"size\"}"), 3.0);
    // heads too
    let long = format!("GET /api/v1/status HTTP/1.1\r\nHost: {}\r\nX-Long: {}\r\n\r\n", daemon.address, "y".repeat(100_000));
    assert!(matches!(daemon.raw(long.as_bytes()).status, 0 | 400 | 431));
    assert!(matches!(daemon.raw(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03 no http at all\r\n\r\n").status, 0 | 400));
    assert!(daemon.metric("signproof_http_refused_total{reason=\"malformed\"}") >= 1.0);
    assert_eq!(daemon.status()["phase"], "watching");
}

#[test]
fn slow_heads_and_slow_bodies_lose_their_connection() {
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "patience_s = 1", "[first_power]\nstart = \"never\"\n");
    let daemon = Daemon::start(&config, &[]);
    let open = |text: &str| {
        let mut stream = TcpStream::connect(daemon.address).unwrap();
        stream.set_read_timeout(Some(daemon::LONG)).unwrap();
        stream.write_all(text.as_bytes()).unwrap();
        stream
    };
    let mut head = open("GET /api/v1/status HTTP/1.1\r\nX-Slow: ");
    let mut body = open(&format!(
        "POST /api/v1/runs HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nContent-Length: 100\r\nConnection: close\r\n\r\n{{",
        daemon.address
    ));
    // a letter now and then does not help
    for _ in 0..8 {
        std::thread::sleep(std::time::Duration::from_millis(250));
        let _ = head.write_all(b"a");
        let _ = body.write_all(b" ");
    }
    let mut said = String::new();
    let _ = head.read_to_string(&mut said);
    assert!(!said.contains("200 OK"), "{said}");
    let mut said = String::new();
    let _ = body.read_to_string(&mut said);
    assert!(said.starts_with("HTTP/1.1 408") || said.is_empty(), "{said}");
    assert!(daemon.metric("signproof_http_refused_total{reason=\"slow\"}") >= 2.0, "{}", daemon.log());
    assert_eq!(daemon.status()["phase"], "watching");
}

#[test]
fn paths_cannot_leave_their_directory() {
    let dir = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&configure(dir.path(), "", "[first_power]\nstart = \"never\"\n"), &[]);
    std::fs::create_dir_all(dir.path().join("state/runs")).unwrap();
    std::fs::write(dir.path().join("state/report.json"), "secret").unwrap();
    std::fs::write(dir.path().join("state/secret.csv"), "secret").unwrap();
    for path in [
        "/api/v1/runs/../report",
        "/api/v1/runs/%2e%2e/report",
        "/api/v1/runs/..%2f..%2fstate/report",
        "/api/v1/runs/%2e%2e%2fstate/journal",
        "/api/v1/watch/..%2fsecret",
        "/api/v1/watch/%2e%2e%2fsecret",
        "/assets/../../signproof.toml",
        "/assets/..%2f..%2fsignproof.toml",
        "/../../etc/passwd",
        "/api/v1/runs/%00/report",
        "/api/v1/runs/%ff/report",
    ] {
        let answer = daemon.get(path);
        assert!(matches!(answer.status, 400 | 404), "{path}: {}", answer.head);
        assert!(!answer.body.contains("secret") && !answer.body.contains("root:"), "{path}");
    }
}

#[test]
fn connections_and_rates_are_bounded() {
    let dir = tempfile::tempdir().unwrap();
    let limits = "connections = 8\nrequests_per_s = 1\nburst = 20";
    let daemon = Daemon::start(&configure(dir.path(), limits, "[first_power]\nstart = \"never\"\n"), &[]);
    let held: Vec<_> = (0..8).map(|_| TcpStream::connect(daemon.address).unwrap()).collect();
    // one more is closed unanswered; the eighth may still be waiting to be taken
    let until = std::time::Instant::now() + daemon::LONG;
    while daemon.get("/api/v1/status").status != 0 {
        assert!(std::time::Instant::now() < until, "more than 8 connections were taken");
    }
    drop(held);
    let mut answers = Vec::new();
    while !answers.contains(&429) {
        assert!(std::time::Instant::now() < until, "{answers:?}");
        answers.push(daemon.get("/api/v1/status").status);
    }
    let until = std::time::Instant::now() + daemon::LONG;
    while daemon.get("/api/v1/status").status != 200 {
        assert!(std::time::Instant::now() < until, "the bucket never fills again");
        std::thread::sleep(std::time::Duration::from_millis(300));
    }
    let log = daemon.log();
    assert!(log.contains("why=\"connections\"") && log.contains("why=\"rate\""), "{log}");
}

#[test]
fn a_token_file_that_others_can_read_is_not_taken() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let config = configure(dir.path(), "token = true", "[first_power]\nstart = \"never\"\n");
    drop(Daemon::start(&config, &[]));
    std::fs::set_permissions(dir.path().join("state/tokens.toml"), std::fs::Permissions::from_mode(0o644)).unwrap();
    let refused = daemon::command(&config, &[]).output().unwrap();
    assert_eq!(refused.status.code(), Some(6));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("chmod 600"));
}
