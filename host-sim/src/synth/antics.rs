//! What a live animal does seldom and hard: fights, jumps clear of the water, rubs on the bottom.
//!
//! A fight is seconds of fast beats, wide rolls and short irregular strong jerks. A
//! jump is a steep rush to the surface, free fall, and a blow on landing. Rubbing
//! is a dive to the bottom and rolls onto a side with jerks. Sizes and lengths are
//! from memory.

use super::behaviour::{Intent, Mode};
use super::carcass::Pull;
use super::draws::Draws;

/// Mean time between them, s; infinite for none.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Often {
    pub(crate) fight_s: f64,
    pub(crate) jump_s: f64,
    pub(crate) rub_s: f64,
}

impl Often {
    pub(crate) const NEVER: Self =
        Self { fight_s: f64::INFINITY, jump_s: f64::INFINITY, rub_s: f64::INFINITY };
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Doing {
    Nothing,
    Fight,
    Rise,
    Leap,
    Sound,
    Rub,
}

/// The course of them.
#[derive(Clone, Debug)]
pub(crate) struct Antics {
    often: Often,
    next_s: [f64; 3],
    doing: Doing,
    until_s: f64,
    swing: (f64, f64),
    next_swing_s: f64,
    next_jerk_s: f64,
}

impl Antics {
    pub(crate) fn new(often: Often, d: &mut Draws) -> Self {
        let mut wait = |mean: f64| if mean.is_finite() { d.wait(mean) } else { f64::INFINITY };
        Self {
            next_s: [wait(often.fight_s), wait(often.jump_s), wait(often.rub_s)],
            often,
            doing: Doing::Nothing,
            until_s: 0.0,
            swing: (0.0, 0.0),
            next_swing_s: 0.0,
            next_jerk_s: 0.0,
        }
    }

    /// Whether it is in the air.
    pub(crate) fn airborne(&self) -> bool {
        self.doing == Doing::Leap
    }

    /// Changes what the animal wants; may add a jerk.
    pub(crate) fn step(
        &mut self,
        t_s: f64,
        depth_m: f64,
        bottom_m: f64,
        intent: &mut Intent,
        jolt: &mut Option<Pull>,
        d: &mut Draws,
    ) {
        if intent.mode == Mode::Rest || intent.grounded {
            self.doing = Doing::Nothing;
            return;
        }
        if self.doing == Doing::Nothing {
            self.begin(t_s, depth_m, bottom_m, d);
        }
        self.go_on(t_s, depth_m, bottom_m, jolt, d);
        let (size_g, gap_s, roll, pitch, faster) = match self.doing {
            Doing::Nothing => return,
            Doing::Fight => ((0.2, 1.5), 0.7, 1.3, 0.5, 1.6),
            Doing::Rub => ((0.15, 0.9), 0.9, 1.7, 0.15, 1.2),
            Doing::Rise => ((0.1, 0.3), 5.0, 0.2, 0.0, 1.6),
            Doing::Sound => ((0.1, 0.2), 30.0, 0.1, 0.0, 1.0),
            Doing::Leap => return,
        };
        if t_s >= self.next_swing_s {
            self.swing = (roll * d.between(-1.0, 1.0), pitch * d.between(-1.0, 1.0));
            self.next_swing_s = t_s + d.between(0.6, 2.5);
        }
        if t_s >= self.next_jerk_s {
            let size = d.log_between(size_g.0, size_g.1);
            *jolt = Some(Pull::draw(t_s, size, d.between(0.12, 0.4), d));
            self.next_jerk_s = t_s + 0.15 + d.wait(gap_s);
        }
        intent.beating = true;
        intent.rate *= faster;
        intent.amplitude *= if faster > 1.3 { 1.3 } else { 1.0 };
        intent.roll += self.swing.0;
        intent.pitch = match self.doing {
            Doing::Rise => 0.75,
            Doing::Sound => -0.5,
            _ => intent.pitch + self.swing.1,
        };
    }

    fn begin(&mut self, t_s: f64, depth_m: f64, bottom_m: f64, d: &mut Draws) {
        let often = [self.often.fight_s, self.often.jump_s, self.often.rub_s];
        let can = [true, depth_m < 15.0, bottom_m - depth_m < 30.0];
        for i in 0..3 {
            if t_s < self.next_s[i] {
                continue;
            }
            self.next_s[i] = t_s + d.wait(often[i]);
            if !can[i] {
                continue;
            }
            (self.doing, self.until_s) = match i {
                0 => (Doing::Fight, t_s + d.log_between(4.0, 90.0)),
                1 => (Doing::Rise, t_s + 40.0),
                _ => (Doing::Sound, t_s + 120.0),
            };
            (self.next_swing_s, self.next_jerk_s) = (t_s, t_s);
            return;
        }
    }

    fn go_on(
        &mut self,
        t_s: f64,
        depth_m: f64,
        bottom_m: f64,
        jolt: &mut Option<Pull>,
        d: &mut Draws,
    ) {
        let over = t_s >= self.until_s;
        (self.doing, self.until_s) = match self.doing {
            // A jump of 0.4 to 1.2 s in the air rises 0.2 to 1.8 m.
            Doing::Rise if depth_m < 0.6 => (Doing::Leap, t_s + d.between(0.4, 1.2)),
            Doing::Sound if depth_m > bottom_m - 0.6 => {
                (Doing::Rub, t_s + d.log_between(6.0, 90.0))
            }
            Doing::Leap if over => {
                *jolt = Some(Pull::draw(t_s, d.between(1.5, 4.0), d.between(0.12, 0.3), d));
                (Doing::Nothing, t_s)
            }
            _ if over => (Doing::Nothing, t_s),
            same => (same, self.until_s),
        };
    }
}
