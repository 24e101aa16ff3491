//! Static and dynamic acceleration, and activity.
//!
//! Static acceleration is the running mean of each axis over 2 to 3 s, centred
//! on the sample it belongs to (Shepard et al. 2008, Aquatic Biology 4:235), so
//! everything here comes out half a window late. Dynamic = raw - static;
//! ODBA = |dx|+|dy|+|dz| (Wilson et al. 2006, J. Animal Ecology 75:1081);
//! VeDBA = sqrt(dx^2+dy^2+dz^2) (Qasem et al. 2012, PLoS ONE 7:e31187).
//! Sums are whole numbers, so they never drift.

use crate::checkpoint::Kept;
use crate::config::Config;
use crate::math;
use crate::rate;
use macro_rules_attribute::derive;

/// Most pairs taken before they are worked on together: one look at many costs less.
pub const BATCH_MAX: u8 = 8;
/// Places for pairs of samples: a power of two, so that an index wraps by a mask.
const RING: usize = 64;
/// Places for samples.
const SLOTS: usize = 2 * RING;
/// Longest window, pairs: 2.75 s at the highest rate of pairs (below 20 Hz), odd.
const WINDOW_MAX: u32 = 55;
/// Whole numbers for full scale; leaves room for 5 % above it.
const FULL_SCALE: f32 = 30_000.0;
/// 1.5 * 2^23: added to a number it leaves the nearest whole number in the low bits.
const ROUNDER: f32 = 12_582_912.0;
/// How far the sample of [`Posture::detail`] moves on within a batch, pairs: no beat keeps step
/// with it.
const DITHER: u8 = 3;

/// What stands for 1 in a direction of whole numbers.
pub const AXIS_ONE: f32 = 16_383.0;
/// Low bits of a product with such a direction that are let go.
const AXIS_SHIFT: u32 = 8;
const AXIS_SCALE: f32 = 256.0;

/// A sample, in counts.
type Counts = [i16; 3];
/// Two samples in a row, or the same one twice where one is enough.
type Pair = [Counts; 2];

/// Sums of dynamic acceleration over a few samples, the second of each pair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Activity {
    /// Samples added up.
    pub count: u8,
    /// Sum of overall dynamic body acceleration, g.
    pub odba_g: f32,
    /// Sum of vectorial dynamic body acceleration, g.
    pub vedba_g: f32,
    /// Sum of its square, g squared.
    pub vedba2_g2: f32,
}

/// The finer look at the same sample that the slow stages take now and then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Detail {
    /// The sample less the mean of those half a beat before and after it: the
    /// beat's own rhythm, without its second harmonic and without slow change.
    pub swing_g: [f32; 3],
    /// Squared change from the sample before, all axes, g squared: twice the
    /// sensor's noise power where nothing moves.
    pub step2_g2: f32,
}

/// Sums over a few samples, in counts times the length of the window.
struct Sums {
    odba: f32,
    vedba: f32,
    vedba2: f32,
}

impl Sums {
    const ZERO: Sums = Sums { odba: 0.0, vedba: 0.0, vedba2: 0.0 };
}

/// The running mean.
///
/// From 20 Hz on the second of every two samples is looked at: what is slower than a
/// tail beat, and the mean size of what is not, need no more. Below, samples stand in pairs
/// with themselves.
#[derive(Clone, Debug, PartialEq, Kept!)]
#[repr(C)]
pub struct Posture {
    /// Over the window, of the second of each pair.
    sum: [i32; 3],
    /// Window, pairs.
    len: u8,
    /// Pairs in the window, of those worked on.
    filled: u8,
    /// Place of the next sample, half pairs.
    head: u8,
    /// Taken and not yet worked on, half pairs.
    waiting: u8,
    /// Half pairs that a sample fills: 1, or 2 below 20 Hz.
    fills: u8,
    half_beat: u8,
    dither: u8,
    to_counts: f32,
    to_g: f32,
    /// g of one count in the sum over the window.
    mean_g: f32,
    ring: [Pair; RING],
}

impl Posture {
    /// For samples at `working_hz` (below 40 Hz).
    pub fn new(config: &Config, working_hz: f32) -> Self {
        let pair_hz = rate::pair_hz(working_hz);
        let wanted = math::round_u32(config.detector().static_window_s * pair_hz) | 1;
        let len = wanted.clamp(3, WINDOW_MAX) as u8;
        let to_counts = FULL_SCALE / config.logger().range_g;
        Posture {
            ring: [[[0; 3]; 2]; RING],
            sum: [0; 3],
            len,
            filled: 0,
            head: 0,
            waiting: 0,
            fills: if rate::pair_of(working_hz) == 1 { 2 } else { 1 },
            // Half a second: until its own is known, a beat is taken to last one.
            half_beat: len / 5,
            dither: 0,
            to_counts,
            to_g: 1.0 / to_counts,
            mean_g: 1.0 / (to_counts * f32::from(len)),
        }
    }

    /// Pairs from the middle of the window to its newest.
    pub fn delay_pairs(&self) -> u8 {
        self.len / 2
    }

    /// Sets half the beat's period, in pairs, for [`Detail::swing_g`]; at most
    /// half the window is used.
    pub fn set_half_beat(&mut self, pairs: f32) {
        self.half_beat = (math::round_u32(pairs) as u8).min(self.len / 2).max(1);
    }

    /// The pair `age` before the newest whole one taken.
    fn back(&self, age: u8) -> Pair {
        let place = (self.head / 2).wrapping_sub(age).wrapping_sub(1);
        self.ring.get(usize::from(place) % RING).copied().unwrap_or([[0; 3]; 2])
    }

    /// Forgets the window, after a gap.
    pub fn restart(&mut self) {
        self.ring.as_flattened_mut().as_flattened_mut().fill(0);
        self.sum = [0; 3];
        self.filled = 0;
        self.waiting = 0;
        self.head &= !1;
    }

    /// Takes a sample; gives how many pairs now wait for [`Posture::work`], which must be
    /// called before there are more than [`BATCH_MAX`].
    #[inline]
    pub fn take(&mut self, accel_g: [f32; 3]) -> u8 {
        let counts = counts(accel_g, self.to_counts);
        let slots = self.ring.as_flattened_mut();
        if let Some(slot) = slots.get_mut(usize::from(self.head) % SLOTS) {
            *slot = counts;
        }
        if self.fills == 2
            && let Some(slot) = slots.get_mut(usize::from(self.head.wrapping_add(1)) % SLOTS)
        {
            *slot = counts;
        }
        self.taken(1)
    }

    /// Lays down the first samples that are `sound`, up to the first that is not, where
    /// [`Posture::taken`] finds them; gives how many. There must be room for all of `run`.
    #[inline]
    pub fn lay(&mut self, run: &[[f32; 3]], sound: impl Fn(&[f32; 3]) -> bool + Copy) -> usize {
        let (scale, place) = (self.to_counts, usize::from(self.head) % SLOTS);
        let slots = self.ring.as_flattened_mut();
        if self.fills == 2 {
            let sound = run.iter().take_while(|accel_g| sound(accel_g));
            return sound.fold(0, |count, accel_g| {
                for half in [0, 1] {
                    let place = place.wrapping_add(count).wrapping_add(count).wrapping_add(half);
                    if let Some(slot) = slots.get_mut(place % SLOTS) {
                        *slot = counts(*accel_g, scale);
                    }
                }
                count.wrapping_add(1)
            });
        }
        let Some((before, from)) = slots.split_at_mut_checked(place) else { return 0 };
        let room = from.len();
        let count = lay(from, run, scale, sound);
        if count < room {
            return count;
        }
        let rest = run.get(count..).unwrap_or_default();
        count.wrapping_add(lay(before, rest, scale, sound))
    }

    /// Takes so many samples that were laid down, see [`Posture::take`].
    #[inline]
    pub fn taken(&mut self, samples: u8) -> u8 {
        let halves = samples.wrapping_mul(self.fills);
        self.head = self.head.wrapping_add(halves);
        self.waiting = self.waiting.wrapping_add(halves);
        self.waiting()
    }

    /// Samples after which `pairs` will wait, 1 or more.
    #[inline]
    pub fn lacking(&self, pairs: u8) -> u8 {
        let halves = pairs.wrapping_mul(2).wrapping_sub(self.waiting);
        if self.fills == 2 { halves / 2 } else { halves }
    }

    /// Pairs from `place` on, at most `count`, up to the end of the ring.
    #[inline]
    fn run(&self, place: usize, count: usize) -> &[Pair] {
        let rest = self.ring.get(place..).unwrap_or_default();
        rest.get(..count).unwrap_or(rest)
    }

    /// Moves the window on over the pairs that wait: what the samples half a
    /// window before them show, once the window is full.
    pub fn work(&mut self) -> Option<Activity> {
        let mut sums = Sums::ZERO;
        let mut count = 0_u8;
        let len = usize::from(self.len);
        while self.waiting() > 0 {
            // As far as none of the three places wraps.
            let newest = usize::from(self.head.wrapping_sub(self.waiting) / 2) % RING;
            let oldest = newest.wrapping_sub(len) % RING;
            let middle = newest.wrapping_sub(len / 2) % RING;
            let to_end = RING.wrapping_sub(newest.max(oldest).max(middle));
            let mut steps = usize::from(self.waiting()).min(to_end);
            // The pair that fills the window is the first to show anything.
            let lacking = usize::from(self.len.wrapping_sub(self.filled));
            if lacking > 1 {
                steps = steps.min(lacking.wrapping_sub(1));
            }
            self.waiting = self.waiting.wrapping_sub((steps as u8).wrapping_mul(2));
            self.slide(newest, oldest, middle, steps, &mut sums);
            if lacking > 1 {
                self.filled = self.filled.wrapping_add(steps as u8);
                sums = Sums::ZERO;
            } else {
                self.filled = self.len;
                count = count.wrapping_add(steps as u8);
            }
        }
        let unit = self.mean_g;
        (count > 0).then_some(Activity {
            count,
            odba_g: sums.odba * unit,
            vedba_g: sums.vedba * unit,
            vedba2_g2: sums.vedba2 * unit * unit,
        })
    }

    /// Moves the window on by `steps` pairs, all within the ring, and adds up
    /// what the samples in its middle show.
    #[inline]
    fn slide(
        &mut self,
        newest: usize,
        oldest: usize,
        middle: usize,
        steps: usize,
        sums: &mut Sums,
    ) {
        let whole = i32::from(self.len);
        let [mut sx, mut sy, mut sz] = self.sum;
        let mut odba = sums.odba;
        let (mut vedba, mut vedba2) = (sums.vedba, sums.vedba2);
        let come = self.run(newest, steps);
        let gone = self.run(oldest, steps);
        let here = self.run(middle, steps);
        for (([_, n], [_, o]), [_, r]) in come.iter().zip(gone).zip(here) {
            let ([nx, ny, nz], [ox, oy, oz], [rx, ry, rz]) = (*n, *o, *r);
            sx = sx.wrapping_add(i32::from(nx)).wrapping_sub(i32::from(ox));
            sy = sy.wrapping_add(i32::from(ny)).wrapping_sub(i32::from(oy));
            sz = sz.wrapping_add(i32::from(nz)).wrapping_sub(i32::from(oz));
            // The difference from the mean, times the length of the window; its sign is of no
            // account.
            let dx = sx.wrapping_sub(i32::from(rx).wrapping_mul(whole));
            let dy = sy.wrapping_sub(i32::from(ry).wrapping_mul(whole));
            let dz = sz.wrapping_sub(i32::from(rz).wrapping_mul(whole));
            let (fx, fy, fz) = (dx as f32, dy as f32, dz as f32);
            odba += math::abs(fx) + math::abs(fy) + math::abs(fz);
            let square = fx * fx + fy * fy + fz * fz;
            vedba += math::sqrt_of_large(square);
            vedba2 += square;
        }
        self.sum = [sx, sy, sz];
        *sums = Sums { odba, vedba, vedba2 };
    }

    /// Static acceleration of the sample half a window back, g.
    pub fn static_g(&self) -> [f32; 3] {
        let [x, y, z] = self.sum;
        [x as f32 * self.mean_g, y as f32 * self.mean_g, z as f32 * self.mean_g]
    }

    /// Whole pairs taken and not yet worked on.
    pub fn waiting(&self) -> u8 {
        self.waiting / 2
    }

    /// True where a sample waits for the other half of its pair.
    pub fn odd(&self) -> bool {
        self.waiting & 1 != 0
    }

    /// Pairs in the window.
    pub fn held(&self) -> u8 {
        self.filled
    }

    /// Place of the pair `age` before the newest of those worked on.
    #[inline]
    fn worked_on(&self, age: u8) -> u8 {
        (self.head.wrapping_sub(self.waiting) / 2).wrapping_sub(age).wrapping_sub(1)
    }

    /// `axis` times the mean of each of eight pairs from that `age` before the newest of
    /// those worked on, less `offset`, oldest first; `axis` in [`AXIS_ONE`], the results in
    /// [`Posture::sway_unit_g`]; `age` below [`Posture::held`].
    #[inline]
    pub fn along(&self, axis: [i32; 3], offset: i32, age: u8) -> [i32; 8] {
        let [ax, ay, az] = axis;
        let mut place = self.worked_on(age);
        core::array::from_fn(|_| {
            let pair = self.ring.get(usize::from(place) % RING).copied().unwrap_or([[0; 3]; 2]);
            place = place.wrapping_add(1);
            let [[fx, fy, fz], [sx, sy, sz]] = pair;
            let sum = ax
                .wrapping_mul(i32::from(fx).wrapping_add(i32::from(sx)))
                .wrapping_add(ay.wrapping_mul(i32::from(fy).wrapping_add(i32::from(sy))))
                .wrapping_add(az.wrapping_mul(i32::from(fz).wrapping_add(i32::from(sz))));
            (sum >> (AXIS_SHIFT + 1)).wrapping_sub(offset)
        })
    }

    /// The same of each of the samples in four pairs.
    #[inline]
    pub fn along_each(&self, axis: [i32; 3], offset: i32, age: u8) -> [i32; 8] {
        let [ax, ay, az] = axis;
        let mut place = self.worked_on(age).wrapping_mul(2);
        let slots = self.ring.as_flattened();
        core::array::from_fn(|_| {
            let [x, y, z] = slots.get(usize::from(place) % SLOTS).copied().unwrap_or([0; 3]);
            place = place.wrapping_add(1);
            let sum = ax
                .wrapping_mul(i32::from(x))
                .wrapping_add(ay.wrapping_mul(i32::from(y)))
                .wrapping_add(az.wrapping_mul(i32::from(z)));
            (sum >> AXIS_SHIFT).wrapping_sub(offset)
        })
    }

    /// What one whole number of [`Posture::along`] stands for, g.
    pub fn sway_unit_g(&self) -> f32 {
        self.to_g * (AXIS_SCALE / AXIS_ONE)
    }

    /// The finer look at a sample about half a window back, before all that wait.
    pub fn detail(&mut self) -> Detail {
        self.dither = self.dither.wrapping_add(DITHER) % BATCH_MAX;
        let middle = (self.len / 2).wrapping_add(self.dither);
        let [first, raw] = self.back(middle);
        // Of one and the same sample, the one before.
        let [_, before] = self.back(middle.wrapping_add(1));
        let last = if self.fills == 2 { before } else { first };
        let [_, earlier] = self.back(middle.wrapping_add(self.half_beat));
        let [_, later] = self.back(middle.wrapping_sub(self.half_beat));
        let ([rx, ry, rz], [lx, ly, lz]) = (raw, last);
        let ([ex, ey, ez], [fx, fy, fz]) = (earlier, later);
        let step2 = |r: i16, l: i16| {
            let step = i32::from(r).wrapping_sub(i32::from(l)).clamp(-15_000, 15_000);
            step.wrapping_mul(step)
        };
        let step2 = step2(rx, lx).wrapping_add(step2(ry, ly)).wrapping_add(step2(rz, lz));
        let half_g = 0.5 * self.to_g;
        let swing = |r: i16, e: i16, l: i16| {
            let sides = i32::from(e).wrapping_add(i32::from(l));
            i32::from(r).wrapping_mul(2).wrapping_sub(sides) as f32 * half_g
        };
        let swing_g = [swing(rx, ex, fx), swing(ry, ey, fy), swing(rz, ez, fz)];
        Detail { swing_g, step2_g2: step2 as f32 * self.to_g * self.to_g }
    }
}

/// Lays the first samples that are `sound` into the slots, as far as there are such; gives how
/// many.
#[inline(never)]
fn lay(
    slots: &mut [Counts],
    run: &[[f32; 3]],
    scale: f32,
    sound: impl Fn(&[f32; 3]) -> bool + Copy,
) -> usize {
    let mut count = 0_usize;
    for (slot, accel_g) in slots.iter_mut().zip(run) {
        if !sound(accel_g) {
            break;
        }
        *slot = counts(*accel_g, scale);
        count = count.wrapping_add(1);
    }
    count
}

/// The nearest whole numbers.
#[inline(always)]
fn counts(accel_g: [f32; 3], scale: f32) -> Counts {
    let count = |a: f32| (a * scale + ROUNDER).to_bits() as i16;
    let [x, y, z] = accel_g;
    [count(x), count(y), count(z)]
}
