//! The result: as JSON, as CSV, and as a table for a person.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use serde::Serialize;

use super::callout::{Callout, CellTrial};
use super::cells::{Cell, varying};
use super::duty::Duty;
use super::pareto::{USUAL, front, goal_named};
use super::run::Sweep;
use super::spread::{Axis, Spread, axes};
use super::tally::{CellScore, CellTrace};
use super::{callout, days};
use crate::problem::Problem;

/// Cells up to which the table shows all; of more, only those on the front.
const TABLE_CELLS: usize = 60;
/// Columns of the table for the sampling of a cell.
const WIDE: usize = 18;

/// A cell with all that is known of it.
#[derive(Debug, Serialize)]
pub struct CellResult {
    /// Number, from 1, in the order of the grid.
    pub cell: usize,
    /// Sample rate, Hz; `None`: as recorded.
    pub rate_hz: Option<f64>,
    /// `filter` or `skip`.
    pub thinning: &'static str,
    /// Awake so long, s, of every so long; `None`: all the time.
    pub duty: Option<DutyResult>,
    /// Whether raw samples are kept.
    pub raw: bool,
    /// Settings of detectors and release.
    pub settings: serde_json::Map<String, serde_json::Value>,
    /// On the Pareto front.
    pub pareto: bool,
    /// Time after which a plain death is told in the trial, h; `None`: not before
    /// the ceiling.
    pub trial_death_delay_h: Option<f64>,
    /// How the cell did.
    #[serde(flatten)]
    pub score: CellScore,
    /// Events of the registered detector: `NAME_f1` and `NAME_count` of each kind.
    #[serde(flatten)]
    pub own: serde_json::Map<String, serde_json::Value>,
}

/// A duty cycle.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DutyResult {
    /// Awake, s ...
    pub on_s: f64,
    /// ... of every so long, s.
    pub every_s: f64,
}

/// The whole result.
#[derive(Debug, Serialize)]
pub struct SweepResult {
    /// Version of this layout.
    pub schema: u32,
    /// The grid file.
    pub grid: String,
    /// The traces.
    pub traces: Vec<String>,
    /// The tag that the days are those of.
    pub tag: String,
    /// Whether its figures are invented.
    pub tag_invented: bool,
    /// What the Pareto front is judged by.
    pub goals: Vec<&'static str>,
    /// What a table alone would not say.
    pub callouts: Vec<Callout>,
    /// All cells.
    pub cells: Vec<CellResult>,
    /// The choices in which cells differ.
    #[serde(skip)]
    pub axes: Vec<Axis>,
    /// How traces differ within each cell.
    #[serde(skip)]
    pub spreads: Vec<Spread>,
    /// Notices of the sweep.
    #[serde(skip)]
    pub notices: Vec<String>,
    /// Name of each cell by the choices in which cells differ.
    #[serde(skip)]
    pub labels: Vec<String>,
    /// Sampling and settings of each cell, as the table shows them.
    #[serde(skip)]
    rows: Vec<(String, String)>,
}

fn duty_result(duty: Duty) -> Option<DutyResult> {
    match duty {
        Duty::Always => None,
        Duty::Cycle { on_us, every_us } => {
            Some(DutyResult { on_s: on_us as f64 / 1e6, every_s: every_us as f64 / 1e6 })
        }
    }
}

/// Sampling, and settings, of a cell, as far as cells differ in them.
fn table_label(cell: &Cell, varying: &[&str]) -> (String, String) {
    let mut place = Vec::new();
    if let Some(hz) = cell.rate_hz {
        place.push(hz.to_string());
    }
    if varying.contains(&"thinning") {
        place.push(cell.thinning.name().to_owned());
    }
    place.push(match duty_result(cell.duty) {
        None => "always".to_owned(),
        Some(d) => format!("{}/{}", d.on_s, d.every_s),
    });
    if cell.raw {
        place.push("raw".to_owned());
    }
    let settings: Vec<&str> =
        varying.iter().filter(|key| cell.settings.iter().any(|s| s.0 == **key)).copied().collect();
    (place.join(" "), cell.label(&settings))
}

fn own_columns(score: &CellScore) -> serde_json::Map<String, serde_json::Value> {
    let columns = score.own.iter().flat_map(|(event, own)| {
        [(format!("{event}_f1"), own.f1.into()), (format!("{event}_count"), own.count.into())]
    });
    columns.collect()
}

/// A 32-bit number by its own digits, not those of its 64-bit neighbour.
fn short(value: f32) -> f64 {
    value.to_string().parse().unwrap_or(f64::from(value))
}

impl SweepResult {
    /// Puts everything together. `results` are as [`Sweep::run`] gives them, `trials`
    /// as [`callout::trials`].
    pub fn new(sweep: &Sweep, results: &[Vec<CellTrace>], trials: &[CellTrial]) -> Self {
        let of = |c| results.iter().filter_map(|r| r.get(c)).collect::<Vec<&CellTrace>>();
        let mut scores: Vec<CellScore> =
            (0..sweep.cells.len()).map(|c| CellScore::of(&of(c))).collect();
        let spreads = (0..sweep.cells.len()).map(|c| Spread::of(&of(c))).collect();
        days::fill(sweep, results, &mut scores);
        let goals = match sweep.grid.goals.is_empty() {
            true => USUAL.iter().filter_map(|name| goal_named(name)).collect(),
            false => sweep.grid.goals.clone(),
        };
        let on = front(&scores, &goals);
        let callouts = callout::callouts(sweep, &scores, trials);
        let varying = varying(&sweep.cells);
        let labels = sweep.cells.iter().map(|c| c.label(&varying)).collect();
        let of = |(n, (cell, score)): (usize, (&Cell, CellScore))| CellResult {
            cell: n + 1,
            rate_hz: cell.rate_hz,
            thinning: cell.thinning.name(),
            duty: duty_result(cell.duty),
            raw: cell.raw,
            settings: cell
                .settings
                .iter()
                .map(|&(key, value, flag)| {
                    (key.into(), if flag { (value >= 0.5).into() } else { short(value).into() })
                })
                .collect(),
            pareto: on[n],
            trial_death_delay_h: trials.get(n).and_then(CellTrial::delay_h),
            own: own_columns(&score),
            score,
        };
        let tag = sweep.tags.first();
        SweepResult {
            schema: 1,
            grid: sweep.grid.name.clone(),
            traces: sweep.traces.iter().map(|t| t.facts.trace.clone()).collect(),
            tag: tag.map(|t| t.id.clone()).unwrap_or_default(),
            tag_invented: tag.is_some_and(|t| t.invented),
            goals: goals.iter().map(|g| g.name).collect(),
            callouts,
            cells: sweep.cells.iter().zip(scores).enumerate().map(of).collect(),
            axes: axes(&sweep.cells),
            spreads,
            notices: Vec::new(),
            rows: sweep.cells.iter().map(|c| table_label(c, &varying)).collect(),
            labels,
        }
    }

    /// As CSV, one line a cell; what cannot be said is blank.
    ///
    /// # Errors
    /// A value that cannot be written, which is a fault of the program.
    pub fn csv(&self) -> Result<String, Problem> {
        let failed = |what: String| Problem::new(format!("CSV: {what}"));
        let mut out = csv::Writer::from_writer(Vec::new());
        for (n, cell) in self.cells.iter().enumerate() {
            let value = serde_json::to_value(cell).map_err(|e| failed(e.to_string()))?;
            let mut names = Vec::new();
            let mut values = Vec::new();
            for (name, value) in value.as_object().into_iter().flatten() {
                match (name.as_str(), value) {
                    ("duty", duty) => {
                        for key in ["on_s", "every_s"] {
                            names.push(format!("duty_{key}"));
                            values.push(plain(duty.get(key).unwrap_or(&serde_json::Value::Null)));
                        }
                    }
                    ("settings", settings) => {
                        for (key, value) in settings.as_object().into_iter().flatten() {
                            names.push(key.clone());
                            values.push(plain(value));
                        }
                    }
                    (name, value) => {
                        names.push(name.to_owned());
                        values.push(plain(value));
                    }
                }
            }
            if n == 0 {
                out.write_record(&names).map_err(|e| failed(e.to_string()))?;
            }
            out.write_record(&values).map_err(|e| failed(e.to_string()))?;
        }
        let bytes = out.into_inner().map_err(|e| failed(e.to_string()))?;
        String::from_utf8(bytes).map_err(|e| failed(e.to_string()))
    }

    /// As a table 80 columns wide, with what has to be said below. `all`: every
    /// cell, however many.
    pub fn text(&self, all: bool) -> String {
        let mut out = String::new();
        let all = all || self.cells.len() <= TABLE_CELLS;
        let invented = if self.tag_invented { ", invented figures" } else { "" };
        let _ = writeln!(
            out,
            "{} over {}; tag {}{invented}",
            count(self.cells.len(), "cell"),
            count(self.traces.len(), "trace"),
            self.tag
        );
        let called: BTreeSet<usize> =
            self.callouts.iter().flat_map(|c| c.cells.iter().copied()).collect();
        let _ = writeln!(
            out,
            "\n{:8}{:WIDE$}    F1  rate  told  late    go  !!   days  beac   MB/d",
            "cell", "Hz"
        );
        let goals: Vec<_> = self.goals.iter().filter_map(|name| goal_named(name)).collect();
        let value = |c: &CellResult| goals.iter().map(|g| (g.value)(&c.score)).collect::<Vec<_>>();
        let mut shown: Vec<Vec<Option<f64>>> = Vec::new();
        for (cell, (place, settings)) in self.cells.iter().zip(&self.rows) {
            if !all && (!cell.pareto || shown.contains(&value(cell))) {
                continue;
            }
            shown.push(value(cell));
            let front = if cell.pareto { '*' } else { ' ' };
            let mark = if called.contains(&cell.cell) { '!' } else { ' ' };
            let s = &cell.score;
            let _ = write!(out, "{front}{mark}{:<6}", cell.cell);
            let mut place = place.as_str();
            if place.chars().count() > WIDE {
                let _ = write!(out, "{place}\n{:8}", "");
                place = "";
            }
            let told = |told: u64, of: u64| if of > 0 { format!("{told}/{of}") } else { "".into() };
            let _ = writeln!(
                out,
                "{place:WIDE$} {:>5} {:>5} {:>5} {:>5} {:>5} {:>3} {:>6} {:>5} {:>6}",
                fixed(s.beat_f1, 3),
                fixed(s.rate_error_per_min, 2),
                told(s.deaths_told + s.losses_told, s.deaths + s.losses),
                fixed(s.fate_delay_h, 2),
                fixed(s.release_delay_h, 1),
                s.false_releases,
                fixed(s.cell_days, 1),
                fixed(s.beacon_days, 1),
                fixed(Some(s.bytes_per_day / 1e6), 2),
            );
            if !settings.is_empty() {
                for line in fold(settings, 69) {
                    let _ = writeln!(out, "{:10}{line}", "");
                }
            }
            for (event, own) in &s.own {
                let f1 = own.f1.map_or(String::new(), |f1| format!(", F1 {f1:.3}"));
                let _ = writeln!(out, "{:10}{event} {}{f1}", "", own.count);
            }
            if !all {
                let same = |c: &&CellResult| c.pareto && value(c) == value(cell);
                let alike: Vec<usize> = self.cells.iter().filter(same).map(|c| c.cell).collect();
                if alike.len() > 1 {
                    let said = format!("alike in all goals: {}", runs(&alike));
                    for line in fold(&said, 69) {
                        let _ = writeln!(out, "{:10}{line}", "");
                    }
                }
            }
        }
        if !all {
            let _ = writeln!(
                out,
                "\nOnly cells on the front are shown; --all shows every cell, and --csv FILE and\n\
                 --format json hold them."
            );
        }
        let _ = write!(
            out,
            "\n*: on the Pareto front of {};\n!: see below.\n\
             Hz: sample rate, seconds awake of every so many, raw record. F1: tail beats;\n\
             rate: mean error, beats/min; told: deaths and lost tags told before the ceiling;\n\
             late: mean delay of these, h; go: until letting go, h; !!: releases of the\n\
             living; days: on the animal as the cell allows, without ceiling or memory;\n\
             beac: days of beacon after surfacing; MB/d: recorded a day.\n",
            self.goals.join(", ")
        );
        if self.cells.len() > 1 {
            out.push_str(&self.best());
        }
        for callout in &self.callouts {
            let cells = runs(&callout.cells);
            let said = format!("! {} ({}: {cells})", callout.text, plural(&callout.cells));
            out.push('\n');
            for line in fold(&said, 79) {
                out.push_str(&line);
                out.push('\n');
            }
        }
        out
    }

    /// The best cell by each goal, in a line each.
    fn best(&self) -> String {
        let mut out = String::from("\n");
        for name in &self.goals {
            let Some(goal) = goal_named(name) else { continue };
            let known = self.cells.iter().filter_map(|c| (goal.value)(&c.score).map(|v| (c, v)));
            let best = known.reduce(|a, b| {
                let better = if goal.more { b.1 > a.1 } else { b.1 < a.1 };
                if better { b } else { a }
            });
            if let Some((cell, value)) = best {
                let label = &self.labels[cell.cell - 1];
                let line = format!("Best {name}: {value:.3} in cell {} ({label})", cell.cell);
                for line in fold(&line, 79) {
                    let _ = writeln!(out, "{line}");
                }
            }
        }
        out
    }
}

pub(crate) fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

fn plural(cells: &[usize]) -> &'static str {
    if cells.len() == 1 { "cell" } else { "cells" }
}

/// Numbers in order as ranges: `1-3, 7`.
pub(crate) fn runs(numbers: &[usize]) -> String {
    let mut parts: Vec<(usize, usize)> = Vec::new();
    for &n in numbers {
        match parts.last_mut() {
            Some((_, last)) if *last + 1 == n => *last = n,
            _ => parts.push((n, n)),
        }
    }
    let text = parts.iter().map(|&(a, b)| if a == b { a.to_string() } else { format!("{a}-{b}") });
    text.collect::<Vec<_>>().join(", ")
}

/// Lines of at most `wide` characters, broken at spaces.
fn fold(text: &str, wide: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let line = lines.last_mut().map_or(0, |l| l.chars().count());
        if line > 0 && line + 1 + word.chars().count() > wide {
            lines.push(String::from("  "));
        } else if line > 0 {
            lines.last_mut().into_iter().for_each(|l| l.push(' '));
        }
        lines.last_mut().into_iter().for_each(|l| l.push_str(word));
    }
    lines
}

fn fixed(value: Option<f64>, digits: usize) -> String {
    value.map_or(String::new(), |v| format!("{v:.digits$}"))
}

fn plain(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::Null => String::new(),
        serde_json::Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folds_and_counts() {
        assert_eq!(runs(&[1, 2, 3, 7, 9, 10]), "1-3, 7, 9-10");
        assert_eq!(fold("aa bb cc", 5), ["aa bb", "  cc"]);
        assert_eq!((count(1, "cell"), count(2, "cell")), ("1 cell".into(), "2 cells".into()));
        assert_eq!(short(0.1), 0.1);
    }
}
