//! When has the animal settled on its own normal?
//!
//! After release, beat frequency, beat amplitude and activity start off the
//! animal's own level and settle on it along a logistic in time after release
//! (Whitney et al. 2016, Fisheries Research 183:210), while all three swing by
//! day and night. Half-hour means of their logarithms are kept; the model
//!
//! `y = a + d S(t) + c cos(2 pi t / 24 h) + s sin(2 pi t / 24 h)`,
//! `S(t) = 1 / (1 + exp((t - t50) / tau))`
//!
//! is fitted over a grid of recovery times and steepnesses, shared by the three
//! signals; `a, d, c, s` are each signal's own and solved for exactly, with a
//! prior on the size of the swing. The marginal likelihood on the grid, times the
//! published spread of recovery times, gives the recovery time (the moment at
//! which `recovered_fraction` of the way from the first to the settled level is
//! done), its standard error and the probability that it lies in the past. One
//! grid point is worked a sample, so no sample costs much.
//!
//! A decision does not end it: the estimate goes on, gets better, and takes the
//! decision back where it no longer bears it out.

use core::cell::Cell;

use crate::config::Config;
use crate::kept::Kept;
use crate::math;
use crate::types::{MinuteSummary, RecoveryReport};

/// Bins kept; when they are full, pairs are joined and each holds twice the time.
const BINS: usize = 64;
/// First length of a bin, minutes.
const BIN_MIN: u16 = 30;
/// Signals: beat frequency, sway amplitude, ODBA.
const SIGNALS: usize = 3;
/// Swum minutes that a bin needs for each half hour.
const SWUM_MIN: u16 = 6;
/// Steps of the recovery-time grid, and steepnesses tried at each.
const TIMES: u16 = 56;
const STEEPS: [f32; 5] = [0.14, 0.26, 0.42, 0.62, 0.86];
/// Stored logarithms: this many for one unit.
const LOG_SCALE: f32 = 4096.0;
const MISSING: i16 = i16::MIN;
/// Ridge weights: the size of the swing and of the change, as expected noise over expected size, squared.
const RIDGE_SWING: f32 = 0.2;
const RIDGE_CHANGE: f32 = 0.2;
/// What is known of recovery times beforehand: a log-normal law of this median, h, and
/// this spread, from 10.54 +/- 3.78 h (Whitney et al. 2016), a little wider. Without
/// it, half a day's swing looks like the beginning of a recovery that ends some time
/// after the record does.
const PRIOR_H: f32 = 9.9;
const PRIOR_SPREAD: f32 = 0.38;
/// Part of the bins that counts as independent: neighbours share the animal's mood.
const INDEPENDENT: f32 = 0.72;
/// Floor of the residual variance, squared log units.
const RESIDUAL_FLOOR: f32 = 2.0e-4;
/// Least variance of the recovery time, h squared: within the half hour of a bin, nothing is
/// known of the course.
const BIN_H2: f32 = 0.25;
/// Bins (of any length) before the first fit.
const FIRST_FIT_BINS: u8 = 8;

#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Gather {
    minutes: u16,
    swum: u16,
    beats: f32,
    period: f32,
    sway: f32,
    odba: f32,
}

/// Sums that do not depend on the grid point.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Fixed {
    n: f32,
    c: f32,
    s: f32,
    cc: f32,
    cs: f32,
    ss: f32,
    mean: [f32; SIGNALS],
    yy: [f32; SIGNALS],
    cy: [f32; SIGNALS],
    sy: [f32; SIGNALS],
}

/// A fit under way over the grid.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Fit {
    summed: bool,
    point: u16,
    step_h: f32,
    fixed: Fixed,
    best: f32,
    weight: f32,
    past: f32,
    mean: f32,
    square: f32,
}

/// The recovery stage.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Recovery {
    bins: [[i16; SIGNALS]; BINS],
    filled: u8,
    bin_min: u16,
    gather: Gather,
    fit: Option<Fit>,
    remaining: f32,
    se_max_s: f32,
    prob_min: f32,
    last_t_s: f32,
    steady: u8,
    report: Option<RecoveryReport>,
}

/// The bins filled so far, and what the model has to know beside them.
struct Course<'a> {
    bins: &'a [[i16; SIGNALS]],
    bin_min: u16,
    /// Part of the way to the settled level that is left at the recovery time.
    remaining: f32,
}

fn to_log(x: f32) -> i16 {
    let v = math::ln(math::at_least(x, 1.0e-4)) * LOG_SCALE;
    // Within the range of `i16` by then.
    math::within(v, -32_000.0, 32_000.0) as i32 as i16
}

/// Two bins made one: the means of their logarithms, or what one of them holds.
fn joined(a: [i16; SIGNALS], b: [i16; SIGNALS]) -> [i16; SIGNALS] {
    let ([a0, a1, a2], [b0, b1, b2]) = (a, b);
    if a0 == MISSING {
        return b;
    }
    if b0 == MISSING {
        return a;
    }
    let mean = |p: i16, q: i16| (i32::from(p).wrapping_add(i32::from(q)) >> 1) as i16;
    [mean(a0, b0), mean(a1, b1), mean(a2, b2)]
}

impl Recovery {
    /// With the configured bounds.
    pub fn new(config: &Config) -> Self {
        let d = config.detector();
        Recovery {
            bins: [[MISSING; SIGNALS]; BINS],
            bin_min: BIN_MIN,
            remaining: 1.0 - d.recovered_fraction,
            se_max_s: d.recovery_sd_max_h * 3600.0,
            prob_min: d.recovery_prob,
            ..Kept::blank()
        }
    }

    /// The latest estimate.
    pub fn report(&self) -> Option<&RecoveryReport> {
        self.report.as_ref()
    }

    /// True while a fit is under way.
    pub fn busy(&self) -> bool {
        self.fit.is_some()
    }

    /// Takes a minute of a living animal (`None`: nothing can be said of it).
    pub fn add(&mut self, minute: Option<&MinuteSummary>) {
        let g = &mut self.gather;
        g.minutes = g.minutes.saturating_add(1);
        if let Some(m) = minute
            && m.good > 0.5
            && m.beats >= 2.0
        {
            g.swum = g.swum.saturating_add(1);
            g.beats += m.beats;
            g.period += m.beats * m.period_s;
            g.sway += m.beats * m.sway_g;
            g.odba += m.odba_g;
        }
        if g.minutes < self.bin_min {
            return;
        }
        let needed = self.bin_min.checked_div(BIN_MIN).unwrap_or(1).saturating_mul(SWUM_MIN);
        let bin = if g.swum >= needed {
            [g.beats / g.period, g.sway / g.beats, g.odba / f32::from(g.swum)].map(to_log)
        } else {
            [MISSING; SIGNALS]
        };
        self.gather = Gather::default();
        if let Some(slot) = self.bins.get_mut(usize::from(self.filled)) {
            *slot = bin;
            self.filled = self.filled.saturating_add(1);
        }
        if usize::from(self.filled) >= BINS {
            self.join();
        }
        if self.filled >= FIRST_FIT_BINS {
            self.start_fit();
        }
    }

    /// Joins bins in pairs to make room.
    fn join(&mut self) {
        // A pair is read no later than it is written over.
        let bins = Cell::from_mut(&mut self.bins[..]).as_slice_of_cells();
        for (slot, pair) in bins.iter().zip(bins.chunks_exact(2)) {
            if let [a, b] = pair {
                slot.set(joined(a.get(), b.get()));
            }
        }
        if let Some(upper) = self.bins.get_mut(BINS / 2..) {
            upper.as_flattened_mut().fill(MISSING);
        }
        self.filled = (BINS / 2) as u8;
        self.bin_min = self.bin_min.saturating_mul(2);
    }

    /// Starts a fit: all the work of it follows with the next samples.
    fn start_fit(&mut self) {
        let now_h = f32::from(self.filled) * f32::from(self.bin_min) / 60.0;
        let step_h = 1.4 * now_h / f32::from(TIMES);
        self.fit = Some(Fit { step_h, best: f32::MIN, ..Fit::blank() });
    }

    /// Works one grid point, if a fit is under way. Gives a report when the fit ends.
    #[inline(never)]
    pub fn step(&mut self, now_us: u64) -> Option<RecoveryReport> {
        let Recovery { bins, filled, bin_min, remaining, fit, .. } = self;
        let fit = fit.as_mut()?;
        let course = Course {
            bins: bins.get(..usize::from(*filled)).unwrap_or_default(),
            bin_min: *bin_min,
            remaining: *remaining,
        };
        if !fit.summed {
            fit.summed = true;
            fit.fixed = course.sums();
            if fit.fixed.n < f32::from(FIRST_FIT_BINS) {
                self.fit = None;
            }
            return None;
        }
        let per = STEEPS.len() as u16;
        let time = fit.point.checked_div(per).unwrap_or(0);
        let steep = fit.point.checked_rem(per).unwrap_or(0);
        let t_h = (f32::from(time) + 0.5) * fit.step_h;
        let k = STEEPS.get(usize::from(steep)).copied().unwrap_or(0.5);
        let score = course.score(&fit.fixed, t_h, k);
        if score > fit.best {
            let shrink = math::exp(math::at_least(fit.best - score, -80.0));
            fit.weight *= shrink;
            fit.past *= shrink;
            fit.mean *= shrink;
            fit.square *= shrink;
            fit.best = score;
        }
        let w = math::exp(math::at_least(score - fit.best, -80.0));
        let now_h = now_us as f32 / 3.6e9;
        fit.weight += w;
        fit.mean += w * t_h;
        fit.square += w * t_h * t_h;
        if t_h <= now_h {
            fit.past += w;
        }
        fit.point = fit.point.saturating_add(1);
        if fit.point < TIMES.saturating_mul(per) {
            return None;
        }
        let fit = self.fit.take()?;
        let mean_h = fit.mean / fit.weight;
        // The grid itself cannot resolve better than its step.
        let grid = fit.step_h * fit.step_h / 12.0;
        let se_s =
            math::sqrt(math::at_least(fit.square / fit.weight - mean_h * mean_h, BIN_H2) + grid)
                * 3600.0;
        let t_s = mean_h * 3600.0;
        let prob = fit.past / fit.weight;
        let moved = math::abs(t_s - self.last_t_s);
        self.last_t_s = t_s;
        self.steady = if moved < 0.75 * self.se_max_s { self.steady.saturating_add(1) } else { 0 };
        let elapsed_s = now_us as f32 * 1.0e-6;
        let certain = prob >= self.prob_min && elapsed_s > t_s;
        let decided_us = match self.report.and_then(|r| r.decided_us) {
            Some(since_us) => (certain && se_s <= 2.0 * self.se_max_s).then_some(since_us),
            None => (certain
                && se_s <= self.se_max_s
                && self.steady >= 4
                && elapsed_s > t_s + 2.0 * se_s)
                .then_some(now_us),
        };
        self.report = Some(RecoveryReport { t_s, se_s, prob, decided_us });
        self.report
    }
}

impl Course<'_> {
    /// Turn of the 24 h cycle from one bin to the next, as cosine and sine.
    fn turn(&self) -> (f32, f32) {
        let angle = core::f32::consts::TAU * f32::from(self.bin_min) / 1440.0;
        (math::cos(angle), math::sin(angle))
    }

    /// How many bins hold something, and the means of what they hold.
    fn means(&self) -> (f32, [f32; SIGNALS]) {
        // Whole numbers, far below 2^24: their sums are exact as `f32`.
        let mut n = 0_i32;
        let [mut s0, mut s1, mut s2] = [0_i32; SIGNALS];
        for [y0, y1, y2] in self.bins {
            if *y0 != MISSING {
                n = n.wrapping_add(1);
                s0 = s0.wrapping_add(i32::from(*y0));
                s1 = s1.wrapping_add(i32::from(*y1));
                s2 = s2.wrapping_add(i32::from(*y2));
            }
        }
        let n = n as f32;
        (n, [s0, s1, s2].map(|sum| sum as f32 / LOG_SCALE / n))
    }

    /// What does not depend on the grid point.
    fn sums(&self) -> Fixed {
        let (n, mean) = self.means();
        let [m0, m1, m2] = mean;
        let (tc, ts) = self.turn();
        let (mut c, mut s) = (1.0_f32, 0.0_f32);
        let [mut yy, mut cy, mut sy] = [[0.0_f32; SIGNALS]; 3];
        let (mut c1, mut s1, mut cc, mut cs, mut ss) =
            (0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32);
        for bin in self.bins {
            let [b0, b1, b2] = *bin;
            if b0 != MISSING {
                c1 += c;
                s1 += s;
                cc += c * c;
                cs += c * s;
                ss += s * s;
                let y0 = f32::from(b0) * (1.0 / LOG_SCALE) - m0;
                let y1 = f32::from(b1) * (1.0 / LOG_SCALE) - m1;
                let y2 = f32::from(b2) * (1.0 / LOG_SCALE) - m2;
                let [a0, a1, a2] = yy;
                yy = [a0 + y0 * y0, a1 + y1 * y1, a2 + y2 * y2];
                let [a0, a1, a2] = cy;
                cy = [a0 + y0 * c, a1 + y1 * c, a2 + y2 * c];
                let [a0, a1, a2] = sy;
                sy = [a0 + y0 * s, a1 + y1 * s, a2 + y2 * s];
            }
            (c, s) = (c * tc - s * ts, s * tc + c * ts);
        }
        Fixed { n, c: c1, s: s1, cc, cs, ss, mean, yy, cy, sy }
    }

    /// Log marginal likelihood at one grid point.
    fn score(&self, f: &Fixed, t_h: f32, k: f32) -> f32 {
        // S(t) = 1 / (1 + u e^(t/tau)), with u such that S(t_h) = remaining * S(0).
        let inverse = 1.0 / self.remaining;
        let tau = t_h * k / math::ln(inverse);
        let u = (inverse - 1.0) / (math::exp(math::at_most(t_h / tau, 60.0)) - inverse);
        let bin_h = f32::from(self.bin_min) / 60.0;
        let growth = math::exp(math::at_most(bin_h / tau, 60.0));
        let mut e = u * math::exp(math::at_most(0.5 * bin_h / tau, 60.0));
        let first = 1.0 + u;
        let (tc, ts) = self.turn();
        let (mut c, mut s) = (1.0_f32, 0.0_f32);
        let (mut x1, mut xx, mut xc, mut xs) = (0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32);
        let mut xy = [0.0_f32; SIGNALS];
        for bin in self.bins {
            let [y0, y1, y2] = *bin;
            if y0 != MISSING {
                let x = first / (1.0 + e);
                x1 += x;
                xx += x * x;
                xc += x * c;
                xs += x * s;
                let [a0, a1, a2] = xy;
                xy = [a0 + x * f32::from(y0), a1 + x * f32::from(y1), a2 + x * f32::from(y2)];
            }
            // It may grow beyond all numbers, to infinity: then S is 0.
            e *= growth;
            (c, s) = (c * tc - s * ts, s * tc + c * ts);
        }
        // Normal equations for (1, S, cos, sin), eliminated in that order.
        let l_1x = x1 / f.n;
        let l_1c = f.c / f.n;
        let l_1s = f.s / f.n;
        let pxx = xx + RIDGE_CHANGE - l_1x * x1;
        let pxc = xc - l_1x * f.c;
        let pxs = xs - l_1x * f.s;
        let pcc = f.cc + RIDGE_SWING - l_1c * f.c;
        let pcs = f.cs - l_1c * f.s;
        let pss = f.ss + RIDGE_SWING - l_1s * f.s;
        let l_xc = pxc / pxx;
        let l_xs = pxs / pxx;
        let qcc = pcc - l_xc * pxc;
        let qcs = pcs - l_xc * pxs;
        let qss = pss - l_xs * pxs;
        let l_cs = qcs / qcc;
        let rss = qss - l_cs * qcs;
        let mut score = 0.0;
        for i in 0..SIGNALS {
            let mean = f.mean.get(i).copied().unwrap_or(0.0);
            let yy = f.yy.get(i).copied().unwrap_or(0.0);
            let bx = xy.get(i).copied().unwrap_or(0.0) / LOG_SCALE - mean * x1;
            let bc = f.cy.get(i).copied().unwrap_or(0.0);
            let bs = f.sy.get(i).copied().unwrap_or(0.0);
            // y is centred, so the first equation's right side is 0.
            let gc = bc - l_xc * bx;
            let gs = bs - l_xs * bx - l_cs * gc;
            let left = yy - bx * bx / pxx - gc * gc / qcc - gs * gs / rss;
            let variance = math::at_least(left, 0.0) / f.n + RESIDUAL_FLOOR;
            score -= 0.5 * INDEPENDENT * f.n * math::ln(variance);
        }
        let unlike = math::ln(t_h / PRIOR_H) / PRIOR_SPREAD;
        score
            - 0.5 * SIGNALS as f32 * math::ln(math::at_least(pxx * qcc * rss, 1.0e-12))
            - 0.5 * unlike * unlike
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Animal, Breathing, ConfigError, Detector, Logger, Place, Release};

    /// With these bins, the first `filled` of which count.
    fn holding(bins: [[i16; SIGNALS]; BINS], filled: u8) -> Result<Recovery, ConfigError> {
        let logger =
            Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
        let place = Place { start_unix_s: None, latitude_deg: 0.0, longitude_deg: 0.0 };
        let animal = Animal { breathing: Breathing::Ram, length_m: None };
        let config = Config::new(logger, place, animal, Detector::DEFAULT, Release::DEFAULT)?;
        Ok(Recovery { bins, filled, ..Recovery::new(&config) })
    }

    /// Bins of any height, some of them missing.
    fn bins(seed: u32) -> [[i16; SIGNALS]; BINS] {
        let mut state = seed;
        let mut next = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 16) as i16
        };
        [(); BINS].map(|()| {
            if next() > 20_000 {
                [MISSING; SIGNALS]
            } else {
                [(); SIGNALS].map(|()| next().clamp(-32_000, 32_000))
            }
        })
    }

    #[test]
    fn pairs_are_joined_and_the_upper_half_is_cleared() -> Result<(), ConfigError> {
        for seed in 1..100 {
            let before = bins(seed);
            let mut r = holding(before, BINS as u8)?;
            r.join();
            assert_eq!((usize::from(r.filled), r.bin_min), (BINS / 2, 60));
            let mut want = Vec::new();
            for pair in before.as_chunks::<2>().0 {
                let there = pair.iter().filter(|bin| **bin != [MISSING; SIGNALS]);
                let n = there.clone().count() as f64;
                let mut sums = [0.0_f64; SIGNALS];
                for bin in there {
                    for (sum, y) in sums.iter_mut().zip(bin) {
                        *sum += f64::from(*y);
                    }
                }
                let missing = f64::from(MISSING);
                want.push(sums.map(|sum| if n > 0.0 { (sum / n).floor() } else { missing }));
            }
            want.resize(BINS, [f64::from(MISSING); SIGNALS]);
            assert_eq!(r.bins.map(|bin| bin.map(f64::from)).to_vec(), want, "seed {seed}");
        }
        Ok(())
    }

    #[test]
    fn a_fit_starts_from_the_means_of_the_bins_that_are_there() -> Result<(), ConfigError> {
        for seed in 1..100 {
            let all = bins(seed);
            let mut r = holding(all, 63)?;
            r.start_fit();
            assert_eq!(r.step(0), None);
            let (mut n, mut sums) = (0.0_f32, [0.0_f32; SIGNALS]);
            for bin in all.iter().take(63).filter(|bin| **bin != [MISSING; SIGNALS]) {
                n += 1.0;
                // One bin after the other, as floats: the sums are exact either way.
                for (sum, y) in sums.iter_mut().zip(bin) {
                    *sum += f32::from(*y) / LOG_SCALE;
                }
            }
            let got = r.fit.map(|fit| (fit.fixed.n, fit.fixed.mean));
            assert_eq!(got, Some((n, sums.map(|sum| sum / n))), "seed {seed}");
        }
        Ok(())
    }
}
