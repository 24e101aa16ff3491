//! Static and dynamic acceleration, and activity.
//!
//! Static acceleration is the running mean of each axis over 2 to 3 s, centred
//! on the sample it belongs to (Shepard et al. 2008, Aquatic Biology 4:235), so
//! everything here comes out half a window late. Dynamic = raw - static;
//! ODBA = |dx|+|dy|+|dz| (Wilson et al. 2006, J. Animal Ecology 75:1081);
//! VeDBA = sqrt(dx^2+dy^2+dz^2) (Qasem et al. 2012, PLoS ONE 7:e31187).
//! Sums are whole numbers, so they never drift.

use crate::config::Config;
use crate::kept::Kept;
use crate::math;
use crate::signal::rate;
use crate::signal::window::{BLOCK_PAIRS, PAST_MAX, Window};

/// How far the sample of [`Posture::detail`] moves on within a block, pairs: no beat keeps step
/// with it.
const DITHER: u8 = 3;

/// Sums of dynamic acceleration over a few samples, the second of each pair.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Detail {
    /// The sample less the mean of those half a beat before and after it: the
    /// beat's own rhythm, without its second harmonic and without slow change.
    pub swing_g: [f32; 3],
    /// Squared change from the sample before, all axes, g squared: twice the
    /// sensor's noise power where nothing moves.
    pub step2_g2: f32,
}

/// The running mean.
///
/// From 20 Hz on the second of every two samples is looked at: what is slower than a
/// tail beat, and the mean size of what is not, need no more.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Posture {
    /// Over the window, of the second of each pair.
    sum: [i32; 3],
    /// Length of the mean, pairs, odd.
    len: u8,
    /// Pairs in the mean so far.
    filled: u8,
    half_beat: u8,
    dither: u8,
    /// g of one count in the sum.
    mean_g: f32,
}

impl Posture {
    /// For samples at `working_hz` (below 40 Hz) with
    /// `to_counts` counts a g.
    pub fn new(config: &Config, working_hz: f32, to_counts: f32) -> Self {
        let pair_hz = rate::pair_hz(working_hz);
        let wanted = math::round_u32(config.detector().static_window_s * pair_hz) | 1;
        let len = wanted.clamp(3, u32::from(PAST_MAX)) as u8;
        Posture {
            sum: [0; 3],
            len,
            filled: 0,
            // Half a second: until its own is known, a beat is taken to last one.
            half_beat: len / 5,
            dither: 0,
            mean_g: 1.0 / (to_counts * f32::from(len)),
        }
    }

    /// Pairs from the middle of the mean to its newest.
    pub fn delay_pairs(&self) -> u8 {
        self.len / 2
    }

    /// Sets half the beat's period, in pairs, for [`Detail::swing_g`]; at most
    /// half the length of the mean is used.
    pub fn set_half_beat(&mut self, pairs: f32) {
        self.half_beat = (math::round_u32(pairs) as u8).min(self.len / 2).max(1);
    }

    /// Forgets the mean, after a gap.
    pub fn restart(&mut self) {
        self.sum = [0; 3];
        self.filled = 0;
    }

    /// Moves the mean on over the pairs of `window` that wait: what the samples in its
    /// middle show, once it is complete.
    pub fn work(&mut self, window: &mut Window) -> Option<Activity> {
        let mut sums = Activity::default();
        let mut count = 0_u8;
        while window.waiting() > 0 {
            // The pair that fills the mean is the first to show anything.
            let lacking = self.len.wrapping_sub(self.filled);
            let most = if lacking > 1 { lacking.wrapping_sub(1) } else { u8::MAX };
            let (places, steps) = window.work_off([0, self.len, self.len / 2], most);
            self.slide(window, places, steps, &mut sums);
            if lacking > 1 {
                self.filled = self.filled.wrapping_add(steps as u8);
                sums = Activity::default();
            } else {
                self.filled = self.len;
                count = count.wrapping_add(steps as u8);
            }
        }
        let unit = self.mean_g;
        (count > 0).then_some(Activity {
            count,
            odba_g: sums.odba_g * unit,
            vedba_g: sums.vedba_g * unit,
            vedba2_g2: sums.vedba2_g2 * unit * unit,
        })
    }

    /// Moves the mean on by `steps` pairs that come, go and lie in its middle from
    /// these places on, and adds up what the samples in its middle show, in counts times the length
    /// of the mean.
    fn slide(&mut self, window: &Window, places: [usize; 3], steps: usize, sums: &mut Activity) {
        let [newest, oldest, middle] = places;
        let whole = i32::from(self.len);
        let [mut sx, mut sy, mut sz] = self.sum;
        let Activity { count, odba_g: mut odba, vedba_g: mut vedba, vedba2_g2: mut vedba2 } = *sums;
        let come = window.run(newest, steps);
        let gone = window.run(oldest, steps);
        let here = window.run(middle, steps);
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
        *sums = Activity { count, odba_g: odba, vedba_g: vedba, vedba2_g2: vedba2 };
    }

    /// Static acceleration of the sample in the middle of the mean, g.
    pub fn static_g(&self) -> [f32; 3] {
        let [x, y, z] = self.sum;
        [x as f32 * self.mean_g, y as f32 * self.mean_g, z as f32 * self.mean_g]
    }

    /// Mean over what is held of the window, up to the newest sample, g.
    pub fn mean_g(&self) -> [f32; 3] {
        let part = f32::from(self.len) / f32::from(self.filled.max(1));
        self.static_g().map(|g| g * part)
    }

    /// Pairs in the mean.
    pub fn held(&self) -> u8 {
        self.filled
    }

    /// The finer look at a sample about half a mean back, before all that wait.
    pub fn detail(&mut self, window: &Window) -> Detail {
        self.dither = self.dither.wrapping_add(DITHER) % BLOCK_PAIRS;
        let middle = (self.len / 2).wrapping_add(self.dither);
        let [first, raw] = window.back(middle);
        // Of one and the same sample, the one before.
        let [_, before] = window.back(middle.wrapping_add(1));
        let last = if window.doubles() { before } else { first };
        let [_, earlier] = window.back(middle.wrapping_add(self.half_beat));
        let [_, later] = window.back(middle.wrapping_sub(self.half_beat));
        let ([rx, ry, rz], [lx, ly, lz]) = (raw, last);
        let ([ex, ey, ez], [fx, fy, fz]) = (earlier, later);
        let step2 = |r: i16, l: i16| {
            let step = i32::from(r).wrapping_sub(i32::from(l)).clamp(-15_000, 15_000);
            step.wrapping_mul(step)
        };
        let step2 = step2(rx, lx).wrapping_add(step2(ry, ly)).wrapping_add(step2(rz, lz));
        let to_g = window.count_g();
        let half_g = 0.5 * to_g;
        let swing = |r: i16, e: i16, l: i16| {
            let sides = i32::from(e).wrapping_add(i32::from(l));
            i32::from(r).wrapping_mul(2).wrapping_sub(sides) as f32 * half_g
        };
        let swing_g = [swing(rx, ex, fx), swing(ry, ey, fy), swing(rz, ez, fz)];
        Detail { swing_g, step2_g2: step2 as f32 * to_g * to_g }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Animal, Breathing, ConfigError, Detector, Logger, Place, Release};

    fn config(sample_hz: f32) -> Result<Config, ConfigError> {
        let logger = Logger { sample_hz, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
        let place = Place { start_unix_s: None, latitude_deg: 0.0, longitude_deg: 0.0 };
        let animal = Animal { breathing: Breathing::Ram, length_m: None };
        Config::new(logger, place, animal, Detector::DEFAULT, Release::DEFAULT)
    }

    /// Two beats a second or less, a slow roll, and noise: any g.
    fn moves(t: f64, n: u32) -> [f64; 3] {
        let noise = f64::from(n.wrapping_mul(2_654_435_761) >> 16) / 65_536.0 - 0.5;
        let roll = (0.11 * t).sin();
        let beat = (11.0 * t).sin() * (0.4 * t).cos();
        [0.2 * beat + 0.02 * noise, 0.5 * roll + 0.4 * beat, 1.0 - 0.2 * roll - 0.05 * noise]
    }

    /// Mean of some samples, by the definition.
    fn mean(of: &[[f64; 3]]) -> [f64; 3] {
        let sum = of.iter().fold([0.0; 3], |[a, b, c], [x, y, z]| [a + x, b + y, c + z]);
        sum.map(|s| s / of.len() as f64)
    }

    /// Static acceleration, ODBA and VeDBA against their definitions in `f64`, for blocks of every
    /// length up to a whole one.
    #[test]
    fn the_running_mean_and_activity_are_those_of_the_definition() -> Result<(), ConfigError> {
        for hz in [5.0, 7.7, 12.5, 19.9, 20.0, 25.0, 39.9] {
            let config = config(hz)?;
            let mut window = Window::new(8.0, hz);
            let mut posture = Posture::new(&config, hz, window.counts_per_g());
            let each = usize::from(rate::pair_of(hz));
            let len = usize::from(posture.len);
            let wanted = config.detector().static_window_s * rate::pair_hz(hz);
            // To the nearest whole number, and up to an odd one.
            assert!(
                (len as f32 - wanted).abs() <= 1.5 && len % 2 == 1,
                "{hz} Hz: {len} for {wanted}"
            );
            // The second of each pair, and what is found of them.
            let mut seconds: Vec<[f64; 3]> = Vec::new();
            let (mut count, mut odba, mut vedba, mut vedba2) = (0, 0.0, 0.0, 0.0);
            let (mut want_odba, mut want_vedba, mut want_vedba2) = (0.0, 0.0, 0.0);
            for n in 0..4000_u32 {
                let accel = moves(f64::from(n) / f64::from(hz), n);
                window.take(&[accel.map(|a| a as f32)], |_| true);
                if (n as usize + 1).is_multiple_of(each) {
                    seconds.push(accel);
                    if let Some(from) = seconds.len().checked_sub(len) {
                        let at = seconds.get(from..).unwrap_or_default();
                        let (mean, here) = (mean(at), at.get(len / 2).copied().unwrap_or_default());
                        let [x, y, z] = [0, 1, 2].map(|i| {
                            here.get(i).copied().unwrap_or(0.0)
                                - mean.get(i).copied().unwrap_or(0.0)
                        });
                        want_odba += x.abs() + y.abs() + z.abs();
                        want_vedba += (x * x + y * y + z * z).sqrt();
                        want_vedba2 += x * x + y * y + z * z;
                    }
                }
                if u32::from(window.waiting()) < 1 + n / 3 % 8 {
                    continue;
                }
                if let Some(activity) = posture.work(&mut window) {
                    count += usize::from(activity.count);
                    odba += f64::from(activity.odba_g);
                    vedba += f64::from(activity.vedba_g);
                    vedba2 += f64::from(activity.vedba2_g2);
                    let latest = seconds.get(seconds.len() - len..).unwrap_or_default();
                    for (got, want) in posture.static_g().iter().zip(mean(latest)) {
                        // A count is 0.27 mg; of the mean, half of one at most.
                        assert!((f64::from(*got) - want).abs() < 1.4e-4, "{hz} Hz, sample {n}");
                    }
                }
            }
            while window.waiting() > 0 {
                if let Some(activity) = posture.work(&mut window) {
                    count += usize::from(activity.count);
                    odba += f64::from(activity.odba_g);
                    vedba += f64::from(activity.vedba_g);
                    vedba2 += f64::from(activity.vedba2_g2);
                }
            }
            assert_eq!(count, seconds.len() + 1 - len, "{hz} Hz");
            for (name, got, want) in [
                ("ODBA", odba, want_odba),
                ("VeDBA", vedba, want_vedba),
                ("VeDBA squared", vedba2, want_vedba2),
            ] {
                // Counts, and the short root of `math`.
                assert!((got / want - 1.0).abs() < 1.0e-3, "{hz} Hz: {name} {got} for {want}");
            }
        }
        Ok(())
    }

    #[test]
    fn after_a_gap_the_mean_begins_anew() -> Result<(), ConfigError> {
        let mut window = Window::new(8.0, 12.5);
        let mut posture = Posture::new(&config(12.5)?, 12.5, window.counts_per_g());
        for _ in 0..2 {
            let mut shown = 0;
            for n in 1..=40_u8 {
                window.take(&[[0.5, 0.0, 0.75]], |_| true);
                let lacking = posture.len.saturating_sub(n);
                let activity = posture.work(&mut window);
                assert_eq!(activity.is_some(), lacking == 0, "{n}");
                shown += activity.map_or(0, |a| a.count);
                assert!(activity.is_none_or(|a| a.odba_g < 1.0e-3));
            }
            assert_eq!(shown, 41 - posture.len);
            let [x, _, z] = posture.static_g();
            assert!((x - 0.5).abs() < 2.0e-4 && (z - 0.75).abs() < 2.0e-4);
            window.restart();
            posture.restart();
            assert_eq!((posture.held(), posture.static_g()), (0, [0.0; 3]));
        }
        Ok(())
    }

    /// The swing is the sample less the mean of those half a beat before and after: of a sine of
    /// that very beat twice the sine, of what is slow or twice as fast nothing.
    #[test]
    fn the_swing_is_the_beats_own_rhythm() -> Result<(), ConfigError> {
        // 16 samples a beat, so that 8 are half of one.
        let hz = 16.0_f32;
        for (beats, swings) in [(1.0, 2.0), (2.0, 0.0), (0.0, 0.0)] {
            let mut window = Window::new(8.0, hz);
            let mut posture = Posture::new(&config(hz)?, hz, window.counts_per_g());
            posture.set_half_beat(8.0);
            let mut most = 0.0_f32;
            for n in 0..1600_u16 {
                let phase = core::f32::consts::TAU * f32::from(n) / 16.0;
                window.take(&[[0.1, 0.3 * (beats * phase).cos(), 0.001 * f32::from(n)]], |_| true);
                if window.waiting() < BLOCK_PAIRS {
                    continue;
                }
                let shown = posture.work(&mut window).is_some();
                let detail = posture.detail(&window);
                if shown {
                    let [x, y, z] = detail.swing_g;
                    most = most.max(y.abs());
                    assert!(x.abs() < 3.0e-4 && z.abs() < 6.0e-4, "{beats}: {x} {z}");
                }
            }
            assert!((most - 0.3 * swings).abs() < 6.0e-4, "{beats}: {most}");
        }
        Ok(())
    }
}
