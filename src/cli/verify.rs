//! `signproof verify`.

use super::{Exit, Format, print};
use crate::ticket;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `verify`.
#[derive(Args)]
pub struct VerifyArgs {
    /// The ticket.
    ticket: PathBuf,
    /// Public key of the sign's owner: a file, or the key's base64 line.
    #[arg(long, value_name = "KEY")]
    key: Option<String>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// `signproof verify`: 0 where the ticket holds, 1 where it does not, 2 where it is no ticket or refused.
pub fn verify(args: &VerifyArgs) -> Result<u8, Exit> {
    let key = args.key.as_deref().map(|k| std::fs::read_to_string(k).unwrap_or_else(|_| k.to_owned()));
    if let Some(text) = &key {
        ticket::public_key(text).map_err(|e| Exit::usage(format!("--key: neither a file nor a public key ({e})")))?;
    }
    let verdict = ticket::verify(&args.ticket, key.as_deref()).map_err(|e| Exit::usage(format!("{}: {e}", args.ticket.display())))?;
    match args.format {
        Format::Text => print(&verdict.text()),
        Format::Json => print(&serde_json::to_string_pretty(&verdict).map_err(|e| Exit::error(format!("writing JSON: {e}")))?),
    }
    Ok(u8::from(!verdict.holds()))
}
