//! Plans drawn at random, for the study of many.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::plan::{Drawn, Fault, How, Kind, Region, Which, WhichClock};

const SECOND_US: f64 = 1e6;
const HOUR_US: f64 = 3.6e9;

/// What kind of plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Harshness {
    /// Nothing that takes more than minutes of evidence: short resets, bus errors
    /// of seconds, one wrong clock, one worn sector a region, a lost wet sensor.
    Mild,
    /// Anything: also hours away, sensors that fail for good, time on deck, a low
    /// cell, a link that does not part.
    Harsh,
}

/// Draws the plan of a seed for a deployment of so many hours.
pub fn plan(seed: u64, harshness: Harshness, hours: f64) -> Drawn {
    let mut d = Draw { rng: ChaCha8Rng::seed_from_u64(seed), hours, faults: Vec::new() };
    let harsh = harshness == Harshness::Harsh;
    d.resets(harsh);
    d.buses(harsh);
    if harsh && d.chance(0.3) {
        // One backup counter, or none, is fitted.
        d.faults.push((0, Fault::Lost { which: WhichClock::Second }));
        if d.chance(0.4) {
            d.faults.push((0, Fault::Lost { which: WhichClock::First }));
        }
    }
    d.clocks();
    for region in [Region::Copies, Region::Vitals] {
        if d.chance(0.3) {
            let part = d.rng.random::<f64>();
            d.at(Fault::Worn { region, part });
        }
    }
    d.sensors(harsh);
    let mut drawn = Drawn { seed, ..Drawn::default() };
    if d.chance(0.4) {
        let until_us = d.far();
        let chance = d.between(0.2, 1.0);
        let left = d.between(0.0, 0.4) as f32;
        let cell_left = (harsh && d.chance(0.3)).then_some(left);
        d.at(Fault::Sag { until_us, chance, cell_left });
    }
    if d.chance(0.3) {
        drawn.fails = d.rng.random_range(1..15);
    }
    if harsh && d.chance(0.4) {
        drawn.deck_us.push((0, (d.log(0.02, hours) * HOUR_US) as u64));
    }
    if harsh && d.chance(0.5) {
        // Picked up again, once or often, now and then just before the ceiling.
        for _ in 0..d.rng.random_range(1..5) {
            let from_h =
                if d.chance(0.3) { hours - d.log(0.1, 3.0) } else { d.between(0.0, hours) };
            let to_h = from_h + d.log(0.02, 6.0);
            drawn.deck_us.push(((from_h * HOUR_US) as u64, (to_h * HOUR_US) as u64));
        }
    }
    d.faults.sort_by_key(|(at_us, _)| *at_us);
    drawn.faults = d.faults;
    drawn
}

struct Draw {
    rng: ChaCha8Rng,
    hours: f64,
    faults: Vec<(u64, Fault)>,
}

impl Draw {
    fn chance(&mut self, p: f64) -> bool {
        self.rng.random::<f64>() < p
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.rng.random::<f64>()
    }

    /// Evenly on a logarithmic scale.
    fn log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    fn time_us(&mut self) -> u64 {
        (self.between(0.0, self.hours) * HOUR_US) as u64
    }

    fn far(&mut self) -> u64 {
        let length_us = self.log(0.1, 2.0 * self.hours) * HOUR_US;
        self.time_us() + length_us as u64
    }

    fn at(&mut self, fault: Fault) {
        let at_us = self.time_us();
        self.faults.push((at_us, fault));
    }

    fn resets(&mut self, harsh: bool) {
        for _ in 0..self.rng.random_range(0..if harsh { 12 } else { 6 }) {
            let power = self.chance(0.6);
            let longest_s = if harsh { 4.0 * 3600.0 } else { 300.0 };
            let away_s = if power { self.log(1.0, longest_s) } else { self.between(0.1, 5.0) };
            let fault = Fault::Reset {
                kind: if power { Kind::Power } else { Kind::Watchdog },
                away_us: (away_s * SECOND_US) as u64,
                mid_write: self.chance(0.5),
            };
            self.at(fault);
        }
    }

    fn buses(&mut self, harsh: bool) {
        for _ in 0..self.rng.random_range(0..20) {
            let lasts_s = self.log(0.05, if harsh { 1800.0 } else { 20.0 });
            let at_us = self.time_us();
            let until_us = at_us + (lasts_s * SECOND_US) as u64;
            self.faults.push((at_us, Fault::Bus { until_us }));
        }
    }

    /// One clock of the three goes wrong: the tag promises no more.
    fn clocks(&mut self) {
        if !self.chance(0.5) {
            return;
        }
        let which =
            [WhichClock::Timer, WhichClock::First, WhichClock::Second][self.rng.random_range(0..3)];
        for _ in 0..self.rng.random_range(1..6) {
            let size_s = self.log(0.1, 48.0 * 3600.0);
            let back = if self.chance(0.5) { -1.0 } else { 1.0 };
            self.at(Fault::Step { which, step_us: (back * size_s * SECOND_US) as i64 });
        }
        if which != WhichClock::Timer && self.chance(0.3) {
            self.at(Fault::Lost { which });
        }
    }

    fn sensors(&mut self, harsh: bool) {
        let kinds: &[Which] =
            if harsh { &[Which::Accel, Which::Depth, Which::Wet] } else { &[Which::Wet] };
        for &which in kinds {
            if !self.chance(0.25) {
                continue;
            }
            let how = if self.chance(0.5) { How::Silent } else { How::Stuck };
            let at_us = self.time_us();
            let until_us = if self.chance(0.5) { self.far() } else { u64::MAX };
            self.faults.push((at_us, Fault::Sensor { which, how, until_us }));
        }
    }
}
