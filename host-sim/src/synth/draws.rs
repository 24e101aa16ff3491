//! Random draws that come out the same for the same scenario, seed and part.
//!
//! Every part of the generator has a stream of its own, so that (for example)
//! another sample rate changes the noise but not the animal.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The parts of the generator that draw random numbers.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Part {
    /// Constants of the deployment: animal, place, sensor, times of events.
    Plan = 1,
    Behaviour,
    Gait,
    Depth,
    Swell,
    WindSea,
    Scavenger,
    Tag,
    Sensor,
    Slow,
    Faults,
    Antics,
    Mount,
    Stray,
    Shakes,
    Handling,
    HandlingSensor,
    HandlingFaults,
}

/// A seeded stream of draws.
#[derive(Clone, Debug)]
pub(crate) struct Draws(ChaCha8Rng);

impl Draws {
    pub(crate) fn new(scenario: &str, seed: u64, part: Part) -> Self {
        // FNV-1a of the name keeps scenarios with one seed independent.
        let name = scenario.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        });
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ name);
        rng.set_stream(part as u64);
        Self(rng)
    }

    /// Evenly between `lo` and `hi`.
    pub(crate) fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.0.random::<f64>()
    }

    /// Evenly in the logarithm between `lo` and `hi`, both above zero.
    pub(crate) fn log_between(&mut self, lo: f64, hi: f64) -> f64 {
        (self.between(lo.ln(), hi.ln())).exp()
    }

    /// Standard normal.
    pub(crate) fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Normal, drawn again until it lies between `lo` and `hi`.
    pub(crate) fn normal_between(&mut self, mean: f64, sd: f64, lo: f64, hi: f64) -> f64 {
        for _ in 0..1000 {
            let x = mean + sd * self.normal();
            if (lo..=hi).contains(&x) {
                return x;
            }
        }
        mean.clamp(lo, hi)
    }

    /// Exponential waiting time with this mean.
    pub(crate) fn wait(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.0.random::<f64>()).ln()
    }

    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.0.random::<f64>() < p
    }

    /// -1 or 1.
    pub(crate) fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    /// A whole number below `n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        self.0.random_range(0..n as u64) as usize
    }

    /// An angle in radians, 0 to 2 pi.
    pub(crate) fn angle(&mut self) -> f64 {
        self.between(0.0, std::f64::consts::TAU)
    }

    /// A unit vector, evenly over the sphere.
    pub(crate) fn direction(&mut self) -> [f64; 3] {
        loop {
            let v = [self.normal(), self.normal(), self.normal()];
            let n = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
            if n > 1e-6 {
                return [v[0] / n, v[1] / n, v[2] / n];
            }
        }
    }
}

/// A smooth random wander about zero: an Ornstein-Uhlenbeck process seen
/// through a first-order lag a quarter as long.
#[derive(Clone, Debug)]
pub(crate) struct Wander {
    keep: f64,
    kick: f64,
    lag: f64,
    inner: f64,
    value: f64,
}

impl Wander {
    /// Standard deviation `sd`, correlation time `tau_s`, stepped every `dt_s`.
    pub(crate) fn new(sd: f64, tau_s: f64, dt_s: f64) -> Self {
        let keep = (-dt_s / tau_s).exp();
        // The lag takes some of the variance away; give it back.
        let restore = (1.25_f64).sqrt();
        Self {
            keep,
            kick: restore * sd * (1.0 - keep * keep).sqrt(),
            lag: 1.0 - (-4.0 * dt_s / tau_s).exp(),
            inner: 0.0,
            value: 0.0,
        }
    }

    pub(crate) fn step(&mut self, draws: &mut Draws) -> f64 {
        self.inner = self.keep * self.inner + self.kick * draws.normal();
        self.value += self.lag * (self.inner - self.value);
        self.value
    }
}
