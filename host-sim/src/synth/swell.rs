//! Swell and wind sea by linear wave theory.
//!
//! A sea is a sum of long-crested components with a JONSWAP-shaped spectrum. Each obeys the dispersion
//! relation `w^2 = g k tanh(k h)`; its orbital motion fades with depth as
//! `cosh k(z+h) / sinh kh` (along) and `sinh k(z+h) / sinh kh` (up), its pressure
//! as `cosh k(z+h) / cosh kh`.

use super::draws::Draws;
use super::posture::STANDARD_GRAVITY as G;

/// Wave number in rad/m for angular frequency `omega` (rad/s) in water `depth_m` deep.
///
/// Newton on `x tanh x = w^2 h / g`; good to rounding for any depth above zero.
pub fn wave_number(omega: f64, depth_m: f64) -> f64 {
    let target = omega * omega * depth_m / G;
    // Shallow and deep limits bracket the root; start from the larger.
    let mut x = target.sqrt().max(target);
    for _ in 0..50 {
        let th = x.tanh();
        let step = (x * th - target) / (th + x * (1.0 - th * th));
        x -= step;
        if step.abs() <= 1e-15 * x {
            break;
        }
    }
    x / depth_m
}

/// Fade of one component at `below_m` under the mean surface: along, up, pressure.
pub fn fade(k: f64, depth_m: f64, below_m: f64) -> (f64, f64, f64) {
    let below = below_m.clamp(0.0, depth_m);
    // Written with falling exponentials, so deep water cannot overflow.
    let down = (-k * below).exp();
    let up = (-k * (2.0 * depth_m - below)).exp();
    let all = (-2.0 * k * depth_m).exp();
    ((down + up) / (1.0 - all), (down - up) / (1.0 - all), (down + up) / (1.0 + all))
}

/// The shape of a sea.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SeaState {
    /// Significant height, m.
    pub(crate) height_m: f64,
    /// Peak period, s.
    pub(crate) peak_s: f64,
    /// Peak sharpness of the spectrum (JONSWAP gamma).
    pub(crate) gamma: f64,
    /// Shortest and longest period kept, s.
    pub(crate) periods_s: (f64, f64),
    /// Direction it travels to, rad, and spread about it.
    pub(crate) towards: f64,
    pub(crate) spread: f64,
    /// How many components stand for it.
    pub(crate) components: usize,
}

#[derive(Clone, Debug)]
struct Component {
    omega: f64,
    k: f64,
    amplitude: f64,
    towards: (f64, f64),
    now: (f64, f64),
    turn: (f64, f64),
    /// Acceleration along and up, speed along, and pressure, for a unit of phase.
    size: [f64; 4],
}

impl Component {
    /// What it does at `below_m` under the mean surface.
    fn sized(&mut self, depth_m: f64, below_m: f64) {
        let (along, up, pressure) = fade(self.k, depth_m, below_m);
        let speed = self.amplitude * self.omega;
        let a = speed * self.omega;
        self.size = [a * along, a * up, speed * along, self.amplitude * pressure];
    }
}

/// The water at one place and time, in a frame fixed to the ground.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Water {
    /// Acceleration of the water, m/s2.
    pub(crate) acceleration: [f64; 3],
    /// Velocity of the water along the two level axes, m/s.
    pub(crate) flow: [f64; 2],
    /// Height of the surface over its mean, m.
    pub(crate) surface_m: f64,
    /// Pressure of the wave, as metres of water.
    pub(crate) pressure_m: f64,
}

/// A sea in motion.
#[derive(Clone, Debug)]
pub(crate) struct Sea {
    depth_m: f64,
    parts: Vec<Component>,
    steps: u32,
}

impl Sea {
    pub(crate) fn new(state: SeaState, depth_m: f64, dt_s: f64, d: &mut Draws) -> Self {
        let n = state.components;
        let (lo, hi) = (1.0 / state.periods_s.1, 1.0 / state.periods_s.0);
        let peak = 1.0 / state.peak_s;
        let energy = |f: f64| {
            let width = if f <= peak { 0.07 } else { 0.09 };
            let near = (-((f - peak) / (width * peak)).powi(2) / 2.0).exp();
            f.powi(-5) * (-1.25 * (peak / f).powi(4)).exp() * state.gamma.powf(near)
        };
        // Components share the band evenly, each at a random place in its slot.
        let slot = (hi - lo) / n as f64;
        let mut parts: Vec<(f64, f64)> = (0..n)
            .map(|i| {
                let f = lo + slot * (i as f64 + d.between(0.0, 1.0));
                (f, energy(f))
            })
            .collect();
        let total: f64 = parts.iter().map(|p| p.1).sum();
        // Significant height is four standard deviations of the surface.
        let variance = (state.height_m / 4.0).powi(2);
        let parts = parts
            .drain(..)
            .map(|(f, e)| {
                let omega = std::f64::consts::TAU * f;
                let phase = d.angle();
                let towards = state.towards + state.spread * d.normal();
                let turn = omega * dt_s;
                let k = wave_number(omega, depth_m);
                let mut part = Component {
                    omega,
                    k,
                    amplitude: (2.0 * variance * e / total).sqrt(),
                    towards: (towards.cos(), towards.sin()),
                    now: (phase.cos(), phase.sin()),
                    turn: (turn.cos(), -turn.sin()),
                    size: [0.0; 4],
                };
                part.sized(depth_m, 0.0);
                part
            })
            .collect();
        Self { depth_m, parts, steps: 0 }
    }

    /// One step on, then the water at `below_m` under the mean surface.
    ///
    /// The fade with depth is taken anew every fourth step: nothing here moves
    /// far up or down meanwhile.
    pub(crate) fn step(&mut self, below_m: f64) -> Water {
        let anew = self.steps.is_multiple_of(4);
        let level = self.steps.is_multiple_of(4096);
        self.steps = self.steps.wrapping_add(1);
        let mut w = Water::default();
        for p in &mut self.parts {
            let (c, s) = p.now;
            p.now = (c * p.turn.0 - s * p.turn.1, c * p.turn.1 + s * p.turn.0);
            if level {
                let n = p.now.0.hypot(p.now.1);
                p.now = (p.now.0 / n, p.now.1 / n);
            }
            if anew {
                p.sized(self.depth_m, below_m);
            }
            let (c, s) = p.now;
            let [along, up, speed, pressure] = p.size;
            w.acceleration[0] += along * s * p.towards.0;
            w.acceleration[1] += along * s * p.towards.1;
            w.acceleration[2] -= up * c;
            w.flow[0] += speed * c * p.towards.0;
            w.flow[1] += speed * c * p.towards.1;
            w.surface_m += p.amplitude * c;
            w.pressure_m += pressure * c;
        }
        w
    }
}

#[cfg(test)]
mod tests {
    use super::super::draws::Part;
    use super::*;

    /// d/L0 = 0.1000 gives d/L = 0.1410: Shore Protection Manual, table C-1 (memory).
    #[test]
    fn dispersion_table() {
        let period = 10.0;
        let deep_length = G * period * period / std::f64::consts::TAU;
        let depth = 0.1 * deep_length;
        let k = wave_number(std::f64::consts::TAU / period, depth);
        let ratio = depth * k / std::f64::consts::TAU;
        assert!((ratio - 0.1410).abs() < 0.00005, "{ratio}");
    }

    #[test]
    fn dispersion_holds_from_shallow_to_deep() {
        for &depth in &[0.05, 1.0, 12.0, 80.0, 4000.0] {
            for &period in &[1.0, 4.0, 9.0, 18.0, 600.0] {
                let w = std::f64::consts::TAU / period;
                let k = wave_number(w, depth);
                let back = G * k * (k * depth).tanh();
                assert!((back / (w * w) - 1.0).abs() < 1e-12, "{depth} {period}");
            }
        }
    }

    /// In deep water the orbit falls by exp(-k z), so to 1/23 in half a wavelength
    /// (textbook: about 4 % at half a wavelength); at the bottom nothing goes up.
    #[test]
    fn motion_fades_with_depth() {
        let k = 0.05;
        let half = std::f64::consts::PI / k;
        let (along, up, _) = fade(k, 5000.0, half);
        assert!((along - 0.0432).abs() < 1e-4 && (up - 0.0432).abs() < 1e-4);
        let (along, up, pressure) = fade(k, 20.0, 20.0);
        assert!(up.abs() < 1e-12);
        assert!((along - 1.0 / 1.0_f64.sinh()).abs() < 1e-12);
        assert!((pressure - 1.0 / 1.0_f64.cosh()).abs() < 1e-12);
    }

    #[test]
    fn surface_has_the_stated_height_and_obeys_its_own_acceleration() {
        let state = SeaState {
            height_m: 2.0,
            peak_s: 10.0,
            gamma: 4.0,
            periods_s: (8.0, 15.0),
            towards: 0.4,
            spread: 0.1,
            components: 12,
        };
        let dt = 0.05;
        let mut sea = Sea::new(state, 40.0, dt, &mut Draws::new("x", 3, Part::Swell));
        let n = 400_000;
        let (mut sum, mut worst) = (0.0_f64, 0.0_f64);
        let (mut old, mut older, mut lift) = (0.0, 0.0, 0.0);
        for i in 0..n {
            let w = sea.step(0.0);
            sum += w.surface_m * w.surface_m;
            if i > 1 {
                // The vertical acceleration at the surface is that of the surface.
                worst = worst.max(((w.surface_m - 2.0 * old + older) / (dt * dt) - lift).abs());
            }
            (older, old, lift) = (old, w.surface_m, w.acceleration[2]);
        }
        let height = 4.0 * (sum / f64::from(n)).sqrt();
        assert!((height - 2.0).abs() < 0.05, "{height}");
        assert!(worst < 2e-3, "{worst}");
    }
}
