//! What is not a swimming animal: a carcass rocked by swell and pulled at by
//! scavengers, a tag that floats, a tag on the bottom.

use crate::logger::{Wander, between, draws, gravity, log_between};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// Narrow-band waves: a sum of sines of drawn periods and phases, with
/// standard deviation 1.
#[derive(Clone, Debug)]
pub struct Waves {
    parts: Vec<[f64; 2]>,
    scale: f64,
}

impl Waves {
    /// Periods spread between two bounds, s.
    pub fn new(rng: &mut ChaCha8Rng, short_s: f64, long_s: f64) -> Self {
        let parts: Vec<_> = (0..12)
            .map(|_| [TAU * between(rng, 1.0 / long_s, 1.0 / short_s), between(rng, 0.0, TAU)])
            .collect();
        let scale = (2.0 / parts.len() as f64).sqrt();
        Waves { parts, scale }
    }

    /// The wave at a time, s.
    pub fn at(&self, t_s: f64) -> f64 {
        self.parts.iter().map(|[w, p]| (w * t_s + p).sin()).sum::<f64>() * self.scale
    }
}

/// A dead animal with the tag on it, lying on the bottom.
#[derive(Clone, Debug)]
pub struct Carcass {
    rng: ChaCha8Rng,
    swell: Waves,
    rock: f64,
    pitch: f64,
    roll: f64,
    tide: f64,
    depth_m: f64,
    scavenger: Option<[f64; 2]>,
    next_visit_s: f64,
    visits_per_h: f64,
    tug: [Wander; 3],
    shove: Wander,
}

impl Carcass {
    /// Rocked by swell of 8 to 15 s with a drawn strength (standard deviation 0.3
    /// to 6 degrees), tilted a little by the tide; one in four lies upright, the
    /// rest rolled over by 60 to 180 degrees.
    pub fn new(seed: u64, sample_hz: f64, visits_per_h: f64, depth_m: f64) -> Self {
        let mut rng = draws(seed ^ 0xdead);
        let dt = 1.0 / sample_hz;
        let swell = Waves::new(&mut rng, 8.0, 15.0);
        let side = if between(&mut rng, -1.0, 1.0) > 0.0 { 1.0 } else { -1.0 };
        Carcass {
            rock: log_between(&mut rng, 0.3, 6.0).to_radians(),
            pitch: between(&mut rng, -0.3, 0.3),
            roll: if between(&mut rng, 0.0, 1.0) < 0.25 {
                between(&mut rng, -20.0, 20.0).to_radians()
            } else {
                side * between(&mut rng, 60.0, 180.0).to_radians()
            },
            tide: between(&mut rng, 0.5, 3.0).to_radians(),
            depth_m,
            scavenger: None,
            next_visit_s: if visits_per_h > 0.0 { 600.0 } else { f64::MAX },
            visits_per_h,
            tug: std::array::from_fn(|_| Wander::new(&mut rng, 1.0, 0.12, dt)),
            shove: Wander::new(&mut rng, 0.15, 5.0, dt),
            swell,
            rng,
        }
    }

    /// Acceleration, body axes, g, and depth, m, so long after death, s.
    pub fn at(&mut self, since_s: f64) -> ([f64; 3], f64) {
        if since_s > self.next_visit_s {
            let length_s = log_between(&mut self.rng, 3.0, 60.0);
            let strength_g = log_between(&mut self.rng, 0.1, 1.0);
            self.scavenger = Some([since_s + length_s, strength_g]);
            let wait_h = -between(&mut self.rng, 1e-9, 1.0).ln() / self.visits_per_h;
            self.next_visit_s = since_s + length_s + 3600.0 * wait_h;
        }
        let rock = self.rock * self.swell.at(since_s);
        let tide = (TAU * since_s / 44_700.0).sin();
        let mut g = gravity(self.pitch + 0.3 * rock, self.roll + rock + self.tide * tide);
        if let Some([until_s, strength_g]) = self.scavenger {
            if since_s < until_s {
                for (a, tug) in g.iter_mut().zip(&mut self.tug) {
                    *a += strength_g * tug.step(&mut self.rng);
                }
                self.roll += 0.02 * self.shove.step(&mut self.rng);
            } else {
                self.scavenger = None;
            }
        }
        (g, self.depth_m + 0.4 * tide)
    }
}

/// A tag that came off and floats, antenna up, in waves of 2 to 10 s.
#[derive(Clone, Debug)]
pub struct Floating {
    sea: [Waves; 3],
    tilt: [f64; 2],
    rock: f64,
    heave_g: f64,
}

impl Floating {
    /// Tipped by 60 to 110 degrees from how it was worn.
    pub fn new(seed: u64) -> Self {
        let mut rng = draws(seed ^ 0xf10a7);
        Floating {
            sea: std::array::from_fn(|_| Waves::new(&mut rng, 2.0, 10.0)),
            tilt: [between(&mut rng, 60.0, 88.0).to_radians(), between(&mut rng, -0.4, 0.4)],
            rock: between(&mut rng, 4.0, 12.0).to_radians(),
            heave_g: between(&mut rng, 0.02, 0.08),
        }
    }

    /// Acceleration, body axes as worn, g, and depth, m, so long after it came off, s.
    pub fn at(&self, since_s: f64) -> ([f64; 3], f64) {
        let [a, b, c] = &self.sea;
        let g = gravity(
            self.tilt[0] + self.rock * a.at(since_s),
            self.tilt[1] + self.rock * b.at(since_s),
        );
        let lift = 1.0 + self.heave_g * c.at(since_s);
        (g.map(|v| v * lift), 0.1 + 0.05 * c.at(since_s))
    }
}

/// A tag that came off and lies on the bottom: nothing moves but the tide.
#[derive(Clone, Debug)]
pub struct OnBottom {
    tilt: [f64; 2],
    depth_m: f64,
}

impl OnBottom {
    /// Lies tipped by a drawn pitch and roll.
    pub fn new(seed: u64, depth_m: f64) -> Self {
        let mut rng = draws(seed ^ 0xb0770);
        OnBottom {
            tilt: [
                between(&mut rng, -80.0, 80.0).to_radians(),
                between(&mut rng, 60.0, 300.0).to_radians(),
            ],
            depth_m,
        }
    }

    /// Acceleration, body axes as worn, g, and depth, m, so long after it came off, s.
    pub fn at(&self, since_s: f64) -> ([f64; 3], f64) {
        let tide_m = 0.4 * (TAU * since_s / 44_700.0).sin();
        (gravity(self.tilt[0], self.tilt[1]), self.depth_m + tide_m)
    }
}
