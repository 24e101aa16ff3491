//! Which way is sideways: the axis of strongest rhythmic motion, found from the
//! data and tracked, since no tag is glued on straight.
//!
//! A running covariance of acceleration's rhythmic part, each sample weighted by
//! `1/(|w|^2 + e^2)` so that a few violent samples cannot turn the axis and a
//! glide hardly counts; its first eigenvector by one step of the power method about
//! once a second. The step cannot flip the sign, so left stays left.

use crate::checkpoint::Kept;
use crate::math;
use macro_rules_attribute::derive;

/// Noise level of the weighting, g squared: motion below 14 mg counts little.
const NOISE_G2: f32 = 2.0e-4;
/// Memory of the covariance, s.
const MEMORY_S: f32 = 1200.0;
/// Times that motion is looked at before the first axis is trusted.
const FIRST: f32 = 4.0;

/// The tracker.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct SwayAxis {
    axis: [f32; 3],
    given: bool,
    ready: bool,
    /// xx, yy, zz, xy, xz, yz
    cov: [f32; 6],
    weight: f32,
    weight_max: f32,
    count: u8,
    per_second: u8,
}

impl SwayAxis {
    /// For motion at `working_hz`; `given` is the axis where the mounting is known.
    pub fn new(working_hz: f32, given: Option<[f32; 3]>) -> Self {
        SwayAxis {
            axis: given.unwrap_or([0.0, 1.0, 0.0]),
            given: given.is_some(),
            ready: given.is_some(),
            cov: [0.0; 6],
            weight: 0.0,
            weight_max: MEMORY_S * working_hz,
            count: 0,
            per_second: math::round_u32(working_hz).clamp(1, 255) as u8,
        }
    }

    /// Unit vector towards one flank (towards the left where the mounting was
    /// given), sensor axes; `None` until enough motion was seen.
    pub fn axis(&self) -> Option<[f32; 3]> {
        if self.ready { Some(self.axis) } else { None }
    }

    /// The tag sits otherwise from now on: the axis given no longer holds. One that was learnt
    /// is kept, and turns with what comes: in a held roll the rhythm leaks into other axes
    /// through gravity, and an axis learnt from that alone might come back the other way round.
    pub fn distrust_given(&mut self) {
        self.given = false;
    }

    /// Takes the rhythmic part of acceleration. True when the axis was revised.
    pub fn step(&mut self, swing_g: [f32; 3]) -> bool {
        if self.given {
            return false;
        }
        let [x, y, z] = swing_g;
        let k = 1.0 / (math::dot(swing_g, swing_g) + NOISE_G2);
        if self.weight < self.weight_max {
            self.weight += 1.0;
        }
        let a = 1.0 / self.weight;
        let [xx, yy, zz, xy, xz, yz] = self.cov;
        let (kx, ky, kz) = (k * x, k * y, k * z);
        self.cov = [
            xx + a * (kx * x - xx),
            yy + a * (ky * y - yy),
            zz + a * (kz * z - zz),
            xy + a * (kx * y - xy),
            xz + a * (kx * z - xz),
            yz + a * (ky * z - yz),
        ];
        self.count = self.count.wrapping_add(1);
        if self.count < self.per_second {
            return false;
        }
        self.count = 0;
        if !self.ready {
            if self.weight < FIRST {
                return false;
            }
            let [xx, yy, zz, ..] = self.cov;
            self.axis = if xx > yy && xx > zz {
                [1.0, 0.0, 0.0]
            } else if yy > zz {
                [0.0, 1.0, 0.0]
            } else {
                [0.0, 0.0, 1.0]
            };
            for _ in 0..8 {
                self.turn();
            }
            self.ready = true;
            return true;
        }
        self.turn();
        true
    }

    fn turn(&mut self) {
        let [xx, yy, zz, xy, xz, yz] = self.cov;
        let [x, y, z] = self.axis;
        let next = [xx * x + xy * y + xz * z, xy * x + yy * y + yz * z, xz * x + yz * y + zz * z];
        if let Some(unit) = math::unit(next) {
            self.axis = unit;
        }
    }
}
