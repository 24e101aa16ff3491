//! The discharge curve: charge left and voltage over time, with the spread of the draws.

use rayon::prelude::*;

use super::Settings;
use crate::energy::outlook::draw;
use crate::energy::run::{Leg, run_legs};
use crate::energy::walk::{Walk, pulses};
use crate::energy::{Battery, Percentiles, Plan, Rules};
use crate::tag_file::{PhaseKind, TagFile};

const DAY_S: f64 = 86_400.0;
/// Moments of the curve in each stretch of a phase.
const STEPS: usize = 60;
/// Most draws that curves are followed for; ends are told of all.
const MOST_CURVES: usize = 1000;

/// The battery at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// Part of the charge left at the temperature of the phase, 0 to 1.
    pub left: f64,
    /// Voltage under the steady load, V.
    pub steady_v: f64,
    /// Lowest voltage under any pulse of the phase, were it to come now, V; that of the
    /// steady load where there is none.
    pub lowest_v: f64,
}

/// A stretch of a phase, figures as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// Name of the phase.
    pub phase: String,
    /// Where the tag is.
    pub kind: PhaseKind,
    /// Start and end, days since the animal was let go.
    pub days: [f64; 2],
    /// Temperature of the battery, deg C.
    pub temp_c: f64,
    /// The battery at start and end.
    pub ends: [Moment; 2],
    /// The pulse that pulls the voltage furthest down at the end.
    pub pulse: Option<String>,
}

/// The spread of the draws at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Part of the charge left, of the draws whose tag still runs.
    pub left: Percentiles,
    /// Lowest voltage, V, of the same.
    pub lowest_v: Percentiles,
}

/// Charge and voltage over time.
#[derive(Clone, Debug)]
pub struct Discharge {
    /// Moments, days since the animal was let go, in order.
    pub days: Vec<f64>,
    /// Figures as written; `None` where the tag does not run.
    pub as_written: Vec<Option<Moment>>,
    /// Of the draws; `None` where too few run to tell.
    pub spread: Vec<Option<Spread>>,
    /// Part of the draws whose tag runs, 0 to 1.
    pub running: Vec<f64>,
    /// Draws that `spread` and `running` are of.
    pub draws: usize,
    /// Stretches, figures as written.
    pub stretches: Vec<Stretch>,
    /// Days at which tags of the draws gave way for good.
    pub end_days: Percentiles,
    /// Voltage below which the tag resets, V, as written.
    pub brownout_v: f64,
    /// Voltage under steady load at which the battery counts as empty, V, as written.
    pub cutoff_v: f64,
}

fn moment(battery: &Battery, plan: &Plan, leg: &Leg<'_>, spent: f64) -> (Moment, Option<String>) {
    let (phase, temp_c) = (leg.phase, leg.phase.temp_c);
    let left = battery.left(spent, temp_c).max(0.0);
    let base_ma = phase.on_ma.max(phase.off_ma);
    let steady_v = battery.pulse_v(left, temp_c, base_ma, &[], f64::INFINITY);
    let mut lowest = (steady_v, None);
    for p in pulses(phase, plan.coincide, u64::MAX, true) {
        let volts = battery.pulse_v(left, temp_c, base_ma + p.others_ma, &p.steps, p.period_s);
        if volts < lowest.0 {
            lowest = (volts, Some(p.name.to_owned()));
        }
    }
    (Moment { left, steady_v, lowest_v: lowest.0 }, lowest.1)
}

/// The battery at `days`, in order; `None` where no stretch is gone through.
fn follow(battery: &Battery, plan: &Plan, legs: &[Leg<'_>], days: &[f64]) -> Vec<Option<Moment>> {
    let mut all = vec![None; days.len()];
    for leg in legs {
        let mut walk = Walk::new(battery, leg.phase, plan.coincide, None);
        let (mut state, mut at_s) = (leg.before.clone(), 0.0);
        for (day, place) in days.iter().zip(&mut all) {
            let to_s = day * DAY_S - leg.start_s;
            // A moment that is the end of one stretch and the start of the next is the end.
            if to_s < -1e-6 || to_s > leg.passed_s + 1e-6 || place.is_some() {
                continue;
            }
            let to_s = to_s.clamp(at_s, leg.passed_s.max(at_s));
            walk.run_on(&mut state, at_s, to_s);
            at_s = to_s;
            *place = Some(moment(battery, plan, leg, state.spent).0);
        }
    }
    all
}

fn stretch(battery: &Battery, plan: &Plan, leg: &Leg<'_>) -> Stretch {
    let mut end = leg.before.clone();
    Walk::new(battery, leg.phase, plan.coincide, None).run(&mut end, leg.passed_s);
    let (first, _) = moment(battery, plan, leg, leg.before.spent);
    let (last, pulse) = moment(battery, plan, leg, end.spent);
    Stretch {
        phase: leg.phase.name.clone(),
        kind: leg.phase.kind,
        days: [leg.start_s / DAY_S, (leg.start_s + leg.passed_s) / DAY_S],
        temp_c: leg.phase.temp_c,
        ends: [first, last],
        pulse,
    }
}

/// Days at which the tag gave way for good, or was last looked at.
fn end_day(legs: &[Leg<'_>]) -> f64 {
    legs.last().map_or(0.0, |leg| (leg.start_s + leg.passed_s) / DAY_S)
}

/// The curve of a tag, on the threads of the rayon pool it is called in. Draws are those
/// that [`super::budget`] makes with the same settings.
pub fn discharge(tag: &TagFile, settings: &Settings) -> Discharge {
    let bounded = Rules { bounded: true };
    let (battery, plan) = (Battery::new(tag), Plan::new(tag, None));
    let (_, legs) = run_legs(&battery, &plan, bounded);
    let stretches: Vec<Stretch> = legs.iter().map(|leg| stretch(&battery, &plan, leg)).collect();

    let values: Vec<f64> = tag.clone().figures_mut().iter().map(|f| f.value).collect();
    let drawn = |n: usize| {
        let mut tag = tag.clone();
        draw(&mut tag, &values, settings.seed, n as u64);
        (Battery::new(&tag), Plan::new(&tag, None))
    };
    let draws = settings.draws.max(1);
    let ends: Vec<f64> = (0..draws)
        .into_par_iter()
        .map(|n| {
            let (battery, plan) = drawn(n);
            end_day(&run_legs(&battery, &plan, bounded).1)
        })
        .collect();
    let end_days = Percentiles::of(ends.clone());

    // As fine in a short stretch as in a long one, and on to the last of the draws.
    let latest = ends.iter().copied().fold(end_day(&legs), f64::max);
    let mut spans: Vec<[f64; 2]> = stretches.iter().map(|s| s.days).collect();
    spans.push([end_day(&legs), latest]);
    let mut days: Vec<f64> = spans
        .iter()
        .filter(|[from, to]| to > from)
        .flat_map(|[from, to]| {
            // The first just after the end of the stretch before.
            (0..=STEPS).map(move |n| from + (to - from) * (n as f64 / STEPS as f64).max(1e-4))
        })
        .collect();
    days.sort_by(f64::total_cmp);
    days.dedup();

    let draws = draws.min(MOST_CURVES);
    let courses: Vec<Vec<Option<Moment>>> = (0..draws)
        .into_par_iter()
        .map(|n| {
            let (battery, plan) = drawn(n);
            follow(&battery, &plan, &run_legs(&battery, &plan, bounded).1, &days)
        })
        .collect();
    let at = |n: usize| courses.iter().filter_map(move |c| c.get(n).copied().flatten());
    let spread = |n: usize| {
        let of = |value: fn(&Moment) -> f64| Percentiles::of(at(n).map(|m| value(&m)).collect());
        // Of a few the ends of a range say little.
        (at(n).count() * 20 >= draws)
            .then(|| Spread { left: of(|m| m.left), lowest_v: of(|m| m.lowest_v) })
    };
    Discharge {
        as_written: follow(&battery, &plan, &legs, &days),
        spread: (0..days.len()).map(spread).collect(),
        running: (0..days.len()).map(|n| at(n).count() as f64 / draws as f64).collect(),
        draws,
        days,
        stretches,
        end_days,
        brownout_v: battery.brownout_v,
        cutoff_v: battery.cutoff_v,
    }
}
