//! The band-pass of a rung, and the values for the next slower one.
//!
//! Four sums of neighbours, two differences, four sums: a zero-phase filter of eleven taps whose
//! gain at a period is `2^10 s (1 - s)^4` with `s = sin^2(pi / period)`, [`BAND_GAIN`] at
//! most, at [`BAND_PERIOD`].

use crate::kept::Kept;

/// Stages of the band-pass: four sums of neighbours, two differences, four sums.
const STAGES: usize = 10;
/// What the band-pass makes of 1 at the period of greatest gain:
/// `2^10 s (1 - s)^4` with `s = sin^2(pi / period)`, which is greatest at s = 1/5.
pub const BAND_GAIN: f32 = 83.886_08;
/// Period of greatest gain, samples of the rung: `pi / asin(sqrt(1/5))`.
pub const BAND_PERIOD: f32 = 6.775_9;
/// `(pi / BAND_PERIOD)^2`.
const BAND_ANGLE2: f32 = 0.214_969;

/// Gain of the band-pass where the greatest is 1, at a period of `1/ratio` times
/// that of the greatest; good to 0.002 from half to three times that period.
pub fn gain(ratio: f32) -> f32 {
    let a = BAND_ANGLE2 * ratio * ratio;
    let s = a - a * a * (0.333_333 - 0.044_444 * a);
    let c = 1.0 - s;
    12.207_03 * s * (c * c) * (c * c)
}

/// Sums of neighbours; `last` is the value before the first.
#[inline(always)]
fn sums([a, b, c, d]: [i32; 4], last: &mut i32) -> [i32; 4] {
    let z = core::mem::replace(last, d);
    [a.wrapping_add(z), b.wrapping_add(a), c.wrapping_add(b), d.wrapping_add(c)]
}

/// Differences of neighbours.
#[inline(always)]
fn differences([a, b, c, d]: [i32; 4], last: &mut i32) -> [i32; 4] {
    let z = core::mem::replace(last, d);
    [a.wrapping_sub(z), b.wrapping_sub(a), c.wrapping_sub(b), d.wrapping_sub(c)]
}

/// The half-band low-pass (-1, 0, 9, 16, 9, 0, -1 over 32) from three fourfold sums
/// of neighbours, oldest first: its remaining factor is (-1, 4, -1).
#[inline(always)]
fn half_band(a: i32, b: i32, c: i32) -> i32 {
    b.wrapping_mul(4).wrapping_sub(a).wrapping_sub(c) >> 5
}

/// The filter's state.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct BandPass {
    /// The last value before each stage.
    past: [i32; STAGES],
}

impl BandPass {
    /// As if the first value had stood for ever, so that there is no step and no
    /// false extreme.
    pub fn begin(&mut self, first: i32) {
        self.past = [0; STAGES];
        let mut sum = first;
        for past in self.past.iter_mut().take(5) {
            *past = sum;
            sum = sum.wrapping_mul(2);
        }
    }

    /// Four values through the band-pass into `to` where that is `wanted`, and the two for the
    /// next rung.
    #[inline(never)]
    pub fn filter_4(&mut self, from: [i32; 4], to: &mut [i32; 4], wanted: bool) -> [i32; 2] {
        let [p0, p1, p2, p3, p4, p5, p6, p7, p8, p9] = &mut self.past;
        let v = sums(sums(sums(sums(from, p0), p1), p2), p3);
        let [a, b, c, d] = v;
        let next = [half_band(*p4, a, b), half_band(b, c, d)];
        if !wanted {
            *p4 = d;
            return next;
        }
        let v = differences(differences(v, p4), p5);
        *to = sums(sums(sums(sums(v, p6), p7), p8), p9);
        next
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    /// The filter's response to 1 and zeros behind it.
    fn taps() -> Vec<i32> {
        let mut band = BandPass::blank();
        band.begin(0);
        let mut all = Vec::new();
        for block in 0..4 {
            let mut to = [0; 4];
            band.filter_4([i32::from(block == 0), 0, 0, 0], &mut to, true);
            all.extend(to);
        }
        all
    }

    #[test]
    fn it_has_eleven_taps_that_are_symmetric_and_sum_to_nothing() {
        let taps = taps();
        let last = taps.iter().rposition(|t| *t != 0).unwrap_or(0);
        assert_eq!(last, 10, "{taps:?}");
        assert!((0..=10).all(|i| taps.get(i) == taps.get(10 - i)), "{taps:?}");
        assert_eq!(taps.iter().sum::<i32>(), 0);
    }

    #[test]
    fn its_gain_is_the_closed_form_at_every_period() {
        for period in [3.0, 4.5, 6.0, 6.775_9, 8.0, 10.0, 15.0, 20.0_f64] {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, tap) in taps().iter().enumerate() {
                let angle = TAU * n as f64 / period;
                re += f64::from(*tap) * angle.cos();
                im += f64::from(*tap) * angle.sin();
            }
            let s = (TAU / 2.0 / period).sin().powi(2);
            let want = 1024.0 * s * (1.0 - s).powi(4);
            let got = re.hypot(im);
            assert!((got - want).abs() < 1e-9 * want.max(1.0), "{period}: {got} for {want}");
            let ratio = f64::from(BAND_PERIOD) / period;
            if (0.33..2.0).contains(&ratio) {
                let short = f64::from(gain(ratio as f32)) * f64::from(BAND_GAIN);
                assert!((short - want).abs() < 0.002 * f64::from(BAND_GAIN), "{period}: {short}");
            }
        }
    }

    #[test]
    fn a_constant_and_a_slope_vanish_and_the_next_rung_keeps_them() {
        let mut band = BandPass::blank();
        let mut n = 0;
        band.begin(1000);
        for _ in 0..20 {
            let from = [(); 4].map(|()| {
                n += 1;
                1000 + 32 * n
            });
            let mut to = [0; 4];
            let next = band.filter_4(from, &mut to, true);
            if n > 24 {
                assert_eq!(to, [0; 4]);
                // Three of its own samples late, in units 1.
                let [a, b] = next;
                assert_eq!(b - a, 64);
            }
        }
    }
}
