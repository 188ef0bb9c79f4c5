//! `signproof ticket`.

use super::accept::StateDir;
use super::{Exit, print, print_bytes};
use crate::commission;
use crate::{journal, ticket};
use clap::Args;
use std::path::PathBuf;

/// Longest symptom note, bytes.
const SYMPTOM_MAX: usize = 4096;

/// Arguments of `ticket`.
#[derive(Args)]
pub struct TicketArgs {
    /// Directory of the run.
    run: PathBuf,
    /// The zip to write; `-` for standard output.
    #[arg(short, long, value_name = "FILE.zip", required_unless_present = "text")]
    out: Option<PathBuf>,
    /// Print at most 15 lines for pasting into a ticket system; no zip unless --out is given as well.
    #[arg(long)]
    text: bool,
    /// What you noticed, in your words.
    #[arg(long, value_name = "WORDS")]
    symptom: Option<String>,
    /// Sign with the key of the state directory (see `signproof key`).
    #[arg(long)]
    sign: bool,
    /// Take serials, names and site out; comments of the build file go too.
    #[arg(long)]
    redact: bool,
    /// Take this word out as well, e.g. a network's name; may be given several times.
    #[arg(long, value_name = "WORD", requires = "redact")]
    redact_word: Vec<String>,
    #[command(flatten)]
    state: StateDir,
}

/// `signproof ticket`.
pub fn ticket(args: &TicketArgs) -> Result<u8, Exit> {
    let symptom = args.symptom.as_deref();
    if symptom.is_some_and(|s| s.len() > SYMPTOM_MAX) {
        return Err(Exit::usage(format!("--symptom: longer than {SYMPTOM_MAX} bytes; say it shorter")));
    }
    if let Some(short) = args.redact_word.iter().find(|w| w.trim().chars().count() < 3) {
        return Err(Exit::usage(format!("--redact-word {short}: words under three letters would be found inside others")));
    }
    let error = |e: commission::CommissionError| Exit::error(e.to_string());
    let judged = commission::read_run(&args.run).map_err(error)?;
    let dir = judged.path.parent().map(std::path::Path::to_owned).unwrap_or_default();
    let baseline = commission::read_baseline(&dir).map_err(error)?;
    let key = if args.sign { Some(ticket::read_key(&args.state.path()?).map_err(|e| Exit::error(e.to_string()))?) } else { None };
    let bytes = std::fs::read(&judged.path).map_err(|e| Exit::error(format!("{}: {e}", judged.path.display())))?;
    let request = ticket::Request {
        judged: &judged,
        journal: &bytes,
        baseline: baseline.clone(),
        symptom,
        redact: args.redact,
        words: &args.redact_word,
        key: key.as_ref(),
    };
    if let Some(out) = &args.out {
        let zip = ticket::make(&request).map_err(Exit::error)?;
        if out.as_os_str() == "-" {
            print_bytes(&zip);
        } else {
            journal::write_whole(out, &zip).map_err(|e| Exit::error(format!("{}: {e}", out.display())))?;
        }
        say!("{}: {} KiB, {}", out.display(), zip.len().div_ceil(1024), if args.sign { "signed" } else { "not signed" });
    }
    if args.text && args.redact {
        let left = ticket::redacted(&request).map_err(Exit::error)?;
        let files = left.judged.files(left.baseline.as_ref()).map_err(error)?;
        print(&ticket::text(&files.report, left.symptom.as_deref()));
    } else if args.text {
        let files = judged.files(baseline.as_ref()).map_err(error)?;
        print(&ticket::text(&files.report, symptom));
    }
    Ok(0)
}
