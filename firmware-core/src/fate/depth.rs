//! Depth as evidence: present, stationary, at the surface, or not to be trusted.
//!
//! A live depth sensor shows noise, tide or the animal's own dives. One that
//! repeats the very same value, or falls silent, has failed, and everything
//! after that is decided without depth.

use crate::{config::Config, kept::Kept, math};

/// Depth at and above which a reading is none, m: a sensor out by so much is at the end of
/// its scale.
pub const HIGHEST_M: f32 = -5.0;
/// Depth at and below which a reading is none, m: no sea is so deep.
pub const DEEPEST_M: f32 = 12_000.0;
/// Minutes looked back for "stationary".
const PAST: usize = 10;
/// Swimming minutes of one unchanging value after which a sensor has failed.
const FROZEN_SWIMMING_MIN: u8 = 15;
/// Minutes of one unchanging value after which a sensor has failed, whatever the animal does.
const FROZEN_MIN: u8 = 90;
/// Minutes without a reading after which a sensor has failed.
const SILENT_MIN: u8 = 5;

/// What depth says about a minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum DepthClue {
    /// No sensor, or one that failed.
    Unknown,
    /// At the surface all the time.
    Surface,
    /// Below the surface, unchanged for ten minutes.
    Stationary,
    /// Below the surface, changing.
    Moving,
}

/// Watches the depth sensor.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct DepthWatch {
    past: heapless::Deque<f32, PAST>,
    seen: bool,
    silent: u8,
    frozen: u8,
    frozen_swimming: u8,
    last: f32,
    stationary_m: f32,
    surface_m: f32,
}

impl DepthWatch {
    /// With the configured bounds.
    pub fn new(config: &Config) -> Self {
        DepthWatch {
            last: f32::NAN,
            stationary_m: config.detector().stationary_depth_m,
            surface_m: config.detector().surface_depth_m,
            ..Kept::blank()
        }
    }

    /// True while the sensor, once seen, cannot be trusted.
    pub fn failed(&self) -> bool {
        self.seen
            && (self.silent >= SILENT_MIN
                || self.frozen >= FROZEN_MIN
                || self.frozen_swimming >= FROZEN_SWIMMING_MIN)
    }

    /// Takes a minute: its mean depth and range, and whether it was swum.
    #[inline(never)]
    pub fn step(&mut self, depth_m: Option<f32>, range_m: f32, swum: bool) -> DepthClue {
        let Some(depth) = depth_m else {
            self.silent = self.silent.saturating_add(1);
            return DepthClue::Unknown;
        };
        self.seen = true;
        self.silent = 0;
        if depth == self.last && range_m == 0.0 {
            self.frozen = self.frozen.saturating_add(1);
            if swum {
                self.frozen_swimming = self.frozen_swimming.saturating_add(1);
            }
        } else {
            self.frozen = 0;
            self.frozen_swimming = 0;
        }
        self.last = depth;
        if self.past.is_full() {
            self.past.pop_front();
        }
        // Room was made above.
        let _ = self.past.push_back(depth);
        if self.failed() {
            return DepthClue::Unknown;
        }
        if depth + 0.5 * range_m < self.surface_m {
            return DepthClue::Surface;
        }
        let (mut low, mut high) = (f32::MAX, f32::MIN);
        for d in &self.past {
            low = math::at_most(*d, low);
            high = math::at_least(*d, high);
        }
        if self.past.is_full() && high - low < self.stationary_m {
            DepthClue::Stationary
        } else {
            DepthClue::Moving
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Animal, Breathing, ConfigError, Detector, Logger, Place, Release};

    fn watch() -> Result<DepthWatch, ConfigError> {
        let logger =
            Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
        let place = Place { start_unix_s: None, latitude_deg: 0.0, longitude_deg: 0.0 };
        let animal = Animal { breathing: Breathing::Ram, length_m: None };
        let detector =
            Detector { stationary_depth_m: 1.0, surface_depth_m: 2.0, ..Detector::DEFAULT };
        let config = Config::new(logger, place, animal, detector, Release::DEFAULT)?;
        Ok(DepthWatch::new(&config))
    }

    /// What is said of depths, each the mean of a minute with this range.
    fn said(
        watch: &mut DepthWatch,
        depths_m: impl IntoIterator<Item = f32>,
        range_m: f32,
    ) -> Vec<DepthClue> {
        depths_m.into_iter().map(|d| watch.step(Some(d), range_m, false)).collect()
    }

    #[test]
    fn ten_minutes_within_the_bound_are_stationary() -> Result<(), ConfigError> {
        // By 0.9 m and by 1.1 m, of a bound of 1 m.
        for (swing_m, last) in [(0.9, DepthClue::Stationary), (1.1, DepthClue::Moving)] {
            let mut watch = watch()?;
            let depths = (0..20_u8).map(|n| 40.0 + swing_m * f32::from(n % 2));
            let clues = said(&mut watch, depths, 0.05);
            let (before, after) = clues.split_at(9);
            assert!(before.iter().all(|c| *c == DepthClue::Moving));
            assert!(after.iter().all(|c| *c == last), "{swing_m} m: {after:?}");
        }
        // Ten minutes after it has come to rest elsewhere.
        let mut watch = watch()?;
        said(&mut watch, (0..30_u8).map(|n| 40.0 + 0.01 * f32::from(n % 3)), 0.05);
        let clues = said(&mut watch, (0..12_u8).map(|n| 60.0 + 0.01 * f32::from(n % 3)), 0.05);
        let still = clues.iter().position(|c| *c == DepthClue::Stationary);
        assert_eq!(still, Some(9), "{clues:?}");
        Ok(())
    }

    #[test]
    fn at_the_surface_the_deepest_reading_counts() -> Result<(), ConfigError> {
        // Of 2 m: the mean and half the range.
        for (depth_m, range_m, clue) in [
            (0.5, 2.9, DepthClue::Surface),
            (0.5, 3.1, DepthClue::Moving),
            (1.9, 0.1, DepthClue::Surface),
            (2.0, 0.1, DepthClue::Moving),
        ] {
            assert_eq!(watch()?.step(Some(depth_m), range_m, false), clue, "{depth_m} {range_m}");
        }
        Ok(())
    }

    #[test]
    fn a_sensor_that_stands_still_has_failed() -> Result<(), ConfigError> {
        // The first minute of a value is not yet one that repeats it.
        for (swum, minutes) in [(true, 15), (false, 90)] {
            let mut watch = watch()?;
            for minute in 0..=minutes {
                assert!(!watch.failed(), "{minute} min");
                watch.step(Some(12.5), 0.0, swum);
            }
            assert!(watch.failed());
            assert_eq!(watch.step(Some(12.5), 0.0, swum), DepthClue::Unknown);
            // It is believed again as soon as it moves.
            assert_ne!(watch.step(Some(12.6), 0.0, swum), DepthClue::Unknown);
            assert!(!watch.failed());
        }
        // One whose readings differ within the minute has not.
        let mut watch = watch()?;
        for _ in 0..200 {
            watch.step(Some(12.5), 0.01, true);
        }
        assert!(!watch.failed());
        Ok(())
    }

    #[test]
    fn a_sensor_that_falls_silent_has_failed() -> Result<(), ConfigError> {
        let mut silent = watch()?;
        for _ in 0..100 {
            assert_eq!(silent.step(None, 0.0, true), DepthClue::Unknown);
        }
        assert!(!silent.failed(), "there never was one");
        silent.step(Some(10.0), 1.0, true);
        for minute in 0..5 {
            assert!(!silent.failed(), "{minute} min");
            silent.step(None, 0.0, true);
        }
        assert!(silent.failed());
        assert_eq!(silent.step(Some(10.0), 1.0, true), DepthClue::Moving);
        assert!(!silent.failed());
        Ok(())
    }
}
