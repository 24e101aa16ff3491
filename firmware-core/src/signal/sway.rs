//! Which way is sideways: the axis of strongest rhythmic motion, found from the
//! data and tracked, since no tag is glued on straight.
//!
//! A running covariance of acceleration's rhythmic part, each sample weighted by
//! `1/(|w|^2 + e^2)` so that a few violent samples cannot turn the axis and a
//! glide hardly counts; its first eigenvector by one step of the power method about
//! once a second. The step cannot flip the sign, so left stays left.

use crate::kept::Kept;
use crate::math;

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
            weight_max: MEMORY_S * working_hz,
            per_second: math::round_u32(working_hz).clamp(1, 255) as u8,
            ..Kept::blank()
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Degrees from the line along `towards` to the axis found, which has no ends.
    fn off_deg(axis: Option<[f32; 3]>, towards: [f32; 3]) -> f32 {
        let (Some(axis), Some(towards)) = (axis, math::unit(towards)) else { return f32::NAN };
        math::acos(math::abs(math::dot(axis, towards)).min(1.0)) * math::DEG
    }

    /// Beats along `towards` for so many steps, with noise on every axis and a weaker motion
    /// of another rhythm up and down.
    fn sway(tracker: &mut SwayAxis, towards: [f32; 3], steps: u32, seed: u32) {
        let mut state = seed;
        let mut noise = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            0.01 * ((state >> 8) as f32 / 16_777_216.0 - 0.5)
        };
        let along = math::unit(towards).unwrap_or_default();
        let [a, b, c] = along;
        let across = math::unit([b - c, c - a, a - b]).unwrap_or([0.0, 0.0, 1.0]);
        for n in 0..steps {
            let swing = 0.15 * (1.7 * n as f32).sin();
            let heave = 0.02 * (0.9 * n as f32).sin();
            let motion = math::add_scaled(math::add_scaled([0.0; 3], swing, along), heave, across);
            tracker.step(motion.map(|a| a + noise()));
        }
    }

    #[test]
    fn the_axis_of_a_mounted_sine_is_found_within_a_degree() {
        for (seed, towards) in [
            [0.0, 1.0, 0.0],
            [1.0, 0.2, 0.0],
            [0.3, 0.9, -0.4],
            [-0.5, 0.5, 0.7],
            [0.6, -0.64, 0.48],
        ]
        .into_iter()
        .enumerate()
        {
            for working_hz in [1.0, 5.0, 12.5] {
                let mut tracker = SwayAxis::new(working_hz, None);
                sway(&mut tracker, towards, 2000, seed as u32 + 1);
                let off = off_deg(tracker.axis(), towards);
                assert!(off < 1.0, "{off} degrees off {towards:?} at {working_hz} Hz");
            }
        }
    }

    /// A collar that slips round: the axis follows, and what was called left stays left.
    #[test]
    fn the_axis_follows_a_turning_tag_without_changing_its_sign() {
        let working_hz = 1.0;
        let mut tracker = SwayAxis::new(working_hz, None);
        let at = |turned_deg: u32| {
            let turned = turned_deg as f32 / math::DEG;
            [0.0, turned.cos(), turned.sin()]
        };
        sway(&mut tracker, at(0), 600, 1);
        let first = tracker.axis().unwrap_or_default();
        let sign = math::dot(first, at(0)).signum();
        for turned_deg in 0..180 {
            let before = tracker.axis().unwrap_or_default();
            sway(&mut tracker, at(turned_deg), 200, turned_deg + 2);
            let now = tracker.axis().unwrap_or_default();
            assert!(math::dot(before, now) > 0.99, "it jumped at {turned_deg} degrees");
        }
        sway(&mut tracker, at(180), 6000, 9);
        assert!(off_deg(tracker.axis(), at(180)) < 1.0);
        // Turned right round, it points the other way.
        let now = tracker.axis().unwrap_or_default();
        assert!(sign * math::dot(now, at(0)) < -0.99, "{now:?}");
    }

    #[test]
    fn a_few_violent_samples_turn_nothing() {
        let mut tracker = SwayAxis::new(5.0, None);
        sway(&mut tracker, [0.0, 1.0, 0.0], 2000, 5);
        for n in 0..50_u16 {
            tracker.step([if n % 2 == 0 { 6.0 } else { -6.0 }, 0.0, 2.0]);
        }
        let off = off_deg(tracker.axis(), [0.0, 1.0, 0.0]);
        assert!(off < 3.0, "{off} degrees");
    }

    #[test]
    fn a_given_axis_holds_until_it_is_distrusted() {
        let mut tracker = SwayAxis::new(5.0, Some([1.0, 0.0, 0.0]));
        sway(&mut tracker, [0.0, 1.0, 0.0], 2000, 6);
        assert_eq!(tracker.axis(), Some([1.0, 0.0, 0.0]));
        tracker.distrust_given();
        sway(&mut tracker, [0.1, 1.0, 0.0], 2000, 6);
        assert!(off_deg(tracker.axis(), [0.1, 1.0, 0.0]) < 1.0);
    }
}
