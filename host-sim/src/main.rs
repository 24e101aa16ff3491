//! The `swaymark` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    host_sim::main()
}
