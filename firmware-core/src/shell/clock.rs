//! How long the deployment has lasted, for the floor and the ceiling.
//!
//! Time is kept as an interval: at least `least_us` have passed, at most
//! `most_us`. Both only ever grow. The floor is held against the least, the
//! ceiling against the most, so that whatever is uncertain keeps the floor and
//! brings the ceiling nearer.
//!
//! Up to three clocks say how much has passed since the last look: the timer
//! that stamps samples, which starts anew with every reset, and two backup
//! counters that run on through it. A clock that ran back, or gives nothing, has
//! no say.
//!
//! | clocks with a say | least grows by | most grows by |
//! | --- | --- | --- |
//! | three | the middle one | the middle one |
//! | two | the shorter | the longer |
//! | one, while running | it | it |
//! | one, across a reset | nothing | it |
//! | none | nothing | an allowance |
//!
//! So one wrong clock of three does nothing at all while the tag runs, and
//! across a reset one wrong clock of two cannot put the ceiling off or bring the
//! floor nearer.

use crate::kept::Kept;

/// What the tag's clocks read at one moment, microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Clocks {
    /// Timer that stamps the samples, since the last reset.
    pub timer_us: u64,
    /// Counters that run on through a reset; `None`: lost, or not fitted.
    pub backup_us: [Option<u64>; 2],
}

/// The interval, and the readings it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Kept!)]
pub struct ReleaseClock {
    least_us: u64,
    most_us: u64,
    timer_us: u64,
    backup_us: [Option<u64>; 2],
    /// Times that a clock ran back or fell silent.
    faults: u32,
}

impl ReleaseClock {
    /// At the start of the deployment.
    pub fn start(clocks: &Clocks) -> Self {
        ReleaseClock {
            least_us: 0,
            most_us: 0,
            timer_us: clocks.timer_us,
            backup_us: clocks.backup_us,
            faults: 0,
        }
    }

    /// Least time since the start, microseconds.
    pub fn least_us(&self) -> u64 {
        self.least_us
    }

    /// Most time since the start, microseconds.
    pub fn most_us(&self) -> u64 {
        self.most_us
    }

    /// Reading of the timer at the last look.
    pub fn timer_us(&self) -> u64 {
        self.timer_us
    }

    /// Times that a clock ran back or fell silent.
    pub fn faults(&self) -> u32 {
        self.faults
    }

    /// Whichever of two copies knows more.
    #[must_use]
    pub fn later(self, other: Self) -> Self {
        if other.most_us > self.most_us { other } else { self }
    }

    /// A look at the clocks while the tag runs. `unseen_us` is what counts as the
    /// most where no clock has a say: the time that the samples themselves tell.
    pub fn tick(&mut self, clocks: &Clocks, unseen_us: u64) {
        let timer = clocks.timer_us.checked_sub(self.timer_us);
        self.pass([timer, self.backup(clocks, 0), self.backup(clocks, 1)], unseen_us, true);
        self.timer_us = clocks.timer_us;
        self.backup_us = clocks.backup_us;
    }

    /// The first look after a reset; the clock was kept with the readings it had
    /// then. `unseen_us` is the longest time away that is assumed where no
    /// backup tells. Gives the time away, least and most.
    pub fn resume(&mut self, clocks: &Clocks, unseen_us: u64) -> (u64, u64) {
        let (least_us, most_us) = (self.least_us, self.most_us);
        let timer = None;
        self.pass([timer, self.backup(clocks, 0), self.backup(clocks, 1)], unseen_us, false);
        self.timer_us = clocks.timer_us;
        self.backup_us = clocks.backup_us;
        (self.least_us.saturating_sub(least_us), self.most_us.saturating_sub(most_us))
    }

    fn backup(&self, clocks: &Clocks, which: usize) -> Option<u64> {
        let now = clocks.backup_us.get(which).copied().flatten()?;
        let then = self.backup_us.get(which).copied().flatten()?;
        now.checked_sub(then)
    }

    fn pass(&mut self, steps: [Option<u64>; 3], unseen_us: u64, running: bool) {
        let silent = |step: &Option<u64>| u32::from(step.is_none());
        let known = self.backup_us.iter().filter(|b| b.is_some()).count() as u32;
        let heard = steps.iter().skip(1).map(|s| 1_u32.wrapping_sub(silent(s))).sum::<u32>();
        let lost = known.saturating_sub(heard);
        self.faults = self.faults.saturating_add(lost);
        let (least, most) = match steps {
            [Some(a), Some(b), Some(c)] => {
                let middle = a.min(b).max(a.max(b).min(c));
                (middle, middle)
            }
            [Some(a), Some(b), None] | [Some(a), None, Some(b)] | [None, Some(a), Some(b)] => {
                (a.min(b), a.max(b))
            }
            [Some(a), None, None] | [None, Some(a), None] | [None, None, Some(a)] => {
                (if running { a } else { 0 }, a)
            }
            [None, None, None] => (0, unseen_us),
        };
        self.least_us = self.least_us.saturating_add(least);
        self.most_us = self.most_us.saturating_add(most);
    }
}
