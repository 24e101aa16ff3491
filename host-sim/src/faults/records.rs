//! The tag's log and messages on hardware that goes wrong.

use firmware_core::config::Config;
use firmware_core::detector::Detector;
use firmware_core::message::{MESSAGE_BYTES, Message, PAGES, checks};
use firmware_core::signal::minute::MINUTE_US;
use firmware_core::store::journal::{Journal, Regained};
use firmware_core::store::log::{BurstPlan, Bursts, Log};
use firmware_core::store::record::{Record, ResetEvent, StartEvent};
use firmware_core::store::slots;
use firmware_core::tag::Tag;
use firmware_core::types::{
    Event, Fate, FaultCounters, LaunchReport, LaunchStep, Moment, ReleaseDecision, Sample,
};

use crate::flash::{NorSim, used};
use crate::own::registered;
use crate::unpack::salvage;

const BLOCK: usize = 4096;
/// Blocks of the copies behind the log.
const COPY_BLOCKS: usize = 2;

/// A flash for the log, and the code that writes to it.
#[derive(Clone, Debug)]
pub struct Records {
    deployment: u32,
    start: StartEvent,
    region: slots::Region,
    /// While the tag is away; else the log has it.
    flash: Option<NorSim>,
    log: Option<Log<NorSim>>,
    journal: Option<Box<Journal>>,
    /// Raw samples, where they are wanted: by what plan, and those that wait. These do not
    /// outlive a reset.
    raw: Option<(BurstPlan, Box<Bursts>)>,
    rates: (f32, f32),
    /// Minutes that were acknowledged, by number.
    minutes: Vec<u32>,
    /// Decisions on fate that were acknowledged.
    fates: u32,
    /// Resets after which no copy of the journal was left.
    pub anew: u32,
    /// Minutes made up from the log.
    pub regained: u64,
    /// Steps at which a record could not be kept though there was power.
    pub refused: u32,
    round: Vec<[u8; MESSAGE_BYTES]>,
}

/// What is wrong with log or messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wrong {
    /// Minutes that were acknowledged are not there.
    Lost(usize),
    /// Minutes are there twice.
    Twice(usize),
    /// Decisions on fate that were acknowledged are not there.
    FateLost,
    /// A message tells another fate, or another reason to let go, than the tag does.
    Message,
}

impl Records {
    /// A blank flash with a log of so many blocks of 4 KiB, at the start of a deployment.
    pub fn new(config: &Config, deployment: u32, blocks: usize) -> Self {
        let start = StartEvent {
            deployment: deployment as u8,
            start_unix_s: config.place().start_unix_s.and_then(|s| u32::try_from(s).ok()),
            sample_hz: config.logger().sample_hz,
            floor_h: config.release().floor_h,
            ceiling_h: config.release().ceiling_h,
        };
        let from = (blocks * BLOCK) as u32;
        let region = slots::Region { from, slot_bytes: 1024, count: 8, mark: 0x701D };
        let mut records = Records {
            deployment,
            start,
            region,
            flash: Some(NorSim::new(blocks + COPY_BLOCKS, deployment.into())),
            log: None,
            journal: None,
            raw: None,
            rates: (config.logger().sample_hz, config.logger().counts_per_g),
            minutes: Vec::new(),
            fates: 0,
            anew: 0,
            regained: 0,
            refused: 0,
            round: Vec::new(),
        };
        records.open();
        if let Some(log) = &mut records.log {
            let mut journal = Journal::start(deployment, &start, log, region);
            if let (Ok(journal), Some(own)) = (&mut journal, registered()) {
                records.refused += u32::from(journal.names(&own.record, log).is_err());
            }
            records.journal = journal.ok().map(Box::new);
        }
        records
    }

    /// From the start on raw samples too.
    #[must_use]
    pub fn with_bursts(mut self, plan: BurstPlan) -> Self {
        self.raw = Some((plan, Box::new(self.blank(plan))));
        self
    }

    fn blank(&self, plan: BurstPlan) -> Bursts {
        Bursts::new(plan, self.rates.0, self.rates.1)
    }

    fn open(&mut self) {
        if let Some(mut flash) = self.flash.take() {
            flash.power_on();
            self.log = Log::open(flash, 0, self.region.from).ok();
        }
    }

    /// Power goes within the next operation.
    pub fn cut_next(&mut self) {
        if let Some(log) = &mut self.log {
            log.flash().cut_after(0);
        }
    }

    /// Power went within an operation.
    pub fn dark(&mut self) -> bool {
        self.log.as_mut().is_some_and(|log| log.flash().dark())
    }

    /// Power goes.
    pub fn stop(&mut self) {
        self.journal = None;
        if let Some(log) = self.log.take() {
            self.flash = Some(log.close());
        }
    }

    /// Power is back.
    pub fn resume(
        &mut self,
        reset: &ResetEvent,
        decision: Option<&ReleaseDecision>,
        faults: &FaultCounters,
    ) {
        self.open();
        if let Some((plan, _)) = self.raw {
            self.raw = Some((plan, Box::new(self.blank(plan))));
        }
        let Some(log) = &mut self.log else { return };
        let (deployment, number) = (self.deployment, self.start.deployment);
        let resumed =
            Journal::resume(deployment, number, log, self.region, reset, decision, faults);
        if let Ok((journal, Regained { copy, minutes, .. })) = resumed {
            self.journal = Some(Box::new(journal));
            self.anew += u32::from(!copy);
            self.regained += u64::from(minutes);
        }
    }

    /// Takes an event.
    pub fn take<X: Detector>(&mut self, now_us: u64, event: &Event, tag: &Tag<X>) {
        let (Some(log), Some(journal)) = (&mut self.log, &mut self.journal) else { return };
        let (fate, faults) = (tag.fate(), tag.faults());
        match (journal.take(event, &Moment { now_us, taken: 0, fate, faults }, log), event) {
            (Ok(()), Event::Fate(_)) => self.fates += 1,
            (Ok(()), Event::Launch(LaunchReport { step: LaunchStep::Begin { .. }, .. })) => {
                self.minutes.clear();
                self.fates = 0;
            }
            (Ok(()), Event::Minute(minute)) => {
                let number = (minute.t_us / MINUTE_US) as u32;
                if self.minutes.last().is_none_or(|last| number > *last) {
                    self.minutes.push(number);
                }
            }
            (Ok(()), _) => {}
            (Err(_), _) => self.refused += u32::from(!log.flash().dark()),
        }
    }

    /// Takes a sample at tag time, after the tag has stepped on it.
    pub fn sample(&mut self, sample: &Sample, decided: bool) {
        let (Some(log), Some((_, raw))) = (&mut self.log, &mut self.raw) else { return };
        if raw.take(&sample.as_run(), decided, log).is_err() && !log.flash().dark() {
            self.refused += 1;
            if let Some(journal) = &mut self.journal {
                journal.check(checks::MEMORY);
            }
        }
    }

    /// At the end: the hour that is not complete goes to the log, and a round of messages is made.
    pub fn end(&mut self, now_us: u64, faults: &FaultCounters) {
        let (Some(log), Some(journal)) = (&mut self.log, &mut self.journal) else { return };
        self.refused += u32::from(journal.finish(faults, log).is_err());
        self.round = (0..PAGES).map(|_| journal.message(now_us)).collect();
    }

    /// The round of messages that was made at the end, in the order of sending.
    pub fn round(&self) -> &[[u8; MESSAGE_BYTES]] {
        &self.round
    }

    /// Latest reading of the cell.
    pub fn cell(&mut self, left: f32) {
        if let Some(journal) = &mut self.journal {
            journal.cell(left);
        }
    }

    /// The messages of a whole round, made at `now_us`.
    pub fn messages(&self, now_us: u64) -> Vec<[u8; MESSAGE_BYTES]> {
        let summary = self.journal.as_ref().map(|j| j.summary());
        summary.map_or(Vec::new(), |s| (0..PAGES as u8).map(|p| s.message(p, now_us)).collect())
    }

    /// What the log holds, up to the last segment in use.
    pub fn image(&mut self) -> &[u8] {
        let from = self.region.from as usize;
        let bytes = match (&mut self.log, &self.flash) {
            (Some(log), _) => &log.flash().bytes()[..from],
            (None, Some(flash)) => &flash.bytes()[..from],
            (None, None) => &[],
        };
        used(bytes, BLOCK)
    }

    /// Holds log and messages against what was acknowledged and what the tag says.
    pub fn check(&mut self, fate: Fate, decision: Option<&ReleaseDecision>) -> Vec<Wrong> {
        let mut wrong = Vec::new();
        let (mut there, mut fates) = (Vec::new(), 0);
        for kept in salvage(self.image(), None).records {
            match kept.record {
                Record::Minute(m) => there.push((m.t_us / MINUTE_US) as u32),
                Record::Fate(_) => fates += 1,
                _ => {}
            }
        }
        let kept = there.len();
        there.sort_unstable();
        there.dedup();
        if there.len() < kept {
            wrong.push(Wrong::Twice(kept - there.len()));
        }
        let lost = self.minutes.iter().filter(|m| there.binary_search(m).is_err()).count();
        if lost > 0 {
            wrong.push(Wrong::Lost(lost));
        }
        if fates < self.fates {
            wrong.push(Wrong::FateLost);
        }
        let cause = decision.map(|d| d.cause);
        let told = self.messages(0);
        let sound = |m: &[u8; MESSAGE_BYTES]| {
            Message::decode(m).is_ok_and(|m| m.facts.fate == fate && m.facts.cause == cause)
        };
        if !told.iter().all(sound) || told.is_empty() {
            wrong.push(Wrong::Message);
        }
        wrong
    }
}
