//! Depth: the bottom, the tide, the layers of the water, and how an animal steers.

use std::f64::consts::TAU;

use super::draws::Draws;

/// Tide as its two main semidiurnal constituents (M2 12.4206 h, S2 12 h).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tide {
    pub(crate) amplitude_m: [f64; 2],
    pub(crate) phase: [f64; 2],
}

impl Tide {
    pub(crate) fn draw(d: &mut Draws) -> Self {
        let m2 = d.between(0.3, 1.3);
        Self { amplitude_m: [m2, m2 * d.between(0.2, 0.45)], phase: [d.angle(), d.angle()] }
    }

    /// Height of the water over its mean, m, at `t_s`.
    pub(crate) fn height(&self, t_s: f64) -> f64 {
        let h = t_s / 3600.0;
        self.amplitude_m[0] * (TAU * h / 12.4206 + self.phase[0]).cos()
            + self.amplitude_m[1] * (TAU * h / 12.0 + self.phase[1]).cos()
    }

    /// Strength of the tidal current, -1 to 1 (quarter of a cycle off the height).
    pub(crate) fn current(&self, t_s: f64) -> f64 {
        (TAU * t_s / 3600.0 / 12.4206 + self.phase[0]).sin()
    }
}

/// Two layers with a thermocline between.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Layers {
    pub(crate) warm_c: f64,
    pub(crate) cold_c: f64,
    pub(crate) middle_m: f64,
    pub(crate) thickness_m: f64,
}

impl Layers {
    pub(crate) fn temperature(&self, depth_m: f64) -> f64 {
        let x = (depth_m - self.middle_m) / self.thickness_m;
        self.cold_c + (self.warm_c - self.cold_c) / (1.0 + x.exp())
    }
}

/// Pitch in radians that an animal takes to reach `target_m` from `depth_m`.
pub(crate) fn steer(depth_m: f64, target_m: f64, steepest: f64) -> f64 {
    (0.035 * (depth_m - target_m)).clamp(-steepest, steepest)
}
