//! The tag against NumPy and SciPy on the same samples.
//!
//! Source: `reference/signals.py` (SciPy 1.17.1, NumPy 2.4.6; values in
//! `reference/data`). Measures: minute means of static acceleration, ODBA and
//! VeDBA from `scipy.ndimage.uniform_filter1d`; beats from principal axis,
//! `sosfiltfilt` and `find_peaks` with the whole file in hand, matched one to
//! one within a quarter period; rate from the peak of Welch's spectrum and of
//! each minute's periodogram.

use firmware_core::config::{Breathing, Config, Logger};
use host_sim::score::matching::{match_beats, with_periods};
use serde::Deserialize;
use std::collections::BTreeMap;
use swaymark_tests::run::{Run, config, run_accel};
use swaymark_tests::{reference, stats};

#[derive(Deserialize)]
struct Reference {
    counts_per_g: f64,
    signals: BTreeMap<String, Signal>,
}

#[derive(Deserialize)]
struct Signal {
    sample_hz: f64,
    welch_hz: f64,
    minute_hz: Vec<f64>,
    /// ODBA, VeDBA, static x, y, z, g.
    minutes: Vec<[f64; 5]>,
    beats: Vec<f64>,
    true_beats: Vec<f64>,
}

fn each(check: impl FnMut(&str, &Signal, &Run)) {
    each_with(|hz| config(hz, Breathing::Ram), check);
}

fn each_with(settings: impl Fn(f64) -> Config, mut check: impl FnMut(&str, &Signal, &Run)) {
    let reference: Reference = reference::json("signals.json");
    assert_eq!(reference.signals.len(), 4);
    for (name, signal) in &reference.signals {
        let counts: Vec<[f64; 3]> = reference::rows(&format!("signal_{name}.csv"));
        let accel_g: Vec<[f32; 3]> =
            counts.iter().map(|row| row.map(|c| (c / reference.counts_per_g) as f32)).collect();
        let run = run_accel(settings(signal.sample_hz), signal.sample_hz, &accel_g);
        check(name, signal, &run);
    }
}

/// ODBA and VeDBA of every minute within 0.5 % and 0.2 mg of SciPy's. From 20 Hz on
/// the tag looks at every second sample, of which SciPy adds up all, and at 50 Hz
/// at means of two samples, which lowers the part of activity that is sensor noise
/// and fast motion: 3 % there.
#[test]
fn activity_of_each_minute() {
    each(|name, signal, run| {
        assert_eq!(run.minutes.len(), signal.minutes.len(), "{name}: minutes");
        let part = if signal.sample_hz >= 20.0 { 0.03 } else { 0.005 };
        let mut worst = 0.0_f64;
        for (i, (minute, want)) in run.minutes.iter().zip(&signal.minutes).enumerate() {
            for (what, got, want) in
                [("ODBA", minute.odba_g, want[0]), ("VeDBA", minute.vedba_g, want[1])]
            {
                let off = (f64::from(got) - want).abs();
                worst = worst.max(off / want);
                assert!(
                    off <= part * want + 2e-4,
                    "{name}, minute {i}: {what} {got} g, SciPy {want:.6} g"
                );
            }
        }
        println!("{name}: activity within {:.3} %", 100.0 * worst);
    });
}

/// Static acceleration of every minute, as the pitch and roll of the sensor
/// (mounting stated as straight), within 0.5 degrees of SciPy's mean vectors:
/// pitch = atan2(x, sqrt(y^2 + z^2)), roll = atan2(y, z).
#[test]
fn static_acceleration_of_each_minute() {
    let straight = |hz| {
        let base = config(hz, Breathing::Ram);
        let logger = Logger { mount_deg: Some([0.0; 3]), ..*base.logger() };
        Config::new(logger, *base.place(), *base.animal(), *base.detector(), *base.release())
            .expect("the settings are in range")
    };
    each_with(straight, |name, signal, run| {
        let mut worst = 0.0_f64;
        assert_eq!(run.minutes.len(), signal.minutes.len(), "{name}: minutes");
        for (minute, [_, _, x, y, z]) in run.minutes.iter().zip(&signal.minutes) {
            let pitch_deg = x.atan2(y.hypot(*z)).to_degrees();
            let roll_deg = y.atan2(*z).to_degrees();
            let turn = (f64::from(minute.roll_deg) - roll_deg + 180.0).rem_euclid(360.0) - 180.0;
            // Roll means less the nearer the nose points up or down.
            let off = (f64::from(minute.pitch_deg) - pitch_deg).abs();
            worst = worst.max(off).max(turn.abs() * pitch_deg.to_radians().cos());
        }
        println!("{name}: posture within {worst:.3} degrees");
        assert!(worst <= 0.5, "{name}: {worst:.3} degrees");
    });
}

/// Beats against the truth and against the offline yardstick, which has the
/// whole file in hand. The tag starts cold, so the first 20 s are a matter of
/// their own: by then it must have told of a beat. After them its F1 against the
/// truth is at least that of the yardstick less 0.01, its F1 against the
/// yardstick at least 0.95, and matched beats lie within 4 % of a period (root
/// mean square).
#[test]
fn beats_against_offline_picking() {
    const COLD_S: f64 = 20.0;
    let mut short = Vec::new();
    each(|name, signal, run| {
        let warm = |times: &[f64]| -> Vec<f64> {
            times.iter().copied().filter(|t| *t >= COLD_S).collect()
        };
        let all = run.beat_times();
        let times = warm(&all);
        let beats = warm(&signal.beats);
        let truth = with_periods(&warm(&signal.true_beats));
        let offline = match_beats(&truth, &beats);
        let tag = match_beats(&truth, &times);
        let both = match_beats(&with_periods(&beats), &times);
        let off: Vec<f64> = tag
            .pairs
            .iter()
            .map(|&(i, j)| (times[j] - truth[i].t_s) / truth[i].period_s - tag.offset)
            .collect();
        let first_s = all.first().copied().unwrap_or(f64::INFINITY);
        println!(
            "{name}: F1 tag {:.4}, offline {:.4}, tag against offline {:.4}; timing {:.2} % of a period; first beat {first_s:.1} s",
            tag.f1(),
            offline.f1(),
            both.f1(),
            100.0 * stats::rms(&off),
        );
        let good = first_s <= COLD_S
            && both.f1() >= 0.95
            && tag.f1() >= offline.f1() - 0.01
            && stats::rms(&off) <= 0.04;
        if !good {
            short.push(name.to_owned());
        }
    });
    assert!(short.is_empty(), "falls short on {short:?}");
}

/// The rate over a whole signal against Welch's peak (2 %), where the animal
/// never glides: mean beat frequency from the first to the last beat.
#[test]
fn rate_against_welch() {
    let mut worst = 0.0_f64;
    each(|name, signal, run| {
        if name == "glides" {
            return;
        }
        let times = run.beat_times();
        let span = times.last().unwrap_or(&0.0) - times.first().unwrap_or(&0.0);
        let rate = (times.len().saturating_sub(1)) as f64 / span;
        println!("{name}: rate {rate:.4} Hz, Welch {:.4} Hz", signal.welch_hz);
        worst = worst.max((rate / signal.welch_hz - 1.0).abs());
    });
    assert!(worst <= 0.02, "off by {:.2} %", 100.0 * worst);
}

/// Beats a minute against the peak of each minute's periodogram, where the
/// animal never glides: median within 1 %, each within 4 % (the spectrum's own
/// peak wanders with the rhythm). The first minute and the last are left out: in
/// the one the tag starts cold, in the other the record ends under the last beats.
#[test]
fn minute_rate_against_spectrum() {
    let mut off = Vec::new();
    each(|name, signal, run| {
        if name == "glides" {
            return;
        }
        let inner = 1..signal.minute_hz.len() - 1;
        let here: Vec<f64> = run.minutes[inner.clone()]
            .iter()
            .zip(&signal.minute_hz[inner])
            .map(|(m, hz)| (f64::from(m.beats_per_min.unwrap_or(0.0)) / (60.0 * hz) - 1.0).abs())
            .collect();
        println!("{name}: minute rates off by {here:.4?}");
        off.extend(here);
    });
    assert_eq!(off.len(), 9);
    assert!(stats::median(&off) <= 0.01, "{off:?}");
    assert!(off.iter().all(|o| *o <= 0.04), "{off:?}");
}
