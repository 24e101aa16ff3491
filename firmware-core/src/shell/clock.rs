//! How long the deployment has lasted, for the floor and the ceiling.
//!
//! Time is kept as an interval: at least `least_us` have passed, at most
//! `most_us`. Both only ever grow. The floor is held against the least, the
//! ceiling against the most, so that whatever is uncertain keeps the floor and
//! brings the ceiling nearer.
//!
//! Up to three clocks say how much has passed since the last look: the timer
//! that stamps samples, which starts anew with every reset, and two backup
//! counters that run on through it. What has passed is counted from readings up to a minute old, so
//! that coarse counters have their say as well. A clock that ran back since, stands still while
//! another goes on for ten seconds, or gives nothing, has no say.
//!
//! | clocks with a say | least grows by | most grows by |
//! | --- | --- | --- |
//! | three | the middle one | the middle one |
//! | two | the shorter | the longer |
//! | one, while running | it | it |
//! | one, across a reset | nothing | it |
//! | none | nothing | an allowance |
//!
//! So one wrong clock of three does nothing at all while the tag runs, and across a reset, or
//! where two are left, one wrong clock cannot put the ceiling off or bring the floor nearer:
//! what it does is to hold the floor until the other says so.

use crate::kept::Kept;

/// What the tag's clocks read at one moment, microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Clocks {
    /// Timer that stamps the samples, since the last reset.
    pub timer_us: u64,
    /// Counters that run on through a reset; `None`: lost, or not fitted.
    pub backup_us: [Option<u64>; 2],
}

/// A clock that stands still while another goes on for so long, microseconds, over so many looks is
/// wrong: one reading alone may be torn.
const STILL_US: u64 = 10_000_000;
const STILL_LOOKS: u8 = 3;
/// Readings that time is counted from are no older than this, microseconds.
const ANEW_US: u64 = 60_000_000;

/// The interval, and the readings it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Kept!)]
pub struct ReleaseClock {
    least_us: u64,
    most_us: u64,
    /// Reading of the timer at the last look.
    timer_us: u64,
    /// Readings that time is counted from, and the interval then.
    from: Clocks,
    from_us: (u64, u64),
    /// Looks since then.
    looks: u8,
    /// Times that a clock ran back or fell silent.
    faults: u32,
}

impl ReleaseClock {
    /// At the start of the deployment.
    pub fn start(clocks: &Clocks) -> Self {
        ReleaseClock { timer_us: clocks.timer_us, from: *clocks, ..Kept::blank() }
    }

    /// So much has passed since the start, microseconds.
    pub fn set_us(&mut self, us: u64) {
        (self.least_us, self.most_us, self.from_us) = (us, us, (us, us));
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

    /// A look at the clocks while the tag runs. `unseen_us` is what counts as the
    /// most where no clock has a say: the time that the samples themselves tell.
    pub fn tick(&mut self, clocks: &Clocks, unseen_us: u64) {
        self.pass(clocks, unseen_us, true);
    }

    /// The first look after a reset; the clock was kept with the readings it had
    /// then. `unseen_us` is the longest time away that is assumed where no
    /// backup tells. Gives the time away, least and most.
    pub fn resume(&mut self, clocks: &Clocks, unseen_us: u64) -> (u64, u64) {
        let (least_us, most_us) = (self.least_us, self.most_us);
        self.pass(clocks, unseen_us, false);
        (self.least_us.saturating_sub(least_us), self.most_us.saturating_sub(most_us))
    }

    fn pass(&mut self, clocks: &Clocks, unseen_us: u64, running: bool) {
        let step =
            |(now, then): (&Option<u64>, Option<u64>)| now.and_then(|us| us.checked_sub(then?));
        let [first, second] = &clocks.backup_us;
        let [first_then, second_then] = self.from.backup_us;
        let timer_then = running.then_some(self.from.timer_us);
        let timer = step((&Some(clocks.timer_us), timer_then));
        let steps = [timer, step((first, first_then)), step((second, second_then))];
        let longest_us = steps.iter().flatten().fold(0, |longest, us| *us.max(&longest));
        self.looks = self.looks.saturating_add(1);
        let judged = longest_us >= STILL_US && self.looks >= STILL_LOOKS;
        let (least, most) = match steps.map(|step| step.filter(|us| *us > 0 || !judged)) {
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
        let (least_us, most_us) = self.from_us;
        self.least_us = self.least_us.max(least_us.saturating_add(least));
        self.most_us = self.most_us.max(most_us.saturating_add(most));
        self.timer_us = clocks.timer_us;
        if !running || longest_us >= ANEW_US || steps == [None; 3] {
            let known = [first_then, second_then].iter().flatten().count();
            let heard = steps.iter().skip(1).flatten().count();
            self.faults = self.faults.saturating_add(known.saturating_sub(heard) as u32);
            (self.from, self.from_us) = (*clocks, (self.least_us, self.most_us));
            self.looks = 0;
        }
    }
}
