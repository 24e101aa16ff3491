//! The cell of one tag in a sweep, brought up to date once a minute.

use firmware_core::tag::Sample;

use super::duty::Duty;
use crate::energy::EnergyModel;

/// What a tag has done so far, whatever its settings make of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Activity {
    /// Samples taken.
    pub samples: u64,
    /// Depth readings taken.
    pub depths: u64,
    /// Time awake, microseconds.
    pub awake_us: u64,
    /// Time since the start, microseconds.
    pub now_us: u64,
    /// Latest temperature, deg C.
    pub temp_c: Option<f32>,
}

impl Activity {
    /// Takes a sample; `last_us` is the time of the one before.
    #[inline]
    pub fn sample(&mut self, last_us: Option<u64>, sample: &Sample, duty: Duty) {
        self.samples += 1;
        self.depths += u64::from(sample.depth_m.is_some());
        if sample.temp_c.is_some() {
            self.temp_c = sample.temp_c;
        }
        let passed = sample.t_us.saturating_sub(last_us.unwrap_or(0));
        self.now_us = self.now_us.max(sample.t_us);
        // A step longer than the waking stretch was slept through.
        let slept = matches!(duty, Duty::Cycle { on_us, .. } if passed > on_us);
        if !slept {
            self.awake_us += passed;
        }
    }
}

/// The cell and what draws on it. Plain data: a copy is a checkpoint.
#[derive(Clone, Debug, PartialEq)]
pub struct Meter {
    model: EnergyModel,
    sample_hz: f64,
    used_uc: f64,
    temp_c: f64,
}

impl Meter {
    /// A fresh cell, with the accelerometer at `sample_hz` while awake.
    pub fn new(model: EnergyModel, sample_hz: f64) -> Self {
        Meter { temp_c: model.default_temp_c, model, sample_hz, used_uc: 0.0 }
    }

    /// Brings the cell up to date.
    pub fn advance(&mut self, activity: &Activity, bytes: f64) {
        let m = &self.model;
        let sensor_ua = m.accel_base_ua + m.accel_ua_per_hz * self.sample_hz;
        self.used_uc = m.sleep_ua * activity.now_us as f64 * 1e-6
            + sensor_ua * activity.awake_us as f64 * 1e-6
            + m.mcu_uc_per_sample * activity.samples as f64
            + m.depth_uc_per_reading * activity.depths as f64
            + m.flash_uc_per_byte * bytes;
        if let Some(temp_c) = activity.temp_c {
            self.temp_c = f64::from(temp_c);
        }
    }

    /// Charge used so far, mAh.
    pub fn used_mah(&self) -> f64 {
        self.used_uc / 3.6e6
    }

    /// Part of the charge left at the present temperature, 0 to 1.
    pub fn left_fraction(&self) -> f64 {
        let cold = (20.0 - self.temp_c).max(0.0) * self.model.derate_per_deg;
        let capacity = self.model.cell_mah * (1.0 - cold).max(0.4);
        (1.0 - self.used_mah() / capacity).clamp(0.0, 1.0)
    }
}
