//! The `derig` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    derig::cli::run(std::env::args_os())
}
