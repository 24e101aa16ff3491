//! The sensor and its clock: bandwidth, noise density, offset, range, quantisation.

use super::draws::Draws;
use super::posture::{Rotation, STANDARD_GRAVITY, Vec3};

/// A logger as built and mounted.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SensorKind {
    /// Nominal rate, Hz.
    pub(crate) sample_hz: f64,
    /// Full scale, g.
    pub(crate) range_g: f64,
    pub(crate) counts_per_g: f64,
    /// Noise density, g per root Hz, over half the sample rate.
    pub(crate) noise_g_rthz: f64,
    /// Zero offset, g, and gain error, as a part, by axis.
    pub(crate) offset_g: Vec3,
    pub(crate) gain: Vec3,
    /// From body to sensor.
    pub(crate) mount: Rotation,
    /// How much slower than true the clock runs, parts per million.
    pub(crate) clock_ppm: f64,
    /// Depth: noise sd, offset and resolution, m.
    pub(crate) depth_noise_m: f64,
    pub(crate) depth_offset_m: f64,
    pub(crate) depth_step_m: f64,
}

/// The acceleration channel at work.
#[derive(Clone, Debug)]
pub(crate) struct Sensor {
    kind: SensorKind,
    filter: Option<[f64; 5]>,
    state: [[f64; 2]; 3],
    /// Group delay of the filter, s. The logger allows for it in its stamps.
    pub(crate) delay_s: f64,
    noise_g: f64,
    /// From the body to where the mount has turned; nothing while it sits as it was put.
    pub(crate) loose: Option<Rotation>,
    /// Added to each axis, g.
    pub(crate) drift_g: Vec3,
    /// Noise as a part of the first.
    pub(crate) noise_part: f64,
}

impl Sensor {
    /// `step_s` is the step of the motion before sampling.
    pub(crate) fn new(kind: SensorKind, step_s: f64) -> Self {
        let corner = 0.4 * kind.sample_hz;
        let nyquist = 0.5 / step_s;
        let (filter, delay_s) = if corner < 0.7 * nyquist {
            // Second-order Butterworth by the bilinear transform, prewarped.
            let w = (std::f64::consts::PI * corner * step_s).tan();
            let n = 1.0 / (1.0 + std::f64::consts::SQRT_2 * w + w * w);
            let b = w * w * n;
            let a1 = 2.0 * (w * w - 1.0) * n;
            let a2 = (1.0 - std::f64::consts::SQRT_2 * w + w * w) * n;
            (Some([b, 2.0 * b, b, a1, a2]), std::f64::consts::SQRT_2 * step_s / (2.0 * w))
        } else {
            (None, 0.0)
        };
        let noise_g = kind.noise_g_rthz * (0.5 * kind.sample_hz).sqrt();
        Self {
            kind,
            filter,
            state: [[0.0; 2]; 3],
            delay_s,
            noise_g,
            loose: None,
            drift_g: [0.0; 3],
            noise_part: 1.0,
        }
    }

    /// Lets a specific force in the body frame (m/s2) through the bandwidth.
    pub(crate) fn pass(&mut self, body: Vec3) -> Vec3 {
        let Some([b0, b1, b2, a1, a2]) = self.filter else { return body };
        let mut out = [0.0; 3];
        for ((x, s), out) in body.iter().zip(&mut self.state).zip(&mut out) {
            let y = b0 * x + s[0];
            s[0] = b1 * x - a1 * y + s[1];
            s[1] = b2 * x - a2 * y;
            *out = y;
        }
        out
    }

    /// Starts the filter as if `body` had been there for long.
    pub(crate) fn settle(&mut self, body: Vec3) {
        if let Some([b0, _, b2, _, a2]) = self.filter {
            self.state = body.map(|x| [(1.0 - b0) * x, (b2 - a2) * x]);
        }
    }

    /// Counts for a specific force in the body frame, m/s2.
    pub(crate) fn counts(&self, body: Vec3, d: &mut Draws) -> [i32; 3] {
        let k = &self.kind;
        let body = self.loose.map_or(body, |turned| turned.apply(body));
        let s = k.mount.apply(body.map(|a| a / STANDARD_GRAVITY));
        let full = k.range_g * k.counts_per_g;
        let mut out = [0; 3];
        for i in 0..3 {
            let noise = self.noise_part * self.noise_g * d.normal();
            let g = s[i] * k.gain[i] + k.offset_g[i] + self.drift_g[i] + noise;
            out[i] = whole(g * k.counts_per_g).clamp(-full as i64, full as i64 - 1) as i32;
        }
        out
    }
}

/// The nearest whole number, halves away from zero.
#[inline]
pub(crate) fn whole(x: f64) -> i64 {
    (x + 0.5_f64.copysign(x)) as i64
}
