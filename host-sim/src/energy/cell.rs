//! The battery: what a load costs it, what is left, and at which voltage.
//!
//! The state is `spent`: charge gone, as a part of the nominal capacity. A current
//! `i` adds `i w(i)/C` a second, with `w` from Peukert's law or a table; what is not
//! spent leaks by itself. At temperature `T` the part left is
//!
//! ```text
//! left = 1 - spent / part(T)
//! ```
//!
//! so cold takes charge away and warmth gives it back. Voltage and resistance go by
//! the part left: in the cold the whole discharge curve is pressed together.

use super::sag::Source;
use crate::tag_file::{Curve, LoadDerating, TagFile, line};

const SECONDS_PER_YEAR: f64 = 365.25 * 86_400.0;

/// A battery, in plain numbers. Voltages and resistances are those of the whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Battery {
    /// Nominal capacity, mAh.
    pub capacity_mah: f64,
    /// Voltage under steady load at which it counts as empty, V.
    pub cutoff_v: f64,
    /// Voltage below which the tag resets, V.
    pub brownout_v: f64,
    /// Spent before the first phase, by age.
    pub spent_at_start: f64,
    load: Weight,
    part_by_c: Vec<[f64; 2]>,
    volt_by_left: Vec<[f64; 2]>,
    ohm_by_c: Vec<[f64; 2]>,
    factor_by_left: Vec<[f64; 2]>,
    leak_per_s: f64,
    doubling_c: f64,
    farad: f64,
    esr_ohm: f64,
}

#[derive(Clone, Debug, PartialEq)]
enum Weight {
    One,
    Peukert { rated_ma: f64, power: f64 },
    Table { points: Vec<[f64; 2]>, parallel: f64 },
}

fn scaled(curve: &Curve, factor: f64) -> Vec<[f64; 2]> {
    curve.points.iter().map(|p| [p[0], p[1] * curve.scale.value * factor]).collect()
}

impl Battery {
    /// That of a tag.
    pub fn new(tag: &TagFile) -> Self {
        let cell = &tag.cell;
        let load = match &cell.load {
            LoadDerating::None => Weight::One,
            LoadDerating::Peukert { exponent, rated_ma } => Weight::Peukert {
                rated_ma: rated_ma.value * cell.in_parallel,
                power: (exponent.value - 1.0).max(0.0),
            },
            LoadDerating::Curve(curve) => {
                Weight::Table { points: scaled(curve, 1.0), parallel: cell.in_parallel }
            }
        };
        // A loss of p percent a year of what is left.
        let part = (cell.self_discharge_percent_per_year.value / 100.0).min(0.999_999);
        let leak_per_s = -(-part).ln_1p() / SECONDS_PER_YEAR;
        let ohm = cell.in_series / cell.in_parallel;
        Battery {
            capacity_mah: cell.nominal_mah.value * cell.in_parallel,
            cutoff_v: cell.cutoff_v.value * cell.in_series,
            brownout_v: tag.supply.brownout_v.value,
            spent_at_start: -(-leak_per_s * SECONDS_PER_YEAR * cell.age_years.value).exp_m1(),
            load,
            part_by_c: scaled(&cell.capacity_part_by_c, 1.0),
            volt_by_left: scaled(&cell.voltage_v_by_left, cell.in_series),
            ohm_by_c: scaled(&cell.resistance_ohm_by_c, ohm),
            factor_by_left: match &cell.resistance_factor_by_left {
                Some(curve) => scaled(curve, 1.0),
                None => vec![[1.0, 1.0]],
            },
            leak_per_s,
            doubling_c: cell.self_discharge_doubling_c.value,
            farad: tag.supply.buffer_mf.value * 1e-3,
            esr_ohm: tag.supply.buffer_esr_ohm.value,
        }
    }

    /// What one mAh at `ma` counts for, mAh.
    pub fn weight(&self, ma: f64) -> f64 {
        match &self.load {
            Weight::One => 1.0,
            Weight::Peukert { .. } if ma <= 0.0 => 0.0,
            Weight::Peukert { rated_ma, power } => (ma / rated_ma).powf(*power),
            Weight::Table { points, parallel } => 1.0 / line(points, ma / parallel).max(1e-6),
        }
    }

    /// Part of the capacity spent a second by `ma`, without self-discharge.
    pub fn rate_per_s(&self, ma: f64) -> f64 {
        ma * self.weight(ma) / (self.capacity_mah * 3600.0)
    }

    /// Self-discharge at `temp_c`, part of what is not spent a second.
    pub fn leak_per_s(&self, temp_c: f64) -> f64 {
        self.leak_per_s * ((temp_c - 20.0) / self.doubling_c).exp2()
    }

    /// Part of the nominal capacity that can be had at `temp_c`.
    pub fn part(&self, temp_c: f64) -> f64 {
        line(&self.part_by_c, temp_c).max(1e-6)
    }

    /// Part left at `temp_c` once `spent` is gone; can be below 0.
    pub fn left(&self, spent: f64, temp_c: f64) -> f64 {
        1.0 - spent / self.part(temp_c)
    }

    /// What is spent when `left` is left at `temp_c`.
    pub fn spent(&self, left: f64, temp_c: f64) -> f64 {
        (1.0 - left) * self.part(temp_c)
    }

    /// Voltage without load, V.
    pub fn open_v(&self, left: f64) -> f64 {
        line(&self.volt_by_left, left)
    }

    /// Internal resistance, ohm.
    pub fn ohm(&self, left: f64, temp_c: f64) -> f64 {
        line(&self.ohm_by_c, temp_c) * line(&self.factor_by_left, left)
    }

    /// As a pulse sees it.
    pub fn source(&self, left: f64, temp_c: f64) -> Source {
        Source { ohm: self.ohm(left, temp_c), farad: self.farad, esr_ohm: self.esr_ohm }
    }

    /// Lowest voltage under pulses of `steps` ([s, mA]) every `period_s` on a steady `base_ma`.
    pub fn pulse_v(
        &self,
        left: f64,
        temp_c: f64,
        base_ma: f64,
        steps: &[[f64; 2]],
        period_s: f64,
    ) -> f64 {
        self.open_v(left) - self.source(left, temp_c).worst_sag_v(base_ma, steps, period_s)
    }

    /// Greatest part left at which the voltage is below `limit_v` at `temp_c`; `None`
    /// where it never is, 1 where it is from the start.
    pub fn left_below(
        &self,
        limit_v: f64,
        temp_c: f64,
        base_ma: f64,
        steps: &[[f64; 2]],
        period_s: f64,
    ) -> Option<f64> {
        let below = |left: f64| self.pulse_v(left, temp_c, base_ma, steps, period_s) < limit_v;
        if !below(0.0) {
            return None;
        }
        if below(1.0) {
            return Some(1.0);
        }
        // Voltage does not fall and resistance does not rise with the part left.
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if below(middle) { low = middle } else { high = middle }
        }
        Some(high)
    }
}
