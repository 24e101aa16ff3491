//! The beat stage: what lies along the sway axis, at the rates of the rungs, and the work on it.
//!
//! The rungs work behind the block that a value came with, one part a sample, and a beat is
//! handed out a sample; a minute that ends in between sees them as far as they are.

use crate::beats::choose::{BATCH, Chooser};
use crate::beats::ladder::Ladder;
use crate::config::Config;
use crate::kept::Kept;
use crate::math;
use crate::signal::rate::{self, Doubler, SLOW_HZ, TWICE_LATE};
use crate::signal::window::{AXIS_ONE, BLOCK_PAIRS, Window};
use crate::types::Beat;

/// Parts of the work that the last samples of all may call for, at most: a copy of the state
/// that came back wrong must not work for ever.
const PARTS_MAX: u16 = 16_384;

/// The stage.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct BeatStage {
    /// Sway axis in whole numbers, see [`Window::along`]; `None` until it is known.
    axis: Option<[i32; 3]>,
    /// Taken off what lies along it.
    offset: i32,
    /// Pairs of a full block.
    block: u8,
    /// Pairs in the window that were not read yet.
    unread: u8,
    /// There is work on what was read, or on what may be read.
    busy: bool,
    /// Beats that were ready when the latest block came are being handed out.
    handing: bool,
    /// Time of the newest sample of the latest block, microseconds.
    block_us: u64,
    /// Interpolation falls so far behind, microseconds.
    delay_us: u32,
    /// From one pair to the next, microseconds.
    pub pair_us: u32,
    /// Interpolates between pairs that come below 10 Hz.
    between: Doubler,
    /// Interpolates for the top rung.
    top: Doubler,
    ladder: Ladder,
}

impl BeatStage {
    /// For samples at `sample_hz` in blocks of `block` pairs, in units of `unit_g` g.
    pub fn new(config: &Config, block: u8, unit_g: f32) -> Self {
        let sample_hz = config.logger().sample_hz;
        let working_hz = rate::working_hz(sample_hz);
        let pair_hz = rate::pair_hz(working_hz);
        let paired = rate::pair_of(working_hz) > 1;
        let slow = pair_hz < SLOW_HZ;
        let (rung_hz, late) = if slow { (2.0 * pair_hz, TWICE_LATE) } else { (pair_hz, 0.0) };
        let half_us = if paired { 0.5e6 / working_hz } else { 0.0 };
        let delay_us = rate::mean_delay_us(sample_hz) + half_us;
        let delay_us = delay_us + late * 1.0e6 / rung_hz;
        BeatStage {
            axis: None,
            offset: 0,
            block,
            unread: 0,
            busy: false,
            handing: false,
            block_us: 0,
            delay_us: math::round_u32(delay_us),
            pair_us: math::round_u32(1.0e6 / pair_hz),
            between: Doubler::default(),
            top: Doubler::default(),
            ladder: Ladder::new(config, 2.0 * rung_hz, paired, unit_g),
        }
    }

    /// Pairs come so seldom that values are interpolated between them: blocks are short then.
    fn slow(&self) -> bool {
        self.block < BLOCK_PAIRS
    }

    /// The choice of beats.
    pub fn chooser(&self) -> &Chooser {
        self.ladder.chooser()
    }

    /// True if the latest part of the work closed a cycle.
    pub fn worked(&self) -> bool {
        self.ladder.worked()
    }

    /// Whether the sway axis is known.
    pub fn axis_known(&self) -> bool {
        self.axis.is_some()
    }

    /// Half the animal's own beat period, pairs, once known.
    pub fn half_beat_pairs(&self) -> Option<f32> {
        self.chooser().own_period_s().map(|s| 0.5e6 * s / self.pair_us as f32)
    }

    /// Forgets what is under way, after a gap.
    pub fn restart(&mut self) {
        self.unread = 0;
        self.handing = false;
        self.ladder.restart();
    }

    /// Beats that are ready are handed out from the block on that is about to be worked on.
    pub fn open_block(&mut self) {
        self.handing = self.chooser().has_ready();
    }

    /// `pairs` more pairs are in the window, the newest of them at `newest_us`.
    pub fn add(&mut self, pairs: u8, newest_us: u64) {
        self.unread = self.unread.saturating_add(pairs);
        self.block_us = newest_us;
    }

    /// After a block: work begins, where the axis is known.
    pub fn begin(&mut self) {
        if self.axis.is_some() {
            self.busy = true;
        } else {
            self.unread = 0;
        }
    }

    /// Takes over a revised axis without a step in the projected signal; `held` pairs of the
    /// window came before, and are caught up on where none was known.
    pub fn follow_axis(&mut self, axis: [f32; 3], static_g: [f32; 3], held: u8, unit_g: f32) {
        let axis = axis.map(|a| math::nearest(a * AXIS_ONE));
        let ([x, y, z], [bx, by, bz]) = (axis, self.axis.unwrap_or([0; 3]));
        let turned = [x.wrapping_sub(bx), y.wrapping_sub(by), z.wrapping_sub(bz)];
        let moved_g = math::dot(turned.map(|d| d as f32), static_g) / AXIS_ONE;
        let moved = (moved_g / unit_g) as i32;
        self.offset = self.offset.wrapping_add(moved);
        if self.axis.is_none() {
            // Whole blocks: the one in hand, and what the window holds of those before.
            self.unread = held & !(BLOCK_PAIRS - 1);
        }
        self.axis = Some(axis);
    }

    /// Nothing to do until the next block.
    pub fn rests(&self) -> bool {
        !self.busy && !self.handing
    }

    /// The work that goes with a sample, if there is any.
    #[inline]
    pub fn step(&mut self, window: &Window) {
        let parts = if !window.doubles() {
            1
        } else if self.slow() {
            4
        } else {
            2
        };
        for _ in 0..parts {
            if !self.busy {
                return;
            }
            self.part(window);
        }
    }

    /// One part of it.
    #[inline(never)]
    fn part(&mut self, window: &Window) {
        if self.ladder.rests() {
            if self.unread < self.block {
                self.busy = false;
                self.ladder.rest();
                return;
            }
            self.read(window);
            if self.ladder.wants_half().is_some() {
                return;
            }
        }
        if let Some(half) = self.ladder.wants_half() {
            self.read_top(window, half);
        }
        self.ladder.work();
    }

    /// A block of sideways acceleration for the rungs.
    #[inline(never)]
    fn read(&mut self, window: &Window) {
        let age = self.unread.wrapping_sub(1);
        self.unread = self.unread.wrapping_sub(self.block);
        let mut sway = window.along(self.axis.unwrap_or([0; 3]), self.offset, age);
        if self.slow() {
            let [a, b, c, d, ..] = sway;
            sway = self.between.twice([a, b, c, d]);
        }
        self.ladder.take(sway);
    }

    /// One half of it for the top rung.
    #[inline(never)]
    fn read_top(&mut self, window: &Window, half: u8) {
        let sway = if window.doubles() {
            self.top.twice(self.ladder.half(half))
        } else {
            let pairs = BATCH as u8;
            // Of the block just read.
            let age = self.unread.wrapping_add(if half == 0 { pairs } else { pairs / 2 });
            let axis = self.axis.unwrap_or([0; 3]);
            window.along_each(axis, self.offset, age.wrapping_sub(1))
        };
        self.ladder.take_top(sway);
    }

    /// The next beat that is being handed out.
    pub fn next_beat(&mut self) -> Option<Beat> {
        if self.handing { self.hand_out() } else { None }
    }

    #[inline(never)]
    fn hand_out(&mut self) -> Option<Beat> {
        // The rungs lag by the interpolation, and by what was not read yet.
        let behind_us = u64::from(self.unread).saturating_mul(u64::from(self.pair_us));
        let lag_us = behind_us.saturating_add(self.delay_us.into());
        let beat = self.ladder.next(self.block_us.saturating_sub(lag_us));
        self.handing = self.chooser().has_ready();
        beat
    }

    /// After the last sample: all the work that is left.
    pub fn finish(&mut self, window: &Window) {
        self.busy = self.axis.is_some();
        for _ in 0..PARTS_MAX {
            if !self.busy {
                break;
            }
            self.part(window);
        }
        self.handing = self.chooser().has_ready();
    }
}
