//! A whole deployment: before, on the animal, the firing, the search.

use super::cell::Battery;
use super::plan::{PhasePlan, Plan, RELEASE_PART};
use super::walk::{State, Stop, Walk};
use crate::tag_file::PhaseKind;

/// Longest time looked at in one phase, s: ten years.
pub const HORIZON_S: f64 = 10.0 * 365.25 * 86_400.0;

/// What ended the time on the animal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// The ceiling, with charge to spare.
    Ceiling,
    /// The memory was full.
    Memory,
    /// The battery was down to the reserve.
    Reserve,
    /// A pulse pulled the voltage below that at which the tag resets.
    BrownOut,
    /// The voltage under steady load fell below the cut-off.
    CutOff,
    /// The battery was empty.
    Empty,
    /// It was no more after ten years.
    Horizon,
}

impl Limit {
    /// True where the tag as such had stopped.
    pub fn is_dead(self) -> bool {
        matches!(self, Limit::BrownOut | Limit::CutOff | Limit::Empty)
    }
}

/// A moment at which the battery gave way.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Failure {
    /// `brown_out`, `cut_off` or `empty`.
    pub kind: Limit,
    /// Hours since the animal was let go.
    pub t_h: f64,
    /// Name of the phase.
    pub phase: String,
    /// The pulse that caused it.
    pub pulse: Option<String>,
    /// Its greatest current, mA, above the steady one.
    pub pulse_ma: Option<f64>,
    /// Its length, s.
    pub pulse_s: Option<f64>,
    /// Temperature, deg C.
    pub temp_c: f64,
    /// Lowest voltage, V.
    pub volts: f64,
    /// Voltage allowed, V.
    pub limit_v: f64,
    /// Internal resistance, ohm.
    pub ohm: f64,
    /// Part of the charge left at this temperature.
    pub left_fraction: f64,
    /// Part left as a sum of milliamp-hours would have it: 1 - drawn/nominal.
    pub left_by_sum_fraction: f64,
}

/// What became of the firing.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Firing {
    /// It did not brown out.
    pub fired: bool,
    /// Lowest voltage, V.
    pub volts: f64,
}

/// What a deployment came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// Time on the animal until the tag decides to let go or stops, s.
    pub animal_s: f64,
    /// What ended it.
    pub animal_limit: Limit,
    /// The firing; `None` where the tag had stopped before.
    pub firing: Option<Firing>,
    /// It did not fire, and the passive link parted.
    pub by_passive_link: bool,
    /// Time with beacons after that, s.
    pub search_s: f64,
    /// What ended it.
    pub search_limit: Limit,
    /// Failures, first to last.
    pub failures: Vec<Failure>,
    /// Charge drawn by part, mAh, in each of the three kinds of phase.
    pub drawn_mah: [Vec<f64>; 3],
    /// Part left at the end of the time on the animal, at its temperature.
    pub left_fraction: f64,
    /// Bytes recorded on the animal.
    pub bytes: f64,
}

impl Outcome {
    /// True if the tag gave way before it had let go.
    pub fn failed_on_animal(&self) -> bool {
        self.animal_limit.is_dead() || self.firing.as_ref().is_some_and(|f| !f.fired)
    }
}

/// How to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rules {
    /// Ceiling and memory end the time on the animal; else the battery alone does.
    pub bounded: bool,
}

/// A stretch of one phase, as it was gone through.
pub struct Leg<'a> {
    /// The phase.
    pub phase: &'a PhasePlan,
    /// The battery at its start.
    pub before: State,
    /// Its length, s.
    pub passed_s: f64,
    /// Its start, s since the animal was let go.
    pub start_s: f64,
}

struct Course<'a> {
    battery: &'a Battery,
    plan: &'a Plan,
    state: State,
    /// Time at which the animal is let go, s.
    zero_s: f64,
    failures: Vec<Failure>,
    legs: Option<Vec<Leg<'a>>>,
}

impl<'a> Course<'a> {
    fn phase(&mut self, phase: &'a PhasePlan, length_s: f64, reserve: Option<f64>) -> Stop {
        let stop = self.walk(phase, length_s, reserve);
        self.note(phase, &stop);
        stop
    }

    fn walk(&mut self, phase: &'a PhasePlan, length_s: f64, reserve: Option<f64>) -> Stop {
        let before = self.legs.is_some().then(|| self.state.clone());
        let mut walk = Walk::new(self.battery, phase, self.plan.coincide, reserve);
        let stop = walk.run(&mut self.state, length_s);
        if let (Some(before), Some(legs)) = (before, &mut self.legs) {
            let (passed_s, start_s) =
                (self.state.time_s - before.time_s, before.time_s - self.zero_s);
            legs.push(Leg { phase, before, passed_s, start_s });
        }
        stop
    }

    fn note(&mut self, phase: &PhasePlan, stop: &Stop) {
        let (kind, pulse, steps, base_ma, period_s, limit_v) = match stop {
            Stop::Time | Stop::Reserve => return,
            Stop::BrownOut { pulse, steps, base_ma, period_s, .. } => (
                Limit::BrownOut,
                Some(pulse.clone()),
                &steps[..],
                *base_ma,
                *period_s,
                self.battery.brownout_v,
            ),
            Stop::CutOff { base_ma } => (
                Limit::CutOff,
                None,
                &[][..],
                *base_ma,
                f64::INFINITY,
                self.battery.cutoff_v.max(self.battery.brownout_v),
            ),
            Stop::Empty => {
                (Limit::Empty, None, &[][..], phase.on_ma, f64::INFINITY, self.battery.cutoff_v)
            }
        };
        let left = self.battery.left(self.state.spent, phase.temp_c);
        let drawn = self.state.all_drawn_mah();
        self.failures.push(Failure {
            kind,
            t_h: (self.state.time_s - self.zero_s) / 3600.0,
            phase: phase.name.clone(),
            pulse_ma: pulse.is_some().then(|| steps.iter().map(|s| s[1]).fold(0.0, f64::max)),
            pulse_s: pulse.is_some().then(|| steps.iter().map(|s| s[0]).sum()),
            pulse,
            temp_c: phase.temp_c,
            volts: self.battery.pulse_v(left, phase.temp_c, base_ma, steps, period_s),
            limit_v,
            ohm: self.battery.ohm(left, phase.temp_c),
            left_fraction: left.max(0.0),
            left_by_sum_fraction: 1.0 - drawn / self.battery.capacity_mah,
        });
    }

    /// Takes the charges by part since the last call.
    fn take_drawn(&mut self) -> Vec<f64> {
        let fresh = vec![0.0; self.plan.parts.len()];
        let taken = std::mem::replace(&mut self.state.drawn_mah, fresh);
        self.state.earlier_mah += taken.iter().sum::<f64>();
        taken
    }
}

fn limit(stop: &Stop) -> Option<Limit> {
    match stop {
        Stop::Time => None,
        Stop::BrownOut { .. } => Some(Limit::BrownOut),
        Stop::CutOff { .. } => Some(Limit::CutOff),
        Stop::Empty => Some(Limit::Empty),
        Stop::Reserve => Some(Limit::Reserve),
    }
}

/// Runs a plan on a battery.
pub fn run(battery: &Battery, plan: &Plan, rules: Rules) -> Outcome {
    through(battery, plan, rules, None).0
}

/// The same, with the stretches gone through on the way, first to last.
pub fn run_legs<'a>(battery: &'a Battery, plan: &'a Plan, rules: Rules) -> (Outcome, Vec<Leg<'a>>) {
    through(battery, plan, rules, Some(Vec::new()))
}

fn through<'a>(
    battery: &'a Battery,
    plan: &'a Plan,
    rules: Rules,
    legs: Option<Vec<Leg<'a>>>,
) -> (Outcome, Vec<Leg<'a>>) {
    let before: Vec<_> = plan.phases.iter().filter(|p| p.kind == PhaseKind::Before).collect();
    let animal: Vec<_> = plan.phases.iter().filter(|p| p.kind == PhaseKind::Animal).collect();
    let search: Vec<_> = plan.phases.iter().filter(|p| p.kind == PhaseKind::Search).collect();
    let mut course = Course {
        battery,
        plan,
        state: State {
            spent: battery.spent_at_start,
            time_s: 0.0,
            drawn_mah: vec![0.0; plan.parts.len()],
            earlier_mah: 0.0,
        },
        zero_s: before.iter().map(|p| p.length_s).sum(),
        failures: Vec::new(),
        legs,
    };

    let mut ended = None;
    for phase in &before {
        ended = limit(&course.phase(phase, phase.length_s, None));
        if ended.is_some() {
            break;
        }
    }
    let drawn_before = course.take_drawn();

    // On the animal.
    let (mut animal_s, mut bytes) = (0.0, 0.0);
    let mut last = animal.first();
    if ended.is_none() {
        for (n, phase) in animal.iter().enumerate() {
            last = Some(phase);
            let is_last = n + 1 == animal.len();
            let mut length = if is_last && !rules.bounded { HORIZON_S } else { phase.length_s };
            let mut full = false;
            let room = plan.memory_bytes - bytes;
            if rules.bounded && phase.bytes_per_s > 0.0 && room / phase.bytes_per_s < length {
                length = (room / phase.bytes_per_s).max(0.0);
                full = true;
            }
            let from = course.state.time_s;
            let stop = course.phase(phase, length, Some(plan.reserve_fraction));
            let passed = course.state.time_s - from;
            animal_s += passed;
            bytes += phase.bytes_per_s * passed;
            ended = limit(&stop).or(full.then_some(Limit::Memory));
            if ended.is_some() {
                break;
            }
        }
    }
    let animal_limit = ended.unwrap_or(if rules.bounded { Limit::Ceiling } else { Limit::Horizon });
    let temp_c = last.map_or(20.0, |p| p.temp_c);
    let left_fraction = battery.left(course.state.spent, temp_c).max(0.0);

    // Letting go.
    let mut firing = None;
    let (mut loose, mut by_passive_link) = (true, false);
    if let Some(last) = last {
        let mut fired = false;
        if !animal_limit.is_dead() {
            let left = battery.left(course.state.spent, temp_c);
            let base_ma = last.off_ma.min(last.on_ma);
            let volts = battery.pulse_v(left, temp_c, base_ma, &plan.firing, f64::INFINITY);
            fired = volts >= battery.brownout_v;
            if fired {
                let charge: f64 = plan.firing.iter().map(|s| s[0] * s[1]).sum::<f64>() / 3600.0;
                let length: f64 = plan.firing.iter().map(|s| s[0]).sum();
                let mean_ma = charge * 3600.0 / length.max(3600.0);
                let drawn = charge * plan.attempts;
                course.state.spent += drawn * battery.weight(mean_ma) / battery.capacity_mah;
                course.state.drawn_mah[RELEASE_PART] += drawn;
            } else {
                course.note(
                    last,
                    &Stop::BrownOut {
                        pulse: "release firing".into(),
                        steps: plan.firing.clone(),
                        base_ma,
                        period_s: f64::INFINITY,
                        part: None,
                    },
                );
            }
            firing = Some(Firing { fired, volts });
        }
        if !fired {
            by_passive_link = wait_for_link(&mut course, last, animal_s, animal_limit.is_dead());
            loose = by_passive_link;
        }
    }
    let drawn_animal = course.take_drawn();

    // The search.
    let (mut search_s, mut search_limit) = (0.0, Limit::Horizon);
    if loose && !search.is_empty() {
        for (n, phase) in search.iter().enumerate() {
            let length = if n + 1 == search.len() { HORIZON_S } else { phase.length_s };
            let from = course.state.time_s;
            let stop = course.phase(phase, length, None);
            search_s += course.state.time_s - from;
            if let Some(limit) = limit(&stop) {
                search_limit = limit;
                break;
            }
        }
    } else {
        search_limit = animal_limit;
    }
    let drawn_search = course.take_drawn();
    let outcome = Outcome {
        animal_s,
        animal_limit,
        firing,
        by_passive_link,
        search_s,
        search_limit,
        failures: course.failures,
        drawn_mah: [drawn_before, drawn_animal, drawn_search],
        left_fraction,
        bytes,
    };
    (outcome, course.legs.unwrap_or_default())
}

/// The tag stays on the animal until its passive link parts. False if it never does.
fn wait_for_link<'a>(
    course: &mut Course<'a>,
    last: &'a PhasePlan,
    animal_s: f64,
    stopped: bool,
) -> bool {
    let Some(link_s) = course.plan.passive_link_s else { return false };
    let wait_s = (link_s - animal_s).max(0.0);
    if stopped {
        // Nothing draws any more but self-discharge, which is left out.
        course.state.time_s += wait_s;
        return true;
    }
    // It goes on as before; what gives way now is told by the search.
    let from = course.state.time_s;
    course.walk(last, wait_s, None);
    course.state.time_s = from + wait_s;
    true
}
