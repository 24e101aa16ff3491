//! One working rate for any sample rate from 5 to 100 Hz: fast samples are
//! averaged in twos or fours, slow ones are interpolated for the beat stage. From 20 Hz on
//! samples go in pairs where half of them are enough.

use crate::checkpoint::Kept;
use macro_rules_attribute::derive;

/// Samples averaged into one, so that the result runs below 40 Hz.
#[inline(never)]
fn decimation(sample_hz: f32) -> u8 {
    if sample_hz >= 80.0 {
        4
    } else if sample_hz >= 40.0 {
        2
    } else {
        1
    }
}

/// Rate at which the stages work on samples at `sample_hz` (5 to 100 Hz): 5 to 40 Hz.
pub fn working_hz(sample_hz: f32) -> f32 {
    sample_hz / f32::from(decimation(sample_hz))
}

/// Samples at `working_hz` that make a pair: one stands for two below 20 Hz.
pub fn pair_of(working_hz: f32) -> u8 {
    if working_hz < 20.0 { 1 } else { 2 }
}

/// Rate of pairs of samples at `working_hz` (5 to 40 Hz): 5 to 20 Hz.
pub fn pair_hz(working_hz: f32) -> f32 {
    working_hz / f32::from(pair_of(working_hz))
}

/// How far interpolation to twice the rate falls behind, in values out.
pub const TWICE_LATE: f32 = 3.0;

/// Averages `factor` samples into one.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Decimator {
    factor: u8,
    count: u8,
    scale: f32,
    /// Of the samples so far, each scaled: at last their mean.
    sum: [f32; 3],
}

impl Decimator {
    /// For samples at `sample_hz`: the result runs at [`working_hz`].
    pub fn new(sample_hz: f32) -> Self {
        let factor = decimation(sample_hz);
        Decimator { factor, count: 0, scale: 1.0 / f32::from(factor), sum: [0.0; 3] }
    }

    /// Samples averaged into one.
    #[inline]
    pub fn factor(&self) -> u8 {
        self.factor
    }

    /// Samples after which so many more means are complete.
    #[inline]
    pub fn lacking(&self, means: u8) -> u8 {
        means.wrapping_mul(self.factor).wrapping_sub(self.count)
    }

    /// Takes a sample. True: it completes [`Decimator::mean`], of every `factor` samples.
    #[inline(never)]
    pub fn step(&mut self, accel_g: &[f32; 3]) -> bool {
        if self.count == 0 {
            self.sum = [0.0; 3];
        }
        let ([sx, sy, sz], [x, y, z]) = (&mut self.sum, accel_g);
        *sx += x * self.scale;
        *sy += y * self.scale;
        *sz += z * self.scale;
        self.count = self.count.wrapping_add(1);
        let whole = self.count >= self.factor;
        if whole {
            self.count = 0;
        }
        whole
    }

    /// The mean, until the next sample is taken.
    #[inline]
    pub fn mean(&self) -> [f32; 3] {
        self.sum
    }
}

/// Doubles a rate by cubic interpolation (weights -1, 9, 9, -1 over 16).
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Doubler {
    past: [i32; 3],
}

impl Doubler {
    /// Gives the value two samples back and the one half a sample after it.
    #[inline]
    fn step(&mut self, x: i32) -> [i32; 2] {
        let [a, b, c] = self.past;
        self.past = [b, c, x];
        let sides = a.wrapping_add(x);
        [b, b.wrapping_add(c).wrapping_mul(9).wrapping_sub(sides) >> 4]
    }
}

/// Brings pairs of samples to the rates of the beat stage's rungs: 10 to 20 Hz, and twice that
/// for the fastest.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Interpolator {
    slow: bool,
    pairs: Doubler,
    top: Doubler,
}

impl Interpolator {
    /// For values at `pair_hz`, 5 to 20 Hz.
    pub fn new(pair_hz: f32) -> Self {
        Interpolator { slow: pair_hz < 10.0, pairs: Doubler::default(), top: Doubler::default() }
    }

    /// True where pairs come below 10 Hz: [`Interpolator::slow`] makes two values of one.
    #[inline]
    pub fn is_slow(&self) -> bool {
        self.slow
    }

    /// How far the newest value for the rungs lies behind the newest pair, in such values.
    pub fn delay(&self) -> f32 {
        if self.slow { TWICE_LATE } else { 0.0 }
    }

    /// Takes values that come below 10 Hz; gives twice as many.
    #[inline(never)]
    pub fn slow(&mut self, values: [i32; 4]) -> [i32; 8] {
        double(&mut self.pairs, values)
    }

    /// Takes values for the rungs; gives twice as many for the fastest.
    pub fn top(&mut self, values: [i32; 4]) -> [i32; 8] {
        double(&mut self.top, values)
    }
}

/// Doubles a rate; the newest value out lies [`TWICE_LATE`] behind the newest in.
#[inline(never)]
fn double(doubler: &mut Doubler, values: [i32; 4]) -> [i32; 8] {
    let [[a, b], [c, d], [e, f], [g, h]] = values.map(|x| doubler.step(x));
    [a, b, c, d, e, f, g, h]
}
