//! The answer of `swaymark budget`: how long a tag lasts, what limits it, what would
//! help most, and whether a death could be told at all with the sampling chosen.

pub(crate) mod answer;
pub mod changes;
pub mod death;
pub mod discharge;
pub mod path;
mod text;

use firmware_core::config::{Breathing, Detector, Release};
use rayon::prelude::*;
use serde::Serialize;

use crate::energy::outlook::as_written;
use crate::energy::{Battery, Failure, Limit, Outcome, Outlook, Plan, Rules, outlook};
use crate::tag_file::{PhaseKind, TagFile};
use changes::{Change, Sensitivity};

pub use death::{DeathJudgement, judge_death};
pub use path::{FlashWear, PathCost};
pub use text::one;

/// Which days changes are measured by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Measure {
    /// Days on the animal: where the ceiling is not reached.
    Animal,
    /// Beacon days: where it is.
    Beacon,
    /// Days that the battery alone would carry the tag on the animal: where it is, and
    /// no search is asked for.
    Cell,
}

/// How to work a budget out.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// Draws of the uncertain figures, 1 or more.
    pub draws: usize,
    /// Seed of the draws.
    pub seed: u64,
    /// Breathing mode that deaths are judged for; `None`: both.
    pub breathing: Option<Breathing>,
    /// Detector settings that deaths are judged by.
    pub detector: Detector,
    /// Release settings that deaths are judged by.
    pub release: Release,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            draws: 500,
            seed: 1,
            breathing: None,
            detector: Detector::DEFAULT,
            release: Release::DEFAULT,
        }
    }
}

/// Charge of one part, mAh, figures as written.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartCharge {
    /// The part.
    pub part: String,
    /// Before the animal was let go.
    pub before_mah: f64,
    /// On the animal and firing.
    pub animal_mah: f64,
    /// In the search, until the tag gave way.
    pub search_mah: f64,
}

/// The course with the figures as written.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Course {
    /// Days on the animal.
    pub animal_days: f64,
    /// What ended them.
    pub animal_limit: Limit,
    /// Days on the animal if the battery alone set an end.
    pub cell_days: f64,
    /// What ended those.
    pub cell_limit: Limit,
    /// Beacon days.
    pub beacon_days: f64,
    /// What ended them.
    pub beacon_limit: Limit,
    /// Part of the charge left when the tag decides to let go.
    pub left_fraction: f64,
    /// Lowest voltage while firing, V; `None` where the tag had stopped before.
    pub firing_v: Option<f64>,
    /// The release fired.
    pub fired: bool,
    /// The tag came off by its passive link.
    pub by_passive_link: bool,
    /// Bytes recorded on the animal.
    pub record_bytes: f64,
    /// Least reserve that would give the beacon days wanted; `None`: not even all of it.
    pub reserve_needed_fraction: Option<f64>,
}

/// A judgement for one phase and breathing mode.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PhaseDeath {
    /// The phase.
    pub phase: String,
    /// `ram` or `buccal`.
    pub breathing: &'static str,
    /// The judgement; the ceiling counts from the start of the phase.
    #[serde(flatten)]
    pub judgement: DeathJudgement,
}

/// Everything `swaymark budget` tells.
#[derive(Clone, Debug, Serialize)]
pub struct Budget {
    /// Version of this layout.
    pub schema: u32,
    /// The tag file.
    pub tag: String,
    /// Name of the tag.
    pub id: String,
    /// Its figures are made up.
    pub invented: bool,
    /// Chemistry and cells.
    pub cell: String,
    /// Nominal capacity of the battery, mAh.
    pub nominal_mah: f64,
    /// Days by the schedule until the ceiling.
    pub ceiling_days: f64,
    /// Beacon days wanted by the schedule.
    pub beacon_days_wanted: f64,
    /// Part of the charge kept for firing and search.
    pub reserve_fraction: f64,
    /// Seed of the draws.
    pub seed: u64,
    /// What to expect.
    #[serde(flatten)]
    pub outlook: Outlook,
    /// With the figures as written.
    pub as_written: Course,
    /// Charge by part, largest first.
    pub parts: Vec<PartCharge>,
    /// What the core's own path draws on the animal.
    pub path: Vec<PathCost>,
    /// What its copies of state wear of the flash; `None`: it keeps none.
    pub flash_wear: Option<FlashWear>,
    /// Where the battery gave way, figures as written.
    pub failures: Vec<Failure>,
    /// What the changes are measured by.
    pub measure: Measure,
    /// Single changes, the best first.
    pub changes: Vec<Change>,
    /// Dependence on the figures.
    pub figures: Vec<Sensitivity>,
    /// Whether deaths can be told.
    pub death: Vec<PhaseDeath>,
    /// What was assumed.
    pub notices: Vec<String>,
    /// The answer in sentences.
    pub answer: Vec<String>,
}

/// Works out the budget of a tag, on the threads of the rayon pool it is called in.
pub fn budget(tag: &TagFile, settings: &Settings) -> Budget {
    let now = as_written(tag, None, Rules { bounded: true });
    let free = as_written(tag, None, Rules { bounded: false });
    let outlook = outlook(tag, None, settings.draws, settings.seed);
    let has_search = tag.search_wanted_h() > 0.0;
    let measure = match (now.animal_limit, has_search) {
        (Limit::Ceiling, true) => Measure::Beacon,
        (Limit::Ceiling, false) => Measure::Cell,
        _ => Measure::Animal,
    };
    let plan = Plan::new(tag, None);
    let mut parts: Vec<PartCharge> = plan
        .parts
        .iter()
        .enumerate()
        .map(|(n, part)| PartCharge {
            part: part.clone(),
            before_mah: now.drawn_mah[0][n],
            animal_mah: now.drawn_mah[1][n],
            search_mah: now.drawn_mah[2][n],
        })
        .filter(|p| p.before_mah + p.animal_mah + p.search_mah > 0.0)
        .collect();
    parts.sort_by(|a, b| {
        let all = |p: &PartCharge| p.before_mah + p.animal_mah + p.search_mah;
        all(b).total_cmp(&all(a))
    });
    let (changes, figures) = rayon::join(
        || changes::changes(tag, &now, measure),
        || changes::sensitivities(tag, measure),
    );
    let cells = match (tag.cell.in_series, tag.cell.in_parallel) {
        (1.0, 1.0) => String::new(),
        (s, p) => format!(", {s} in series, {p} in parallel"),
    };
    let mut budget = Budget {
        schema: 1,
        tag: tag.name.clone(),
        id: tag.id.clone(),
        invented: tag.invented,
        cell: format!("{}{cells}", tag.cell.chemistry),
        nominal_mah: Battery::new(tag).capacity_mah,
        ceiling_days: tag.ceiling_h() / 24.0,
        beacon_days_wanted: tag.search_wanted_h() / 24.0,
        reserve_fraction: tag.release.reserve_fraction,
        seed: settings.seed,
        as_written: course(tag, &now, &free),
        parts,
        path: path::costs(&plan, &now),
        flash_wear: path::wear(tag, &plan, &now),
        failures: now.failures,
        measure,
        changes,
        figures,
        death: deaths(tag, settings),
        notices: tag.notices.clone(),
        answer: Vec::new(),
        outlook,
    };
    budget.answer = answer::sentences(tag, &budget);
    budget
}

fn course(tag: &TagFile, now: &Outcome, free: &Outcome) -> Course {
    Course {
        animal_days: now.animal_s / 86_400.0,
        animal_limit: now.animal_limit,
        cell_days: free.animal_s / 86_400.0,
        cell_limit: free.animal_limit,
        beacon_days: now.search_s / 86_400.0,
        beacon_limit: now.search_limit,
        left_fraction: now.left_fraction,
        firing_v: now.firing.as_ref().map(|f| f.volts),
        fired: now.firing.as_ref().is_some_and(|f| f.fired),
        by_passive_link: now.by_passive_link,
        record_bytes: now.bytes,
        reserve_needed_fraction: reserve_needed(tag),
    }
}

/// Least reserve from which the beacons run as long as wanted, were the animal's part
/// to go on until only the reserve is left.
fn reserve_needed(tag: &TagFile) -> Option<f64> {
    let wanted_s = tag.search_wanted_h() * 3600.0;
    let search_s = |reserve: f64| {
        let mut tag = tag.clone();
        tag.release.reserve_fraction = reserve;
        as_written(&tag, None, Rules { bounded: false }).search_s
    };
    // In steps of a hundredth: fine enough for a setting.
    (0..=95_u8)
        .into_par_iter()
        .map(|percent| f64::from(percent) / 100.0)
        .find_first(|&reserve| search_s(reserve) >= wanted_s)
}

fn deaths(tag: &TagFile, settings: &Settings) -> Vec<PhaseDeath> {
    let ceiling_h = tag.ceiling_h();
    let modes = match settings.breathing {
        Some(mode) => vec![mode],
        None => vec![Breathing::Ram, Breathing::Buccal],
    };
    let mut all = Vec::new();
    for p in tag.phases.iter().filter(|p| p.kind == PhaseKind::Animal && p.detectors) {
        for &mode in &modes {
            let judgement = judge_death(
                &settings.detector,
                &settings.release,
                mode,
                p.depth_hz > 0.0,
                p.duty,
                ceiling_h - p.start_h,
            );
            let breathing = match mode {
                Breathing::Ram => "ram",
                Breathing::Buccal => "buccal",
            };
            all.push(PhaseDeath { phase: p.name.clone(), breathing, judgement });
        }
    }
    all
}
