//! One phase, from event to event.
//!
//! Between events the part spent obeys `dx/dt = a + s (1 - x)` with constant `a`
//! (load) and `s` (self-discharge), which is solved in closed form; whole turns of a
//! duty cycle are one affine map, and any number of them a power of it. An event is
//! a value of `x` at which something happens, found beforehand from the voltage.

use std::borrow::Cow;

use super::cell::Battery;
use super::plan::{PhasePlan, Train};

const DAY_S: f64 = 86_400.0;

/// What a phase on the battery ended with.
#[derive(Clone, Debug, PartialEq)]
pub enum Stop {
    /// The time given was over.
    Time,
    /// A pulse pulled the voltage below that at which the tag resets.
    BrownOut {
        /// Which pulse.
        pulse: String,
        /// Its steps, [s, mA].
        steps: Vec<[f64; 2]>,
        /// Steady current it fell on, mA.
        base_ma: f64,
        /// From pulse to pulse, s.
        period_s: f64,
        /// The part it belongs to, where its charge is not in the steady current.
        part: Option<usize>,
    },
    /// The steady current alone pulled the voltage below the cut-off.
    CutOff {
        /// That current, mA.
        base_ma: f64,
    },
    /// Nothing was left.
    Empty,
    /// No more than the reserve was left.
    Reserve,
}

/// The battery on its way through the phases.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// Part of the nominal capacity gone, by load and by itself.
    pub spent: f64,
    /// Time since the start of the first phase, s.
    pub time_s: f64,
    /// Charge drawn by each part in the present kind of phase, mAh.
    pub drawn_mah: Vec<f64>,
    /// Charge drawn before that, mAh.
    pub earlier_mah: f64,
}

impl State {
    /// Charge drawn by all parts so far, mAh.
    pub fn all_drawn_mah(&self) -> f64 {
        self.earlier_mah + self.drawn_mah.iter().sum::<f64>()
    }
}

/// Part spent after `t_s` at load rate `a` and self-discharge `s`.
fn after(x: f64, a: f64, s: f64, t_s: f64) -> f64 {
    let phi = if s > 0.0 { -(-s * t_s).exp_m1() / s } else { t_s };
    x + (a + s * (1.0 - x)) * phi
}

/// Time until the part spent is `to`; infinite where it never is, 0 where it was.
fn until(x: f64, a: f64, s: f64, to: f64) -> f64 {
    if x >= to {
        return 0.0;
    }
    let speed = a + s * (1.0 - x);
    if speed <= 0.0 {
        return f64::INFINITY;
    }
    if s <= 0.0 {
        return (to - x) / speed;
    }
    let inside = s * (to - x) / speed;
    if inside >= 1.0 { f64::INFINITY } else { -(-inside).ln_1p() / s }
}

/// Something that happens once `spent` has come to a value.
#[derive(Clone, Debug)]
struct Threshold {
    spent: f64,
    /// Start and distance of the instants at which it can happen; `None`: at once.
    grid_s: Option<f64>,
    /// Spent by the pulse itself.
    own: f64,
    stop: Stop,
}

/// One state of a phase: sampling or not, with a set of trains active.
#[derive(Clone, Debug)]
struct Level {
    rate: f64,
    thresholds: Vec<Threshold>,
    first: f64,
}

/// Levels while sampling and between, for one set of active trains.
#[derive(Clone, Debug)]
struct Levels {
    active: u64,
    on: Level,
    off: Level,
}

/// The trains of a phase that are `active`, a bit each.
fn trains(phase: &PhasePlan, active: u64) -> impl Iterator<Item = &Train> {
    phase.trains.iter().enumerate().filter(move |(n, _)| active >> n & 1 == 1).map(|t| t.1)
}

/// A pulse that can fall in a phase.
pub struct Pulse<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its steps, [s, mA].
    pub steps: Cow<'a, [[f64; 2]]>,
    /// From pulse to pulse, s; infinite: by itself.
    pub period_s: f64,
    /// What pulses of other parts add to the steady current below it, mA.
    pub others_ma: f64,
    /// The part it belongs to, where its charge is not in the steady current.
    pub part: Option<usize>,
}

/// The pulses of a phase with the trains that are `active`, a bit each, and of
/// sampling itself. With `coincide` the others are on at the same time.
pub fn pulses(phase: &PhasePlan, coincide: bool, active: u64, sampling: bool) -> Vec<Pulse<'_>> {
    let peak = |t: &Train| t.steps.iter().map(|s| s[1]).fold(0.0, f64::max);
    let all_ma: f64 = if coincide { trains(phase, active).map(peak).sum() } else { 0.0 };
    let own = phase.own_pulses.iter().filter(|_| sampling).map(|own| Pulse {
        name: own.name,
        steps: vec![own.step].into(),
        period_s: f64::INFINITY,
        others_ma: all_ma,
        part: None,
    });
    trains(phase, active)
        .map(|t| Pulse {
            name: &t.pulse_name,
            steps: t.steps.as_slice().into(),
            period_s: t.period_s,
            others_ma: if coincide { all_ma - peak(t) } else { 0.0 },
            part: Some(t.part),
        })
        .chain(own)
        .collect()
}

/// A phase prepared for a battery.
pub struct Walk<'a> {
    battery: &'a Battery,
    phase: &'a PhasePlan,
    coincide: bool,
    reserve: Option<f64>,
    leak: f64,
    levels: Vec<Levels>,
}

impl<'a> Walk<'a> {
    /// `reserve`: part left at which to stop, where that is a reason to.
    pub fn new(
        battery: &'a Battery,
        phase: &'a PhasePlan,
        coincide: bool,
        reserve: Option<f64>,
    ) -> Self {
        let leak = battery.leak_per_s(phase.temp_c);
        Walk { battery, phase, coincide, reserve, leak, levels: Vec::new() }
    }

    fn level(&self, base_ma: f64, active: u64, sampling: bool) -> Level {
        let (battery, temp_c) = (self.battery, self.phase.temp_c);
        let mean_ma = base_ma + trains(self.phase, active).map(|t| t.mean_ma).sum::<f64>();
        let spent = |left: f64| battery.spent(left, temp_c);
        let mut thresholds =
            vec![Threshold { spent: spent(0.0), grid_s: None, own: 0.0, stop: Stop::Empty }];
        if let Some(reserve) = self.reserve {
            thresholds.push(Threshold {
                spent: spent(reserve),
                grid_s: None,
                own: 0.0,
                stop: Stop::Reserve,
            });
        }
        let limit_v = battery.cutoff_v.max(battery.brownout_v);
        if let Some(left) = battery.left_below(limit_v, temp_c, base_ma, &[], f64::INFINITY) {
            let stop = Stop::CutOff { base_ma };
            thresholds.push(Threshold { spent: spent(left), grid_s: None, own: 0.0, stop });
        }
        let rate_of = |ma: f64| battery.rate_per_s(ma);
        let mut pulse =
            |name: &str, steps: &[[f64; 2]], period_s: f64, base_ma: f64, part: Option<usize>| {
                let below =
                    battery.left_below(battery.brownout_v, temp_c, base_ma, steps, period_s);
                let Some(left) = below else { return };
                // The mean current gives the charge gone when a pulse starts. It is its end
                // that sags most, with its own charge gone too.
                let own = if part.is_some() {
                    let mah: f64 = steps.iter().map(|s| s[0] * s[1]).sum::<f64>() / 3600.0;
                    mah * rate_of(mean_ma) / mean_ma * 3600.0
                } else {
                    0.0
                };
                let stop = Stop::BrownOut {
                    pulse: name.to_owned(),
                    steps: steps.to_vec(),
                    base_ma,
                    period_s,
                    part,
                };
                let grid_s = part.map(|_| period_s);
                thresholds.push(Threshold { spent: spent(left) - own, grid_s, own, stop });
            };
        for p in pulses(self.phase, self.coincide, active, sampling) {
            pulse(p.name, &p.steps, p.period_s, base_ma + p.others_ma, p.part);
        }
        let first = thresholds.iter().map(|t| t.spent).fold(f64::INFINITY, f64::min);
        Level { rate: battery.rate_per_s(mean_ma), thresholds, first }
    }

    /// Index of the levels for the trains active at `t_s` of the phase.
    fn levels_at(&mut self, t_s: f64) -> usize {
        let mut active = 0_u64;
        for (n, train) in self.phase.trains.iter().enumerate().take(64) {
            if train.day_s >= DAY_S || t_s.rem_euclid(DAY_S) < train.day_s {
                active |= 1 << n;
            }
        }
        if let Some(n) = self.levels.iter().position(|l| l.active == active) {
            return n;
        }
        let on = self.level(self.phase.on_ma, active, true);
        let off = if self.phase.duty.is_some() {
            self.level(self.phase.off_ma, active, false)
        } else {
            on.clone()
        };
        self.levels.push(Levels { active, on, off });
        self.levels.len() - 1
    }

    /// Next edge of a daily window after `t_s`, s of the phase.
    fn next_edge(&self, t_s: f64) -> f64 {
        let day = (t_s / DAY_S + 1e-12).floor() * DAY_S;
        let windows = self.phase.trains.iter().map(|t| t.day_s).filter(|&d| d < DAY_S);
        let edges = windows.flat_map(|d| [day + d, day + DAY_S]);
        edges.filter(|&e| e > t_s + 1e-6).fold(f64::INFINITY, f64::min)
    }

    /// Runs for `length_s`, or until something happens.
    pub fn run(&mut self, state: &mut State, length_s: f64) -> Stop {
        self.run_on(state, 0.0, length_s)
    }

    /// Goes on from `from_s` of the phase, until `length_s` of it, or until something
    /// happens.
    pub fn run_on(&mut self, state: &mut State, from_s: f64, length_s: f64) -> Stop {
        let mut t = from_s;
        let mut stop = Stop::Time;
        let mut on_s = 0.0;
        let mut active_s = vec![0.0; self.phase.trains.len()];
        while t < length_s && stop == Stop::Time {
            // The middle of a segment, so that its edges do not matter.
            let edge = self.next_edge(t).min(length_s);
            let n = self.levels_at(if edge.is_finite() { 0.5 * (t + edge) } else { t + 1.0 });
            let from = t;
            stop = self.segment(n, &mut t, edge, &mut state.spent, &mut on_s);
            let active = self.levels[n].active;
            for (n, s) in active_s.iter_mut().enumerate() {
                if active >> n & 1 == 1 {
                    *s += t - from;
                }
            }
        }
        state.time_s += t - from_s;
        let off_s = t - from_s - on_s;
        for share in &self.phase.shares {
            if let Some(drawn) = state.drawn_mah.get_mut(share.part) {
                *drawn += (share.on_ma * on_s + share.off_ma * off_s) / 3600.0;
            }
        }
        for (train, s) in self.phase.trains.iter().zip(active_s) {
            if let Some(drawn) = state.drawn_mah.get_mut(train.part) {
                *drawn += train.mean_ma * s / 3600.0;
            }
        }
        if let Stop::BrownOut { part: Some(part), steps, .. } = &stop
            && let Some(drawn) = state.drawn_mah.get_mut(*part)
        {
            *drawn += steps.iter().map(|s| s[0] * s[1]).sum::<f64>() / 3600.0;
        }
        stop
    }

    /// From `t` to `edge` with the same trains active.
    fn segment(&self, n: usize, t: &mut f64, edge: f64, x: &mut f64, on_s: &mut f64) -> Stop {
        let levels = &self.levels[n];
        let Some(duty) = self.phase.duty else {
            let from = *t;
            let stop = self.step(&levels.on, t, edge, x);
            *on_s += *t - from;
            return stop;
        };
        let s = self.leak;
        let off_part_s = duty.period_s - duty.on_s;
        let first = levels.on.first.min(levels.off.first);
        while *t < edge {
            let eps = 1e-9 * duty.period_s + 1e-12 * *t;
            let turn = ((*t + eps) / duty.period_s).floor();
            let start = turn * duty.period_s;
            if (*t - start).abs() <= eps && *x < first {
                // Whole turns that surely end before the edge and before any event.
                let one =
                    after(after(*x, levels.on.rate, s, duty.on_s), levels.off.rate, s, off_part_s);
                let gain = one - *x;
                let lose = -(-s * duty.period_s).exp_m1();
                let turns_to = |to: f64| {
                    if gain <= 0.0 {
                        f64::INFINITY
                    } else if lose <= 0.0 {
                        (to - *x) / gain
                    } else {
                        let inside = (to - *x) * lose / gain;
                        if inside >= 1.0 {
                            f64::INFINITY
                        } else {
                            (-inside).ln_1p() / (-lose).ln_1p()
                        }
                    }
                };
                let fit = ((edge - *t) / duty.period_s).floor();
                let turns = (turns_to(first).floor() - 1.0).min(fit);
                if turns >= 1.0 && turns.is_finite() {
                    let grown =
                        if lose > 0.0 { -(turns * (-lose).ln_1p()).exp_m1() / lose } else { turns };
                    *x += gain * grown;
                    *t = (turn + turns) * duty.period_s;
                    *on_s += turns * duty.on_s;
                    continue;
                }
            }
            let on = *t + eps < start + duty.on_s;
            let end = if on { start + duty.on_s } else { start + duty.period_s };
            let from = *t;
            let stop = self.step(if on { &levels.on } else { &levels.off }, t, end.min(edge), x);
            if on {
                *on_s += *t - from;
            }
            if stop != Stop::Time {
                return stop;
            }
        }
        Stop::Time
    }

    /// One level from `t` to `end`, or to the first event.
    fn step(&self, level: &Level, t: &mut f64, end: f64, x: &mut f64) -> Stop {
        let s = self.leak;
        let mut best: Option<(f64, &Threshold)> = None;
        for threshold in &level.thresholds {
            let mut at = *t + until(*x, level.rate, s, threshold.spent);
            if let Some(period_s) = threshold.grid_s {
                // The first pulse that starts once the battery is down to it.
                at = (at / period_s - 1e-9).ceil() * period_s;
                if at >= end {
                    continue;
                }
            }
            let at = at.max(*t);
            if at <= end && best.as_ref().is_none_or(|(b, _)| at < *b) {
                best = Some((at, threshold));
            }
        }
        let mut own = 0.0;
        let (to, stop) = match best {
            Some((at, threshold)) if at < end || threshold.grid_s.is_none() && at <= end => {
                own = threshold.own;
                (at, threshold.stop.clone())
            }
            _ => (end, Stop::Time),
        };
        if to.is_finite() {
            *x = after(*x, level.rate, s, to - *t) + own;
            *t = to;
        } else {
            // Nothing ever happens: the end of time.
            *t = f64::INFINITY;
        }
        stop
    }
}
