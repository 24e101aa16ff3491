//! Has the tag come free? It then stays at the surface, or stands dry.

use crate::kept::Kept;

/// Shallower than this is at the surface, m.
const SURFACE_M: f32 = 1.5;
/// Deeper than this no free tag goes, m.
pub const SUNK_M: f32 = 3.0;
/// Time at the surface that tells a float from an animal that breaks it, microseconds.
const SURFACE_US: u64 = 120_000_000;
/// Time dry that tells a float from a fin above the water, microseconds.
const DRY_US: u64 = 20_000_000;
/// Time deep that tells a dive from a bad reading, microseconds.
const SUNK_US: u64 = 10_000_000;

/// Since when something has been so, microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
pub struct Mark {
    since_us: Option<u64>,
}

impl Mark {
    /// Notes whether it is so now. True where it has been for so long.
    pub fn lasted(&mut self, holds: bool, now_us: u64, least_us: u64) -> bool {
        self.since_us = holds.then_some(self.since_us.unwrap_or(now_us));
        self.since_us.is_some_and(|us| now_us.saturating_sub(us) >= least_us)
    }
}

/// What has been seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
pub struct Rise {
    surface: Mark,
    dry: Mark,
    deep: Mark,
    /// The tag is free.
    pub risen: bool,
    /// It is not, whatever was thought.
    pub sunk: bool,
}

impl Rise {
    /// Takes the readings of a second.
    pub fn step(&mut self, now_us: u64, depth_m: Option<f32>, wet: Option<bool>) {
        let dry = wet == Some(false) && depth_m.is_none_or(|d| d <= SURFACE_M);
        let surface = depth_m.is_some_and(|d| d <= SURFACE_M);
        let surface = self.surface.lasted(surface, now_us, SURFACE_US);
        self.risen = self.dry.lasted(dry, now_us, DRY_US) || surface;
        self.sunk = self.deep.lasted(depth_m.is_some_and(|d| d > SUNK_M), now_us, SUNK_US);
    }
}
