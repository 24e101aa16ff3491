//! Survival statistics against lifelines 0.30.3 and statsmodels 0.15.0
//! (`tests/reference/survival.py`): Freireich et al. 1963, Blood 21:699, three
//! drawn sets, and proportions. Also Newcombe 1998, Statistics in Medicine 17:857
//! (Wilson's intervals; memory), and the 6-MP arm as printed (memory).

use std::collections::BTreeMap;

use host_sim::cohort::logrank::log_rank;
use host_sim::cohort::proportion::Proportion;
use host_sim::cohort::survival::{Curve, Watched};

const NEAR: f64 = 1e-6;

fn rows(name: &str) -> Vec<Vec<String>> {
    let dir = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/data/");
    let mut reader = csv::Reader::from_path(format!("{dir}{name}")).unwrap();
    reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect()
}

fn number(cell: &str) -> f64 {
    cell.parse().unwrap_or_else(|_| panic!("{cell:?}"))
}

type Set = Vec<(String, Watched)>;

fn sets() -> BTreeMap<String, Set> {
    let mut sets = BTreeMap::<String, Set>::new();
    for r in rows("survival_sets.csv") {
        let watched = Watched { time: number(&r[2]), event: r[3] == "1" };
        sets.entry(r[0].clone()).or_default().push((r[1].clone(), watched));
    }
    assert_eq!(sets.len(), 4);
    sets
}

fn curve(set: &Set, group: &str) -> Curve {
    let chosen: Vec<Watched> =
        set.iter().filter(|(g, _)| group == "all" || g == group).map(|(_, w)| *w).collect();
    Curve::new(&chosen)
}

#[test]
fn curves_and_their_intervals_equal_lifelines() {
    let sets = sets();
    let mut compared = 0;
    for r in rows("survival_curves.csv") {
        let curve = curve(&sets[&r[0]], &r[1]);
        let step = curve.at(number(&r[2])).unwrap();
        for (got, want) in [(step.survival, &r[3]), (step.low, &r[4]), (step.high, &r[5])] {
            assert!((got - number(want)).abs() < NEAR, "{r:?}: {got}");
        }
        compared += 1;
    }
    assert!(compared >= 263, "{compared}");
}

#[test]
fn medians_equal_lifelines() {
    let sets = sets();
    for r in rows("survival_medians.csv") {
        let got = curve(&sets[&r[0]], &r[1]).quantile(0.5);
        for (got, want) in [(got.time, &r[2]), (got.low, &r[3]), (got.high, &r[4])] {
            let want = Some(number(want)).filter(|v| v.is_finite());
            assert_eq!(got, want, "{r:?}");
        }
    }
}

#[test]
fn the_log_rank_test_equals_lifelines_and_its_permutation_agrees() {
    let sets = sets();
    for r in rows("survival_tests.csv") {
        let set = &sets[&r[0]];
        let mut names: Vec<&String> = set.iter().map(|(g, _)| g).collect();
        names.sort();
        names.dedup();
        let groups: Vec<usize> =
            set.iter().map(|(g, _)| names.iter().position(|n| *n == g).unwrap()).collect();
        let watched: Vec<Watched> = set.iter().map(|(_, w)| *w).collect();
        let test = log_rank(&watched, &groups, names.len()).unwrap();
        assert_eq!(test.df, r[1].parse::<u64>().unwrap());
        assert!((test.statistic - number(&r[2])).abs() < NEAR, "{r:?}: {}", test.statistic);
        assert!((test.p - number(&r[3])).abs() < NEAR, "{r:?}: {}", test.p);
        // Shuffling is another way to the same question: near where numbers are not small.
        assert!((test.p_permutation - test.p).abs() < 0.03, "{r:?}: {}", test.p_permutation);
        let (seen, expected): (u64, f64) = (test.seen.iter().sum(), test.expected.iter().sum());
        assert!((seen as f64 - expected).abs() < 1e-9);
    }
}

#[test]
fn proportions_equal_statsmodels_and_the_published_ones() {
    for r in rows("proportions.csv") {
        let p = Proportion::new(r[0].parse().unwrap(), r[1].parse().unwrap());
        let ((wl, wh), (el, eh)) = (p.wilson.unwrap(), p.exact.unwrap());
        for (got, want) in [(wl, &r[2]), (wh, &r[3]), (el, &r[4]), (eh, &r[5])] {
            assert!((got - number(want)).abs() < NEAR, "{r:?}: {got}");
        }
    }
    // Newcombe 1998 (memory), to the four figures printed.
    for (x, n, low, high) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ] {
        let got = Proportion::new(x, n).wilson.unwrap();
        assert!((got.0 - low).abs() < 5.1e-5 && (got.1 - high).abs() < 5.1e-5, "{x}/{n}: {got:?}");
    }
    assert_eq!(Proportion::new(0, 0).exact, None);
}

#[test]
fn the_printed_curve_of_the_treated_arm() {
    // Freireich et al. 1963 (memory).
    let curve = curve(&sets()["freireich"], "6-MP");
    for (t, s) in [
        (6.0, 0.857),
        (7.0, 0.807),
        (10.0, 0.753),
        (13.0, 0.690),
        (16.0, 0.627),
        (22.0, 0.538),
        (23.0, 0.448),
    ] {
        assert!((curve.at(t).unwrap().survival - s).abs() < 5e-4, "{t}");
    }
}
