//! Intervals of a proportion.

use serde::Serialize;
use statrs::distribution::{Beta, ContinuousCDF};

use crate::score::intervals::wilson;

/// A proportion with its 95 % intervals.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Proportion {
    /// How many.
    pub count: u64,
    /// Of so many.
    pub of: u64,
    /// The proportion; `None` of none.
    pub proportion: Option<f64>,
    /// Wilson's score interval (Wilson 1927, J. Am. Stat. Assoc. 22:209).
    pub wilson: Option<(f64, f64)>,
    /// The exact interval of Clopper & Pearson (1934, Biometrika 26:404).
    pub exact: Option<(f64, f64)>,
}

impl Proportion {
    /// `count` of `of`; `count` at most `of`.
    pub fn new(count: u64, of: u64) -> Self {
        let some = of > 0;
        Proportion {
            count,
            of,
            proportion: some.then(|| count as f64 / of as f64),
            wilson: wilson(count, of),
            exact: some.then(|| exact(count, of)),
        }
    }
}

/// The exact interval: quantiles of beta distributions.
fn exact(x: u64, n: u64) -> (f64, f64) {
    let quantile = |a: f64, b: f64, p: f64| match Beta::new(a, b) {
        Ok(beta) => beta.inverse_cdf(p),
        Err(_) => f64::NAN, // both parameters are at least 1
    };
    let (x1, n1) = (x as f64, n as f64);
    let low = if x == 0 { 0.0 } else { quantile(x1, n1 - x1 + 1.0, 0.025) };
    let high = if x >= n { 1.0 } else { quantile(x1 + 1.0, n1 - x1, 0.975) };
    (low, high)
}
