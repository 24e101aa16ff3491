//! Charge drawn from the cell: average currents, added up.
//!
//! A plain budget, stated so that it can be checked by hand:
//!
//! ```text
//! current   = sleep + accelerometer(rate)                      all the time
//! charge   += MCU charge a sample + depth charge a reading + flash charge a byte
//! capacity  = nominal * (1 - derate * (20 deg C - T))          at least 40 %
//! left      = 1 - used / capacity
//! ```
//!
//! It knows no pulses, no internal resistance and no age; figures are typical of
//! low-power parts (common practice, no source), and stand in one place,
//! [`EnergyModel`].

/// Currents and charges of the parts, and the cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnergyModel {
    /// Nominal capacity of the cell at 20 deg C, mAh.
    pub cell_mah: f64,
    /// Everything asleep: clock, regulator, leakage, µA.
    pub sleep_ua: f64,
    /// Accelerometer, part that does not depend on the rate, µA.
    pub accel_base_ua: f64,
    /// Accelerometer, µA for each Hz of sample rate.
    pub accel_ua_per_hz: f64,
    /// Microcontroller, charge to wake and process one sample, µC.
    pub mcu_uc_per_sample: f64,
    /// Depth sensor, charge a reading, µC.
    pub depth_uc_per_reading: f64,
    /// Flash memory, charge a byte written, µC.
    pub flash_uc_per_byte: f64,
    /// Part of the nominal capacity lost for each deg C below 20.
    pub derate_per_deg: f64,
    /// Temperature taken where none was read, deg C.
    pub default_temp_c: f64,
}

impl Default for EnergyModel {
    fn default() -> Self {
        EnergyModel {
            cell_mah: 1000.0,
            sleep_ua: 3.0,
            accel_base_ua: 1.0,
            accel_ua_per_hz: 0.2,
            mcu_uc_per_sample: 0.5,
            depth_uc_per_reading: 10.0,
            flash_uc_per_byte: 0.5,
            derate_per_deg: 0.005,
            default_temp_c: 15.0,
        }
    }
}

/// The state of the cell. Plain data: a copy is a checkpoint.
#[derive(Clone, Debug, PartialEq)]
pub struct Energy {
    model: EnergyModel,
    steady_ua: f64,
    used_uc: f64,
    temp_c: f64,
    last_us: u64,
    last_bytes: u64,
}

/// µC in one mAh.
const UC_PER_MAH: f64 = 3.6e6;

impl Energy {
    /// A fresh cell, with the accelerometer at `sample_hz`.
    pub fn new(model: EnergyModel, sample_hz: f64) -> Self {
        let steady_ua = model.sleep_ua + model.accel_base_ua + model.accel_ua_per_hz * sample_hz;
        Energy {
            steady_ua,
            used_uc: 0.0,
            temp_c: model.default_temp_c,
            last_us: 0,
            last_bytes: 0,
            model,
        }
    }

    /// Takes one sample at `t_us` microseconds. A gap draws the steady current;
    /// time that runs back draws none.
    #[inline]
    pub fn sample(&mut self, t_us: u64, depth_read: bool, temp_c: Option<f32>) {
        let passed_s = t_us.saturating_sub(self.last_us) as f64 * 1e-6;
        self.last_us = t_us;
        self.used_uc += self.steady_ua * passed_s + self.model.mcu_uc_per_sample;
        if depth_read {
            self.used_uc += self.model.depth_uc_per_reading;
        }
        if let Some(temp_c) = temp_c {
            self.temp_c = f64::from(temp_c);
        }
    }

    /// Accounts for the record having grown to `bytes`.
    pub fn record(&mut self, bytes: u64) {
        let grown = bytes.saturating_sub(self.last_bytes);
        self.last_bytes = bytes;
        self.used_uc += grown as f64 * self.model.flash_uc_per_byte;
    }

    /// Charge used so far, mAh.
    pub fn used_mah(&self) -> f64 {
        self.used_uc / UC_PER_MAH
    }

    /// Part of the charge left at the present temperature, 0 to 1.
    pub fn left_fraction(&self) -> f64 {
        let cold = (20.0 - self.temp_c).max(0.0) * self.model.derate_per_deg;
        let capacity = self.model.cell_mah * (1.0 - cold).max(0.4);
        (1.0 - self.used_mah() / capacity).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adds_up_as_by_hand() {
        // One hour at 25 Hz: (3 + 1 + 5) uA for 1 h is 9 uAh; 90 000 samples of
        // 0.5 uC are 45 000 uC = 12.5 uAh; 3600 depths of 10 uC are 10 uAh;
        // 7200 bytes of 0.5 uC are 1 uAh. Together 32.5 uAh = 0.0325 mAh.
        let mut e = Energy::new(EnergyModel::default(), 25.0);
        for n in 1..=90_000u64 {
            e.sample(n * 40_000, n % 25 == 0, None);
        }
        e.record(7200);
        assert!((e.used_mah() - 0.0325).abs() < 1e-9, "{}", e.used_mah());
        // At 15 deg C the cell holds 975 mAh.
        assert!((e.left_fraction() - (1.0 - 0.0325 / 975.0)).abs() < 1e-12);
    }

    #[test]
    fn cold_takes_capacity_and_nothing_leaves_the_range() {
        let mut e = Energy::new(EnergyModel { cell_mah: 1.0, ..Default::default() }, 25.0);
        e.sample(40_000_000_000, false, Some(20.0));
        let warm = e.left_fraction();
        e.sample(40_000_000_000, false, Some(0.0));
        assert!(e.left_fraction() < warm);
        e.sample(u64::MAX, false, Some(-60.0));
        assert_eq!(e.left_fraction(), 0.0);
    }
}
