//! The samples of the last few seconds, as counts: what the stages look at.
//!
//! Samples wait here until a block of them is full; the stages then read what they need
//! from one and the same place. From 20 Hz on two samples make a pair; below, a sample
//! stands in a pair with itself.

use crate::kept::Kept;
use crate::signal::rate;

/// Pairs of a full block, at most: one look at many costs less.
pub const BLOCK_PAIRS: u8 = 8;
/// Places for pairs of samples: a power of two, so that an index wraps by a mask.
const RING: usize = 64;
/// Places for samples.
const SLOTS: usize = 2 * RING;
/// Longest stretch that a running mean may look back over, pairs: it leaves room for a block
/// that waits.
pub const PAST_MAX: u8 = 55;
/// Whole numbers for full scale; leaves room for 5 % above it.
const FULL_SCALE: f32 = 30_000.0;
/// 1.5 * 2^23: added to a number it leaves the nearest whole number in the low bits.
const ROUNDER: f32 = 12_582_912.0;

/// What stands for 1 in a direction of whole numbers.
pub const AXIS_ONE: f32 = 16_383.0;
/// Low bits of a product with such a direction that are dropped.
const AXIS_SHIFT: u32 = 8;
const AXIS_SCALE: f32 = 256.0;

/// A sample, in counts.
pub type Counts = [i16; 3];
/// Two samples in a row, or the same one twice where one is enough.
pub type Pair = [Counts; 2];

/// The window.
#[derive(Clone, Debug, PartialEq, Kept!)]
#[repr(C)]
pub struct Window {
    to_counts: f32,
    to_g: f32,
    /// Place of the next sample, half pairs.
    head: u8,
    /// Taken and not yet worked on, half pairs.
    waiting: u8,
    /// Half pairs that a sample fills: 1, or 2 below 20 Hz.
    fills: u8,
    ring: [Pair; RING],
}

impl Window {
    /// For samples at `working_hz` (5 to 40 Hz) of a sensor of `range_g` full scale, g.
    pub fn new(range_g: f32, working_hz: f32) -> Self {
        let to_counts = FULL_SCALE / range_g;
        Window {
            to_counts,
            to_g: 1.0 / to_counts,
            head: 0,
            waiting: 0,
            fills: if rate::pair_of(working_hz) == 1 { 2 } else { 1 },
            ring: [[[0; 3]; 2]; RING],
        }
    }

    /// Counts a g.
    pub fn counts_per_g(&self) -> f32 {
        self.to_counts
    }

    /// g of one count.
    pub fn count_g(&self) -> f32 {
        self.to_g
    }

    /// True where a pair is one sample twice.
    pub fn doubles(&self) -> bool {
        self.fills == 2
    }

    /// The pair `age` before the newest whole one taken.
    pub fn back(&self, age: u8) -> Pair {
        let place = (self.head / 2).wrapping_sub(age).wrapping_sub(1);
        self.ring.get(usize::from(place) % RING).copied().unwrap_or([[0; 3]; 2])
    }

    /// Forgets all, after a gap.
    pub fn restart(&mut self) {
        self.ring.as_flattened_mut().as_flattened_mut().fill(0);
        self.waiting = 0;
        self.head &= !1;
    }

    /// Takes samples, g, up to the first that is not `sound`; gives how many it took. No more
    /// than [`BLOCK_PAIRS`] pairs may wait.
    #[inline]
    pub fn take(&mut self, samples: &[[f32; 3]], sound: impl Fn(&[f32; 3]) -> bool) -> usize {
        let (to_counts, fills) = (self.to_counts, self.fills);
        let slots = self.ring.as_flattened_mut();
        let (mut head, mut count) = (self.head, 0_usize);
        for accel_g in samples.iter().take_while(|accel_g| sound(accel_g)) {
            let counts = counts(*accel_g, to_counts);
            for _ in 0..fills {
                if let Some(slot) = slots.get_mut(usize::from(head) % SLOTS) {
                    *slot = counts;
                }
                head = head.wrapping_add(1);
            }
            count = count.wrapping_add(1);
        }
        self.waiting = self.waiting.wrapping_add(head.wrapping_sub(self.head));
        self.head = head;
        count
    }

    /// Samples after which `pairs` will wait, 0 or more.
    pub fn lacking(&self, pairs: u8) -> u8 {
        let halves = pairs.wrapping_mul(2).saturating_sub(self.waiting);
        if self.fills == 2 { halves / 2 } else { halves }
    }

    /// Whole pairs taken and not yet worked on.
    pub fn waiting(&self) -> u8 {
        self.waiting / 2
    }

    /// True where a sample waits for the other half of its pair.
    pub fn odd(&self) -> bool {
        self.waiting & 1 != 0
    }

    /// Takes up to `most` waiting pairs off those that wait, as many as lie in one piece
    /// together with those `back` before them; gives their places.
    #[inline]
    pub fn work_off<const N: usize>(&mut self, back: [u8; N], most: u8) -> ([usize; N], usize) {
        let newest = usize::from(self.head.wrapping_sub(self.waiting) / 2);
        let places = back.map(|b| newest.wrapping_sub(usize::from(b)) % RING);
        let last = places.iter().fold(0, |last, place| last.max(*place));
        let steps = usize::from(self.waiting().min(most)).min(RING.wrapping_sub(last));
        self.waiting = self.waiting.wrapping_sub((steps as u8).wrapping_mul(2));
        (places, steps)
    }

    /// Pairs from `place` on, at most `count`, up to the end of the ring.
    pub fn run(&self, place: usize, count: usize) -> &[Pair] {
        let rest = self.ring.get(place..).unwrap_or_default();
        rest.get(..count).unwrap_or(rest)
    }

    /// Place of the pair `age` before the newest of those worked on.
    #[inline]
    fn worked_on(&self, age: u8) -> u8 {
        (self.head.wrapping_sub(self.waiting) / 2).wrapping_sub(age).wrapping_sub(1)
    }

    /// The newest `pairs` pairs of those worked on, oldest first, g.
    pub fn latest_g(&self, pairs: u8) -> impl Iterator<Item = [f32; 3]> + '_ {
        let (place, to_g) = (self.worked_on(pairs.wrapping_sub(1)), self.to_g);
        let halves: &[usize] = if self.doubles() { &[0] } else { &[0, 1] };
        (0..pairs).flat_map(move |n| {
            let at = usize::from(place.wrapping_add(n)) % RING;
            let pair = self.ring.get(at).copied().unwrap_or([[0; 3]; 2]);
            halves.iter().map(move |half| {
                let counts = pair.get(*half).copied().unwrap_or([0; 3]);
                counts.map(|count| f32::from(count) * to_g)
            })
        })
    }

    /// `axis` times the mean of each of eight pairs from that `age` before the newest of
    /// those worked on, less `offset`, oldest first; `axis` in [`AXIS_ONE`], the results in
    /// [`Window::sway_unit_g`]; `age` within [`PAST_MAX`].
    #[inline]
    pub fn along(&self, axis: [i32; 3], offset: i32, age: u8) -> [i32; 8] {
        let mut out = [0; 8];
        let first = self.run(usize::from(self.worked_on(age)) % RING, out.len());
        let (before, behind) = out.split_at_mut_checked(first.len()).unwrap_or_default();
        for (pairs, out) in [(first, before), (self.ring.as_slice(), behind)] {
            for (place, [first, second]) in out.iter_mut().zip(pairs) {
                let both = projected(axis, *first).wrapping_add(projected(axis, *second));
                *place = (both >> (AXIS_SHIFT + 1)).wrapping_sub(offset);
            }
        }
        out
    }

    /// [`Window::along`] of each of the samples in four pairs.
    pub fn along_each(&self, axis: [i32; 3], offset: i32, age: u8) -> [i32; 8] {
        let mut place = self.worked_on(age).wrapping_mul(2);
        let slots = self.ring.as_flattened();
        core::array::from_fn(|_| {
            let counts = slots.get(usize::from(place) % SLOTS).copied().unwrap_or([0; 3]);
            place = place.wrapping_add(1);
            (projected(axis, counts) >> AXIS_SHIFT).wrapping_sub(offset)
        })
    }

    /// What one whole number of [`Window::along`] stands for, g.
    pub fn sway_unit_g(&self) -> f32 {
        self.to_g * (AXIS_SCALE / AXIS_ONE)
    }
}

/// What of a sample lies along a direction.
#[inline(always)]
fn projected([ax, ay, az]: [i32; 3], [x, y, z]: Counts) -> i32 {
    ax.wrapping_mul(x.into())
        .wrapping_add(ay.wrapping_mul(y.into()))
        .wrapping_add(az.wrapping_mul(z.into()))
}

/// The nearest whole numbers.
#[inline(always)]
fn counts(accel_g: [f32; 3], scale: f32) -> Counts {
    let count = |a: f32| (a * scale + ROUNDER).to_bits() as i16;
    let [x, y, z] = accel_g;
    [count(x), count(y), count(z)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_the_nearest_whole_numbers() {
        for g in [-8.4_f32, -1.0, -1.0e-4, 0.0, 0.3, 1.0, 7.999] {
            let scale = FULL_SCALE / 8.0;
            let [x, ..] = counts([g, 0.0, 0.0], scale);
            assert_eq!(f32::from(x), (g * scale).round_ties_even(), "{g}");
        }
    }

    #[test]
    fn what_lies_along_an_axis_is_the_mean_of_a_pair_times_its_share() {
        let mut window = Window::new(8.0, 25.0);
        for n in 0..16_u8 {
            window.take(&[[0.0, 0.1 * f32::from(n), 1.0]], |_| true);
        }
        let _ = window.work_off([0], 8);
        let axis = [0.0, 0.6, 0.8].map(|a: f32| (a * AXIS_ONE) as i32);
        for (n, value) in (0_u8..).zip(window.along(axis, 0, 7)) {
            let mean = 0.1 * (2.0 * f32::from(n) + 0.5);
            let want = 0.6 * mean + 0.8;
            let got = value as f32 * window.sway_unit_g();
            assert!((got - want).abs() < 1.0e-3, "{n}: {got} for {want}");
        }
        let each: Vec<f32> = window.latest_g(8).map(|[_, y, _]| y).collect();
        assert_eq!(each.len(), 16);
        assert!((each.last().copied().unwrap_or(0.0) - 1.5).abs() < 1.0e-3);
    }
}
