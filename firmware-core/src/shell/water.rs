//! In water for sure, in air, or neither? Nothing is fired but in water, and that for sure.
//!
//! | depth | wet sensor | |
//! | --- | --- | --- |
//! | deeper than [`AIR_M`] | wet for a minute | water |
//! | deeper than [`DEEP_M`] for 30 s | silent | water |
//! | silent, or the very same for 10 min | wet for a minute | water |
//! | deeper than [`DEEP_M`] for 10 min, and moving by a metre | dry all the time | water: it lies |
//! | silent, or the very same for 10 min | silent | nothing; where neither ever spoke, an animal seen to swim is in water |
//! | at most [`AIR_M`] | any | air |
//! | not as above | dry | air |
//!
//! It has to be so now: what was once known of water counts for nothing, and after a reset
//! everything is looked for anew. A reading that is older than [`KNOWN_US`] is none, and what the
//! release begins to fire by is no older than [`NOW_US`]. So where both sensors are fitted, one of
//! them that is stuck, silent or behind does not make a deck a sea: the other one says air.

use crate::kept::Kept;
use crate::shell::rise::Mark;

/// Deeper than this is in the water, m.
pub const DEEP_M: f32 = 2.0;
/// No deeper than this may be in air, m.
pub const AIR_M: f32 = 0.5;
/// Change of depth that only water makes, m.
const MOVED_M: f32 = 1.0;
/// A reading older than this is none, microseconds.
pub const KNOWN_US: u64 = 90_000_000;
/// A reading no older than this is one of now, microseconds.
pub const NOW_US: u64 = 2_500_000;
/// Time that depth, and being wet, must last, microseconds.
const DEEP_US: u64 = 30_000_000;
const WET_US: u64 = 60_000_000;
/// A wet sensor that is dry at depth for so long lies.
const LIES_US: u64 = 600_000_000;
/// A depth that is exactly the same for so long is that of a sensor that stands still.
const FROZEN_US: u64 = 600_000_000;

/// What the tag senses of its surroundings.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Surroundings {
    /// In water by the wet sensor; `None`: not read now.
    pub wet: Option<bool>,
    /// Depth, m; `None`: not read now.
    pub depth_m: Option<f32>,
    /// Age of that reading, microseconds.
    pub depth_age_us: u64,
    /// The animal was seen to swim.
    pub swam: bool,
}

/// What is known of it. Plain data: it is kept through a reset.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
pub struct Water {
    /// It has been in water.
    pub launched: bool,
    /// A sensor has spoken.
    told: bool,
    /// Newest readings, and when they were made.
    depth: Option<(f32, u64)>,
    wet: Option<(bool, u64)>,
    /// Since when each has lasted; `same`: the very same depth.
    same_us: u64,
    last_m: f32,
    deep: Mark,
    long_wet: Mark,
    odd: Mark,
    /// Range of the depth while deep and dry; 0 where it is not.
    low_m: f32,
    high_m: f32,
    sure: bool,
    fresh: bool,
    /// A sign of air: what is under way is broken off.
    pub air: bool,
}

impl Water {
    /// In water for sure, by readings of now: firing may begin.
    pub fn clear(&self) -> bool {
        self.sure && self.fresh
    }

    /// No sensor tells anything, though one did.
    pub fn silent(&self) -> bool {
        self.told && self.wet.is_none() && self.depth.is_none()
    }

    /// Depth, m, where it is known.
    pub fn depth_m(&self) -> Option<f32> {
        self.depth.map(|(m, _)| m)
    }

    /// Wet or dry, where it is known.
    pub fn wet(&self) -> Option<bool> {
        self.wet.map(|(wet, _)| wet)
    }

    /// After a reset: what lasted is looked for anew, but for a depth that stands still.
    pub fn resume(&mut self) {
        let Water { launched, told, same_us, last_m, .. } = *self;
        *self = Water { launched, told, same_us, last_m, ..Water::default() };
    }

    /// Takes what is sensed. True: it is in water for the first time.
    pub fn step(&mut self, now_us: u64, s: &Surroundings) -> bool {
        if let Some(wet) = s.wet {
            self.wet = Some((wet, now_us));
        }
        if let Some(depth_m) = s.depth_m.filter(|m| m.is_finite()) {
            let at_us = now_us.saturating_sub(s.depth_age_us);
            if self.last_m != depth_m {
                (self.last_m, self.same_us) = (depth_m, at_us);
            }
            self.depth = Some((depth_m, at_us));
        }
        let within = |at_us: u64, us: u64| now_us.saturating_sub(at_us) <= us;
        self.wet = self.wet.filter(|(_, at_us)| within(*at_us, KNOWN_US));
        self.depth = self.depth.filter(|(_, at_us)| within(*at_us, KNOWN_US));
        self.told |= self.wet.is_some() || self.depth.is_some();
        let wet = self.wet();
        let depth_m = self.depth_m().filter(|_| within(self.same_us, FROZEN_US));
        let deep = depth_m.is_some_and(|m| m > DEEP_M);
        let long_deep = self.deep.lasted(deep, now_us, DEEP_US);
        let long_wet = self.long_wet.lasted(wet == Some(true), now_us, WET_US);
        let odd = depth_m.filter(|_| deep && wet == Some(false));
        let long_odd = self.odd.lasted(odd.is_some(), now_us, LIES_US);
        (self.low_m, self.high_m) = match odd {
            Some(m) if self.low_m > 0.0 => (self.low_m.min(m), self.high_m.max(m)),
            Some(m) => (m, m),
            None => (0.0, 0.0),
        };
        let lies = long_odd && self.high_m - self.low_m >= MOVED_M;
        self.sure = match (depth_m, wet) {
            (Some(m), Some(true)) => long_wet && m > AIR_M,
            (Some(_), Some(false)) => lies,
            (Some(_), None) => long_deep,
            (None, Some(wet)) => wet && long_wet,
            (None, None) => !self.told && s.swam,
        };
        self.air = wet == Some(false) && !lies || depth_m.is_some_and(|m| m <= AIR_M);
        let wet_now = self.wet.is_none_or(|(_, at_us)| within(at_us, NOW_US));
        let depth_now = self.depth.is_none_or(|(_, at_us)| within(at_us, NOW_US));
        self.fresh = wet_now && (depth_now || depth_m.is_none());
        let first = self.sure && !self.launched;
        self.launched |= self.sure;
        first
    }
}
