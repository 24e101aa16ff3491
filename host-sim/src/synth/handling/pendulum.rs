//! A package on a hook or a line.

use crate::synth::draws::Draws;
use crate::synth::posture::{STANDARD_GRAVITY as G, Vec3};

/// A pendulum on a line: two angles, their speeds, and its length in m.
#[derive(Clone, Debug)]
pub(super) struct Pendulum {
    angle: [f64; 2],
    speed: [f64; 2],
    length_m: f64,
}

impl Pendulum {
    pub(super) fn draw(d: &mut Draws) -> Self {
        let mut swing = || 0.25 * d.normal();
        let angle = [swing(), swing()];
        Self { angle, speed: [0.0; 2], length_m: d.log_between(0.15, 1.2) }
    }

    /// Pull along the line, m/s2, where the point that it hangs from moves with `a`, m/s2.
    pub(super) fn step(&mut self, a: Vec3, dt_s: f64) -> f64 {
        let omega = (G / self.length_m).sqrt();
        let mut turns = 0.0;
        for ((x, v), push) in self.angle.iter_mut().zip(&mut self.speed).zip(a) {
            let force =
                -omega * omega * x.sin() - push / self.length_m * x.cos() - 0.06 * omega * *v;
            *v += force * dt_s;
            *x = (*x + *v * dt_s).clamp(-1.4, 1.4);
            turns += *v * *v;
        }
        G * self.angle[0].cos() * self.angle[1].cos() + self.length_m * turns + a[2]
    }
}
