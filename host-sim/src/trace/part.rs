//! The part of a record that is the deployment: from the animal's release to the end.
//!
//! Where the release is not stated, the code on the tag finds it ([`Launch`]). Rows wait until it is
//! sure; those from before it are dropped. An end is found likewise, with or without a stated release:
//! rows that may lie behind it wait until that is known.

use std::collections::VecDeque;

use firmware_core::shell::launch::Launch;
use firmware_core::types::{LaunchStep, LaunchedBy, Run};

use super::{Row, TraceReader};
use crate::problem::Problem;

/// Rows that wait at most: 11 h at 25 Hz. Longer than that nobody waits for a launch.
const WAITING: usize = 1_000_000;

/// What bounds the deployment within its record.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bounds {
    /// The animal's release as stated, microseconds from the first row.
    pub release_us: Option<u64>,
    /// The end as stated, likewise.
    pub end_us: Option<u64>,
    /// Roll, pitch and yaw of the sensor on the animal, degrees, where known.
    pub mount_deg: Option<[f32; 3]>,
}

/// How the animal's release was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Found {
    /// It was stated.
    Stated,
    /// By the code on the tag.
    ByTag(LaunchedBy),
    /// Not at all: the part begins where nothing speaks against it any more.
    Not,
}

/// Where the deployment lies in the record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Placed {
    /// First row of the deployment, microseconds from the first of the record.
    pub from_us: u64,
    /// When that was known, likewise.
    pub known_us: u64,
    /// How it was found.
    pub found: Found,
    /// The end, once it is known, likewise.
    pub end_us: Option<u64>,
}

/// Takes the rows of a record, gives those of the deployment, their times from its first row.
pub(super) struct Part {
    launch: Launch,
    bounds: Bounds,
    placed: Option<Placed>,
    /// Wait for the launch, or for what becomes of an end.
    held: VecDeque<Row>,
    holds: bool,
    /// Times of the deployment: to be handed out.
    out: VecDeque<Row>,
    last_us: u64,
    ended: bool,
    /// Damage met while rows waited: told after those before it.
    damage: Option<Problem>,
}

impl Part {
    pub(super) fn new(bounds: Bounds) -> Self {
        Part {
            launch: bounds.release_us.map_or_else(|| Launch::new(bounds.mount_deg), Launch::stated),
            bounds,
            placed: None,
            held: VecDeque::new(),
            holds: bounds.release_us.is_none(),
            out: VecDeque::new(),
            last_us: 0,
            ended: false,
            damage: None,
        }
    }

    /// Takes a row of the record.
    fn push(&mut self, row: &Row) {
        self.last_us = row.t_us;
        if self.ended || self.bounds.release_us.is_some_and(|us| row.t_us < us) {
            return;
        }
        if self.bounds.end_us.is_some_and(|us| row.t_us > us) {
            self.end(self.bounds.end_us.unwrap_or(row.t_us));
            return;
        }
        if let Some(us) = self.bounds.release_us.filter(|_| self.placed.is_none()) {
            self.place(row.t_us, us, Found::Stated);
        }
        let run = Run {
            depth_m: row.depth_m,
            ..Run::accel(row.t_us, 1, std::slice::from_ref(&row.accel_g))
        };
        match self.launch.take(&run, None) {
            Some(LaunchStep::Begin { ago_us }) if self.placed.is_none() => {
                let from_us = row.t_us.saturating_sub(ago_us);
                let kept = self.held.iter().position(|held| held.t_us >= from_us);
                self.held.drain(..kept.unwrap_or(self.held.len()));
            }
            Some(LaunchStep::MayEnd) if self.placed.is_some() => {
                self.holds = self.bounds.end_us.is_none();
            }
            Some(LaunchStep::GoesOn) if self.placed.is_some() => self.release(),
            _ => {}
        }
        if self.holds {
            self.held.push_back(*row);
        } else {
            self.out.push_back(*row);
        }
        let full = self.held.len() >= WAITING;
        if self.placed.is_none() && (full || self.launch.sure(row.t_us)) {
            self.find();
        } else if full {
            self.rest();
        }
    }

    /// Rows from the latest beginning on are the deployment's.
    fn find(&mut self) {
        let found = self.launch.launched().map_or(Found::Not, Found::ByTag);
        let from_us = self.held.front().map_or(self.last_us, |row| row.t_us);
        self.place(from_us, self.last_us, found);
        self.release();
    }

    fn place(&mut self, from_us: u64, known_us: u64, found: Found) {
        self.placed = Some(Placed { from_us, known_us, found, end_us: None });
    }

    /// Rows wait no longer.
    fn release(&mut self) {
        self.holds = false;
        self.out.append(&mut self.held);
    }

    fn end(&mut self, end_us: u64) {
        self.ended = true;
        self.held.clear();
        self.out.retain(|row| row.t_us < end_us);
        if let Some(placed) = &mut self.placed {
            placed.end_us = Some(end_us);
        }
    }

    /// No row follows, or none that may wait: an end is one where nothing followed that takes it back.
    fn rest(&mut self) {
        if self.placed.is_none() && self.bounds.release_us.is_none() {
            self.find();
        }
        match self.launch.ended_us().filter(|_| self.bounds.end_us.is_none()) {
            Some(end_us) if self.placed.is_some() => self.end(end_us),
            _ => self.release(),
        }
    }

    fn next(&mut self) -> Option<Row> {
        let from_us = self.placed?.from_us;
        let row = self.out.pop_front()?;
        Some(Row { t_us: row.t_us.saturating_sub(from_us), ..row })
    }
}

impl TraceReader {
    /// Reads on up to the first row of the deployment, and gives from now on the rows of the deployment
    /// alone: times count from the first of them. `None`: a stated release lies behind the last row.
    pub fn begin(&mut self, bounds: Bounds) -> Option<Placed> {
        let mut part = Part::new(bounds);
        while part.placed.is_none() {
            match self.each_of_record(512, |row| part.push(row)) {
                Ok(true) => {}
                Ok(false) => {
                    part.rest();
                    break;
                }
                Err(damage) => {
                    part.rest();
                    part.damage = Some(damage);
                    break;
                }
            }
        }
        let placed = part.placed;
        self.part = Some(Box::new(part));
        placed
    }

    /// Where the deployment lies, as far as is known by now.
    pub fn placed(&self) -> Option<Placed> {
        self.part.as_ref().and_then(|part| part.placed)
    }

    /// Rows of the deployment, as [`TraceReader::each`].
    pub(super) fn each_of_part(
        &mut self,
        part: &mut Part,
        most: usize,
        mut take: impl FnMut(&Row),
    ) -> Result<bool, Problem> {
        let mut lacking = most;
        loop {
            while lacking > 0
                && let Some(row) = part.next()
            {
                take(&row);
                lacking -= 1;
            }
            if lacking == 0 {
                return Ok(true);
            }
            if let Some(damage) = part.damage.take() {
                return Err(damage);
            }
            match self.each_of_record(lacking, |row| part.push(row)) {
                Ok(true) => {}
                Ok(false) if part.out.is_empty() && part.held.is_empty() => return Ok(false),
                Ok(false) => part.rest(),
                Err(damage) => {
                    part.rest();
                    part.damage = Some(damage);
                }
            }
        }
    }
}
