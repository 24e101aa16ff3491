//! Samples handed in together lead to the same tag as one by one, bit for bit, and tell
//! the same at the same sample.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use common::{config, swim};
use firmware_core::tag::{Output, Run, Sample, Tag};
use proptest::prelude::*;

/// Steps one tag by runs of the lengths given, another sample by sample, and holds them
/// against each other wherever the first stops. Gives how much was told.
fn both_ways(hz: f32, samples: &[Sample], lengths: &[usize]) -> usize {
    let period_us = config(hz).sample_us();
    let (mut by_run, mut by_one) = (Tag::new(config(hz)), Tag::new(config(hz)));
    let mut out = Output::default();
    let mut told = 0;
    let mut lengths = lengths.iter().cycle();
    let mut at = 0;
    while at < samples.len() {
        let first = samples[at];
        let most = *lengths.next().unwrap();
        let goes_on = |i: usize| {
            let sample = samples[at + i];
            let more = sample.depth_m.or(sample.cell_left).or(sample.memory_used);
            sample.t_us == first.t_us + i as u64 * u64::from(period_us) && more.is_none()
        };
        let len =
            (1..most.min(samples.len() - at)).take_while(|i| goes_on(*i)).last().unwrap_or(0) + 1;
        let accel_g: Vec<[f32; 3]> = samples[at..at + len].iter().map(|s| s.accel_g).collect();
        let Sample { t_us, depth_m, cell_left, memory_used, .. } = first;
        let run = Run { t_us, period_us, accel_g: &accel_g, depth_m, cell_left, memory_used };
        let mut rest = run;
        while !rest.accel_g.is_empty() {
            let count = by_run.step_run(&rest, &mut out);
            assert!((1..=rest.accel_g.len()).contains(&count));
            for (i, sample) in samples[at..at + count].iter().enumerate() {
                let one = by_one.step(sample);
                if i + 1 < count {
                    assert!(!one.tells(), "sample {} told something", at + i);
                } else {
                    assert_eq!(format!("{one:?}"), format!("{out:?}"), "sample {}", at + i);
                    told += usize::from(one.tells());
                }
            }
            at += count;
            rest = rest.after(count);
            // Debug text, since what is no number does not equal itself.
            assert_eq!(format!("{by_one:?}"), format!("{by_run:?}"), "after sample {at}");
        }
    }
    told
}

#[test]
fn a_run_is_so_many_steps_at_every_rate() {
    for (hz, told) in [(5.0, 100), (10.0, 200), (12.5, 200), (25.0, 200), (50.0, 200), (100.0, 200)]
    {
        let samples = swim(f64::from(hz), 400.0, 3);
        let got = both_ways(hz, &samples, &[25, 1, 7, 32, 64, 3]);
        assert!(got >= told, "{hz} Hz: {got}");
    }
}

/// A sensor of so few bits repeats its values all the time.
#[test]
fn a_run_of_a_coarse_sensor_is_so_many_steps() {
    for (hz, steps_a_g) in [(5.0, 16.0), (25.0, 8.0), (25.0, 64.0), (100.0, 32.0)] {
        let mut samples = swim(f64::from(hz), 400.0, 4);
        for sample in &mut samples {
            sample.accel_g = sample.accel_g.map(|a| (a * steps_a_g).round() / steps_a_g);
        }
        let repeats = samples.windows(2).filter(|w| {
            w[0].accel_g.iter().zip(w[1].accel_g).any(|(a, b)| a.to_bits() == b.to_bits())
        });
        assert!(repeats.count() * 5 > samples.len() * 2, "{hz} Hz, {steps_a_g} steps a g");
        assert!(both_ways(hz, &samples, &[25, 32, 7, 100, 1, 64]) >= 60);
    }
}

#[test]
fn a_run_of_nothing_changes_nothing() {
    let mut tag = Tag::new(config(25.0));
    let before = format!("{tag:?}");
    let mut run = Run::accel(1_000_000, 40_000, &[]);
    run.depth_m = Some(3.0);
    assert_eq!(tag.step_run(&run, &mut Output::default()), 0);
    assert_eq!(format!("{tag:?}"), before);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever is wrong with the samples.
    #[test]
    fn a_run_is_so_many_steps_with_faults(
        seed in 0_u32..1000,
        hz in prop::sample::select(vec![5.0_f32, 10.0, 25.0, 50.0]),
        lengths in prop::collection::vec(1_usize..40, 1..8),
        faults in prop::collection::vec((0_usize..4000, 1_usize..90, 0_u8..8), 0..12),
    ) {
        let mut samples = swim(f64::from(hz), 120.0, seed);
        for (at, len, kind) in faults {
            let end = (at + len).min(samples.len());
            let Some(part) = samples.get_mut(at.min(end)..end) else { continue };
            for sample in part {
                match kind {
                    0 => sample.accel_g[0] = f32::NAN,
                    1 => sample.accel_g[1] = 8.0,
                    2 => sample.accel_g[2] = 0.5,
                    3 => sample.accel_g = [0.0, 0.0, 1.0],
                    4 => sample.t_us += 700_000,
                    5 => sample.t_us = sample.t_us.saturating_sub(900_000),
                    6 => sample.accel_g = sample.accel_g.map(|a| (a * 64.0).round() / 64.0),
                    _ => sample.cell_left = Some(0.4),
                }
            }
        }
        both_ways(hz, &samples, &lengths);
    }
}
