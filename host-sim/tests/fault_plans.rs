//! Random plans of faults against the tag's promises.

use std::collections::BTreeMap;
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::ops::Range;
use std::path::{Path, PathBuf};

use firmware_core::config::Release;
use host_sim::faults::random::{self, Harshness};
use host_sim::faults::study::{self, Base, Verdict};
use rayon::prelude::*;

/// Deployments that end in different ways.
fn bases(hours: f64, release: Release, list: &[(&str, u64)], sample_hz: f64) -> Vec<Base> {
    let folder = tempfile::tempdir().expect("a folder");
    list.par_iter()
        .map(|&(scenario, seed)| {
            Base::make(scenario, seed, hours, sample_hz, release, folder.path())
                .unwrap_or_else(|e| panic!("{e}"))
        })
        .collect()
}

/// Judges the plans of some seeds on all cores. With a file, what it holds already is
/// taken from there, and every verdict is added to it as it comes: a run that was
/// broken off goes on.
fn run(bases: &[Base], seeds: Range<u64>, file: Option<&Path>) -> Vec<Verdict> {
    let mut known: BTreeMap<u64, Verdict> = BTreeMap::new();
    let mut out = file.map(|path| {
        let text = fs::read_to_string(path).unwrap_or_default();
        // The last line of a run that was killed may be unfinished.
        let whole = &text[..text.rfind('\n').map_or(0, |at| at + 1)];
        for line in whole.lines() {
            let verdict: Verdict = serde_json::from_str(line).expect("a verdict of this program");
            known.insert(verdict.seed, verdict);
        }
        fs::write(path, whole).expect("written");
        OpenOptions::new().append(true).open(path).expect("opened")
    });
    let seeds: Vec<u64> = seeds.collect();
    let left: Vec<u64> = seeds.iter().copied().filter(|s| !known.contains_key(s)).collect();
    let (send, receive) = std::sync::mpsc::channel();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            left.par_iter().for_each_with(send, |send, &seed| {
                send.send(study::judge(bases, seed)).expect("somebody listens");
            });
        });
        for verdict in receive {
            if let Some(out) = &mut out {
                let line = serde_json::to_string(&verdict).expect("a verdict is JSON") + "\n";
                out.write_all(line.as_bytes()).expect("written");
            }
            known.insert(verdict.seed, verdict);
        }
    });
    seeds.iter().map(|s| known[s].clone()).collect()
}

fn check(bases: &[Base], verdicts: &[Verdict]) {
    print!("{}", study::summary(bases, verdicts));
    let mut wrong = 0;
    for v in verdicts {
        let differs = v.excuse.is_none() && !v.same;
        if !v.broken.is_empty() || differs {
            let Base { name, plain, .. } = &bases[v.base];
            println!("{name}, plan {}: {:?}\n    without faults {plain:?}", v.seed, v.broken);
            println!("    {:?}\n    {:?}\n    {:?}", v.outcome, v.lost, v.log);
        }
        wrong += u32::from(!v.broken.is_empty() || differs && !v.marginal);
    }
    assert_eq!(wrong, 0, "plans that broke a promise");
}

#[test]
fn promises_hold_over_short_deployments() {
    let release =
        Release { floor_h: 1.0, ceiling_h: 5.5, death_daylight: false, ..Release::DEFAULT };
    let list = [("cruiser", 3), ("death-first-hour", 4), ("tag-floating", 5), ("bottom-rester", 6)];
    let bases = bases(6.0, release, &list, 5.0);
    check(&bases, &run(&bases, 0..120, None));
}

/// A run from a mark of the run without faults is the same as one from the start.
#[test]
fn a_run_from_a_mark_is_that_from_the_start() {
    let release =
        Release { floor_h: 1.0, ceiling_h: 4.5, death_daylight: false, ..Release::DEFAULT };
    let base = &bases(5.0, release, &[("cruiser", 3)], 5.0)[0];
    let late = (0..400)
        .map(|seed| random::plan(seed, Harshness::Mild, 5.0))
        .filter(|p| p.faults.first().is_none_or(|(at_us, _)| *at_us > 3_700_000_000));
    let mut tried = 0;
    for plan in late.take(6) {
        tried += 1;
        assert_eq!(base.run_on(plan.clone()), base.run(plan));
    }
    assert_eq!(tried, 6);
}

/// The whole study: `SWAYMARK_PLANS=10000 cargo test --release -p host-sim --test
/// fault_plans -- --ignored --nocapture`.
#[test]
#[ignore = "takes about an hour of two idle cores"]
fn promises_hold_over_two_days() {
    let plans = std::env::var("SWAYMARK_PLANS").map_or(10_000, |n| n.parse().expect("a number"));
    let from = std::env::var("SWAYMARK_PLANS_FROM").map_or(0, |n| n.parse().expect("a number"));
    let release = Release { floor_h: 6.0, ceiling_h: 47.0, ..Release::DEFAULT };
    let scenarios = [
        "cruiser",
        "yoyo-glider",
        "bottom-rester",
        "death-first-hour",
        "death-next-day",
        "death-rester",
        "tag-floating",
        "tag-on-bottom",
    ];
    let list: Vec<(&str, u64)> = (0..3)
        .flat_map(|n| scenarios.iter().zip(11 + 10 * n..).map(|(name, seed)| (*name, seed)))
        .collect();
    let bases = bases(48.0, release, &list, 5.0);
    let file = std::env::var_os("SWAYMARK_PLANS_FILE").map(PathBuf::from);
    check(&bases, &run(&bases, from..from + plans, file.as_deref()));
}
