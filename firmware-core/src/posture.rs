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
use macro_rules_attribute::derive;

/// Longest window, samples: 3 s at the highest working rate (below 40 Hz), made odd.
const WINDOW_MAX: usize = 121;
/// Whole numbers for full scale; leaves room for 5 % above it.
const FULL_SCALE: f32 = 30_000.0;

/// Static and dynamic acceleration of one sample, g, sensor axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Static acceleration.
    pub static_g: [f32; 3],
    /// Dynamic acceleration.
    pub dynamic_g: [f32; 3],
    /// Overall dynamic body acceleration.
    pub odba_g: f32,
    /// Vectorial dynamic body acceleration.
    pub vedba_g: f32,
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

/// The running mean.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Posture {
    ring: [[i16; 3]; WINDOW_MAX],
    sum: [i32; 3],
    len: u8,
    filled: u8,
    head: u8,
    half_beat: u8,
    to_counts: f32,
    to_g: f32,
    mean: f32,
}

impl Posture {
    /// For samples at `working_hz` (below 40 Hz).
    pub fn new(config: &Config, working_hz: f32) -> Self {
        let wanted = math::round_u32(config.detector().static_window_s * working_hz) | 1;
        let len = wanted.clamp(3, WINDOW_MAX as u32) as u8;
        let to_counts = FULL_SCALE / config.logger().range_g;
        Posture {
            ring: [[0; 3]; WINDOW_MAX],
            sum: [0; 3],
            len,
            filled: 0,
            head: 0,
            half_beat: len / 4,
            to_counts,
            to_g: 1.0 / to_counts,
            mean: 1.0 / f32::from(len),
        }
    }

    /// Samples by which [`Posture::step`] is late.
    pub fn delay_samples(&self) -> u8 {
        self.len / 2
    }

    /// Sets half the beat's period, in samples, for [`Detail::swing_g`]; at most
    /// half the window is used.
    pub fn set_half_beat(&mut self, samples: f32) {
        self.half_beat = (math::round_u32(samples) as u8).min(self.len / 2).max(1);
    }

    fn around(&self, middle: usize, offset: u8, before: bool) -> [i16; 3] {
        let len = usize::from(self.len);
        let shift =
            if before { len.wrapping_sub(usize::from(offset)) } else { usize::from(offset) };
        let mut i = middle.wrapping_add(shift);
        if i >= len {
            i = i.wrapping_sub(len);
        }
        self.ring.get(i).copied().unwrap_or([0; 3])
    }

    /// Forgets the window, after a gap.
    pub fn restart(&mut self) {
        self.sum = [0; 3];
        self.filled = 0;
        self.head = 0;
    }

    /// Takes a sample; gives the one half a window ago once the window is full.
    pub fn step(&mut self, accel_g: [f32; 3]) -> Option<Motion> {
        let mut new = [0_i16; 3];
        for (n, a) in new.iter_mut().zip(accel_g) {
            *n = ((a * self.to_counts + 32_768.5) as i32).wrapping_sub(32_768) as i16;
        }
        let slot = self.ring.get_mut(usize::from(self.head))?;
        let old = if self.filled < self.len { [0; 3] } else { *slot };
        *slot = new;
        for ((s, n), o) in self.sum.iter_mut().zip(new).zip(old) {
            *s = s.wrapping_add(i32::from(n)).wrapping_sub(i32::from(o));
        }
        self.head = self.head.wrapping_add(1);
        if self.head >= self.len {
            self.head = 0;
        }
        if self.filled < self.len {
            self.filled = self.filled.wrapping_add(1);
            if self.filled < self.len {
                return None;
            }
        }
        let raw = *self.ring.get(self.middle())?;
        let mut static_g = [0.0; 3];
        let mut dynamic_g = [0.0; 3];
        for (((st, dy), s), r) in
            static_g.iter_mut().zip(dynamic_g.iter_mut()).zip(self.sum).zip(raw)
        {
            let mean = s as f32 * self.mean;
            *st = mean * self.to_g;
            *dy = (f32::from(r) - mean) * self.to_g;
        }
        let [x, y, z] = dynamic_g;
        Some(Motion {
            static_g,
            dynamic_g,
            odba_g: math::abs(x) + math::abs(y) + math::abs(z),
            vedba_g: math::sqrt(x * x + y * y + z * z),
        })
    }

    /// Samples in the window.
    pub fn held(&self) -> u8 {
        self.filled
    }

    /// The sample `age` before the newest, g; `age` below [`Posture::held`].
    pub fn recent_g(&self, age: u8) -> [f32; 3] {
        let back = usize::from(age).wrapping_add(1);
        let head = usize::from(self.head);
        let i = if head >= back {
            head.wrapping_sub(back)
        } else {
            head.wrapping_add(usize::from(self.len)).wrapping_sub(back)
        };
        self.ring.get(i).copied().unwrap_or([0; 3]).map(|n| f32::from(n) * self.to_g)
    }

    /// Place of the sample half a window ago: the oldest sits at `head`.
    fn middle(&self) -> usize {
        let middle = usize::from(self.head).wrapping_add(usize::from(self.len / 2));
        if middle >= usize::from(self.len) {
            middle.wrapping_sub(usize::from(self.len))
        } else {
            middle
        }
    }

    /// The finer look at the sample that [`Posture::step`] gave last.
    pub fn detail(&self) -> Detail {
        let middle = self.middle();
        let raw = self.ring.get(middle).copied().unwrap_or([0; 3]);
        let last = self.around(middle, 1, true);
        let earlier = self.around(middle, self.half_beat, true);
        let later = self.around(middle, self.half_beat, false);
        let mut step2 = 0_i32;
        for (r, l) in raw.iter().zip(last) {
            let step = i32::from(*r).wrapping_sub(i32::from(l)).clamp(-15_000, 15_000);
            step2 = step2.wrapping_add(step.wrapping_mul(step));
        }
        let mut swing_g = [0.0; 3];
        for (((w, r), e), l) in swing_g.iter_mut().zip(raw).zip(earlier).zip(later) {
            let twice = i32::from(r).wrapping_mul(2);
            let sides = i32::from(e).wrapping_add(i32::from(l));
            *w = twice.wrapping_sub(sides) as f32 * (0.5 * self.to_g);
        }
        Detail { swing_g, step2_g2: step2 as f32 * self.to_g * self.to_g }
    }
}
