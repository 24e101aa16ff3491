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

/// Since when what has been seen, tag time in microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
pub struct Rise {
    now_us: u64,
    surface_us: Option<u64>,
    dry_us: Option<u64>,
    deep_us: Option<u64>,
}

fn since(mark: &mut Option<u64>, now_us: u64, holds: bool) {
    if holds {
        mark.get_or_insert(now_us);
    } else {
        *mark = None;
    }
}

impl Rise {
    /// Takes the readings of a second.
    pub fn step(&mut self, now_us: u64, depth_m: Option<f32>, wet: Option<bool>) {
        self.now_us = now_us;
        let deep = depth_m.is_some_and(|d| d > SUNK_M);
        since(&mut self.surface_us, now_us, depth_m.is_some_and(|d| d <= SURFACE_M));
        since(
            &mut self.dry_us,
            now_us,
            wet == Some(false) && depth_m.is_none_or(|d| d <= SURFACE_M),
        );
        since(&mut self.deep_us, now_us, deep);
    }

    fn lasted(&self, mark: Option<u64>, least_us: u64) -> bool {
        mark.is_some_and(|m| self.now_us.saturating_sub(m) >= least_us)
    }

    /// The tag is free.
    pub fn risen(&self) -> bool {
        self.lasted(self.surface_us, SURFACE_US) || self.lasted(self.dry_us, DRY_US)
    }

    /// It is not, whatever was thought.
    pub fn sunk(&self) -> bool {
        self.lasted(self.deep_us, SUNK_US)
    }
}
