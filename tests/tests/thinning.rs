//! The filters by which a sweep makes lower sample rates.
//!
//! Source: SciPy 1.17.1 (`scipy.signal.firwin`, `freqz`, `upfirdn`); values in
//! `reference/data/thinning.json` from `reference/thinning.py`.

use host_sim::sweep::thin::{Thinning, taps, thin};
use host_sim::trace::Decoded;
use serde::Deserialize;
use swaymark_tests::reference;

#[derive(Deserialize)]
struct Reference {
    rows: usize,
    filters: Vec<Filter>,
}

#[derive(Deserialize)]
struct Filter {
    factor: usize,
    taps: Vec<f64>,
    response: Vec<(f64, f64)>,
    filtered: Vec<f64>,
}

/// Gain of symmetric taps at a frequency given as a part of the rate.
fn gain(taps: &[f64], frequency: f64) -> f64 {
    let middle = (taps.len() / 2) as f64;
    let angle = |n: usize| std::f64::consts::TAU * frequency * (n as f64 - middle);
    taps.iter().enumerate().map(|(n, t)| t * angle(n).cos()).sum::<f64>().abs()
}

#[test]
fn taps_and_responses_are_those_of_scipy() {
    let reference: Reference = reference::json("thinning.json");
    assert_eq!(reference.filters.len(), 5);
    for f in &reference.filters {
        let own = taps(f.factor);
        assert_eq!(own.len(), f.taps.len());
        for (a, b) in own.iter().zip(&f.taps) {
            assert!((a - b).abs() < 1e-12, "factor {}: {a} {b}", f.factor);
        }
        let nyquist = 0.5 / f.factor as f64;
        for &(frequency, wanted) in &f.response {
            let got = gain(&own, frequency);
            assert!((got - wanted).abs() < 1e-9, "factor {} at {frequency}", f.factor);
            // What docs/sweep.md promises: flat to 0.6 of the new Nyquist
            // frequency, and 50 dB down from that frequency on.
            if frequency <= 0.6 * nyquist {
                assert!((got - 1.0).abs() < 0.005, "factor {} at {frequency}: {got}", f.factor);
            }
            if frequency >= nyquist {
                assert!(got < 0.00316, "factor {} at {frequency}: {got}", f.factor);
            }
        }
    }
}

#[test]
fn filtered_samples_are_those_of_scipy() {
    let reference: Reference = reference::json("thinning.json");
    let mut trace = Decoded::default();
    for n in 0..reference.rows {
        let t = n as f64;
        let x = 0.25 + 0.5 * (0.05 * t).sin() + 0.3 * (1.9 * t + 0.4).sin();
        trace.add(n as u64 * 40_000, [x as f32; 3], None, None);
    }
    for f in &reference.filters {
        let thinned = thin(&trace, f.factor, Thinning::Filter, 40_000.0, None);
        assert_eq!(thinned.len(), f.filtered.len());
        for (got, wanted) in thinned.accel_g().iter().zip(&f.filtered) {
            // 32-bit sums of up to 401 products.
            assert!((f64::from(got[0]) - wanted).abs() < 2e-6, "factor {}", f.factor);
        }
    }
}
