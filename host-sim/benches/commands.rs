//! The work of each command on three hours at 25 Hz, in samples a second:
//! `cargo bench -p host-sim --bench commands`.
//!
//! What each takes in instructions, stage by stage, tells `tests/instructions/run`.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use divan::Bencher;
use divan::counter::ItemsCount;
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment};
use host_sim::batch::find;
use host_sim::replay::{Keep, Replayer, prepare, replay_file};
use host_sim::score::{OWN_WITHIN_S, score_trace};
use host_sim::sweep::grid::Grid;
use host_sim::sweep::run::Sweep;
use host_sim::sweep::traces;
use host_sim::synth::{Request, run, run_in_memory};
use host_sim::trace::{Decoded, ReadOptions, Rows, TraceReader};

const HOURS: f64 = 3.0;
const SAMPLES: usize = 270_000;
const SAMPLE_US: u32 = 40_000;

/// A trace, plain and packed, each in a folder of its own.
struct Made {
    _dir: tempfile::TempDir,
    plain: PathBuf,
    packed: PathBuf,
}

static MADE: LazyLock<Made> = LazyLock::new(|| {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let make = |sub: &str, gzip: bool| {
        let request = Request { gzip, ..request(dir.path().join(sub)) };
        run(&request).expect("a trace").trace
    };
    let (plain, packed) = (make("plain", false), make("packed", true));
    Made { _dir: dir, plain, packed }
});

fn request(dir: PathBuf) -> Request {
    let mut request = Request::new("cruiser", 1, dir);
    (request.hours, request.sample_hz) = (Some(HOURS), Some(25.0));
    request
}

fn main() {
    divan::main();
}

#[divan::bench(args = ["csv", "gzip"])]
fn read(bencher: Bencher, form: &str) {
    let path = if form == "csv" { &MADE.plain } else { &MADE.packed };
    bencher.counter(ItemsCount::new(SAMPLES)).bench(|| {
        let mut reader = TraceReader::open(path, &ReadOptions::default()).expect("a trace");
        let (mut rows, mut count) = (Rows::new(SAMPLE_US, 256), 0);
        while reader.read(&mut rows, 256).expect("rows") {
            count += rows.len();
            rows.clear();
        }
        count
    });
}

#[divan::bench(args = ["csv", "gzip"])]
fn replay(bencher: Bencher, form: &str) {
    let path = if form == "csv" { &MADE.plain } else { &MADE.packed };
    bencher
        .counter(ItemsCount::new(SAMPLES))
        .bench(|| replay_file(path, None, Keep::default()).expect("a replay"));
}

/// Rows in memory through tag, cell and memory.
#[divan::bench]
fn replay_memory(bencher: Bencher) {
    let mut prepared = prepared(&MADE.plain);
    let mut rows = Rows::new(SAMPLE_US, SAMPLES);
    prepared.reader.read(&mut rows, usize::MAX).expect("rows");
    bencher.counter(ItemsCount::new(SAMPLES)).bench(|| {
        let mut replayer = Replayer::new(&prepared.setup);
        replayer.push_all(&rows);
        replayer
    });
}

/// Samples in memory through the detectors alone.
#[divan::bench]
fn detectors(bencher: Bencher) {
    let mut prepared = prepared(&MADE.plain);
    let decoded = Decoded::read(&mut prepared.reader, "trace").expect("rows");
    bencher.counter(ItemsCount::new(SAMPLES)).bench(|| {
        let mut tag = Tag::new(prepared.setup.config);
        for run in decoded.runs() {
            tag.feed(&run, &mut |_: &Event, _: &Moment| {});
        }
        tag
    });
}

fn prepared(path: &Path) -> host_sim::replay::Prepared {
    prepare(path, None, Keep::default(), |file| Box::new(file)).expect("a trace")
}

#[divan::bench]
fn score(bencher: Bencher) {
    let dir = MADE.plain.parent().expect("a folder").to_owned();
    let found = find(&[dir]);
    let job = found.jobs.first().expect("a trace");
    let truth = job.truth.as_deref().expect("a truth");
    bencher
        .counter(ItemsCount::new(SAMPLES))
        .bench(|| score_trace(job, truth, OWN_WITHIN_S, |file| Box::new(file)).expect("a score"));
}

/// Twelve cells: three rates, and four settings of the release that share their runs.
#[divan::bench]
fn sweep(bencher: Bencher) {
    let dir = MADE.plain.parent().expect("a folder");
    let grid = dir.join("grid.toml");
    let text = "[sampling]\nrate_hz = [25, 12.5, 6.25]\n[release]\n\
        death_confirm_min = [10, 20, 30, 60]\n";
    std::fs::write(&grid, text).expect("written");
    bencher.counter(ItemsCount::new(SAMPLES)).bench(|| {
        let grid = Grid::load(&grid).expect("a grid");
        let (traces, _) = traces::find(dir).expect("traces");
        let sweep = Sweep::new(grid, traces, None, None).expect("a sweep");
        sweep.run(None, 1, &|_| {}).expect("results")
    });
}

#[divan::bench(args = ["csv", "gzip"])]
fn synth(bencher: Bencher, form: &str) {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let request = Request { gzip: form == "gzip", ..request(dir.path().to_owned()) };
    bencher.counter(ItemsCount::new(SAMPLES)).bench(|| run(&request).expect("a trace"));
}

/// A made trace straight into the tag.
#[divan::bench]
fn synth_memory(bencher: Bencher) {
    let request = request(PathBuf::new());
    bencher
        .counter(ItemsCount::new(SAMPLES))
        .bench(|| run_in_memory(&request, Keep::default(), |_| false));
}
