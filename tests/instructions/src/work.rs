//! The samples that are counted: two made hours at any rate.

use std::f64::consts::TAU;
use std::hint::black_box;

use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Run, Sample};

/// Length, s: recovery is estimated each hour.
const LENGTH_S: u32 = 7260;

/// Samples at `hz`.
pub fn samples(hz: u32) -> u64 {
    u64::from(LENGTH_S) * u64::from(hz)
}

/// Noise, -1 to 1: a linear congruential generator (Knuth's MMIX constants, memory).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / f64::from(1_u32 << 23) - 1.0
    }
}

/// How samples are handed to the tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// One by one: runs of one.
    Singles,
    /// A second of them together.
    Runs,
}

/// Runs the tag over them.
///
/// # Panics
/// Where the tag refuses the settings.
pub fn run(hz: u32, way: Way) {
    let logger =
        Logger { sample_hz: hz as f32, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
    let place = Place { start_unix_s: None, latitude_deg: 0.0, longitude_deg: 0.0 };
    let animal = Animal { breathing: Breathing::Ram, length_m: None };
    let config = Config::new(logger, place, animal, Detector::default(), Release::default());
    let config = config.expect("the settings are in range");
    let period_us = config.sample_us();
    let mut tag = Tag::new(config);
    let mut noise = Noise(1);
    let mut fifo: Vec<[f32; 3]> = Vec::new();
    let mut first = Sample::accel(0, [0.0; 3]);
    let (mut phase, mut beats) = (0.0_f64, 0_u32);
    for n in 0..samples(hz) {
        let t_s = n as f64 / f64::from(hz);
        // Ten minutes each: six of swimming, two of gliding, two at rest in a swell.
        let (sway_g, swell_g) = match t_s % 600.0 {
            t if t < 360.0 => (0.18 + 0.05 * (t / 40.0).sin(), 0.0),
            t if t < 480.0 => (0.0, 0.0),
            _ => (0.0, 0.02),
        };
        phase += TAU * (0.9 + 0.15 * (t_s / 70.0).sin()) / f64::from(hz);
        let sway = sway_g * (phase.sin() + 0.2 * (2.0 * phase + 0.7).sin());
        let swell = swell_g * (TAU * t_s / 8.0).sin();
        let pitch = 0.2 * (t_s / 90.0).sin();
        let mut axis = |g: f64| ((g + 0.008 * noise.next()) * 4096.0).round() as f32 / 4096.0;
        let accel_g = [axis(pitch.sin() + 0.3 * swell), axis(sway + swell), axis(pitch.cos())];
        let mut sample = Sample::accel(n * 1_000_000 / u64::from(hz), accel_g);
        if n % u64::from(hz) == 0 {
            sample.depth_m = Some((30.0 + 10.0 * (t_s / 300.0).sin()) as f32);
        }
        let mut count = |event: &Event, _: &Moment| {
            beats += u32::from(matches!(event, Event::Beat(_)));
        };
        if way == Way::Singles {
            tag.feed(&black_box(&sample).as_run(), &mut count);
            continue;
        }
        if fifo.is_empty() {
            first = sample;
        }
        fifo.push(accel_g);
        if fifo.len() < hz as usize {
            continue;
        }
        let mut run = Run::accel(first.t_us, period_us, &fifo);
        run.depth_m = first.depth_m;
        tag.feed(black_box(&run), &mut count);
        fifo.clear();
    }
    // Something must have been found, or nothing was worth counting.
    assert!(beats > 1000, "{beats} beats");
    black_box(&tag);
}
