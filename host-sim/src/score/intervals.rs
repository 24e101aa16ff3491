//! Numbers with their 95 % intervals.
//!
//! Proportions: Wilson's score interval (Wilson 1927, J. Am. Stat. Assoc. 22:209), which
//! still says something where nothing happened: 0 of 2000 is at most 0.19 %.
//! Everything else: percentile bootstrap over traces (Efron 1979, Ann. Stat. 7:1),
//! seeded, so that the same records give the same interval. Traces are what is drawn,
//! never beats or minutes: those of one animal are alike.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::statistics::{Data, OrderStatistics};

/// Draws of the bootstrap.
const DRAWS: usize = 1000;
const SEED: u64 = 0x5C0_7E5;
/// Probability of an interval.
pub const COVERAGE: f64 = 0.95;

/// A number, what it rests on, and its interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Estimate {
    /// Cases it rests on: traces.
    pub n: u64,
    /// Cases of the kind counted, for a proportion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<u64>,
    /// The number; `None` without a case.
    pub value: Option<f64>,
    /// Lower end of the 95 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
}

impl Estimate {
    /// The part of `n` that `count` is, with Wilson's interval. `count` at most `n`.
    pub fn proportion(count: u64, n: u64) -> Self {
        let interval = wilson(count, n);
        Estimate {
            n,
            count: Some(count),
            value: (n > 0).then(|| count as f64 / n as f64),
            low: interval.map(|i| i.0),
            high: interval.map(|i| i.1),
        }
    }

    /// Of those cases that can be told, the part that is so.
    pub fn part(cases: impl IntoIterator<Item = Option<bool>>) -> Self {
        let (mut n, mut count) = (0, 0);
        for case in cases.into_iter().flatten() {
            n += 1;
            count += u64::from(case);
        }
        Self::proportion(count, n)
    }

    /// A quantile of one value a trace, `part` from 0 to 1.
    pub fn quantile(values: impl IntoIterator<Item = Option<f64>>, part: f64) -> Self {
        let values: Vec<f64> = values.into_iter().flatten().collect();
        let of = |drawn: Vec<f64>| Some(Data::new(drawn).quantile(part));
        Self::bootstrapped(&values, |values| of(values.to_vec()))
    }

    /// A number worked out of all traces together, `None` where it cannot be.
    pub fn pooled<T: Copy>(
        cases: impl IntoIterator<Item = Option<T>>,
        number: impl Fn(&[T]) -> Option<f64>,
    ) -> Self {
        let cases: Vec<T> = cases.into_iter().flatten().collect();
        Self::bootstrapped(&cases, number)
    }

    fn bootstrapped<T: Copy>(cases: &[T], number: impl Fn(&[T]) -> Option<f64>) -> Self {
        let n = cases.len() as u64;
        let value = if cases.is_empty() { None } else { number(cases) };
        let (mut low, mut high) = (None, None);
        // One case says nothing of how far another would lie from it.
        if cases.len() > 1 && value.is_some() {
            let mut rng = ChaCha8Rng::seed_from_u64(SEED);
            let mut drawn = cases.to_vec();
            let mut numbers = Vec::with_capacity(DRAWS);
            for _ in 0..DRAWS {
                for slot in &mut drawn {
                    *slot = cases[rng.random_range(0..cases.len())];
                }
                numbers.extend(number(&drawn));
            }
            let mut numbers = Data::new(numbers);
            low = Some(numbers.quantile(0.5 * (1.0 - COVERAGE))).filter(|x| x.is_finite());
            high = Some(numbers.quantile(0.5 * (1.0 + COVERAGE))).filter(|x| x.is_finite());
        }
        Estimate { n, count: None, value, low, high }
    }
}

/// Wilson's score interval of `count` in `n`.
pub fn wilson(count: u64, n: u64) -> Option<(f64, f64)> {
    if n == 0 {
        return None;
    }
    let z = Normal::standard().inverse_cdf(0.5 * (1.0 + COVERAGE));
    let (count, n, z2) = (count as f64, n as f64, z * z);
    let middle = (count + 0.5 * z2) / (n + z2);
    let half = z / (n + z2) * (count * (n - count) / n + 0.25 * z2).sqrt();
    let low = if count == 0.0 { 0.0 } else { middle - half };
    let high = if count == n { 1.0 } else { middle + half };
    Some((low, high))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Newcombe 1998, Statistics in Medicine 17:857, table I (memory), to its four digits.
    #[test]
    fn wilson_gives_the_published_intervals() {
        for (count, n, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let e = Estimate::proportion(count, n);
            assert!((e.low.unwrap() - low).abs() < 5.1e-5, "{count}/{n}: {e:?}");
            assert!((e.high.unwrap() - high).abs() < 5.1e-5, "{count}/{n}: {e:?}");
        }
        let all = Estimate::proportion(20, 20);
        assert!((all.low.unwrap() - (1.0 - 0.1611)).abs() < 5.1e-5 && all.high == Some(1.0));
    }

    #[test]
    fn zero_of_two_thousand_is_at_most_a_fifth_of_a_percent() {
        let e = Estimate::proportion(0, 2000);
        assert!(e.high.unwrap() < 0.002 && e.high.unwrap() > 0.0015, "{e:?}");
        assert!(Estimate::proportion(0, 1900).high.unwrap() > 0.002);
    }

    #[test]
    fn without_cases_nothing_is_said() {
        let nothing = Estimate { n: 0, count: None, value: None, low: None, high: None };
        assert_eq!(Estimate::quantile([None, None], 0.5), nothing);
        assert_eq!(Estimate::part([None]), Estimate { count: Some(0), ..nothing });
        let one = Estimate::quantile([Some(3.0)], 0.5);
        assert_eq!((one.n, one.value, one.low), (1, Some(3.0), None));
    }

    /// The interval of a median by order statistics: ranks from the binomial
    /// distribution (common practice; Conover, Practical Nonparametric Statistics,
    /// memory): of 101 ordered values, the 41st and the 61st.
    #[test]
    fn bootstrap_agrees_with_order_statistics() {
        let values = (0..101).map(|i| Some(f64::from(i)));
        let e = Estimate::quantile(values, 0.5);
        assert_eq!(e.value, Some(50.0));
        assert!((e.low.unwrap() - 40.0).abs() <= 1.5, "{e:?}");
        assert!((e.high.unwrap() - 60.0).abs() <= 1.5, "{e:?}");
    }

    /// Of a mean the standard error is sd / sqrt(n).
    #[test]
    fn bootstrap_agrees_with_the_standard_error_of_a_mean() {
        let values: Vec<f64> = (0..400).map(|i| f64::from((i * 7919) % 400)).collect();
        let mean = |v: &[f64]| Some(v.iter().sum::<f64>() / v.len() as f64);
        let e = Estimate::pooled(values.iter().map(|&v| Some(v)), mean);
        let half = 1.96 * 400.0 / 12_f64.sqrt() / 20.0;
        assert!((e.high.unwrap() - e.low.unwrap() - 2.0 * half).abs() < 0.1 * half, "{e:?} {half}");
        // The same again: it is seeded.
        assert_eq!(e, Estimate::pooled(values.iter().map(|&v| Some(v)), mean));
    }
}
