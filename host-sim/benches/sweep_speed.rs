//! What a sweep saves: `cargo bench -p host-sim --bench sweep_speed`.
//!
//! Makes four traces of 48 h at 25 Hz and, in one run, times `swaymark sweep` with
//! grids of several kinds, and `swaymark replay` of the same four traces run three
//! times one after the other, as a shell loop does. The time of as many such
//! replays as a grid has cells is that many times the mean of the three. Arguments: hours
//! (default 48); `full` to run all 500 replays instead of three.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use host_sim::synth::{Request, run};

const TRACES: [(&str, u64); 4] =
    [("cruiser", 11), ("death-next-day", 12), ("yoyo-glider", 13), ("tag-floating", 14)];

/// Grids: cells, what they differ in, and the file.
const GRIDS: [(u32, &str, &str); 5] = [
    (
        500,
        "rate, duty cycle, raw record, judges, release",
        "[sampling]\nrate_hz = [25, 12.5, 8.3333, 6.25, 5]\nduty = [\"always\", \
         { on_s = 1200, every_s = 1800 }, { on_s = 300, every_s = 600 }, \
         { on_s = 120, every_s = 600 }, { on_s = 30, every_s = 300 }]\n[record]\n\
         raw = [false, true]\n[detector]\nfalse_death_prob = [1e-3, 1e-4]\n[release]\n\
         death_confirm_min = [10, 20, 30, 45, 60]\n",
    ),
    (
        500,
        "rate, raw record, settings of judges (25 runs of them)",
        "[sampling]\nrate_hz = [25, 12.5, 8.3333, 6.25, 5]\n[record]\nraw = [false, true]\n\
         [detector]\nfalse_death_prob = [1e-2, 1e-3, 1e-4, 1e-5, 1e-6]\n\
         ram_pause_min = [10, 15, 20, 30, 40]\nrecovery_prob = [0.9, 0.95]\n",
    ),
    (
        500,
        "settings of the release only",
        "[release]\ndeath_confirm_min = [10, 20, 30, 45, 60]\n\
         detached_confirm_min = [1, 5, 10, 20, 40]\nrecovery_normal_h = [0, 2, 4, 6, 8]\n\
         floor_h = [0, 2, 4, 6]\n",
    ),
    (
        500,
        "rate, raw record, one setting of the sample stages (10)",
        "[sampling]\nrate_hz = [25, 12.5, 8.3333, 6.25, 5]\n[record]\nraw = [false, true]\n\
         [detector]\nmin_sway_g = [0.004, 0.006, 0.008, 0.01, 0.012, 0.015, 0.02, 0.03, 0.04, 0.05]\n\
         [release]\ndeath_confirm_min = [10, 20, 30, 45, 60]\n",
    ),
    (
        50,
        "settings of the sample stages only: nothing to share",
        "[detector]\nmin_sway_g = [0.004, 0.006, 0.008, 0.01, 0.012, 0.015, 0.02, 0.03, 0.04, 0.05]\n\
         min_beat_hz = [0.11, 0.15, 0.2, 0.25, 0.3]\n",
    ),
];

fn main() {
    let hours = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(48.0);
    let loops = if std::env::args().any(|a| a == "full") { 500 } else { 3 };
    let dir = tempfile::tempdir().expect("a temporary directory");
    let mut traces = Vec::new();
    for (scenario, seed) in TRACES {
        let mut request = Request::new(scenario, seed, dir.path());
        (request.hours, request.sample_hz) = (Some(hours), Some(25.0));
        traces.push(run(&request).expect("a trace").trace);
    }
    let start = Instant::now();
    for _ in 0..loops {
        let mut replay = swaymark("replay");
        finish(replay.args(["--quiet", "--format", "json"]).args(&traces));
    }
    let loop_s = start.elapsed().as_secs_f64() / f64::from(loops);
    println!("a replay of four traces of {hours} h: {loop_s:.2} s (mean of {loops}, one by one)");
    println!("{:>5} {:>8} {:>8} {:>6}  cells differ in", "cells", "loop s", "sweep s", "times");
    for (cells, what, grid) in GRIDS {
        let loop_s = loop_s * f64::from(cells);
        let path = dir.path().join("grid.toml");
        std::fs::write(&path, grid).expect("written");
        let start = Instant::now();
        let mut sweep = swaymark("sweep");
        finish(
            sweep.arg(dir.path()).arg("--grid").arg(&path).args(["--quiet", "--format", "json"]),
        );
        let sweep_s = start.elapsed().as_secs_f64();
        println!("{cells:>5} {loop_s:>8.0} {sweep_s:>8.1} {:>6.0}  {what}", loop_s / sweep_s);
    }
}

fn swaymark(command: &str) -> Command {
    let mut run = Command::new(Path::new(env!("CARGO_BIN_EXE_swaymark")));
    run.arg(command);
    run
}

fn finish(command: &mut Command) {
    let status = command.stdout(Stdio::null()).status().expect("swaymark runs");
    assert!(status.success());
}
