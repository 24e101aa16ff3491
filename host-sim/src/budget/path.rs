//! What the core's own path draws on the animal, and what its copies wear of the flash.

use serde::Serialize;

use crate::energy::bus::erasures_per_day;
use crate::energy::plan::{BUS_PART, COPIES_PART, DETECTORS_PART, PRESSURE_PART, SHELL_PART};
use crate::energy::{Outcome, Plan};
use crate::tag_file::{PhaseKind, TagFile};

const SECONDS_PER_HOUR: f64 = 3600.0;
const HOURS_PER_DAY: f64 = 24.0;

/// The draw of one part of the path on the animal, figures as written.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PathCost {
    /// `detectors`, `shell`, `bus`, `pressure` or `copies`.
    pub part: String,
    /// Mean over the time on the animal, uA.
    pub mean_ua: f64,
    /// On the animal, mAh.
    pub animal_mah: f64,
}

/// Wear of the flash sector that the copies of state erase most.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FlashWear {
    /// Its erasures a day.
    pub erasures_per_day: f64,
    /// Erasures that it stands.
    pub rated_erasures: f64,
    /// Part of them that the time on the animal takes, percent.
    pub animal_percent: f64,
}

/// Costs of the path, in the order of the data.
pub(super) fn costs(plan: &Plan, now: &Outcome) -> Vec<PathCost> {
    let hours = now.animal_s / SECONDS_PER_HOUR;
    [DETECTORS_PART, SHELL_PART, BUS_PART, PRESSURE_PART, COPIES_PART]
        .into_iter()
        .filter_map(|n| {
            let animal_mah = *now.drawn_mah[1].get(n)?;
            let mean_ua = if hours > 0.0 { animal_mah / hours * 1e3 } else { 0.0 };
            Some(PathCost { part: plan.parts.get(n)?.clone(), mean_ua, animal_mah })
        })
        .collect()
}

/// Wear over the time on the animal; `None` where no copies are kept.
pub(super) fn wear(tag: &TagFile, plan: &Plan, now: &Outcome) -> Option<FlashWear> {
    let per_day = erasures_per_day(&tag.copies);
    if per_day == 0.0 || now.drawn_mah[1].get(COPIES_PART).is_none_or(|mah| *mah == 0.0) {
        return None;
    }
    // Of the phases on the animal some may run without detectors, and so without copies.
    let lengths = plan.phases.iter().zip(&tag.phases).filter(|(p, _)| p.kind == PhaseKind::Animal);
    let (mut all_h, mut kept_h) = (0.0, 0.0);
    for (p, phase) in lengths {
        let left_h = (now.animal_s / SECONDS_PER_HOUR - all_h).max(0.0);
        let hours = left_h.min(p.length_s / SECONDS_PER_HOUR);
        all_h += p.length_s / SECONDS_PER_HOUR;
        kept_h += if phase.detectors { hours } else { 0.0 };
    }
    let rated = tag.copies.rated_erasures.value;
    Some(FlashWear {
        erasures_per_day: per_day,
        rated_erasures: rated,
        animal_percent: 100.0 * per_day * kept_h / HOURS_PER_DAY / rated,
    })
}

impl FlashWear {
    /// In a sentence.
    pub(crate) fn said(&self) -> String {
        format!(
            "Copies of state erase one sector {:.0} times a day: {:.2} % of the {:.0} erasures that \
             it stands over the time on the animal.",
            self.erasures_per_day, self.animal_percent, self.rated_erasures
        )
    }
}
