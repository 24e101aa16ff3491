//! From instructions to current: the model in `model.toml`, and the section of the table
//! that it gives.

use std::fmt::Write as _;

use serde::Deserialize;

use crate::target::Target;

/// Figures of a core.
#[derive(Deserialize)]
pub struct Core {
    cycles_per_instruction: f64,
    cycles_per_instruction_source: String,
    clock_mhz: f64,
    run_ua_per_mhz: f64,
    run_source: String,
    wake_us: f64,
    wake_source: String,
}

#[derive(Deserialize)]
struct Accelerometer {
    name: String,
    current_ua: f64,
    source: String,
}

#[derive(Deserialize)]
struct Flash {
    page_bytes: f64,
    program_ms: f64,
    program_ma: f64,
    program_source: String,
    transfer_mhz: f64,
    transfer_ma: f64,
    transfer_source: String,
    standby_ua: f64,
    standby_source: String,
}

/// The model, as written in its file.
#[derive(Deserialize)]
pub struct Model {
    #[serde(rename = "Cortex-M4F")]
    m4f: Core,
    #[serde(rename = "Cortex-M0")]
    m0: Core,
    accelerometer: Vec<Accelerometer>,
    flash: Flash,
}

impl Model {
    /// Figures of the core of a target.
    pub fn core(&self, target: Target) -> &Core {
        if target.name == "Cortex-M4F" { &self.m4f } else { &self.m0 }
    }

    /// Current over that of the accelerometer held against.
    pub fn of_accelerometer(&self, current_ua: f64) -> Option<f64> {
        self.accelerometer.first().map(|a| current_ua / a.current_ua)
    }
}

impl Core {
    /// Mean current of so many instructions a sample at a rate, with a wake each, uA.
    pub fn current_ua(&self, instructions: f64, hz: f64) -> f64 {
        let run_us = instructions * self.cycles_per_instruction / self.clock_mhz;
        (run_us + self.wake_us) * 1.0e-6 * hz * self.run_ua_per_mhz * self.clock_mhz
    }

    /// Part of the time that the processor sleeps.
    pub fn idle(&self, instructions: f64, hz: f64) -> f64 {
        1.0 - instructions * self.cycles_per_instruction * hz / (self.clock_mhz * 1.0e6)
    }
}

impl Flash {
    /// Mean current of writing so many bytes a second, uA, without standby.
    fn current_ua(&self, bytes_per_s: f64) -> f64 {
        let transfer_ms = self.page_bytes * 8.0 / (self.transfer_mhz * 1.0e3);
        let charge_uc = self.program_ms * self.program_ma + transfer_ms * self.transfer_ma;
        bytes_per_s / self.page_bytes * charge_uc
    }
}

/// Writes the section on current; `means` are instructions a sample at 25 Hz, copies of
/// state included.
pub fn section(t: &mut String, means: &[(Target, f64)], model: &Model) {
    let _ = writeln!(
        t,
        "## Current at 25 Hz, by the model\n\n\
         Of the deployed path with its copies of state. A wake a sample is reckoned with, though a\n\
         FIFO asks for fewer.\n\n\
         current = rate x (instructions x cycles an instruction / clock + wake) x running current.\n\n\
         | core | running, us a sample | idle at {:.0} MHz (M0) or {:.0} MHz (M4F) | current, uA |\n\
         | --- | ---: | ---: | ---: |",
        model.m0.clock_mhz, model.m4f.clock_mhz
    );
    for (target, mean) in means {
        let core = model.core(*target);
        let _ = writeln!(
            t,
            "| {} | {:.1} | {:.2} % | {:.2} |",
            target.name,
            mean * core.cycles_per_instruction / core.clock_mhz,
            100.0 * core.idle(*mean, 25.0),
            core.current_ua(*mean, 25.0)
        );
    }
    let _ = writeln!(t, "\n| held against | uA | source |\n| --- | ---: | --- |");
    for a in &model.accelerometer {
        let _ = writeln!(t, "| accelerometer, {} | {:.1} | {} |", a.name, a.current_ua, a.source);
    }
    let f = &model.flash;
    let raw = 25.0 * 6.0;
    let minutes = f64::from(firmware_core::store::record::STORED_PER_MINUTE) / 60.0;
    for (what, bytes) in [("raw samples, 3 x 16 bit at 25 Hz", raw), ("minutes only", minutes)] {
        let _ = writeln!(
            t,
            "| flash, {what}: {:.2} B/s, {:.2} MB a day | {:.2} + {:.1} standby | below |",
            bytes,
            bytes * 86_400.0 / 1.0e6,
            f.current_ua(bytes),
            f.standby_ua
        );
    }
    sources(t, model);
}

fn sources(t: &mut String, model: &Model) {
    t.push_str("\nSources of the model:\n\n");
    for (name, c) in [("Cortex-M4F", &model.m4f), ("Cortex-M0", &model.m0)] {
        let _ = writeln!(
            t,
            "- {name}: {} cycles an instruction ({}); {} uA/MHz at {} MHz ({}); wake {} us ({}).",
            c.cycles_per_instruction,
            c.cycles_per_instruction_source,
            c.run_ua_per_mhz,
            c.clock_mhz,
            c.run_source,
            c.wake_us,
            c.wake_source
        );
    }
    let f = &model.flash;
    let _ = writeln!(
        t,
        "- flash: {} B pages, {} ms at {} mA ({}); {} MHz at {} mA ({}); {}. Erased on the bench.",
        f.page_bytes,
        f.program_ms,
        f.program_ma,
        f.program_source,
        f.transfer_mhz,
        f.transfer_ma,
        f.transfer_source,
        f.standby_source
    );
}
