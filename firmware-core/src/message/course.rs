//! The course of a deployment in fifty points.

use crate::kept::Kept;
use crate::message::level::{Level, rest_quarter};
use crate::types::{Minute, State};

/// Points of a course.
pub const POINTS: usize = 50;
/// Revision of a course that will not change any more.
pub const FINAL: u8 = 15;
/// Largest base-2 logarithm of the step.
const STEP_MAX: u8 = 7;
const HOUR_US: u64 = 3_600_000_000;

/// Some hours, summed up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
struct Sum {
    /// Mean beat rate over the minutes spent swimming, 1/128 beats a minute.
    rate: u16,
    swimming: u16,
    resting: u16,
    minutes: u16,
}

impl Sum {
    fn add(&mut self, rate: Option<f32>, swimming: bool, resting: bool) {
        self.minutes = self.minutes.saturating_add(1);
        self.resting = self.resting.saturating_add(u16::from(resting));
        if let Some(rate) = rate.filter(|_| swimming) {
            let n = f32::from(self.swimming);
            let mean = (f32::from(self.rate) * n + rate * 128.0) / (n + 1.0);
            self.rate = (mean + 0.5).clamp(0.0, 65_535.0) as u16;
            self.swimming = self.swimming.saturating_add(1);
        }
    }

    fn with(self, other: Sum) -> Sum {
        let (a, b) = (f32::from(self.swimming), f32::from(other.swimming));
        let mean = if a + b > 0.0 {
            (f32::from(self.rate) * a + f32::from(other.rate) * b) / (a + b)
        } else {
            0.0
        };
        Sum {
            rate: (mean + 0.5) as u16,
            swimming: self.swimming.saturating_add(other.swimming),
            resting: self.resting.saturating_add(other.resting),
            minutes: self.minutes.saturating_add(other.minutes),
        }
    }

    fn rate(self) -> Option<f32> {
        match (self.minutes, self.swimming) {
            (0, _) => None,
            (_, 0) => Some(0.0),
            _ => Some(f32::from(self.rate) / 128.0),
        }
    }
}

/// A point as sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Point {
    /// Mean beat rate over the minutes spent swimming.
    pub level: Level,
    /// Share of the minutes spent resting: 0 below a quarter, to 3 three quarters or more.
    pub rest: u8,
}

impl Point {
    /// Level in the upper six bits, rest in the lower two.
    pub fn code(self) -> u8 {
        self.level.code().wrapping_shl(2) | self.rest
    }

    /// From its code.
    pub fn from_code(code: u8) -> Self {
        Point { level: Level::from_code(code.wrapping_shr(2)), rest: code & 3 }
    }
}

/// The course: hourly while fifty hours last, then every 2, 4, ... 128 hours.
/// What it shows changes only when a point is complete, so that many messages
/// tell of one and the same course.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Course {
    sums: [Sum; POINTS],
    step: u8,
    revision: u8,
    /// The point going on.
    current: u8,
}

impl Default for Course {
    fn default() -> Self {
        Self::blank()
    }
}

impl Course {
    /// Takes a minute. A closed course stays as it is.
    pub fn add(&mut self, minute: &Minute) {
        if self.revision == FINAL {
            return;
        }
        let hour = minute.t_us.checked_div(HOUR_US).unwrap_or(0) as u32;
        while hour.wrapping_shr(u32::from(self.step)) >= POINTS as u32 {
            if self.step == STEP_MAX {
                return;
            }
            self.halve();
        }
        let index = hour.wrapping_shr(u32::from(self.step)) as usize;
        if index > usize::from(self.current) {
            self.current = index as u8;
            self.count_on();
        }
        let Some(sum) = self.sums.get_mut(index) else { return };
        if minute.state != State::Unknown {
            let swims = minute.state == State::Swimming;
            sum.add(minute.beats_per_min, swims, minute.state == State::Resting);
        }
    }

    /// Every two points become one.
    fn halve(&mut self) {
        for n in 0..POINTS {
            let from = n.saturating_mul(2);
            let first = self.sums.get(from).copied().unwrap_or_default();
            let second = self.sums.get(from.saturating_add(1)).copied().unwrap_or_default();
            if let Some(sum) = self.sums.get_mut(n) {
                *sum = first.with(second);
            }
        }
        self.step = self.step.saturating_add(1);
        self.current = self.current.wrapping_shr(1);
        self.count_on();
    }

    fn count_on(&mut self) {
        let next = self.revision.wrapping_add(1);
        self.revision = if next < FINAL { next } else { 0 };
    }

    /// Nothing is added any more.
    pub fn close(&mut self) {
        self.revision = FINAL;
    }

    /// Base-2 logarithm of the hours a point.
    pub fn step(&self) -> u8 {
        self.step
    }

    /// Revision: another number for every change of what the course shows.
    pub fn revision(&self) -> u8 {
        self.revision
    }

    /// The points as sent: those complete, and all once the course is closed.
    pub fn codes(&self) -> [u8; POINTS] {
        let mut codes = [0; POINTS];
        let closed = self.revision == FINAL;
        let complete = if closed { POINTS } else { usize::from(self.current) };
        for (code, sum) in codes.iter_mut().zip(self.sums).take(complete) {
            let rest = rest_quarter(sum.resting, sum.minutes);
            *code = Point { level: Level::of(sum.rate()), rest }.code();
        }
        codes
    }
}
