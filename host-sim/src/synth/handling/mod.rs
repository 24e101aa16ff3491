//! A record before its animal is set free and after its package is picked up.
//!
//! The animal's part is run as it is without this, and moved to later times; what is put
//! before and after it is drawn from streams of its own, and goes through the same sensor.
//! The temperature of the housing starts anew at the release.

mod motion;
mod pendulum;
mod plan;
mod scene;
#[cfg(test)]
mod tests;
mod wet;

use super::draws::{Draws, Part, Wander};
use super::engine::Sink;
use super::faults::{Row, Spoiler};
use super::plan::Plan;
use super::posture::Rotation;
use super::sensor::Sensor;
use super::truth::{Event, Happening};
use motion::Motion;
use plan::{After, Handled};
use scene::{Place, Scene};
use wet::Wet;

/// How far a package in the sun and a change of weather take the reading of depth, m.
const AIR_DRIFT_M: f64 = 0.08;
/// Farthest that weather and hills take it together, m.
const AIR_MOST_M: f64 = 0.22;

/// What was put before and after the animal's part.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Done {
    /// Time of the release, s from the start: a whole number of minutes.
    pub(super) released_s: f64,
    /// When the package is picked up, s from the start.
    pub(super) picked_up_s: Option<f64>,
    /// Length of the record, s.
    pub(super) lasts_s: f64,
}

/// How long the stretch before the release of a plan is, s: a whole number of minutes, 0 to 8 h.
pub(super) fn before_s(plan: &Plan) -> f64 {
    Handled::draw(plan).before_s()
}

/// Runs a plan with what comes before and after it.
pub(super) fn run<S: Sink>(plan: &Plan, sink: &mut S) -> Result<Done, S::Error> {
    let handled = Handled::draw(plan);
    let hz = plan.sensor.sample_hz;
    let released_s = handled.before_s();
    let mut after_draws = handled.draws.clone();
    let mut player = Player::new(plan, handled.draws);
    let first = (released_s * hz).round() as u64;
    player.play(&handled.before, 0..first, 0.0, sink)?;
    let event = |t_s, what, end_s| Event { t_s, what, end_s };
    sink.event(&event(released_s, Happening::Released, None))?;
    let mut shifted = Shifted { sink, first, by_s: released_s, last: None, off: false };
    super::engine::run(plan, &mut shifted)?;
    let (last, off) = (shifted.last, shifted.off);
    let Some(last) = last else {
        return Ok(Done { released_s, picked_up_s: None, lasts_s: released_s });
    };
    let next = first + (plan.hours * 3600.0 * hz).floor() as u64 + 1;
    let from_s = next as f64 / hz;
    let rise_m_s = plan.package.speed_m_s;
    let (scenes, picked_up) =
        plan::after(handled.after, last.below_m.max(0.0), rise_m_s, &mut after_draws);
    let starts = |n: usize| from_s + scenes[..n].iter().map(|s| s.lasts_s).sum::<f64>();
    let picked_up_s = picked_up.map(starts);
    let lasts_s = starts(scenes.len());
    if handled.after == After::LetsGo {
        if !off {
            sink.event(&event(from_s, Happening::Detached, None))?;
        }
        let floats = scenes.iter().position(|s| s.name == "floating").map(starts);
        if let Some(t_s) = floats {
            sink.event(&event(t_s, Happening::Surface, picked_up_s))?;
        }
    }
    if let Some(t_s) = picked_up_s {
        sink.event(&event(t_s, Happening::PickedUp, None))?;
    }
    player.enter(last, released_s);
    player.play(&scenes, next..(lasts_s * hz).floor() as u64 + 1, from_s, sink)?;
    Ok(Done { released_s, picked_up_s, lasts_s })
}

/// Moves the animal's part to its place.
struct Shifted<'a, S> {
    sink: &'a mut S,
    first: u64,
    by_s: f64,
    last: Option<Row>,
    /// The tag has come off its animal.
    off: bool,
}

impl<S: Sink> Sink for Shifted<'_, S> {
    type Error = S::Error;

    fn row(&mut self, row: &Row) -> Result<(), S::Error> {
        let kept = self.last.unwrap_or(*row);
        // The readings last known, for a fault that goes on.
        self.last = Some(Row {
            depth_cm: row.depth_cm.or(kept.depth_cm),
            temp_cc: row.temp_cc.or(kept.temp_cc),
            ..*row
        });
        self.sink.row(&Row { tick: row.tick + self.first, ..*row })
    }

    fn event(&mut self, e: &Event) -> Result<(), S::Error> {
        self.off |= e.what == Happening::Detached;
        let end_s = e.end_s.map(|t| t + self.by_s);
        self.sink.event(&Event { t_s: e.t_s + self.by_s, what: e.what, end_s })
    }

    fn at_once(&mut self, e: &Event) {
        let end_s = e.end_s.map(|t| t + self.by_s);
        self.sink.at_once(&Event { t_s: e.t_s + self.by_s, what: e.what, end_s });
    }
}

/// Plays scenes through the sensor of a plan.
struct Player<'a> {
    plan: &'a Plan,
    d: Draws,
    d_noise: Draws,
    d_faults: Draws,
    spoiler: Option<Spoiler>,
    /// When the animal was released on the clock of the record, s.
    released_s: f64,
    held: Rotation,
    below_m: f64,
    temp_c: f64,
    air_c: f64,
    drift: Wander,
    drift_m: f64,
    wet: Wet,
}

impl<'a> Player<'a> {
    fn new(plan: &'a Plan, mut d: Draws) -> Self {
        let held = super::mounting::about(d.direction(), d.angle());
        let air_c = plan.extras.air_c.unwrap_or(20.0);
        Self {
            d_noise: Draws::new(&plan.scenario, plan.seed, Part::HandlingSensor),
            d_faults: Draws::new(&plan.scenario, plan.seed, Part::HandlingFaults),
            spoiler: None,
            released_s: f64::INFINITY,
            held,
            below_m: 0.0,
            temp_c: air_c,
            air_c,
            drift: Wander::new(AIR_DRIFT_M, 1500.0, 1.0),
            drift_m: 0.0,
            wet: Wet::new(&mut d),
            plan,
            d,
        }
    }

    /// Goes on from the end of the animal's part.
    fn enter(&mut self, last: Row, released_s: f64) {
        self.released_s = released_s;
        self.held = Rotation::IDENTITY;
        self.below_m = last.below_m.max(0.0);
        self.temp_c = last.temp_cc.map_or(self.temp_c, |c| c as f64 / 100.0);
        let fault = self.plan.fault.clone();
        let mut spoiler = Spoiler::new(fault, &self.plan.sensor, &mut self.d_faults);
        // It learns the reading that a stuck axis or a frozen depth holds.
        let mut row = last;
        spoiler.spoil(-1.0, &mut row, &mut self.d_faults);
        self.spoiler = Some(spoiler);
    }

    /// Plays `scenes` one after another from `from_s`, and writes the samples of `ticks`.
    fn play<S: Sink>(
        &mut self,
        scenes: &[Scene],
        ticks: std::ops::Range<u64>,
        from_s: f64,
        sink: &mut S,
    ) -> Result<(), S::Error> {
        let (kind, step_s) = (self.plan.sensor, self.plan.extras.pace.step_s);
        let mut sensor = Sensor::new(kind, step_s);
        let aged_s = (from_s - self.released_s).max(0.0);
        sensor.noise_part = 1.0 + self.plan.extras.mounting.noise_growth_s * aged_s;
        let (mut tick, mut t_s, mut end_s) = (ticks.start, from_s, from_s);
        let mut before: Option<[f64; 3]> = None;
        for scene in scenes {
            end_s += scene.lasts_s;
            let place = scene.place;
            let start = (t_s, self.below_m, self.held);
            let mut motion = Motion::new(scene.clone(), self.plan, start, &mut self.d);
            // Samples are stamped for the delay of the filter.
            while tick < ticks.end && t_s < end_s + sensor.delay_s {
                let force = motion.step(t_s, &mut self.d);
                let old = *before.get_or_insert_with(|| {
                    sensor.settle(force);
                    force
                });
                let now = sensor.pass(force);
                while tick < ticks.end && tick as f64 / kind.sample_hz + sensor.delay_s <= t_s {
                    let due = tick as f64 / kind.sample_hz + sensor.delay_s;
                    let y = (1.0 - (t_s - due) / step_s).clamp(0.0, 1.0);
                    let at = [0, 1, 2].map(|k| old[k] + y * (now[k] - old[k]));
                    let row = self.row(tick, at, &sensor, &mut motion, place);
                    sensor.drift_g =
                        self.plan.extras.mounting.offset_g_c.map(|c| c * (self.temp_c - 15.0));
                    self.write(row, sink)?;
                    tick += 1;
                }
                self.wet.splash(motion.splashed, t_s);
                before = Some(now);
                t_s += step_s;
            }
            self.held = motion.held(t_s);
            self.below_m = motion.below_m;
        }
        Ok(())
    }

    /// The row of a sample; the slow readings at whole seconds.
    fn row(
        &mut self,
        tick: u64,
        at: [f64; 3],
        sensor: &Sensor,
        motion: &mut Motion,
        place: Place,
    ) -> Row {
        let kind = &self.plan.sensor;
        let mut row = Row {
            tick,
            shift_s: 0,
            counts: sensor.counts(at, &mut self.d_noise).map(Some),
            depth_cm: None,
            temp_cc: None,
            wet: None,
            below_m: motion.below_m,
        };
        let hills_m = motion.hills_m(&mut self.d);
        let t_s = tick as f64 / kind.sample_hz;
        // The first sample of a second, as in the animal's part.
        let second = |n: f64| (n / kind.sample_hz + 1e-9).floor();
        if tick > 0 && second(tick as f64) == second(tick as f64 - 1.0) {
            return row;
        }
        self.drift_m = self.drift.step(&mut self.d);
        let aged_s = (t_s - self.released_s).max(0.0);
        let air_m = (self.drift_m + hills_m).clamp(-AIR_MOST_M, AIR_MOST_M);
        let m = motion.below_m
            + air_m
            + kind.depth_offset_m
            + self.plan.extras.mounting.depth_drift_m_s * aged_s
            + kind.depth_noise_m * self.d_noise.normal();
        let centi = (kind.depth_step_m * 100.0).round();
        row.depth_cm = Some(((m / kind.depth_step_m).round() * centi) as i64);
        // The housing takes half a minute in water and minutes in air.
        let (goal_c, lag_s) = if place.is_wet() {
            (self.plan.layers.temperature(motion.below_m), 30.0)
        } else {
            (self.air_c, 300.0)
        };
        self.temp_c += (goal_c - self.temp_c) / lag_s;
        row.temp_cc =
            Some(((self.temp_c + 0.02 * self.d_noise.normal()) * 20.0).round() as i64 * 5);
        row.wet = Some(self.wet.read(place.is_wet(), t_s, &mut self.d));
        row
    }

    /// Writes a row, spoilt by a fault that lasts.
    fn write<S: Sink>(&mut self, mut row: Row, sink: &mut S) -> Result<(), S::Error> {
        let times = match &mut self.spoiler {
            Some(spoiler) => {
                let t_s = row.tick as f64 / self.plan.sensor.sample_hz - self.released_s;
                spoiler.spoil(t_s, &mut row, &mut self.d_faults)
            }
            None => 1,
        };
        (0..times).try_for_each(|_| sink.row(&row))
    }
}
