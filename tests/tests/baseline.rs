//! The project's own baseline: decisions on made traces that are not stored, only the
//! seeds they come from. A change of the on-tag code that decides otherwise on any of
//! them fails here and names the deployments.
//!
//! After a wanted change: `SWAYMARK_WRITE_BASELINE=1 cargo test -p swaymark-tests --test
//! baseline`, and look at the difference before it is committed. Seeds 900 to 999 are
//! for this alone: they neither tune nor judge.

use std::path::{Path, PathBuf};

use host_sim::batch::{in_order, of_bytes, write_whole};
use host_sim::compare::{Baseline, Decision, Tolerances, compare, text};
use host_sim::replay::Keep;
use host_sim::synth::{Family, Request, run_in_memory};

/// Scenarios and lengths, h: each made with [`SHORT_SEEDS`].
const SHORT: [(&str, f64); 17] = [
    ("cruiser", 0.5),
    ("yoyo-glider", 0.5),
    ("bottom-rester", 0.75),
    ("side-roller", 0.5),
    ("small-sprinter", 0.4),
    ("faint-swimmer", 0.5),
    ("death-first-hour", 2.0),
    ("eaten", 1.0),
    ("tag-floating", 1.25),
    ("tag-on-bottom", 1.25),
    ("fault-stuck-axis", 0.4),
    ("fault-clipped-axis", 0.4),
    ("fault-missing-axis", 0.4),
    ("fault-gap", 1.0),
    ("fault-duplicates", 0.4),
    ("fault-clock-jump", 0.6),
    ("fault-dead-depth", 0.5),
];
const SHORT_SEEDS: std::ops::Range<u64> = 900..918;
const SHORT_HZ: [f64; 3] = [5.0, 10.0, 25.0];

/// Long scenarios and lengths, h.
const LONG: [(&str, f64); 4] =
    [("death-next-day", 31.0), ("death-rester", 14.0), ("eaten", 12.0), ("bottom-rester", 26.0)];
/// Families, each with two seeds, at the lowest rate the tag takes.
const LONG_SEEDS: std::ops::Range<u64> = 950..952;
/// Those that live are followed until recovery can be decided.
const LIVING: [&str; 8] = [
    "ram-survivor",
    "yoyo-survivor",
    "roll-survivor",
    "lively-survivor",
    "buccal-survivor",
    "tidal-rester",
    "loose-mount",
    "hard",
];
const LIVING_H: f64 = 30.0;
const OTHERS_H: f64 = 12.0;
const LONG_HZ: f64 = 5.0;

fn path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("baseline/baseline.jsonl")
}

fn short() -> Vec<Request> {
    let mut requests = Vec::new();
    for (scenario, hours) in SHORT {
        for seed in SHORT_SEEDS {
            let mut request = Request::new(scenario, seed, "");
            request.hours = Some(hours);
            request.sample_hz = Some(SHORT_HZ[seed as usize % SHORT_HZ.len()]);
            requests.push(request);
        }
    }
    requests
}

fn long() -> Vec<Request> {
    let families = Family::names().flat_map(|name| {
        let family = Family::bundled(name).expect("a bundled family");
        LONG_SEEDS.map(move |seed| {
            let mut request = Request::of_family(&family, seed, "");
            request.hours = Some(if LIVING.contains(&name) { LIVING_H } else { OTHERS_H });
            request.sample_hz = Some(LONG_HZ);
            request
        })
    });
    let scenarios = LONG.iter().map(|&(scenario, hours)| {
        let mut request = Request::new(scenario, LONG_SEEDS.start, "");
        request.hours = Some(hours);
        request.sample_hz = Some(LONG_HZ);
        request
    });
    families.chain(scenarios).collect()
}

fn decide(request: &Request) -> Decision {
    let name = request.file_name();
    let keep = Keep { beats: false, minutes: true };
    let request = Request { fingerprint: true, ..request.clone() };
    let made = run_in_memory(&request, keep, |_| false).unwrap_or_else(|e| panic!("{name}: {e}"));
    let start = made.report.facts.start_unix_us;
    let config = made.deployment.config(made.report.sample_hz, start).expect("it has just run");
    let deployment_hash = of_bytes(made.deployment_toml.as_bytes());
    let fingerprint = made.fingerprint.expect("asked for");
    Decision::new(&name, fingerprint, Some(deployment_hash), &config, &made.report)
}

#[test]
fn no_decision_has_changed() {
    let (short, long) = (short(), long());
    assert!(short.len() >= 300 && long.len() >= 40, "{} and {}", short.len(), long.len());
    // The long ones first, so that none is left for the end alone.
    let all: Vec<Request> = long.into_iter().chain(short).collect();
    let mut decisions = Vec::new();
    in_order(&all, 0, decide, |at, decision| {
        decisions.push(decision.unwrap_or_else(|| panic!("{} failed", all[at].file_name())));
    })
    .expect("threads");
    let now = Baseline::new(decisions);
    let path = path();
    if std::env::var_os("SWAYMARK_WRITE_BASELINE").is_some() {
        write_whole(&path, now.to_text().expect("text").as_bytes()).expect("a place to write");
        return;
    }
    let was = Baseline::load(&path).unwrap_or_else(|p| panic!("{p}"));
    let comparison = compare(&was, &now, &[], &Tolerances::default());
    print!("{}", text::text(&comparison));
    assert!(
        comparison.is_silent(),
        "decisions have changed; see above, and tests/baseline/README.md"
    );
}
