//! What a replay costs: `cargo bench -p host-sim --bench replay_cost`.
//!
//! Makes a trace of 48 h at 25 Hz and prints, from one run, the time of a bare
//! loop over the CSV records, of reading rows, and of the whole replay, each
//! with its ratio to the bare loop. Arguments: hours (default 48); `instructions` (default 1 h)
//! counts instructions under callgrind (valgrind) instead, which a busy machine does not change.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use host_sim::replay::{Keep, replay_file};
use host_sim::trace::{ReadOptions, TraceReader};

/// Goes over a trace and gives the number of its rows.
type Way = fn(&Path) -> u64;

/// What is measured, by the name of it.
const WAYS: [(&str, Way); 3] =
    [("bare CSV loop", bare_loop), ("reading rows", read_rows), ("whole replay", whole_replay)];

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if let [name, path] = args.as_slice()
        && let Some((_, way)) = WAYS.iter().find(|way| way.0 == name)
    {
        // One of them alone, for the counting.
        println!("{}", way(Path::new(path)));
        return;
    }
    let counts = args.iter().any(|a| a == "instructions");
    let hours = args.iter().find_map(|a| a.parse().ok()).unwrap_or(if counts { 1.0 } else { 48.0 });
    let dir = tempfile::tempdir().expect("a temporary directory");
    let path = dir.path().join("cost.csv");
    let bytes = make(&path, hours);
    println!("{:.0} MB", bytes as f64 / 1e6);
    let mut bare = 0.0;
    for (name, way) in WAYS {
        let (cost, unit) = if counts {
            (count(name, &path, dir.path()) / 1e6, "million instructions")
        } else {
            (best(|| way(&path)).1, "s")
        };
        if bare == 0.0 {
            bare = cost;
        }
        println!("{name:<14} {cost:>9.2} {unit}   {:.2} times the bare loop", cost / bare);
    }
    if let Some(peak) = peak_memory_kib().filter(|_| !counts) {
        println!("peak memory    {:>9.1} MiB", peak / 1024.0);
    }
}

/// Instructions that one of [`WAYS`] takes in a process of its own.
fn count(name: &str, path: &Path, dir: &Path) -> f64 {
    let out = dir.join("callgrind");
    let status = Command::new("valgrind")
        .args(["--quiet", "--tool=callgrind"])
        .arg(format!("--callgrind-out-file={}", out.display()))
        .arg(std::env::current_exe().expect("this program"))
        .arg(name)
        .arg(path)
        .stdout(std::process::Stdio::null())
        .status();
    assert!(status.expect("valgrind can be run").success(), "{name}");
    let text = std::fs::read_to_string(&out).expect("counts");
    let total = text.lines().find_map(|line| line.strip_prefix("totals: "));
    total.and_then(|n| n.trim().parse().ok()).expect("a total")
}

/// Result and shortest time of three runs, s.
fn best(mut run: impl FnMut() -> u64) -> (u64, f64) {
    let mut times = [0.0; 3];
    let mut result = 0;
    for time in &mut times {
        let start = Instant::now();
        result = run();
        *time = start.elapsed().as_secs_f64();
    }
    (result, times.into_iter().fold(f64::INFINITY, f64::min))
}

fn bare_loop(path: &Path) -> u64 {
    let mut csv = csv::Reader::from_path(path).expect("a trace");
    let mut record = csv::ByteRecord::new();
    let mut rows = 0;
    while csv.read_byte_record(&mut record).expect("a record") {
        rows += 1;
    }
    rows
}

fn read_rows(path: &Path) -> u64 {
    let mut reader = TraceReader::open(path, &ReadOptions::default()).expect("a trace");
    let mut rows = 0;
    reader.each(usize::MAX, |_| rows += 1).expect("rows");
    rows
}

fn whole_replay(path: &Path) -> u64 {
    replay_file(path, None, Keep::default()).expect("a replay").0.samples
}

/// Writes a trace with depth once a second; returns its size.
fn make(path: &Path, hours: f64) -> u64 {
    let mut out = BufWriter::new(File::create(path).expect("a file"));
    writeln!(out, "t_s,ax_g,ay_g,az_g,depth_m").expect("written");
    let mut seed = 1_u64;
    let mut noise = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((seed >> 40) as f64 / f64::from(1 << 24) - 0.5) * 0.02
    };
    for n in 0..(hours * 90_000.0) as u64 {
        let t = n as f64 / 25.0;
        let sway = 0.2 * (t * 0.8 * std::f64::consts::TAU).sin();
        let (x, y, z) = (0.05 + noise(), sway + noise(), 1.0 + noise());
        write!(out, "{t:.2},{x:.4},{y:.4},{z:.4},").expect("written");
        if n % 25 == 0 {
            write!(out, "{:.2}", 20.0 + 5.0 * (t / 300.0).sin()).expect("written");
        }
        writeln!(out).expect("written");
    }
    out.flush().expect("written");
    path.metadata().expect("a file").len()
}

/// Highest resident memory of this process, KiB, where the system tells it.
fn peak_memory_kib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
