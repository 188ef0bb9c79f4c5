//! Judging in a process of its own: it needs several times the memory of all the rest of the daemon, and gives it back whole
//! where it ends. The same binary, the same commands as on the command line, one at a time.

use std::ffi::OsStr;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Mutex, PoisonError};

/// The program of this process, also where its file was replaced meanwhile.
const MYSELF: &str = "/proc/self/exe";
/// Two at once would need the memory twice.
static ONE: Mutex<()> = Mutex::new(());

/// Where memory runs out, the kernel ends this process and not the daemon, which may have the sign lit (proc(5), oom_score_adj).
const EXPENDABLE: &str = "500";

/// Why a command gave nothing.
#[derive(Debug, thiserror::Error)]
pub enum ToolError {
    /// It refused, in its words.
    #[error("{0}")]
    Refused(String),
    /// It, or what it works on, broke.
    #[error("{0}")]
    Broken(String),
}

/// What a command printed.
fn run(command: &str, args: &[&OsStr]) -> Result<Vec<u8>, ToolError> {
    let _one = ONE.lock().unwrap_or_else(PoisonError::into_inner);
    let mut child = Command::new(MYSELF);
    child.args(["--log", "warn", command]).args(args).stdin(Stdio::null()).env("NO_COLOR", "1");
    // the service manager is spoken to by the daemon alone
    for name in ["NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "JOURNAL_STREAM"] {
        child.env_remove(name);
    }
    // an interrupt at the terminal is for the daemon, which lets this come to its end
    std::os::unix::process::CommandExt::process_group(&mut child, 0);
    let broken = |what: &str, e: std::io::Error| ToolError::Broken(format!("`signproof {command}` cannot be {what}: {e}"));
    let child = child.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().map_err(|e| broken("started", e))?;
    // where this is not permitted, all are alike
    let _ = std::fs::write(format!("/proc/{}/oom_score_adj", child.id()), EXPENDABLE);
    let done = child.wait_with_output().map_err(|e| broken("waited for", e))?;
    let said = String::from_utf8_lossy(&done.stderr).trim().to_owned();
    let code = done.status.code();
    match code {
        // a judged run ends with the code of its outcome, having printed it
        Some(0..=6) if command == "judge" && !done.stdout.is_empty() => Ok(done.stdout),
        Some(0) => Ok(done.stdout),
        Some(2) => Err(ToolError::Refused(said)),
        _ if said.is_empty() => Err(ToolError::Broken(format!("`signproof {command}` ended with {}", done.status))),
        _ => Err(ToolError::Broken(said)),
    }
}

fn option(name: &str, value: impl AsRef<OsStr>) -> std::ffi::OsString {
    let mut option = std::ffi::OsString::from(format!("{name}="));
    option.push(value);
    option
}

/// Judges a run from its journal and writes its reports.
///
/// # Errors
/// Where it can't be judged.
pub fn judge(dir: &Path) -> Result<(), ToolError> {
    run("judge", &[dir.as_os_str()]).map(drop)
}

/// The report of what the journal has so far; nothing is written.
///
/// # Errors
/// Where it can't be judged.
pub fn report_so_far(dir: &Path) -> Result<Vec<u8>, ToolError> {
    run("judge", &[dir.as_os_str(), "--print-only".as_ref(), "--format=json".as_ref()])
}

/// Every reading of a run, one a row.
///
/// # Errors
/// Where the journal can't be read.
pub fn readings(dir: &Path) -> Result<Vec<u8>, ToolError> {
    run("judge", &[dir.as_os_str(), "--print-only".as_ref(), "--format=csv".as_ref()])
}

/// What changed from one run to another, as `text` or `json`.
///
/// # Errors
/// Where they can't be compared.
pub fn compare(before: &Path, after: &Path, format: &str) -> Result<Vec<u8>, ToolError> {
    run("compare", &[before.as_os_str(), after.as_os_str(), &option("--format", format)])
}

/// Accepts a run as the baseline of its build.
///
/// # Errors
/// Where it is not one that may be, or the state directory can't be written.
pub fn accept(dir: &Path, reason: &str, state: &Path) -> Result<(), ToolError> {
    run("accept", &[dir.as_os_str(), &option("--reason", reason), &option("--state-dir", state)]).map(drop)
}

/// The ticket of a run; signed where the state directory has a key.
///
/// # Errors
/// Where the run can't be read.
pub fn ticket(dir: &Path, symptom: Option<&str>, redact: bool, state: &Path) -> Result<Vec<u8>, ToolError> {
    let [symptom, state_dir] = [symptom.map(|s| option("--symptom", s)), Some(option("--state-dir", state))];
    let mut args = vec![dir.as_os_str(), "--out=-".as_ref()];
    args.extend(symptom.iter().chain(&state_dir).map(|s| s.as_os_str()));
    if redact {
        args.push("--redact".as_ref());
    }
    if state.join(crate::ticket::SECRET_NAME).exists() {
        args.push("--sign".as_ref());
    }
    run("ticket", &args)
}
