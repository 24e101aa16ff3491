//! Beats, and other events, found against true ones, one to one.

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

/// A true event that may last: from and to, s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueSpan {
    /// Start, s.
    pub from_s: f64,
    /// End, s; that of a moment is its start.
    pub to_s: f64,
}

/// As many pairs of a true event (first index) and one found (second index) as there can be, each
/// found at most `within_s` before the start or after the end of its true one. `found_s` is in
/// order. In the order of what was found; each goes to the true event that ends first.
pub fn match_spans(truth: &[TrueSpan], found_s: &[f64], within_s: f64) -> Vec<(usize, usize)> {
    let mut by_end: Vec<usize> = (0..truth.len()).collect();
    by_end.sort_by(|&a, &b| truth[a].to_s.total_cmp(&truth[b].to_s));
    let longest_s = truth.iter().map(|t| t.to_s - t.from_s).fold(0.0, f64::max);
    let mut pairs = Vec::new();
    let mut taken = vec![false; truth.len()];
    let mut first = 0;
    for (j, &t) in found_s.iter().enumerate() {
        while first < by_end.len() && truth[by_end[first]].to_s + within_s < t {
            first += 1;
        }
        let open = by_end[first..]
            .iter()
            .take_while(|&&i| truth[i].to_s - longest_s - within_s <= t)
            .find(|&&i| !taken[i] && truth[i].from_s - within_s <= t);
        if let Some(&i) = open {
            taken[i] = true;
            pairs.push((i, j));
        }
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_matched_as_often_as_they_can_be() {
        let span = |from_s: f64, to_s: f64| TrueSpan { from_s, to_s };
        let pairs = |truth: &[TrueSpan], found: &[f64]| match_spans(truth, found, 2.0);
        let moments = [span(10.0, 10.0), span(20.0, 20.0)];
        assert_eq!(pairs(&moments, &[8.0, 22.0]), [(0, 0), (1, 1)]);
        assert_eq!(pairs(&moments, &[7.9, 15.0, 22.1]), []);
        // One found serves one true event, and the other way round.
        assert_eq!(pairs(&moments, &[9.0, 10.0, 11.0]), [(0, 0)]);
        assert_eq!(pairs(&[span(10.0, 10.0), span(11.0, 11.0)], &[10.5]), [(0, 0)]);
        // The nearest to 12 is the one at 12, but then 13.5 would be left over.
        let close = [span(11.0, 11.0), span(12.0, 12.0)];
        assert_eq!(pairs(&close, &[12.0, 13.5]), [(0, 0), (1, 1)]);
        // Anywhere within one that lasts; a short one within a long one ends first.
        assert_eq!(pairs(&[span(0.0, 60.0)], &[62.0]), [(0, 0)]);
        assert_eq!(pairs(&[span(0.0, 60.0), span(30.0, 31.0)], &[30.0, 55.0]), [(1, 0), (0, 1)]);
        assert_eq!(pairs(&[span(0.0, 60.0), span(70.0, 71.0)], &[1.0]), [(0, 0)]);
    }

    #[test]
    fn spans_are_matched_as_an_exhaustive_search_does() {
        // All sets of up to four true events and four found ones on a coarse grid.
        let mut seed = 1_u32;
        let mut draw = |n: u32| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from((seed >> 16) % n)
        };
        for _ in 0..2000 {
            let truth: Vec<TrueSpan> = (0..4)
                .map(|_| {
                    let from_s = draw(12);
                    TrueSpan { from_s, to_s: from_s + draw(4) }
                })
                .collect();
            let mut found: Vec<f64> = (0..4).map(|_| draw(14)).collect();
            found.sort_by(f64::total_cmp);
            fn most(truth: &[TrueSpan], found: &[f64], used: u32) -> usize {
                let Some((t, rest)) = found.split_first() else { return 0 };
                let with = truth.iter().enumerate().filter(|(i, s)| {
                    used & (1 << i) == 0 && s.from_s - 1.0 <= *t && *t <= s.to_s + 1.0
                });
                let with = with.map(|(i, _)| 1 + most(truth, rest, used | 1 << i)).max();
                with.unwrap_or(0).max(most(truth, rest, used))
            }
            assert_eq!(match_spans(&truth, &found, 1.0).len(), most(&truth, &found, 0));
        }
    }

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
