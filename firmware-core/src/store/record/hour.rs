//! An hour: what its minutes come to, and the faults that fell into it.

use super::field::layout;
use super::minute::{BEATS, G, M};
use crate::kept::Kept;
use crate::math;
use crate::types::{FaultCounters, Minute, State, state_code, state_of};

/// Length of an hour, microseconds.
pub(super) const HOUR_US: u64 = 3_600_000_000;

/// One hour, summarised.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    /// Whole hours from the start of the deployment to its beginning.
    pub number: u16,
    /// Minutes recorded, 0 to 60.
    pub minutes: u8,
    /// Of these, spent swimming.
    pub swimming: u8,
    /// Of these, spent gliding or resting.
    pub resting: u8,
    /// What the animal was doing in the last minute.
    pub state: State,
    /// Mean beats a minute over the minutes spent swimming.
    pub beats_per_min: Option<f32>,
    /// Mean sway amplitude over the minutes spent swimming, g.
    pub sway_g: f32,
    /// Mean ODBA, g.
    pub odba_g: f32,
    /// Mean VeDBA, g.
    pub vedba_g: f32,
    /// VeDBA of the liveliest minute, g.
    pub vedba_max_g: f32,
    /// Mean pitch, degrees.
    pub pitch_deg: f32,
    /// Standard deviation of the minutes' pitch, degrees.
    pub pitch_sd_deg: f32,
    /// Mean depth, m.
    pub depth_m: Option<f32>,
    /// Depth of the shallowest minute, m.
    pub depth_min_m: Option<f32>,
    /// Depth of the deepest minute, m.
    pub depth_max_m: Option<f32>,
    /// Part of the cell's charge left, 0 to 1.
    pub cell_left: Option<f32>,
    /// Samples (or events) at fault within the hour, in the order of
    /// [`crate::types::FAULT_KINDS`]; 65535 says that or more.
    pub faults: [u16; 6],
}

layout!(Hour {
    number,
    minutes,
    swimming,
    resting,
    state,
    beats_per_min: scaled_option(BEATS),
    sway_g: scaled(G),
    odba_g: scaled(G),
    vedba_g: scaled(G),
    vedba_max_g: scaled(G),
    pitch_deg: angle(),
    pitch_sd_deg: angle(),
    depth_m: scaled_option(M),
    depth_min_m: scaled_option(M),
    depth_max_m: scaled_option(M),
    cell_left: part(),
    faults,
});

/// Sums the minutes of an hour.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
pub struct HourSum {
    number: u16,
    minutes: u8,
    swimming: u8,
    resting: u8,
    depths: u8,
    state: u8,
    beats: f32,
    sway: f32,
    odba: f32,
    vedba: f32,
    vedba_max: f32,
    pitch: f32,
    pitch2: f32,
    depth: f32,
    depth_min: f32,
    depth_max: f32,
    cell_left: Option<f32>,
    before: FaultCounters,
}

impl HourSum {
    /// Latest reading of the cell, 0 to 1.
    pub fn cell(&mut self, left: f32) {
        self.cell_left = Some(left);
    }

    /// Whole hours from the start of the deployment to this hour.
    pub fn number(&self) -> u16 {
        self.number
    }

    /// Whether a time lies within this hour.
    pub fn holds(&self, t_us: u64) -> bool {
        t_us.checked_div(HOUR_US) == Some(u64::from(self.number))
    }

    /// Takes a minute; gives the hour before it where that is now complete.
    pub fn add(&mut self, minute: &Minute, faults: &FaultCounters) -> Option<Hour> {
        let number = minute.t_us.checked_div(HOUR_US).unwrap_or(0).min(65_535) as u16;
        let complete = if number != self.number { self.finish(faults) } else { None };
        self.number = number;
        self.minutes = self.minutes.saturating_add(1);
        self.state = state_code(minute.state);
        match minute.state {
            State::Swimming => {
                self.swimming = self.swimming.saturating_add(1);
                self.beats += minute.beats_per_min.unwrap_or(0.0);
                self.sway += minute.sway_g;
            }
            State::Resting => self.resting = self.resting.saturating_add(1),
            _ => {}
        }
        self.odba += minute.odba_g;
        self.vedba += minute.vedba_g;
        self.vedba_max = self.vedba_max.max(minute.vedba_g);
        self.pitch += minute.pitch_deg;
        self.pitch2 += minute.pitch_deg * minute.pitch_deg;
        if let Some(depth) = minute.depth_m {
            let first = self.depths == 0;
            self.depths = self.depths.saturating_add(1);
            self.depth += depth;
            self.depth_min = if first { depth } else { self.depth_min.min(depth) };
            self.depth_max = if first { depth } else { self.depth_max.max(depth) };
        }
        complete
    }

    /// Ends the hour, complete or not; `None` where no minute came.
    pub fn finish(&mut self, faults: &FaultCounters) -> Option<Hour> {
        let sum = *self;
        if sum.minutes == 0 {
            return None;
        }
        *self = HourSum { before: *faults, cell_left: sum.cell_left, ..HourSum::default() };
        let n = f32::from(sum.minutes);
        let swum = f32::from(sum.swimming.max(1));
        let pitch = sum.pitch / n;
        let depth = |x: f32| (sum.depths > 0).then_some(x);
        let mut new = [0; 6];
        for ((new, now), before) in new.iter_mut().zip(faults.counts).zip(sum.before.counts) {
            *new = now.saturating_sub(before).min(65_535) as u16;
        }
        Some(Hour {
            number: sum.number,
            minutes: sum.minutes,
            swimming: sum.swimming,
            resting: sum.resting,
            state: state_of(sum.state).unwrap_or(State::Unknown),
            beats_per_min: (sum.swimming > 0).then_some(sum.beats / swum),
            sway_g: sum.sway / swum,
            odba_g: sum.odba / n,
            vedba_g: sum.vedba / n,
            vedba_max_g: sum.vedba_max,
            pitch_deg: pitch,
            pitch_sd_deg: math::sqrt((sum.pitch2 / n - pitch * pitch).max(0.0)),
            depth_m: depth(sum.depth / f32::from(sum.depths.max(1))),
            depth_min_m: depth(sum.depth_min),
            depth_max_m: depth(sum.depth_max),
            cell_left: sum.cell_left,
            faults: new,
        })
    }
}
