//! Tail beats from sideways acceleration.
//!
//! The signal goes down a ladder of octaves, each half the rate of the one
//! before. On every rung a zero-phase band-pass (a second difference, so that
//! constants and slopes vanish, of binomial means, which are Gaussian nearly) is
//! followed by a search for extremes with hysteresis. Both are additions of
//! whole numbers, which every processor does exactly and fast. A cycle is a low, a high and
//! a low; the rungs' cycles compete, and those of the rung that carries the rhythm become beats
//! once enough of them agree with each other, or with this animal's own rhythm.

use crate::checkpoint::Kept;
use crate::config::Config;
use crate::math;
use crate::rate::TWICE_LATE;
use crate::tag::Beat;
use macro_rules_attribute::derive;

/// Rungs: periods from 5/40 s to 10 * 32/20 s.
const RUNGS: usize = 6;
/// Cycles remembered on each rung: a power of two, so that an index wraps by a mask.
const MEMORY: usize = 8;
const MEMORY_MASK: u8 = MEMORY as u8 - 1;
/// Stages of the band-pass: four sums of neighbours, two differences, four sums.
const STAGES: usize = 10;
/// What the band-pass makes of 1 at the period of greatest gain:
/// `2^10 s (1 - s)^4` with `s = sin^2(pi / period)`, which is greatest at s = 1/5.
const BAND_GAIN: f32 = 83.886_08;
/// Period of greatest gain, samples of the rung: `pi / asin(sqrt(1/5))`.
const BAND_PERIOD: f32 = 6.775_9;
/// Slowest cycle that a rung sees well enough, and the fastest, beyond which the next faster
/// rung sees it better: frequencies, in that of greatest gain.
const BAND_SLOWEST: f32 = 0.45;
const BAND_FASTEST: f32 = 1.55;
/// What the mean of two values of the top rung takes off at a period in parts of its sample,
/// times the square of that: `(pi PARTS)^2 / 2`, of `1 - cos(pi PARTS / period)`.
const MEAN_LOSS: f32 = 1263.309;
/// `(pi / BAND_PERIOD)^2`.
const BAND_ANGLE2: f32 = 0.214_969;
/// Most that period and amplitude change from one cycle to the next that agrees with it.
const AGREE_PERIOD: f32 = 1.4;
const AGREE_SWAY: f32 = 2.2;
/// The same for the first and the last cycle of a bout, against the rest.
const EDGE_HALF: f32 = 1.7;
const EDGE_HEIGHT: f32 = 0.45;
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
/// Batches for which a rung is looked at behind the last such.
const ALERT_BATCHES: u8 = 5;
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
const TOP_BATCH: u32 = 2 * BATCH as u32;
/// Slowest of the rungs that work on so many values; those below it work on half as many, so as
/// not to fall too far behind.
const LAST_WHOLE: u8 = 2;
/// First of the rungs that get half of what they work on at a time.
const FIRST_HALF: u8 = LAST_WHOLE + 2;
/// No rung has anything to do.
const RESTS: u8 = u8::MAX;
/// Parts of a sample in which times are kept.
const PARTS_SHIFT: u32 = 4;
const PARTS: u32 = 1 << PARTS_SHIFT;

/// How far the top rung's band-pass lies behind where its values lie between those taken.
const BETWEEN_LATE: u32 = (5 + TWICE_LATE as u32) * PARTS;

/// One cycle on one rung, low to low. Times in 1/16 sample of the top rung.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Cycle {
    end: u32,
    length: u16,
    /// From the first low to the high between.
    rise: u16,
    amplitude: f32,
    /// Agreeing cycles up to and including this one; 0: none, or long ago.
    run: u8,
}

impl Cycle {
    const NONE: Cycle = Cycle { end: 0, length: 0, rise: 0, amplitude: 0.0, run: 0 };

    fn period(&self) -> f32 {
        f32::from(self.length)
    }

    fn start(&self) -> u32 {
        self.end.wrapping_sub(u32::from(self.length))
    }

    fn peak(&self) -> u32 {
        self.start().wrapping_add(u32::from(self.rise))
    }
}

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

/// Gain of the band-pass where the greatest is 1, at a period of `1/ratio` times
/// that of the greatest; good to 0.002 from half to three times that period.
fn gain(ratio: f32) -> f32 {
    let a = BAND_ANGLE2 * ratio * ratio;
    let s = a - a * a * (0.333_333 - 0.044_444 * a);
    let c = 1.0 - s;
    12.207_03 * s * (c * c) * (c * c)
}

/// Sums of neighbours; `last` is the value before the first.
#[inline(always)]
fn sums([a, b, c, d]: [i32; 4], last: &mut i32) -> [i32; 4] {
    let z = core::mem::replace(last, d);
    [a.wrapping_add(z), b.wrapping_add(a), c.wrapping_add(b), d.wrapping_add(c)]
}

/// Differences of neighbours.
#[inline(always)]
fn differences([a, b, c, d]: [i32; 4], last: &mut i32) -> [i32; 4] {
    let z = core::mem::replace(last, d);
    [a.wrapping_sub(z), b.wrapping_sub(a), c.wrapping_sub(b), d.wrapping_sub(c)]
}

/// The half-band low-pass (-1, 0, 9, 16, 9, 0, -1 over 32) from three fourfold sums
/// of neighbours, oldest first: its remaining factor is (-1, 4, -1).
#[inline(always)]
fn half_band(a: i32, b: i32, c: i32) -> i32 {
    b.wrapping_mul(4).wrapping_sub(a).wrapping_sub(c) >> 5
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

/// Saturates: a cycle that long is no beat.
fn to_u16(parts: u32) -> u16 {
    u16::try_from(parts).unwrap_or(u16::MAX)
}

/// `a` is later than `b` (times wrap).
fn after(a: u32, b: u32) -> bool {
    (a.wrapping_sub(b) as i32) > 0
}

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Extreme {
    value: i32,
    left: i32,
    right: i32,
    time: u32,
}

impl Extreme {
    const NONE: Extreme = Extreme { value: 0, left: 0, right: 0, time: 0 };

    /// Time and height of the parabola through the extreme and its neighbours.
    fn refine(&self, spacing: u32) -> (u32, i32) {
        let (left, right) =
            (self.left.wrapping_sub(self.value), self.right.wrapping_sub(self.value));
        let (left, right) = (left as f32, right as f32);
        let bend = left + right;
        if bend == 0.0 {
            return (self.time, self.value);
        }
        let lean = left - right;
        let offset = (0.5 * lean / bend).clamp(-0.5, 0.5);
        (
            self.time.wrapping_add_signed(math::nearest(offset * spacing as f32)),
            self.value.wrapping_sub((0.25 * lean * offset) as i32),
        )
    }
}

/// The signal has turned: it came back from an extreme by more than the
/// hysteresis, or (`late`) stayed away from the next one for too long.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Turn {
    y: i32,
    before: i32,
    time: u32,
    late: bool,
}

#[derive(Clone, Debug, PartialEq, Kept!)]
struct Rung {
    /// The last value before each stage of the band-pass.
    past: [i32; STAGES],
    begun: bool,
    falling: bool,
    before: i32,
    extreme: Extreme,
    /// The value after the extreme is still to come.
    open: bool,
    swing: i32,
    low: (u32, i32),
    high: (u32, i32),
    lows: u8,
    /// Longest time from the high to the next low before the cycle is closed without it.
    patience: u32,
    cycles: [Cycle; MEMORY],
    newest: u8,
    /// No agreeing cycle in the memory is stronger.
    strongest: f32,
}

impl Rung {
    const NEW: Rung = Rung {
        past: [0; STAGES],
        begun: false,
        falling: false,
        before: 0,
        extreme: Extreme::NONE,
        open: false,
        swing: 0,
        low: (0, 0),
        high: (0, 0),
        lows: 0,
        patience: 0,
        cycles: [Cycle::NONE; MEMORY],
        newest: 0,
        strongest: 0.0,
    };

    /// Forgets all that counts; what is left is written before it is read.
    fn restart(&mut self) {
        self.begun = false;
        self.look_anew();
    }

    /// Looked at from now on; its values for the next rung go on.
    #[inline(never)]
    fn look_anew(&mut self) {
        self.falling = false;
        self.before = 0;
        self.extreme = Extreme::NONE;
        self.open = false;
        self.swing = 0;
        self.low = (0, 0);
        self.high = (0, 0);
        self.lows = 0;
        for cycle in &mut self.cycles {
            cycle.run = 0;
        }
        self.strongest = 0.0;
    }

    /// As if the first value had stood for ever, so that there is no step and no
    /// false extreme.
    fn begin(&mut self, first: i32) {
        if !self.begun {
            self.begun = true;
            self.past = [0; STAGES];
            let mut sum = first;
            for past in self.past.iter_mut().take(5) {
                *past = sum;
                sum = sum.wrapping_mul(2);
            }
        }
    }

    /// Four values through the band-pass where that is `wanted`, and the two for the next rung.
    #[inline(never)]
    fn filter_4(
        past: &mut [i32; STAGES],
        from: &[i32; 4],
        to: &mut [i32; 4],
        wanted: bool,
    ) -> [i32; 2] {
        let [p0, p1, p2, p3, p4, p5, p6, p7, p8, p9] = past;
        let v = sums(sums(sums(sums(*from, p0), p1), p2), p3);
        let [a, b, c, d] = v;
        let next = [half_band(*p4, a, b), half_band(b, c, d)];
        if !wanted {
            *p4 = d;
            return next;
        }
        let v = differences(differences(v, p4), p5);
        *to = sums(sums(sums(sums(v, p6), p7), p8), p9);
        next
    }

    /// Follows the extreme through band-passed values, the first of them one spacing after
    /// `time`, up to a turn; gives that, and how many values come after it.
    #[inline]
    fn follow(
        &mut self,
        values: &[i32],
        floor: i32,
        time: u32,
        shift: u32,
    ) -> Option<(Turn, usize)> {
        // 0.35 of the swing.
        let bound = (self.swing >> 8).wrapping_mul(90).max(floor);
        let sign = if self.falling { -1 } else { 1 };
        let mut top = self.extreme.value.wrapping_mul(sign);
        let mut bottom = top.wrapping_sub(bound);
        if self.open
            && let Some(first) = values.first()
        {
            self.open = false;
            self.extreme.right = *first;
        }
        let end = time.wrapping_add((values.len() as u32).wrapping_shl(shift));
        let earlier = |left: &[i32]| end.wrapping_sub((left.len() as u32).wrapping_shl(shift));
        let mut before = self.before;
        let mut rest = values;
        while let [y, tail @ ..] = rest {
            let y = *y;
            let height = y.wrapping_mul(sign);
            if height > top {
                top = height;
                bottom = height.wrapping_sub(bound);
                let right = tail.first();
                self.open = right.is_none();
                let right = *right.unwrap_or(&y);
                self.extreme = Extreme { value: y, left: before, right, time: earlier(tail) };
            } else if height < bottom {
                self.before = y;
                return Some((Turn { y, before, time: earlier(tail), late: false }, tail.len()));
            }
            before = y;
            rest = tail;
        }
        self.before = before;
        None
    }

    /// Takes a turn of the signal; gives a cycle (its period and height unjudged)
    /// when one closes, and the heights of its two halves.
    fn turn(&mut self, turn: Turn, spacing: u32) -> Option<(Cycle, i32, i32)> {
        let mut closed = None;
        if turn.late {
            // After the last beat of a bout no low may come for long: the cycle
            // then ends where its second half would have, had it been like the first.
            self.patience = u32::MAX;
            let (tp, vp) = self.high;
            let rise = tp.wrapping_sub(self.low.0);
            let fallen = vp.wrapping_sub(self.extreme.value) as f32;
            if fallen <= 0.4 * (vp.wrapping_sub(self.low.1)) as f32 {
                return None;
            }
            closed = self.close(tp.wrapping_add(rise), self.extreme.value);
            self.falling = false;
        } else {
            let (t, v) = self.extreme.refine(spacing);
            if !self.falling {
                self.high = (t, v);
                self.swing = self.swing.max(v.wrapping_sub(self.low.1));
                self.patience = t.wrapping_sub(self.low.0).saturating_mul(2);
            } else {
                closed = self.close(t, v);
            }
            self.falling = !self.falling;
        }
        self.extreme = Extreme { value: turn.y, left: turn.before, right: turn.y, time: turn.time };
        self.open = true;
        closed
    }

    /// Closes a cycle at a low. Where one half took much longer than the other,
    /// the tail rested before or after: the cycle is taken to be twice the half
    /// that was swum.
    fn close(&mut self, t: u32, v: i32) -> Option<(Cycle, i32, i32)> {
        let (t0, v0) = self.low;
        let (tp, vp) = self.high;
        let (rise, fall) = (vp.wrapping_sub(v0), vp.wrapping_sub(v));
        self.swing = self.swing.max(fall);
        self.low = (t, v);
        let (up, down) = (tp.wrapping_sub(t0), t.wrapping_sub(tp));
        let first = self.lows == 0;
        self.lows = self.lows.saturating_add(1);
        if first {
            return None;
        }
        let (long_up, long_down) =
            (up as f32 > EDGE_HALF * down as f32, down as f32 > EDGE_HALF * up as f32);
        if !long_up && !long_down {
            let length = to_u16(up.wrapping_add(down));
            let cycle = Cycle { end: t, length, rise: to_u16(up), amplitude: 0.0, run: 0 };
            return Some((cycle, rise, fall));
        }
        let (half, swing, deep) = if long_up { (down, fall, v) } else { (up, rise, v0) };
        // The band-pass answers the edge of a bout with a lobe of its own, which is
        // lower than a beat: its height above zero against the depth of the low.
        if (vp as f32) < -EDGE_HEIGHT * deep as f32 {
            return None;
        }
        let end = tp.wrapping_add(half);
        let length = to_u16(half.wrapping_mul(2));
        Some((Cycle { end, length, rise: to_u16(half), amplitude: 0.0, run: 0 }, swing, swing))
    }

    fn latest(&self) -> &Cycle {
        self.cycles.get(usize::from(self.newest)).unwrap_or(&Cycle::NONE)
    }

    fn remember(&mut self, cycle: Cycle) {
        self.newest = self.newest.wrapping_add(1) & MEMORY_MASK;
        let Some(slot) = self.cycles.get_mut(usize::from(self.newest)) else { return };
        let forgotten = core::mem::replace(slot, cycle);
        if cycle.run >= 2 && cycle.amplitude >= self.strongest {
            self.strongest = cycle.amplitude;
        } else if forgotten.run >= 2 && forgotten.amplitude >= self.strongest {
            let agreeing = self.cycles.iter().filter(|c| c.run >= 2);
            self.strongest =
                agreeing.fold(0.0, |most, c| if c.amplitude > most { c.amplitude } else { most });
        }
    }

    /// The cycle `age` before the newest.
    fn earlier(&self, age: u8) -> Cycle {
        let i = usize::from(self.newest.wrapping_sub(age)) % MEMORY;
        self.cycles.get(i).copied().unwrap_or(Cycle::NONE)
    }
}

/// A beat on its way out; its time as an index of the top rung.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Waiting {
    peak: u32,
    period_s: f32,
    amplitude_g: f32,
    confidence: f32,
}

/// The beat stage.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Beats {
    rungs: [Rung; RUNGS],
    /// Samples of the top rung so far.
    index: u32,
    spacing_us: f32,
    spacing_s: f32,
    min_period: f32,
    max_period: f32,
    min_sway_g: f32,
    /// g of one whole number behind the band-pass.
    unit_g: f32,
    /// Least way back from an extreme that is a turn, in those units.
    floor: i32,
    first_rung: u8,
    last_rung: u8,
    /// What is taken are means of two of the top rung's values.
    means: bool,
    /// Half of the values taken last that the top rung works on.
    half: u8,
    /// Oldest beat that is still told, 1/16 sample of the top rung.
    latest: u32,
    active: Option<u8>,
    /// End of the last cycle that became a beat.
    used: u32,
    any_used: bool,
    worked: bool,
    /// Rung that works next on the values taken last; [`RESTS`]: none.
    next_rung: u8,
    /// Its values.
    waiting: [[i32; 4]; 2],
    /// Half of what a rung works on, that waits for the other half: of [`LAST_WHOLE`], and
    /// of those from [`FIRST_HALF`] on.
    held: ([i32; 4], [[i32; 2]; 2]),
    /// The rungs for which it does, a bit each.
    holds: u8,
    /// What the band-pass made of them.
    band: [i32; BATCH],
    /// Fastest rung that is looked at: those above cannot see this animal's beat, nor
    /// a burst of it.
    fastest_rung: u8,
    /// The next faster one is watched: where it shows anything loud it is looked at for
    /// some batches.
    watches: bool,
    alert: u8,
    /// What is loud there, see [`LOUD`].
    loud: i32,
    /// Slowest rung that is worked on: a beat that those below could see would be too slow
    /// for this animal.
    slowest_rung: u8,
    recent_g: f32,
    recent_period: f32,
    own_period: f32,
    own_g: f32,
    own_count: u16,
    ready: heapless::Deque<Waiting, 8>,
}

impl Beats {
    /// For a top rung at `top_hz`, 20 to 40 Hz, values in units of `unit_g`; `means`: what
    /// [`Beats::take`] gets are means of two of the top rung's values, else those of the top
    /// rung are interpolated between them.
    #[inline(never)]
    pub fn new(config: &Config, top_hz: f32, means: bool, unit_g: f32) -> Self {
        let d = config.detector();
        let unit_g = unit_g / BAND_GAIN;
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
        Beats {
            rungs: [Rung::NEW; RUNGS],
            index: 0,
            spacing_us: 1.0e6 / top_hz,
            spacing_s: 1.0 / parts,
            min_period: 0.95 * parts / d.max_beat_hz,
            max_period: 1.02 * parts / d.min_beat_hz,
            min_sway_g: d.min_sway_g,
            unit_g,
            floor: floor(d.min_sway_g, unit_g),
            first_rung: first.min(last),
            last_rung: last,
            means,
            half: 0,
            latest: math::round_u32(
                ((TOP_BATCH * PARTS).wrapping_mul(batches(last).wrapping_sub(1))) as f32
                    + 8.0 * parts_of_rung(last)
                    + 4.75 * 1.02 * parts / d.min_beat_hz,
            ),
            active: None,
            used: 0,
            any_used: false,
            worked: false,
            next_rung: RESTS,
            waiting: [[0; 4]; 2],
            held: ([0; 4], [[0; 2]; 2]),
            holds: 0,
            band: [0; BATCH],
            fastest_rung: first.min(last),
            watches: false,
            alert: 0,
            loud: 0,
            slowest_rung: last,
            recent_g: 0.0,
            recent_period: 0.0,
            own_period: 0.0,
            own_g: 0.0,
            own_count: 0,
            ready: heapless::Deque::new(),
        }
    }

    /// Longest time from a beat to its report, s: filter delay of the slowest rung, its wait
    /// for values to work on, half a period, a quarter for the hysteresis, and the cycles that
    /// must agree first.
    pub fn delay_bound_s(&self) -> f32 {
        self.latest as f32 * self.spacing_s + DELIVERY_S
    }

    /// Forgets what is under way, after a gap. The animal's own rhythm stays.
    pub fn restart(&mut self) {
        for rung in &mut self.rungs {
            rung.restart();
        }
        self.next_rung = RESTS;
        self.holds = 0;
        self.worked = false;
        self.ready.clear();
    }

    /// Takes eight values of sideways acceleration, oldest first, at half the rate of the top
    /// rung. The rungs work on them when [`Beats::work`] is called: before the next are taken,
    /// until [`Beats::rests`].
    pub fn take(&mut self, sway: [i32; BATCH]) {
        self.index = self.index.wrapping_add(TOP_BATCH);
        let [a, b, c, d, e, f, g, h] = sway;
        self.waiting = [[a, b, c, d], [e, f, g, h]];
        self.half = 0;
        self.next_rung = 0;
        if self.fastest_rung > 0 {
            self.next_rung = 1;
            if let [top, ..] = &mut self.rungs
                && top.begun
            {
                // It misses these: what it holds belongs to another time.
                top.restart();
            }
        }
    }

    /// The top rung works next, and wants its eight values first, those of this half of what
    /// was taken last: see [`Beats::take_top`].
    #[inline]
    pub fn wants_half(&self) -> Option<u8> {
        (self.next_rung == 0).then_some(self.half)
    }

    /// A half of what was taken last, while the top rung works.
    pub fn half(&self, half: u8) -> [i32; 4] {
        let [first, second] = self.waiting;
        if half == 0 { first } else { second }
    }

    /// Takes the top rung's values.
    #[inline]
    pub fn take_top(&mut self, sway: [i32; BATCH]) {
        self.band = sway;
    }

    /// True when nothing is left of the work on the values taken last.
    #[inline]
    pub fn rests(&self) -> bool {
        self.next_rung == RESTS
    }

    /// A part of the work on the values taken last: one rung's. To be called with each of the
    /// samples that follow, so that no one of them bears it all.
    #[inline(never)]
    pub fn work(&mut self) {
        self.worked = false;
        let number = self.next_rung;
        let mut newest = self.index;
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else {
            self.next_rung = RESTS;
            return;
        };
        let ([low_band, high_band], _) = self.band.as_chunks_mut::<4>() else { return };
        let [values, more_values] = &mut self.waiting;
        let mut next = number.wrapping_add(1);
        let mut count = BATCH;
        let mut looked_at = number >= self.fastest_rung;
        let watched = self.watches && number.wrapping_add(1) == self.fastest_rung;
        let wanted = looked_at || watched;
        if number == 0 {
            let (low, high) = (*low_band, *high_band);
            let [first, ..] = low;
            rung.begin(first);
            Rung::filter_4(&mut rung.past, &low, low_band, true);
            Rung::filter_4(&mut rung.past, &high, high_band, true);
            if self.half == 0 {
                newest = newest.wrapping_sub(BATCH as u32);
                next = 0;
            }
            self.half = 1;
        } else {
            let from = *values;
            let [first, second, third, fourth] = values;
            rung.begin(*first);
            let [a, b] = Rung::filter_4(&mut rung.past, &from, low_band, wanted);
            (*first, *second) = (a, b);
            if number <= LAST_WHOLE {
                [*third, *fourth] = Rung::filter_4(&mut rung.past, more_values, high_band, wanted);
            } else {
                count = 4;
            }
        }
        if watched {
            // Every second will do: it takes six to go up and down.
            let [a, _, b, _, c, _, d, _] = self.band;
            if a.max(b).max(c.max(d)) > self.loud {
                if self.alert == 0 {
                    rung.look_anew();
                }
                self.alert = ALERT_BATCHES;
            } else {
                self.alert = self.alert.saturating_sub(1);
            }
            looked_at = self.alert > 0;
        }
        let more = number < self.slowest_rung && self.complete(next);
        self.next_rung = if more { next } else { RESTS };
        if looked_at {
            self.extremes(number, count, newest);
        }
    }

    /// Completes what the next rung works on with the values just made for it. False: that is
    /// only the first half of it, which waits.
    fn complete(&mut self, next: u8) -> bool {
        if next != LAST_WHOLE && next < FIRST_HALF {
            return true;
        }
        let ([values, more_values], (four, twos)) = (&mut self.waiting, &mut self.held);
        let bit = 1_u8.wrapping_shl(u32::from(next));
        self.holds ^= bit;
        let waits = self.holds & bit != 0;
        if next == LAST_WHOLE {
            if waits {
                *four = *values;
            } else {
                *more_values = core::mem::replace(values, *four);
            }
        } else if let Some(two) = twos.get_mut(usize::from(next.wrapping_sub(FIRST_HALF))) {
            let [a, b, c, d] = values;
            if waits {
                *two = [*a, *b];
            } else {
                (*c, *d) = (*a, *b);
                [*a, *b] = *two;
            }
        }
        !waits
    }

    /// Follows the extremes of `count` band-passed values of a rung, with hysteresis; `newest`
    /// is the index of the last value they were made of.
    #[inline]
    fn extremes(&mut self, number: u8, count: usize, newest: u32) {
        let floor = self.floor;
        let shift = u32::from(number).wrapping_add(PARTS_SHIFT);
        let spacing = 1_u32.wrapping_shl(shift);
        // The middle of the band-pass lies 5 samples of this rung back, and the
        // rungs above, but for the top one, have added 3 of theirs each.
        let late = if number > 0 {
            spacing.wrapping_mul(8).wrapping_sub(6 * PARTS)
        } else if self.means {
            // Its newest is the second of two of which the mean is taken.
            5 * PARTS - PARTS / 2
        } else {
            BETWEEN_LATE
        };
        let newest = newest.wrapping_mul(PARTS).wrapping_sub(late);
        let mut time = newest.wrapping_sub((count as u32).wrapping_shl(shift));
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        // 2 % a value.
        let decay = count.wrapping_mul(5);
        rung.swing = rung.swing.wrapping_sub((rung.swing >> 8).wrapping_mul(decay as i32));
        let mut rest = count;
        loop {
            let from = count.wrapping_sub(rest);
            let Some(values) = self.band.get(from..count) else { return };
            let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
            let Some((turn, left)) = rung.follow(values, floor, time, shift) else { break };
            (time, rest) = (turn.time, left);
            self.close(number, turn, spacing);
        }
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        // Has it stayed away from the next extreme for too long?
        if rung.falling && !rung.open && newest.wrapping_sub(rung.high.0) > rung.patience {
            let y = rung.before;
            self.close(number, Turn { y, before: y, time: newest, late: true }, spacing);
        }
    }

    /// A half cycle ended on a rung: refines it, and judges the cycle that it closes.
    #[inline(never)]
    fn close(&mut self, number: u8, turn: Turn, spacing: u32) {
        self.worked = true;
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        if let Some((cycle, rise, fall)) = rung.turn(turn, spacing) {
            self.judge(number, cycle, rise, fall, spacing);
        }
    }

    /// Judges a new cycle by its own shape and by the one before it.
    fn judge(&mut self, number: u8, mut cycle: Cycle, rise: i32, fall: i32, spacing: u32) {
        let period = cycle.period();
        let ratio = BAND_PERIOD * spacing as f32 / period;
        let up = f32::from(cycle.rise);
        let sure = self.own_count >= OWN_SURE;
        let (rise, fall) = (rise as f32, fall as f32);
        let shaped = ratio > BAND_SLOWEST
            && (ratio < BAND_FASTEST || number <= self.fastest_rung)
            && period >= self.min_period
            && period <= self.max_period
            && !(sure && period > OWN_LONGEST * self.own_period)
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
        if cycle.amplitude < self.min_sway_g || sure && cycle.amplitude < OWN_WEAKEST * self.own_g {
            return;
        }
        let Some(rung) = self.rungs.get_mut(usize::from(number)) else { return };
        let last = *rung.latest();
        let agrees = last.run > 0
            && last.end == cycle.start()
            && math::alike(period, last.period(), AGREE_PERIOD)
            && math::alike(cycle.amplitude, last.amplitude, AGREE_SWAY);
        cycle.run = if agrees { last.run.saturating_add(1) } else { 1 };
        rung.remember(cycle);
        self.compete(number, cycle);
    }

    /// How many cycles must agree before this one is believed.
    fn needed(&self, cycle: &Cycle) -> u8 {
        let period = cycle.period();
        if self.own_count >= OWN_KNOWN {
            let like = |factor: f32| math::alike(cycle.amplitude, self.own_g, factor);
            if math::alike(period, self.own_period, 1.7) && like(3.5) {
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
            if period > 2.2 * self.own_period || cycle.amplitude < 0.25 * self.own_g {
                // Slow or weak beyond this animal's habit: turns, swell, a rocking glide.
                return 12;
            }
            // Faster and weaker than its own beat: a harmonic, unless it goes on
            // for long enough to show that there is no slower rhythm under it.
            // A burst, being stronger than the own beat, need not wait.
            let fast = period < 0.65 * self.own_period;
            let wait = if !fast || cycle.amplitude > 1.6 * self.own_g {
                0.0
            } else if cycle.amplitude < 0.9 * self.own_g {
                4.0
            } else {
                3.0
            };
            let long = wait * self.own_period / period;
            return (long as u8).saturating_add(1).max(4);
        }
        // Nothing is known yet: wait until a slower rhythm would have shown itself.
        ((UNKNOWN_S / (period * self.spacing_s)) as u8).saturating_add(1).clamp(4, MEMORY as u8)
    }

    /// True for a cycle of about this animal's own period and strength.
    fn like_own(&self, cycle: &Cycle) -> bool {
        self.own_count >= OWN_SURE
            && math::alike(cycle.period(), self.own_period, 1.5)
            && math::alike(cycle.amplitude, self.own_g, 2.2)
    }

    /// True while nothing is known of this animal and slower motion, larger than
    /// this cycle, may turn out to be the beat that this one is a harmonic of.
    fn overshadowed(&self, number: u8, cycle: &Cycle) -> bool {
        if self.own_count >= OWN_KNOWN {
            return false;
        }
        let waited_s = f32::from(cycle.run) * cycle.period() * self.spacing_s;
        let slower = usize::from(number).saturating_add(1);
        let last = usize::from(self.last_rung);
        let rungs = self.rungs.get(slower..=last).unwrap_or_default();
        let larger =
            rungs.iter().any(|r| 0.5 * r.swing as f32 * self.unit_g > 1.5 * cycle.amplitude);
        larger && waited_s < OVERSHADOWED_S
    }

    /// Strongest faster and strongest slower cycle on other rungs around the time
    /// of `cycle`, of those that are stronger.
    fn rivals(&self, number: u8, cycle: &Cycle) -> (Cycle, Cycle) {
        let period = cycle.period();
        let (start, peak) = (cycle.start(), cycle.peak());
        let (mut fast, mut slow) = (Cycle::NONE, Cycle::NONE);
        let first = self.fastest_rung.saturating_sub(u8::from(self.alert > 0));
        let last = self.slowest_rung;
        let looked_at = self.rungs.get(usize::from(first)..=usize::from(last));
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
    fn compete(&mut self, number: u8, cycle: Cycle) {
        let follows = self.follows(number, &cycle);
        if !follows && (cycle.run < self.needed(&cycle) || self.overshadowed(number, &cycle)) {
            return;
        }
        let active = self.active.unwrap_or(number);
        if active != number {
            // The rung in charge keeps it while it sees the same rhythm well.
            let held = self.rungs.get(usize::from(active)).map_or(Cycle::NONE, |r| *r.latest());
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
        let (fast, slow) = self.rivals(number, &cycle);
        if fast.amplitude > 1.1 * cycle.amplitude {
            return;
        }
        if slow.amplitude > 1.3 * cycle.amplitude
            && slow.run >= self.needed(&slow).min(if self.own_count >= OWN_KNOWN { 2 } else { 3 })
            && (self.like_own(&slow) || !self.like_own(&cycle))
        {
            return;
        }
        self.active = Some(number);
        self.claim(number, cycle.run);
    }

    /// True where the cycle before the present run may be the first of the bout.
    fn leads(&self, number: u8, run: u8) -> bool {
        if usize::from(run) >= MEMORY || run < 2 {
            return false;
        }
        let Some(rung) = self.rungs.get(usize::from(number)) else { return false };
        let (lead, first) = (rung.earlier(run), rung.earlier(run.saturating_sub(1)));
        lead.run > 0
            && lead.end == first.start()
            && lead.amplitude > EDGE_LOW * first.amplitude
            && lead.amplitude < EDGE_HIGH * first.amplitude
            && math::alike(lead.period(), first.period(), EDGE_PERIOD)
    }

    /// Turns the cycles of the present run that are still unused into beats.
    fn claim(&mut self, number: u8, run: u8) {
        // The first cycle of a bout may differ from the rest of the run.
        let mut depth = run.saturating_add(u8::from(self.leads(number, run))).min(MEMORY as u8);
        if self.any_used
            && let Some(rung) = self.rungs.get(usize::from(number))
        {
            // What ended before the last that was used needs no second look.
            let fresh = (0..depth).take_while(|&age| after(rung.earlier(age).end, self.used));
            depth = fresh.count() as u8;
        }
        for age in (0..depth).rev() {
            let Some(rung) = self.rungs.get(usize::from(number)) else { return };
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
            self.learn(period, c.amplitude);
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
        (self.own_count >= OWN_KNOWN).then_some(self.own_period * self.spacing_s)
    }

    /// True where motion with this squared swing, g squared, belongs to the tail:
    /// a beat was found just now, or the swing is of the beat's own strength.
    /// Long rests would otherwise turn the sway axis to whatever rocks the animal.
    pub fn rhythmic(&self, swing2_g2: f32) -> bool {
        if self.own_count < OWN_SURE {
            return true;
        }
        let idle = self.index.wrapping_mul(PARTS).wrapping_sub(self.used) as f32;
        idle < 3.0 * self.own_period || swing2_g2 > 0.2 * self.own_g * self.own_g
    }

    fn learn(&mut self, period: f32, amplitude: f32) {
        self.own_count = self.own_count.saturating_add(1);
        let k = 1.0 / f32::from(self.own_count.min(400));
        self.own_period += k * (period - self.own_period);
        self.own_g += k * (amplitude - self.own_g);
        if self.own_count % RUNGS_EVERY == RUNGS_EVERY - 1 {
            self.choose_rungs();
        }
    }

    /// Which rungs are worked on, looked at and watched, by this animal's own rhythm.
    fn choose_rungs(&mut self) {
        let (mut fastest, mut slowest) = (self.first_rung, self.last_rung);
        let mut watches = false;
        if self.own_count >= OWN_SURE {
            let doublings = |parts: f32| doublings(self.own_period, parts);
            let unseen = |samples: f32| doublings(samples * parts_of_rung(self.first_rung));
            let unseen_for_sure = fastest.saturating_add(unseen(FAR_BELOW)).min(slowest);
            if unseen_for_sure > 0 {
                fastest = fastest.saturating_add(unseen(BELOW)).min(slowest);
            }
            watches = unseen_for_sure < fastest;
            self.loud = floor(LOUD * self.own_g, self.unit_g);
            self.floor =
                floor(math::at_least(OWN_WEAKEST * self.own_g, self.min_sway_g), self.unit_g);
            let seen = doublings(FAR_ABOVE / OWN_LONGEST * PARTS as f32);
            slowest = seen.saturating_sub(1).min(slowest).max(1);
        }
        if fastest != self.fastest_rung || !watches {
            self.alert = 0;
        }
        self.watches = watches;
        // One step at a time is soon enough.
        if fastest < self.fastest_rung {
            self.fastest_rung = self.fastest_rung.wrapping_sub(1);
            if let Some(rung) = self.rungs.get_mut(usize::from(self.fastest_rung)) {
                rung.look_anew();
            }
        } else {
            self.fastest_rung = fastest;
        }
        if slowest > self.slowest_rung {
            self.slowest_rung = self.slowest_rung.wrapping_add(1);
            self.holds &= !1_u8.wrapping_shl(u32::from(self.slowest_rung));
            if let Some(rung) = self.rungs.get_mut(usize::from(self.slowest_rung)) {
                rung.restart();
            }
        } else {
            self.slowest_rung = slowest;
        }
    }

    /// True if the latest call made more work than most.
    pub fn worked(&self) -> bool {
        self.worked
    }

    /// There was nothing to work on, or (`strained`) much with one sample.
    pub fn set_worked(&mut self, strained: bool) {
        self.worked = strained;
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
