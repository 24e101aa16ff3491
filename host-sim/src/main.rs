//! The `swaymark` program.

mod cli;
mod cli_replay;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::main()
}
