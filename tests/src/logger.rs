//! The logger: where it sits on the body, its noise and its counts.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A stream of random numbers, the same everywhere for one seed.
pub fn draws(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

/// One draw from the standard normal distribution.
pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// One draw, evenly spread between `low` and `high`.
pub fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// One draw whose logarithm is evenly spread between those of `low` and `high`.
pub fn log_between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    between(rng, low.ln(), high.ln()).exp()
}

/// A rotation.
#[derive(Clone, Copy, Debug)]
pub struct Rotation(pub [[f64; 3]; 3]);

impl Rotation {
    /// None at all.
    pub const NONE: Rotation = Rotation([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// Any rotation, each as likely as another.
    pub fn any(rng: &mut ChaCha8Rng) -> Self {
        let q: [f64; 4] = std::array::from_fn(|_| normal(rng));
        let size = q.iter().map(|v| v * v).sum::<f64>().sqrt();
        let [w, x, y, z] = q.map(|v| v / size);
        Rotation([
            [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - z * w), 2.0 * (x * z + y * w)],
            [2.0 * (x * y + z * w), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - x * w)],
            [2.0 * (x * z - y * w), 2.0 * (y * z + x * w), 1.0 - 2.0 * (x * x + y * y)],
        ])
    }

    /// The vector turned.
    pub fn turn(&self, v: [f64; 3]) -> [f64; 3] {
        self.0.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
    }
}

/// Gravity in body axes for a pitch (head up positive) and a roll (left flank
/// up positive), radians; what a level body at rest reads, turned.
pub fn gravity(pitch: f64, roll: f64) -> [f64; 3] {
    [pitch.sin(), pitch.cos() * roll.sin(), pitch.cos() * roll.cos()]
}

/// First-order Gauss-Markov noise.
#[derive(Clone, Debug)]
pub struct Wander {
    keep: f64,
    kick: f64,
    value: f64,
}

impl Wander {
    /// Standard deviation `sd`, memory `memory_s`, a step every `dt_s`.
    pub fn new(rng: &mut ChaCha8Rng, sd: f64, memory_s: f64, dt_s: f64) -> Self {
        let keep = (-dt_s / memory_s).exp();
        Wander { keep, kick: sd * (1.0 - keep * keep).sqrt(), value: sd * normal(rng) }
    }

    /// The next value.
    pub fn step(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        self.value = self.keep * self.value + self.kick * normal(rng);
        self.value
    }
}

/// An angle that wanders as a body with inertia does: Gauss-Markov noise passed
/// twice through a lag of one second, so that there is no jerk in it.
#[derive(Clone, Debug)]
pub struct Unrest {
    rough: Wander,
    gain: f64,
    follow: f64,
    once: f64,
    twice: f64,
}

impl Unrest {
    /// Standard deviation `sd` and memory `memory_s`, a step every `dt_s`.
    pub fn new(rng: &mut ChaCha8Rng, sd: f64, memory_s: f64, dt_s: f64) -> Self {
        // Variance left after two lags of one second: the spectrum
        // 1/((1 + w^2 m^2)(1 + w^2)^2) integrated, against 1/(1 + w^2 m^2).
        let m = memory_s;
        let left = m * (2.0 * m + 1.0) / (2.0 * (m + 1.0) * (m + 1.0));
        Unrest {
            rough: Wander::new(rng, sd, memory_s, dt_s),
            gain: left.sqrt().recip(),
            follow: 1.0 - (-dt_s).exp(),
            once: 0.0,
            twice: 0.0,
        }
    }

    /// The next value.
    pub fn step(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        self.once += self.follow * (self.gain * self.rough.step(rng) - self.once);
        self.twice += self.follow * (self.once - self.twice);
        self.twice
    }
}

/// Turns acceleration of the body into what the sensor says.
#[derive(Clone, Debug)]
pub struct Logger {
    /// Samples a second.
    pub sample_hz: f64,
    /// Standard deviation of each axis' noise, g.
    pub noise_g: f64,
    /// Counts for one g.
    pub counts_per_g: f64,
    /// Full scale, g.
    pub range_g: f64,
    /// How it sits on the body.
    pub mounting: Rotation,
    rng: ChaCha8Rng,
}

impl Logger {
    /// A 16-bit logger of 16 g, mounted anyhow.
    pub fn new(seed: u64, sample_hz: f64, noise_g: f64) -> Self {
        let mut rng = draws(seed ^ 0x5eed_1099);
        let mounting = Rotation::any(&mut rng);
        Logger { sample_hz, noise_g, counts_per_g: 2048.0, range_g: 16.0, mounting, rng }
    }

    /// Reads one sample, g, sensor axes.
    pub fn read(&mut self, body_g: [f64; 3]) -> [f32; 3] {
        self.mounting.turn(body_g).map(|a| {
            let noisy =
                (a + self.noise_g * normal(&mut self.rng)).clamp(-self.range_g, self.range_g);
            ((noisy * self.counts_per_g).round() / self.counts_per_g) as f32
        })
    }
}
