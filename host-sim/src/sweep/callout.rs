//! Duty cycles with which a death cannot be told, said in words.

use std::collections::BTreeMap;
use std::sync::Arc;

use firmware_core::config::{Breathing, Config};
use rayon::prelude::*;
use serde::Serialize;

use super::cells::{Stage, read_at};
use super::duty::Duty;
use super::run::Sweep;
use super::tally::CellScore;
use super::trial::{self, Trial};
use crate::energy::tracker::TraceLoads;

/// Something that a table alone would not say.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Callout {
    /// `deaths_undetectable`, `false_deaths` or `deaths_missed`.
    pub kind: &'static str,
    /// The duty cycle.
    pub duty: String,
    /// Numbers of the cells, from 1.
    pub cells: Vec<usize>,
    /// In words.
    pub text: String,
}

/// The trial of one cell: that of the trace on which it comes out worst.
#[derive(Clone, Copy, Debug)]
pub struct CellTrial {
    /// What came of it.
    pub trial: Trial,
    /// The ceiling, h.
    pub ceiling_h: f64,
    /// Breathing mode.
    pub breathing: Breathing,
    /// Delay of the same tag awake all the time, h; `None`: not noticed either.
    pub awake_delay_h: Option<f64>,
}

impl CellTrial {
    /// Delay from death to decision where it falls before the ceiling, h.
    pub fn delay_h(&self) -> Option<f64> {
        match self.trial {
            Trial::Noticed { delay_h } if delay_h <= self.ceiling_h => Some(delay_h),
            _ => None,
        }
    }

    /// The later the worse; never is worst.
    fn rank(&self) -> f64 {
        match self.trial {
            Trial::Noticed { delay_h } => delay_h - self.ceiling_h,
            Trial::Early => 1e8,
            Trial::Unnoticed { .. } => 1e9,
        }
    }
}

/// Everything the outcome of a trial depends on, less what only the judges read.
type Class = (u32, u32, bool, Vec<u32>);

fn class(config: &Config) -> Class {
    let logger = config.logger();
    let ram = config.animal().breathing == Breathing::Ram;
    (logger.sample_hz.to_bits(), logger.range_g.to_bits(), ram, read_at(config, Stage::Samples))
}

/// Puts every cell to the trial, as awake as it is and awake all the time.
pub fn trials(sweep: &Sweep) -> Vec<CellTrial> {
    let cells = sweep.cells.len();
    let all = || (0..sweep.traces.len()).flat_map(|t| (0..cells).map(move |c| (t, c)));
    // Judges' settings, by duty cycle and class; with the latest ceiling.
    type Judged = BTreeMap<Vec<u32>, Config>;
    let mut wanted: BTreeMap<(Duty, Class), (Judged, f32)> = BTreeMap::new();
    for (t, c) in all() {
        let config = *sweep.config(t, c);
        for duty in [sweep.cells[c].duty, Duty::Always] {
            let (judged, ceiling_h) = wanted.entry((duty, class(&config))).or_default();
            judged.insert(read_at(&config, Stage::Minutes), config);
            *ceiling_h = ceiling_h.max(config.release().ceiling_h);
        }
    }
    let Some(tag) = sweep.tags.first() else { return Vec::new() };
    let came: BTreeMap<(Duty, Class), BTreeMap<Vec<u32>, Trial>> = wanted
        .into_par_iter()
        .map(|((duty, class), (judged, ceiling_h))| {
            let (keys, configs): (Vec<_>, Vec<_>) = judged.into_iter().unzip();
            let hz = f64::from(f32::from_bits(class.0));
            let loads = Arc::new(TraceLoads::new(tag, hz));
            let trials = trial::run(duty, &loads, &configs, f64::from(ceiling_h));
            ((duty, class), keys.into_iter().zip(trials).collect())
        })
        .collect();
    let mut worst: Vec<Option<CellTrial>> = vec![None; cells];
    for (t, c) in all() {
        let config = sweep.config(t, c);
        let of = |duty| {
            let judged = came.get(&(duty, class(config)))?;
            judged.get(&read_at(config, Stage::Minutes)).copied()
        };
        let Some(trial) = of(sweep.cells[c].duty) else { continue };
        let this = CellTrial {
            trial,
            ceiling_h: f64::from(config.release().ceiling_h),
            breathing: config.animal().breathing,
            awake_delay_h: match of(Duty::Always) {
                Some(Trial::Noticed { delay_h }) => Some(delay_h),
                _ => None,
            },
        };
        if worst[c].is_none_or(|w| this.rank() > w.rank()) {
            worst[c] = Some(this);
        }
    }
    worst.into_iter().flatten().collect()
}

/// What has to be said of the cells.
pub fn callouts(sweep: &Sweep, scores: &[CellScore], trials: &[CellTrial]) -> Vec<Callout> {
    let mut groups: BTreeMap<(usize, Duty, u64), Vec<usize>> = BTreeMap::new();
    for (c, trial) in trials.iter().enumerate() {
        let duty = sweep.cells[c].duty;
        let missed = scores[c].deaths > 0 && scores[c].deaths_told == 0;
        let kind = match trial.trial {
            Trial::Early => 1,
            _ if trial.delay_h().is_none() => 0,
            _ if duty != Duty::Always && missed => 2,
            _ => continue,
        };
        groups.entry((kind, duty, trial.ceiling_h.to_bits())).or_default().push(c);
    }
    groups
        .into_iter()
        .map(|((kind, duty, _), cells)| {
            let text = text(kind, duty, &cells, scores, trials);
            let kind = ["deaths_undetectable", "false_deaths", "deaths_missed"][kind];
            Callout { kind, duty: duty.name(), cells: cells.iter().map(|c| c + 1).collect(), text }
        })
        .collect()
}

fn text(
    kind: usize,
    duty: Duty,
    cells: &[usize],
    scores: &[CellScore],
    trials: &[CellTrial],
) -> String {
    let who = match duty {
        Duty::Always => "Awake all the time".to_owned(),
        Duty::Cycle { on_us, every_us } => {
            format!("Awake {} s of every {} s", on_us as f64 / 1e6, every_us as f64 / 1e6)
        }
    };
    let first = trials[cells[0]];
    let ceiling = format!("the ceiling of {} h", number(first.ceiling_h));
    let untried = match first.trial {
        Trial::Unnoticed { within_h, any_minute: true } if within_h < first.ceiling_h => {
            Some(number(within_h))
        }
        _ => None,
    };
    let mut said = match kind {
        0 if untried.is_some() => format!(
            "{who}, the tag does not tell a plain death in {} h; longer was not tried, and it has \
             until {ceiling}.",
            untried.clone().unwrap_or_default()
        ),
        0 => format!("{who}, the tag cannot tell a death within {ceiling}."),
        1 => format!("{who}, the tag takes a swimming animal for dead: it sees too few beats."),
        _ => format!("{who}, the tag told none of the deaths in these traces before {ceiling}."),
    };
    let why = match first.trial {
        Trial::Unnoticed { any_minute: false, .. } => Some(
            "No minute holds the 60 % of its samples that it needs to be judged by.".to_owned(),
        ),
        Trial::Unnoticed { .. } if untried.is_some() => None,
        Trial::Unnoticed { within_h, .. } => Some(format!(
            "Too few minutes can be judged by: after {} h of a trial death it still had not.",
            number(within_h)
        )),
        Trial::Noticed { delay_h } if kind == 0 => {
            Some(format!("It would need {} h.", number(delay_h)))
        }
        Trial::Noticed { delay_h } => {
            Some(format!("A plain death it would tell after {} h.", number(delay_h)))
        }
        Trial::Early => None,
    };
    let awake = match (duty, first.awake_delay_h) {
        (Duty::Cycle { .. }, Some(h)) if kind == 0 => {
            Some(format!("Awake all the time it tells a plain death after {} h.", number(h)))
        }
        _ => None,
    };
    let (mut least, mut most, mut deaths) = (u64::MAX, 0, 0);
    for &c in cells {
        (least, most) = (least.min(scores[c].deaths_told), most.max(scores[c].deaths_told));
        deaths = deaths.max(scores[c].deaths);
    }
    let seen = (deaths > 0).then(|| match (least, most) {
        (a, b) if a == b => format!("Of {deaths} in the traces it told {a}."),
        (a, b) => format!("Of {deaths} in the traces it told {a} to {b}."),
    });
    for more in [why, awake, seen].into_iter().flatten() {
        said.push(' ');
        said.push_str(&more);
    }
    said
}

/// Three figures at most.
fn number(x: f64) -> String {
    let digits = if x >= 100.0 {
        0
    } else if x >= 10.0 {
        1
    } else {
        2
    };
    let text = format!("{x:.digits$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}
