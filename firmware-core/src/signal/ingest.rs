//! From what a FIFO held to samples at the working rate that wait in the window.
//!
//! Samples that nothing is odd about go the short way, as many at once as the block in hand
//! has room for; a sample with an odd time or axis is looked at by itself. Across a short
//! gap the last good sample is repeated.

use crate::config::Config;
use crate::kept::Kept;
use crate::signal::rate::Decimator;
use crate::signal::sensor::{Sensor, well_below};
use crate::signal::window::Window;
use crate::types::Run;

/// Why [`Ingest::fill`] came back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Filled {
    /// Samples that it took, each repeat of one counted.
    pub samples: u8,
    /// Samples before these that have not completed one at the working rate.
    pub before: u8,
    /// A gap too long to bridge lies before the next sample: forget the windows.
    pub restart: bool,
    /// The latest sample is taken as a whole; else its repeats wait for the next call.
    pub whole: bool,
}

/// Checks samples, brings them to the working rate and puts them into the window.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Ingest {
    now_us: u64,
    /// The checks.
    pub sensor: Sensor,
    /// To the working rate.
    pub decimator: Decimator,
    /// Pairs of a full block.
    pub block: u8,
    /// Times that the latest sample is still to be put into the window.
    repeats: u8,
    /// Samples since the last block that cannot be trusted.
    bad: u8,
}

impl Ingest {
    /// For blocks of `block` pairs.
    pub fn new(config: &Config, decimator: Decimator, block: u8, look_every: u8) -> Self {
        let sensor = Sensor::new(config, look_every);
        Ingest { now_us: 0, sensor, decimator, block, repeats: 0, bad: 0 }
    }

    /// Tag time of the latest sample, microseconds.
    pub fn now_us(&self) -> u64 {
        self.now_us
    }

    /// For a tag whose accelerometer gives nothing: moves the time on.
    pub fn tick(&mut self, t_us: u64) {
        self.now_us = self.now_us.max(t_us);
    }

    /// True while the latest sample is still to be put into the window.
    pub fn repeats(&self) -> bool {
        self.repeats > 0
    }

    /// Samples that cannot be trusted since this was asked last.
    pub fn take_bad(&mut self) -> u8 {
        core::mem::take(&mut self.bad)
    }

    /// Moves samples from `run` into `window` until a block is full, one at or after
    /// `until_us` of the tag's time was taken, something odd was found, or none is left.
    pub fn fill(&mut self, run: &mut Run, window: &mut Window, until_us: u64) -> Filled {
        if self.repeats > 0 {
            return self.repeat(window);
        }
        let before = self.decimator.count();
        let samples = self.sensor.timely_of(run, until_us);
        let room = usize::from(self.decimator.lacking(window.lacking(self.block)));
        let samples = samples.get(..room).unwrap_or(samples);
        let count = match self.take_sound(samples, window) {
            0 => self.take_wary(samples, window),
            count => count,
        };
        if count == 0 {
            return self.take_odd(run, window);
        }
        let first_us = self.sensor.tag_us(run.t_us);
        self.now_us = run.later_us(first_us, count.wrapping_sub(1));
        self.sensor.pass_all(self.now_us);
        *run = run.after(count);
        Filled { samples: count as u8, before, restart: false, whole: true }
    }

    /// Takes samples up to the first with an axis that is odd; gives how many.
    fn take_sound(&mut self, samples: &[[f32; 3]], window: &mut Window) -> usize {
        if !self.sensor.lively {
            return 0;
        }
        let limit_g = self.sensor.limit_g;
        let sound = |accel_g: &[f32; 3]| well_below(accel_g, limit_g);
        let mut count = 0_usize;
        if self.decimator.factor() == 1 {
            count = window.take(samples, sound);
        } else {
            for accel_g in samples.iter().take_while(|a| sound(a)) {
                self.put(accel_g, window);
                count = count.wrapping_add(1);
            }
        }
        if let Some(newest_g) = samples.get(count.wrapping_sub(1)) {
            self.sensor.keep(*newest_g);
        }
        count
    }

    /// Looks into samples one by one, up to one that begins or ends a fault; gives how many.
    #[inline(never)]
    fn take_wary(&mut self, samples: &[[f32; 3]], window: &mut Window) -> usize {
        let mut count = 0_usize;
        for accel_g in samples {
            let good = self.sensor.examine(accel_g);
            self.bad = self.bad.wrapping_add(u8::from(!good));
            self.put(&self.sensor.held_g(), window);
            count = count.wrapping_add(1);
            if self.sensor.lively || self.sensor.begun != 0 {
                break;
            }
        }
        count
    }

    /// Puts a sample into the window, or the mean that it completes.
    #[inline(never)]
    fn put(&mut self, accel_g: &[f32; 3], window: &mut Window) {
        if let Some(mean_g) = self.decimator.step(accel_g) {
            window.take(&[mean_g], |_| true);
        }
    }

    /// Looks at the first sample of `run` by itself.
    #[inline(never)]
    fn take_odd(&mut self, run: &mut Run, window: &mut Window) -> Filled {
        let nothing = Filled { samples: 0, before: 0, restart: false, whole: false };
        let Some(first_g) = run.accel_g.first() else { return nothing };
        let checked = self.sensor.step(run.t_us, first_g);
        *run = run.after(1);
        let Some(checked) = checked else { return nothing };
        self.now_us = checked.t_us;
        if checked.restart {
            self.bad = 0;
        }
        self.bad = self.bad.wrapping_add(if checked.good { 0 } else { checked.repeats });
        self.repeats = checked.repeats;
        if checked.restart {
            return Filled { restart: true, ..nothing };
        }
        self.repeat(window)
    }

    /// Puts the latest sample into the window as often as it is still to be, and room is.
    #[inline(never)]
    fn repeat(&mut self, window: &mut Window) -> Filled {
        let accel_g = self.sensor.held_g();
        let before = self.decimator.count();
        let mut samples = 0_u8;
        // The first in any case: a copy of the state that came back with a block of no pairs must
        // not wait for room for ever.
        while self.repeats > 0 && (samples == 0 || window.waiting() < self.block) {
            self.repeats = self.repeats.wrapping_sub(1);
            samples = samples.wrapping_add(1);
            self.put(&accel_g, window);
        }
        Filled { samples, before, restart: false, whole: self.repeats == 0 }
    }
}
