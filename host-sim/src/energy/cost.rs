//! What the deployed path costs, as measured: the one place where instruction counts
//! and the instruction-to-current model enter.
//!
//! Both are read from the files that the measurement writes and uses:
//! `docs/on-target-table.md` (written anew by [`MEASURED_BY`]) and
//! `tests/on-target/model.toml`.

use std::collections::HashMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::tag_file::line;

/// Command that measures the instruction counts anew.
pub const MEASURED_BY: &str = "tests/on-target/run measure";

const TABLE: &str = include_str!("../../../docs/on-target-table.md");
const MODEL: &str = include_str!("../../../tests/on-target/model.toml");

/// A core that the detectors were measured on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Core {
    /// Cortex-M4F, floats in hardware.
    CortexM4F,
    /// Cortex-M0, floats in software.
    CortexM0,
}

impl Core {
    /// Its name in both files.
    pub fn name(self) -> &'static str {
        match self {
            Core::CortexM4F => "Cortex-M4F",
            Core::CortexM0 => "Cortex-M0",
        }
    }
}

/// From instructions to current.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct CoreFigures {
    /// Clock cycles an instruction.
    pub cycles_per_instruction: f64,
    /// Its source.
    pub cycles_per_instruction_source: String,
    /// Clock, MHz.
    pub clock_mhz: f64,
    /// Running current, uA for each MHz.
    pub run_ua_per_mhz: f64,
    /// Source of clock and current.
    pub run_source: String,
    /// To wake and sleep again, us at running current.
    pub wake_us: f64,
    /// Its source.
    pub wake_source: String,
}

static FIGURES: LazyLock<HashMap<&'static str, CoreFigures>> = LazyLock::new(|| {
    let model: toml::Table = MODEL.parse().expect("tests/on-target/model.toml is TOML");
    [Core::CortexM4F, Core::CortexM0]
        .map(|core| {
            let figures = model[core.name()].clone().try_into().expect("figures of the core");
            (core.name(), figures)
        })
        .into()
});

/// Rows of a section of the table: core, sample rate, Hz, and what stands in a column.
fn column(section: &str, column: &str) -> Vec<(Core, f64, f64)> {
    let from = TABLE.find(&format!("## {section}\n")).expect("a section of the table");
    let section = &TABLE[from..];
    let section = &section[..section[3..].find("\n## ").map_or(section.len(), |at| at + 3)];
    let cells = |row: &'static str| row.split('|').map(|cell| cell.trim_matches([' ', '*']));
    let head = section.lines().find(|l| l.starts_with("| core |")).expect("its head");
    let place = cells(head).position(|name| name == column).expect("a column of the table");
    let row = |row: &'static str| {
        let cells: Vec<&str> = cells(row).collect();
        let name = *cells.get(1)?;
        let core = [Core::CortexM4F, Core::CortexM0].into_iter().find(|c| c.name() == name)?;
        Some((core, cells.get(2)?.parse().ok()?, cells.get(place)?.parse().ok()?))
    };
    section.lines().filter_map(row).collect()
}

/// What the instructions of a sample are for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Split {
    /// Detectors.
    pub detectors: f64,
    /// Clocks, water, release, log: the deployed path without its detectors.
    pub shell: f64,
    /// Copies of state.
    pub copies: f64,
}

impl Split {
    /// All of them.
    pub fn sum(&self) -> f64 {
        self.detectors + self.shell + self.copies
    }

    fn each(&self, f: impl Fn(f64) -> f64) -> Self {
        let Split { detectors, shell, copies } = *self;
        Split { detectors: f(detectors), shell: f(shell), copies: f(copies) }
    }

    /// Shares of `sum` as they are in this.
    pub fn scaled_to(&self, sum: f64) -> Self {
        let factor = if self.sum() > 0.0 { sum / self.sum() } else { 0.0 };
        self.each(|count| count * factor)
    }
}

/// Sample rates measured, Hz, rising, with the mean instructions a second at each, by core.
static COUNTS: LazyLock<HashMap<&'static str, Vec<(f64, Split)>>> = LazyLock::new(|| {
    const PATH: &str = "Instructions of the deployed path";
    let path = column(PATH, "mean a sample");
    let of_detectors = column(PATH, "of it detectors");
    let of_copies = column("Instructions of copies of state", "all of them, a sample");
    let mut counts: HashMap<&'static str, Vec<(f64, Split)>> = HashMap::new();
    for (core, hz, mean) in path {
        let at = |counts: &[(Core, f64, f64)]| {
            let row = counts.iter().find(|(c, rate, _)| (*c, *rate) == (core, hz));
            row.expect("a count at every rate measured").2
        };
        let detectors = at(&of_detectors);
        let split = Split { detectors, shell: mean - detectors, copies: at(&of_copies) };
        counts.entry(core.name()).or_default().push((hz, split.each(|count| count * hz)));
    }
    for points in counts.values_mut() {
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    counts
});

/// The figures that turn instructions into current.
pub fn core_figures(core: Core) -> &'static CoreFigures {
    &FIGURES[core.name()]
}

/// Rates measured, Hz, and mean instructions a sample at each.
pub fn measured(core: Core) -> Vec<[f64; 2]> {
    COUNTS[core.name()].iter().map(|(hz, split)| [*hz, split.sum() / hz]).collect()
}

/// Mean instructions a sample at `sample_hz` of all that runs on the tag's core: detectors,
/// clocks and release, log, copies of state.
///
/// Between the measured rates the instructions a second lie on a straight line. A
/// slower rate is taken to need as many a second as the slowest measured (the
/// detectors work at no less than a fixed rate); a faster one as many a sample as
/// the fastest measured.
pub fn instructions(core: Core, sample_hz: f64) -> f64 {
    split(core, sample_hz).sum()
}

/// Mean instructions a sample at `sample_hz`, Hz, by what they are for; between and beyond the
/// measured rates as for [`instructions`].
pub fn split(core: Core, sample_hz: f64) -> Split {
    let points = &COUNTS[core.name()];
    let of = |count: fn(&Split) -> f64| {
        let points: Vec<[f64; 2]> = points.iter().map(|(hz, split)| [*hz, count(split)]).collect();
        match points.last() {
            Some(last) if sample_hz > last[0] => last[1] / last[0],
            _ => line(&points, sample_hz) / sample_hz.max(1e-9),
        }
    };
    Split { detectors: of(|s| s.detectors), shell: of(|s| s.shell), copies: of(|s| s.copies) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_read_for_both_cores() {
        for core in [Core::CortexM4F, Core::CortexM0] {
            let points = measured(core);
            assert!(points.len() >= 3, "{points:?}");
            for [hz, count] in &points {
                assert!((instructions(core, *hz) / count - 1.0).abs() < 1e-12);
                assert!(*count > 50.0);
            }
            assert!(core_figures(core).clock_mhz > 1.0);
        }
        assert!(instructions(Core::CortexM0, 25.0) > 5.0 * instructions(Core::CortexM4F, 25.0));
    }

    #[test]
    fn between_and_beyond_the_measured_rates() {
        let core = Core::CortexM4F;
        let [first, .., last] = measured(core)[..] else { panic!("rates") };
        assert!((instructions(core, 2.0 * last[0]) - last[1]).abs() < 1e-9);
        let slow = first[0] / 2.0;
        assert!((slow * instructions(core, slow) - first[0] * first[1]).abs() < 1e-6);
    }
}
