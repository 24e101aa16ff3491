//! Any way of cutting samples into runs gives the same events and the same tag, bit for bit.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use common::{config, cut, swim};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Run, Sample};
use proptest::prelude::*;

/// An event, and where it came: samples taken by then, and how the tag stood.
struct Told {
    event: Event,
    taken: usize,
    stood: String,
}

/// Feeds a run whose first sample is the one of this index.
fn feed(tag: &mut Tag, run: &Run, at: usize, to: &mut Vec<Told>) {
    tag.feed(run, &mut |event: &Event, moment: &Moment| {
        let Moment { now_us, taken, fate, faults } = *moment;
        assert!((1..=run.accel_g.len()).contains(&taken));
        let stood = format!("{now_us} {fate:?} {faults:?}");
        to.push(Told { event: *event, taken: at + taken, stood });
    });
}

/// Feeds one tag by runs of the lengths given, another sample by sample, and holds them
/// against each other after every run. Gives how much was told.
fn both_ways(hz: f32, samples: &[Sample], lengths: &[usize]) -> usize {
    let (mut by_run, mut by_one) = (Tag::new(config(hz)), Tag::new(config(hz)));
    let (mut of_runs, mut of_ones) = (Vec::new(), Vec::new());
    let mut at = 0;
    for part in cut(samples, config(hz).sample_us(), lengths) {
        feed(&mut by_run, &part.run(), at, &mut of_runs);
        for (n, sample) in samples[at..].iter().take(part.accel_g.len()).enumerate() {
            feed(&mut by_one, &sample.as_run(), at + n, &mut of_ones);
        }
        at += part.accel_g.len();
        // Debug text, since what is no number does not equal itself.
        assert_eq!(format!("{by_one:?}"), format!("{by_run:?}"), "after sample {at}");
    }
    assert_eq!(at, samples.len());
    assert_eq!(of_ones.len(), of_runs.len());
    for (one, run) in of_ones.iter().zip(&of_runs) {
        assert_eq!(format!("{:?}", one.event), format!("{:?}", run.event));
        if let Event::Beat(_) = one.event {
            // Beats are handed out one a sample, or all of a block with its last: 16 samples, of
            // up to four averaged into one each.
            let later = run.taken - one.taken;
            assert!(later < 64, "a beat came {later} samples later in a run");
        } else {
            assert_eq!((one.taken, &one.stood), (run.taken, &run.stood), "{:?}", one.event);
        }
    }
    of_ones.len()
}

#[test]
fn runs_of_any_length_give_the_same_at_every_rate() {
    for (hz, told) in [(5.0, 100), (10.0, 200), (12.5, 200), (25.0, 200), (50.0, 200), (100.0, 200)]
    {
        let samples = swim(f64::from(hz), 400.0, 3);
        let got = both_ways(hz, &samples, &[25, 1, 7, 32, 64, 3]);
        assert!(got >= told, "{hz} Hz: {got}");
    }
}

/// A sensor of so few bits repeats its values all the time.
#[test]
fn runs_of_a_coarse_sensor_give_the_same() {
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
    let (depth_m, cell_left, memory_used) = (Some(3.0), Some(0.1), Some(0.9));
    let run = Run { depth_m, cell_left, memory_used, ..Run::accel(1_000_000, 40_000, &[]) };
    feed(&mut tag, &run, 0, &mut Vec::new());
    assert_eq!(format!("{tag:?}"), before);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever is wrong with the samples.
    #[test]
    fn runs_with_faults_give_the_same(
        seed in 0_u32..1000,
        hz in prop::sample::select(vec![5.0_f32, 10.0, 25.0, 50.0]),
        lengths in prop::collection::vec(1_usize..40, 1..8),
        faults in prop::collection::vec(
            (0_usize..4000, prop_oneof![3 => 1_usize..90, 1 => 600_usize..1500], 0_u8..8),
            0..12,
        ),
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
