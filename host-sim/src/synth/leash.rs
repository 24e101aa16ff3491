//! A tag that came off its seat but hangs by its tether, from the animal or from a snag.
//!
//! Behind an animal it is drawn nose first by the drag, which grows with the square of the
//! speed, against its buoyancy, which stands it up; it flutters, and feels the
//! tail only through the line. From a snag it stands in the swell and the tide.

use std::f64::consts::TAU;

use super::draws::{Draws, Wander};
use super::floating::Package;
use super::posture::{STANDARD_GRAVITY as G, Vec3, attitude};
use super::swell::Water;

/// The tag on its tether.
#[derive(Clone, Debug)]
pub(crate) struct Leash {
    package: Package,
    /// Speed at which drag equals buoyancy, m/s.
    balance_m_s: f64,
    flutter: [Wander; 2],
    flow_m_s: f64,
    phase: f64,
    shed_g: f64,
    /// Part of the beat that the line hands on.
    pub(crate) coupling: f64,
}

impl Leash {
    pub(crate) fn new(package: Package, dt_s: f64, d: &mut Draws) -> Self {
        Self {
            package,
            balance_m_s: d.between(0.4, 1.3),
            flutter: [Wander::new(0.12, 0.5, dt_s), Wander::new(0.2, 0.6, dt_s)],
            flow_m_s: 0.0,
            phase: d.between(0.0, 1.0),
            shed_g: d.log_between(0.01, 0.06),
            coupling: d.between(0.05, 0.35),
        }
    }

    /// Behind an animal at `speed` m/s: specific force in the tag's frame, m/s2.
    pub(crate) fn towed(&mut self, speed: f64, d: &mut Draws) -> Vec3 {
        let p = self.package;
        let drag = (speed / self.balance_m_s).powi(2);
        let flutter = [0, 1].map(|i| self.flutter[i].step(d));
        let shaken = (speed / 0.5).min(1.5);
        let pitch = p.upright_pitch / (1.0 + drag) + shaken * flutter[0];
        let roll = p.upright_roll + shaken * flutter[1];
        self.flow_m_s = speed;
        attitude(roll, pitch, 0.0).apply([0.0, 0.0, G])
    }

    /// Vortices off a body 8 cm across (Strouhal number 0.2; textbook, memory): sideways
    /// acceleration after a short step, m/s2.
    pub(crate) fn shed(&mut self, step_s: f64) -> f64 {
        self.phase = (self.phase + 0.2 * self.flow_m_s / 0.08 * step_s).fract();
        self.shed_g * (self.flow_m_s / 0.5).min(1.5) * G * (TAU * self.phase).sin()
    }

    /// On a snag: the water leans on it and takes it along.
    pub(crate) fn snagged(&mut self, water: &Water, current: f64, d: &mut Draws) -> Vec3 {
        let p = self.package;
        let drag = |u: f64| (u * u.abs() / self.balance_m_s.powi(2)).clamp(-3.0, 3.0).atan();
        let lean = [drag(water.flow[0] + 0.4 * current), drag(water.flow[1])];
        let flutter = [0, 1].map(|i| 0.25 * self.flutter[i].step(d));
        self.flow_m_s = (water.flow[0] + 0.4 * current).hypot(water.flow[1]);
        let level = attitude(lean[1] + flutter[0], -lean[0] + flutter[1], 0.0).apply([
            water.acceleration[0],
            water.acceleration[1],
            G + water.acceleration[2],
        ]);
        attitude(p.upright_roll, p.upright_pitch, 0.0).apply(level)
    }
}
