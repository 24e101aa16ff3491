//! A burst: some samples as the sensor gave them.

use heapless::Vec;

use super::field::layout;
use crate::math;

/// Samples that one record holds.
pub const BURST_SAMPLES: usize = 37;

/// Consecutive samples. A longer burst is several records, each with its time.
#[derive(Clone, Debug, PartialEq)]
pub struct Burst {
    /// Time of the first sample, microseconds.
    pub t_us: u64,
    /// Samples a second.
    pub sample_hz: f32,
    /// Counts for one g.
    pub counts_per_g: f32,
    /// Counts of the three axes; -32768 where an axis gave no number.
    pub counts: Vec<[i16; 3], BURST_SAMPLES>,
}

impl Burst {
    /// An empty one.
    pub fn new(t_us: u64, sample_hz: f32, counts_per_g: f32) -> Self {
        Burst { t_us, sample_hz, counts_per_g, counts: Vec::new() }
    }

    /// Adds a sample in g, rounded to counts; true once the record is full.
    pub fn push(&mut self, accel_g: [f32; 3]) -> bool {
        let scale = self.counts_per_g;
        let count = |g: f32| {
            if g.is_nan() {
                i16::MIN
            } else {
                math::floor((g * scale + 0.5).clamp(-32_767.0, 32_767.0)) as i16
            }
        };
        // A full one stays as it is.
        let _ = self.counts.push(accel_g.map(count));
        self.counts.is_full()
    }

    /// The samples in g; `NaN` where an axis gave no number.
    pub fn samples_g(&self) -> impl Iterator<Item = [f32; 3]> {
        let scale = self.counts_per_g;
        self.counts.iter().map(move |axes| {
            axes.map(|c| if c == i16::MIN { f32::NAN } else { f32::from(c) / scale })
        })
    }
}

layout!(Burst { t_us, sample_hz, counts_per_g, counts });
