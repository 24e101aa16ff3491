//! What the tag promises, each promise with a test that tries to break it.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use common::{feed, feed_all};
use firmware_core::beats::BeatStage;
use firmware_core::config::{
    Animal, Breathing, Config, ConfigError, Detector, Logger, Place, Release,
};
use firmware_core::tag::Tag;
use firmware_core::types::{Beat, Cause, Event, Minute, Moment, ReleaseDecision, Sample};
use proptest::prelude::*;

fn logger(sample_hz: f32) -> Logger {
    Logger { sample_hz, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None }
}

fn place() -> Place {
    Place { start_unix_s: Some(1_780_000_000), latitude_deg: 10.0, longitude_deg: -30.0 }
}

fn config(sample_hz: f32, breathing: Breathing, release: Release) -> Config {
    let animal = Animal { breathing, length_m: None };
    Config::new(logger(sample_hz), place(), animal, Detector::DEFAULT, release)
        .expect("the test's own configuration is valid")
}

fn beats(told: &[Event]) -> Vec<Beat> {
    let beat = |event: &Event| if let Event::Beat(beat) = event { Some(*beat) } else { None };
    told.iter().filter_map(beat).collect()
}

fn minutes(told: &[Event]) -> Vec<Minute> {
    let minute = |event: &Event| if let Event::Minute(m) = event { Some(*m) } else { None };
    told.iter().filter_map(minute).collect()
}

fn released(told: &[Event]) -> Option<ReleaseDecision> {
    told.iter().find_map(|event| if let Event::Release(r) = event { Some(*r) } else { None })
}

/// A small fixed generator, so that the noise is the same on every machine.
struct Noise(u32);

impl Noise {
    /// Roughly normal, unit variance: the sum of four uniforms.
    fn next(&mut self) -> f32 {
        let mut sum = 0.0;
        for _ in 0..4 {
            self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            sum += (self.0 >> 8) as f32 / 16_777_216.0 - 0.5;
        }
        sum * 1.732
    }
}

/// Level animal, `sway(t)` g sideways, noise of `noise_g` on every axis.
fn made(hz: f64, seconds: f64, noise_g: f32, seed: u32, sway: impl Fn(f64) -> f64) -> Vec<Sample> {
    let mut noise = Noise(seed);
    (0..(hz * seconds) as u64)
        .map(|i| {
            let t = i as f64 / hz;
            let a = [0.05, sway(t) as f32, 0.998].map(|x| x + noise_g * noise.next());
            Sample::accel((t * 1.0e6).round() as u64, a)
        })
        .collect()
}

#[test]
fn state_is_small() {
    let bytes = size_of::<Tag>();
    assert!(bytes <= 4096, "the tag's state is {bytes} bytes, more than 4 KiB");
}

#[test]
fn steady_tones_are_counted_at_every_rate() {
    for (hz, beat_hz) in [
        (5.0, 0.4),
        (10.0, 0.25),
        (10.0, 2.5),
        (12.5, 0.7),
        (25.0, 0.2),
        (25.0, 4.0),
        (50.0, 1.0),
        (100.0, 3.0),
    ] {
        let seconds = 600.0;
        let samples =
            made(hz, seconds, 0.003, 7, |t| 0.15 * (std::f64::consts::TAU * beat_hz * t).sin());
        let mut tag = Tag::new(config(hz as f32, Breathing::Ram, Release::DEFAULT));
        let told = feed_all(&mut tag, &samples);
        let times: Vec<f64> = beats(&told).iter().map(|b| b.t_us as f64 * 1e-6).collect();
        // The first beats wait until the axis and the rhythm are known.
        let expected = (seconds - 25.0) * beat_hz;
        assert!(
            times.len() as f64 >= expected,
            "{hz} Hz, beat {beat_hz} Hz: {} beats",
            times.len()
        );
        assert!(times.len() as f64 <= seconds * beat_hz + 1.0);
        for pair in times.windows(2) {
            let error = (pair[1] - pair[0]) * beat_hz - 1.0;
            // Getting to know the animal, the tag may miss a few beats: 25 s, as above.
            assert!(
                error.abs() < 0.2 || pair[0] < 25.0,
                "{hz} Hz, beat {beat_hz} Hz: step {} at {}",
                pair[1] - pair[0],
                pair[0]
            );
        }
    }
}

#[test]
fn noise_and_swell_give_no_beats() {
    for (seed, noise_g, swell_g, period_s) in
        [(1, 0.005, 0.0, 10.0), (2, 0.002, 0.2, 8.0), (3, 0.004, 0.3, 11.0), (4, 0.001, 0.1, 15.0)]
    {
        for hz in [10.0, 25.0, 50.0] {
            let samples = made(hz, 3600.0, noise_g, seed, |t| {
                swell_g * (std::f64::consts::TAU * t / period_s).sin()
            });
            let mut tag = Tag::new(config(hz as f32, Breathing::Buccal, Release::DEFAULT));
            let beats = beats(&feed_all(&mut tag, &samples)).len();
            assert!(
                beats <= 1,
                "{beats} beats invented in an hour of swell of {period_s} s at {hz} Hz"
            );
        }
    }
}

#[test]
fn a_beat_is_reported_within_the_stated_bound() {
    let c = config(25.0, Breathing::Ram, Release::DEFAULT);
    let bound_s = BeatStage::new(&c, 8, 1.0e-6).chooser().delay_bound_s();
    let samples = made(25.0, 900.0, 0.002, 3, |t| {
        let on = ((t / 60.0) as u64).is_multiple_of(2);
        if on { 0.2 * (std::f64::consts::TAU * 0.3 * t).sin() } else { 0.0 }
    });
    let mut tag = Tag::new(c);
    let mut count = 0;
    for s in &samples {
        for b in beats(&feed(&mut tag, s)) {
            count += 1;
            let late_s = (s.t_us - b.t_us) as f64 * 1e-6;
            assert!(late_s <= f64::from(bound_s), "{late_s} s late, stated {bound_s} s");
        }
    }
    assert!(count > 100, "only {count} beats");
}

#[test]
fn posture_and_activity_follow_their_definitions() {
    // Period 0.5 s: a 2.5 s mean holds five whole beats, so static is exactly the offset.
    let samples = made(50.0, 300.0, 0.000_5, 1, |t| 0.2 * (std::f64::consts::TAU * 2.0 * t).sin());
    let mut tag = Tag::new(config(50.0, Breathing::Ram, Release::DEFAULT));
    let minutes = minutes(&feed_all(&mut tag, &samples));
    let m = minutes[2];
    // The mean of |a sin| is 2 a / pi. One axis moves, so ODBA and VeDBA agree.
    let expected = 0.2 * 2.0 / std::f32::consts::PI;
    assert!((m.odba_g - expected).abs() < 0.02 * expected, "ODBA {}", m.odba_g);
    assert!((m.vedba_g - expected).abs() < 0.02 * expected, "VeDBA {}", m.vedba_g);
    let beats = m.beats_per_min.expect("a full minute");
    assert!((beats - 120.0).abs() < 1.0, "{beats} beats in the minute");
}

#[test]
fn a_known_mounting_gives_signed_angles() {
    // Head up 20 degrees and left flank up 30 degrees, sensor glued on straight.
    let l = Logger { mount_deg: Some([0.0; 3]), ..logger(10.0) };
    let animal = Animal { breathing: Breathing::Ram, length_m: None };
    let c = Config::new(l, place(), animal, Detector::DEFAULT, Release::DEFAULT).expect("valid");
    let (pitch, roll) = (20.0_f32.to_radians(), 30.0_f32.to_radians());
    let a = [pitch.sin(), pitch.cos() * roll.sin(), pitch.cos() * roll.cos()];
    let mut tag = Tag::new(c);
    let samples: Vec<_> = (0..3000_u64)
        .map(|i| Sample::accel(i * 100_000, a.map(|x| x + 0.001 * (i % 3) as f32)))
        .collect();
    let minutes = minutes(&feed_all(&mut tag, &samples));
    assert!((minutes[1].pitch_deg - 20.0).abs() < 0.2, "pitch {}", minutes[1].pitch_deg);
    assert!((minutes[1].roll_deg - 30.0).abs() < 0.2, "roll {}", minutes[1].roll_deg);
}

#[test]
fn settings_out_of_range_are_refused_by_name() {
    for p in Detector::PARAMS {
        for bad in [p.min - 1.0 - p.min.abs(), p.max * 2.0 + 1.0, f32::NAN] {
            let mut d = Detector::DEFAULT;
            match d.set(p.key, bad) {
                Err(ConfigError::OutOfRange { key, .. }) => assert_eq!(key, p.key),
                other => panic!("{} = {bad}: {other:?}", p.key),
            }
        }
        let mut d = Detector::DEFAULT;
        d.set(p.key, p.min).expect("the smallest value is allowed");
        assert_eq!(Detector::DEFAULT.get(p.key), Some(p.default));
    }
    let mut r = Release::DEFAULT;
    assert_eq!(r.set("celling_h", 1.0), Err(ConfigError::UnknownKey));
    r.floor_h = 50.0;
    let animal = Animal { breathing: Breathing::Ram, length_m: None };
    assert_eq!(
        Config::new(logger(25.0), place(), animal, Detector::DEFAULT, r),
        Err(ConfigError::Order { low: "floor_h", high: "ceiling_h" })
    );
}

#[test]
fn a_silent_or_frozen_tag_still_lets_go_at_the_ceiling() {
    let release = Release { floor_h: 0.1, ceiling_h: 1.0, ..Release::DEFAULT };
    // No samples at all: only the clock ticks.
    let mut tag = Tag::new(config(25.0, Breathing::Ram, release));
    let tick = |s: u64| {
        let mut told = Vec::new();
        tag.tick(s * 1_000_000, &mut |event: &Event, _: &Moment| told.push(*event));
        released(&told)
    };
    let at = (0..4000_u64).find_map(tick).expect("released");
    assert_eq!((at.cause, at.t_us), (Cause::Ceiling, 3_600_000_000));
    // The clock stands still while samples come.
    let mut tag = Tag::new(config(25.0, Breathing::Ram, release));
    let at = (0..25 * 4000_u64).find_map(|i| {
        let sample = Sample::accel(5_000_000, [0.0, 0.0, 1.0 + (i % 2) as f32 * 0.01]);
        released(&feed(&mut tag, &sample))
    });
    // (A tag that lies so still may also be taken for a loose one, and let go before.)
    assert!(at.is_some_and(|r| r.t_us <= 3_600_000_000));
    // Every sample is unreadable.
    let mut tag = Tag::new(config(25.0, Breathing::Ram, release));
    let at = (0..25 * 4000_u64)
        .find_map(|i| released(&feed(&mut tag, &Sample::accel(i * 40_000, [f32::NAN; 3]))))
        .expect("released");
    assert_eq!((at.cause, at.t_us), (Cause::Ceiling, 3_600_000_000));
}

#[test]
fn each_cause_needs_its_confirmation_and_waits_for_the_floor() {
    let release = Release {
        floor_h: 0.5,
        ceiling_h: 4.0,
        cell_confirm_min: 10.0,
        depth_confirm_s: 5.0,
        memory_daylight: false,
        ..Release::DEFAULT
    };
    type Change = fn(&mut Sample);
    let cases: [(Cause, Change); 3] = [
        (Cause::CellLow, |s| s.cell_left = Some(0.1)),
        (Cause::MemoryFull, |s| s.memory_used = Some(0.99)),
        (Cause::TooDeep, |s| s.depth_m = Some(600.0)),
    ];
    for (cause, with) in cases {
        for start_s in [0_u64, 3600] {
            let mut tag = Tag::new(config(10.0, Breathing::Ram, release));
            let mut decided = None;
            for i in 0..10 * 7200_u64 {
                let mut s = Sample::accel(
                    i * 100_000,
                    [0.0, 0.01 * (i % 5) as f32, 1.0 + 0.01 * (i % 3) as f32],
                );
                if i / 10 >= start_s {
                    with(&mut s);
                }
                if let Some(r) = released(&feed(&mut tag, &s)) {
                    decided = Some(r);
                    break;
                }
            }
            let r = decided.unwrap_or_else(|| panic!("{cause:?} did not release"));
            assert_eq!(r.cause, cause);
            let confirm_s = match cause {
                Cause::CellLow => 600,
                Cause::MemoryFull => 60,
                _ => 5,
            };
            let due_s = (start_s + confirm_s).max(1800);
            let at_s = r.t_us / 1_000_000;
            // The release is looked at every other second; depth wants two readings that agree.
            let late_s = if cause == Cause::TooDeep { 4 } else { 2 };
            assert!((due_s..=due_s + late_s).contains(&at_s), "{cause:?} at {at_s}, due {due_s} s");
        }
    }
}

/// One wrong reading lets nothing go, however seldom depth is read; nor does one that nothing
/// follows.
#[test]
fn a_wrong_depth_is_not_too_deep() {
    let release = Release { floor_h: 0.0, depth_confirm_s: 5.0, ..Release::DEFAULT };
    for every_s in [1_u64, 10, 60, 600] {
        for last in [false, true] {
            let mut tag = Tag::new(config(10.0, Breathing::Ram, release));
            for i in 0..10 * 4000_u64 {
                let mut s = Sample::accel(i * 100_000, [0.0, 0.01 * (i % 5) as f32, 1.0]);
                let n = i / (10 * every_s);
                let reads = i % (10 * every_s) == 0 && (!last || n <= 3);
                s.depth_m = reads.then_some(if n == 3 { 612.0 } else { 30.0 });
                let cause = released(&feed(&mut tag, &s)).map(|decision| decision.cause);
                assert_ne!(cause, Some(Cause::TooDeep), "{every_s} s");
            }
        }
    }
}

fn any_f32() -> impl Strategy<Value = f32> {
    prop_oneof![
        4 => -2.0_f32..2.0,
        1 => any::<f32>(),
        1 => Just(f32::NAN),
        1 => Just(f32::INFINITY),
        1 => Just(1.0e30_f32),
        1 => Just(8.0_f32),
        1 => Just(0.0_f32),
    ]
}

fn any_sample() -> impl Strategy<Value = (u64, [f32; 3], Option<f32>, Option<f32>)> {
    let step = prop_oneof![
        8 => Just(40_000_u64),
        1 => Just(0_u64),
        1 => 0_u64..100_000_000,
        1 => any::<u64>(),
    ];
    (
        step,
        [any_f32(), any_f32(), any_f32()],
        proptest::option::of(any_f32()),
        proptest::option::of(any_f32()),
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn nothing_a_sensor_says_stops_the_tag(
        rows in proptest::collection::vec(any_sample(), 1..400),
        hz in 5.0_f32..100.0,
        split in 0_usize..400,
    ) {
        let c = config(hz, Breathing::Ram, Release { floor_h: 0.0, ..Release::DEFAULT });
        let mut tag = Tag::new(c);
        let mut t = 0_u64;
        let samples: Vec<Sample> = rows
            .iter()
            .map(|(step, accel_g, depth_m, cell_left)| {
                t = t.wrapping_add(*step);
                Sample { t_us: t, accel_g: *accel_g, depth_m: *depth_m, temp_c: None, cell_left: *cell_left, memory_used: None }
            })
            .collect();
        // The state is the whole truth: a copy carries on as the original would.
        let split = split.min(samples.len());
        for s in &samples[..split] {
            feed(&mut tag, s);
        }
        let mut copy = tag.clone();
        let a = feed_all(&mut tag, &samples[split..]);
        let b = feed_all(&mut copy, &samples[split..]);
        prop_assert_eq!(format!("{a:?}"), format!("{b:?}"));
        prop_assert_eq!(format!("{tag:?}"), format!("{copy:?}"));
    }

    #[test]
    fn the_ceiling_holds_whatever_the_sensors_say(
        rows in proptest::collection::vec(any_sample(), 1..200),
        ceiling_h in 0.06_f32..0.2,
    ) {
        let release = Release { floor_h: 0.05, ceiling_h, ..Release::DEFAULT };
        let mut tag = Tag::new(config(5.0, Breathing::Ram, release));
        let mut at = None;
        for i in 0..5 * 800_u64 {
            let (_, accel_g, depth_m, cell_left) = rows[i as usize % rows.len()];
            let s = Sample { t_us: i * 200_000, accel_g, depth_m, temp_c: None, cell_left, memory_used: None };
            if let Some(r) = released(&feed(&mut tag, &s)) {
                at = Some(r);
                break;
            }
        }
        let r = at.expect("released");
        let ceiling_us = f64::from(ceiling_h) * 3.6e9;
        prop_assert!(r.t_us as f64 >= 0.05 * 3.6e9 - 1e3);
        prop_assert!(r.t_us as f64 <= ceiling_us + 0.3e6);
    }
}
