//! The promises of the guardian, attacked in a small simulated world: no pulse before the floor
//! or in air, pulses of the right length, and a pulse in time where water is certain.
//!
//! Longer than 600 lines because the world, the random plans and the checks share their types.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

use std::cell::RefCell;
use std::collections::VecDeque;

use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::{Pull, Settings};
use firmware_core::shell::guardian::{Actions, Guardian, Rules};
use firmware_core::shell::water::Surroundings;
use firmware_core::types::{Cause, ReleaseDecision};
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestError, TestRunner};

const SECOND_US: u64 = 1_000_000;
const DAY_S: f64 = 86_400.0;
const WET: usize = 0;
const DEPTH: usize = 1;

fn us(s: f64) -> u64 {
    (s * 1e6) as u64
}

/// A number that depends on `seed` and `x` alone (splitmix64, public domain, from memory).
fn hash(seed: u64, x: u64) -> u64 {
    let mut z = seed.wrapping_add(x.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// From 0 to 1.
fn part(bits: u64) -> f64 {
    (bits >> 11) as f64 / (1_u64 << 53) as f64
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Place {
    Deck,
    Sea,
}

/// A time at one place. The depth swings by `amp_m` about `mid_m`; the haul that ends a stay at
/// sea lifts the tag from `haul_m` to the deck in `haul_s`.
#[derive(Clone, Copy, Debug)]
struct Stay {
    place: Place,
    s: f64,
    mid_m: f64,
    amp_m: f64,
    period_s: f64,
    haul_m: f64,
    haul_s: f64,
}

const DECK: Stay = Stay {
    place: Place::Deck,
    s: 600.0,
    mid_m: 0.0,
    amp_m: 0.0,
    period_s: 1.0,
    haul_m: 1.0,
    haul_s: 3.0,
};
const SEA: Stay =
    Stay { place: Place::Sea, s: 3600.0, mid_m: 12.0, amp_m: 8.0, period_s: 300.0, ..DECK };

#[derive(Clone, Copy, Debug)]
enum ClockFault {
    /// Seconds ahead or back, for good.
    Step(f64),
    Stand,
    Rate(f64),
    /// Seconds off in the first reading, then in one of `every`.
    Torn {
        s: f64,
        every: u64,
    },
    Lost,
}

#[derive(Clone, Copy, Debug)]
enum SensorFault {
    /// At its last value.
    Stuck,
    Silent,
    /// By seconds; the age is reported or not.
    Behind {
        s: f64,
        age: bool,
    },
    /// Every so many seconds; the latest depth is repeated between with its age, or nothing is.
    Seldom {
        s: f64,
        repeated: bool,
    },
}

/// What is wrong with which clock (0 is the timer) or sensor, and when, s.
#[derive(Clone, Copy, Debug)]
struct Wrong<F> {
    which: usize,
    from_s: f64,
    until_s: f64,
    fault: F,
}

#[derive(Clone, Copy, Debug)]
struct Reset {
    at_s: f64,
    away_s: f64,
    unseen_s: f64,
    /// Age of the copy that the tag continues from.
    copy_s: f64,
}

/// What happens to the tag when its n-th pulse begins, s later.
#[derive(Clone, Copy, Debug)]
enum Strike {
    Clock,
    Haul,
    Reset,
}

#[derive(Clone, Debug)]
struct Plan {
    seed: u64,
    stays: Vec<Stay>,
    backups: usize,
    clock: Option<Wrong<ClockFault>>,
    sensors: [bool; 2],
    sensor: Option<Wrong<SensorFault>>,
    resets: Vec<Reset>,
    strike: Option<(usize, f64, Strike)>,
    rules: (f64, f64, Settings),
    decided_s: Option<f64>,
    /// The decision is handed over at one poll only.
    once: bool,
    /// 0: never seen to swim; 1: at sea; 2: anywhere, now and then.
    swam: u8,
    /// Longest splash on deck.
    splash_s: f64,
    idle_s: f64,
    /// The alarm for the next poll runs by the timer, wrong as it may be; else by true time.
    alarm_by_timer: bool,
    end_s: f64,
}

fn plan(stays: &[Stay]) -> Plan {
    Plan {
        seed: 1,
        stays: stays.to_vec(),
        backups: 2,
        clock: None,
        sensors: [true; 2],
        sensor: None,
        resets: Vec::new(),
        strike: None,
        rules: (600.0, 1800.0, Settings::DEFAULT),
        decided_s: None,
        once: false,
        swam: 1,
        splash_s: 4.0,
        idle_s: 10.0,
        alarm_by_timer: false,
        end_s: stays.iter().map(|stay| stay.s).sum(),
    }
}

#[derive(Clone, Copy, Debug)]
struct Pulse {
    us: u64,
    counted: bool,
    reset: bool,
}

/// What came of a plan, in true time.
#[derive(Debug, Default)]
struct Outcome {
    polls: u64,
    first_fire_us: Option<u64>,
    /// Time away before the first pulse, from the copy that the tag continued from.
    away_us: u64,
    resets: usize,
    /// Polls with `Fire` before the floor; polls before it at sea with a decision that stands.
    early: u64,
    pressed_early: u64,
    /// Polls with `Fire` in air; polls there behind the floor with a decision that stands.
    in_air: Vec<u64>,
    pressed_air: u64,
    /// Of these, polls with the tag fired before.
    pressed_again: u64,
    /// Longest time in air before the poll that ended a pulse.
    held_us: u64,
    pulses: Vec<Pulse>,
}

struct World<'a> {
    plan: &'a Plan,
    stays: Vec<(u64, u64, Stay)>,
    rules: Rules,
    clock: Option<Wrong<ClockFault>>,
    resets: VecDeque<Reset>,
    now: u64,
    boot: u64,
    reads: u64,
    torn: bool,
    /// Latest reading of the sensor that is read seldom.
    latest: Option<(u64, f32)>,
    handed: bool,
    guardian: Guardian,
    copies: VecDeque<(u64, Guardian)>,
    /// Start of the pulse that is on, attempts before it.
    pulse: Option<(u64, u8)>,
    previous_us: u64,
    out: Outcome,
}

impl<'a> World<'a> {
    fn new(plan: &'a Plan) -> Self {
        let mut from = 0;
        let mut stays = Vec::new();
        for stay in &plan.stays {
            stays.push((from, from + us(stay.s), *stay));
            from += us(stay.s);
        }
        let (floor_s, ceiling_s, release) = plan.rules;
        let mut resets = plan.resets.clone();
        resets.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let mut world = World {
            plan,
            stays,
            rules: Rules { floor_us: us(floor_s), ceiling_us: us(ceiling_s), release },
            clock: plan.clock,
            resets: resets.into(),
            now: 0,
            boot: 0,
            reads: 0,
            torn: false,
            latest: None,
            handed: false,
            guardian: Guardian::new(&Clocks::default()),
            copies: VecDeque::new(),
            pulse: None,
            previous_us: 0,
            out: Outcome::default(),
        };
        world.guardian = Guardian::new(&world.clocks());
        // Two looks at one reading of the timer have a test of their own.
        world.now += 1000;
        world
    }

    fn random(&mut self) -> f64 {
        self.reads += 1;
        part(hash(self.plan.seed ^ 77, self.reads))
    }

    fn stay(&self, t: u64) -> &(u64, u64, Stay) {
        self.stays.iter().find(|(_, to, _)| t < *to).unwrap_or(self.stays.last().unwrap())
    }

    fn air(&self, t: u64) -> bool {
        self.stay(t).2.place == Place::Deck
    }

    fn depth(&self, t: u64) -> f64 {
        let (from, to, stay) = *self.stay(t);
        if stay.place == Place::Deck {
            return 0.0;
        }
        let (since, left) = ((t - from) as f64 / 1e6, to.saturating_sub(t) as f64 / 1e6);
        let swing = (since / stay.period_s * std::f64::consts::TAU).sin();
        let down = if from == 0 { f64::MAX } else { since };
        let up = if self.stays.last().unwrap().1 == to {
            f64::MAX
        } else if left < stay.haul_s {
            stay.haul_m * left / stay.haul_s
        } else {
            stay.haul_m + 5.0 * (left - stay.haul_s)
        };
        (stay.mid_m + stay.amp_m * swing).max(0.05).min(down).min(up)
    }

    /// What a faultless sensor reads.
    fn reads_of(&self, which: usize, t: u64) -> f32 {
        let seed = self.plan.seed;
        if which == DEPTH {
            return (self.depth(t) + 0.1 * (part(hash(seed, t)) - 0.5)) as f32;
        }
        // A splash of at least 1 s in one of three spells of 40 s. None as the tag comes aboard:
        // beside a depth that is stuck, nothing there differs from the sea.
        let spell = hash(seed ^ 5, t / (40 * SECOND_US));
        let into_s = (t % (40 * SECOND_US)) as f64 / 1e6 - 5.0 - part(hash(seed, spell)) * 30.0;
        let length_s = 1.0 + part(hash(seed, spell ^ 3)) * (self.plan.splash_s - 1.0);
        let dried = (t - self.stay(t).0) > 10 * SECOND_US;
        let splash = dried && spell.is_multiple_of(3) && (0.0..length_s).contains(&into_s);
        if !self.air(t) || splash { 1.0 } else { 0.0 }
    }

    /// A sensor's reading and its age, microseconds.
    fn sense_one(&mut self, which: usize) -> Option<(f32, u64)> {
        let t = self.now;
        if !self.plan.sensors[which] {
            return None;
        }
        let wrong = self
            .plan
            .sensor
            .filter(|wrong| wrong.which == which && t >= us(wrong.from_s) && t < us(wrong.until_s));
        match wrong.map(|wrong| (wrong.fault, us(wrong.from_s))) {
            None => Some((self.reads_of(which, t), 0)),
            Some((SensorFault::Silent, _)) => None,
            Some((SensorFault::Stuck, from)) => Some((self.reads_of(which, from), 0)),
            Some((SensorFault::Behind { s, age }, _)) => {
                let then = t.saturating_sub(us(s));
                Some((self.reads_of(which, then), if age { t - then } else { 0 }))
            }
            Some((SensorFault::Seldom { s, repeated }, _)) => match self.latest {
                Some((then, value)) if t < then + us(s) => {
                    (repeated && which == DEPTH).then_some((value, t - then))
                }
                _ => {
                    let value = self.reads_of(which, t);
                    self.latest = Some((t, value));
                    Some((value, 0))
                }
            },
        }
    }

    fn sense(&mut self) -> Surroundings {
        let wet = self.sense_one(WET).map(|(value, _)| value > 0.5);
        let depth = self.sense_one(DEPTH);
        let swam = match self.plan.swam {
            0 => false,
            1 => !self.air(self.now),
            _ => hash(self.plan.seed ^ 9, self.now / (30 * SECOND_US)).is_multiple_of(3),
        };
        Surroundings {
            wet,
            depth_m: depth.map(|(m, _)| m),
            depth_age_us: depth.map_or(0, |(_, age)| age),
            swam,
        }
    }

    fn clock_reads(&mut self, which: usize) -> Option<u64> {
        let at = |t: u64| -> f64 {
            if which == 0 { (t - self.boot) as f64 } else { 1e13 * which as f64 + t as f64 }
        };
        let now = self.now;
        let mut reading = at(now);
        if which > self.plan.backups {
            return None;
        }
        let wrong = self.clock.filter(|wrong| {
            wrong.which == which && now >= us(wrong.from_s) && now < us(wrong.until_s)
        });
        if let Some(wrong) = wrong {
            let from = us(wrong.from_s);
            let since = if which == 0 { from.max(self.boot) } else { from };
            match wrong.fault {
                // A timer steps back to 0 at most.
                ClockFault::Step(s) if which > 0 || from >= self.boot => {
                    reading += (s * 1e6).max(-at(since));
                }
                ClockFault::Step(_) => {}
                ClockFault::Rate(rate) => reading = at(since) + (now - since) as f64 * rate,
                ClockFault::Lost if which > 0 => return None,
                ClockFault::Stand | ClockFault::Lost => reading = at(since),
                ClockFault::Torn { s, every } => {
                    let torn = std::mem::replace(&mut self.torn, true);
                    if !torn || self.random() * (every as f64) < 1.0 {
                        reading += s * 1e6;
                    }
                }
            }
        }
        Some(reading.max(0.0) as u64)
    }

    fn clocks(&mut self) -> Clocks {
        let timer_us = self.clock_reads(0).unwrap();
        Clocks { timer_us, backup_us: [self.clock_reads(1), self.clock_reads(2)] }
    }

    /// When the timer reads `reading`, true time, as long as it gets there.
    fn when_timer_reads(&self, reading: u64) -> Option<u64> {
        let right = self.boot.saturating_add(reading);
        let Some(wrong) = self.clock.filter(|wrong| wrong.which == 0) else { return Some(right) };
        let (from, since) = (us(wrong.from_s), us(wrong.from_s).max(self.boot));
        if right < from {
            return Some(right);
        }
        match wrong.fault {
            ClockFault::Torn { .. } => Some(right),
            ClockFault::Step(_) if from < self.boot => Some(right),
            ClockFault::Step(s) => {
                let step = (s * 1e6).max(-((from - self.boot) as f64));
                Some(from.max((right as f64 - step) as u64))
            }
            ClockFault::Rate(rate) => {
                Some(since + (right.saturating_sub(since) as f64 / rate.max(1e-9)) as u64)
            }
            ClockFault::Stand | ClockFault::Lost => None,
        }
    }

    fn decided(&mut self) -> Option<ReleaseDecision> {
        let t_us = us(self.plan.decided_s?);
        if self.now < t_us || (self.plan.once && std::mem::replace(&mut self.handed, true)) {
            return None;
        }
        let cause = Cause::Recovered;
        Some(ReleaseDecision { t_us, cause, since_us: t_us, value: 1.0, bound: 0.9 })
    }

    /// One poll; gives the true time of the next.
    fn poll(&mut self) -> u64 {
        let (clocks, around, decided) = (self.clocks(), self.sense(), self.decided());
        let before = self.guardian.driver.attempts();
        self.guardian.clock.tick(&clocks, 0);
        let actions = self.guardian.poll(&self.rules, &around, decided);
        let stands = self.guardian.decision.is_some() || decided.is_some();
        self.record(&actions, before, stands);
        self.copies.push_back((self.now, self.guardian));
        let cap_s = if stands || actions.pull != Pull::Off { 1.0 } else { self.plan.idle_s };
        let cap = self.now + us(cap_s * (0.5 + 0.5 * self.random()));
        let ahead = actions.poll_in_us;
        // A one-shot alarm counts as the timer does, and heeds no single torn reading of it.
        let torn = self.clock.is_some_and(|c| matches!(c.fault, ClockFault::Torn { .. }));
        let from = if torn { self.now - self.boot } else { clocks.timer_us };
        let alarm = if self.plan.alarm_by_timer {
            self.when_timer_reads(from + ahead).unwrap_or(u64::MAX)
        } else {
            self.now.saturating_add(ahead)
        };
        let late = (5000.0 * self.random()) as u64;
        alarm.max(self.now + 1000).saturating_add(late).min(cap.max(self.now + 1000))
    }

    fn record(&mut self, actions: &Actions, before: u8, stands: bool) {
        let (now, fire, air) = (self.now, actions.pull == Pull::Fire, self.air(self.now));
        self.out.polls += 1;
        if now < self.rules.floor_us {
            self.out.early += u64::from(fire);
            self.out.pressed_early += u64::from(stands && !air);
        } else if air && stands {
            self.out.pressed_air += 1;
            self.out.pressed_again += u64::from(self.out.first_fire_us.is_some());
        }
        if fire && air {
            self.out.in_air.push(now);
        }
        if fire && self.pulse.is_none() {
            self.pulse = Some((now, before));
            self.out.first_fire_us.get_or_insert(now);
            self.struck();
        } else if !fire {
            self.end_pulse(false);
        }
        self.previous_us = now;
    }

    fn end_pulse(&mut self, reset: bool) {
        let Some((from, before)) = self.pulse.take() else { return };
        if self.air(self.now) {
            let deck = self.stay(self.now).0;
            self.out.held_us = self.out.held_us.max(self.now - deck.max(self.previous_us));
        }
        let counted = self.guardian.driver.attempts() > before;
        self.out.pulses.push(Pulse { us: self.now - from, counted, reset });
    }

    /// What the plan has for the pulse that begins now.
    fn struck(&mut self) {
        let Some((nth, s, strike)) = self.plan.strike else { return };
        if nth != self.out.pulses.len() {
            return;
        }
        let at_s = self.now as f64 / 1e6 + s;
        match strike {
            Strike::Clock => {
                if let Some(wrong) = self.clock.as_mut() {
                    (wrong.from_s, wrong.until_s) = (at_s, f64::MAX);
                }
            }
            Strike::Haul => {
                let (from, _, stay) = *self.stay(self.now);
                let deck = self.now + us(s.max(3.0));
                self.stays.retain(|(to, _, _)| *to < from);
                self.stays.push((from, deck, stay));
                self.stays.push((deck, u64::MAX, DECK));
            }
            Strike::Reset => {
                self.resets.push_front(Reset { at_s, away_s: s, unseen_s: 60.0, copy_s: 0.0 })
            }
        }
    }

    fn reset(&mut self, reset: Reset) {
        self.now = self.now.max(us(reset.at_s));
        self.end_pulse(true);
        self.copies.retain(|(t, _)| t + 60 * SECOND_US >= self.now);
        let wanted = self.now.saturating_sub(us(reset.copy_s));
        let copy = self.copies.iter().rfind(|(t, _)| *t <= wanted).or(self.copies.front());
        let (then, copy) = copy.copied().unwrap_or((self.now, self.guardian));
        self.now += us(reset.away_s);
        self.boot = self.now;
        self.now += us(0.3 * self.random());
        self.guardian = copy;
        self.latest = None;
        let clocks = self.clocks();
        self.guardian.resume(&clocks, us(reset.unseen_s), &self.rules);
        self.copies.push_back((self.now, self.guardian));
        self.out.resets += 1;
        if self.out.first_fire_us.is_none() {
            self.out.away_us += self.now - then;
        }
        self.now += us(self.random());
        self.previous_us = self.now;
    }

    fn run(mut self) -> Outcome {
        while self.now < us(self.plan.end_s) {
            let next = self.poll();
            while self.copies.front().is_some_and(|(t, _)| t + 60 * SECOND_US < self.now) {
                self.copies.pop_front();
            }
            match self.resets.front().copied() {
                Some(reset) if us(reset.at_s) <= next => {
                    self.resets.pop_front();
                    self.reset(reset);
                }
                _ => self.now = next,
            }
        }
        self.out
    }
}

fn run(plan: &Plan) -> Outcome {
    World::new(plan).run()
}

// ---- Random plans ----

fn stay(place: Place, s: std::ops::Range<f64>) -> impl Strategy<Value = Stay> {
    let course = (0.3..30.0, prop_oneof![Just(0.0), 0.2..15.0], 60.0..1200.0);
    (s, course, 0.1..1.0, 3.0..20.0).prop_map(
        move |(s, (mid_m, amp_m, period_s), haul_m, haul_s)| Stay {
            place,
            s,
            mid_m,
            amp_m,
            period_s,
            haul_m,
            haul_s,
        },
    )
}

/// Now on deck, now at sea.
fn stays(most: usize) -> impl Strategy<Value = Vec<Stay>> {
    let deck = prop_oneof![stay(Place::Deck, 5.0..120.0), stay(Place::Deck, 60.0..900.0)];
    let sea = prop_oneof![stay(Place::Sea, 25.0..200.0), stay(Place::Sea, 100.0..1500.0)];
    (any::<bool>(), vec((deck, sea), 1..most)).prop_map(|(deck_last, pairs)| {
        let mut all: Vec<Stay> = pairs.into_iter().flat_map(|(deck, sea)| [deck, sea]).collect();
        if deck_last {
            all.push(DECK);
        }
        all
    })
}

/// Water that both sensors report: deeper than 3 m, more than a metre up and down in 10 min.
fn sure_sea() -> impl Strategy<Value = Stay> {
    (0.6..15.0, 0.3..20.0, 60.0..600.0).prop_map(|(amp_m, above_m, period_s)| Stay {
        mid_m: 3.0 + amp_m + above_m,
        amp_m,
        period_s,
        s: 1e6,
        ..SEA
    })
}

fn clock_fault() -> impl Strategy<Value = ClockFault> {
    let off = || prop_oneof![-30.0..30.0, -DAY_S * 30.0..DAY_S * 30.0, 1.0..5000.0];
    prop_oneof![
        off().prop_map(ClockFault::Step),
        Just(ClockFault::Stand),
        prop_oneof![0.0..4.0, 0.9..1.1, 4.0..2000.0].prop_map(ClockFault::Rate),
        (off(), prop_oneof![2_u64..30, Just(u64::MAX)])
            .prop_map(|(s, every)| ClockFault::Torn { s, every }),
        Just(ClockFault::Lost),
    ]
}

/// Parts of the plan's length stand for seconds.
fn wrong<F: std::fmt::Debug + Clone>(
    fault: impl Strategy<Value = F>,
) -> impl Strategy<Value = Wrong<F>> {
    let until = prop_oneof![Just(9e9), 0.0..1.0];
    (0_usize..3, prop_oneof![1 => Just(0.0), 4 => 0.0..1.0], until, fault)
        .prop_map(|(which, from_s, until_s, fault)| Wrong { which, from_s, until_s, fault })
}

impl Wrong<ClockFault> {
    /// An alarm by this clock comes no later than by a right one, as far as the clock goes.
    fn in_time(&self) -> bool {
        match self.fault {
            _ if self.which > 0 => true,
            ClockFault::Step(s) => s > 0.0,
            ClockFault::Rate(rate) => rate >= 1.0,
            ClockFault::Torn { .. } => true,
            ClockFault::Stand | ClockFault::Lost => false,
        }
    }

    /// The timer goes on at its rate.
    fn timer_goes(&self) -> bool {
        let at_rate = matches!(self.fault, ClockFault::Step(_) | ClockFault::Torn { .. });
        self.which > 0 || at_rate
    }
}

fn stretched<F>(mut wrong: Wrong<F>, length_s: f64) -> Wrong<F> {
    wrong.from_s *= length_s;
    wrong.until_s = if wrong.which == 0 { 9e9 } else { wrong.until_s * length_s };
    wrong
}

fn sensor_fault() -> impl Strategy<Value = SensorFault> {
    prop_oneof![
        Just(SensorFault::Stuck),
        Just(SensorFault::Silent),
        (0.5..60.0, any::<bool>()).prop_map(|(s, age)| SensorFault::Behind { s, age }),
        (1.2..60.0, any::<bool>()).prop_map(|(s, repeated)| SensorFault::Seldom { s, repeated }),
    ]
}

/// Resets; `at_s` is a part of the plan's length.
fn resets(most: usize, away_s: f64) -> impl Strategy<Value = Vec<Reset>> {
    let away = prop_oneof![4 => 0.0..20.0, 2 => 0.0..300.0, 1 => 0.0..away_s];
    let copy = prop_oneof![Just(0.0), 0.0..60.0];
    let unseen = prop_oneof![Just(60.0), Just(3600.0), 0.0..3600.0];
    vec((0.0..1.0, away, unseen, copy), 0..most).prop_map(|all| {
        let one = |(at_s, away_s, unseen_s, copy_s)| Reset { at_s, away_s, unseen_s, copy_s };
        all.into_iter().map(one).collect()
    })
}

/// Number of backups, and what is wrong with a clock.
type FittedClocks = (usize, Option<Wrong<ClockFault>>);

/// A clock that is wrong only where three, or two, are fitted.
fn fitted_clocks() -> impl Strategy<Value = FittedClocks> {
    (0_usize..3, option::weighted(0.8, wrong(clock_fault()))).prop_map(|(backups, mut clock)| {
        if let Some(wrong) = clock.as_mut() {
            wrong.which %= backups + 1;
        }
        (backups, clock.filter(|_| backups > 0))
    })
}

/// Runs a check over random plans; what it counts is added up.
fn attack<S: Strategy, const N: usize>(
    cases: u32,
    plans: S,
    check: impl Fn(&S::Value) -> Result<[u64; N], String>,
) -> [u64; N] {
    // `SWAYMARK_PLANS=20`: so many times as many plans; `SWAYMARK_PLANS_FROM`: others.
    let number = |name, or: u32| std::env::var(name).map_or(or, |n| n.parse().expect("a number"));
    let sums = RefCell::new([0; N]);
    let config = ProptestConfig {
        cases: cases * number("SWAYMARK_PLANS", 1),
        rng_seed: RngSeed::Fixed(number("SWAYMARK_PLANS_FROM", 1).into()),
        failure_persistence: None,
        max_shrink_iters: 3000,
        max_shrink_time: 20_000,
        ..ProptestConfig::default()
    };
    let result = TestRunner::new(config).run(&plans, |plan| {
        let counts = check(&plan).map_err(TestCaseError::fail)?;
        sums.borrow_mut().iter_mut().zip(counts).for_each(|(sum, n)| *sum += n);
        Ok(())
    });
    if let Err(TestError::Fail(reason, plan)) = &result {
        panic!("{reason}: {plan:?}");
    }
    result.unwrap();
    sums.into_inner()
}

fn held(holds: bool, what: &str, out: &Outcome) -> Result<(), String> {
    if holds { Ok(()) } else { Err(format!("{what}; first pulse {:?}", out.first_fire_us)) }
}

fn floor_plans() -> impl Strategy<Value = Plan> {
    let times = (120.0..1500.0, prop_oneof![Just(0.0), Just(0.5), Just(1.0)], 0.0..600.0);
    let seed = any::<u64>().no_shrink();
    let decided = option::of(prop_oneof![Just(0.0), 0.0..1500.0]);
    (seed, times, decided, any::<bool>(), fitted_clocks(), resets(8, 14_400.0), sure_sea())
        .prop_map(|(seed, times, decided_s, alarm_by_timer, (backups, clock), mut resets, sea)| {
            let (base_s, share, more_s) = times;
            let away_s: f64 = resets.iter().map(|reset| reset.away_s).sum();
            let floor_s = base_s + share * away_s;
            resets.iter_mut().for_each(|reset| reset.at_s *= floor_s);
            let clock = clock.map(|wrong| stretched(wrong, floor_s));
            let rules = (floor_s, floor_s + more_s, Settings::DEFAULT);
            let end_s = floor_s + more_s + 900.0;
            let swam = (seed % 3) as u8;
            Plan {
                seed,
                backups,
                clock,
                resets,
                rules,
                decided_s,
                alarm_by_timer,
                end_s,
                swam,
                ..plan(&[sea])
            }
        })
}

#[test]
fn no_pulse_comes_before_the_floor() {
    let [cases, pressed, fired, wrong, resets] = attack(4000, floor_plans(), |plan| {
        let out = run(plan);
        held(out.early == 0, "fired before the floor", &out)?;
        let fired = u64::from(out.first_fire_us.is_some());
        let wrong = fired * u64::from(plan.clock.is_some());
        Ok([1, u64::from(out.pressed_early > 30), fired, wrong, out.resets as u64])
    });
    println!("floor: {cases} pressed {pressed} fired {fired} wrong {wrong} resets {resets}");
    assert!(pressed > 1600 && fired > 1600 && wrong > 800 && resets > 4000);
}

fn air_plans(clock: bool) -> impl Strategy<Value = Plan> {
    let seed = any::<u64>().no_shrink();
    let times = (0.0..1.0, 0.0..0.5, option::of(0.0..1.0));
    let burn = (prop_oneof![Just(5.0_f32), 0.1_f32..10.0], 5.0_f32..300.0);
    let sensors =
        prop_oneof![6 => Just([true, true]), 1 => Just([true, false]), 1 => Just([false, true])];
    let sensing = (sensors, option::weighted(0.85, wrong(sensor_fault())), 0_u8..3, any::<bool>());
    let strike = (0_usize..6, 0.0..20.0).prop_map(|(nth, s)| (nth, s, Strike::Haul));
    let clocks = (fitted_clocks(), option::weighted(0.3, strike))
        .prop_map(move |((backups, wrong), strike)| (backups, wrong.filter(|_| clock), strike));
    (seed, stays(5), times, burn, sensing, clocks, resets(6, 1000.0), 1.0..30.0).prop_map(
        |(seed, stays, times, burn, sensing, (backups, clock, strike), mut resets, idle_s)| {
            let mut plan = plan(&stays);
            let length_s = plan.end_s;
            let (burn_s, verify_s) = burn;
            let release = Settings {
                burn_s,
                verify_s,
                rest_s: verify_s / 2.0,
                attempts: 40,
                ..Settings::DEFAULT
            };
            let floor_s = times.0 * times.0 * length_s;
            plan.rules = (floor_s, floor_s + times.1 * length_s, release);
            plan.decided_s = times.2.map(|part| part * length_s);
            (plan.sensors, plan.swam, plan.once) = (sensing.0, sensing.2, sensing.3);
            plan.sensor = sensing.1.filter(|_| plan.sensors == [true; 2]);
            plan.sensor = plan
                .sensor
                .map(|wrong| Wrong { which: wrong.which % 2, ..stretched(wrong, length_s) });
            resets.iter_mut().for_each(|reset| reset.at_s *= length_s);
            let clock = clock.map(|wrong| stretched(wrong, length_s));
            Plan { seed, backups, clock, strike, resets, idle_s, ..plan }
        },
    )
}

/// No poll in air gives `Fire`, and a pulse that the air breaks off ends within a poll, 1 s.
fn stays_safe_in_air(plan: &Plan) -> Result<[u64; 5], String> {
    let out = run(plan);
    let at = out.in_air.first().copied().unwrap_or(0);
    held(out.in_air.is_empty(), &format!("fired in air at {at} us"), &out)?;
    held(out.held_us <= SECOND_US + 10_000, "held into air", &out)?;
    let whole = |pulse: &Pulse| pulse.us as f64 >= 0.95e6 * f64::from(plan.rules.2.burn_s);
    let broken = out.pulses.iter().filter(|pulse| !whole(pulse) && !pulse.reset);
    // Of two clocks that differ, nothing tells which is right.
    let told = plan.clock.is_none() || plan.backups == 2;
    held(!told || broken.clone().all(|pulse| !pulse.counted), "a broken pulse counts", &out)?;
    let (fired, again) = (out.first_fire_us.is_some(), out.pressed_again > 0);
    let broken = broken.count() as u64;
    Ok([1, u64::from(out.pressed_air > 0), u64::from(fired), u64::from(again), broken])
}

fn no_pulse_in_air(what: &str, clock: bool, splash_s: f64) {
    let plans = air_plans(clock).prop_map(move |plan| Plan { splash_s, ..plan });
    let [cases, pressed, fired, again, broken] = attack(5000, plans, stays_safe_in_air);
    println!("{what}: {cases} pressed {pressed} fired {fired} again {again} broken {broken}");
    assert!(pressed > 2500 && fired > 2000 && again > 1500 && broken > 100);
}

#[test]
fn no_pulse_comes_in_air() {
    no_pulse_in_air("air", false, 4.0);
}

#[test]
fn no_pulse_comes_in_air_with_short_splashes() {
    no_pulse_in_air("air, splashes to 1.5 s", false, 1.5);
}

#[test]
fn no_pulse_comes_in_air_with_a_clock_wrong_too() {
    no_pulse_in_air("air, clock", true, 4.0);
}

#[test]
fn no_pulse_comes_in_air_with_short_splashes_and_a_clock_wrong_too() {
    no_pulse_in_air("air, clock, splashes to 1.5 s", true, 1.5);
}

fn silence(value: bool, sea: bool) -> Surroundings {
    let depth_m = value.then_some(if sea { 12.0 } else { 0.0 });
    Surroundings { wet: value.then_some(sea), depth_m, depth_age_us: 0, swam: sea }
}

/// Two tags, one from the sea, one from the deck; after a reset both sense what `plan` says.
fn history_counts_for_nothing(plan: &(Plan, u64)) -> Result<[u64; 3], String> {
    let (plan, before_s) = plan;
    let mut world = World::new(plan);
    let at = |t: u64| Clocks { timer_us: t, backup_us: [Some(t + 7), Some(t + 9)] };
    let mut both = [Guardian::new(&at(0)); 2];
    let floor_us = (before_s + 30) * SECOND_US;
    let rules = Rules { floor_us, ceiling_us: floor_us, release: plan.rules.2 };
    for second in 1..*before_s {
        let clocks = at(second * SECOND_US);
        let climb = (second % 300) as f32 / 30.0;
        for (tag, sea) in both.iter_mut().zip([true, false]) {
            let mut around = silence(true, sea);
            around.depth_m = around.depth_m.map(|m| if sea { m + climb } else { m });
            tag.clock.tick(&clocks, 0);
            tag.poll(&rules, &around, None);
        }
    }
    let away = before_s * SECOND_US;
    let clocks = |t: u64| Clocks { timer_us: t, ..at(t + away) };
    for tag in &mut both {
        tag.resume(&clocks(0), 0, &rules);
    }
    let (mut fired, mut knew) = (0, 0);
    for second in 1..(plan.end_s as u64) {
        world.now = second * SECOND_US;
        let around = world.sense();
        let pulls = both.each_mut().map(|tag| {
            tag.clock.tick(&clocks(world.now), 0);
            tag.poll(&rules, &around, None).pull
        });
        if pulls[0] == Pull::Fire && pulls[1] != Pull::Fire {
            return Err(format!("fired {second} s after the reset by what was known before"));
        }
        fired |= u64::from(pulls[0] == Pull::Fire);
        knew |= u64::from(pulls[0] == Pull::Off);
    }
    Ok([1, fired, knew])
}

#[test]
fn a_reset_forgets_the_water() {
    let plans = (air_plans(false), 100_u64..1500).prop_map(|(plan, s)| (plan, s));
    let [cases, fired, waited] = attack(600, plans, history_counts_for_nothing);
    println!("forget: {cases} fired {fired} waited {waited}");
    assert!(fired > 150 && waited > 500);
}

#[test]
fn silence_after_a_reset_waits_for_a_day_past_the_ceiling() {
    let plans = (any::<u64>().no_shrink(), fitted_clocks(), 0.0..600.0_f64, 0_u8..3, sure_sea());
    let check = |plan: &(u64, FittedClocks, f64, u8, Stay)| {
        let (seed, (backups, clock), reset_s, kind, sea) = *plan;
        let mut plan = self::plan(&[sea]);
        (plan.seed, plan.backups, plan.end_s) = (seed, backups, DAY_S + 3000.0);
        plan.clock = clock.map(|wrong| stretched(wrong, plan.end_s));
        plan.rules = (900.0, 900.0, Settings { verify_s: 7200.0, rest_s: 7200.0, ..plan.rules.2 });
        plan.resets = vec![Reset { at_s: reset_s, away_s: 5.0, unseen_s: 3600.0, copy_s: 0.0 }];
        let mut world = World::new(&plan);
        let (mut fired, mut next) = (0, SECOND_US);
        let mut reset = false;
        while world.now < us(plan.end_s) {
            world.now = next;
            if !reset && world.now >= us(reset_s) {
                reset = true;
                world.reset(plan.resets[0]);
            }
            let around = match (reset, kind) {
                (_, 2) | (true, _) => Surroundings::default(),
                (false, _) => world.sense(),
            };
            let clocks = world.clocks();
            world.guardian.clock.tick(&clocks, 0);
            let pull = world.guardian.poll(&world.rules, &around, None).pull;
            if pull == Pull::Fire && (world.now < us(900.0 + DAY_S) || kind == 2) {
                return Err(format!("fired without a sign {} us, kind {kind}", world.now));
            }
            fired |= u64::from(pull == Pull::Fire);
            next = world.now + SECOND_US;
        }
        Ok([1, fired, u64::from(kind == 2)])
    };
    let [cases, fired, mute] = attack(60, plans, check);
    println!("silence: {cases} fired {fired} mute {mute}");
    assert!(fired > 5 && mute > 8);
}

/// A clock is wrong only beside two right ones: of two that differ, nothing tells which is right.
fn pulse_plans(alarm_by_timer: bool) -> impl Strategy<Value = Plan> {
    let burn = prop_oneof![0.1_f32..1.0, 0.1_f32..10.0];
    let strike = option::weighted(0.8, (0_usize..3, -0.3..1.1_f64, 0_u8..5));
    let seed = any::<u64>().no_shrink();
    (seed, burn, strike, fitted_clocks(), sure_sea()).prop_map(
        move |(seed, burn_s, strike, (backups, clock), sea)| {
            let release = Settings { burn_s, verify_s: 20.0, rest_s: 5.0, ..Settings::DEFAULT };
            let strike = strike.map(|(nth, part, kind)| {
                let kind =
                    [Strike::Clock, Strike::Haul, Strike::Reset][kind.saturating_sub(2) as usize];
                (nth, part.max(0.0) * f64::from(burn_s), kind)
            });
            // The clock goes wrong in a pulse where the plan strikes there, else before.
            let late_s = if matches!(strike, Some((_, _, Strike::Clock))) { 9e9 } else { 0.0 };
            let timely = |wrong: &Wrong<ClockFault>| !alarm_by_timer || wrong.in_time();
            let clock = clock.filter(|wrong| backups == 2 && timely(wrong)).map(|wrong| {
                let wrong = stretched(wrong, 400.0);
                Wrong {
                    from_s: wrong.from_s.max(late_s),
                    until_s: wrong.until_s.max(late_s),
                    ..wrong
                }
            });
            let rules = (240.0, 300.0, release);
            let end_s = 480.0;
            Plan { seed, backups, clock, strike, rules, alarm_by_timer, end_s, ..plan(&[sea]) }
        },
    )
}

fn pulses_last_as_set(plan: &Plan) -> Result<[u64; 5], String> {
    let out = run(plan);
    let burn_us = 1e6 * f64::from(plan.rules.2.burn_s);
    let [mut counted, mut broken, mut uncounted] = [0; 3];
    for pulse in out.pulses.iter().filter(|pulse| !pulse.reset) {
        let share = pulse.us as f64 / burn_us;
        let fits = (0.95..=1.10).contains(&share);
        held(!pulse.counted || fits, &format!("a pulse of {share}"), &out)?;
        counted += u64::from(pulse.counted);
        broken += u64::from(share < 0.95);
        uncounted += u64::from(!pulse.counted && share > 1.10);
    }
    Ok([1, counted, broken, uncounted, u64::from(plan.clock.is_some()) * counted])
}

#[test]
fn pulses_last_as_set_whatever_one_clock_does() {
    let [cases, counted, broken, long, wrong] =
        attack(2500, pulse_plans(false), pulses_last_as_set);
    println!(
        "pulses: {cases} counted {counted} broken {broken} uncounted long {long} wrong {wrong}"
    );
    assert!(counted > 4000 && broken > 20 && wrong > 1500 && long == 0);
}

#[test]
fn pulses_last_as_set_where_the_wrong_clock_sets_the_alarm() {
    let [cases, counted, broken, long, wrong] = attack(2500, pulse_plans(true), pulses_last_as_set);
    println!(
        "pulses, alarm: {cases} counted {counted} broken {broken} uncounted long {long} wrong {wrong}"
    );
    assert!(counted > 4000 && broken > 20 && wrong > 1500 && long == 0);
}

/// Deck, then the sea for long; three clocks with one wrong, or fewer and right ones.
fn due_plans(apart_s: f64, sensor: u8, timer_goes: bool) -> impl Strategy<Value = Plan> {
    let times = (1200.0..5000.0, 0.0..1500.0, option::of(0.0..5000.0));
    let gaps = (vec((apart_s..apart_s + 900.0, 0.0..100.0, 0.0..60.0), 0..12), any::<bool>());
    let seed = any::<u64>().no_shrink();
    let fault = prop_oneof![Just(SensorFault::Stuck), Just(SensorFault::Silent)];
    (seed, sure_sea(), times, fitted_clocks(), wrong(fault), gaps, (0.0..300.0, 1.0..30.0))
        .prop_map(
            move |(seed, sea, times, (backups, clock), fault, (gaps, none), (deck_s, idle_s))| {
                let mut plan = plan(&[Stay { s: deck_s, ..DECK }, sea]);
                let (floor_s, more_s, decided_s) = times;
                plan.rules = (floor_s, floor_s + more_s, Settings::DEFAULT);
                plan.clock = clock
                    .filter(|wrong| backups == 2 && wrong.timer_goes() == timer_goes)
                    .map(|wrong| stretched(wrong, 6000.0));
                let mut at_s = deck_s;
                for (gap_s, away_s, copy_s) in gaps.into_iter().filter(|_| !none) {
                    at_s += gap_s;
                    plan.resets.push(Reset { at_s, away_s, unseen_s: 60.0, copy_s });
                    at_s += away_s + 1.3;
                }
                let due_s = decided_s.unwrap_or(9e9_f64).max(floor_s).min(floor_s + more_s);
                let faulty = |stuck_dry: bool| Wrong {
                    which: if stuck_dry { WET } else { fault.which % 2 },
                    // Stuck on deck it reads dry and 0 m; at sea what it read there.
                    from_s: if stuck_dry {
                        fault.from_s * deck_s
                    } else {
                        deck_s + 5.0 + fault.from_s * due_s
                    },
                    until_s: 9e9,
                    fault: if stuck_dry { SensorFault::Stuck } else { fault.fault },
                };
                plan.sensor = match sensor {
                    0 => None,
                    1 => Some(faulty(false)),
                    2 => Some(Wrong { which: DEPTH, ..faulty(true) }),
                    _ => Some(faulty(true)),
                };
                plan.end_s = due_s + 4500.0;
                Plan { seed, backups, decided_s, idle_s, ..plan }
            },
        )
}

fn fires_within(plan: &Plan, within_s: f64) -> Result<[u64; 4], String> {
    let mut plan = plan.clone();
    let (floor_s, ceiling_s, _) = plan.rules;
    let due_s = plan.decided_s.unwrap_or(9e9).max(floor_s).min(ceiling_s);
    let away_s: f64 = plan.resets.iter().map(|reset| reset.away_s + reset.copy_s + 1.3).sum();
    plan.end_s = due_s + within_s + away_s + 40.0;
    let out = run(&plan);
    let at_s = out.first_fire_us.map_or(plan.end_s, |at| at as f64 / 1e6);
    let late_s = at_s - due_s - out.away_us as f64 / 1e6;
    held(out.early == 0, "fired before the floor", &out)?;
    held(late_s <= within_s, &format!("fired {late_s} s late, due at {due_s}"), &out)?;
    let [wrong, reset] = [plan.clock.is_some(), !plan.resets.is_empty()].map(u64::from);
    Ok([1, wrong, reset, u64::from(out.first_fire_us.is_some())])
}

fn fire_in_time(what: &str, plans: impl Strategy<Value = Plan>, within_s: f64) {
    let [cases, wrong, reset, fired] = attack(1000, plans, |plan| fires_within(plan, within_s));
    println!("{what}: {cases} wrong clock {wrong} reset {reset} fired {fired}");
    assert!(wrong > 30 && reset > 300 && fired == cases);
}

#[test]
fn in_sure_water_a_pulse_comes_in_time() {
    fire_in_time("sure water", due_plans(120.0, 0, true), 120.0);
}

#[test]
fn in_sure_water_a_timer_that_stands_or_drifts_does_not_hold_the_pulse() {
    fire_in_time("sure water, timer", due_plans(120.0, 0, false), 120.0);
}

#[test]
fn with_one_sensor_wrong_a_pulse_comes_in_time() {
    fire_in_time("one sensor wrong", due_plans(120.0, 1, true), 120.0);
}

#[test]
fn with_depth_stuck_from_the_deck_a_pulse_comes_in_time() {
    fire_in_time("depth stuck at 0", due_plans(120.0, 2, true), 120.0);
}

#[test]
fn with_wet_stuck_dry_a_pulse_comes_within_12_minutes() {
    fire_in_time("wet stuck dry", due_plans(720.0, 3, true), 720.0);
}

// ---- Named situations ----

fn safe(plan: &Plan) -> Outcome {
    let out = run(plan);
    assert!(out.in_air.is_empty(), "fired in air at {:?} us", out.in_air.first());
    assert_eq!(out.early, 0, "first pulse {:?}", out.first_fire_us);
    out
}

fn for_s(stay: Stay, s: f64) -> Stay {
    Stay { s, ..stay }
}

#[test]
fn deck_again_then_a_reset() {
    for at in 0..40 {
        let mut plan = plan(&[DECK, for_s(SEA, 1500.0), for_s(DECK, 1200.0), for_s(SEA, 600.0)]);
        let at_s = 2080.0 + f64::from(at) * 15.0;
        plan.resets =
            vec![Reset { at_s, away_s: 3.0, unseen_s: 60.0, copy_s: f64::from(at) * 1.5 }];
        let out = safe(&plan);
        assert!(out.pressed_air > 1000 && out.pressed_again > 1000, "{out:?}");
    }
}

#[test]
fn deck_less_than_20_minutes_before_the_ceiling() {
    for before in 0..40 {
        let deck_s = 1800.0 - f64::from(before) * 30.0;
        let out = safe(&plan(&[for_s(SEA, deck_s), for_s(DECK, 3000.0)]));
        assert!(out.pressed_air > 1000, "{out:?}");
    }
}

#[test]
fn one_backup_steps_200_000_s_during_a_reset() {
    for which in 1..3 {
        let mut plan = plan(&[for_s(SEA, 4000.0)]);
        let fault = ClockFault::Step(200_000.0);
        plan.clock = Some(Wrong { which, from_s: 330.0, until_s: 9e9, fault });
        plan.decided_s = Some(0.0);
        plan.resets = vec![Reset { at_s: 300.0, away_s: 60.0, unseen_s: 3600.0, copy_s: 0.0 }];
        let out = safe(&plan);
        assert!(out.pressed_early > 100 && out.first_fire_us.is_some(), "{out:?}");
    }
}

#[test]
fn a_torn_reading_with_one_backup_left() {
    for (s, which) in [(3e5, 1), (-3e5, 1), (3e5, 0), (-3e5, 0), (500.0, 1), (-100.0, 1)] {
        for from_s in 0..60 {
            let mut plan = plan(&[for_s(SEA, 2500.0)]);
            let fault = ClockFault::Torn { s, every: u64::MAX };
            let from_s = f64::from(from_s) * 10.0;
            plan.clock = Some(Wrong { which, from_s, until_s: 9e9, fault });
            (plan.backups, plan.decided_s) = (1, Some(0.0));
            plan.resets = vec![Reset { at_s: 299.0, away_s: 10.0, unseen_s: 60.0, copy_s: 0.0 }];
            let out = safe(&plan);
            assert!(out.pressed_early > 300 && out.first_fire_us.is_some(), "{from_s} {out:?}");
        }
    }
}

/// Two looks at one reading of the timer, a torn backup between: the others stood only because
/// no time passed.
#[test]
fn a_torn_reading_with_no_time_between_two_looks() {
    let at = |timer_us, first, second| Clocks { timer_us, backup_us: [Some(first), second] };
    for second in [None, Some(700)] {
        let mut guardian = Guardian::new(&at(0, 1000, second));
        guardian.clock.tick(&at(0, 1000 + 100 * SECOND_US, second), 0);
        assert_eq!(guardian.clock.least_us(), 0, "second {second:?}");
    }
}

/// Backups that count whole seconds are right; the timer alone runs four times as fast.
#[test]
fn a_fast_timer_beside_backups_of_whole_seconds() {
    let at = |ms: u64| {
        let whole = Some(ms / 1000 * SECOND_US);
        Clocks { timer_us: ms * 4000, backup_us: [whole, whole] }
    };
    let mut guardian = Guardian::new(&at(0));
    for ms in (0..600_000).step_by(250) {
        guardian.clock.tick(&at(ms), 0);
        let least_us = guardian.clock.least_us();
        assert!(least_us <= (ms + 1000) * 1000, "{least_us} us after {ms} ms");
    }
}

#[test]
fn no_backup_and_40_power_resets() {
    let mut plan = plan(&[for_s(SEA, 9000.0)]);
    (plan.backups, plan.decided_s) = (0, Some(0.0));
    let one =
        |n: u32| Reset { at_s: f64::from(n) * 75.0, away_s: 40.0, unseen_s: 3600.0, copy_s: 30.0 };
    plan.resets = (1..41).map(one).collect();
    plan.rules = (3600.0, 3600.0, Settings::DEFAULT);
    let out = safe(&plan);
    assert!(out.resets == 40 && out.pressed_early > 1000 && out.first_fire_us.is_some(), "{out:?}");
}

#[test]
fn picked_up_with_a_sensor_stuck_as_at_sea() {
    for (which, back_s) in [(WET, 0.0), (WET, 60.0), (DEPTH, 0.0), (DEPTH, 10.0), (DEPTH, 300.0)] {
        for reset in [false, true] {
            let mut plan = plan(&[DECK, for_s(SEA, 2000.0), for_s(DECK, 2000.0)]);
            let fault = SensorFault::Stuck;
            plan.sensor = Some(Wrong { which, from_s: 2590.0 - back_s, until_s: 9e9, fault });
            let one = Reset { at_s: 3000.0, away_s: 3.0, unseen_s: 60.0, copy_s: 0.0 };
            plan.resets = vec![one; usize::from(reset)];
            let out = safe(&plan);
            assert!(out.pressed_again > 1000, "{out:?}");
        }
    }
}

#[test]
fn wet_is_read_less_often_than_the_tag_polls() {
    for s in [1.5, 3.0, 5.0, 10.0, 30.0, 60.0] {
        for cut in 0..20 {
            let sea = for_s(SEA, 1290.0 + f64::from(cut) * 0.7);
            let mut plan = plan(&[DECK, sea, DECK, for_s(SEA, 400.0)]);
            plan.rules = (600.0, 1880.0, Settings { burn_s: 10.0, ..Settings::DEFAULT });
            let fault = SensorFault::Seldom { s, repeated: false };
            plan.sensor = Some(Wrong { which: WET, from_s: 0.0, until_s: 9e9, fault });
            let out = safe(&plan);
            assert!(out.pressed_air > 500 && out.first_fire_us.is_some(), "{s} {out:?}");
        }
    }
}

#[test]
fn pulses_of_300_ms() {
    let release = Settings { burn_s: 0.3, verify_s: 20.0, rest_s: 5.0, ..Settings::DEFAULT };
    let plan = Plan { rules: (600.0, 700.0, release), ..plan(&[for_s(SEA, 3000.0)]) };
    let [_, counted, _, long, _] = pulses_last_as_set(&plan).unwrap();
    assert!(counted == 12 && long == 0, "{counted} {long}");
}

/// One reading of the timer is torn, 500 s ahead, near the poll that begins a pulse of 0.3 s; the
/// tag polls when the timer reads what was asked for.
#[test]
fn one_torn_timer_reading_as_a_pulse_begins() {
    let release = Settings { burn_s: 0.3, verify_s: 20.0, rest_s: 5.0, ..Settings::DEFAULT };
    let mut counted = 0;
    for quarter in 0..240 {
        let fault = ClockFault::Torn { s: 500.0, every: u64::MAX };
        let from_s = 300.0 + f64::from(quarter) / 4.0;
        let plan = Plan {
            rules: (240.0, 300.0, release),
            clock: Some(Wrong { which: 0, from_s, until_s: 9e9, fault }),
            alarm_by_timer: true,
            ..plan(&[for_s(SEA, 400.0)])
        };
        counted += pulses_last_as_set(&plan).unwrap()[1];
    }
    assert!(counted > 200);
}

/// Wet falls silent between the ceiling and the first pulse.
#[test]
fn wet_falls_silent_just_behind_the_ceiling() {
    let sea = Stay { mid_m: 3.9, amp_m: 0.6, period_s: 60.0, ..for_s(SEA, 4000.0) };
    for after_s in -10..60 {
        let mut plan = plan(&[DECK, sea]);
        plan.rules = (1200.0, 1800.0, Settings::DEFAULT);
        let from_s = 1800.0 + f64::from(after_s);
        let fault = SensorFault::Silent;
        plan.sensor = Some(Wrong { which: WET, from_s, until_s: 9e9, fault });
        fires_within(&plan, 120.0).unwrap();
    }
}

/// Both sensors are right and two backups go; the timer stands from some moment on.
#[test]
fn the_timer_stands_in_sure_water() {
    for from_s in [0.0, 5.0, 100.0, 900.0, 1790.0, 1801.0, 1815.0] {
        let mut plan = plan(&[for_s(SEA, 3600.0)]);
        let fault = ClockFault::Stand;
        plan.clock = Some(Wrong { which: 0, from_s, until_s: 9e9, fault });
        fires_within(&plan, 120.0).unwrap_or_else(|e| panic!("stands at {from_s} s: {e}"));
    }
}

/// Depth sticks at sea, and splashes of 3 s wet the tag on deck, one in 100 s.
#[test]
fn a_splash_on_deck_beside_a_depth_stuck_deep() {
    let release = Settings::DEFAULT;
    let rules = Rules { floor_us: 0, ceiling_us: 600 * SECOND_US, release };
    let at = |t: u64| Clocks { timer_us: t, backup_us: [Some(t + 7), Some(t + 9)] };
    let mut guardian = Guardian::new(&at(0));
    for second in 1..2000_u64 {
        let sea = second < 500;
        let depth_m = if second < 400 { 5.0 + (second % 100) as f32 / 20.0 } else { 7.0 };
        let around = Surroundings {
            wet: Some(sea || second % 100 < 3),
            depth_m: Some(depth_m),
            depth_age_us: 0,
            swam: false,
        };
        let clocks = at(second * SECOND_US);
        guardian.clock.tick(&clocks, 0);
        let pull = guardian.poll(&rules, &around, None).pull;
        assert!(sea || pull != Pull::Fire, "fired on deck {} s after the sea", second - 500);
    }
}
