//! One working rate for any sample rate from 5 to 100 Hz: fast samples are
//! averaged in twos or fours, slow ones are interpolated for the beat stage.

use crate::checkpoint::Kept;
use macro_rules_attribute::derive;

/// Samples averaged into one, so that the result runs below 40 Hz.
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

/// Averages `factor` samples into one.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Decimator {
    factor: u8,
    count: u8,
    scale: f32,
    sum: [f32; 3],
}

impl Decimator {
    /// For samples at `sample_hz`: the result runs at [`working_hz`].
    pub fn new(sample_hz: f32) -> Self {
        let factor = decimation(sample_hz);
        Decimator { factor, count: 0, scale: 1.0 / f32::from(factor), sum: [0.0; 3] }
    }

    /// Samples averaged into one.
    pub fn factor(&self) -> u8 {
        self.factor
    }

    /// Takes a sample; gives the mean of every `factor` samples.
    pub fn step(&mut self, accel_g: [f32; 3]) -> Option<[f32; 3]> {
        if self.factor == 1 {
            return Some(accel_g);
        }
        for (s, a) in self.sum.iter_mut().zip(accel_g) {
            *s += a;
        }
        self.count = self.count.wrapping_add(1);
        if self.count < self.factor {
            return None;
        }
        self.count = 0;
        let mut mean = [0.0; 3];
        for (m, s) in mean.iter_mut().zip(self.sum.iter_mut()) {
            *m = *s * self.scale;
            *s = 0.0;
        }
        Some(mean)
    }
}

/// Doubles a rate by cubic interpolation (weights -1, 9, 9, -1 over 16).
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Doubler {
    past: [i32; 3],
}

impl Doubler {
    /// Gives the value two samples back and the one half a sample after it.
    #[inline(never)]
    fn step(&mut self, x: i32) -> [i32; 2] {
        let [a, b, c] = self.past;
        self.past = [b, c, x];
        let sides = a.wrapping_add(x);
        [b, b.wrapping_add(c).wrapping_mul(9).wrapping_sub(sides) >> 4]
    }
}

/// Raises a rate by 1, 2 or 4 so that it lies from 20 to 40 Hz.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Interpolator {
    factor: u8,
    first: Doubler,
    second: Doubler,
}

impl Interpolator {
    /// For values at `working_hz`, 5 to 40 Hz.
    pub fn new(working_hz: f32) -> Self {
        let factor = if working_hz < 10.0 {
            4
        } else if working_hz < 20.0 {
            2
        } else {
            1
        };
        Interpolator { factor, first: Doubler::default(), second: Doubler::default() }
    }

    /// Values out for one in.
    pub fn factor(&self) -> u8 {
        self.factor
    }

    /// How far the newest value out lies behind the newest in, in output samples.
    pub fn delay(&self) -> u8 {
        match self.factor {
            4 => 9,
            2 => 3,
            _ => 0,
        }
    }

    /// Takes values where the factor is 2; gives twice as many.
    pub fn double(&mut self, values: [i32; 4]) -> [i32; 8] {
        let [a, b, c, d] = values.map(|x| self.first.step(x));
        let ([a, b], [c, d], [e, f], [g, h]) = (a, b, c, d);
        [a, b, c, d, e, f, g, h]
    }

    /// Takes values where the factor is 4; gives four times as many.
    pub fn quadruple(&mut self, values: [i32; 2]) -> [i32; 8] {
        let [[a, b], [c, d]] = values.map(|x| self.first.step(x));
        let [a, b, c, d] = [a, b, c, d].map(|x| self.second.step(x));
        let ([a, b], [c, d], [e, f], [g, h]) = (a, b, c, d);
        [a, b, c, d, e, f, g, h]
    }
}
