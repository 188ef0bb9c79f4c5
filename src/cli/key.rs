//! `signproof key`.

use super::accept::StateDir;
use super::{Exit, print};
use crate::ticket::{self, KeyPair, SignError};
use clap::Args;

/// Arguments of `key`.
#[derive(Args)]
pub struct KeyArgs {
    /// Only print the public half of the key that is there; make none.
    #[arg(long)]
    show: bool,
    #[command(flatten)]
    state: StateDir,
}

/// `signproof key`: makes a key in the state directory and prints its public half.
pub fn key(args: &KeyArgs) -> Result<u8, Exit> {
    let dir = args.state.path()?;
    let error = |e: SignError| match e {
        SignError::Exists(_) => Exit::usage(format!("{e}; `signproof key --show` prints its public half")),
        _ => Exit::error(e.to_string()),
    };
    let text = if args.show {
        ticket::read_key(&dir).and_then(|k| k.public_text()).map_err(error)?
    } else {
        let (pair, path) = KeyPair::create(&dir).map_err(error)?;
        say!("public key in {}; give it to whoever checks tickets of this sign", path.display());
        pair.public_text().map_err(error)?
    };
    print(&text);
    Ok(0)
}
