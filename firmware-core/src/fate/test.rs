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
//!
//! **Whose life?** The animal's own rhythm and activity are remembered. Another rhythm
//! in another posture is what ate it, and so is a much slower one that goes on; the usual
//! activity in another posture is a tag that has come to sit otherwise.

use crate::config::{Breathing, Config};
use crate::fate::clues::{Clues, FILLED_MIN, LEAN_DEG, OFF_DEG};
use crate::fate::depth::DepthClue;
use crate::kept::Kept;
use crate::math;
use crate::signal::frame::Attitude;
use crate::signal::rate;
use crate::types::{Fate, FateReport, MinuteSummary};

/// ln(1000).
const LN_1000: f32 = 6.907_755;
/// Evidence of life in one beat, and the most that one minute can give.
const LIFE_A_BEAT: f32 = 0.7;
const LIFE_A_MINUTE: f32 = 3.5;
/// Change of mean posture from minute to minute below which it is unchanging, g.
const STEADY_G: f32 = 0.02;
/// Creep of posture since it came to rest that a loose tag does not show, g.
const CREPT_G: f32 = 0.003;
/// Change of mean posture from minute to minute after which it lies or hangs anew, g; and
/// of which a beat now and then is no sign of life.
const TURNED_G: f32 = 0.5;
const STRAYS_G: f32 = 0.2;
/// A float stands with its antenna up: what lay along the animal is then upright, while
/// a carcass lies level. Pitch that says nothing of either, degrees.
const PITCH_EVEN_DEG: f32 = 36.0;
/// The same below the surface, where the current leans on a tag that hangs.
const PITCH_LEANT_DEG: f32 = 26.0;
/// How much more or less of it says all that it can, degrees.
const PITCH_CLEAR_DEG: f32 = 12.0;
/// Bounds of the class evidence, so that a change of class stays possible.
const CLASS_MIN: f32 = -7.0;
const CLASS_MAX: f32 = 12.0;
const QUIET_MAX: f32 = 6.0;
const CLASS_START: f32 = -2.0;
/// How far from 0 it has to be for a change of mind.
const CLEAR: f32 = 5.0;
/// Minutes of swimming after which the animal's own rhythm is known, and that it remembers.
const HABIT_KNOWN_MIN: u8 = 5;
const HABIT_MEMORY_MIN: u8 = 120;
/// Minutes of the usual activity in a posture this far from the worn one, ever changing,
/// after which the tag is taken to sit otherwise on an animal that swims on. A carcass that
/// drifts, rolls over further than any mount turns.
const SHIFTED_MIN: u8 = 6;
const SHIFTED_DEG: f32 = 40.0;
const SHIFTED_MOST_DEG: f32 = 112.0;
/// Minutes for which the rhythm in a posture learnt anew has to prove to be the own one.
const SHIFT_IN_DOUBT_MIN: u8 = 90;
/// Activity from this many times the usual one on; flesh round a swallowed tag damps it to
/// less.
const USUAL_LEAST: f32 = 0.5;
const USUAL_MOST: f32 = 4.0;
/// Another animal: how unlike its rhythm and posture are, each in steps that one minute
/// of the same animal seldom makes. Period as the logarithm of its ratio.
const STEP_PERIOD: f32 = 0.26;
const STEP_POSTURE_DEG: f32 = 30.0;
/// Steps altogether from which a minute is another animal's, of which posture counts for
/// one at most; from which it is at least no sign that the own one lives; and the least
/// change of posture, degrees.
const STRANGER_STEPS: f32 = 2.7;
const DOUBTFUL_STEPS: f32 = 2.0;
const STRANGER_DEG: f32 = 12.0;
/// Least motion within the running mean of what hangs in water; what neither gills nor a
/// sensor make; and what only waves or a line do, g.
const SWAYS_G: f32 = 0.005;
const ROCKS_G: f32 = 0.02;
const TOSSED_G: f32 = 0.06;
/// Slow motion from which it rolls widely, and below which next to not at all, g; and from
/// which nothing but a tag on its line is swung about while its mean posture stays.
const ROLLS_G: f32 = 0.1;
const LULLED_G: f32 = 0.008;
const WHIRLS_G: f32 = 0.3;
/// Change of mean posture from minute to minute below which it swings about the same one, g.
const HOLDS_G: f32 = 0.04;
/// Slow motion this many times that of the sensor's own noise is rocking, however little.
const ROCKED: f32 = 1.25;
const ROCKED_G: f32 = 1.0e-4;
/// Minutes without trust after which the tag may sit otherwise, and the animal have swum.
const BLIND_MIN: u8 = 30;
/// A rhythm this many times slower than the own one, for so many minutes more than not, two
/// for one, is another animal's, and after a few of them no sign that the own one lives.
const SLOWER: f32 = 1.5;
const SLOWER_IN_DOUBT: f32 = 1.3;
const SLOWER_MIN: u8 = 20;
const SLOWER_FEW_MIN: u8 = 2;
/// What sways no more than this for so many minutes, never away from the surface and in a
/// posture that wanders, is not an animal that swims but a carcass that drifts.
const HELD_MIN: u8 = 240;
const HELD_SWAY_G: f32 = 0.1;
/// Least trusted part of a minute for it to be evidence.
const GOOD_MIN: f32 = 0.6;

/// The fate stage.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct FateTest {
    pause_min: f32,
    off_min: f32,
    rests: bool,
    /// Part of the sensor's noise that is left in the running mean.
    mean_noise: f32,
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
    habit_min: u8,
    habit_s: f32,
    habit_odba_g: f32,
    shifted_min: u8,
    since_shift_min: u8,
    blind_min: u8,
    held_min: u8,
    slower_min: u8,
    lived: bool,
    seen_alive: bool,
    revive: f32,
    report: Option<FateReport>,
}

impl FateTest {
    /// With the configured error rates.
    #[inline(never)]
    pub fn new(config: &Config) -> Self {
        let d = config.detector();
        let pair_hz = rate::pair_hz(rate::working_hz(config.logger().sample_hz));
        FateTest {
            pause_min: match config.animal().breathing {
                Breathing::Ram => d.ram_pause_min,
                Breathing::Buccal => d.buccal_pause_h * 60.0,
            },
            off_min: d.off_posture_min,
            rests: config.animal().breathing == Breathing::Buccal,
            mean_noise: 1.0 / math::sqrt(math::at_least(d.static_window_s * pair_hz, 1.0)),
            threshold: -math::ln(d.false_death_prob),
            restart_at: math::ln(d.missed_death_prob),
            floating: CLASS_START,
            bottom: CLASS_START,
            excess: 0.2,
            last_static: [0.0, 0.0, 1.0],
            anchor: [0.0, 0.0, 1.0],
            since_shift_min: u8::MAX,
            ..Kept::blank()
        }
    }

    /// The decision, if one stands.
    pub fn report(&self) -> Option<&FateReport> {
        self.report.as_ref()
    }

    /// Evidence as it stands: not living, floating, on the bottom (see [`crate::types::Evidence`]).
    pub fn evidence(&self) -> [f32; 3] {
        [self.evidence, self.floating, self.bottom]
    }

    /// False once the animal was found not to live, or not to wear the tag.
    pub fn living(&self) -> bool {
        self.report.is_none_or(|r| r.fate == Fate::Alive)
    }

    /// True if the latest minute was that of a living animal.
    pub fn lived(&self) -> bool {
        self.lived
    }

    /// True where the latest minute shows that the tag has come to sit otherwise.
    pub fn shifted(&self) -> bool {
        self.shifted_min >= SHIFTED_MIN
    }

    /// True once the animal was seen to live.
    pub fn seen_alive(&self) -> bool {
        self.seen_alive
    }

    /// Takes a minute that ended before `now_us` (the time of the newest sample).
    /// Gives a report when fate is decided or revised.
    #[inline(never)]
    pub fn step(
        &mut self,
        minute: &MinuteSummary,
        attitude: Option<&Attitude>,
        depth: DepthClue,
        now_us: u64,
    ) -> Option<FateReport> {
        self.lived = false;
        if minute.good < GOOD_MIN {
            self.blind_min = self.blind_min.saturating_add(1);
            return None;
        }
        let clues = self.clues(minute, attitude, depth);
        self.held_min = match depth {
            DepthClue::Surface if minute.sway_g < HELD_SWAY_G => {
                self.held_min.saturating_add(u8::from(minute.beats >= 3.0 && !clues.steady))
            }
            _ => 0,
        };
        let lives = minute.beats >= 0.5 && self.held_min < HELD_MIN && clues.can_swim(minute);
        let living = self.living();
        self.lived = lives && !clues.doubtful && living;
        self.shifted_min = match (clues.active, self.shifted()) {
            (true, false) if living => self.shifted_min.saturating_add(1),
            _ => 0,
        };
        if self.blind_min >= BLIND_MIN {
            self.shifted_min = SHIFTED_MIN;
            self.habit_min = 0;
            // It may have swum all the while.
            self.evidence = math::at_most(self.evidence, 0.0);
        }
        self.blind_min = 0;
        self.since_shift_min =
            if self.shifted() { 0 } else { self.since_shift_min.saturating_add(1) };
        if lives {
            if self.lived {
                self.get_used_to(minute);
            }
            let most = if clues.doubtful { 0.0 } else { LIFE_A_MINUTE };
            let life = math::at_most(LIFE_A_BEAT * minute.beats, most);
            self.evidence -= life;
            self.revive = math::at_least(self.revive - life, -1.0e3);
            self.seen_alive |= minute.beats >= 3.0;
        } else if !clues.active {
            self.evidence += self.pace(&clues);
            self.revive = 0.0;
            self.classify(&clues);
        }
        let fate = match self.report {
            None => {
                // Whatever happens next happens after this minute's last beat.
                let swum_s = math::at_most(minute.beats * minute.period_s, 60.0);
                self.wait(minute.t_us.saturating_add(math::s_to_us(swum_s)))
            }
            Some(report) => {
                self.evidence = math::at_most(self.evidence, 4.0 * self.threshold);
                self.review(&report, now_us)
            }
        }?;
        self.report = Some(FateReport {
            fate,
            event_us: self.onset_us,
            decided_us: now_us,
            evidence: self.evidence,
        });
        self.report
    }

    /// Of an animal taken to live: starts anew from `life_us` where that is certain; gives
    /// what has become of it where the evidence is enough.
    #[inline(never)]
    fn wait(&mut self, life_us: u64) -> Option<Fate> {
        if self.evidence <= self.restart_at {
            self.evidence = 0.0;
            self.forget_class();
            self.onset_us = life_us;
        }
        (self.evidence >= self.threshold).then(|| self.class())
    }

    /// Learns the animal's own rhythm from a minute that it swam.
    fn get_used_to(&mut self, minute: &MinuteSummary) {
        if minute.beats < 3.0 {
            return;
        }
        self.habit_min = self.habit_min.saturating_add(1).min(HABIT_MEMORY_MIN);
        let k = 1.0 / f32::from(self.habit_min);
        self.habit_s += k * (minute.period_s - self.habit_s);
        self.habit_odba_g += k * (minute.odba_g - self.habit_odba_g);
    }

    /// True while the rhythm in a posture learnt anew has yet to prove to be the own one.
    fn in_doubt(&self) -> bool {
        self.since_shift_min < SHIFT_IN_DOUBT_MIN
    }

    /// How unlike the animal's own a minute's rhythm and posture are, in steps.
    fn unlike(&self, minute: &MinuteSummary, off_deg: f32) -> f32 {
        // Where the worn posture was learnt anew, it is the new one that is in question.
        let off_deg = if self.in_doubt() { 90.0 } else { off_deg };
        if self.habit_min < HABIT_KNOWN_MIN || off_deg < STRANGER_DEG || minute.beats < 1.5 {
            return 0.0;
        }
        // What eats it is larger, and beats slower; a tether flutters faster.
        let period = math::ln(minute.period_s / self.habit_s);
        let posture = math::at_most(off_deg / STEP_POSTURE_DEG, 1.0);
        if period < STEP_PERIOD {
            // Its own rhythm, handed on less well: by a mount that works loose, or a tether.
            return posture;
        }
        // What rests, may swim otherwise after hours.
        let rested = if self.rests { 1.0 } else { 0.0 };
        period / STEP_PERIOD + posture - rested
    }

    /// After a decision: a change of mind needs clearly more than the decision did.
    fn review(&mut self, report: &FateReport, now_us: u64) -> Option<Fate> {
        if report.fate == Fate::Alive {
            return self.wait(now_us);
        }
        if -self.revive >= 3.0 * self.threshold && report.fate == Fate::Dead {
            self.evidence = 0.0;
            self.onset_us = now_us;
            return Some(Fate::Alive);
        }
        let class = self.class();
        let soon = now_us.saturating_sub(report.decided_us) < 3_600_000_000;
        // The larger one is above 0 for a tag that came off, below it for a carcass.
        let clear = math::abs(math::at_least(self.floating, self.bottom)) > CLEAR;
        (class != report.fate && soon && clear).then_some(class)
    }

    #[inline(never)]
    fn class(&self) -> Fate {
        if self.floating > 0.0 && self.floating >= self.bottom {
            Fate::DetachedFloating
        } else if self.bottom > 0.0 {
            Fate::DetachedOnBottom
        } else {
            Fate::Dead
        }
    }

    /// Evidence of a lifeless minute: the pause's own, faster where even gills
    /// or any adjustment are missing, slower while depth changes or is unknown;
    /// or that of a posture that no animal keeps, where that is more.
    fn pace(&self, c: &Clues) -> f32 {
        if c.stranger {
            return 2.0 * LN_1000 / self.off_min;
        }
        let depth = match c.depth {
            DepthClue::Stationary | DepthClue::Surface => 1.0,
            DepthClue::Moving => 0.5,
            // A resting animal is as stationary as a dead one: depth adds little.
            DepthClue::Unknown if self.rests => 0.85,
            DepthClue::Unknown => 0.6,
        };
        let faster = if c.still && c.steady && c.off_deg > 25.0 {
            3.0
        } else if c.off_deg > LEAN_DEG && (!self.rests || self.since_shift_min == u8::MAX) {
            2.0
        } else {
            1.0
        };
        let pause = LN_1000 / self.pause_min * faster;
        // In a posture to live in at no time (what rests has time, since its tag may have come
        // to sit otherwise as it lay there), or thrown about without a beat.
        let off = if c.turned || c.off_deg > OFF_DEG && !self.rests {
            LN_1000 / self.off_min
        } else {
            0.0
        };
        depth * math::at_least(off, pause)
    }

    fn clues(
        &mut self,
        minute: &MinuteSummary,
        attitude: Option<&Attitude>,
        depth: DepthClue,
    ) -> Clues {
        let off_deg = attitude.map_or(0.0, |a| a.off_deg);
        let moved_g = math::sqrt(math::distance2(minute.static_g, self.last_static));
        self.last_static = minute.static_g;
        let slow = minute.static_sd_g;
        let noise = minute.noise_rms_g;
        let excess = minute.dynamic_rms_g * minute.dynamic_rms_g - noise * noise;
        let fast = math::sqrt(excess);
        let calm = 0.3 * noise + 5.0e-4;
        let quiet = slow < calm && moved_g < calm;
        let away2 = math::distance2(minute.static_g, self.anchor);
        let crept = quiet && away2 > CREPT_G * CREPT_G;
        if crept || !quiet {
            self.anchor = minute.static_g;
        }
        let crept = crept && self.was_quiet;
        self.was_quiet = quiet;
        if quiet {
            // Minutes together, since gills move the tag by less than its noise.
            let ratio = excess / (noise * noise + 1.0e-8);
            self.excess += 0.12 * (math::within(ratio, -0.5, 1.0) - self.excess);
        } else {
            self.excess = 0.2;
        }
        let steady = moved_g < STEADY_G;
        let filled = minute.beats * minute.period_s > 60.0 * FILLED_MIN;
        // Nothing in its depth speaks against a swimmer.
        let free = matches!(depth, DepthClue::Moving | DepthClue::Unknown);
        let swims = !steady && (free || depth == DepthClue::Stationary && filled);
        let unlike = self.unlike(minute, off_deg);
        let swum = minute.beats >= 3.0;
        // Where the tag has come to sit otherwise, less is enough.
        let slower_than = if self.in_doubt() { SLOWER_IN_DOUBT } else { SLOWER };
        let slowed = !self.rests
            && self.habit_min >= HABIT_KNOWN_MIN
            && minute.period_s > slower_than * self.habit_s;
        if swum {
            self.slower_min = if slowed {
                self.slower_min.saturating_add(1)
            } else {
                self.slower_min.saturating_sub(2)
            };
        }
        let slower = swum && slowed && self.slower_min >= SLOWER_MIN;
        let (rocks, rolls) = (fast > ROCKS_G, slow > ROLLS_G);
        let turned = moved_g > TURNED_G;
        let tossed = rolls && fast > TOSSED_G;
        let strays = moved_g > STRAYS_G;
        Clues {
            depth,
            off_deg,
            pitch_deg: attitude.map(|a| math::abs(a.pitch_deg)),
            steady,
            turned,
            stranger: swims && (unlike > STRANGER_STEPS || slower) && !tossed,
            // What it was eaten by may keep a steady posture; what is thrown about does not.
            doubtful: (swims || !tossed)
                && (unlike > DOUBTFUL_STEPS || self.slower_min > SLOWER_FEW_MIN)
                || !filled && (rolls || strays),
            active: !steady
                && free
                && self.habit_min >= HABIT_KNOWN_MIN
                && !turned
                && off_deg > SHIFTED_DEG
                && off_deg < SHIFTED_MOST_DEG
                && minute.odba_g > USUAL_LEAST * self.habit_odba_g
                && minute.odba_g < USUAL_MOST * self.habit_odba_g,
            chop: rocks && fast > 0.25 * slow || fast > 0.008 && fast > 0.4 * slow,
            sways: fast > SWAYS_G,
            rolls,
            lulled: slow < LULLED_G,
            tossed,
            whirls: tossed && slow > WHIRLS_G && !strays,
            holds: moved_g < HOLDS_G,
            still: quiet && self.excess < 0.025,
            quiet,
            rocked: slow > ROCKED * self.mean_noise * noise + ROCKED_G,
            crept,
        }
    }

    fn forget_class(&mut self) {
        self.floating = CLASS_START;
        self.bottom = CLASS_START;
    }

    fn classify(&mut self, c: &Clues) {
        if c.turned || c.stranger {
            // How it lay before says nothing of how it lies or hangs now.
            self.forget_class();
        }
        let (even_deg, afloat, mut bottom) = match c.depth {
            DepthClue::Stationary | DepthClue::Moving => (PITCH_LEANT_DEG, -1.5, 0.0),
            DepthClue::Surface => (PITCH_EVEN_DEG, 0.8, -1.5),
            DepthClue::Unknown => (PITCH_EVEN_DEG, 0.0, 0.0),
        };
        // From -1, level as a carcass, to 1, upright as a float.
        let stands =
            c.pitch_deg.map_or(0.0, |p| math::within((p - even_deg) / PITCH_CLEAR_DEG, -1.0, 1.0));
        let (below, free) = (c.depth != DepthClue::Surface, c.depth == DepthClue::Moving);
        let still = c.depth == DepthClue::Stationary;
        // Below the surface it hangs from a snag or a resting animal, swinging about one mean
        // posture, or is drawn along on its tether.
        let swings =
            below && (c.chop && c.holds && !free || c.tossed && (c.chop || still) || c.whirls);
        // However it swings, nothing but a tag hangs pitched.
        let hangs = below && !free && stands > 0.1 && c.sways && (still || c.steady || c.rolls);
        let mut floating = if swings {
            1.0
        } else if hangs {
            0.3
        } else {
            // A float rights itself: what rocks it leaves its mean posture as it is.
            afloat + if c.chop { 0.7 } else { -0.7 } + if c.steady { 0.3 } else { -2.2 }
        };
        let weight = if stands > 0.0 {
            0.5
        } else if !swings {
            2.0
        } else if free || c.whirls {
            0.0
        } else {
            1.0
        };
        floating += weight * stands;
        bottom += if c.crept {
            // Tide has turned it by a little: it is not a tag alone.
            2.0 * CLASS_MIN
        } else if c.quiet && !c.rocked {
            0.45
        } else if c.lulled && stands > 0.3 {
            // More than a loose tag's noise, yet no carcass lies so steeply.
            0.3
        } else if c.chop || c.rocked {
            -1.0
        } else {
            -0.4
        };
        self.floating = math::within(self.floating + floating, CLASS_MIN, CLASS_MAX);
        // One calm hour is as good as ten: the minutes hang together.
        self.bottom = math::within(self.bottom + bottom, CLASS_MIN, QUIET_MAX);
    }
}
