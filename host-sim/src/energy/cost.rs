//! What the detectors cost, as measured: the one place where instruction counts
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

/// Pairs of sample rate, Hz, and mean instructions a second, by core.
static COUNTS: LazyLock<HashMap<&'static str, Vec<[f64; 2]>>> = LazyLock::new(|| {
    let from = TABLE.find("## Instructions a sample\n").expect("the table of instructions");
    let section = &TABLE[from..];
    let section = &section[..section[3..].find("\n## ").map_or(section.len(), |at| at + 3)];
    // Of samples stepped one by one, which cost the most.
    let head = section.lines().find(|l| l.starts_with("| core |")).expect("its head");
    let mean = head.split('|').position(|name| name.trim() == "mean").expect("its means");
    let mut counts: HashMap<&'static str, Vec<[f64; 2]>> = HashMap::new();
    for row in section.lines().filter(|l| l.starts_with("| Cortex")) {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let (Some(core), Ok(hz), Ok(mean)) = (
            [Core::CortexM4F, Core::CortexM0].iter().find(|c| c.name() == cells[1]),
            cells[2].parse::<f64>(),
            cells[mean].parse::<f64>(),
        ) else {
            continue;
        };
        counts.entry(core.name()).or_default().push([hz, hz * mean]);
    }
    for points in counts.values_mut() {
        points.sort_by(|a, b| a[0].total_cmp(&b[0]));
    }
    counts
});

/// The figures that turn instructions into current.
pub fn core_figures(core: Core) -> &'static CoreFigures {
    &FIGURES[core.name()]
}

/// Rates measured, Hz, and mean instructions a sample at each.
pub fn measured(core: Core) -> Vec<[f64; 2]> {
    COUNTS[core.name()].iter().map(|p| [p[0], p[1] / p[0]]).collect()
}

/// Mean instructions of the detectors a sample at `sample_hz`.
///
/// Between the measured rates the instructions a second lie on a straight line. A
/// slower rate is taken to need as many a second as the slowest measured (the
/// detectors work at no less than a fixed rate); a faster one as many a sample as
/// the fastest measured.
pub fn instructions(core: Core, sample_hz: f64) -> f64 {
    let points = &COUNTS[core.name()];
    match points.last() {
        Some(last) if sample_hz > last[0] => last[1] / last[0],
        _ => line(points, sample_hz) / sample_hz.max(1e-9),
    }
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
