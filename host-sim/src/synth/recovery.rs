//! Recovery after release, and the swing of day and night.
//!
//! Beat rate, beat amplitude and restlessness start off the animal's own settled
//! level and go there on one logistic in time after release (the form of Whitney et
//! al. 2016, Fisheries Research 183:210). The truth event `recovered` is the time at
//! which the logistic has gone 80 % of the way from the first to the settled level.

use super::draws::Draws;

/// Part of the way that counts as recovered.
pub(crate) const RECOVERED_PART: f64 = 0.8;

/// One animal's recovery.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Recovery {
    midpoint_s: f64,
    width_s: f64,
    /// First levels as parts of the settled: beat rate, beat amplitude, restlessness.
    pub(crate) first: [f64; 3],
}

impl Recovery {
    /// A recovery period drawn from 10.54 +/- 3.78 h within 5.1 to 19.5 h.
    pub(crate) fn draw(d: &mut Draws) -> Self {
        let recovered_h = d.normal_between(10.54, 3.78, 5.1, 19.5);
        let width = d.between(0.1, 0.22) * recovered_h;
        let fast = d.chance(0.6);
        let first = if fast {
            [d.between(1.18, 1.45), d.between(0.95, 1.3), d.between(1.4, 2.2)]
        } else {
            [d.between(0.65, 0.84), d.between(0.75, 1.05), d.between(1.4, 2.2)]
        };
        Self::new(recovered_h * 3600.0, width * 3600.0, first)
    }

    /// 80 % of the way at `recovered_s`, with this logistic width.
    pub(crate) fn new(recovered_s: f64, width_s: f64, first: [f64; 3]) -> Self {
        let mut r = Self { midpoint_s: 0.0, width_s, first };
        let (mut lo, mut hi) = (-20.0 * width_s, recovered_s);
        for _ in 0..200 {
            r.midpoint_s = 0.5 * (lo + hi);
            if r.progress(recovered_s) > RECOVERED_PART {
                lo = r.midpoint_s;
            } else {
                hi = r.midpoint_s;
            }
        }
        r
    }

    /// Part of the way gone at `t_s` after release: 0 at release, 1 in the end.
    pub(crate) fn progress(&self, t_s: f64) -> f64 {
        let logistic = |t: f64| 1.0 / (1.0 + (-(t - self.midpoint_s) / self.width_s).exp());
        let start = logistic(0.0);
        (logistic(t_s) - start) / (1.0 - start)
    }

    /// When 80 % of the way is gone, s after release.
    pub(crate) fn recovered_s(&self) -> f64 {
        let start = 1.0 / (1.0 + (self.midpoint_s / self.width_s).exp());
        let level = start + RECOVERED_PART * (1.0 - start);
        self.midpoint_s + self.width_s * (level / (1.0 - level)).ln()
    }

    /// The three levels at `t_s`, as parts of the settled.
    pub(crate) fn levels(&self, t_s: f64) -> [f64; 3] {
        let p = self.progress(t_s);
        self.first.map(|f| f + (1.0 - f) * p)
    }
}

/// The daily swing of beat rate and amplitude.
#[derive(Clone, Copy, Debug)]
pub(crate) struct DaySwing {
    /// Half of the swing from trough to peak, as a part of the settled level.
    pub(crate) half: f64,
    /// Hour of local solar time at the peak.
    pub(crate) peak_h: f64,
    /// Local solar time at the start of the file, h.
    pub(crate) start_h: f64,
}

impl DaySwing {
    pub(crate) fn factor(&self, t_s: f64) -> f64 {
        let turn = (self.start_h + t_s / 3600.0 - self.peak_h) / 24.0;
        1.0 + self.half * (std::f64::consts::TAU * turn).cos()
    }

    /// Darkness, 0 at solar noon to 1 at midnight.
    pub(crate) fn darkness(&self, t_s: f64) -> f64 {
        0.5 + 0.5 * (std::f64::consts::TAU * (self.start_h + t_s / 3600.0) / 24.0).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::super::draws::{Draws, Part};
    use super::*;

    #[test]
    fn eighty_percent_where_it_says() {
        let mut d = Draws::new("recovery", 7, Part::Plan);
        for _ in 0..200 {
            let r = Recovery::draw(&mut d);
            let t = r.recovered_s();
            assert!((5.1 * 3600.0 - 1.0..=19.5 * 3600.0 + 1.0).contains(&t), "{t}");
            assert!((r.progress(t) - 0.8).abs() < 1e-9);
            assert!(r.progress(0.0).abs() < 1e-12 && (r.progress(1e7) - 1.0).abs() < 1e-9);
        }
    }

    /// Mean and spread of the drawn periods against Whitney et al. 2016, Fisheries
    /// Research 183:210 (10.54 +/- 3.78 h, 5.1 to 19.5 h; cutting the tails off
    /// a normal law moves both a little).
    #[test]
    fn periods_follow_the_published_range() {
        let mut d = Draws::new("recovery", 8, Part::Plan);
        let h: Vec<f64> =
            (0..4000).map(|_| Recovery::draw(&mut d).recovered_s() / 3600.0).collect();
        let mean = h.iter().sum::<f64>() / h.len() as f64;
        let sd = (h.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / h.len() as f64).sqrt();
        assert!((mean - 10.54).abs() < 0.8 && (2.4..3.9).contains(&sd), "{mean} {sd}");
    }
}
