//! The cell, as a tag file gives it.

use super::figure::{Curve, Figure};
use super::reader::Section;
use crate::problem::Problem;

/// The battery of one or several cells. Figures are those of one cell.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Chemistry, for people.
    pub chemistry: String,
    /// Nominal capacity, mAh.
    pub nominal_mah: Figure,
    /// Cells in series.
    pub in_series: f64,
    /// Cells in parallel.
    pub in_parallel: f64,
    /// Derating by load.
    pub load: LoadDerating,
    /// Part of the nominal capacity by temperature, deg C.
    pub capacity_part_by_c: Curve,
    /// Voltage without load, V, by part left.
    pub voltage_v_by_left: Curve,
    /// Internal resistance when fresh, ohm, by temperature, deg C.
    pub resistance_ohm_by_c: Curve,
    /// Factor on it by part left.
    pub resistance_factor_by_left: Option<Curve>,
    /// Percent a year at 20 deg C.
    pub self_discharge_percent_per_year: Figure,
    /// Rise that doubles self-discharge, deg C.
    pub self_discharge_doubling_c: Figure,
    /// Age at the start, years.
    pub age_years: Figure,
    /// Voltage under steady load at which it counts as empty, V.
    pub cutoff_v: Figure,
}

/// How the capacity falls with load.
#[derive(Clone, Debug, PartialEq)]
pub enum LoadDerating {
    /// Not at all.
    None,
    /// Peukert's law.
    Peukert {
        /// Exponent, 1 or more.
        exponent: Figure,
        /// Current at which the nominal capacity holds, mA.
        rated_ma: Figure,
    },
    /// Part of the nominal capacity by load, mA of one cell.
    Curve(Curve),
}

impl Cell {
    pub(super) fn read(s: &Section<'_>) -> Result<Self, Problem> {
        let exponent = s.figure("peukert_exponent")?;
        let load = match (s.may_curve("capacity_part_by_ma"), s.has("peukert_exponent")) {
            (Some(_), true) => {
                return Err(s.fail_at(
                    "capacity_part_by_ma",
                    "capacity_part_by_ma and peukert_exponent both say how capacity falls with load; \
                     one of them was expected",
                ));
            }
            (Some(curve), false) => {
                // The charge a load counts for must not fall as the load rises.
                for pair in curve.points.windows(2) {
                    if pair[1][1] > pair[0][1] {
                        return Err(s.fail_at(
                            "capacity_part_by_ma",
                            &format!(
                                "capacity_part_by_ma must not rise with the load, but is {} at {} mA and {} at {} mA",
                                pair[0][1], pair[0][0], pair[1][1], pair[1][0]
                            ),
                        ));
                    }
                }
                LoadDerating::Curve(curve)
            }
            (None, true) => match s.may_figure("rated_ma") {
                Some(rated_ma) => LoadDerating::Peukert { exponent, rated_ma },
                None => {
                    return Err(s.fail_at(
                        "peukert_exponent",
                        "peukert_exponent needs rated_ma, the current at which nominal_mah holds",
                    ));
                }
            },
            (None, false) => LoadDerating::None,
        };
        let voltage = s.curve("voltage_v_by_left")?;
        monotone(s, "voltage_v_by_left", &voltage, 1.0)?;
        let factor = s.may_curve("resistance_factor_by_left");
        if let Some(factor) = &factor {
            monotone(s, "resistance_factor_by_left", factor, -1.0)?;
        }
        let cell = Cell {
            chemistry: s.text("chemistry")?,
            nominal_mah: s.figure("nominal_mah")?,
            in_series: s.number("in_series")?,
            in_parallel: s.number("in_parallel")?,
            load,
            capacity_part_by_c: s.curve("capacity_part_by_c")?,
            voltage_v_by_left: voltage,
            resistance_ohm_by_c: s.curve("resistance_ohm_by_c")?,
            resistance_factor_by_left: factor,
            self_discharge_percent_per_year: s.figure("self_discharge_percent_per_year")?,
            self_discharge_doubling_c: s.figure("self_discharge_doubling_c")?,
            age_years: s.figure("age_years")?,
            cutoff_v: s.figure("cutoff_v")?,
        };
        let full_v = cell.voltage_v_by_left.at(1.0);
        if cell.cutoff_v.value >= full_v {
            return Err(s.fail_at(
                "cutoff_v",
                &format!(
                    "cutoff_v = {} is not below the {full_v} V of a full cell (voltage_v_by_left): the cell would be empty from the start",
                    cell.cutoff_v.value
                ),
            ));
        }
        Ok(cell)
    }

    pub(super) fn figures_mut(&mut self) -> Vec<&mut Figure> {
        let mut all = vec![
            &mut self.nominal_mah,
            &mut self.capacity_part_by_c.scale,
            &mut self.voltage_v_by_left.scale,
            &mut self.resistance_ohm_by_c.scale,
            &mut self.self_discharge_percent_per_year,
            &mut self.self_discharge_doubling_c,
            &mut self.age_years,
            &mut self.cutoff_v,
        ];
        match &mut self.load {
            LoadDerating::None => {}
            LoadDerating::Peukert { exponent, rated_ma } => all.extend([exponent, rated_ma]),
            LoadDerating::Curve(curve) => all.push(&mut curve.scale),
        }
        all.extend(self.resistance_factor_by_left.as_mut().map(|c| &mut c.scale));
        all
    }
}

/// The second numbers of `curve` rise (`sign` 1) or fall (-1), or stay.
fn monotone(s: &Section<'_>, key: &str, curve: &Curve, sign: f64) -> Result<(), Problem> {
    for pair in curve.points.windows(2) {
        if sign * (pair[1][1] - pair[0][1]) < 0.0 {
            let way = if sign > 0.0 { "fall" } else { "rise" };
            return Err(s.fail_at(
                key,
                &format!(
                    "{key} must not {way} as the part left rises, but is {} at {} and {} at {}",
                    pair[0][1], pair[0][0], pair[1][1], pair[1][0]
                ),
            ));
        }
    }
    Ok(())
}
