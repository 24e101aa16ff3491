//! Samples that wait to be handed to the tag together.

use firmware_core::types::{Run, Sample};

/// Samples that there is room for.
pub const PLACES: usize = 32;

/// Samples at equal distances; only the first may bring more than acceleration.
#[derive(Clone, Debug)]
pub struct Fifo {
    first: Sample,
    period_us: u32,
    accel_g: [[f32; 3]; PLACES],
    len: usize,
    most: usize,
}

impl Fifo {
    /// For up to `most` samples, `period_us` apart.
    pub fn of(most: u8, period_us: u32) -> Self {
        let most = usize::from(most).clamp(1, PLACES);
        let first = Sample::accel(0, [0.0; 3]);
        Fifo { first, period_us, accel_g: [[0.0; 3]; PLACES], len: 0, most }
    }

    /// Takes a sample that goes with those held. False: it has to wait until they are
    /// handed in.
    pub fn push(&mut self, sample: &Sample) -> bool {
        let due_us = self.first.t_us + u64::from(self.period_us) * self.len as u64;
        let alone = sample.depth_m.or(sample.cell_left).or(sample.memory_used).is_some()
            || sample.t_us != due_us;
        if self.len >= self.most || (self.len > 0 && alone) {
            return false;
        }
        if self.len == 0 {
            self.first = *sample;
        }
        let Some(place) = self.accel_g.get_mut(self.len) else { return false };
        *place = sample.accel_g;
        self.len += 1;
        true
    }

    /// What it holds.
    pub fn run(&self) -> Run<'_> {
        let Sample { t_us, depth_m, cell_left, memory_used, .. } = self.first;
        let accel_g = self.accel_g.get(..self.len).unwrap_or_default();
        Run { t_us, period_us: self.period_us, accel_g, depth_m, cell_left, memory_used }
    }

    /// Forgets what it holds.
    pub fn clear(&mut self) {
        self.len = 0;
    }
}
