//! Beats found against beats true, one to one.

/// One true beat: time of its extreme sway and its period, s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueBeat {
    /// Time, s.
    pub t_s: f64,
    /// Period, s.
    pub period_s: f64,
}

/// Beats with the period taken from the neighbours' times.
///
/// Where a pause lies between two beats the shorter gap counts.
pub fn with_periods(times_s: &[f64]) -> Vec<TrueBeat> {
    (0..times_s.len())
        .map(|i| {
            let before = i.checked_sub(1).map(|j| times_s[i] - times_s[j]);
            let after = times_s.get(i + 1).map(|t| t - times_s[i]);
            let period_s = match (before, after) {
                (Some(a), Some(b)) => a.min(b),
                (a, b) => a.or(b).unwrap_or(1.0),
            };
            TrueBeat { t_s: times_s[i], period_s }
        })
        .collect()
}

/// How beats found stand against those true.
#[derive(Clone, Debug, Default)]
pub struct Match {
    /// Pairs: index of the true one and of the one found.
    pub pairs: Vec<(usize, usize)>,
    /// True beats.
    pub truth: usize,
    /// Beats found.
    pub found: usize,
    /// The phase offset that was removed, cycles.
    pub offset: f64,
}

impl Match {
    /// Sum of squared timing errors of the pairs, the offset removed, s2.
    pub fn timing_sum_s2(&self, truth: &[TrueBeat], found_s: &[f64]) -> f64 {
        let error_s =
            |&(i, j): &(usize, usize)| found_s[j] - truth[i].t_s - self.offset * truth[i].period_s;
        self.pairs.iter().map(|pair| error_s(pair).powi(2)).sum()
    }

    /// Harmonic mean of the part of beats found that are true, and of true beats that are found.
    pub fn f1(&self) -> f64 {
        if self.truth + self.found == 0 {
            return 1.0;
        }
        2.0 * self.pairs.len() as f64 / (self.truth + self.found) as f64
    }
}

/// Matches in order, each within a quarter of the true beat's period, after
/// moving the true beats by a constant part of their cycle.
fn at_offset(truth: &[TrueBeat], found_s: &[f64], offset: f64) -> Vec<(usize, usize)> {
    let mut pairs = Vec::new();
    let mut next = 0;
    for (i, beat) in truth.iter().enumerate() {
        let at = beat.t_s + offset * beat.period_s;
        let reach = 0.25 * beat.period_s;
        while next < found_s.len() && found_s[next] < at - reach {
            next += 1;
        }
        // The nearest within reach; the rest cannot serve an earlier beat any more.
        let mut best: Option<usize> = None;
        let mut look = next;
        while look < found_s.len() && found_s[look] <= at + reach {
            if best.is_none_or(|b| (found_s[look] - at).abs() < (found_s[b] - at).abs()) {
                best = Some(look);
            }
            look += 1;
        }
        if let Some(found) = best {
            pairs.push((i, found));
            next = found + 1;
        }
    }
    pairs
}

/// The best match over all constant phase offsets, in steps of 1/64 of a cycle; the
/// offset is then the mean of its pairs. With an unknown mounting left cannot be told
/// from right, so an offset is free.
pub fn match_beats(truth: &[TrueBeat], found_s: &[f64]) -> Match {
    let mut best = Match { truth: truth.len(), found: found_s.len(), ..Match::default() };
    let mut spread = f64::MAX;
    for step in -32..=32 {
        let offset = f64::from(step) / 64.0;
        let pairs = at_offset(truth, found_s, offset);
        let error = pairs
            .iter()
            .map(|&(i, j)| {
                let beat = truth[i];
                ((found_s[j] - beat.t_s) / beat.period_s - offset).powi(2)
            })
            .sum::<f64>();
        if pairs.len() > best.pairs.len() || (pairs.len() == best.pairs.len() && error < spread) {
            spread = error;
            best.pairs = pairs;
            best.offset = offset;
        }
    }
    let cycles = |&(i, j): &(usize, usize)| (found_s[j] - truth[i].t_s) / truth[i].period_s;
    if !best.pairs.is_empty() {
        best.offset = best.pairs.iter().map(cycles).sum::<f64>() / best.pairs.len() as f64;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(n: usize) -> Vec<f64> {
        (0..n).map(|i| i as f64).collect()
    }

    #[test]
    fn half_a_cycle_off_is_still_a_match() {
        let found: Vec<_> = even(50).iter().map(|t| t + 0.5).collect();
        let m = match_beats(&with_periods(&even(50)), &found);
        assert_eq!(m.pairs.len(), 50);
        assert!((m.offset.abs() - 0.5).abs() < 0.02);
    }

    #[test]
    fn extra_and_missing_beats_lower_the_score() {
        let mut found = even(50);
        found.remove(20);
        found.push(60.2);
        let m = match_beats(&with_periods(&even(50)), &found);
        assert_eq!((m.pairs.len(), m.found), (49, 50));
        assert!((m.f1() - 0.98).abs() < 1e-12);
    }

    #[test]
    fn twice_the_rate_matches_half() {
        let found: Vec<_> = (0..100).map(|i| 0.5 * f64::from(i)).collect();
        let m = match_beats(&with_periods(&even(50)), &found);
        assert_eq!(m.pairs.len(), 50);
        assert!((m.f1() - 2.0 / 3.0).abs() < 1e-9);
    }

    #[test]
    fn one_found_beat_serves_one_true_beat() {
        let truth = [TrueBeat { t_s: 1.0, period_s: 4.0 }, TrueBeat { t_s: 1.5, period_s: 4.0 }];
        assert_eq!(match_beats(&truth, &[1.2]).pairs.len(), 1);
    }
}
