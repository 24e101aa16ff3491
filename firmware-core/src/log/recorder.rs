//! From what the tag brings to light to records in the log.

use embedded_storage::nor_flash::NorFlash;

use super::{Log, LogError};
use crate::checkpoint::Kept;
use crate::record::{
    Burst, FateEvent, FaultEvent, HourSum, RecoveryEvent, ReleaseEvent, fault_code,
};
use crate::tag::{FaultCounters, FaultKind, Minute, Output, Sample};
use macro_rules_attribute::derive;

/// Keeps minutes, hours and events. Plain data: a copy is a checkpoint.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
pub struct Recorder {
    hour: HourSum,
    minute: Option<Minute>,
    /// Kinds of fault told in this hour, a bit each.
    told: u8,
    lost: u16,
}

impl Recorder {
    /// At the start of a deployment.
    pub fn new() -> Self {
        Self::default()
    }

    /// Latest reading of the cell, 0 to 1, for the hour's record.
    pub fn cell(&mut self, left: f32) {
        self.hour.cell(left);
    }

    /// Records that could not be kept.
    pub fn lost(&self) -> u16 {
        self.lost
    }

    /// Keeps what the step at `now_us` brought to light. Most steps bring nothing.
    ///
    /// # Errors
    /// The last error of the log; every record was tried.
    pub fn take<F: NorFlash>(
        &mut self,
        now_us: u64,
        out: &Output,
        faults: &FaultCounters,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let mut result = Ok(());
        if let Some(minute) = &out.minute {
            if let Some(hour) = self.hour.add(minute, faults) {
                self.told = 0;
                self.kept(log.append(&hour), &mut result);
            }
            self.kept(log.append(minute), &mut result);
            self.minute = Some(*minute);
        }
        if let Some(report) = out.fate {
            self.kept(log.append(&FateEvent { report, minute: self.minute }), &mut result);
        }
        if let Some(report) = out.recovery {
            self.kept(log.append(&RecoveryEvent { t_us: now_us, report }), &mut result);
        }
        if let Some(decision) = out.release {
            self.kept(log.append(&ReleaseEvent { decision, minute: self.minute }), &mut result);
        }
        if let Some(kind) = out.fault {
            let code = fault_code(kind);
            let bit = 1_u8.wrapping_shl(u32::from(code));
            if self.told & bit == 0 {
                self.told |= bit;
                let count = faults.counts.get(usize::from(code)).copied().unwrap_or(0);
                self.kept(log.append(&FaultEvent { t_us: now_us, kind, count }), &mut result);
            }
        }
        result
    }

    /// Takes up a minute that is in the log already.
    pub(super) fn recall_minute(&mut self, minute: &Minute, faults: &FaultCounters) {
        // A complete hour was recorded before this minute.
        if self.hour.add(minute, faults).is_some() {
            self.told = 0;
        }
        self.minute = Some(*minute);
    }

    /// Takes up the record of a fault that is in the log already.
    pub(super) fn recall_fault(&mut self, kind: FaultKind, t_us: u64) {
        if self.hour.holds(t_us) {
            self.told |= 1_u8.wrapping_shl(u32::from(fault_code(kind)));
        }
    }

    /// The hour of this number is in the log already.
    pub(super) fn recall_hour(&mut self, number: u16, faults: &FaultCounters) {
        if self.hour.number() <= number && self.hour.finish(faults).is_some() {
            self.told = 0;
        }
    }

    /// Whole hours from the start to the hour going on.
    pub(super) fn hour_number(&self) -> u16 {
        self.hour.number()
    }

    /// Latest minute kept.
    pub fn minute(&self) -> Option<&Minute> {
        self.minute.as_ref()
    }

    /// Keeps the hour that was not complete yet: before the power is switched off.
    ///
    /// # Errors
    /// That of the log.
    pub fn finish<F: NorFlash>(
        &mut self,
        faults: &FaultCounters,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let mut result = Ok(());
        if let Some(hour) = self.hour.finish(faults) {
            self.kept(log.append(&hour), &mut result);
        }
        result
    }

    fn kept(&mut self, got: Result<(), LogError>, result: &mut Result<(), LogError>) {
        if got.is_err() {
            self.lost = self.lost.saturating_add(1);
            *result = got;
        }
    }
}

/// When raw bursts are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BurstPlan {
    /// Minutes from the start of one burst to that of the next; 0: none by the clock.
    pub every_min: u16,
    /// Samples a burst.
    pub samples: u16,
    /// Also when fate is decided or the tag lets go.
    pub on_decision: bool,
}

/// Takes raw bursts. Apart from [`Recorder`] because of the memory that it needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Bursts {
    plan: BurstPlan,
    burst: Burst,
    left: u16,
    next_us: u64,
}

impl Bursts {
    /// By a plan, for samples of so many Hz and counts a g.
    pub fn new(plan: BurstPlan, sample_hz: f32, counts_per_g: f32) -> Self {
        Bursts { plan, burst: Burst::new(0, sample_hz, counts_per_g), left: 0, next_us: 0 }
    }

    /// Takes a sample, after the tag has stepped on it.
    ///
    /// # Errors
    /// That of the log; the burst goes on.
    pub fn take<F: NorFlash>(
        &mut self,
        sample: &Sample,
        out: &Output,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let due = self.plan.every_min > 0 && sample.t_us >= self.next_us;
        if due {
            let every_us = u64::from(self.plan.every_min).saturating_mul(60_000_000);
            self.next_us = sample.t_us.saturating_add(every_us);
        }
        let decided = self.plan.on_decision && (out.fate.is_some() || out.release.is_some());
        if (due || decided) && self.left == 0 {
            self.left = self.plan.samples;
        }
        if self.left == 0 {
            return Ok(());
        }
        if self.burst.counts.is_empty() {
            self.burst.t_us = sample.t_us;
        }
        self.left = self.left.saturating_sub(1);
        if self.burst.push(sample.accel_g) || self.left == 0 {
            let kept = log.append(&self.burst);
            self.burst.counts.clear();
            return kept;
        }
        Ok(())
    }
}
