//! The run: from what the animal wants to rows and events.
//!
//! Two clocks of the true time. Every 0.05 s the behaviour, the posture, the sea and the
//! depth move on and give the specific force on the body; every 0.01 s the tail and
//! other short motions are added on top of its course in between. The logger then
//! takes its samples from that at its own rate and by its own clock.

use super::draws::{Draws, Part};
use super::faults::{Row, Spoiler};
use super::mounting::Loosening;
use super::plan::Plan;
use super::posture::Rotation;
use super::sensor::Sensor;
use super::truth::{Event, Happening, Waiting};
use super::world::{Stage, World};

/// Steps of the true time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    /// Short step, s, and how many of them make a long one.
    pub(crate) step_s: f64,
    pub(crate) steps: u64,
    /// Long steps between looks at what changes within hours: tide, day, recovery.
    pub(crate) slow_every: u32,
}

impl Pace {
    /// Of the scenarios.
    pub(crate) const FINE: Self = Self { step_s: 0.01, steps: 5, slow_every: 1 };
    /// Of the families, whose thousands of traces have to be cheap: nothing in them is
    /// faster than 10 Hz, and the steps follow a wave of 1.2 s within 3 %.
    pub(crate) const COARSE: Self = Self { step_s: 0.02, steps: 5, slow_every: 20 };

    pub(crate) fn node_s(self) -> f64 {
        if self.step_s == 0.01 && self.steps == 5 { 0.05 } else { self.step_s * self.steps as f64 }
    }
}

/// Takes rows and events as they come.
pub(crate) trait Sink {
    type Error;
    fn row(&mut self, row: &Row) -> Result<(), Self::Error>;
    fn event(&mut self, event: &Event) -> Result<(), Self::Error>;
    /// A turn of fate as it happens, long before its place in the order of events.
    fn at_once(&mut self, _event: &Event) {}
}

/// Runs a plan from start to end.
pub(crate) fn run<S: Sink>(plan: &Plan, sink: &mut S) -> Result<(), S::Error> {
    let pace = plan.extras.pace;
    let (step_s, steps, node_s) = (pace.step_s, pace.steps, pace.node_s());
    let kind = plan.sensor;
    let end_s = plan.hours * 3600.0;
    let last_tick = (end_s * kind.sample_hz).floor() as u64;
    // A clock that is slow by so much writes less time than has gone.
    let true_per_clock = 1.0 + kind.clock_ppm * 1e-6;
    let mut world = World::new(plan.clone());
    let mut sensor = Sensor::new(kind, step_s);
    let mut d_faults = Draws::new(&plan.scenario, plan.seed, Part::Faults);
    let mut spoiler = Spoiler::new(plan.fault.clone(), &kind, &mut d_faults);
    let mut d_noise = Draws::new(&plan.scenario, plan.seed, Part::Sensor);
    let mut d_depth = Draws::new(&plan.scenario, plan.seed, Part::Depth);
    let mut waiting = Waiting::default();

    let recovered_s = plan.recovery.recovered_s();
    let mut recovered_due = plan.extras.recovers;
    let mounting = &plan.extras.mounting;
    let mut d_mount = Draws::new(&plan.scenario, plan.seed, Part::Mount);
    let mut loosening = (!mounting.still()).then(|| Loosening::new(mounting.clone(), node_s));
    let mut node = world.node(0.0);
    sensor.settle(node);
    let mut before = sensor.pass(node);
    let (mut tick, mut next_second) = (0_u64, 0_u64);
    let mut step = 0_u64;
    let mut wobble: Option<Rotation> = None;
    'trace: loop {
        let next = world.node((step + steps) as f64 * step_s);
        let next = wobble.map_or(next, |w| w.apply(next));
        for i in 1..=steps {
            step += 1;
            let t = step as f64 * step_s;
            let (extra, recoil) = world.short(t, step_s);
            let x = i as f64 / steps as f64;
            let mut f = [0.0; 3];
            for k in 0..3 {
                f[k] = node[k] + x * (next[k] - node[k]) + extra[k];
            }
            // A small roll of the body on top of its posture.
            let (fy, fz) = (f[1], f[2]);
            f[1] = fy + recoil * fz - 0.5 * recoil * recoil * fy;
            f[2] = fz - recoil * fy - 0.5 * recoil * recoil * fz;
            let now = sensor.pass(f);
            loop {
                let clock_s = tick as f64 / kind.sample_hz;
                let due = clock_s * true_per_clock + sensor.delay_s;
                if due > t {
                    break;
                }
                let y = ((due - (t - step_s)) / step_s).clamp(0.0, 1.0);
                let at = [0, 1, 2].map(|k| before[k] + y * (now[k] - before[k]));
                let slow = clock_s + 1e-9 >= next_second as f64;
                let mut row = Row {
                    tick,
                    shift_s: 0,
                    counts: sensor.counts(at, &mut d_noise).map(Some),
                    depth_cm: None,
                    temp_cc: None,
                    wet: slow.then_some(world.read_depth_m > 0.0),
                    below_m: world.read_depth_m,
                };
                if slow {
                    next_second += 1;
                    let m = world.read_depth_m
                        + kind.depth_offset_m
                        + mounting.depth_drift_m_s * clock_s
                        + kind.depth_noise_m * d_depth.normal();
                    let centi = (kind.depth_step_m * 100.0).round();
                    row.depth_cm = Some(((m / kind.depth_step_m).round() * centi) as i64);
                    let c = world.temp_c + 0.02 * d_depth.normal();
                    row.temp_cc = Some((c * 20.0).round() as i64 * 5);
                }
                for _ in 0..spoiler.spoil(clock_s, &mut row, &mut d_faults) {
                    sink.row(&row)?;
                }
                tick += 1;
                if tick > last_tick {
                    break 'trace;
                }
            }
            before = now;
        }
        node = next;

        let t = step as f64 * step_s;
        if let Some(loosening) = &mut loosening {
            (sensor.loose, wobble) = if world.seated() {
                let moving = matches!(world.stage, Stage::Alive) && !world.intent.grounded;
                let (turned, shakes) = loosening.step(t, moving, &mut d_mount);
                (Some(turned), shakes)
            } else {
                // What floats, lies or hangs is the tag alone: no mount turns it any more.
                (None, None)
            };
        }
        sensor.drift_g = mounting.offset_g_c.map(|c| c * (world.temp_c - 15.0));
        sensor.noise_part = 1.0 + mounting.noise_growth_s * t;
        if recovered_due && t >= recovered_s {
            recovered_due = false;
            if matches!(world.stage, Stage::Alive) && !world.eaten && world.leash.is_none() {
                world.happen(recovered_s, Happening::Recovered, None);
            }
        }
        for e in std::mem::take(&mut world.events) {
            if let Some(e) = written(&e, plan, true_per_clock) {
                if matches!(e.what, Happening::Death | Happening::Detached) {
                    sink.at_once(&e);
                }
                waiting.push(e);
            }
        }
        if step.is_multiple_of(100 * steps) {
            let open = [world.open.map(|o| o.1), world.burst_from];
            let from = open.into_iter().flatten().fold(t, f64::min);
            // Longer than any clock jump and than any event is told late.
            for e in waiting.before(from / true_per_clock - 900.0) {
                sink.event(&e)?;
            }
        }
    }
    world.close(end_s * true_per_clock);
    for e in std::mem::take(&mut world.events) {
        if let Some(e) = written(&e, plan, true_per_clock) {
            waiting.push(e);
        }
    }
    for e in waiting.before(f64::INFINITY) {
        sink.event(&e)?;
    }
    Ok(())
}

/// An event on the written clock, if the trace holds it.
fn written(e: &Event, plan: &Plan, true_per_clock: f64) -> Option<Event> {
    let end_s = plan.hours * 3600.0;
    let clock = e.t_s / true_per_clock;
    if !(0.0..=end_s).contains(&clock) || (e.what == Happening::Beat && plan.fault.lost(clock)) {
        return None;
    }
    let shifted = |c: f64| c + plan.fault.clock_shift_s(c) as f64;
    let end = e.end_s.map(|t| shifted((t / true_per_clock).min(end_s)));
    let t_s = shifted(clock);
    Some(Event { t_s, what: e.what, end_s: end.map(|x| x.max(t_s)) })
}
