//! From what the tag brings to light to records in the log.

use embedded_storage::nor_flash::NorFlash;

use super::ring::{Log, LogError};
use crate::kept::Kept;
use crate::store::record::{
    Burst, FateEvent, FaultEvent, HourSum, LaunchEvent, OwnRecord, RecoveryEvent, ReleaseEvent,
};
use crate::types::{Event, FaultCounters, FaultKind, LaunchStep, Minute, Moment, Run, fault_code};

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

    /// Keeps an event.
    ///
    /// # Errors
    /// The last error of the log; every record was tried.
    pub fn take<F: NorFlash>(
        &mut self,
        event: &Event,
        moment: &Moment<'_>,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let Event::Minute(minute) = event else {
            let kept = self.seldom(event, moment, log);
            return self.count(kept);
        };
        let hour = self.hour.add(minute, moment.faults).map_or(Ok(()), |hour| {
            self.told = 0;
            log.append(&hour)
        });
        self.minute = Some(*minute);
        let hour = self.count(hour);
        self.count(log.append(minute)).and(hour)
    }

    /// Keeps anything but a minute. By itself, so that minutes need less stack.
    #[inline(never)]
    fn seldom<F: NorFlash>(
        &mut self,
        event: &Event,
        moment: &Moment<'_>,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let Moment { now_us, faults, .. } = *moment;
        match *event {
            Event::Fate(report) => log.append(&FateEvent { report, minute: self.minute }),
            Event::Recovery(report) => log.append(&RecoveryEvent { t_us: now_us, report }),
            Event::Release(decision) => log.append(&ReleaseEvent { decision, minute: self.minute }),
            Event::Own(event) => log.append(&OwnRecord(event)),
            Event::Launch(report) => {
                let ago_us =
                    if let LaunchStep::Begin { ago_us } = report.step { ago_us } else { 0 };
                let numbers = log.next_numbers();
                log.append(&LaunchEvent { report, ago_us, numbers })
            }
            Event::Fault(kind) if self.told & bit(kind) == 0 => {
                self.told |= bit(kind);
                let count = faults.counts.get(usize::from(fault_code(kind))).copied().unwrap_or(0);
                log.append(&FaultEvent { t_us: now_us, kind, count })
            }
            Event::Minute(_) | Event::Beat(_) | Event::Fault(_) => Ok(()),
        }
    }

    /// Takes up a minute that is in the log already.
    pub fn recall_minute(&mut self, minute: &Minute, faults: &FaultCounters) {
        // A complete hour was recorded before this minute.
        if self.hour.add(minute, faults).is_some() {
            self.told = 0;
        }
        self.minute = Some(*minute);
    }

    /// Takes up the record of a fault that is in the log already.
    pub fn recall_fault(&mut self, kind: FaultKind, t_us: u64) {
        if self.hour.holds(t_us) {
            self.told |= bit(kind);
        }
    }

    /// The hour of this number is in the log already.
    pub fn recall_hour(&mut self, number: u16, faults: &FaultCounters) {
        if self.hour.number() <= number && self.hour.finish(faults).is_some() {
            self.told = 0;
        }
    }

    /// Whole hours from the start to the hour going on.
    pub fn hour_number(&self) -> u16 {
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
        let Some(hour) = self.hour.finish(faults) else { return Ok(()) };
        self.count(log.append(&hour))
    }

    /// Counts a record that could not be kept.
    fn count(&mut self, kept: Result<(), LogError>) -> Result<(), LogError> {
        self.lost = self.lost.saturating_add(u16::from(kept.is_err()));
        kept
    }
}

fn bit(kind: FaultKind) -> u8 {
    1_u8.wrapping_shl(u32::from(fault_code(kind)))
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

    /// Takes the samples of a run, after the tag has taken them; `decided`: fate was decided with
    /// them, or the tag released. A burst begins with a run.
    ///
    /// # Errors
    /// The first error of the log; the burst goes on.
    pub fn take<F: NorFlash>(
        &mut self,
        run: &Run<'_>,
        decided: bool,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let due = self.plan.every_min > 0 && run.t_us >= self.next_us;
        if due {
            let every_us = u64::from(self.plan.every_min).saturating_mul(60_000_000);
            self.next_us = run.t_us.saturating_add(every_us);
        }
        let decided = self.plan.on_decision && decided;
        if (due || decided) && self.left == 0 {
            self.left = self.plan.samples;
        }
        let mut result = Ok(());
        for (n, accel_g) in run.accel_g.iter().enumerate() {
            if self.left == 0 {
                break;
            }
            if self.burst.counts.is_empty() {
                self.burst.t_us = run.later_us(run.t_us, n);
            }
            self.left = self.left.saturating_sub(1);
            if self.burst.push(*accel_g) || self.left == 0 {
                let kept = log.append(&self.burst);
                self.burst.counts.clear();
                result = result.and(kept);
            }
        }
        result
    }
}
