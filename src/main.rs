//! Command line of signproof: arguments in, exit code out.

use std::process::ExitCode;

fn main() -> ExitCode {
    signproof::cli::main()
}
