//! Head shakes: short bursts of fast, strong sway, as of an animal that wants to be rid of a
//! hook or a tag. Sizes and lengths are from memory.

use std::f64::consts::TAU;

use super::draws::Draws;
use super::posture::STANDARD_GRAVITY as G;

/// Half swings of a shake, at least and at most.
const HALF_SWINGS: (f64, f64) = (6.0, 14.0);
/// Swings a second.
const SWING_HZ: (f64, f64) = (3.5, 5.0);
/// Acceleration along the sway axis at the widest, g.
const SIZE_G: (f64, f64) = (0.5, 1.0);
/// From the end of one to the next, at least, s.
const LEAST_GAP_S: f64 = 10.0;

/// The course of them.
#[derive(Clone, Debug)]
pub(crate) struct Shakes {
    every_s: f64,
    next_s: f64,
    now: Option<Shake>,
    draws: Draws,
}

#[derive(Clone, Copy, Debug)]
struct Shake {
    from_s: f64,
    to_s: f64,
    hz: f64,
    size_g: f64,
}

impl Shakes {
    /// With a mean time between them, s; infinite for none.
    pub(crate) fn new(every_s: f64, mut draws: Draws) -> Self {
        let next_s = if every_s.is_finite() { draws.wait(every_s) } else { f64::INFINITY };
        Shakes { every_s, next_s, now: None, draws }
    }

    /// Acceleration along the sway axis at `t_s`, m/s2, and one that has just ended, from and to.
    pub(crate) fn step(&mut self, t_s: f64) -> (f64, Option<(f64, f64)>) {
        if self.now.is_none() && t_s >= self.next_s {
            let d = &mut self.draws;
            let hz = d.between(SWING_HZ.0, SWING_HZ.1);
            let half_swings = d.between(HALF_SWINGS.0, HALF_SWINGS.1).round();
            let to_s = t_s + 0.5 * half_swings / hz;
            let size_g = d.between(SIZE_G.0, SIZE_G.1);
            self.now = Some(Shake { from_s: t_s, to_s, hz, size_g });
        }
        let Some(shake) = self.now else { return (0.0, None) };
        if t_s >= shake.to_s {
            self.now = None;
            self.next_s = t_s + LEAST_GAP_S + self.draws.wait(self.every_s);
            return (0.0, Some((shake.from_s, shake.to_s)));
        }
        // Whole half swings: it starts and ends at rest.
        let swing = (TAU * shake.hz * (t_s - shake.from_s)).sin();
        (G * shake.size_g * swing, None)
    }
}

#[cfg(test)]
mod tests {
    use super::super::draws::Part;
    use super::*;

    fn shakes(every_s: f64) -> Shakes {
        Shakes::new(every_s, Draws::new("head-shaker", 1, Part::Shakes))
    }

    #[test]
    fn as_many_as_asked_for_and_each_as_it_is_stated() {
        let mut shakes = shakes(60.0);
        let (mut ended, mut most, mut turns, mut before) = (Vec::new(), 0.0_f64, 0, 0.0);
        for n in 0..3_600_000 {
            let (a, over) = shakes.step(f64::from(n) * 0.01);
            most = most.max(a.abs());
            turns += u32::from(a * before < 0.0);
            before = if a == 0.0 { before } else { a };
            ended.extend(over);
        }
        // 36 000 s of one each 60 s, and 10 s and one to two seconds beside it.
        assert!((430..=570).contains(&ended.len()), "{}", ended.len());
        assert!(most > 0.95 * G && most <= G, "{most}");
        for (from_s, to_s) in &ended {
            let length_s = to_s - from_s;
            assert!((0.6..=2.0).contains(&length_s), "{length_s}");
        }
        let each = f64::from(turns) / ended.len() as f64;
        assert!((9.0..=11.5).contains(&each), "{each}");
    }

    #[test]
    fn none_where_none_are_wanted() {
        let mut shakes = shakes(f64::INFINITY);
        assert!((0..10_000).all(|n| shakes.step(f64::from(n)) == (0.0, None)));
    }
}
