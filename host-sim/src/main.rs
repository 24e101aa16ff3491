//! The `swaymark` program.

mod cli;
mod cli_budget;
mod cli_cohort;
mod cli_compare;
mod cli_replay;
mod cli_score;
mod cli_shell;
mod cli_sweep;
mod cli_synth;
mod cli_unpack;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::main()
}
