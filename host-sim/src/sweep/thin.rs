//! Lower sample rates from a recorded one: by a filter that keeps out what the
//! lower rate cannot show, or by plainly leaving samples out.
//!
//! The filter is a windowed sinc (Hamming) of `20 q + 1` taps for a factor `q`,
//! cut off (-6 dB) at 0.83 of the new Nyquist frequency, so that from that
//! frequency on 50 dB and more are taken away; the same as
//! `scipy.signal.firwin(20*q + 1, 0.83/q)`. A kept sample bears the time of the
//! filter's middle. At the ends of an unbroken stretch the outermost value is
//! taken to go on.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use crate::trace::Decoded;

/// Cut-off frequency as a part of the new Nyquist frequency.
const CUT: f64 = 0.83;
/// Taps on either side for each unit of the factor.
const HALF: usize = 10;
const LANES: usize = 8;

/// How a lower rate is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Thinning {
    /// Low-pass filter, then every q-th sample.
    Filter,
    /// Every q-th sample as it is: what lies above the new Nyquist frequency
    /// comes back as something slower.
    Skip,
}

impl Thinning {
    /// Name in files and tables.
    pub fn name(self) -> &'static str {
        match self {
            Thinning::Filter => "filter",
            Thinning::Skip => "skip",
        }
    }
}

/// Taps of the filter for a factor, from one end to the other; they sum to 1.
pub fn taps(factor: usize) -> Vec<f64> {
    let half = HALF * factor;
    let cut = CUT / factor as f64;
    let mut taps: Vec<f64> = (0..=2 * half)
        .map(|n| {
            let k = n as f64 - half as f64;
            let sinc = if k == 0.0 { cut } else { (PI * cut * k).sin() / (PI * k) };
            let hamming = 0.54 - 0.46 * (PI * n as f64 / half as f64).cos();
            sinc * hamming
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps
}

/// Every `factor`-th sample of each unbroken stretch. `period_us` is the recorded
/// time between samples; `counts_per_g`, where known, the sensor's resolution, to
/// which filtered values are rounded. Readings of depth and temperature that came
/// with a sample left out move to the next kept one.
pub fn thin(
    from: &Decoded,
    factor: usize,
    how: Thinning,
    period_us: f64,
    counts_per_g: Option<f64>,
) -> Decoded {
    let mut out = Decoded::default();
    let taps: Vec<f32> = match how {
        Thinning::Filter => taps(factor).into_iter().map(|t| t as f32).collect(),
        Thinning::Skip => Vec::new(),
    };
    let mut stretch = Stretch::new(factor, taps, counts_per_g.map(|c| c as f32));
    let mut last_us = None;
    for s in from.samples() {
        if let Some(last) = last_us {
            if s.t_us == last {
                continue; // the same row twice
            }
            if s.t_us < last || (s.t_us - last) as f64 > 1.5 * period_us {
                stretch.flush(&mut out);
            }
        }
        last_us = Some(s.t_us);
        stretch.times_us.push(s.t_us);
        for (axis, a) in stretch.axes.iter_mut().zip(s.accel_g) {
            axis.push(a);
        }
        stretch.readings.push((s.depth_m, s.temp_c));
        // Bounds the memory; the filter sees across the seam.
        if stretch.times_us.len() >= 1 << 16 {
            stretch.work(&mut out, false);
        }
    }
    stretch.flush(&mut out);
    out
}

/// An unbroken stretch of samples, worked in pieces.
struct Stretch {
    factor: usize,
    half: usize,
    taps: Vec<f32>,
    counts_per_g: Option<f32>,
    times_us: Vec<u64>,
    axes: [Vec<f32>; 3],
    readings: Vec<(Option<f32>, Option<f32>)>,
    /// First sample of the stretch held, and the next one to keep.
    base: usize,
    next: usize,
    /// Readings are handed on up to here.
    told: usize,
}

impl Stretch {
    fn new(factor: usize, taps: Vec<f32>, counts_per_g: Option<f32>) -> Self {
        Stretch {
            factor,
            half: taps.len() / 2,
            taps,
            counts_per_g,
            times_us: Vec::new(),
            axes: Default::default(),
            readings: Vec::new(),
            base: 0,
            next: 0,
            told: 0,
        }
    }

    /// Gives out all samples that can be worked; with `last`, all there are.
    fn work(&mut self, out: &mut Decoded, last: bool) {
        let held = self.times_us.len();
        let end =
            if last { self.base + held } else { (self.base + held).saturating_sub(self.half) };
        let filled = if self.taps.is_empty() {
            Default::default()
        } else {
            [0, 1, 2].map(|axis| padded(&self.axes[axis], self.half))
        };
        while self.next < end {
            let at = self.next - self.base;
            let mut accel_g = [0.0_f32; 3];
            for (axis, a) in accel_g.iter_mut().enumerate() {
                let raw = self.axes[axis][at];
                *a = raw;
                if !self.taps.is_empty() && !raw.is_nan() {
                    // Padding puts the window of sample `at` at the same index.
                    *a = dot(&self.taps, &filled[axis][at..at + self.taps.len()]);
                    if let Some(counts) = self.counts_per_g {
                        *a = (*a * counts).round() / counts;
                    }
                }
            }
            let (mut depth_m, mut temp_c) = (None, None);
            for (depth, temp) in &self.readings[self.told - self.base..=at] {
                depth_m = depth.or(depth_m);
                temp_c = temp.or(temp_c);
            }
            self.told = self.next + 1;
            out.add(self.times_us[at], accel_g, depth_m, temp_c);
            self.next += self.factor;
        }
        // Keeps what later windows and readings need.
        let keep = self.told.min(self.next.saturating_sub(self.half));
        let drop = keep.saturating_sub(self.base).min(held);
        self.times_us.drain(..drop);
        self.axes.iter_mut().for_each(|axis| drop_front(axis, drop));
        self.readings.drain(..drop);
        self.base += drop;
    }

    fn flush(&mut self, out: &mut Decoded) {
        self.work(out, true);
        self.times_us.clear();
        self.axes.iter_mut().for_each(Vec::clear);
        self.readings.clear();
        (self.base, self.next, self.told) = (0, 0, 0);
    }
}

fn drop_front(values: &mut Vec<f32>, n: usize) {
    values.drain(..n);
}

/// The values with missing ones filled in from the last before (or the first
/// after) them, and both ends gone on with for `half` samples.
fn padded(values: &[f32], half: usize) -> Vec<f32> {
    let first = values.iter().copied().find(|v| !v.is_nan()).unwrap_or(0.0);
    let mut out = Vec::with_capacity(values.len() + 2 * half);
    out.resize(half, first);
    let mut last = first;
    for &v in values {
        if !v.is_nan() {
            last = v;
        }
        out.push(last);
    }
    out.resize(out.len() + half, last);
    out
}

/// Sum of products, in lanes.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0_f32; LANES];
    let (wide_a, wide_b) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest: f32 = wide_a.remainder().iter().zip(wide_b.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in wide_a.zip(wide_b) {
        for (lane, (x, y)) in lanes.iter_mut().zip(x.iter().zip(y)) {
            *lane += x * y;
        }
    }
    lanes.iter().sum::<f32>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(rows: usize, hz: f64) -> Decoded {
        let mut d = Decoded::default();
        for n in 0..rows {
            let t = n as f64 / hz;
            let depth = (n % 25 == 7).then_some(n as f32);
            d.add((t * 1e6).round() as u64, [t as f32, 1.0, (t * 0.5).sin() as f32], depth, None);
        }
        d
    }

    #[test]
    fn skipping_keeps_every_qth_and_all_readings() {
        let thinned = thin(&ramp(1000, 25.0), 5, Thinning::Skip, 40_000.0, None);
        assert_eq!(thinned.len(), 200);
        let mut depths = 0;
        for (n, s) in thinned.samples().enumerate() {
            assert_eq!(s.t_us, n as u64 * 200_000);
            assert_eq!(s.accel_g[0], (n as f64 * 0.2) as f32);
            depths += usize::from(s.depth_m.is_some());
        }
        assert_eq!(depths, 40);
    }

    #[test]
    fn constants_and_slow_motion_pass_the_filter_and_pieces_leave_no_seam() {
        // Longer than one piece.
        let whole = ramp(200_000, 50.0);
        let thinned = thin(&whole, 2, Thinning::Filter, 20_000.0, None);
        assert_eq!(thinned.len(), 100_000);
        for s in thinned.samples().skip(20).take(99_960) {
            let t = s.t_us as f64 / 1e6;
            assert!((f64::from(s.accel_g[1]) - 1.0).abs() < 1e-6);
            assert!((f64::from(s.accel_g[2]) - (t * 0.5).sin()).abs() < 1e-4, "{t}");
        }
    }

    #[test]
    fn gaps_part_stretches_and_missing_values_stay_missing() {
        let mut d = Decoded::default();
        for n in 0..1000_u64 {
            let t_us = n * 40_000 + if n >= 503 { 5_000_000 } else { 0 };
            let x = if n < 503 { 1.0 } else { -1.0 };
            let y = if n == 100 || n == 101 { f32::NAN } else { 0.5 };
            d.add(t_us, [x, y, 0.25], None, None);
        }
        let thinned = thin(&d, 5, Thinning::Filter, 40_000.0, Some(64.0));
        // 101 of the first stretch (0 to 500), 100 of the second (503 on).
        assert_eq!(thinned.len(), 201);
        for s in thinned.samples() {
            let first = s.t_us <= 502 * 40_000;
            assert_eq!(s.accel_g[0], if first { 1.0 } else { -1.0 });
            assert_eq!(s.accel_g[1].is_nan(), s.t_us == 100 * 40_000);
        }
    }
}
