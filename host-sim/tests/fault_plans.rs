//! Random plans of faults against the tag's promises.

use firmware_core::config::Release;
use host_sim::faults::study::{self, Base, Verdict};

/// Deployments that end in different ways.
fn bases(hours: f64, release: Release, list: &[(&str, u64)], sample_hz: f64) -> Vec<Base> {
    let folder = tempfile::tempdir().expect("a folder");
    list.iter()
        .map(|&(scenario, seed)| {
            Base::make(scenario, seed, hours, sample_hz, release, folder.path())
                .unwrap_or_else(|e| panic!("{e}"))
        })
        .collect()
}

fn check(bases: &[Base], verdicts: &[(usize, Verdict)]) {
    print!("{}", study::summary(bases, verdicts));
    let mut wrong = 0;
    for (which, v) in verdicts {
        if !v.broken.is_empty() || v.excuse.is_none() && !v.same && !v.marginal {
            wrong += 1;
            println!(
                "{}, plan {}: {:?}\n    {:?}\n    {:?}",
                bases[*which].name, v.seed, v.broken, v.outcome, v.log
            );
        }
    }
    assert_eq!(wrong, 0, "plans that broke a promise");
}

#[test]
fn promises_hold_over_short_deployments() {
    let release =
        Release { floor_h: 1.0, ceiling_h: 5.5, death_daylight: false, ..Release::DEFAULT };
    let list = [("cruiser", 3), ("death-first-hour", 4), ("tag-floating", 5), ("bottom-rester", 6)];
    let bases = bases(6.0, release, &list, 5.0);
    check(&bases, &study::judge(&bases, 0..120));
}

/// The whole study: `SWAYMARK_PLANS=10000 cargo test --release -p host-sim --test
/// fault_plans -- --ignored --nocapture`.
#[test]
#[ignore = "takes about an hour of two idle cores"]
fn promises_hold_over_two_days() {
    let plans = std::env::var("SWAYMARK_PLANS").map_or(10_000, |n| n.parse().expect("a number"));
    let from = std::env::var("SWAYMARK_PLANS_FROM").map_or(0, |n| n.parse().expect("a number"));
    let release = Release { floor_h: 6.0, ceiling_h: 47.0, ..Release::DEFAULT };
    let list = [
        ("cruiser", 11),
        ("yoyo-glider", 12),
        ("bottom-rester", 13),
        ("death-first-hour", 14),
        ("death-next-day", 15),
        ("death-rester", 16),
        ("tag-floating", 17),
        ("tag-on-bottom", 18),
    ];
    let bases = bases(48.0, release, &list, 5.0);
    check(&bases, &study::judge(&bases, from..from + plans));
}
