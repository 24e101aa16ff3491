//! One working rate for any sample rate from 5 to 100 Hz: fast samples are
//! averaged in twos or fours, slow ones are interpolated for the beat stage. From 20 Hz on
//! samples go in pairs where half of them are enough.

use crate::kept::Kept;

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

/// Time by which the mean that is one sample at the working rate lies before the newest of those
/// it was made of, microseconds.
pub fn mean_delay_us(sample_hz: f32) -> f32 {
    let sample_us = 1.0e6 / sample_hz;
    // The mean of n samples belongs half of n - 1 samples back.
    0.5 * f32::from(decimation(sample_hz).saturating_sub(1)) * sample_us
}

/// How far interpolation to twice the rate falls behind, in values out.
pub const TWICE_LATE: f32 = 3.0;

/// Rate of pairs below which the beat stage works on values interpolated between them, Hz.
pub const SLOW_HZ: f32 = 10.0;

/// Averages `factor` samples into one.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Decimator {
    factor: u8,
    count: u8,
    scale: f32,
    /// Of the samples so far, each scaled: their mean at last.
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

    /// Samples taken for the mean that is not complete yet.
    pub fn count(&self) -> u8 {
        self.count
    }

    /// Samples after which so many more means are complete.
    pub fn lacking(&self, means: u8) -> u8 {
        means.wrapping_mul(self.factor).wrapping_sub(self.count)
    }

    /// Takes a sample; gives the mean of every `factor` samples with the last of them.
    #[inline(never)]
    pub fn step(&mut self, accel_g: &[f32; 3]) -> Option<[f32; 3]> {
        if self.count == 0 {
            self.sum = [0.0; 3];
        }
        let ([sx, sy, sz], [x, y, z]) = (&mut self.sum, accel_g);
        *sx += x * self.scale;
        *sy += y * self.scale;
        *sz += z * self.scale;
        self.count = self.count.wrapping_add(1);
        if self.count < self.factor {
            return None;
        }
        self.count = 0;
        Some(self.sum)
    }
}

/// Doubles a rate by cubic interpolation (weights -1, 9, 9, -1 over 16).
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
pub struct Doubler {
    past: [i32; 3],
}

impl Doubler {
    /// Gives the value two samples back and the one half a sample after it.
    fn step(&mut self, x: i32) -> [i32; 2] {
        let [a, b, c] = self.past;
        self.past = [b, c, x];
        let sides = a.wrapping_add(x);
        [b, b.wrapping_add(c).wrapping_mul(9).wrapping_sub(sides) >> 4]
    }

    /// Takes values, oldest first; gives twice as many, the newest of them [`TWICE_LATE`] behind
    /// the newest taken.
    #[inline(never)]
    pub fn twice(&mut self, values: [i32; 4]) -> [i32; 8] {
        let [[a, b], [c, d], [e, f], [g, h]] = values.map(|x| self.step(x));
        [a, b, c, d, e, f, g, h]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rate_is_brought_to_where_the_stages_work() {
        for tenths in 50..=1000_u16 {
            let hz = f32::from(tenths) / 10.0;
            let (working, pairs) = (working_hz(hz), pair_hz(working_hz(hz)));
            assert!((5.0..40.0).contains(&working) && (5.0..20.0).contains(&pairs), "{hz} Hz");
            let whole = Decimator::new(hz).factor();
            assert_eq!(working * f32::from(whole), hz);
            // The mean of a sample and those before it lies in their middle.
            let middle_us = 0.5e6 * f32::from(whole - 1) / hz;
            assert!((mean_delay_us(hz) - middle_us).abs() < 0.01, "{hz} Hz");
        }
    }

    #[test]
    fn a_mean_is_that_of_its_own_samples() {
        for (hz, whole) in [(25.0, 1_u8), (50.0, 2), (100.0, 4)] {
            let mut decimator = Decimator::new(hz);
            assert_eq!(decimator.factor(), whole);
            let mut sums = [0.0_f64; 3];
            for n in 0..400_u16 {
                let wave = 0.3 * (0.7 * f32::from(n)).sin();
                let accel_g = [wave, -0.5 * wave, 1.0 + 0.1 * wave];
                for (sum, a) in sums.iter_mut().zip(accel_g) {
                    *sum += f64::from(a) / f64::from(whole);
                }
                let lacking = decimator.lacking(1);
                let mean_g = decimator.step(&accel_g);
                assert_eq!(mean_g.is_some(), lacking == 1, "{hz} Hz, sample {n}");
                if let Some(mean_g) = mean_g {
                    for (mean, sum) in mean_g.into_iter().zip(sums) {
                        assert!((f64::from(mean) - sum).abs() < 2.0e-7, "{hz} Hz, sample {n}");
                    }
                    sums = [0.0; 3];
                }
            }
        }
    }

    /// Four points determine a cubic: what lies between the middle two is exact, to the whole
    /// number below.
    #[test]
    fn interpolation_is_exact_for_a_cubic() {
        for [a, b, c, d] in [[16, 0, 0, 0], [0, 16, 0, 0], [-7, 160, -48, 16], [1000, -3, 5, -2]] {
            // At whole times, and at the half after them, in eighths.
            let at = |n: i32| a + b * n + c * n * n + d * n * n * n;
            let half = |n: i32| {
                let twice = 2 * n + 1;
                8 * a + 4 * b * twice + 2 * c * twice * twice + d * twice * twice * twice
            };
            let mut doubler = Doubler::default();
            for n in -20..20 {
                let [value, between] = doubler.step(at(n));
                if n >= -17 {
                    assert_eq!(value, at(n - 2));
                    assert_eq!(between, half(n - 2).div_euclid(8), "{a} {b} {c} {d} at {n}");
                }
            }
        }
    }

    #[test]
    fn what_comes_out_falls_behind_as_stated() {
        // A slope shows which time a value belongs to.
        let mut doubler = Doubler::default();
        for block in 0..4 {
            let values = [0, 1, 2, 3].map(|n| 160 * (4 * block + n));
            let [first, .., last] = doubler.twice(values);
            if block > 0 {
                assert_eq!(last, 160 * (4 * block + 3) - 80 * TWICE_LATE as i32);
                assert_eq!(last - first, 7 * 80);
            }
        }
    }
}
