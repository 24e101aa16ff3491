//! The recovery curve drawn over beat rate and amplitude.
//!
//! A look back with the whole record in hand, not the tag's own streaming
//! estimate: half-hour medians of the logarithm of each signal are fitted by
//!
//! `ln y = a + d S(t) [+ c cos(2 pi t / 24 h) + s sin(2 pi t / 24 h)]`,
//! `S(t) = 1 / (1 + exp((t - t50) / tau))`
//!
//! (form: Whitney et al. 2016, Fisheries Research 183:210) by variable projection
//! (the `varpro` crate). The swing by day and night is fitted where the record
//! covers a day and a half. The band is the pointwise 95 % band of the curve,
//! widened for neighbouring half hours being alike (Bartlett's factor).

use std::f64::consts::TAU;

use nalgebra::DVector;
use serde::Serialize;
use varpro::model::builder::SeparableModelBuilder;
use varpro::problem::SeparableProblemBuilder;
use varpro::solvers::levmar::LevMarSolver;
use varpro::statistics::FitStatistics;

const BIN_MIN: f64 = 30.0;
/// Minutes with beats that a half hour needs.
const BIN_LEAST: usize = 6;
/// Half hours that a fit needs.
const LEAST: usize = 12;
/// Hours of record from which the swing by day and night can be told from recovery.
const SWING_H: f64 = 36.0;

/// A fitted curve, at the middles of half hours.
#[derive(Clone, Debug, Serialize)]
pub struct Curve {
    /// Times, s since the first row.
    pub t_s: Vec<f64>,
    /// The curve, unit of the signal.
    pub value: Vec<f64>,
    /// Lower edge of its 95 % band.
    pub low: Vec<f64>,
    /// Upper edge.
    pub high: Vec<f64>,
    /// When 80 % of the way from the first to the settled level is done, h.
    #[serde(skip)]
    pub recovered_h: f64,
}

/// Half-hour medians of `ln value`: times in h, and the medians. A median, since
/// minutes with glides are no slower swimming.
fn half_hours(t_s: &[f32], values: &[f32], until_s: f64) -> (Vec<f64>, Vec<f64>) {
    let mut bins = std::collections::BTreeMap::<u64, Vec<f64>>::new();
    for (&t, &v) in t_s.iter().zip(values) {
        if f64::from(t) + 60.0 <= until_s && v > 0.0 {
            let bin = (f64::from(t) / 60.0 / BIN_MIN) as u64;
            bins.entry(bin).or_default().push(f64::from(v).ln());
        }
    }
    bins.retain(|_, values| values.len() >= BIN_LEAST);
    bins.into_iter()
        .map(|(bin, mut values)| {
            let middle = values.len() / 2;
            let (_, median, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
            ((bin as f64 + 0.5) * BIN_MIN / 60.0, *median)
        })
        .unzip()
}

/// Fits a signal given by minute (`NaN` or 0: no beats) up to `until_s`; `None`
/// where no return to a settled level shows.
pub fn curve(t_s: &[f32], values: &[f32], until_s: f64) -> Option<Curve> {
    let (times, medians) = half_hours(t_s, values, until_s);
    logistic(&times, &medians)
}

fn shape(t: f64, t50: f64, tau: f64) -> f64 {
    1.0 / (1.0 + ((t - t50) / tau).exp())
}

/// Basis function S with parameters as logarithms, so that both stay positive.
fn s(x: &DVector<f64>, t50: f64, tau: f64) -> DVector<f64> {
    x.map(|t| shape(t, t50.exp(), tau.exp()))
}

fn ds_dt50(x: &DVector<f64>, t50: f64, tau: f64) -> DVector<f64> {
    x.map(|t| {
        let v = shape(t, t50.exp(), tau.exp());
        v * (1.0 - v) / tau.exp() * t50.exp()
    })
}

fn ds_dtau(x: &DVector<f64>, t50: f64, tau: f64) -> DVector<f64> {
    x.map(|t| {
        let v = shape(t, t50.exp(), tau.exp());
        v * (1.0 - v) * (t - t50.exp()) / tau.exp()
    })
}

fn logistic(times_h: &[f64], y: &[f64]) -> Option<Curve> {
    let n = times_h.len();
    if n < LEAST {
        return None;
    }
    let span = *times_h.last()?;
    let swing = span >= SWING_H;
    let x = DVector::from_row_slice(times_h);
    let mut best: Option<(f64, Curve)> = None;
    for t50 in [0.15, 0.3, 0.5].map(|part| part * span.min(30.0)) {
        let mut model = SeparableModelBuilder::<f64>::new(["t50", "tau"])
            .invariant_function(|x: &DVector<f64>| DVector::from_element(x.len(), 1.0))
            .function(["t50", "tau"], s)
            .partial_deriv("t50", ds_dt50)
            .partial_deriv("tau", ds_dtau);
        if swing {
            model = model
                .invariant_function(|x: &DVector<f64>| x.map(|t| (TAU * t / 24.0).cos()))
                .invariant_function(|x: &DVector<f64>| x.map(|t| (TAU * t / 24.0).sin()));
        }
        let model = model
            .independent_variable(x.clone())
            .initial_parameters(vec![t50.ln(), (0.3 * t50).ln()])
            .build()
            .ok()?;
        let problem = SeparableProblemBuilder::new(model)
            .observations(DVector::from_row_slice(y))
            .build()
            .ok()?;
        let Ok(fit) = LevMarSolver::default().solve(problem) else { continue };
        let (Some(fitted), Ok(stats)) = (fit.best_fit(), FitStatistics::try_from(&fit)) else {
            continue;
        };
        let parameters = fit.nonlinear_parameters();
        let (t50, tau) = (parameters[0].exp(), parameters[1].exp());
        let left: Vec<f64> = y.iter().zip(fitted.iter()).map(|(y, f)| y - f).collect();
        let rss: f64 = left.iter().map(|r| r * r).sum();
        let recovered_h = reached_h(t50, tau);
        // A curve that ends outside the record, or is a step, is no recovery seen.
        let sound = recovered_h < 0.9 * span && tau > 0.05 && t50 > 0.1;
        if !sound || !rss.is_finite() || best.as_ref().is_some_and(|(r, _)| *r <= rss) {
            continue;
        }
        let alike: f64 = left.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / rss.max(1e-12);
        let alike = alike.clamp(0.0, 0.9);
        let widen = ((1.0 + alike) / (1.0 - alike)).sqrt();
        let radius = stats.confidence_band_radius(0.95) * widen;
        let at = |sign: f64| (0..n).map(|i| (fitted[i] + sign * radius[i]).exp()).collect();
        let curve = Curve {
            t_s: times_h.iter().map(|h| h * 3600.0).collect(),
            value: at(0.0),
            low: at(-1.0),
            high: at(1.0),
            recovered_h,
        };
        best = Some((rss, curve));
    }
    let (rss, curve) = best?;
    // Against no recovery at all: three parameters more have to earn their keep.
    let plain = residual_without(times_h, y, swing);
    let information = n as f64 * (plain / rss.max(1e-12)).ln() * 0.5;
    let finite = curve.low.iter().chain(&curve.high).all(|v| v.is_finite());
    (finite && information > 2.0 * 3.0 + 4.0).then_some(curve)
}

/// Sum of squares left by the level (and the swing) alone.
fn residual_without(times_h: &[f64], y: &[f64], swing: bool) -> f64 {
    let columns = if swing { 3 } else { 1 };
    let basis = nalgebra::DMatrix::from_fn(y.len(), columns, |i, j| {
        let day = TAU * times_h[i] / 24.0;
        [1.0, day.cos(), day.sin()][j]
    });
    let y = DVector::from_row_slice(y);
    let solved = basis.clone().svd(true, true).solve(&y, 1e-12);
    solved.map_or(0.0, |c| (y - basis * c).norm_squared())
}

/// When 80 % of the way from S(0) to 0 is done, h.
fn reached_h(t50: f64, tau: f64) -> f64 {
    t50 + tau * (5.0 / shape(0.0, t50, tau) - 1.0).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The tables of `tests/reference/recovery_fit.py`: invented animals with a
    /// known recovery time, day and night swing, and unrest.
    #[test]
    fn finds_the_recovery_of_the_reference_tables() {
        let dir = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/data/");
        let read = |name: &str| {
            let text = std::fs::read_to_string(format!("{dir}{name}")).unwrap();
            let rows = text.lines().filter(|l| !l.starts_with('#')).skip(1);
            rows.map(|l| l.split(',').map(|c| c.parse::<f64>().unwrap()).collect::<Vec<_>>())
                .collect::<Vec<_>>()
        };
        let (table, truth) = (read("recovery_table.csv"), read("recovery_fit.csv"));
        let mut off = Vec::new();
        for animal in &truth {
            let rows: Vec<_> = table.iter().filter(|r| r[0] == animal[0]).collect();
            let times: Vec<f64> = rows.iter().map(|r| (r[1] + 0.5) / 6.0).collect();
            let sway: Vec<f64> = rows.iter().map(|r| r[3].ln()).collect();
            if let Some(c) = logistic(&times, &sway) {
                off.push((c.recovered_h - animal[1]).abs());
                assert!(c.low.iter().zip(&c.high).all(|(l, h)| l < h));
            }
        }
        off.sort_by(f64::total_cmp);
        assert!(off.len() >= 14, "{} of {} fitted", off.len(), truth.len());
        assert!(off[off.len() / 2] < 1.0, "{off:?}");
    }

    #[test]
    fn an_animal_that_does_not_change_gets_no_curve() {
        let minutes: Vec<f32> = (0..2880).map(|m| m as f32 * 60.0).collect();
        let flat: Vec<f32> = (0..2880).map(|m| 20.0 + ((m * 7919) % 101) as f32 / 25.0).collect();
        assert!(curve(&minutes, &flat, 1e9).is_none());
        assert!(curve(&minutes, &vec![f32::NAN; 2880], 1e9).is_none());
        assert!(curve(&[], &[], 1e9).is_none());
    }
}
