//! The cells of a grid, and which stage of the tag reads which setting.

use firmware_core::config::{Config, ConfigError, Logger};

use super::duty::Duty;
use super::grid::Grid;
use super::thin::Thinning;
use crate::own;
use crate::problem::Problem;

/// The first stage of the tag that reads a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// The stages that look at every sample: to beats and minutes.
    Samples,
    /// The stages that look at minutes: depth, fate, recovery.
    Minutes,
    /// The decision to let go.
    Release,
}

/// Every setting of `[detector]` and `[release]`, in the order of the
/// documentation, and the first stage that reads it. Cells that differ only in
/// settings of later stages share one run of the earlier ones.
pub const STAGES: [(&str, Stage); 32] = [
    ("min_beat_hz", Stage::Samples),
    ("max_beat_hz", Stage::Samples),
    ("min_sway_g", Stage::Samples),
    ("static_window_s", Stage::Samples),
    ("false_death_prob", Stage::Minutes),
    ("missed_death_prob", Stage::Minutes),
    ("false_detached_prob", Stage::Minutes),
    ("ram_pause_min", Stage::Minutes),
    ("buccal_pause_h", Stage::Minutes),
    ("off_posture_min", Stage::Minutes),
    ("stationary_depth_m", Stage::Minutes),
    ("surface_depth_m", Stage::Minutes),
    ("recovered_fraction", Stage::Minutes),
    ("recovery_sd_max_h", Stage::Minutes),
    ("recovery_prob", Stage::Minutes),
    ("floor_h", Stage::Release),
    ("ceiling_h", Stage::Release),
    ("death_confirm_min", Stage::Release),
    ("detached_confirm_min", Stage::Release),
    ("recovery_normal_h", Stage::Release),
    ("memory_full_fraction", Stage::Release),
    ("memory_confirm_min", Stage::Release),
    ("cell_reserve_fraction", Stage::Release),
    ("cell_confirm_min", Stage::Release),
    ("max_depth_m", Stage::Release),
    ("depth_confirm_s", Stage::Release),
    ("death_daylight", Stage::Release),
    ("detached_daylight", Stage::Release),
    ("recovery_daylight", Stage::Release),
    ("memory_daylight", Stage::Release),
    ("cell_daylight", Stage::Release),
    ("daylight_margin_h", Stage::Release),
];

/// Stage of the setting named `key`.
pub fn stage_of(key: &str) -> Option<Stage> {
    STAGES.iter().find(|(name, _)| *name == key).map(|&(_, stage)| stage)
}

/// One cell: a choice from every list of the grid.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Sample rate, Hz; `None`: as recorded.
    pub rate_hz: Option<f64>,
    /// How a lower rate is made.
    pub thinning: Thinning,
    /// Duty cycle.
    pub duty: Duty,
    /// Whether raw samples are kept.
    pub raw: bool,
    /// Settings of `[detector]`, `[release]` and the registered detector (`NAME.key`) that
    /// differ from the deployment's: key, value, and whether it is a yes or no.
    pub settings: Vec<(&'static str, f32, bool)>,
}

/// All cells of a grid, the first list slowest. Where `recorded_hz`, the rates of
/// the traces, are all the rate of a cell, the way of thinning makes no difference
/// and only the first is kept; the number left out is given too.
pub fn cross(grid: &Grid, recorded_hz: &[f64]) -> (Vec<Cell>, usize) {
    let mut cells = vec![Cell {
        rate_hz: None,
        thinning: grid.thinning.first().copied().unwrap_or(Thinning::Filter),
        duty: grid.duty.first().copied().unwrap_or(Duty::Always),
        raw: grid.raw.first().copied().unwrap_or(false),
        settings: Vec::new(),
    }];
    cells = each(cells, &grid.rate_hz, |cell, &hz| cell.rate_hz = Some(hz));
    cells = each(cells, &grid.thinning, |cell, &how| cell.thinning = how);
    let all = cells.len();
    let first = grid.thinning.first().copied().unwrap_or(Thinning::Filter);
    cells.retain(|cell| {
        let thinned = |&hz: &f64| cell.rate_hz.is_some_and(|wanted| !same_rate(wanted, hz));
        cell.thinning == first || recorded_hz.iter().any(thinned)
    });
    let kept = cells.len();
    cells = each(cells, &grid.duty, |cell, &duty| cell.duty = duty);
    cells = each(cells, &grid.raw, |cell, &raw| cell.raw = raw);
    for axis in grid.axes() {
        cells = each(cells, &axis.values, |cell, &v| {
            cell.settings.push((axis.key, v, axis.is_flag));
        });
    }
    let left_out = (all - kept) * cells.len() / kept.max(1);
    (cells, left_out)
}

fn each<T>(cells: Vec<Cell>, values: &[T], set: impl Fn(&mut Cell, &T)) -> Vec<Cell> {
    if values.is_empty() {
        return cells;
    }
    let mut out = Vec::with_capacity(cells.len() * values.len());
    for cell in cells {
        for value in values {
            let mut cell = cell.clone();
            set(&mut cell, value);
            out.push(cell);
        }
    }
    out
}

/// Rates that are the same but for rounding in a file.
pub fn same_rate(a: f64, b: f64) -> bool {
    (a - b).abs() <= 0.002 * a.max(b)
}

/// By what a recorded rate is divided to give `wanted`; `None` where it is no
/// whole number.
pub fn factor(recorded_hz: f64, wanted_hz: f64) -> Option<usize> {
    let factor = (recorded_hz / wanted_hz).round();
    (factor >= 1.0 && same_rate(recorded_hz / factor, wanted_hz)).then_some(factor as usize)
}

impl Cell {
    /// The sample rate of this cell on a trace recorded at `recorded_hz`.
    ///
    /// # Errors
    /// A rate above the recorded one, or that does not divide it.
    pub fn rate(
        &self,
        grid: &Grid,
        trace: &str,
        recorded_hz: f64,
    ) -> Result<(f64, usize), Problem> {
        let Some(wanted) = self.rate_hz else { return Ok((recorded_hz, 1)) };
        if wanted > recorded_hz && !same_rate(wanted, recorded_hz) {
            return Err(grid
                .at_key(
                    "rate_hz",
                    &format!("rate_hz = {wanted}, but {trace} was recorded at {recorded_hz} Hz"),
                )
                .help("a higher rate than the recorded one cannot be had from a trace"));
        }
        let Some(factor) = factor(recorded_hz, wanted) else {
            let near = (recorded_hz / wanted).floor().max(1.0);
            let rates: Vec<String> = [near, near + 1.0]
                .iter()
                .map(|q| recorded_hz / q)
                .filter(|&hz| hz >= 5.0)
                .map(|hz| ((hz * 1e4).round() / 1e4).to_string())
                .collect();
            return Err(grid
                .at_key(
                    "rate_hz",
                    &format!(
                        "rate_hz = {wanted} does not divide the {recorded_hz} Hz of {trace} by a \
                         whole number"
                    ),
                )
                .help(format!("nearest rates that do: {} Hz", rates.join(" and "))));
        };
        Ok((recorded_hz / factor as f64, factor))
    }

    /// The configuration of a tag in this cell; `base` is that of the trace's
    /// own deployment.
    ///
    /// # Errors
    /// Settings that contradict each other, or what the deployment says.
    pub fn config(
        &self,
        grid: &Grid,
        trace: &str,
        base: &Config,
        hz: f64,
    ) -> Result<Config, Problem> {
        let (mut detector, mut release) = (*base.detector(), *base.release());
        let built_in = self.settings.iter().filter(|(key, ..)| stage_of(key).is_some());
        for &(key, value, _) in built_in {
            if detector.set(key, value).is_err() {
                release.set(key, value).map_err(|_| Problem::new(format!("{key}: {value}")))?;
            }
        }
        let logger = Logger { sample_hz: hz as f32, ..*base.logger() };
        let built = Config::new(logger, *base.place(), *base.animal(), detector, release);
        built.map_err(|error| match error {
            ConfigError::Order { low, high } => {
                let value = |key| detector.get(key).or(release.get(key)).unwrap_or(0.0);
                let given = self.settings.iter().any(|s| s.0 == low);
                let what = format!(
                    "{low} must be smaller than {high}, got {} and {} in a cell for {trace}",
                    value(low),
                    value(high)
                );
                grid.at_key(if given { low } else { high }, &what)
            }
            ConfigError::OutOfRange { key, got, min, max } => {
                let rate = if key == "sample_hz" { "rate_hz" } else { key };
                let what = format!("{key} must lie between {min} and {max}, got {got} in {trace}");
                grid.at_key(rate, &what)
            }
            ConfigError::UnknownKey => Problem::new(format!("{}: unknown key", grid.name)),
        })
    }

    /// The settings of the registered detector in this cell; `base` are those of the trace's own
    /// deployment.
    pub fn own(&self, base: &[f32]) -> Vec<f32> {
        let chosen = |key| self.settings.iter().find(|s| s.0 == key).map(|s| s.1);
        let all = own::settings().zip(base);
        all.map(|((key, _), value)| chosen(key).unwrap_or(*value)).collect()
    }

    /// What this cell is, in the order of the grid: name and value of each choice.
    pub fn choices(&self) -> Vec<(&'static str, String)> {
        let mut parts = Vec::new();
        if let Some(hz) = self.rate_hz {
            parts.push(("rate_hz", format!("{hz} Hz")));
        }
        parts.push(("thinning", self.thinning.name().into()));
        parts.push(("duty", self.duty.name()));
        parts.push(("raw", if self.raw { "raw" } else { "no raw" }.into()));
        parts.extend(self.settings.iter().map(|&(key, value, flag)| match flag {
            true => (key, format!("{key} {}", value >= 0.5)),
            false => (key, format!("{key} {value}")),
        }));
        parts
    }

    /// The choices named in `of`, for a person.
    pub fn label(&self, of: &[&str]) -> String {
        let chosen = self.choices().into_iter().filter(|(key, _)| of.contains(key));
        chosen.map(|(_, text)| text).collect::<Vec<_>>().join(", ")
    }
}

/// Names of the choices in which cells differ.
pub fn varying(cells: &[Cell]) -> Vec<&'static str> {
    let Some(first) = cells.first() else { return Vec::new() };
    let all: Vec<_> = cells.iter().map(Cell::choices).collect();
    let differs = |n: usize, text: &String| all.iter().any(|c| c[n].1 != *text);
    let choices = first.choices();
    let varying = choices.iter().enumerate().filter(|(n, (_, text))| differs(*n, text));
    varying.map(|(_, (key, _))| *key).collect()
}

/// Bits of all settings that are first read at `stage`.
pub fn read_at(config: &Config, stage: Stage) -> Vec<u32> {
    let keys = STAGES.iter().filter(|(_, s)| *s == stage).map(|(key, _)| *key);
    let value = |key| config.detector().get(key).or(config.release().get(key));
    keys.map(|key| value(key).unwrap_or(f32::NAN).to_bits()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(text: &str) -> Grid {
        Grid::parse("g.toml", text).unwrap()
    }

    #[test]
    fn crosses_all_lists() {
        let g = grid(
            "[sampling]\nrate_hz = [25, 5]\nthinning = [\"filter\", \"skip\"]\n\
             [record]\nraw = [false, true]\n[release]\nceiling_h = [24, 48, 72]\n",
        );
        let (cells, left_out) = cross(&g, &[25.0, 25.0]);
        assert_eq!((cells.len(), left_out), (18, 6));
        for (n, a) in cells.iter().enumerate() {
            assert!(cells[n + 1..].iter().all(|b| a != b));
        }
        assert_eq!(cross(&g, &[25.0, 50.0]), (cross(&g, &[50.0]).0, 0));
        let keys = varying(&cells);
        assert_eq!(keys, ["rate_hz", "thinning", "raw", "ceiling_h"]);
        assert_eq!(cells[0].label(&keys), "25 Hz, filter, no raw, ceiling_h 24");
        assert_eq!(cross(&g, &[50.0]).0.len(), 24);
    }

    #[test]
    fn rates() {
        assert_eq!(factor(25.0, 25.0), Some(1));
        assert_eq!(factor(25.0, 12.5), Some(2));
        assert_eq!(factor(25.0, 8.333), Some(3));
        assert_eq!(factor(24.99, 5.0), Some(5));
        assert_eq!(factor(25.0, 10.0), None);
        assert_eq!(factor(25.0, 50.0), None);
        let g = grid("[sampling]\nrate_hz = [10, 50]\n");
        let (cells, _) = cross(&g, &[25.0]);
        let error = cells[0].rate(&g, "a.csv", 25.0).unwrap_err();
        assert!(error.to_string().contains("does not divide the 25 Hz of a.csv"));
        assert_eq!(error.advice(), Some("nearest rates that do: 12.5 and 8.3333 Hz"));
        let error = cells[1].rate(&g, "a.csv", 25.0).unwrap_err();
        assert!(error.to_string().contains("recorded at 25 Hz"));
    }
}
