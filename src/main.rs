//! Hands the arguments to [`settled::app::cli::main`] and returns its exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    settled::app::cli::main()
}
