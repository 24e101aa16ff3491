//! Beat rates in 64 levels of equal ratio.

use crate::kept::{Cursor, Kept};
use crate::math;

/// Slowest rate with a level of its own, beats a minute.
const SLOWEST: f32 = 3.0;
/// Natural logarithm of the ratio of the fastest rate (300) to the slowest.
const SPAN: f32 = 4.605_170_2;
/// Steps from the slowest to the fastest.
const STEPS: f32 = 61.0;

/// A beat rate as sent: 0 not known, 1 below 3 beats a minute, then 3 to 300 a
/// minute in 61 steps of 7.8 %. A rate is within 3.9 % of its level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Level(u8);

impl Level {
    /// Not known.
    pub const UNKNOWN: Level = Level(0);

    /// Of a mean rate, beats a minute; `None` where not known.
    pub fn of(beats_per_min: Option<f32>) -> Self {
        let Some(rate) = beats_per_min else { return Self::UNKNOWN };
        if rate.is_nan() || rate < SLOWEST {
            return Level(1);
        }
        let steps = math::ln((rate / SLOWEST).min(1000.0)) * (STEPS / SPAN);
        Level(math::round_u32(steps.min(STEPS)).saturating_add(2) as u8)
    }

    /// From its code; only the lowest six bits count.
    pub fn from_code(code: u8) -> Self {
        Level(code & 63)
    }

    /// Its code, 0 to 63.
    pub fn code(self) -> u8 {
        self.0
    }

    /// The rate, beats a minute; 0 for "below 3"; `None` where not known.
    pub fn beats_per_min(self) -> Option<f32> {
        match self.0 {
            0 => None,
            1 => Some(0.0),
            n => Some(SLOWEST * math::exp(f32::from(n.saturating_sub(2)) * (SPAN / STEPS))),
        }
    }
}

impl Kept for Level {
    fn blank() -> Self {
        Self::UNKNOWN
    }

    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        self.0.visit(cursor);
        self.0 &= 63;
    }
}

/// Which quarter (0 to 3) the share of `part` in `whole` falls into.
pub fn rest_quarter(part: u16, whole: u16) -> u8 {
    let quarter = u32::from(part).saturating_mul(4).checked_div(u32::from(whole)).unwrap_or(0);
    quarter.min(3) as u8
}
