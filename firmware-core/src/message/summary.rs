//! The tag's side: gathers what the messages tell, and makes them in turn.

use crate::kept::Kept;
use crate::message::course::Course;
use crate::message::facts::{CHOSEN_HOURS, Facts, Recovery, checks, minutes};
use crate::message::layout::{MESSAGE_BYTES, Message};
use crate::message::level::Level;
use crate::message::share::{PAGES, share};
use crate::types::{Event, Fate, FaultCounters, FaultKind, Minute, State, fault_code};

const HOUR_US: u64 = 3_600_000_000;
/// From one page to the next: of any five messages in a row all are different.
const STRIDE: u8 = 5;

/// Self-check of every kind of fault, in the order of [`crate::types::FAULT_KINDS`].
const BITS: [u8; 6] = [
    checks::ACCELEROMETER,
    checks::CLIPPED,
    checks::ACCELEROMETER,
    checks::GAP,
    checks::CLOCK,
    checks::DEPTH,
];

/// The beat rate of the hour going on.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Hour {
    number: u16,
    minutes: u8,
    swimming: u8,
    beats: f32,
}

/// Gathers a deployment for its messages. Plain data: a copy is a checkpoint.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Summary {
    facts: Facts,
    course: Course,
    hour: Hour,
    page: u8,
}

impl Summary {
    /// At the start of a deployment of that number.
    pub fn new(deployment: u8) -> Self {
        let facts = Facts { deployment, ..Facts::blank() };
        Summary { facts, course: Course::default(), hour: Hour::default(), page: 0 }
    }

    /// Takes an event, and fate as the tag knows it now.
    pub fn take(&mut self, event: &Event, fate: Fate) {
        match event {
            Event::Minute(minute) => self.minute(minute),
            Event::Fate(report) => self.facts.fate_min = Some(minutes(report.event_us)),
            Event::Recovery(report) => {
                let (t_h, se_h) = (report.t_s / 3600.0, report.se_s / 3600.0);
                self.facts.recovery = match report.decided_us {
                    Some(_) => Recovery::Decided { t_h, se_h },
                    None => Recovery::Estimated { t_h, se_h },
                };
            }
            Event::Release(decision) => {
                self.facts.cause = Some(decision.cause);
                self.facts.release_min = Some(minutes(decision.t_us));
                self.end_hour();
                self.course.close();
            }
            Event::Beat(_) | Event::Fault(_) | Event::Own(_) | Event::Launch(_) => {}
        }
        self.facts.fate = fate;
    }

    /// Number of the deployment.
    pub fn deployment(&self) -> u8 {
        self.facts.deployment
    }

    /// Fate as told.
    pub fn fate(&self) -> Fate {
        self.facts.fate
    }

    /// Sets the bit that a fault calls for.
    pub fn fault(&mut self, kind: FaultKind) {
        let bit = BITS.get(usize::from(fault_code(kind))).copied().unwrap_or(0);
        self.check(bit);
    }

    /// The decision to let go was taken in.
    pub fn closed(&self) -> bool {
        self.facts.cause.is_some()
    }

    /// Latest reading of the cell, 0 to 1.
    pub fn cell(&mut self, left: f32) {
        self.facts.cell_left = Some(left);
    }

    /// Sets bits of the self-checks ([`checks`]); what is set stays set.
    pub fn check(&mut self, bits: u8) {
        self.facts.checks |= bits;
    }

    /// Sets the bits that the tag's counters of faults call for.
    pub fn faults(&mut self, faults: &FaultCounters) {
        for (bit, count) in BITS.iter().zip(faults.counts) {
            if count > 0 {
                self.check(*bit);
            }
        }
    }

    /// The message of a page, 0 to 11, made at `now_us`.
    pub fn message(&self, page: u8, now_us: u64) -> [u8; MESSAGE_BYTES] {
        let facts = Facts { now_min: minutes(now_us), ..self.facts };
        let (step, revision) = (self.course.step(), self.course.revision());
        let page = page.min(PAGES.saturating_sub(1) as u8);
        let share = share(&self.course.codes(), page);
        Message { page, facts, step, revision, share }.encode()
    }

    /// The next message in turn.
    pub fn next(&mut self, now_us: u64) -> [u8; MESSAGE_BYTES] {
        let page = self.page;
        let next = page.wrapping_add(STRIDE);
        self.page = if next < PAGES as u8 { next } else { next.wrapping_sub(PAGES as u8) };
        self.message(page, now_us)
    }

    fn minute(&mut self, minute: &Minute) {
        let number = minute.t_us.checked_div(HOUR_US).unwrap_or(0).min(65_535) as u16;
        if number != self.hour.number {
            self.end_hour();
            self.hour.number = number;
        }
        if minute.state != State::Unknown && self.facts.cause.is_none() {
            self.hour.minutes = self.hour.minutes.saturating_add(1);
            if let Some(beats) = minute.beats_per_min.filter(|_| minute.state == State::Swimming) {
                self.hour.swimming = self.hour.swimming.saturating_add(1);
                self.hour.beats += beats;
            }
        }
        self.course.add(minute);
    }

    /// Files the rate of the hour that ends.
    fn end_hour(&mut self) {
        let Hour { number, minutes, swimming, beats } = self.hour;
        self.hour = Hour { number, ..Hour::default() };
        let rate = match (minutes, swimming) {
            (0, _) => return,
            (_, 0) => 0.0,
            _ => beats / f32::from(swimming),
        };
        let level = Level::of(Some(rate));
        let [chosen @ .., latest] = &mut self.facts.chosen;
        for (slot, hour) in chosen.iter_mut().zip(CHOSEN_HOURS) {
            if number.saturating_add(1) == hour {
                *slot = level;
            }
        }
        if swimming > 0 {
            *latest = level;
        }
    }
}
