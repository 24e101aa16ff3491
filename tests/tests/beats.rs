//! Tail beats on made swimmers, against the truth of the maker.
//!
//! Source: the makers in `src/`, which share nothing with the detectors. Ranges
//! are those stated for a wild animal: any mounting, 0.25 to 3 Hz, sway 0.03 to
//! 0.6 g, glides of 5 to 60 s, noise 1 to 5 mg, 10 to 50 Hz, with turns, bursts,
//! held rolls, harmonics, dives and drifting amplitude. Measure: beats matched one
//! to one within a quarter period after one constant phase offset a trace; F1
//! pooled and by trace; the rate of each minute; beats told where there are none.
//! Seeds 1000 to 1011 (and 2000 up for the rest) are for judging alone; looking
//! and tuning use seeds below 1000.

use firmware_core::config::Breathing;
use firmware_core::types::Sample;
use host_sim::score::matching::{TrueBeat, match_beats};
use swaymark_tests::logger::{Logger, between, draws, log_between};
use swaymark_tests::run::{Run, config, sample_us};
use swaymark_tests::stats;
use swaymark_tests::stray::Carcass;
use swaymark_tests::swimmer::{Gait, Swimmer};

/// Two hours: the cold first minute and the last one weigh more in a short record
/// than they ever do in a deployment of a day.
const LENGTH_S: f64 = 7200.0;

struct Judged {
    name: String,
    sample_hz: f64,
    matched: usize,
    truth: usize,
    found: usize,
    f1: f64,
    /// Relative error of each minute's beats.
    minutes: Vec<f64>,
    /// Beats told more than half a period inside a glide, and hours of gliding.
    invented: usize,
    gliding_h: f64,
    delay_s: f64,
}

fn judge(seed: u64) -> Judged {
    let rng = &mut draws(seed);
    let rates = [10.0, 12.5, 16.0, 20.0, 25.0, 32.0, 40.0, 50.0];
    let sample_hz = rates[(between(rng, 0.0, rates.len() as f64) as usize).min(rates.len() - 1)];
    let gait = Gait::wild(seed);
    let mut logger = Logger::new(seed, sample_hz, log_between(rng, 0.001, 0.005));
    let name = format!(
        "seed {seed}: {:.2} Hz, {:.3} g, noise {:.1} mg, {sample_hz} samples a second",
        gait.beat_hz,
        gait.sway_g,
        1e3 * logger.noise_g
    );
    let mut swimmer = Swimmer::new(gait, seed, sample_hz);
    let mut run = Run::new(config(sample_hz, Breathing::Ram));
    let mut truth = Vec::new();
    let mut cycles = vec![0.0; (LENGTH_S / 60.0) as usize];
    let mut glides: Vec<[f64; 2]> = Vec::new();
    let mut was_gliding = false;
    let samples = (LENGTH_S * sample_hz) as u64;
    for i in 0..samples {
        let t_s = i as f64 / sample_hz;
        let now = swimmer.step(1.0, 1.0);
        // The swimmer's clock stands at the end of its step.
        truth.extend(now.beat.map(|(t, period_s)| TrueBeat { t_s: t - 1.0 / sample_hz, period_s }));
        cycles[(t_s / 60.0) as usize] += now.cycles;
        if now.gliding {
            if !was_gliding {
                glides.push([t_s, t_s]);
            }
            if let Some(last) = glides.last_mut() {
                last[1] = t_s;
            }
        }
        was_gliding = now.gliding;
        let accel_g = logger.read(now.body_g);
        let mut sample = Sample::accel(sample_us(i, sample_hz), accel_g);
        if i % (sample_hz as u64) == 0 {
            sample.depth_m = Some((now.depth_m * 20.0).round() as f32 / 20.0);
        }
        run.step(&sample);
    }
    run.finish();
    let times = run.beat_times();
    let m = match_beats(&truth, &times);
    let minutes = run
        .minutes
        .iter()
        .zip(&cycles)
        .filter(|(_, c)| **c >= 3.0)
        .map(|(m, c)| (f64::from(m.beats_per_min.unwrap_or(0.0)) / c - 1.0).abs())
        .collect();
    let period_s = stats::median(&truth.iter().map(|b| b.period_s).collect::<Vec<_>>());
    let inside =
        |t: f64| glides.iter().any(|g| t > g[0] + 0.5 * period_s && t < g[1] - 0.5 * period_s);
    Judged {
        name,
        sample_hz,
        matched: m.pairs.len(),
        truth: m.truth,
        found: m.found,
        f1: m.f1(),
        minutes,
        invented: times.iter().filter(|t| inside(**t)).count(),
        gliding_h: glides.iter().map(|g| g[1] - g[0]).sum::<f64>() / 3600.0,
        delay_s: run.beat_delay_s,
    }
}

fn all(seeds: std::ops::Range<u64>) -> Vec<Judged> {
    let judged: Vec<_> = seeds.map(judge).collect();
    for j in &judged {
        println!(
            "{}: F1 {:.4} ({} true, {} found, {} matched), minutes {:.2} % median, {:.2} % 95th; {} in {:.2} h of glides; told within {:.1} s",
            j.name,
            j.f1,
            j.truth,
            j.found,
            j.matched,
            100.0 * stats::median(&j.minutes),
            100.0 * stats::quantile(&j.minutes, 0.95),
            j.invented,
            j.gliding_h,
            j.delay_s
        );
    }
    judged
}

#[test]
fn beats_of_twelve_wild_swimmers() {
    let judged = all(1000..1012);
    let sum = |part: fn(&Judged) -> usize| judged.iter().map(part).sum::<usize>() as f64;
    let pooled = 2.0 * sum(|j| j.matched) / (sum(|j| j.truth) + sum(|j| j.found));
    let worst = judged.iter().map(|j| j.f1).fold(1.0, f64::min);
    println!("pooled F1 {pooled:.4}, worst {worst:.4}");
    assert!(pooled >= 0.985, "pooled F1 {pooled:.4}");
    assert!(worst >= 0.95, "worst F1 {worst:.4}");
}

/// Beats a minute, in every minute with three true beats or more, the cold first
/// minute and the last one of the record among them.
#[test]
fn minute_rates_of_twelve_wild_swimmers() {
    let judged: Vec<_> = (1000..1012).map(judge).collect();
    let minutes: Vec<f64> = judged.iter().flat_map(|j| j.minutes.iter().copied()).collect();
    let (median, high) = (stats::median(&minutes), stats::quantile(&minutes, 0.95));
    println!(
        "{} minutes: {:.2} % median, {:.2} % 95th",
        minutes.len(),
        100.0 * median,
        100.0 * high
    );
    assert!(median <= 0.01, "minute rates: median {median:.4}");
    assert!(high <= 0.04, "minute rates: 95th percentile {high:.4}");
}

/// The bound that the documentation states for the time from a beat to its
/// report: 12 samples of the slowest band, whose samples are 32 times those at 20 to
/// 40 Hz, and 4.75 of the longest periods looked for (1.02 / 0.15 Hz).
#[test]
fn beats_are_told_within_the_stated_time() {
    let mut late = Vec::new();
    for j in (1000..1012).map(judge) {
        let mut top_hz = j.sample_hz;
        while top_hz >= 40.0 {
            top_hz /= 2.0;
        }
        while top_hz < 20.0 {
            top_hz *= 2.0;
        }
        let bound_s = 12.0 * 32.0 / top_hz + 4.75 * 1.02 / 0.15;
        println!("{}: told within {:.1} s, bound {bound_s:.1} s", j.name, j.delay_s);
        if j.delay_s > bound_s {
            late.push(j.name);
        }
    }
    assert!(late.is_empty(), "told too late: {late:#?}");
}

/// For looking: other seeds, the same numbers, no bound.
#[test]
#[ignore = "for looking at seeds kept for tuning"]
fn beats_of_tuning_seeds() {
    let judged = all(100..112);
    let sum = |part: fn(&Judged) -> usize| judged.iter().map(part).sum::<usize>() as f64;
    let pooled = 2.0 * sum(|j| j.matched) / (sum(|j| j.truth) + sum(|j| j.found));
    let minutes: Vec<f64> = judged.iter().flat_map(|j| j.minutes.iter().copied()).collect();
    println!(
        "pooled F1 {pooled:.4}; minutes {:.2} % median, {:.2} % 95th; {} invented in {:.2} h of glides",
        100.0 * stats::median(&minutes),
        100.0 * stats::quantile(&minutes, 0.95),
        sum(|j| j.invented),
        judged.iter().map(|j| j.gliding_h).sum::<f64>()
    );
}

/// An hour of swimming, so that the tag knows its animal, then hours in which
/// nothing beats: the beats told there, by hour.
fn beats_after(
    seed: u64,
    hours: f64,
    breathing: Breathing,
    mut still: impl FnMut(f64) -> ([f64; 3], f64),
) -> f64 {
    let sample_hz = 12.5;
    let rng = &mut draws(seed);
    let mut logger = Logger::new(seed, sample_hz, log_between(rng, 0.001, 0.005));
    let mut swimmer = Swimmer::new(Gait::wild(seed), seed, sample_hz);
    let mut run = Run::new(config(sample_hz, breathing));
    for i in 0..((1.0 + hours) * 3600.0 * sample_hz) as u64 {
        let t_s = i as f64 / sample_hz;
        let (body_g, depth_m) = if t_s < 3600.0 {
            let now = swimmer.step(1.0, 1.0);
            (now.body_g, now.depth_m)
        } else {
            still(t_s - 3600.0)
        };
        let mut sample = Sample::accel(sample_us(i, sample_hz), logger.read(body_g));
        if i % 25 == 0 {
            sample.depth_m = Some((depth_m * 20.0).round() as f32 / 20.0);
        }
        run.step(&sample);
    }
    run.finish();
    // A slow beat that was under way may end up to two periods later.
    let told = run.beat_times().iter().filter(|t| **t > 3608.0).count();
    told as f64 / hours
}

/// A carcass rocked by swell of 8 to 15 s: at most one invented beat an hour,
/// before and after the tag has decided that the animal is dead.
#[test]
fn no_beats_from_swell() {
    let mut rates = Vec::new();
    for seed in 2000..2012 {
        let mut carcass = Carcass::new(seed, 12.5, 0.0, 40.0);
        rates.push(beats_after(seed, 4.0, Breathing::Ram, |t| carcass.at(t)));
    }
    println!("invented an hour in swell: {rates:.2?}");
    let mean = rates.iter().sum::<f64>() / rates.len() as f64;
    assert!(mean <= 1.0 && rates.iter().all(|r| *r <= 1.0), "{rates:?}");
}

/// A buccal pumper at rest on the bottom with gill movements of 2 mg: at most
/// one invented beat an hour.
#[test]
fn no_beats_from_gills() {
    let mut rates = Vec::new();
    for seed in 2100..2108 {
        let hz = between(&mut draws(seed), 0.3, 0.8);
        rates.push(beats_after(seed, 4.0, Breathing::Buccal, |t| {
            let gill = 0.002 * (std::f64::consts::TAU * hz * t).sin();
            ([0.03, 0.02, 1.0 + gill], 45.0)
        }));
    }
    println!("invented an hour at rest: {rates:.2?}");
    assert!(rates.iter().all(|r| *r <= 1.0), "{rates:?}");
}

/// In the glides of the twelve swimmers, which the tag sees between bouts: at
/// most one an hour.
#[test]
fn no_beats_from_glides() {
    let judged: Vec<_> = (1000..1012).map(judge).collect();
    let invented = judged.iter().map(|j| j.invented).sum::<usize>() as f64;
    let hours = judged.iter().map(|j| j.gliding_h).sum::<f64>();
    println!("{invented} beats in {hours:.2} h of glides");
    assert!(hours > 0.5, "{hours} h");
    assert!(invented / hours <= 1.0, "{invented} in {hours:.2} h");
}
