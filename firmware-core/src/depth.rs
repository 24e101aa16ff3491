//! Depth as evidence: present, stationary, at the surface, or not to be trusted.
//!
//! A live depth sensor shows noise, tide or the animal's own dives. One that
//! repeats the very same value, or falls silent, has failed, and everything
//! after that is decided without depth.

use crate::checkpoint::Kept;
use crate::config::Config;
use crate::math;
use macro_rules_attribute::derive;

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
            past: heapless::Deque::new(),
            seen: false,
            silent: 0,
            frozen: 0,
            frozen_swimming: 0,
            last: f32::NAN,
            stationary_m: config.detector().stationary_depth_m,
            surface_m: config.detector().surface_depth_m,
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
