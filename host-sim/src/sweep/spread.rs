//! What a page shows beyond the table: in what cells differ, and how traces differ
//! within a cell.

use super::cells::{Cell, varying};
use super::tally::CellTrace;
use crate::score::{BeatScore, TrueFate};

/// A choice in which cells differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Its key in the grid file.
    pub key: &'static str,
    /// The choices, numbers from the least on, others in the order of the grid.
    pub values: Vec<String>,
    /// Which of them each cell is of.
    pub of: Vec<usize>,
}

/// The axes of a grid.
pub fn axes(cells: &[Cell]) -> Vec<Axis> {
    let axis = |key: &'static str| {
        let plain = |cell: &Cell| {
            let text = cell.label(&[key]);
            text.strip_prefix(key).map_or(text.as_str(), str::trim_start).to_owned()
        };
        let texts: Vec<String> = cells.iter().map(plain).collect();
        let mut values: Vec<String> = Vec::new();
        for text in &texts {
            if !values.contains(text) {
                values.push(text.clone());
            }
        }
        let number = |text: &String| text.trim_end_matches(" Hz").parse::<f64>().ok();
        if values.iter().all(|v| number(v).is_some()) {
            values.sort_by(|a, b| {
                let [a, b] = [a, b].map(|v| number(v).unwrap_or(f64::NAN));
                a.total_cmp(&b)
            });
        }
        let of = texts.iter().map(|t| values.iter().position(|v| v == t).unwrap_or(0)).collect();
        Axis { key, values, of }
    };
    varying(cells).into_iter().map(axis).collect()
}

/// How the traces differ within a cell: least and greatest.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Spread {
    /// Traces whose animal lived to the end with the tag on.
    pub survivors: u64,
    /// F1 of tail beats of a trace.
    pub beat_f1: Option<[f64; 2]>,
    /// From death or loss to the decision, h.
    pub fate_delay_h: Option<[f64; 2]>,
    /// From death or loss to letting go, h.
    pub release_delay_h: Option<[f64; 2]>,
}

fn ends(values: impl Iterator<Item = f64>) -> Option<[f64; 2]> {
    values.fold(None, |ends: Option<[f64; 2]>, v| match ends {
        Some([low, high]) => Some([low.min(v), high.max(v)]),
        None => Some([v, v]),
    })
}

impl Spread {
    /// Of what a cell made of all traces.
    pub fn of(traces: &[&CellTrace]) -> Self {
        let scores = || traces.iter().map(|t| &t.score);
        let f1 = |b: &BeatScore| {
            (b.truth > 0).then(|| 2.0 * b.matched as f64 / (b.truth + b.found) as f64)
        };
        let hours = |s: f64| s / 3600.0;
        Spread {
            survivors: scores().filter(|s| s.fate.truth == TrueFate::Alive).count() as u64,
            beat_f1: ends(scores().filter_map(|s| s.beats.as_ref()).filter_map(f1)),
            fate_delay_h: ends(scores().filter_map(|s| s.fate.delay_s).map(hours)),
            release_delay_h: ends(scores().filter_map(|s| s.release.delay_s).map(hours)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sweep::cells::cross;
    use crate::sweep::grid::Grid;

    #[test]
    fn axes_are_what_differs_in_order() {
        let text = "[sampling]\nrate_hz = [25, 5, 12.5]\nduty = [\"always\", { on_s = 20, every_s = 60 }]\n\
            [detector]\nfalse_death_prob = [1e-3, 1e-6]\n[release]\nceiling_h = 48\n";
        let (cells, _) = cross(&Grid::parse("g.toml", text).unwrap(), &[25.0]);
        let axes = axes(&cells);
        let keys: Vec<_> = axes.iter().map(|a| a.key).collect();
        assert_eq!(keys, ["rate_hz", "duty", "false_death_prob"]);
        assert_eq!(axes[0].values, ["5 Hz", "12.5 Hz", "25 Hz"]);
        assert_eq!(axes[1].values, ["always", "20/60 s"]);
        assert_eq!(axes[2].values, ["0.000001", "0.001"]);
        assert_eq!((axes[0].of[0], axes[0].of[4], axes[0].of.len()), (2, 0, cells.len()));
    }
}
