//! Is the animal alive, and is the tag still on it?
//!
//! **Not living.** A repeated sequential probability ratio test (Wald 1945,
//! Annals of Mathematical Statistics 16:117) of "a living animal wears the tag"
//! against "it does not". A minute without life adds `ln(1000)/L`, where `L` is
//! the pause that one pause in a thousand of a living animal exceeds: with
//! exponentially distributed pauses this is minus the log of the chance that a
//! living animal pauses so long. `L` is a setting by breathing mode, and longer
//! or shorter by circumstance. A minute with beats in the worn
//! posture takes evidence away. At `ln(1/false_death_prob)` the animal is not
//! living, or the tag not worn; at `ln(missed_death_prob)` it lives, and the
//! test starts anew from there: that is the time of the event if the next run
//! of evidence goes through.
//!
//! **Dead, or the tag off?** Over the same run, log likelihood ratios of
//! "floating" and of "lying loose on the bottom" against "on a carcass", from
//! depth, posture and the kind of rocking.

use crate::checkpoint::Kept;
use crate::config::{Breathing, Config};
use crate::depth::DepthClue;
use crate::frame::Attitude;
use crate::math;
use crate::minute::Summary;
use crate::tag::{Fate, FateReport};
use macro_rules_attribute::derive;

/// ln(1000).
const LN_1000: f32 = 6.907_755;
/// Evidence of life in one beat, and the most that one minute can give.
const LIFE_A_BEAT: f32 = 0.7;
const LIFE_A_MINUTE: f32 = 3.5;
/// Gravity further off the worn posture than this is not a posture to swim in, degrees.
const OFF_DEG: f32 = 65.0;
/// Gravity further off than this is unusual, degrees.
const LEAN_DEG: f32 = 42.0;
/// Change of mean posture from minute to minute below which it is unchanging, g.
const STEADY_G: f32 = 0.02;
/// Creep of posture since it came to rest that a loose tag does not show, g.
const CREPT_G: f32 = 0.008;
/// Bounds of the class evidence, so that a change of class stays possible.
const CLASS_MAX: f32 = 12.0;
const QUIET_MAX: f32 = 6.0;
const CLASS_START: f32 = -2.0;
/// Least trusted part of a minute for it to be evidence.
const GOOD_MIN: f32 = 0.6;

/// What one minute says.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Clues {
    depth: DepthClue,
    off_deg: f32,
    pitch_deg: f32,
    /// Rocked by waves of a few seconds, as a float is.
    chop: bool,
    /// Rocked slowly, as swell rocks a carcass.
    heaved: bool,
    /// Nothing moves but the sensor's own noise, for minutes: not even gills.
    still: bool,
    /// No rocking, no change of posture.
    quiet: bool,
    /// Calm, but turned by more than a loose tag turns since it came to rest.
    crept: bool,
    /// The mean posture is that of the minute before.
    steady: bool,
}

impl Clues {
    /// Could the sway of this minute be a swimming animal's? Not in a posture
    /// that nothing swims in; and where the tag hangs in one unchanging posture
    /// beside the worn one, only with the animal's own rhythm.
    fn can_swim(&self, minute: &Summary, own: Option<(f32, f32)>) -> bool {
        if self.off_deg > OFF_DEG {
            return false;
        }
        let surface = self.depth == DepthClue::Surface;
        if self.steady && self.chop && (self.off_deg > LEAN_DEG || surface && self.off_deg > 25.0) {
            return false;
        }
        if self.steady && self.off_deg > 15.0 {
            return own.is_none_or(|(period_s, sway_g)| {
                math::alike(minute.period_s, period_s, 1.6) && minute.sway_g > 0.35 * sway_g
            });
        }
        true
    }
}

/// The fate stage.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct FateTest {
    pause_min: f32,
    off_min: f32,
    rests: bool,
    threshold: f32,
    restart_at: f32,
    evidence: f32,
    onset_us: u64,
    floating: f32,
    bottom: f32,
    excess: f32,
    last_static: [f32; 3],
    anchor: [f32; 3],
    was_quiet: bool,
    off_deg: f32,
    lived: bool,
    life_minutes: u32,
    revive: f32,
    report: Option<FateReport>,
}

impl FateTest {
    /// With the configured error rates.
    #[inline(never)]
    pub fn new(config: &Config) -> Self {
        let d = config.detector();
        FateTest {
            pause_min: match config.animal().breathing {
                Breathing::Ram => d.ram_pause_min,
                Breathing::Buccal => d.buccal_pause_h * 60.0,
            },
            off_min: d.off_posture_min,
            rests: config.animal().breathing == Breathing::Buccal,
            threshold: -math::ln(d.false_death_prob),
            restart_at: math::ln(d.missed_death_prob),
            evidence: 0.0,
            onset_us: 0,
            floating: CLASS_START,
            bottom: CLASS_START,
            excess: 0.2,
            last_static: [0.0, 0.0, 1.0],
            anchor: [0.0, 0.0, 1.0],
            was_quiet: false,
            off_deg: 0.0,
            lived: false,
            life_minutes: 0,
            revive: 0.0,
            report: None,
        }
    }

    /// The decision, if one stands.
    pub fn report(&self) -> Option<&FateReport> {
        self.report.as_ref()
    }

    /// Evidence as it stands: not living, floating, on the bottom (see [`crate::tag::Evidence`]).
    pub fn evidence(&self) -> [f32; 3] {
        [self.evidence, self.floating, self.bottom_evidence()]
    }

    /// True if the latest minute was that of a living animal.
    pub fn lived(&self) -> bool {
        self.lived
    }

    /// True once the animal was seen to live.
    pub fn seen_alive(&self) -> bool {
        self.life_minutes > 0
    }

    /// Takes a minute that ended before `now_us` (the time of the newest sample).
    /// Gives a report when fate is decided or revised.
    pub fn step(
        &mut self,
        minute: &Summary,
        attitude: Option<&Attitude>,
        depth: DepthClue,
        own: Option<(f32, f32)>,
        now_us: u64,
    ) -> Option<FateReport> {
        self.lived = false;
        if minute.good < GOOD_MIN {
            return None;
        }
        let clues = self.clues(minute, attitude, depth);
        let lives = minute.beats >= 0.5 && clues.can_swim(minute, own);
        self.lived = lives;
        self.off_deg = clues.off_deg;
        if lives {
            let life = (LIFE_A_BEAT * minute.beats).min(LIFE_A_MINUTE);
            self.evidence -= life;
            self.revive = (self.revive - life).max(-1.0e3);
            if minute.beats >= 3.0 {
                self.life_minutes = self.life_minutes.saturating_add(1);
            }
        } else {
            self.evidence += self.pace(&clues);
            self.revive = 0.0;
            self.classify(&clues);
        }
        if self.report.is_none() {
            if self.evidence <= self.restart_at {
                // It lives: whatever happens next happens after this minute's last beat.
                self.evidence = 0.0;
                self.floating = CLASS_START;
                self.bottom = CLASS_START;
                let swum_s = (minute.beats * minute.period_s).min(60.0);
                self.onset_us = minute.t_us.saturating_add(math::s_to_us(swum_s));
            }
            if self.evidence >= self.threshold {
                return self.decide(self.class(), now_us);
            }
            return None;
        }
        self.evidence = self.evidence.min(4.0 * self.threshold);
        self.review(now_us)
    }

    /// After a decision: a change of mind needs clearly more than the decision did.
    fn review(&mut self, now_us: u64) -> Option<FateReport> {
        let report = self.report?;
        if -self.revive >= 3.0 * self.threshold && report.fate == Fate::Dead {
            self.evidence = 0.0;
            self.onset_us = now_us;
            return self.decide(Fate::Alive, now_us);
        }
        if report.fate == Fate::Alive {
            if self.evidence <= self.restart_at {
                self.evidence = 0.0;
                self.floating = CLASS_START;
                self.bottom = CLASS_START;
                self.onset_us = now_us;
            }
            if self.evidence >= self.threshold {
                return self.decide(self.class(), now_us);
            }
            return None;
        }
        let class = self.class();
        let bottom = self.bottom_evidence();
        let soon = now_us.saturating_sub(report.decided_us) < 7_200_000_000;
        let clear = match class {
            Fate::DetachedFloating => self.floating > 6.0,
            Fate::DetachedOnBottom => bottom > 3.0,
            _ => self.floating < -6.0 && bottom < -6.0,
        };
        if class != report.fate && soon && clear { self.decide(class, now_us) } else { None }
    }

    fn decide(&mut self, fate: Fate, now_us: u64) -> Option<FateReport> {
        let report = FateReport {
            fate,
            event_us: self.onset_us,
            decided_us: now_us,
            evidence: self.evidence,
        };
        self.report = Some(report);
        self.report
    }

    /// A loose tag seldom comes to lie as it was worn: that a random direction
    /// falls within 15 degrees of another has a chance of 1.7 %, within 30 of 6.7 %.
    fn bottom_evidence(&self) -> f32 {
        let as_worn = if self.off_deg < 15.0 {
            -4.0
        } else if self.off_deg < 30.0 {
            -2.7
        } else {
            0.0
        };
        self.bottom + as_worn
    }

    fn class(&self) -> Fate {
        let bottom = self.bottom_evidence();
        if self.floating > 0.0 && self.floating >= bottom {
            Fate::DetachedFloating
        } else if bottom > 0.0 {
            Fate::DetachedOnBottom
        } else {
            Fate::Dead
        }
    }

    /// Evidence of a lifeless minute: the pause's own, faster where even gills
    /// or any adjustment are missing, slower while depth changes or is unknown;
    /// or that of a posture that no animal keeps, where that is more.
    fn pace(&self, c: &Clues) -> f32 {
        let depth = match c.depth {
            DepthClue::Stationary | DepthClue::Surface => 1.0,
            DepthClue::Moving => 0.5,
            // A resting animal is as stationary as a dead one: depth adds little.
            DepthClue::Unknown if self.rests => 0.85,
            DepthClue::Unknown => 0.6,
        };
        let still = if c.still && c.steady && c.off_deg > 25.0 { 3.0_f32 } else { 1.0 };
        let lean = if c.off_deg > LEAN_DEG { 2.0_f32 } else { 1.0 };
        let pause = LN_1000 / self.pause_min * lean.max(still);
        let odd = c.off_deg > OFF_DEG || (c.chop && c.steady && c.off_deg > 15.0);
        let off = if odd { LN_1000 / self.off_min } else { 0.0 };
        depth * pause.max(off)
    }

    fn clues(&mut self, minute: &Summary, attitude: Option<&Attitude>, depth: DepthClue) -> Clues {
        let moved = math::add_scaled(minute.static_g, -1.0, self.last_static);
        let moved_g = math::sqrt(math::dot(moved, moved));
        self.last_static = minute.static_g;
        let slow = minute.static_sd_g;
        let noise = minute.noise_rms_g;
        let excess = minute.dynamic_rms_g * minute.dynamic_rms_g - noise * noise;
        let fast = math::sqrt(excess);
        let quiet = slow < 0.3 * noise + 5.0e-4 && moved_g < 0.3 * noise + 5.0e-4;
        let away = math::add_scaled(minute.static_g, -1.0, self.anchor);
        let crept = quiet && math::dot(away, away) > CREPT_G * CREPT_G;
        if crept || !quiet {
            self.anchor = minute.static_g;
        }
        let crept = crept && self.was_quiet;
        self.was_quiet = quiet;
        if quiet {
            // Minutes together, since gills move the tag by less than its noise.
            let ratio = excess / (noise * noise + 1.0e-8);
            self.excess += 0.12 * (ratio.clamp(-0.5, 1.0) - self.excess);
        } else {
            self.excess = 0.2;
        }
        Clues {
            depth,
            off_deg: attitude.map_or(0.0, |a| a.off_deg),
            pitch_deg: attitude.map_or(0.0, |a| math::abs(a.pitch_deg)),
            steady: moved_g < STEADY_G,
            chop: fast > 0.008 && fast > 0.4 * slow,
            heaved: slow > 0.006 && fast < 0.35 * slow,
            still: quiet && self.excess < 0.025,
            quiet,
            crept,
        }
    }

    fn classify(&mut self, c: &Clues) {
        let mut floating = match c.depth {
            DepthClue::Surface => 0.8,
            DepthClue::Stationary | DepthClue::Moving => -1.5,
            DepthClue::Unknown => 0.0,
        };
        floating += if c.chop { 0.7 } else { -0.7 };
        let mut bottom = match c.depth {
            DepthClue::Surface => -1.5,
            DepthClue::Stationary | DepthClue::Moving | DepthClue::Unknown => 0.0,
        };
        bottom += if c.crept {
            // Tide has turned it by a little: it is not a tag alone.
            -1.5
        } else if c.quiet {
            0.6
        } else if c.heaved || c.chop {
            -1.0
        } else {
            -0.4
        };
        // A carcass lies level, on its belly, a side or its back.
        let pitched = if c.pitch_deg > 50.0 {
            0.4
        } else if c.pitch_deg > 30.0 {
            0.15
        } else {
            0.0
        };
        self.floating = (self.floating + floating + pitched).clamp(-CLASS_MAX, CLASS_MAX);
        // One calm hour is as good as ten: the minutes hang together.
        self.bottom = (self.bottom + bottom + pitched).clamp(-CLASS_MAX, QUIET_MAX);
    }
}
