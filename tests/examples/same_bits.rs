//! Holds all that the tag reports on 200 synthetic traces against a committed reference,
//! bit for bit: a change that only moves code must leave every hash as it is.
//!
//!     cargo run --release -p swaymark-tests --example same_bits            # compare
//!     cargo run --release -p swaymark-tests --example same_bits -- write   # take as reference
//!     cargo run --release -p swaymark-tests --example same_bits -- few     # every 20th trace
//!
//! The traces cover every family and scenario, 5 to 100 Hz, samples handed in one by one
//! and as a FIFO holds them, and on every fourth trace faults at random places: axes without a
//! number, stuck or at full scale, gaps, clocks that jump, coarse steps, low cells. Seeds 800
//! to 899 are for this alone.
//!
//! Columns: hashes of beats, minutes and fates over all their bits, counts of faults, the
//! release, and of recovery the number of estimates and the times of decisions. Only the time at which
//! recovery was decided may differ, by [`RECOVERY_MAY_MOVE_US`], and a release that followed
//! from it.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use firmware_core::config::Config;
use firmware_core::tag::Tag;
use firmware_core::types::{Cause, Event, Moment, Run};
use host_sim::batch::{in_order, write_whole};
use host_sim::synth::{Family, Request, SCENARIOS, rows_in_memory};
use host_sim::trace::Row;

/// A fit of recovery may be spread over the samples otherwise.
const RECOVERY_MAY_MOVE_US: u64 = 60_000_000;
/// Samples that a FIFO holds at most.
const FIFO: usize = 25;
/// Rates of the families, Hz, and lengths, h: one a seed.
const FAMILY: [(f64, f64); 6] =
    [(5.0, 36.0), (10.0, 30.0), (25.0, 12.0), (12.5, 14.0), (50.0, 4.0), (100.0, 2.0)];
/// The same of the scenarios.
const SCENARIO: [(f64, f64); 5] = [(8.0, 5.0), (20.0, 4.0), (30.0, 3.0), (40.0, 2.0), (80.0, 1.5)];
const SEED: u64 = 800;

fn requests() -> Vec<Request> {
    let mut requests = Vec::new();
    for name in Family::names() {
        let family = Family::bundled(name).expect("a bundled family");
        for (seed, (hz, hours)) in (SEED..).zip(FAMILY) {
            let mut request = Request::of_family(&family, seed, "");
            (request.sample_hz, request.hours) = (Some(hz), Some(hours));
            requests.push(request);
        }
    }
    // One that came later has no reference.
    for scenario in SCENARIOS.iter().filter(|scenario| scenario.name != "head-shaker") {
        for (seed, (hz, hours)) in (SEED..).zip(SCENARIO) {
            let mut request = Request::new(scenario.name, seed, "");
            // Two that end late take their own length; seldom sampled, so that it takes no longer.
            let (hz, hours) = match scenario.name {
                "death-next-day" => (hz.min(20.0), 31.0),
                "death-rester" => (hz.min(30.0), 14.0),
                _ => (hz, hours),
            };
            (request.sample_hz, request.hours) = (Some(hz), Some(hours));
            requests.push(request);
        }
    }
    for (n, request) in requests.iter_mut().enumerate() {
        if n % 7 == 3 {
            // Few bits: values repeat.
            request.scale = Some((8.0, 32.0));
        }
    }
    requests
}

/// FNV-1a (Fowler, Noll, Vo; memory) of numbers by their bits.
#[derive(Clone, Copy)]
struct Hash {
    state: u64,
    count: u32,
}

impl Hash {
    const NEW: Hash = Hash { state: 0xcbf2_9ce4_8422_2325, count: 0 };

    fn add(&mut self, numbers: &[u64]) {
        self.count += 1;
        for byte in numbers.iter().flat_map(|n| n.to_le_bytes()) {
            self.state = (self.state ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }

    fn shown(self) -> String {
        format!("{}:{:016x}", self.count, self.state)
    }
}

fn bits(x: f32) -> u64 {
    u64::from(x.to_bits())
}

fn option(x: Option<f32>) -> u64 {
    x.map_or(u64::MAX, bits)
}

/// All that a tag reported.
struct Reported {
    beats: Hash,
    minutes: Hash,
    fates: Hash,
    estimates: Hash,
    /// Tag time at which recovery was decided (or the decision taken back), microseconds.
    decided_us: Vec<(bool, u64)>,
    release: Option<(Cause, u64)>,
}

impl Reported {
    const NEW: Reported = Reported {
        beats: Hash::NEW,
        minutes: Hash::NEW,
        fates: Hash::NEW,
        estimates: Hash::NEW,
        decided_us: Vec::new(),
        release: None,
    };

    fn take(&mut self, event: &Event, now_us: u64) {
        match event {
            Event::Beat(b) => {
                let [p, a, c] = [b.period_s, b.amplitude_g, b.confidence].map(bits);
                self.beats.add(&[b.t_us, p, a, c]);
            }
            Event::Minute(m) => {
                let [a, b, c, d, e] =
                    [m.sway_g, m.odba_g, m.vedba_g, m.pitch_deg, m.roll_deg].map(bits);
                // The reference has "unknown" last, not first.
                let state = (m.state as u64 + 5) % 6;
                let (beats, depth) = (option(m.beats_per_min), option(m.depth_m));
                self.minutes.add(&[m.t_us, beats, a, b, c, d, e, depth, state]);
            }
            Event::Fate(f) => {
                self.fates.add(&[f.fate as u64, f.event_us, f.decided_us, bits(f.evidence)]);
            }
            Event::Recovery(r) => {
                self.estimates.add(&[bits(r.t_s), bits(r.se_s), bits(r.prob)]);
                let decided = r.decided_us.is_some();
                if self.decided_us.last().map_or(decided, |last| last.0 != decided) {
                    self.decided_us.push((decided, now_us));
                }
            }
            Event::Release(l) => self.release = Some((l.cause, l.t_us)),
            Event::Fault(_) | Event::Own(_) | Event::Launch(_) => {}
        }
    }

    fn line(&self, name: &str, samples: usize, tag: &Tag) -> String {
        let faults = tag.faults().counts.map(|n| n.to_string()).join(",");
        let release = self.release.map_or("none".to_owned(), |(c, t)| format!("{c:?}@{t}"));
        let mut recovery = self.estimates.shown();
        for (decided, t_us) in &self.decided_us {
            let _ = write!(recovery, "{}{t_us}", if *decided { "+" } else { "-" });
        }
        let [beats, minutes, fates] = [self.beats, self.minutes, self.fates].map(Hash::shown);
        let fate = tag.fate();
        format!(
            "{name}\t{samples}\t{beats}\t{minutes}\t{fates}\t{fate:?}\t{faults}\t{release}\t{recovery}"
        )
    }
}

/// Faults at random places, from a linear congruential generator.
fn damage(rows: &mut [Row], seed: u32) {
    let mut state = seed.wrapping_mul(2_654_435_761).wrapping_add(12345);
    let mut next = move |below: usize| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as usize % below
    };
    let mut later_us = 0;
    let mut from = 0;
    for _ in 0..60 {
        let at = next(rows.len());
        let end = (at + 1 + next(120)).min(rows.len());
        let kind = next(7);
        for row in &mut rows[at..end] {
            match kind {
                0 => row.accel_g[0] = f32::NAN,
                1 => row.accel_g[1] = 8.0,
                2 => row.accel_g[2] = 0.5,
                3 => row.accel_g = [0.0, 0.0, 1.0],
                4 => row.t_us += 700_000,
                5 => row.t_us = row.t_us.saturating_sub(900_000),
                _ => row.accel_g = row.accel_g.map(|a| (a * 64.0).round() / 64.0),
            }
        }
        // A gap: all that follows comes later.
        if next(4) == 0 {
            from = from.max(at);
            later_us += [200_000, 600_000, 90_000_000, 2_400_000_000][next(4)];
            for row in rows.iter_mut().skip(from.max(at)) {
                row.t_us += later_us;
            }
            later_us = 0;
        }
    }
}

/// Samples that one FIFO read gives from `at` on: equal distances within 1 microsecond, and no
/// depth but with the first.
fn fifo(rows: &[Row], at: usize, period_us: u64) -> usize {
    let first = rows[at];
    let goes_on = |i: usize| {
        let row = rows[at + i];
        row.t_us.abs_diff(first.t_us + i as u64 * period_us) <= i as u64 && row.depth_m.is_none()
    };
    (1..FIFO.min(rows.len() - at)).take_while(|i| goes_on(*i)).last().unwrap_or(0) + 1
}

fn run(config: Config, rows: &[Row], singly: bool) -> (Reported, Tag) {
    let period_us = config.sample_us();
    let mut tag = Tag::new(config);
    let mut all = Reported::NEW;
    let mut sink = |event: &Event, moment: &Moment| all.take(event, moment.now_us);
    let mut at = 0;
    let mut fifo_g: Vec<[f32; 3]> = Vec::new();
    while at < rows.len() {
        let first = rows[at];
        // A cell that runs low for a while, and back: housekeeping once a minute.
        let cell_left = at.is_multiple_of(1500).then(|| 1.0 - 0.8 * at as f32 / rows.len() as f32);
        let count = if singly { 1 } else { fifo(rows, at, u64::from(period_us)) };
        fifo_g.clear();
        fifo_g.extend(rows[at..at + count].iter().map(|row| row.accel_g));
        let mut run = Run::accel(first.t_us, period_us, &fifo_g);
        (run.depth_m, run.cell_left) = (first.depth_m, cell_left);
        tag.feed(&run, &mut sink);
        at += count;
    }
    tag.flush(&mut sink);
    (all, tag)
}

fn line(at: usize, request: &Request) -> String {
    let name = request.file_name();
    let hz = request.sample_hz.unwrap_or(25.0);
    let (config, mut rows) = rows_in_memory(request).unwrap_or_else(|e| panic!("{name}: {e}"));
    if at % 4 == 1 {
        damage(&mut rows, at as u32);
    }
    let (reported, tag) = run(config, &rows, at.is_multiple_of(2));
    reported.line(&format!("{name}@{hz}"), rows.len(), &tag)
}

fn path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("same-bits/reference.tsv")
}

/// The columns of `now` that differ from `was` in a way that is not allowed.
fn differing(was: &str, now: &str) -> Vec<&'static str> {
    const NAMES: [&str; 9] =
        ["trace", "samples", "beats", "minutes", "fates", "fate", "faults", "release", "recovery"];
    let (was, now): (Vec<_>, Vec<_>) = (was.split('\t').collect(), now.split('\t').collect());
    let moved = recovery_moved(was.get(8).unwrap_or(&""), now.get(8).unwrap_or(&""));
    let mut names = Vec::new();
    for (i, name) in NAMES.into_iter().enumerate() {
        let (was, now) = (was.get(i).copied().unwrap_or(""), now.get(i).copied().unwrap_or(""));
        let allowed = match name {
            "recovery" => moved.is_some_and(|us| us <= RECOVERY_MAY_MOVE_US),
            // What waits for a recovery moves with it.
            "release" if was.starts_with("Recovered") && now.starts_with("Recovered") => {
                let at = |x: &str| x.split('@').nth(1).and_then(|t| t.parse::<u64>().ok());
                match (at(was), at(now)) {
                    (Some(a), Some(b)) => a.abs_diff(b) <= RECOVERY_MAY_MOVE_US,
                    _ => false,
                }
            }
            _ => false,
        };
        if was != now && !allowed {
            names.push(name);
        }
    }
    names
}

/// How far the decisions on recovery moved, microseconds; `None` where they are others.
fn recovery_moved(was: &str, now: &str) -> Option<u64> {
    let split = |text: &str| -> (String, String, Vec<u64>) {
        let from = text.find(['+', '-']).unwrap_or(text.len());
        let (estimates, decided) = text.split_at(from);
        let signs: String = decided.chars().filter(|c| !c.is_ascii_digit()).collect();
        let times = decided.split(['+', '-']).filter_map(|t| t.parse().ok()).collect();
        (estimates.to_owned(), signs, times)
    };
    let ((a, sa, ta), (b, sb, tb)) = (split(was), split(now));
    (a == b && sa == sb).then(|| ta.iter().zip(&tb).map(|(a, b)| a.abs_diff(*b)).max().unwrap_or(0))
}

fn main() -> ExitCode {
    let wanted = std::env::args().nth(1).unwrap_or_default();
    let all = requests();
    let mut chosen: Vec<(usize, Request)> = all.into_iter().enumerate().collect();
    match wanted.as_str() {
        "" | "write" => {}
        "few" => chosen.retain(|(n, _)| n % 20 == 5),
        _ => {
            eprintln!("usage: same_bits [write|few]");
            return ExitCode::from(2);
        }
    }
    let mut lines = Vec::new();
    let taken = in_order(
        &chosen,
        0,
        |(at, request)| line(*at, request),
        |n, line| {
            lines.push(line.unwrap_or_else(|| format!("{} failed", chosen[n].1.file_name())));
        },
    );
    if taken.is_err() || lines.iter().any(|line| line.ends_with("failed")) {
        eprintln!("error: a trace was not run");
        return ExitCode::FAILURE;
    }
    if wanted == "write" {
        let text = lines.join("\n") + "\n";
        return match write_whole(&path(), text.as_bytes()) {
            Ok(()) => ExitCode::SUCCESS,
            Err(problem) => {
                eprintln!("error: {problem}");
                ExitCode::FAILURE
            }
        };
    }
    let kept = std::fs::read_to_string(path()).unwrap_or_default();
    let kept: Vec<&str> = kept.lines().collect();
    let (mut differ, mut most_us, mut estimates) = (0, 0, 0);
    for ((at, request), now) in chosen.iter().zip(&lines) {
        let was = kept.get(*at).copied().unwrap_or("");
        let names = differing(was, now);
        if !names.is_empty() {
            differ += 1;
            println!("{}: {}\n  was {was}\n  now {now}", request.file_name(), names.join(", "));
        }
        let column = |line: &str| line.split('\t').nth(8).unwrap_or_default().to_owned();
        most_us = most_us.max(recovery_moved(&column(was), &column(now)).unwrap_or(0));
        let estimated = |text: &str| text.split(['+', '-']).next().unwrap_or_default().to_owned();
        estimates += usize::from(estimated(&column(was)) != estimated(&column(now)));
    }
    println!(
        "{} traces, {differ} differ; decisions on recovery moved by {:.1} s at most; {estimates} \
         with other estimates of it",
        lines.len(),
        most_us as f64 * 1e-6
    );
    if differ == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
