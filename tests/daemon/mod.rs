//! The built daemon on a free loopback port with a directory of its own, and the plainest possible client.
#![allow(dead_code, reason = "each test file uses its own part")]

use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Nothing here takes this long on any machine.
pub const LONG: Duration = Duration::from_secs(120);

pub struct Daemon {
    child: Child,
    pub address: SocketAddr,
    pub log: Arc<Mutex<String>>,
}

/// Writes a configuration for the demo sign in `dir`; `more` is TOML that may begin with tables.
pub fn configure(dir: &Path, http: &str, more: &str) -> PathBuf {
    let file = dir.join("signproof.toml");
    let build = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/water-taxi.toml");
    let text = format!("rig = \"sim\"\nbuild = \"{}\"\n{more}\n[http]\nlisten = \"127.0.0.1:0\"\n{http}\n", build.display());
    std::fs::write(&file, text).unwrap();
    file
}

pub fn command(config: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_signproof"));
    command.args(["--log", "info", "serve", "--rig", "sim", "--seed", "1", "--config"]).arg(config).args(args);
    for name in ["JOURNAL_STREAM", "STATE_DIRECTORY", "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"] {
        command.env_remove(name);
    }
    command.env("NO_COLOR", "1").stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
    command
}

impl Daemon {
    pub fn start(config: &Path, args: &[&str]) -> Self {
        Self::spawn(command(config, args))
    }

    pub fn spawn(mut command: Command) -> Self {
        let mut child = command.spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let log = Arc::new(Mutex::new(String::new()));
        let kept = Arc::clone(&log);
        let (found, address) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            while let Some(Ok(line)) = lines.next() {
                if let Some(url) = line.strip_prefix("page: http://") {
                    let _ = found.send(url.trim_end_matches('/').parse().unwrap());
                }
                let mut log = kept.lock().unwrap();
                log.push_str(&line);
                log.push('\n');
            }
        });
        let address = address.recv_timeout(LONG).unwrap_or_else(|_| panic!("the daemon does not serve: {}", log.lock().unwrap()));
        Self { child, address, log }
    }

    /// Resident memory in MiB, `VmRSS` or `VmHWM`.
    pub fn memory(&self, field: &str) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find_map(|l| l.strip_prefix(field)).unwrap();
        line.split_whitespace().next().unwrap().parse::<f64>().unwrap() / 1024.0
    }

    pub fn signal(&self, name: &str) {
        let done = Command::new("kill").args([&format!("-{name}"), &self.child.id().to_string()]).status().unwrap();
        assert!(done.success());
    }

    /// Waits for its end; the exit code, `None` where a signal ended it.
    pub fn end(&mut self) -> Option<i32> {
        let until = Instant::now() + LONG;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            assert!(Instant::now() < until, "the daemon does not end");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    /// A request with the headers that a well-behaved client sends, `headers` added.
    pub fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        let mut text = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
        if !headers.iter().any(|(k, _)| k.eq_ignore_ascii_case("host")) {
            text.push_str(&format!("Host: {}\r\n", self.address));
        }
        for (k, v) in headers {
            text.push_str(&format!("{k}: {v}\r\n"));
        }
        text.push_str("\r\n");
        text.push_str(body);
        self.raw(text.as_bytes())
    }

    /// Sends bytes and reads all that comes back.
    pub fn raw(&self, bytes: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(LONG)).unwrap();
        // a refusal may come, and the connection close, before all is sent
        let _ = stream.write_all(bytes);
        let mut all = Vec::new();
        let _ = stream.read_to_end(&mut all);
        Answer::parse(&all)
    }

    pub fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, &[], "")
    }

    pub fn post(&self, path: &str, body: &Value) -> Answer {
        self.ask("POST", path, &[("Content-Type", "application/json")], &body.to_string())
    }

    pub fn status(&self) -> Value {
        let answer = self.get("/api/v1/status");
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.json()
    }

    /// The status once it is as wanted.
    pub fn until(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let until = Instant::now() + LONG;
        loop {
            let status = self.status();
            if wanted(&status) {
                return status;
            }
            assert!(Instant::now() < until, "never {what}; last: {status}\n{}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Answers every question until the run is over; the last status.
    pub fn witness(&self, answer: impl Fn(&Value) -> Value) -> Value {
        self.witness_with(answer, &Value::Null)
    }

    /// The same with a reading of the hottest joint.
    pub fn witness_with(&self, answer: impl Fn(&Value) -> Value, joint: &Value) -> Value {
        loop {
            let status = self.until("asked or over", |s| s["phase"] == "asking" || s["phase"] == "watching");
            if status["phase"] == "watching" {
                return status;
            }
            let (id, question) = (status["run"]["id"].as_str().unwrap(), &status["run"]["question"]);
            if question.is_null() {
                std::thread::sleep(Duration::from_millis(60));
                continue;
            }
            let answer = if question["about"] == "joint" {
                self.post(&format!("/api/v1/runs/{id}/joint"), &serde_json::json!({ "question": question["id"], "reading": joint }))
            } else {
                let body = serde_json::json!({ "question": question["id"], "answer": answer(question) });
                self.post(&format!("/api/v1/runs/{id}/witness"), &body)
            };
            // a question may be withdrawn at the same moment
            assert!(matches!(answer.status, 204 | 404 | 409), "{}", answer.body);
            // within the rate that strangers are held to
            std::thread::sleep(Duration::from_millis(60));
        }
    }

    /// Follows the events after `after`, or from now on.
    pub fn follow(&self, after: Option<&str>) -> Events {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(LONG)).unwrap();
        let after = after.map(|id| format!("Last-Event-ID: {id}\r\n")).unwrap_or_default();
        write!(stream, "GET /api/v1/events HTTP/1.1\r\nHost: {}\r\n{after}\r\n", self.address).unwrap();
        Events { lines: BufReader::new(stream).lines() }
    }

    pub fn metric(&self, line: &str) -> f64 {
        let text = self.get("/api/v1/metrics").body;
        let value = text.lines().find_map(|l| l.strip_prefix(line)?.strip_prefix(' '));
        value.map_or(0.0, |v| v.parse().unwrap())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: String,
}

impl Answer {
    fn parse(bytes: &[u8]) -> Self {
        let cut = bytes.windows(4).position(|w| w == b"\r\n\r\n").unwrap_or(bytes.len());
        let (head, body) = (String::from_utf8_lossy(&bytes[..cut]).into_owned(), bytes.get(cut + 4..).unwrap_or_default());
        let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
        let chunked = head.to_ascii_lowercase().contains("transfer-encoding: chunked");
        let body = if chunked { whole(body) } else { body.to_owned() };
        let body = String::from_utf8_lossy(&body).into_owned();
        Self { status, head, body }
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|l| l.split_once(": ").filter(|(k, _)| k.eq_ignore_ascii_case(name)).map(|(_, v)| v))
    }

    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.body))
    }

    pub fn assert_problem(&self, status: u16) {
        assert_eq!(self.status, status, "{}\n{}", self.head, self.body);
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{}", self.head);
        let problem = self.json();
        assert_eq!(problem["status"], status);
        assert!(problem["detail"].as_str().is_some_and(|d| !d.is_empty()), "{problem}");
    }
}

/// Puts chunks together: their sizes count bytes.
fn whole(mut rest: &[u8]) -> Vec<u8> {
    let mut all = Vec::new();
    while let Some(end) = rest.windows(2).position(|w| w == b"\r\n") {
        let size = std::str::from_utf8(&rest[..end]).ok().and_then(|s| usize::from_str_radix(s.trim(), 16).ok());
        let Some(piece) = size.and_then(|size| rest.get(end + 2..end + 2 + size)).filter(|p| !p.is_empty()) else { break };
        all.extend_from_slice(piece);
        rest = rest.get(end + 2 + piece.len() + 2..).unwrap_or_default();
    }
    all
}

pub struct Event {
    pub id: String,
    pub kind: String,
    pub data: Value,
}

impl Event {
    /// Its number within the boot.
    pub fn number(&self) -> u64 {
        self.id.rsplit_once('-').unwrap().1.parse().unwrap()
    }
}

pub struct Events {
    lines: std::io::Lines<BufReader<TcpStream>>,
}

impl Iterator for Events {
    type Item = Event;
    fn next(&mut self) -> Option<Event> {
        let (mut id, mut kind, mut data) = (String::new(), String::new(), String::new());
        loop {
            let line = self.lines.next()?.ok()?;
            match line.split_once(": ") {
                Some(("id", v)) => id = v.to_owned(),
                Some(("event", v)) => kind = v.to_owned(),
                Some(("data", v)) => data = v.to_owned(),
                _ if line.is_empty() && !kind.is_empty() && !data.is_empty() => {
                    return Some(Event { id, kind, data: serde_json::from_str(&data).unwrap() });
                }
                // heads, chunk sizes, comments
                _ => {}
            }
        }
    }
}
