//! The commands of swaymark with the head-shake detector built in.

use std::process::ExitCode;

use head_shake::HeadShake;

fn main() -> ExitCode {
    host_sim::main_with::<HeadShake>()
}
