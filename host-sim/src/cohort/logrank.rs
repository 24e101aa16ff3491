//! Do groups differ in their time to an event?

use nalgebra::{DMatrix, DVector};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::survival::Watched;

/// Shuffles of the groups behind the permutation test.
const SHUFFLES: u32 = 9_999;
/// The shuffles are the same for the same data.
const SEED: u64 = 1966;

/// The log-rank test of two or more groups (Mantel 1966, Cancer Chemotherapy
/// Reports 50:163; Peto & Peto 1972, J. Royal Stat. Soc. A 135:185).
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LogRank {
    /// The statistic: chi-squared where the groups are alike and not small.
    pub statistic: f64,
    /// Its degrees of freedom.
    pub df: u64,
    /// P value by the chi-squared distribution.
    pub p: f64,
    /// P value by shuffling the groups: holds for small numbers too.
    pub p_permutation: f64,
    /// Events seen in each group.
    pub seen: Vec<u64>,
    /// Events expected in each group, were they alike.
    pub expected: Vec<f64>,
}

/// Tests `watched`, each in the group of the same place in `groups` (0 to `count` - 1).
/// `None` where there is nothing to compare: fewer than two groups, or no events.
pub fn log_rank(watched: &[Watched], groups: &[usize], count: usize) -> Option<LogRank> {
    if count < 2 {
        return None;
    }
    let times = Times::new(watched);
    let (statistic, seen, expected) = times.statistic(groups, count)?;
    let df = count as u64 - 1;
    let chi = ChiSquared::new(df as f64).ok()?;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut shuffled = groups.to_vec();
    let mut as_far = 1u32; // the groups as they are
    for _ in 0..SHUFFLES {
        shuffled.shuffle(&mut rng);
        let other = times.statistic(&shuffled, count).map_or(0.0, |(s, ..)| s);
        as_far += u32::from(other >= statistic - 1e-9);
    }
    Some(LogRank {
        statistic,
        df,
        p: chi.sf(statistic),
        p_permutation: f64::from(as_far) / f64::from(SHUFFLES + 1),
        seen,
        expected,
    })
}

/// Everyone in the order of time, latest first, so that those at risk only grow.
struct Times<'a> {
    watched: &'a [Watched],
    order: Vec<usize>,
}

impl<'a> Times<'a> {
    fn new(watched: &'a [Watched]) -> Self {
        let mut order: Vec<usize> = (0..watched.len()).collect();
        order.sort_by(|&a, &b| watched[b].time.total_cmp(&watched[a].time));
        Times { watched, order }
    }

    fn statistic(&self, groups: &[usize], count: usize) -> Option<(f64, Vec<u64>, Vec<f64>)> {
        let mut at_risk = vec![0.0; count];
        let mut seen = vec![0u64; count];
        let mut expected = vec![0.0; count];
        // The last group follows from the others.
        let mut variance = DMatrix::<f64>::zeros(count - 1, count - 1);
        for same in self.order.chunk_by(|&a, &b| self.watched[a].time == self.watched[b].time) {
            let mut events = 0.0;
            for &i in same {
                at_risk[groups[i]] += 1.0;
                if self.watched[i].event {
                    seen[groups[i]] += 1;
                    events += 1.0;
                }
            }
            if events == 0.0 {
                continue;
            }
            let n: f64 = at_risk.iter().sum();
            for g in 0..count {
                expected[g] += events * at_risk[g] / n;
            }
            if n > 1.0 {
                let spread = events * (n - events) / (n * n * (n - 1.0));
                for g in 0..count - 1 {
                    for h in 0..count - 1 {
                        let own = if g == h { n } else { 0.0 };
                        variance[(g, h)] += spread * at_risk[g] * (own - at_risk[h]);
                    }
                }
            }
        }
        let z = DVector::from_fn(count - 1, |g, _| seen[g] as f64 - expected[g]);
        let solved = variance.svd(true, true).solve(&z, 1e-10).ok()?;
        let statistic = z.dot(&solved);
        let any = seen.iter().sum::<u64>() > 0 && statistic.is_finite();
        any.then_some((statistic, seen, expected))
    }
}
