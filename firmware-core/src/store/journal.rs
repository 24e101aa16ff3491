//! Log and message through a reset.
//!
//! What the log holds needs no copy: it is in the flash. What recorder and summary
//! hold in memory (the hour going on, the course, the facts) is kept as a copy of
//! some 600 bytes once an hour, with the numbers that the log's records had come to. After
//! a reset [`Journal::resume`] takes the newest whole copy and brings it up to date
//! from the records that came after it. Where no copy is left it begins with
//! the first record that is still there.
//!
//! Recorder and summary see a minute as its record holds it, to that resolution. So
//! what is made up from the log is the same to the bit as what was lost, and pages
//! of one course from before and after a reset go together.

use embedded_storage::nor_flash::NorFlash;

use crate::kept::Kept;
use crate::message::{MESSAGE_BYTES, Summary, checks};
use crate::store::log::{Log, LogError, Recorder};
use crate::store::record::{
    Class, EndEvent, FateEvent, FaultEvent, Hour, Identity, Kind, LaunchEvent, OwnNames,
    RecoveryEvent, ReleaseEvent, ResetEvent, StartEvent, as_recorded, read,
};
use crate::store::slots::{Region, SlotError, Slots, measure};
use crate::types::{Event, Fate, FaultCounters, LaunchReport, LaunchStep, Moment, ReleaseDecision};

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct State {
    recorder: Recorder,
    summary: Summary,
    /// Numbers of the log's next records when the copy was kept.
    numbers: [u32; 3],
}

impl State {
    fn new(deployment: u8) -> Self {
        State { recorder: Recorder::new(), summary: Summary::new(deployment), numbers: [0; 3] }
    }
}

/// What a reset left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Regained {
    /// A whole copy was there.
    pub copy: bool,
    /// Minutes that were made up from the log.
    pub minutes: u16,
    /// Events and hours that were made up from the log.
    pub others: u16,
}

/// Recorder and satellite summary, kept through resets.
#[derive(Clone, Debug)]
pub struct Journal {
    state: State,
    slots: Slots,
    fingerprint: u32,
    /// Up to this minute all is in the log; a tag that went on from an older copy of
    /// itself may bring it again.
    again_us: Option<u64>,
    lost_copies: u32,
}

impl Journal {
    /// At the start of a deployment, over a log that was just emptied by
    /// [`Log::format`]. `region` lies in the same flash, outside of the log: slots of
    /// 1024 bytes, in at least two parts that are erased apart. `deployment` is a
    /// number of its own for each, so that no copy of an earlier one is taken up.
    ///
    /// # Errors
    /// A region that does not fit the flash. Where the start could not be recorded,
    /// the messages say so.
    pub fn start<F: NorFlash>(
        deployment: u32,
        start: &StartEvent,
        log: &mut Log<F>,
        region: Region,
    ) -> Result<Self, SlotError> {
        let mut journal = Self::open(deployment, start.deployment, log, region)?;
        if log.append(start).is_err() {
            journal.state.summary.check(checks::MEMORY);
        }
        journal.keep(log);
        Ok(journal)
    }

    /// After a reset within the deployment; `number` is that of its messages.
    /// `reset` is recorded. `decision` is the tag's decision to let go where it was
    /// made: it is recorded where power went before that. `faults` are the tag's
    /// counters as they are now.
    ///
    /// # Errors
    /// A region that does not fit the flash.
    pub fn resume<F: NorFlash>(
        deployment: u32,
        number: u8,
        log: &mut Log<F>,
        region: Region,
        reset: &ResetEvent,
        decision: Option<&ReleaseDecision>,
        faults: &FaultCounters,
    ) -> Result<(Self, Regained), SlotError> {
        let mut journal = Self::open(deployment, number, log, region)?;
        let copy = journal.slots.load(log.flash(), journal.fingerprint, &mut journal.state);
        if !copy {
            journal.state = State::new(number);
        }
        let (minutes, others) = journal.catch_up(log, faults);
        journal.state.summary.check(checks::RESET);
        journal.again_us = journal.state.recorder.minute().map(|m| m.t_us);
        if log.append(reset).is_err() {
            journal.state.summary.check(checks::MEMORY);
        }
        if let Some(decision) = decision.filter(|_| !journal.state.summary.closed()) {
            let fate = journal.fate();
            let moment = Moment { now_us: reset.t_us, taken: 0, fate, faults };
            // What cannot be kept is in the self-checks.
            let _ = journal.take(&Event::Release(*decision), &moment, log);
        }
        journal.keep(log);
        Ok((journal, Regained { copy, minutes, others }))
    }

    fn open<F: NorFlash>(
        deployment: u32,
        number: u8,
        log: &mut Log<F>,
        region: Region,
    ) -> Result<Self, SlotError> {
        let mut state = State::new(number);
        let (_, crc) = measure(&mut state).unwrap_or((0, 0));
        let slots = Slots::open(log.flash(), region)?;
        let fingerprint = crc ^ deployment;
        Ok(Journal { state, slots, fingerprint, again_us: None, lost_copies: 0 })
    }

    /// Takes up what the log holds beyond the copy: numbers of minutes and of others.
    #[inline(never)]
    fn catch_up<F: NorFlash>(&mut self, log: &mut Log<F>, faults: &FaultCounters) -> (u16, u16) {
        let [_, mut first_minute, mut first_other] = self.state.numbers;
        log.recall(Class::Summary, first_other, |kind, payload| {
            if Kind::from_code(kind) == Some(Kind::Launch)
                && let Some(event) = read::<LaunchEvent>(payload)
                && matches!(event.report.step, LaunchStep::Begin { .. })
            {
                let [_, minutes, others] = event.numbers;
                (first_minute, first_other) = (minutes, others);
                self.state = State::new(self.state.summary.deployment());
            }
        });
        let State { recorder, summary, .. } = &mut self.state;
        // Which minutes came before the course was closed, and the last hour recorded.
        let mut open_until_us = if summary.closed() { None } else { Some(u64::MAX) };
        let mut hour: Option<u16> = None;
        let (mut minutes, mut others) = (0_u16, 0_u16);
        log.recall(Class::Summary, first_other, |kind, payload| match Kind::from_code(kind) {
            Some(Kind::Release) => {
                if let Some(event) = read::<ReleaseEvent>(payload) {
                    open_until_us = event.minute.map(|m| m.t_us);
                }
            }
            Some(Kind::Hour) => hour = read(payload).map(|h: Hour| h.number).or(hour),
            _ => {}
        });
        log.recall(Class::Minutes, first_minute, |_, payload| {
            let Some(minute) = read(payload) else { return };
            minutes = minutes.saturating_add(1);
            recorder.recall_minute(&minute, faults);
            if open_until_us.is_some_and(|until_us| minute.t_us <= until_us) {
                summary.take(&Event::Minute(minute), summary.fate());
            }
        });
        if let Some(number) = hour {
            recorder.recall_hour(number, faults);
        }
        log.recall(Class::Summary, first_other, |kind, payload| {
            others = others.saturating_add(1);
            let mut fate = summary.fate();
            let event = match Kind::from_code(kind) {
                Some(Kind::Fate) => read(payload).map(|e: FateEvent| {
                    fate = e.report.fate;
                    Event::Fate(e.report)
                }),
                Some(Kind::Recovery) => {
                    read(payload).map(|e: RecoveryEvent| Event::Recovery(e.report))
                }
                Some(Kind::Release) => {
                    read(payload).map(|e: ReleaseEvent| Event::Release(e.decision))
                }
                Some(Kind::Fault) => {
                    if let Some(event) = read::<FaultEvent>(payload) {
                        recorder.recall_fault(event.kind, event.t_us);
                        summary.fault(event.kind);
                    }
                    None
                }
                Some(Kind::Reset) => {
                    summary.check(checks::RESET);
                    None
                }
                _ => None,
            };
            if let Some(event) = event {
                summary.take(&event, fate);
            }
        });
        (minutes, others)
    }

    /// Keeps an event, and takes it into the messages. Call it before the tag takes the next
    /// samples: a copy of the tag must never know more than the log.
    ///
    /// # Errors
    /// The last error of the log; every record was tried.
    pub fn take<F: NorFlash>(
        &mut self,
        event: &Event,
        moment: &Moment<'_>,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        let mut event = *event;
        match &mut event {
            Event::Beat(_) => return Ok(()),
            Event::Minute(minute) => {
                *minute = as_recorded(minute);
                if self.again_us.is_some_and(|us| minute.t_us <= us) {
                    return Ok(());
                }
            }
            Event::Launch(LaunchReport { step: LaunchStep::Begin { .. }, .. }) => {
                // What was before is of no deployment.
                self.state = State::new(self.state.summary.deployment());
                self.again_us = None;
            }
            _ => {}
        }
        let State { recorder, summary, .. } = &mut self.state;
        // A tag that went on from an older copy may not know yet what was decided.
        let decided = !matches!(summary.fate(), Fate::Undetermined | Fate::Alive);
        let fate = match &event {
            Event::Fate(report) => report.fate,
            _ if decided => summary.fate(),
            _ => moment.fate,
        };
        let hour = recorder.hour_number();
        let kept = recorder.take(&event, moment, log);
        summary.take(&event, fate);
        summary.faults(moment.faults);
        if kept.is_err() {
            summary.check(checks::MEMORY);
        }
        if kept.is_err() || recorder.hour_number() != hour {
            self.keep(log);
        }
        kept
    }

    /// Keeps the names of what a detector of one's own reports, at the start.
    ///
    /// # Errors
    /// That of the log.
    pub fn names<F: NorFlash>(
        &mut self,
        names: &OwnNames,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        log.append(names)
    }

    /// Keeps who records this, at the start.
    ///
    /// # Errors
    /// That of the log.
    pub fn identify<F: NorFlash>(
        &mut self,
        identity: &Identity,
        log: &mut Log<F>,
    ) -> Result<(), LogError> {
        log.append(identity)
    }

    /// Ends the deployment, once it was picked up and downloaded: the log may be formatted after this,
    /// and not before ([`boot`](crate::store::boot::boot)).
    ///
    /// # Errors
    /// That of the log.
    pub fn end<F: NorFlash>(&mut self, end: &EndEvent, log: &mut Log<F>) -> Result<(), LogError> {
        log.append(end)
    }

    /// Latest reading of the cell, 0 to 1.
    pub fn cell(&mut self, left: f32) {
        self.state.recorder.cell(left);
        self.state.summary.cell(left);
    }

    /// Sets bits of the messages' self-checks ([`checks`]).
    pub fn check(&mut self, bits: u8) {
        self.state.summary.check(bits);
    }

    /// The next message in turn, made at `now_us`.
    pub fn message(&mut self, now_us: u64) -> [u8; MESSAGE_BYTES] {
        self.state.summary.next(now_us)
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
        let kept = self.state.recorder.finish(faults, log);
        self.keep(log);
        kept
    }

    fn keep<F: NorFlash>(&mut self, log: &mut Log<F>) {
        self.state.numbers = log.next_numbers();
        let kept = self.slots.save(log.flash(), self.fingerprint, &mut self.state);
        self.lost_copies = self.lost_copies.saturating_add(u32::from(kept.is_err()));
    }

    /// Fate as the messages tell it.
    pub fn fate(&self) -> Fate {
        self.state.summary.fate()
    }

    /// The messages' state.
    pub fn summary(&self) -> &Summary {
        &self.state.summary
    }

    /// Records that could not be kept.
    pub fn lost(&self) -> u16 {
        self.state.recorder.lost()
    }

    /// Copies that could not be kept since the last reset.
    pub fn lost_copies(&self) -> u32 {
        self.lost_copies
    }
}
