//! How sure the answer is: figures drawn at random within their uncertainty, each
//! draw run through the model.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use serde::Serialize;

use super::cell::Battery;
use super::plan::{Choice, Plan};
use super::run::{Limit, Outcome, Rules, run};
use crate::tag_file::TagFile;

const DAY_S: f64 = 86_400.0;

/// Median and 5th to 95th percentile.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Percentiles {
    /// 5th percentile.
    pub p05: f64,
    /// Median.
    pub median: f64,
    /// 95th percentile.
    pub p95: f64,
}

impl Percentiles {
    /// Of `values`, by linear interpolation between the sorted ones.
    pub fn of(mut values: Vec<f64>) -> Self {
        values.sort_by(f64::total_cmp);
        let at = |q: f64| {
            let place = q * values.len().saturating_sub(1) as f64;
            let low = values.get(place as usize).copied().unwrap_or(f64::NAN);
            let high = values.get(place.ceil() as usize).copied().unwrap_or(low);
            low + (high - low) * place.fract()
        };
        Percentiles { p05: at(0.05), median: at(0.5), p95: at(0.95) }
    }
}

/// What to expect of a tag.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outlook {
    /// Days on the animal, until the tag decides to let go or gives way.
    pub animal_days: Percentiles,
    /// The same if only the battery set an end: no ceiling, no memory.
    pub cell_days: Percentiles,
    /// Days with beacons after surfacing.
    pub beacon_days: Percentiles,
    /// Part of the draws in which the tag gave way before it had let go, the firing
    /// included.
    pub brownout_chance: f64,
    /// Part of the draws with fewer beacon days than wanted.
    pub short_search_chance: f64,
    /// What most often ended the time on the animal.
    pub limited_by: Limit,
    /// Draws made.
    pub draws: usize,
}

/// Runs the tag with its figures as written.
pub fn as_written(tag: &TagFile, choice: Option<&Choice>, rules: Rules) -> Outcome {
    run(&Battery::new(tag), &Plan::new(tag, choice), rules)
}

/// The figures of one draw put into `tag`, from the `values` as written. Draws of
/// one seed and number are the same whatever else is drawn.
pub fn draw(tag: &mut TagFile, values: &[f64], seed: u64, number: u64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    for (figure, &value) in tag.figures_mut().into_iter().zip(values) {
        // Three standard deviations at most: figures stay what they can be.
        let z: f64 = StandardNormal.sample(&mut rng);
        figure.value = value;
        if !figure.spread.is_none() {
            figure.shift(z.clamp(-3.0, 3.0));
        }
    }
}

/// What to expect of `tag`, from `draws` draws (1 at least) with `seed`. `choice`
/// replaces what the file says of sampling on the animal. Runs on the threads of the
/// rayon pool it is called in; the result does not depend on their number.
pub fn outlook(tag: &TagFile, choice: Option<&Choice>, draws: usize, seed: u64) -> Outlook {
    let values: Vec<f64> = tag.clone().figures_mut().iter().map(|f| f.value).collect();
    let wanted_s = tag.search_wanted_h() * 3600.0;
    let results: Vec<(Outcome, f64)> = (0..draws.max(1))
        .into_par_iter()
        .map_init(
            || tag.clone(),
            |tag, n| {
                draw(tag, &values, seed, n as u64);
                let (battery, plan) = (Battery::new(tag), Plan::new(tag, choice));
                let free = run(&battery, &plan, Rules { bounded: false });
                (run(&battery, &plan, Rules { bounded: true }), free.animal_s)
            },
        )
        .collect();
    let days = |of: &dyn Fn(&(Outcome, f64)) -> f64| {
        Percentiles::of(results.iter().map(|r| of(r) / DAY_S).collect())
    };
    let part = |of: &dyn Fn(&Outcome) -> bool| {
        results.iter().filter(|r| of(&r.0)).count() as f64 / results.len() as f64
    };
    let limits = [
        Limit::Ceiling,
        Limit::Memory,
        Limit::Reserve,
        Limit::BrownOut,
        Limit::CutOff,
        Limit::Empty,
        Limit::Horizon,
    ];
    let limited_by = limits
        .into_iter()
        .max_by_key(|l| results.iter().filter(|r| r.0.animal_limit == *l).count())
        .unwrap_or(Limit::Ceiling);
    Outlook {
        animal_days: days(&|r| r.0.animal_s),
        cell_days: days(&|r| r.1),
        beacon_days: days(&|r| r.0.search_s),
        brownout_chance: part(&Outcome::failed_on_animal),
        short_search_chance: part(&|o| o.search_s < wanted_s),
        limited_by,
        draws: results.len(),
    }
}
