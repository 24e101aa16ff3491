//! On deck, or in the water? Nothing is fired on deck.
//!
//! Before the tag was ever in water it is on deck, unless neither of the sensors
//! that could tell works. Water is: deeper than [`DEEP_M`]; or wet, where depth is
//! not known or the animal is seen to swim; or, where neither sensor ever worked, an
//! animal seen to swim. Not where they worked and fell silent: a deck in a swell looks
//! like swimming, and they had told of no water. A wet sensor alone does not do where a depth sensor works and
//! stays at the surface: it may be stuck, or lie in a puddle.
//!
//! After that the tag is back on deck once the sensors have said so for
//! [`DECK_US`]: dry, and not deep; with a lost wet sensor, a depth at the surface
//! that does not change as it would in the slightest sea. A wet sensor that says
//! dry at depth is not believed again until it says wet; a depth that never changes
//! by the least is none.

use crate::kept::Kept;

/// Deeper than this is in the water, m.
pub const DEEP_M: f32 = 2.0;
/// Shallower than this may be in air, m.
const AIR_M: f32 = 0.5;
/// Change of depth that air and a sensor's noise do not make within [`DECK_US`], m.
const FLAT_M: f32 = 0.15;
/// Time that the depth, or being wet, must last, microseconds.
const DEEP_US: u64 = 30_000_000;
const WET_US: u64 = 60_000_000;
/// A depth that is exactly the same for so long is that of a sensor that stands still.
const FROZEN_US: u64 = 600_000_000;
/// Time that all signs of a deck must last, microseconds.
pub const DECK_US: u64 = 1_200_000_000;

/// What the tag senses of its surroundings.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Surroundings {
    /// In water by the wet sensor; `None`: not fitted, or failed.
    pub wet: Option<bool>,
    /// Depth, m; `None`: not fitted, failed, or not read lately.
    pub depth_m: Option<f32>,
    /// The animal was seen to swim.
    pub swam: bool,
}

/// Water or deck. Plain data: it is kept through a reset.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Deck {
    launched: bool,
    wet_lies: bool,
    blind: bool,
    /// One of the sensors has worked.
    told: bool,
    now_us: u64,
    deep_us: Option<u64>,
    wet_us: Option<u64>,
    air_us: Option<u64>,
    low_m: f32,
    high_m: f32,
    last_m: f32,
    same_us: Option<u64>,
}

impl Default for Deck {
    fn default() -> Self {
        Deck {
            launched: false,
            wet_lies: false,
            blind: false,
            told: false,
            now_us: 0,
            deep_us: None,
            wet_us: None,
            air_us: None,
            low_m: f32::MAX,
            high_m: f32::MIN,
            last_m: f32::NAN,
            same_us: None,
        }
    }
}

impl Deck {
    /// The tag has been in water.
    pub fn launched(&self) -> bool {
        self.launched
    }

    /// After a reset: what lasted is looked for anew.
    pub fn resume(&mut self) {
        let Deck { launched, wet_lies, told, .. } = *self;
        *self = Deck { launched, wet_lies, told, ..Deck::default() };
    }

    /// Takes what is sensed, about once a second. True: the tag was launched just now.
    pub fn step(&mut self, now_us: u64, s: &Surroundings) -> bool {
        self.now_us = now_us;
        let depth_m = s.depth_m.filter(|d| d.is_finite());
        let same = depth_m == Some(self.last_m);
        self.last_m = depth_m.unwrap_or(f32::NAN);
        let frozen = self.lasted(same, Mark::Same, FROZEN_US);
        let depth_m = depth_m.filter(|_| !frozen);
        let deep = depth_m.is_some_and(|d| d > DEEP_M);
        let deep = self.lasted(deep, Mark::Deep, DEEP_US);
        if deep && s.wet == Some(false) {
            self.wet_lies = true;
        } else if s.wet == Some(true) {
            self.wet_lies = false;
        }
        let wet = if self.wet_lies { None } else { s.wet };
        self.blind = wet.is_none() && depth_m.is_none();
        self.told |= !self.blind;
        let long_wet = self.lasted(wet == Some(true), Mark::Wet, WET_US);
        let was = self.launched;
        self.launched |= deep || long_wet && (depth_m.is_none() || s.swam) || !self.told && s.swam;
        let airy = depth_m.is_none_or(|d| d < AIR_M);
        let flat = match depth_m {
            Some(d) if wet.is_none() => {
                self.low_m = self.low_m.min(d);
                self.high_m = self.high_m.max(d);
                self.high_m - self.low_m < FLAT_M
            }
            _ => wet == Some(false),
        };
        self.lasted(airy && flat && !self.blind, Mark::Air, DECK_US);
        if self.air_us.is_none() {
            self.low_m = f32::MAX;
            self.high_m = f32::MIN;
        }
        self.launched && !was
    }

    /// Nothing may be fired now. `last_call`: the ceiling has come, which is held
    /// by signs of a deck alone and not by knowing nothing.
    pub fn holds(&self, last_call: bool) -> bool {
        if !self.launched {
            return !(last_call && self.blind);
        }
        self.air_us.is_some_and(|m| self.now_us.saturating_sub(m) >= DECK_US)
    }

    fn lasted(&mut self, holds: bool, mark: Mark, least_us: u64) -> bool {
        let now_us = self.now_us;
        let mark = match mark {
            Mark::Deep => &mut self.deep_us,
            Mark::Wet => &mut self.wet_us,
            Mark::Air => &mut self.air_us,
            Mark::Same => &mut self.same_us,
        };
        if !holds {
            *mark = None;
            return false;
        }
        now_us.saturating_sub(*mark.get_or_insert(now_us)) >= least_us
    }
}

#[derive(Clone, Copy)]
enum Mark {
    Deep,
    Wet,
    Air,
    Same,
}
