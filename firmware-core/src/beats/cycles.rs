//! Extremes with hysteresis in the band-passed values of a rung, and the cycles between them.
//!
//! A cycle is a low, a high and a low. Times are in [`PARTS`] of a sample of the top rung.

use crate::{beats::bandpass::BandPass, kept::Kept, math};

/// Cycles remembered on each rung: a power of two, so that an index wraps by a mask.
pub const MEMORY: usize = 8;
const MEMORY_MASK: u8 = MEMORY as u8 - 1;
/// The same for the first and the last cycle of a bout, against the rest.
const EDGE_HALF: f32 = 1.7;
const EDGE_HEIGHT: f32 = 0.45;
/// Parts of a sample in which times are kept.
pub const PARTS_SHIFT: u32 = 4;
/// Parts of a sample of the top rung in which times are kept.
pub const PARTS: u32 = 1 << PARTS_SHIFT;

/// One cycle on one rung, low to low. Times in 1/16 sample of the top rung.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Cycle {
    pub end: u32,
    pub length: u16,
    /// From the first low to the high between.
    pub rise: u16,
    pub amplitude: f32,
    /// Agreeing cycles up to and including this one; 0: none, or long ago.
    pub run: u8,
}

impl Cycle {
    pub const NONE: Cycle = Cycle { end: 0, length: 0, rise: 0, amplitude: 0.0, run: 0 };

    pub fn period(&self) -> f32 {
        f32::from(self.length)
    }

    pub fn start(&self) -> u32 {
        self.end.wrapping_sub(u32::from(self.length))
    }

    pub fn peak(&self) -> u32 {
        self.start().wrapping_add(u32::from(self.rise))
    }
}

/// Saturates: a cycle that long is no beat.
pub fn to_u16(parts: u32) -> u16 {
    u16::try_from(parts).unwrap_or(u16::MAX)
}

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Extreme {
    value: i32,
    left: i32,
    right: i32,
    time: u32,
}

impl Extreme {
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
pub struct Turn {
    pub y: i32,
    pub before: i32,
    pub time: u32,
    pub late: bool,
}

/// One rung of the ladder.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Rung {
    /// The band-pass.
    pub band: BandPass,
    /// It has had a value.
    pub begun: bool,
    /// Half of the values that it works on wait for the other half.
    pub half_waits: bool,
    falling: bool,
    before: i32,
    extreme: Extreme,
    /// The value after the extreme is still to come.
    open: bool,
    pub swing: i32,
    low: (u32, i32),
    high: (u32, i32),
    lows: u8,
    /// Longest time from the high to the next low before the cycle is closed without it.
    patience: u32,
    pub cycles: [Cycle; MEMORY],
    newest: u8,
    /// No agreeing cycle in the memory is stronger.
    pub strongest: f32,
}

impl Rung {
    /// The band-pass begins with the first value after a restart.
    pub fn begin(&mut self, first: i32) {
        if !self.begun {
            self.begun = true;
            self.band.begin(first);
        }
    }

    /// Forgets all that counts; what is left is written before it is read.
    pub fn restart(&mut self) {
        self.begun = false;
        self.half_waits = false;
        self.look_anew();
    }

    /// Looked at from now on; its values for the next rung go on.
    #[inline(never)]
    pub fn look_anew(&mut self) {
        self.falling = false;
        self.before = 0;
        self.extreme = Extreme::blank();
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

    /// Follows the extreme through band-passed values, the first of them one spacing after
    /// `time`, up to a turn; gives that, and how many values come after it.
    #[inline]
    pub fn follow(
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
    pub fn turn(&mut self, turn: Turn, spacing: u32) -> Option<(Cycle, i32, i32)> {
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

    /// The newest cycle.
    pub fn latest(&self) -> &Cycle {
        self.cycles.get(usize::from(self.newest)).unwrap_or(&Cycle::NONE)
    }

    /// Keeps a cycle, in the place of the oldest.
    pub fn remember(&mut self, cycle: Cycle) {
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
    pub fn earlier(&self, age: u8) -> Cycle {
        let i = usize::from(self.newest.wrapping_sub(age)) % MEMORY;
        self.cycles.get(i).copied().unwrap_or(Cycle::NONE)
    }

    /// The signal has stayed away from the next low for too long at `newest`: a turn of its own.
    pub fn overdue(&self, newest: u32) -> Option<Turn> {
        let waits = self.falling && !self.open;
        (waits && newest.wrapping_sub(self.high.0) > self.patience).then_some(Turn {
            y: self.before,
            before: self.before,
            time: newest,
            late: true,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    /// An extreme of `values` at -1, 0 and 1 sample, a sample of the top rung each.
    fn refined(values: impl Fn(f64) -> f64) -> (f64, f64) {
        let [left, value, right] = [-1.0, 0.0, 1.0].map(|t| values(t).round() as i32);
        let (time, height) = Extreme { value, left, right, time: 1000 }.refine(PARTS);
        ((f64::from(time) - 1000.0) / f64::from(PARTS), f64::from(height))
    }

    #[test]
    fn a_parabola_is_refined_to_its_own_extreme() {
        for sign in [1.0, -1.0] {
            for n in -8..=8 {
                let middle = f64::from(n) / 16.0;
                for bend in [3000.0, 20_000.0, 150_000.0] {
                    let (time, height) = refined(|t| sign * (1.0e6 - bend * (t - middle).powi(2)));
                    // Values are whole, and so is the time in parts of a sample.
                    assert!((time - middle).abs() <= 0.5 / 16.0, "{time} for {middle}");
                    assert!((height - sign * 1.0e6).abs() < 2.0, "{height}");
                }
            }
        }
    }

    #[test]
    fn the_extreme_of_a_sine_is_off_by_what_the_parabola_is() {
        for period in [5.0, 6.776, 8.0, 10.0_f64] {
            let w = TAU / period;
            for n in -8..=8 {
                let middle = f64::from(n) / 16.0;
                let (time, height) = refined(|t| 1.0e6 * (w * (t - middle)).cos());
                // In closed form: of the time, and of the height that goes with it.
                let offset = 0.5 * (w * middle).tan() / (0.5 * w).tan();
                let top = (w * middle).cos() + 0.5 * w.sin() * (w * middle).sin() * offset;
                assert!((time - offset).abs() <= 0.51 / 16.0, "{period}: {time} for {offset}");
                assert!((height - 1.0e6 * top).abs() < 5.0, "{period}: {height} for {top}");
                // Which is little where a rung is in charge: 5 to 10 of its samples.
                assert!((offset - middle).abs() < 0.03, "{period}: {offset} for {middle}");
                let most = if period < 6.0 { 0.052 } else { 0.018 };
                assert!(top <= 1.0 && top > 1.0 - most, "{period}: {top}");
            }
        }
    }

    #[test]
    fn three_values_in_a_line_are_left_as_they_are() {
        for step in [0, 7] {
            let flat = Extreme { value: 5, left: 5 - step, right: 5 + step, time: 40 };
            assert_eq!(flat.refine(PARTS), (40, 5));
        }
    }

    /// Cycles of a rung that follows `values`, as the ladder has it, and their halves' heights.
    fn cycles(values: impl IntoIterator<Item = f64>) -> Vec<(Cycle, i32, i32)> {
        let mut rung = Rung::blank();
        let (mut closed, mut time) = (Vec::new(), 0);
        for value in values {
            let value = value.round() as i32;
            rung.swing = rung.swing.wrapping_sub((rung.swing >> 8).wrapping_mul(5));
            if let Some((turn, _)) = rung.follow(&[value], 100, time, PARTS_SHIFT) {
                closed.extend(rung.turn(turn, PARTS));
            }
            time = time.wrapping_add(PARTS);
            if let Some(turn) = rung.overdue(time) {
                closed.extend(rung.turn(turn, PARTS));
            }
        }
        closed
    }

    /// A sine of `period` samples and a height of 10 000 between the times `from` and `to`,
    /// periods from where it rises through nothing; 100 samples of nothing on either side.
    fn bout(period: f64, from: f64, to: f64) -> Vec<f64> {
        let sine = (0..((to - from) * period) as u32)
            .map(|n| 1.0e4 * (TAU * (from + f64::from(n) / period)).sin());
        let rest = [0.0; 100];
        rest.into_iter().chain(sine).chain(rest).collect()
    }

    #[test]
    fn a_steady_rhythm_gives_cycles_from_low_to_low() {
        for period in [6.0, 7.3, 9.5] {
            let closed = cycles(bout(period, 0.0, 20.0));
            let inner = closed.get(1..closed.len() - 1).unwrap_or_default();
            assert!((17..=20).contains(&inner.len()), "{period}: {}", inner.len());
            for (cycle, rise, fall) in inner {
                let length = f64::from(cycle.period()) / f64::from(PARTS);
                assert!((length - period).abs() < 0.1, "{length} for {period}");
                // The high lies half way.
                let middle = f64::from(cycle.peak() - cycle.start()) / f64::from(PARTS);
                assert!((middle - period / 2.0).abs() < 0.1, "{middle} for {period}");
                for height in [rise, fall] {
                    assert!((f64::from(*height) / 2.0e4 - 1.0).abs() < 0.04, "{height}");
                }
            }
            let apart = closed.windows(2).all(|pair| {
                let [(a, ..), (b, ..)] = pair else { return false };
                b.end > a.end
            });
            assert!(apart);
        }
    }

    #[test]
    fn a_half_that_was_rested_in_counts_as_the_half_that_was_swum() {
        let mut rung = Rung { low: (1000, -500), high: (1100, 450), lows: 1, ..Rung::blank() };
        // The tail rested before it rose: 100 up, 50 down.
        let expected = Cycle { end: 1150, length: 100, rise: 50, amplitude: 0.0, run: 0 };
        assert_eq!(rung.close(1150, -480), Some((expected, 930, 930)));
        assert_eq!(rung.low, (1150, -480));
        // It rested after it fell: 100 up, 200 down.
        rung = Rung { low: (1000, -500), high: (1100, 450), lows: 1, ..Rung::blank() };
        let expected = Cycle { end: 1200, length: 200, rise: 100, amplitude: 0.0, run: 0 };
        assert_eq!(rung.close(1300, -480), Some((expected, 950, 950)));
        // Halves that differ by less are one cycle.
        rung = Rung { low: (1000, -500), high: (1100, 450), lows: 1, ..Rung::blank() };
        let expected = Cycle { end: 1269, length: 269, rise: 100, amplitude: 0.0, run: 0 };
        assert_eq!(rung.close(1269, -480), Some((expected, 950, 930)));
    }

    #[test]
    fn the_lobe_at_the_edge_of_a_bout_is_no_cycle() {
        // A high of 45 % of the low beside it, or less, is what the band-pass makes of an edge.
        for (high, counts) in [(224, false), (226, true)] {
            let mut rung = Rung { low: (1000, -500), high: (1100, high), lows: 1, ..Rung::blank() };
            assert_eq!(rung.close(1300, -20).is_some(), counts, "{high}");
        }
    }

    #[test]
    fn the_first_low_closes_nothing() {
        let mut rung = Rung { high: (100, 500), ..Rung::blank() };
        assert_eq!(rung.close(150, -500), None);
        rung.high = (200, 500);
        assert!(rung.close(250, -500).is_some());
    }

    /// A bout that ends on a high: the low that never comes is where it would have been.
    #[test]
    fn the_last_cycle_of_a_bout_is_closed_by_a_late_turn() {
        let period = 8.0;
        let (whole, cut_short) = (cycles(bout(period, 0.0, 6.0)), cycles(bout(period, 0.0, 5.5)));
        // Six lows; five, and the one that is made up.
        assert_eq!((whole.len(), cut_short.len()), (5, 5));
        let [.., (before, ..), (last, rise, fall)] = cut_short.as_slice() else { unreachable!() };
        assert_eq!(last.start(), before.end);
        // Both halves take as long as the first of them.
        assert_eq!(u32::from(last.length), 2 * u32::from(last.rise));
        assert!((f64::from(last.period()) / 16.0 - period).abs() < 0.2, "{}", last.period());
        // It fell from the high to nothing, and no further.
        assert!((f64::from(*rise) / 2.0e4 - 1.0).abs() < 0.04, "{rise}");
        assert!((f64::from(*fall) / 1.0e4 - 1.0).abs() < 0.04, "{fall}");
    }

    #[test]
    fn a_late_turn_needs_a_fall_of_its_own() {
        let late = Turn { y: -100, before: -100, time: 2000, late: true };
        for (fallen_to, counts) in [(50, true), (71, false)] {
            let high = Extreme { value: 450, left: 440, right: 440, time: 1100 };
            let mut rung = Rung { low: (1000, -500), extreme: high, lows: 2, ..Rung::blank() };
            rung.turn(Turn { y: 300, before: 400, time: 1140, late: false }, PARTS);
            assert_eq!((rung.falling, rung.high), (true, (1100, 450)));
            rung.extreme = Extreme { value: fallen_to, left: 0, right: 0, time: 1180 };
            rung.open = false;
            // Twice as long as it rose.
            assert_eq!(rung.overdue(1300), None, "not yet");
            assert!(rung.overdue(1301).is_some_and(|turn| turn.late));
            let closed = rung.turn(late, PARTS);
            assert_eq!(closed.map(|(cycle, ..)| cycle.end), counts.then_some(1200), "{fallen_to}");
            // Once only.
            assert_eq!(rung.overdue(5000), None);
        }
    }

    #[test]
    fn the_memory_knows_the_order_of_its_cycles_and_the_strongest() {
        let mut rung = Rung::blank();
        for n in 1..=20_u8 {
            let amplitude = f32::from(20 - n % 10);
            rung.remember(Cycle { end: u32::from(n), run: 2, amplitude, ..Cycle::NONE });
            for age in 0..n.min(MEMORY as u8) {
                assert_eq!(rung.earlier(age).end, u32::from(n - age));
            }
            let kept = (0..MEMORY as u8).map(|age| rung.earlier(age).amplitude);
            assert_eq!(rung.strongest, kept.fold(0.0, f32::max), "{n}");
        }
    }
}
