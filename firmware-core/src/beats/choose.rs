//! Which cycles are beats: those of the rung that carries the rhythm, once enough of them agree
//! with each other, or with this animal's own rhythm.

use crate::beats::bandpass::{BAND_PERIOD, gain};
use crate::beats::cycles::{Cycle, MEMORY, PARTS, PARTS_SHIFT, Rung};
use crate::config::Config;
use crate::kept::Kept;
use crate::math;
use crate::types::Beat;

/// Rungs: periods from 5/40 s to 10 * 32/20 s.
pub const RUNGS: usize = 6;
/// Slowest cycle that a rung sees well enough, and the fastest, beyond which the next faster
/// rung sees it better: frequencies, in that of greatest gain.
const BAND_SLOWEST: f32 = 0.45;
const BAND_FASTEST: f32 = 1.55;
/// What the mean of two values of the top rung takes off at a period in parts of its sample,
/// times the square of that: `(pi PARTS)^2 / 2`, of `1 - cos(pi PARTS / period)`.
const MEAN_LOSS: f32 = 1263.309;
/// Most that period and amplitude change from one cycle to the next that agrees with it.
const AGREE_PERIOD: f32 = 1.4;
const AGREE_SWAY: f32 = 2.2;
const EDGE_PERIOD: f32 = 1.8;
const EDGE_LOW: f32 = 0.3;
const EDGE_HIGH: f32 = 2.5;
/// Beats after which this animal's own rhythm counts for something, and for much.
const OWN_KNOWN: u16 = 8;
const OWN_SURE: u16 = 60;
/// Samples of a rung in this animal's own period from where on the next rung sees
/// all that the animal does, up to twice as fast, and this one is not looked at.
const FAR_BELOW: f32 = 15.0;
/// The same, from where on it is looked at only where a burst may be under way; not for the top
/// rung, whose values are not made for that alone.
const BELOW: f32 = 13.0;
/// Least amplitude behind the band-pass that may be a burst, in this animal's own: its own
/// beat comes to 0.62 of it there, at most.
const LOUD: f32 = 1.2;
/// Beats from one choice of the rungs to the next.
const RUNGS_EVERY: u16 = 4;
/// Longest period of a beat, in this animal's own, and the fewest samples of a rung in that
/// for the rung to be worked on.
const OWN_LONGEST: f32 = 3.5;
const FAR_ABOVE: f32 = 6.0;
/// Least amplitude of a cycle that is looked at, in this animal's own.
const OWN_WEAKEST: f32 = 0.1;
/// How long slower, larger motion can hold up the very first beats, s.
const OVERSHADOWED_S: f32 = 20.0;
/// How long a rhythm must last before the first beats are believed, s.
const UNKNOWN_S: f32 = 8.0;
/// Longest wait of a finished beat, one being handed out a sample, and of the
/// value it was found in on its way to this stage, s.
const DELIVERY_S: f32 = 2.5;
/// Values taken at a time.
pub const BATCH: usize = 8;
/// The same in values of the top rung.
pub const TOP_BATCH: u32 = 2 * BATCH as u32;
/// Slowest of the rungs that work on so many values; those below it work on half as many, so as
/// not to fall too far behind.
pub const LAST_WHOLE: u8 = 2;
/// First of the rungs that get half of what they work on at a time.
pub const FIRST_HALF: u8 = LAST_WHOLE + 2;

/// A sample of a rung, in 1/16 sample of the top rung.
fn parts_of_rung(number: u8) -> f32 {
    PARTS.wrapping_shl(u32::from(number)) as f32
}

/// Batches that a rung waits for before it works, at most.
fn batches(number: u8) -> u32 {
    1_u32.wrapping_shl(u32::from(number.max(FIRST_HALF - 1).wrapping_sub(LAST_WHOLE)))
}

/// How far a cycle's period lies from the middle of its rung's band, 0 or more.
fn off_centre(number: u8, cycle: &Cycle) -> f32 {
    let middle = BAND_PERIOD * parts_of_rung(number);
    let ratio = middle / math::at_least(cycle.period(), 1.0);
    math::at_least(ratio, 1.0 / ratio) - 1.0
}

/// Least way back from an extreme that is a turn, where the weakest cycles looked for are of
/// `least_g`, in units of `unit_g`.
fn floor(least_g: f32, unit_g: f32) -> i32 {
    (0.9 * least_g / unit_g) as i32
}

/// How often so many parts of a sample have to be doubled to be beyond the period.
#[inline]
fn doublings(period: f32, parts: f32) -> u8 {
    let times = (period / parts) as u32;
    32_u32.wrapping_sub(times.leading_zeros()) as u8
}

/// `a` is later than `b` (times wrap).
fn after(a: u32, b: u32) -> bool {
    (a.wrapping_sub(b) as i32) > 0
}

/// A beat on its way out; its time as an index of the top rung.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Waiting {
    peak: u32,
    period_s: f32,
    amplitude_g: f32,
    confidence: f32,
}

/// True where the cycle before the present run may be the first of the bout.
fn leads(rungs: &[Rung], number: u8, run: u8) -> bool {
    if usize::from(run) >= MEMORY || run < 2 {
        return false;
    }
    let Some(rung) = rungs.get(usize::from(number)) else { return false };
    let (lead, first) = (rung.earlier(run), rung.earlier(run.saturating_sub(1)));
    lead.run > 0
        && lead.end == first.start()
        && lead.amplitude > EDGE_LOW * first.amplitude
        && lead.amplitude < EDGE_HIGH * first.amplitude
        && math::alike(lead.period(), first.period(), EDGE_PERIOD)
}

/// Rungs that are worked on, and how.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Reach {
    /// Fastest rung that is looked at: those above cannot see this animal's beat, nor
    /// a burst of it.
    pub fastest: u8,
    /// Slowest rung that is worked on: a beat that those below could see would be too slow
    /// for this animal.
    pub slowest: u8,
    /// The next faster one than the fastest is watched: where it shows anything loud it is
    /// looked at for some batches.
    pub watches: bool,
    /// Batches for which it still is.
    pub alert: u8,
    /// What is loud there, see [`LOUD`].
    pub loud: i32,
    /// Least way back from an extreme that is a turn, in units behind the band-pass.
    pub floor: i32,
}

/// This animal's own rhythm.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Own {
    /// Mean period.
    period: f32,
    /// Mean amplitude, g.
    sway_g: f32,
    /// Beats that it was learnt from.
    count: u16,
}

/// The choice.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Chooser {
    /// Samples of the top rung so far.
    pub index: u32,
    spacing_us: f32,
    spacing_s: f32,
    min_period: f32,
    max_period: f32,
    min_sway_g: f32,
    /// g of one whole number behind the band-pass.
    unit_g: f32,
    first_rung: u8,
    last_rung: u8,
    /// The top rung's values are taken from means of two of them.
    pub means: bool,
    /// Oldest beat that is still reported, 1/16 sample of the top rung.
    latest: u32,
    active: Option<u8>,
    /// End of the last cycle that became a beat.
    used: u32,
    any_used: bool,
    recent_g: f32,
    recent_period: f32,
    own: Own,
    /// The rungs in use.
    pub reach: Reach,
    ready: heapless::Deque<Waiting, 8>,
}

impl Chooser {
    /// For a top rung at `top_hz`, 20 to 40 Hz, values behind the band-pass in units of `unit_g`.
    #[inline(never)]
    pub fn new(config: &Config, top_hz: f32, means: bool, unit_g: f32) -> Self {
        let d = config.detector();
        let parts = top_hz * PARTS as f32;
        let mut first = u8::MAX;
        let mut last = 0_u8;
        let mut unit = 1.0_f32;
        for rung in 0..RUNGS as u8 {
            // A rung serves periods of 5 to 10 of its samples; a little more at the ends.
            let shortest = 4.0 * unit / top_hz;
            let longest = 11.0 * unit / top_hz;
            if longest * d.max_beat_hz >= 1.0 && shortest * d.min_beat_hz <= 1.0 {
                first = first.min(rung);
                last = rung;
            }
            unit *= 2.0;
        }
        Chooser {
            spacing_us: 1.0e6 / top_hz,
            spacing_s: 1.0 / parts,
            min_period: 0.95 * parts / d.max_beat_hz,
            max_period: 1.02 * parts / d.min_beat_hz,
            min_sway_g: d.min_sway_g,
            unit_g,
            first_rung: first.min(last),
            last_rung: last,
            means,
            latest: math::round_u32(
                ((TOP_BATCH * PARTS).wrapping_mul(batches(last).wrapping_sub(1))) as f32
                    + 8.0 * parts_of_rung(last)
                    + 4.75 * 1.02 * parts / d.min_beat_hz,
            ),
            reach: Reach {
                fastest: first.min(last),
                slowest: last,
                floor: floor(d.min_sway_g, unit_g),
                ..Reach::blank()
            },
            ..Kept::blank()
        }
    }

    /// Longest time from a beat to its report, s: filter delay of the slowest rung, its wait
    /// for values to work on, half a period, a quarter for the hysteresis, and the cycles that
    /// must agree first.
    pub fn delay_bound_s(&self) -> f32 {
        self.latest as f32 * self.spacing_s + DELIVERY_S
    }

    /// Forgets beats that wait, after a gap. The animal's own rhythm stays.
    pub fn restart(&mut self) {
        self.ready.clear();
    }

    /// Judges a new cycle by its own shape and by the one before it.
    pub fn judge(&mut self, rungs: &mut [Rung], number: u8, closed: (Cycle, i32, i32)) {
        let (mut cycle, rise, fall) = closed;
        let spacing = 1_u32.wrapping_shl(u32::from(number).wrapping_add(PARTS_SHIFT));
        let period = cycle.period();
        let ratio = BAND_PERIOD * spacing as f32 / period;
        let up = f32::from(cycle.rise);
        let sure = self.own.count >= OWN_SURE;
        let (rise, fall) = (rise as f32, fall as f32);
        let shaped = ratio > BAND_SLOWEST
            && (ratio < BAND_FASTEST || number <= self.reach.fastest)
            && period >= self.min_period
            && period <= self.max_period
            && !(sure && period > OWN_LONGEST * self.own.period)
            && math::alike(rise, fall, 3.0)
            && up > 0.25 * period
            && up < 0.75 * period;
        if !shaped {
            return;
        }
        let mut gain = gain(ratio).clamp(0.2, 1.0);
        if self.means && number > 0 {
            gain *= 1.0 - MEAN_LOSS / (period * period);
        }
        cycle.amplitude = 0.25 * (rise + fall) * self.unit_g / gain;
        if cycle.amplitude < self.min_sway_g
            || sure && cycle.amplitude < OWN_WEAKEST * self.own.sway_g
        {
            return;
        }
        let Some(rung) = rungs.get_mut(usize::from(number)) else { return };
        let last = *rung.latest();
        let agrees = last.run > 0
            && last.end == cycle.start()
            && math::alike(period, last.period(), AGREE_PERIOD)
            && math::alike(cycle.amplitude, last.amplitude, AGREE_SWAY);
        cycle.run = if agrees { last.run.saturating_add(1) } else { 1 };
        rung.remember(cycle);
        self.compete(rungs, number, cycle);
    }

    /// How many cycles must agree before this one is believed.
    fn needed(&self, cycle: &Cycle) -> u8 {
        let period = cycle.period();
        if self.own.count >= OWN_KNOWN {
            let like = |factor: f32| math::alike(cycle.amplitude, self.own.sway_g, factor);
            if math::alike(period, self.own.period, 1.7) && like(3.5) {
                // Its own rhythm: sooner believed at its own strength, and when under way.
                let idle = cycle.start().wrapping_sub(self.used) as f32;
                return match (like(2.2), idle < 4.0 * period) {
                    (true, true) => 2,
                    (true, false) if like(1.7) => 3,
                    (true, false) => 4,
                    (false, true) => 3,
                    (false, false) => 7,
                };
            }
            if period > 2.2 * self.own.period || cycle.amplitude < 0.25 * self.own.sway_g {
                // Slow or weak beyond this animal's habit: turns, swell, a rocking glide.
                return 12;
            }
            // Faster and weaker than its own beat: a harmonic, unless it goes on
            // for long enough to show that there is no slower rhythm under it.
            // A burst, being stronger than the own beat, need not wait.
            let fast = period < 0.65 * self.own.period;
            let wait = if !fast || cycle.amplitude > 1.6 * self.own.sway_g {
                0.0
            } else if cycle.amplitude < 0.9 * self.own.sway_g {
                4.0
            } else {
                3.0
            };
            let long = wait * self.own.period / period;
            return (long as u8).saturating_add(1).max(4);
        }
        // Nothing is known yet: wait until a slower rhythm would have shown itself.
        ((UNKNOWN_S / (period * self.spacing_s)) as u8).saturating_add(1).clamp(4, MEMORY as u8)
    }

    /// True for a cycle of about this animal's own period and strength.
    fn like_own(&self, cycle: &Cycle) -> bool {
        self.own.count >= OWN_SURE
            && math::alike(cycle.period(), self.own.period, 1.5)
            && math::alike(cycle.amplitude, self.own.sway_g, 2.2)
    }

    /// True while nothing is known of this animal and slower motion, larger than
    /// this cycle, may turn out to be the beat that this one is a harmonic of.
    fn overshadowed(&self, rungs: &[Rung], number: u8, cycle: &Cycle) -> bool {
        if self.own.count >= OWN_KNOWN {
            return false;
        }
        let waited_s = f32::from(cycle.run) * cycle.period() * self.spacing_s;
        let slower = usize::from(number).saturating_add(1);
        let last = usize::from(self.last_rung);
        let rungs = rungs.get(slower..=last).unwrap_or_default();
        let larger =
            rungs.iter().any(|r| 0.5 * r.swing as f32 * self.unit_g > 1.5 * cycle.amplitude);
        larger && waited_s < OVERSHADOWED_S
    }

    /// Strongest faster and strongest slower cycle on other rungs around the time
    /// of `cycle`, of those that are stronger.
    fn rivals(&self, rungs: &[Rung], number: u8, cycle: &Cycle) -> (Cycle, Cycle) {
        let period = cycle.period();
        let (start, peak) = (cycle.start(), cycle.peak());
        let (mut fast, mut slow) = (Cycle::NONE, Cycle::NONE);
        let first = self.reach.fastest.saturating_sub(u8::from(self.reach.alert > 0));
        let last = self.reach.slowest;
        let looked_at = rungs.get(usize::from(first)..=usize::from(last));
        for (i, rung) in (first..).zip(looked_at.unwrap_or_default()) {
            if rung.strongest < 1.1 * cycle.amplitude || i == number {
                continue;
            }
            for c in &rung.cycles {
                if c.run < 2 || c.amplitude < 1.1 * cycle.amplitude {
                    continue;
                }
                let other = c.period();
                if other < 0.7 * period {
                    let inside = after(c.peak(), start) && after(cycle.end, c.peak());
                    if inside && c.amplitude > fast.amplitude {
                        fast = *c;
                    }
                } else if other > 1.45 * period {
                    // A slower cycle closes later: one of a little while ago stands for it.
                    let past = peak.wrapping_sub(c.peak()) as i32 as f32;
                    if past < 3.0 * other && c.amplitude > slow.amplitude {
                        slow = *c;
                    }
                }
            }
        }
        (fast, slow)
    }

    /// True for a cycle right behind one that became a beat, on the same rung,
    /// that may be the last of a bout: looser agreement will do.
    fn follows(&self, number: u8, cycle: &Cycle) -> bool {
        self.active == Some(number)
            && self.any_used
            && self.used == cycle.start()
            && cycle.amplitude > EDGE_LOW * self.recent_g
            && cycle.amplitude < EDGE_HIGH * self.recent_g
            && math::alike(cycle.period(), self.recent_period, EDGE_PERIOD)
    }

    #[inline(never)]
    fn compete(&mut self, rungs: &mut [Rung], number: u8, cycle: Cycle) {
        let follows = self.follows(number, &cycle);
        if !follows && (cycle.run < self.needed(&cycle) || self.overshadowed(rungs, number, &cycle))
        {
            return;
        }
        let active = self.active.unwrap_or(number);
        if active != number {
            // The rung in charge keeps it while it sees the same rhythm well.
            let held = rungs.get(usize::from(active)).map_or(Cycle::NONE, |r| *r.latest());
            let age = self.index.wrapping_mul(PARTS).wrapping_sub(held.end);
            let wait = batches(active).wrapping_mul(TOP_BATCH * PARTS).wrapping_add(400);
            let two = u32::from(held.length).wrapping_mul(2);
            let alive = held.run > 0 && age < two.wrapping_add(wait);
            let same = math::alike(held.period(), cycle.period(), 1.4);
            // Unless this rung's band lies nearer to the period: times are finer there.
            let nearer = off_centre(number, &cycle) + 0.15 < off_centre(active, &held);
            if alive && same && !nearer && held.amplitude > 0.8 * cycle.amplitude {
                return;
            }
        }
        let (fast, slow) = self.rivals(rungs, number, &cycle);
        if fast.amplitude > 1.1 * cycle.amplitude {
            return;
        }
        if slow.amplitude > 1.3 * cycle.amplitude
            && slow.run >= self.needed(&slow).min(if self.own.count >= OWN_KNOWN { 2 } else { 3 })
            && (self.like_own(&slow) || !self.like_own(&cycle))
        {
            return;
        }
        self.active = Some(number);
        self.claim(rungs, number, cycle.run);
    }

    /// Turns the cycles of the present run that are still unused into beats.
    fn claim(&mut self, rungs: &mut [Rung], number: u8, run: u8) {
        // The first cycle of a bout may differ from the rest of the run.
        let mut depth = run.saturating_add(u8::from(leads(rungs, number, run))).min(MEMORY as u8);
        if self.any_used
            && let Some(rung) = rungs.get(usize::from(number))
        {
            // What ended before the last that was used needs no second look.
            let fresh = (0..depth).take_while(|&age| after(rung.earlier(age).end, self.used));
            depth = fresh.count() as u8;
        }
        for age in (0..depth).rev() {
            let Some(rung) = rungs.get(usize::from(number)) else { return };
            let c = rung.earlier(age);
            let period = c.period();
            if self.index.wrapping_mul(PARTS).wrapping_sub(c.peak()) > self.latest {
                // Too late to be told: the bound on the delay holds for every beat.
                continue;
            }
            if self.any_used {
                // Up to a third of a cycle may overlap what was used before.
                let overlap = self.used.wrapping_sub(c.start()) as i32;
                if overlap as f32 > 0.34 * period {
                    continue;
                }
                let near = (overlap as f32) > -3.0 * period;
                if near && c.amplitude < 0.22 * self.recent_g {
                    continue;
                }
            }
            self.used = c.end;
            self.any_used = true;
            self.recent_g = if self.recent_g == 0.0 {
                c.amplitude
            } else {
                self.recent_g + 0.3 * (c.amplitude - self.recent_g)
            };
            self.recent_period = period;
            self.learn(rungs, period, c.amplitude);
            let agree = 1.0 - 1.0 / (1.0 + f32::from(c.run));
            let strength = 1.0 - 0.5 * self.min_sway_g / c.amplitude;
            let beat = Waiting {
                peak: c.peak(),
                period_s: period * self.spacing_s,
                amplitude_g: c.amplitude,
                confidence: agree * strength,
            };
            if self.ready.is_full() {
                self.ready.pop_front();
            }
            // Room was made above.
            let _ = self.ready.push_back(beat);
        }
    }

    /// This animal's own beat period, s, once known.
    pub fn own_period_s(&self) -> Option<f32> {
        (self.own.count >= OWN_KNOWN).then_some(self.own.period * self.spacing_s)
    }

    /// True where motion with this squared swing, g squared, belongs to the tail:
    /// a beat was found just now, or the swing is of the beat's own strength.
    /// Long rests would otherwise turn the sway axis to whatever rocks the animal.
    pub fn rhythmic(&self, swing2_g2: f32) -> bool {
        if self.own.count < OWN_SURE {
            return true;
        }
        let idle = self.index.wrapping_mul(PARTS).wrapping_sub(self.used) as f32;
        idle < 3.0 * self.own.period || swing2_g2 > 0.2 * self.own.sway_g * self.own.sway_g
    }

    fn learn(&mut self, rungs: &mut [Rung], period: f32, amplitude: f32) {
        self.own.count = self.own.count.saturating_add(1);
        let k = 1.0 / f32::from(self.own.count.min(400));
        self.own.period += k * (period - self.own.period);
        self.own.sway_g += k * (amplitude - self.own.sway_g);
        if self.own.count % RUNGS_EVERY == RUNGS_EVERY - 1 {
            self.choose_rungs(rungs);
        }
    }

    /// Which rungs are worked on, looked at and watched, by this animal's own rhythm.
    fn choose_rungs(&mut self, rungs: &mut [Rung]) {
        let (mut fastest, mut slowest) = (self.first_rung, self.last_rung);
        let mut watches = false;
        if self.own.count >= OWN_SURE {
            let doublings = |parts: f32| doublings(self.own.period, parts);
            let unseen = |samples: f32| doublings(samples * parts_of_rung(self.first_rung));
            let unseen_for_sure = fastest.saturating_add(unseen(FAR_BELOW)).min(slowest);
            if unseen_for_sure > 0 {
                fastest = fastest.saturating_add(unseen(BELOW)).min(slowest);
            }
            watches = unseen_for_sure < fastest;
            self.reach.loud = floor(LOUD * self.own.sway_g, self.unit_g);
            self.reach.floor =
                floor(math::at_least(OWN_WEAKEST * self.own.sway_g, self.min_sway_g), self.unit_g);
            let seen = doublings(FAR_ABOVE / OWN_LONGEST * PARTS as f32);
            slowest = seen.saturating_sub(1).min(slowest).max(1);
        }
        if fastest != self.reach.fastest || !watches {
            self.reach.alert = 0;
        }
        self.reach.watches = watches;
        // One step at a time is soon enough.
        if fastest < self.reach.fastest {
            self.reach.fastest = self.reach.fastest.wrapping_sub(1);
            if let Some(rung) = rungs.get_mut(usize::from(self.reach.fastest)) {
                rung.look_anew();
            }
        } else {
            self.reach.fastest = fastest;
        }
        if slowest > self.reach.slowest {
            self.reach.slowest = self.reach.slowest.wrapping_add(1);
            if let Some(rung) = rungs.get_mut(usize::from(self.reach.slowest)) {
                rung.restart();
            }
        } else {
            self.reach.slowest = slowest;
        }
    }

    /// True while a finished beat waits.
    pub fn has_ready(&self) -> bool {
        !self.ready.is_empty()
    }

    /// The next finished beat; `newest_us` is the time of the newest value taken.
    pub fn next(&mut self, newest_us: u64) -> Option<Beat> {
        let beat = self.ready.pop_front()?;
        let behind = self.index.wrapping_mul(PARTS).wrapping_sub(beat.peak) as f32;
        let ago_us = math::round_u32(behind * self.spacing_us / PARTS as f32);
        Some(Beat {
            t_us: newest_us.saturating_sub(u64::from(ago_us)),
            period_s: beat.period_s,
            amplitude_g: beat.amplitude_g,
            confidence: beat.confidence,
        })
    }
}
