//! The ladder: the signal goes down octaves, each rung half the rate of the one before.

use crate::beats::bandpass::BAND_GAIN;
use crate::beats::choose::{BATCH, Chooser, FIRST_HALF, LAST_WHOLE, RUNGS, TOP_BATCH};
use crate::beats::cycles::{PARTS, PARTS_SHIFT, Rung, Turn};
use crate::config::Config;
use crate::kept::Kept;
use crate::signal::rate::TWICE_LATE;
use crate::types::Beat;

/// Batches for which a rung is looked at behind the last such.
const ALERT_BATCHES: u8 = 5;
/// No rung has anything to do.
const RESTS: u8 = u8::MAX;
/// How far the top rung's band-pass lies behind where its values lie between those taken.
const BETWEEN_LATE: u32 = (5 + TWICE_LATE as u32) * PARTS;

/// The rungs, and what they work on.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Ladder {
    rungs: [Rung; RUNGS],
    chooser: Chooser,
    /// Half of the values taken last that the top rung works on.
    half: u8,
    /// The latest part of the work closed a cycle.
    worked: bool,
    /// Rung that works next on the values taken last; [`RESTS`]: none.
    next_rung: u8,
    /// Its values.
    waiting: [[i32; 4]; 2],
    /// Half of what a rung works on, that waits for the other half: of [`LAST_WHOLE`], and
    /// of those from [`FIRST_HALF`] on.
    held: ([i32; 4], [[i32; 2]; 2]),
    /// What the band-pass made of them.
    band: [i32; BATCH],
}

impl Ladder {
    /// For a top rung at `top_hz`, 20 to 40 Hz, values in units of `unit_g`; `means`: what
    /// [`Ladder::take`] gets are means of two of the top rung's values, else those of the top
    /// rung are interpolated between them.
    #[inline(never)]
    pub fn new(config: &Config, top_hz: f32, means: bool, unit_g: f32) -> Self {
        Ladder {
            rungs: Kept::blank(),
            chooser: Chooser::new(config, top_hz, means, unit_g / BAND_GAIN),
            half: 0,
            worked: false,
            next_rung: RESTS,
            waiting: [[0; 4]; 2],
            held: Kept::blank(),
            band: [0; BATCH],
        }
    }

    /// The choice of beats.
    pub fn chooser(&self) -> &Chooser {
        &self.chooser
    }

    /// Forgets what is under way, after a gap. The animal's own rhythm stays.
    pub fn restart(&mut self) {
        for rung in &mut self.rungs {
            rung.restart();
        }
        self.next_rung = RESTS;
        self.worked = false;
        self.chooser.restart();
    }

    /// Takes eight values of sideways acceleration, oldest first, at half the rate of the top
    /// rung. The rungs work on them when [`Ladder::work`] is called: before the next are taken,
    /// until [`Ladder::rests`].
    pub fn take(&mut self, sway: [i32; BATCH]) {
        self.chooser.index = self.chooser.index.wrapping_add(TOP_BATCH);
        let [a, b, c, d, e, f, g, h] = sway;
        self.waiting = [[a, b, c, d], [e, f, g, h]];
        self.half = 0;
        self.next_rung = 0;
        if self.chooser.reach.fastest > 0 {
            self.next_rung = 1;
            if let [top, ..] = &mut self.rungs
                && top.begun
            {
                // It misses these: what it holds belongs to another time.
                top.restart();
            }
        }
    }

    /// The top rung works next, and wants its eight values first, those of this half of what
    /// was taken last: see [`Ladder::take_top`].
    pub fn wants_half(&self) -> Option<u8> {
        (self.next_rung == 0).then_some(self.half)
    }

    /// A half of what was taken last, while the top rung works.
    pub fn half(&self, half: u8) -> [i32; 4] {
        let [first, second] = self.waiting;
        if half == 0 { first } else { second }
    }

    /// Takes the top rung's values.
    pub fn take_top(&mut self, sway: [i32; BATCH]) {
        self.band = sway;
    }

    /// True when nothing is left of the work on the values taken last.
    pub fn rests(&self) -> bool {
        self.next_rung == RESTS
    }

    /// A part of the work on the values taken last: one rung's. To be called with each of the
    /// samples that follow, so that no one of them bears it all.
    #[inline(never)]
    pub fn work(&mut self) {
        self.worked = false;
        let number = self.next_rung;
        let mut newest = self.chooser.index;
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else {
            self.next_rung = RESTS;
            return;
        };
        let ([low_band, high_band], _) = self.band.as_chunks_mut::<4>() else { return };
        let [values, more_values] = &mut self.waiting;
        let mut next = number.wrapping_add(1);
        let mut count = BATCH;
        let mut looked_at = number >= self.chooser.reach.fastest;
        let watched =
            self.chooser.reach.watches && number.wrapping_add(1) == self.chooser.reach.fastest;
        let wanted = looked_at || watched;
        if number == 0 {
            let (low, high) = (*low_band, *high_band);
            let [first, ..] = low;
            rung.begin(first);
            rung.band.filter_4(low, low_band, true);
            rung.band.filter_4(high, high_band, true);
            if self.half == 0 {
                newest = newest.wrapping_sub(BATCH as u32);
                next = 0;
            }
            self.half = 1;
        } else {
            let from = *values;
            let [first, second, third, fourth] = values;
            rung.begin(*first);
            let [a, b] = rung.band.filter_4(from, low_band, wanted);
            (*first, *second) = (a, b);
            if number <= LAST_WHOLE {
                [*third, *fourth] = rung.band.filter_4(*more_values, high_band, wanted);
            } else {
                count = 4;
            }
        }
        if watched {
            // Every second will do: it takes six to go up and down.
            let [a, _, b, _, c, _, d, _] = self.band;
            if a.max(b).max(c.max(d)) > self.chooser.reach.loud {
                if self.chooser.reach.alert == 0 {
                    rung.look_anew();
                }
                self.chooser.reach.alert = ALERT_BATCHES;
            } else {
                self.chooser.reach.alert = self.chooser.reach.alert.saturating_sub(1);
            }
            looked_at = self.chooser.reach.alert > 0;
        }
        let more = number < self.chooser.reach.slowest && self.complete(next);
        self.next_rung = if more { next } else { RESTS };
        if looked_at {
            self.extremes(number, count, newest);
        }
    }

    /// Completes what the next rung works on with the values just made for it. False: that is
    /// only the first half of it, which waits.
    fn complete(&mut self, next: u8) -> bool {
        if next != LAST_WHOLE && next < FIRST_HALF {
            return true;
        }
        let ([values, more_values], (four, twos)) = (&mut self.waiting, &mut self.held);
        let Some(rung) = self.rungs.get_mut(usize::from(next)) else { return true };
        rung.half_waits = !rung.half_waits;
        let waits = rung.half_waits;
        if next == LAST_WHOLE {
            if waits {
                *four = *values;
            } else {
                *more_values = core::mem::replace(values, *four);
            }
        } else if let Some(two) = twos.get_mut(usize::from(next.wrapping_sub(FIRST_HALF))) {
            let [a, b, c, d] = values;
            if waits {
                *two = [*a, *b];
            } else {
                (*c, *d) = (*a, *b);
                [*a, *b] = *two;
            }
        }
        !waits
    }

    /// Follows the extremes of `count` band-passed values of a rung, with hysteresis; `newest`
    /// is the index of the last value they were made of.
    #[inline]
    fn extremes(&mut self, number: u8, count: usize, newest: u32) {
        let floor = self.chooser.reach.floor;
        let shift = u32::from(number).wrapping_add(PARTS_SHIFT);
        let spacing = 1_u32.wrapping_shl(shift);
        // The middle of the band-pass lies 5 samples of this rung back, and the
        // rungs above, but for the top one, have added 3 of theirs each.
        let late = if number > 0 {
            spacing.wrapping_mul(8).wrapping_sub(6 * PARTS)
        } else if self.chooser.means {
            // Its newest is the second of two of which the mean is taken.
            5 * PARTS - PARTS / 2
        } else {
            BETWEEN_LATE
        };
        let newest = newest.wrapping_mul(PARTS).wrapping_sub(late);
        let mut time = newest.wrapping_sub((count as u32).wrapping_shl(shift));
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        // 2 % a value.
        let decay = count.wrapping_mul(5);
        rung.swing = rung.swing.wrapping_sub((rung.swing >> 8).wrapping_mul(decay as i32));
        let mut rest = count;
        loop {
            let from = count.wrapping_sub(rest);
            let Some(values) = self.band.get(from..count) else { return };
            let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
            let Some((turn, left)) = rung.follow(values, floor, time, shift) else { break };
            (time, rest) = (turn.time, left);
            self.close(number, turn, spacing);
        }
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        // Has it stayed away from the next extreme for too long?
        if let Some(turn) = rung.overdue(newest) {
            self.close(number, turn, spacing);
        }
    }

    /// A half cycle ended on a rung: refines it, and judges the cycle that it closes.
    #[inline(never)]
    fn close(&mut self, number: u8, turn: Turn, spacing: u32) {
        self.worked = true;
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        if let Some(closed) = rung.turn(turn, spacing) {
            self.chooser.judge(&mut self.rungs, number, closed);
        }
    }

    /// True if the latest part of the work closed a cycle.
    pub fn worked(&self) -> bool {
        self.worked
    }

    /// There is nothing to work on.
    pub fn rest(&mut self) {
        self.worked = false;
    }

    /// The next finished beat; `newest_us` is the time of the newest value taken.
    pub fn next(&mut self, newest_us: u64) -> Option<Beat> {
        self.chooser.next(newest_us)
    }
}
