//! One run of the tag over samples, with everything it said.

use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::tag::Tag;
use firmware_core::types::{
    Beat, Event, FateReport, Minute, Moment, RecoveryReport, ReleaseDecision, Sample,
};

/// Plain settings for a logger of `sample_hz`: everything else at its default,
/// the mounting and the animal's length unknown.
///
/// # Panics
/// Where the tag refuses them.
pub fn config(sample_hz: f64, breathing: Breathing) -> Config {
    config_with(sample_hz, breathing, Detector::default())
}

/// The same with chosen detector settings.
///
/// # Panics
/// Where the tag refuses them.
pub fn config_with(sample_hz: f64, breathing: Breathing, detector: Detector) -> Config {
    let logger = Logger {
        sample_hz: sample_hz as f32,
        range_g: 16.0,
        counts_per_g: 2048.0,
        mount_deg: None,
    };
    let place = Place { start_unix_s: None, latitude_deg: 0.0, longitude_deg: 0.0 };
    let animal = Animal { breathing, length_m: None };
    let release = Release { ceiling_h: 2000.0, ..Release::default() };
    Config::new(logger, place, animal, detector, release).expect("the settings are in range")
}

/// All that the tag said.
#[derive(Clone, Debug)]
pub struct Run {
    /// The tag as it was left.
    pub tag: Tag,
    /// Beats in the order in which they were told.
    pub beats: Vec<Beat>,
    /// Minutes.
    pub minutes: Vec<Minute>,
    /// Decisions on fate and their revisions.
    pub fates: Vec<FateReport>,
    /// Estimates of recovery.
    pub recoveries: Vec<RecoveryReport>,
    /// The decision to let go.
    pub release: Option<ReleaseDecision>,
    /// Longest time from a beat to its report, s.
    pub beat_delay_s: f64,
}

impl Run {
    /// A tag switched on.
    pub fn new(config: Config) -> Self {
        Run {
            tag: Tag::new(config),
            beats: Vec::new(),
            minutes: Vec::new(),
            fates: Vec::new(),
            recoveries: Vec::new(),
            release: None,
            beat_delay_s: 0.0,
        }
    }

    /// Takes a sample.
    pub fn step(&mut self, sample: &Sample) {
        let mut events = Vec::new();
        self.tag.feed(&sample.as_run(), &mut |event: &Event, _: &Moment| events.push(*event));
        for event in &events {
            if let Event::Beat(beat) = event {
                let late_s = sample.t_us.saturating_sub(beat.t_us) as f64 * 1e-6;
                self.beat_delay_s = self.beat_delay_s.max(late_s);
            }
            self.keep(event);
        }
    }

    /// Takes what was still waiting.
    pub fn finish(&mut self) {
        let mut events = Vec::new();
        self.tag.flush(&mut |event: &Event, _: &Moment| events.push(*event));
        events.iter().for_each(|event| self.keep(event));
    }

    fn keep(&mut self, event: &Event) {
        match event {
            Event::Beat(beat) => self.beats.push(*beat),
            Event::Minute(minute) => self.minutes.push(*minute),
            Event::Fate(report) => self.fates.push(*report),
            Event::Recovery(report) => self.recoveries.push(*report),
            Event::Release(decision) => self.release = self.release.or(Some(*decision)),
            Event::Fault(_) | Event::Own(_) | Event::Launch(_) => {}
        }
    }

    /// Times of the beats, s.
    pub fn beat_times(&self) -> Vec<f64> {
        self.beats.iter().map(|b| b.t_us as f64 * 1e-6).collect()
    }
}

/// Runs a tag over evenly spaced accelerations, g.
pub fn run_accel(config: Config, sample_hz: f64, accel_g: &[[f32; 3]]) -> Run {
    let mut run = Run::new(config);
    for (i, a) in accel_g.iter().enumerate() {
        run.step(&Sample::accel(sample_us(i as u64, sample_hz), *a));
    }
    run.finish();
    run
}

/// Time of sample `i`, microseconds.
pub fn sample_us(i: u64, sample_hz: f64) -> u64 {
    (i as f64 * 1e6 / sample_hz).round() as u64
}
