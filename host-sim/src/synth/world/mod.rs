//! All that moves, on true time: animal, carcass or loose tag, in sea and tide.
//!
//! Every long step the behaviour, the posture, the sea and the depth move on and
//! give the specific force on the body (`node`); every short step the tail and other
//! short motions come on top of its course in between (`short`).

mod alive;
mod ending;

use super::adrift::{Adrift, Carrier, Surf};
use super::antics::Antics;
use super::behaviour::{Behaviour, Intent, Mode};
use super::carcass::{Carcass, Pull, Scavenger};
use super::draws::{Draws, Part, Wander};
use super::floating::Loose;
use super::gait::{Gait, Stroke, Swimmer};
use super::leash::Leash;
use super::plan::Plan;
use super::posture::{Follower, Rotation, STANDARD_GRAVITY as G, Vec3, attitude};
use super::shakes::Shakes;
use super::swell::{Sea, Water};
use super::truth::{Event, Happening};

pub(super) enum Stage {
    Alive,
    Carcass(Box<Carcass>, Option<Box<Scavenger>>, Option<Box<Carrier>>),
    Adrift(Box<Adrift>, Option<Box<Scavenger>>),
    Surf(Box<Surf>),
    Floating(Box<Loose>, bool),
    Sunk(Box<Loose>, bool),
    /// On a snag at this height above the mean bottom, m.
    Snagged(Box<Leash>, f64),
}

/// What changes within hours.
#[derive(Clone, Copy, Debug)]
struct Slow {
    tide_m: f64,
    current: f64,
    levels: [f64; 3],
    day: f64,
    darkness: f64,
    front_c: f64,
}

impl Slow {
    fn at(plan: &Plan, t_s: f64) -> Self {
        Self {
            tide_m: plan.tide.height(t_s),
            current: plan.tide.current(t_s),
            levels: plan.recovery.levels(t_s),
            day: plan.day.factor(t_s),
            darkness: plan.day.darkness(t_s),
            front_c: plan.extras.fronts.iter().rev().find(|f| f.0 <= t_s).map_or(0.0, |f| f.1),
        }
    }
}

/// All that moves, on true time.
pub(super) struct World {
    plan: Plan,
    pub(super) stage: Stage,
    behaviour: Behaviour,
    swimmer: Swimmer,
    gait: Gait,
    pub(super) intent: Intent,
    stroke: Stroke,
    antics: Antics,
    shakes: Shakes,
    /// A tag that trails behind the animal.
    pub(super) leash: Option<Box<Leash>>,
    pitch: Follower,
    roll: Follower,
    heading: f64,
    heading_wander: Wander,
    speed: f64,
    depth_m: f64,
    pub(super) read_depth_m: f64,
    pub(super) temp_c: f64,
    swell: Sea,
    wind: Sea,
    lodged: Rotation,
    warmer_c: f64,
    pub(super) eaten: bool,
    dying: bool,
    jolt: Option<Pull>,
    /// Gill amplitude, g, and where in a breath it is, 0 to 1.
    gill: (f64, f64),
    pub(super) open: Option<(Happening, f64)>,
    pub(super) burst_from: Option<f64>,
    pub(super) events: Vec<Event>,
    d_behaviour: Draws,
    d_slow: Draws,
    d_gait: Draws,
    d_scavenger: Draws,
    d_tag: Draws,
    d_antics: Draws,
    d_stray: Draws,
    node_s: f64,
    slow: Slow,
    slow_due: u32,
}

impl World {
    pub(super) fn new(plan: Plan) -> Self {
        let node_s = plan.extras.pace.node_s();
        let part = |p| Draws::new(&plan.scenario, plan.seed, p);
        let mut d_behaviour = part(Part::Behaviour);
        let behaviour = Behaviour::new(plan.habits.clone(), 0.0, node_s, &mut d_behaviour);
        let (swell, wind) = (
            Sea::new(plan.swell, plan.bottom_m, node_s, &mut part(Part::Swell)),
            Sea::new(plan.wind_sea, plan.bottom_m, node_s, &mut part(Part::WindSea)),
        );
        let depth_m = 1.5;
        let swimmer = plan.swimmer.clone();
        let mut d_antics = part(Part::Antics);
        Self {
            antics: Antics::new(plan.extras.often, &mut d_antics),
            shakes: Shakes::new(plan.extras.shakes_every_s, part(Part::Shakes)),
            leash: None,
            node_s,
            slow: Slow::at(&plan, 0.0),
            slow_due: 0,
            d_antics,
            d_stray: part(Part::Stray),
            stage: Stage::Alive,
            behaviour,
            gait: Gait::new(swimmer.clone(), true),
            intent: Intent {
                mode: Mode::Cruise,
                beating: true,
                rate: 1.0,
                amplitude: 1.0,
                pitch: 0.0,
                roll: 0.0,
                yaw_rate: 0.0,
                grounded: false,
            },
            stroke: Stroke { beating: true, hz: swimmer.beat_hz, amplitude: 1.0 },
            pitch: Follower::at(0.0),
            roll: Follower::at(0.0),
            heading: d_behaviour.angle(),
            heading_wander: Wander::new(0.03, 12.0, node_s),
            speed: swimmer.speed(swimmer.beat_hz, 1.0),
            depth_m,
            read_depth_m: depth_m,
            temp_c: plan.extras.air_c.unwrap_or(plan.layers.temperature(depth_m)),
            swell,
            wind,
            lodged: Rotation::IDENTITY,
            warmer_c: 0.0,
            eaten: false,
            dying: false,
            jolt: None,
            gill: (0.0, 0.0),
            open: None,
            burst_from: None,
            events: Vec::new(),
            d_slow: part(Part::Slow),
            d_gait: part(Part::Gait),
            d_scavenger: part(Part::Scavenger),
            d_tag: part(Part::Tag),
            d_behaviour,
            swimmer,
            plan,
        }
    }

    pub(super) fn happen(&mut self, t_s: f64, what: Happening, end_s: Option<f64>) {
        self.events.push(Event { t_s, what, end_s });
    }

    /// Ends a glide, rest or burst that is under way.
    pub(super) fn close(&mut self, t_s: f64) {
        if let Some((what, from)) = self.open.take() {
            self.happen(from, what, Some(t_s));
        }
        if let Some(from) = self.burst_from.take() {
            self.happen(from, Happening::Burst, Some(t_s));
        }
    }

    fn water(&mut self, wind_felt: bool) -> Water {
        let mut w = self.swell.step(self.depth_m);
        if wind_felt {
            let v = self.wind.step(self.depth_m);
            for i in 0..3 {
                w.acceleration[i] += v.acceleration[i];
            }
            for i in 0..2 {
                w.flow[i] += v.flow[i];
            }
            w.surface_m += v.surface_m;
            w.pressure_m += v.pressure_m;
        }
        w
    }

    /// Whether the tag sits on its mount: not once it came off, nor on its tether.
    pub(super) fn seated(&self) -> bool {
        let off = matches!(self.stage, Stage::Floating(..) | Stage::Sunk(..) | Stage::Snagged(..));
        !off && self.leash.is_none()
    }

    /// One long step: the specific force on the body at its end, m/s2.
    pub(super) fn node(&mut self, t_s: f64) -> Vec3 {
        if self.slow_due == 0 {
            self.slow = Slow::at(&self.plan, t_s);
            self.slow_due = self.plan.extras.pace.slow_every;
        }
        self.slow_due -= 1;
        let slow = self.slow;
        let bottom_m = self.plan.bottom_m + slow.tide_m;
        self.turn_of_fate(t_s);
        let wind_felt = match self.stage {
            Stage::Floating(..) => true,
            Stage::Alive | Stage::Adrift(..) | Stage::Snagged(..) => self.depth_m < 12.0,
            _ => false,
        };
        let water = self.water(wind_felt);
        let force = match &mut self.stage {
            Stage::Alive => self.alive(t_s, bottom_m, &water),
            Stage::Carcass(carcass, _, carrier) => {
                let lies = bottom_m - 0.1;
                let grounded = self.depth_m >= lies - 0.05;
                self.depth_m = (self.depth_m + self.plan.carcass.sink_m_s * self.node_s).min(lies);
                let current = slow.current;
                let (pitch, roll) = carcass.step(&water, current, grounded, self.node_s);
                self.read_depth_m = self.depth_m + if grounded { water.pressure_m } else { 0.0 };
                let carried = carrier.as_mut().and_then(|c| {
                    let was = c.carries(t_s);
                    let now = c.step(t_s, self.node_s, &mut self.d_stray);
                    if was && now.is_none() {
                        carcass.dropped(&mut self.d_stray);
                    }
                    now
                });
                if let Some(((p, r), force, deeper)) = carried {
                    // Against the sinking above.
                    self.depth_m += deeper - self.plan.carcass.sink_m_s * self.node_s;
                    self.depth_m = self.depth_m.clamp(1.0, lies);
                    let held = attitude(roll + r, pitch + p, 0.0).apply([0.0, 0.0, G]);
                    [0, 1, 2].map(|i| held[i] + force[i])
                } else {
                    let part = if grounded { self.plan.extras.slides } else { 0.0 };
                    let (s, c) = self.plan.carcass.heading.sin_cos();
                    let [x, y, _] = water.acceleration.map(|a| part * a);
                    attitude(roll, pitch, 0.0).apply([c * x + s * y, c * y - s * x, G])
                }
            }
            Stage::Floating(loose, surfaced) => {
                let was = *surfaced;
                if !was {
                    self.depth_m -= self.plan.package.speed_m_s * self.node_s;
                    *surfaced = self.depth_m <= 0.1;
                }
                let force = loose.afloat(&water, !*surfaced, self.node_s, &mut self.d_tag);
                if *surfaced {
                    self.depth_m = 0.1;
                }
                if *surfaced && !was {
                    let end_s = self.plan.hours * 3600.0;
                    self.happen(t_s, Happening::Surface, Some(end_s));
                }
                self.read_depth_m = self.depth_m;
                force
            }
            Stage::Adrift(adrift, _) => {
                let d = &mut self.d_stray;
                let force = adrift.step(&mut self.depth_m, bottom_m, &water, self.node_s, d);
                self.read_depth_m = self.depth_m;
                force
            }
            Stage::Surf(surf) => {
                let tide = slow.tide_m;
                let (depth, jolt) = (&mut self.depth_m, &mut self.jolt);
                let force = surf.step(t_s, depth, tide, jolt, self.node_s, &mut self.d_stray);
                self.read_depth_m = self.depth_m;
                force
            }
            Stage::Snagged(leash, above_m) => {
                self.depth_m = (bottom_m - *above_m).max(0.5);
                self.read_depth_m = self.depth_m + water.pressure_m;
                leash.snagged(&water, slow.current, &mut self.d_stray)
            }
            Stage::Sunk(loose, landed) => {
                let lies = bottom_m - 0.05;
                let was = *landed;
                if *landed {
                    self.depth_m = lies;
                } else {
                    self.depth_m += self.plan.package.speed_m_s * self.node_s;
                    *landed = self.depth_m >= lies;
                }
                let force = loose.sunk(!*landed, self.node_s, &mut self.d_tag);
                if *landed && !was {
                    self.jolt = Some(Pull::draw(t_s, 0.6, 0.08, &mut self.d_tag));
                }
                self.read_depth_m = self.depth_m + if was { water.pressure_m } else { 0.0 };
                force
            }
        };
        if self.slow_due == 0 {
            let target = self.plan.layers.temperature(self.depth_m) + self.warmer_c + slow.front_c;
            // The sensor sits in a housing that takes half a minute to warm through.
            let dt_s = self.node_s * f64::from(self.plan.extras.pace.slow_every);
            self.temp_c += (target - self.temp_c) * dt_s / 30.0;
        }
        force
    }
}
