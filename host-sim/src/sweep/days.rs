//! How long each cell's tag lasts, by the energy model.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::duty::Duty;
use super::run::{Sweep, raw_bytes_per_sample};
use super::tally::{CellScore, CellTrace};
use crate::energy::{Choice, Outlook, outlook};
use crate::tag_file;

/// Draws of the energy model for each choice.
const DRAWS: usize = 100;
const SEED: u64 = 4;
/// Bytes a day to which minutes and events are rounded, so that cells alike in
/// what draws current share one run of the model.
const ROUND_BYTES: f64 = 256.0;

/// What a tag draws by: equal for cells that last alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Draw {
    sample_hz: u64,
    duty: Duty,
    bytes_per_day: u64,
    ceiling_h: u32,
}

/// Puts the days into `scores`. `results` are as [`Sweep::run`] gives them. The tag
/// is that of the first trace.
pub fn fill(sweep: &Sweep, results: &[Vec<CellTrace>], scores: &mut [CellScore]) {
    let (Some(tag), Some(first)) = (sweep.tags.first(), sweep.traces.first()) else { return };
    let days: f64 = sweep.traces.iter().zip(results).fold(0.0, |sum, (_, cells)| {
        sum + cells.first().map_or(0.0, |c| c.score.duration_s / 86_400.0)
    });
    let draws: Vec<Draw> = (0..sweep.cells.len())
        .map(|c| {
            let cell = &sweep.cells[c];
            let sample_hz = first.facts.sample_hz / sweep.factor(0, c) as f64;
            let kept: u64 = results.iter().map(|cells| cells[c].record_bytes).sum();
            let kept = (kept as f64 / days / ROUND_BYTES).round() * ROUND_BYTES;
            let raw = if cell.raw { raw_bytes_per_sample(tag) } else { 0.0 };
            let raw = raw * sample_hz * 86_400.0 * cell.duty.fraction();
            Draw {
                sample_hz: sample_hz.to_bits(),
                duty: cell.duty,
                bytes_per_day: (kept + raw).round() as u64,
                ceiling_h: sweep.config(0, c).release().ceiling_h.to_bits(),
            }
        })
        .collect();
    let mut distinct = draws.clone();
    distinct.sort_unstable();
    distinct.dedup();
    let lasts: BTreeMap<Draw, Outlook> = distinct
        .into_par_iter()
        .map(|draw| {
            let sample_hz = f64::from_bits(draw.sample_hz);
            let duty = match draw.duty {
                Duty::Always => None,
                Duty::Cycle { on_us, every_us } => Some(tag_file::Duty {
                    on_s: on_us as f64 / 1e6,
                    period_s: every_us as f64 / 1e6,
                }),
            };
            let choice = Choice {
                sample_hz,
                duty,
                record_bytes_per_day: draw.bytes_per_day as f64,
                instructions_per_sample: tag.mcu.instructions(sample_hz),
                ceiling_h: Some(f64::from(f32::from_bits(draw.ceiling_h))),
            };
            (draw, outlook(tag, Some(&choice), DRAWS, SEED))
        })
        .collect();
    for (score, draw) in scores.iter_mut().zip(&draws) {
        if let Some(o) = lasts.get(draw) {
            score.on_animal_days = Some(o.animal_days.median);
            score.cell_days = Some(o.cell_days.median);
            score.beacon_days = Some(o.beacon_days.median);
            score.brownout_chance = Some(o.brownout_chance);
        }
    }
}
