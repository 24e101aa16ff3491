//! The attachment: it may loosen, so that the mount turns slowly or in jumps; growth on
//! the tag tilts it, wears the depth reading away and roughens the flow.

use super::draws::{Draws, Wander};
use super::posture::{Rotation, Vec3, attitude};

/// A turn of the mount about one axis.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Turn {
    pub(crate) from_s: f64,
    pub(crate) lasts_s: f64,
    /// Unit vector in the body frame.
    pub(crate) axis: Vec3,
    pub(crate) angle: f64,
}

/// Everything that changes between body and sensor.
#[derive(Clone, Debug, Default)]
pub(crate) struct Mounting {
    pub(crate) turns: Vec<Turn>,
    /// Wobble once the first turn has begun, rad.
    pub(crate) wobble: f64,
    /// Drift of the depth reading, m/s, and growth of the noise, part a second.
    pub(crate) depth_drift_m_s: f64,
    pub(crate) noise_growth_s: f64,
    /// Zero drift with temperature, g per deg C.
    pub(crate) offset_g_c: Vec3,
}

impl Mounting {
    /// Whether it stays as it was.
    pub(crate) fn still(&self) -> bool {
        self.turns.is_empty()
    }
}

/// A mounting in motion.
#[derive(Clone, Debug)]
pub(crate) struct Loosening {
    mounting: Mounting,
    wobble: [Wander; 2],
    done: Rotation,
}

impl Loosening {
    pub(crate) fn new(mounting: Mounting, dt_s: f64) -> Self {
        let w = mounting.wobble;
        Self {
            wobble: [Wander::new(w, 0.6, dt_s), Wander::new(w, 0.6, dt_s)],
            mounting,
            done: Rotation::IDENTITY,
        }
    }

    /// Where the mount has turned to by `t_s`, and its wobble.
    pub(crate) fn step(
        &mut self,
        t_s: f64,
        moving: bool,
        d: &mut Draws,
    ) -> (Rotation, Option<Rotation>) {
        let mut begun = false;
        self.done = Rotation::IDENTITY;
        for turn in &self.mounting.turns {
            let part = ((t_s - turn.from_s) / turn.lasts_s).clamp(0.0, 1.0);
            if part > 0.0 {
                begun = true;
                self.done = about(turn.axis, turn.angle * part).after(&self.done);
            }
        }
        if begun && self.mounting.wobble > 0.0 {
            // A loose tag shakes in the flow and lies still without it.
            let by = if moving { 1.0 } else { 0.1 };
            let [a, b] = [0, 1].map(|i| by * self.wobble[i].step(d));
            return (self.done, Some(attitude(a, b, 0.0)));
        }
        (self.done, None)
    }
}

/// A turn of the frame by `angle` about the unit vector `axis`.
pub(crate) fn about(axis: Vec3, angle: f64) -> Rotation {
    let (s, c) = (0.5 * angle).sin_cos();
    Rotation::from_quaternion([c, s * axis[0], s * axis[1], s * axis[2]])
}
