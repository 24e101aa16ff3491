//! The battery over a recorded trace: the same model, with the temperatures of the
//! deployment. Charges are added up sample by sample; the battery takes them, with
//! derating and self-discharge, each time the tag looks at it.

use std::sync::Arc;

use super::cell::Battery;
use super::plan::{BUS_PART, DETECTORS_PART, Plan, SHELL_PART};
use crate::tag_file::{PhaseKind, TagFile};

/// uC in a mAh.
const UC_PER_MAH: f64 = 3.6e6;

/// What a tag draws while a trace is replayed, in plain numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct TraceLoads {
    battery: Battery,
    /// Drawn all the time, uA.
    steady_ua: f64,
    /// Drawn for each sample, uC.
    sample_uc: f64,
    /// Drawn for each depth reading, uC.
    depth_uc: f64,
    /// Drawn for each byte recorded, uC.
    byte_uc: f64,
    /// Temperature where none was read, deg C.
    temp_c: f64,
}

impl TraceLoads {
    /// Of a tag at `sample_hz`, on the animal: accelerometer, detectors and the
    /// parts that its first phase on the animal has in use.
    pub fn new(tag: &TagFile, sample_hz: f64) -> Self {
        let mut tag = tag.clone();
        let mut first = true;
        tag.phases.retain_mut(|p| {
            let keep = p.kind == PhaseKind::Animal && std::mem::take(&mut first);
            if keep {
                p.sample_hz = sample_hz;
                p.duty = None;
                // Counted by reading and by byte.
                p.depth_hz = 0.0;
                p.records.clear();
                p.detectors = true;
            }
            keep
        });
        let by_sample = |part| matches!(part, 1 | DETECTORS_PART | SHELL_PART | BUS_PART);
        let battery = Battery::new(&tag);
        let plan = Plan::new(&tag, None);
        let phase = plan.phases.first();
        let sampling_ma: f64 = phase
            .map_or(0.0, |p| p.shares.iter().filter(|s| by_sample(s.part)).map(|s| s.on_ma).sum());
        let all_ma = phase.map_or(0.0, |p| {
            let trains: f64 =
                p.trains.iter().map(|t| t.mean_ma * (t.day_s / 86_400.0).min(1.0)).sum();
            p.on_ma + trains
        });
        TraceLoads {
            battery,
            steady_ua: (all_ma - sampling_ma) * 1e3,
            sample_uc: sampling_ma * 1e3 / sample_hz,
            depth_uc: tag.depth_sensor.as_ref().map_or(0.0, |d| {
                let read_uc = tag.reckoner().pressure_uc(d.wait_ms.value);
                d.reading_ma.value * d.reading_ms.value + read_uc
            }),
            byte_uc: tag
                .flash
                .as_ref()
                .map_or(0.0, |f| f.write_uc_per_byte.value + f.erase_uc_per_byte.value),
            temp_c: phase.map_or(20.0, |p| p.temp_c),
        }
    }
}

/// The battery at one moment. A clone is a checkpoint.
#[derive(Clone, Debug, PartialEq)]
pub struct Tracker {
    loads: Arc<TraceLoads>,
    temp_c: f64,
    last_us: u64,
    last_bytes: u64,
    /// Drawn since the battery last took it, uC, and when that was.
    pending_uc: f64,
    taken_us: u64,
    drawn_uc: f64,
    spent: f64,
}

impl Tracker {
    /// A battery as it is when the animal is let go.
    pub fn new(loads: Arc<TraceLoads>) -> Self {
        Tracker {
            temp_c: loads.temp_c,
            spent: loads.battery.spent_at_start,
            loads,
            last_us: 0,
            last_bytes: 0,
            pending_uc: 0.0,
            taken_us: 0,
            drawn_uc: 0.0,
        }
    }

    /// Takes one sample at `t_us`. A gap draws the steady current; time that runs
    /// back draws none.
    #[inline]
    pub fn sample(&mut self, t_us: u64, depth_read: bool, temp_c: Option<f32>) {
        let passed_s = t_us.saturating_sub(self.last_us) as f64 * 1e-6;
        self.last_us = self.last_us.max(t_us);
        self.pending_uc += self.loads.steady_ua * passed_s + self.loads.sample_uc;
        if depth_read {
            self.pending_uc += self.loads.depth_uc;
        }
        if let Some(temp_c) = temp_c {
            self.temp_c = f64::from(temp_c);
        }
    }

    /// Takes `count` samples without readings, the first at `t_us`, each `period_us` after
    /// the one before: the same bits as one by one.
    #[inline]
    pub fn run(&mut self, t_us: u64, period_us: u32, count: usize) {
        let period_us = u64::from(period_us);
        if t_us.checked_sub(self.last_us) != Some(period_us) {
            for n in 0..count as u64 {
                self.sample(t_us + period_us * n, false, None);
            }
            return;
        }
        let each_uc = self.loads.steady_ua * (period_us as f64 * 1e-6) + self.loads.sample_uc;
        let mut pending_uc = self.pending_uc;
        for _ in 0..count {
            pending_uc += each_uc;
        }
        self.pending_uc = pending_uc;
        self.last_us += period_us * count as u64;
    }

    /// Takes over what `other`, which was given the samples, has drawn since both
    /// were settled last: one of many batteries under the same samples.
    pub fn follow(&mut self, other: &Tracker) {
        self.pending_uc = other.pending_uc;
        self.last_us = other.last_us;
        self.temp_c = other.temp_c;
    }

    /// Accounts for the record having grown to `bytes`, and lets the battery take
    /// what was drawn since the last call, at the latest temperature.
    pub fn settle(&mut self, bytes: u64) {
        let grown = bytes.saturating_sub(self.last_bytes);
        self.last_bytes = self.last_bytes.max(bytes);
        self.pending_uc += grown as f64 * self.loads.byte_uc;
        let passed_s = self.last_us.saturating_sub(self.taken_us) as f64 * 1e-6;
        self.taken_us = self.last_us;
        let uc = std::mem::take(&mut self.pending_uc);
        self.drawn_uc += uc;
        let battery = &self.loads.battery;
        // A single sample has no duration: its charge counts as that of a steady load.
        let mean_ma =
            if passed_s > 0.0 { uc / passed_s * 1e-3 } else { self.loads.steady_ua * 1e-3 };
        let load = uc / UC_PER_MAH * battery.weight(mean_ma) / battery.capacity_mah;
        let leak = -(-battery.leak_per_s(self.temp_c) * passed_s).exp_m1() * (1.0 - self.spent);
        self.spent += load + leak.max(0.0);
    }

    /// Charge drawn up to the last [`Tracker::settle`], mAh.
    pub fn used_mah(&self) -> f64 {
        self.drawn_uc / UC_PER_MAH
    }

    /// Part of the charge left at the present temperature, 0 to 1.
    pub fn left_fraction(&self) -> f64 {
        self.loads.battery.left(self.spent, self.temp_c).clamp(0.0, 1.0)
    }
}
