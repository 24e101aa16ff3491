//! The run: from what the animal wants to rows and events.
//!
//! Two clocks of the true time. Every 0.05 s the behaviour, the posture, the sea and the
//! depth move on and give the specific force on the body; every 0.01 s the tail and
//! other short motions are added on top of its course in between. The logger then
//! takes its samples from that at its own rate and by its own clock.

use std::f64::consts::TAU;

use super::adrift::{Adrift, Carrier, Surf};
use super::antics::Antics;
use super::behaviour::{Behaviour, Intent, Mode, Setting};
use super::carcass::{Carcass, Pull, Scavenger};
use super::draws::{Draws, Part};
use super::faults::{Row, Spoiler};
use super::floating::Loose;
use super::gait::{Gait, Mark, Stroke, Swimmer};
use super::leash::Leash;
use super::mounting::Loosening;
use super::posture::{Follower, Rotation, STANDARD_GRAVITY as G, Vec3, attitude};
use super::scenario::{Fate, Plan, Way};
use super::sensor::Sensor;
use super::swell::{Sea, Water};
use super::truth::{Event, Happening, Waiting};

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

enum Stage {
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
struct World {
    plan: Plan,
    stage: Stage,
    behaviour: Behaviour,
    swimmer: Swimmer,
    gait: Gait,
    intent: Intent,
    stroke: Stroke,
    antics: Antics,
    /// A tag that trails behind the animal.
    leash: Option<Box<Leash>>,
    pitch: Follower,
    roll: Follower,
    heading: f64,
    heading_wander: super::draws::Wander,
    speed: f64,
    depth_m: f64,
    read_depth_m: f64,
    temp_c: f64,
    swell: Sea,
    wind: Sea,
    lodged: Rotation,
    warmer_c: f64,
    eaten: bool,
    dying: bool,
    jolt: Option<Pull>,
    /// Gill amplitude, g, and where in a breath it is, 0 to 1.
    gill: (f64, f64),
    open: Option<(Happening, f64)>,
    burst_from: Option<f64>,
    events: Vec<Event>,
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
    fn new(plan: Plan) -> Self {
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
            heading_wander: super::draws::Wander::new(0.03, 12.0, node_s),
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

    fn happen(&mut self, t_s: f64, what: Happening, end_s: Option<f64>) {
        self.events.push(Event { t_s, what, end_s });
    }

    /// Ends a glide, rest or burst that is under way.
    fn close(&mut self, t_s: f64) {
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

    /// One long step: the specific force on the body at its end, m/s2.
    fn node(&mut self, t_s: f64) -> Vec3 {
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

    /// Death, loss of the tag, being eaten: when its time has come.
    fn turn_of_fate(&mut self, t_s: f64) {
        if !matches!(self.stage, Stage::Alive) {
            return;
        }
        match self.plan.fate {
            Fate::Dies { at_s, .. } if t_s >= at_s => {
                self.dying = true;
                if !self.gait.running() {
                    self.die(t_s);
                }
            }
            Fate::Floats { at_s } | Fate::Sinks { at_s } if t_s >= at_s => {
                self.close(t_s);
                self.happen(t_s, Happening::Detached, None);
                self.jolt = Some(Pull::draw(t_s, 1.5, 0.1, &mut self.d_tag));
                let loose = Box::new(Loose::new(self.plan.package, self.node_s, &mut self.d_tag));
                self.stage = match self.plan.fate {
                    Fate::Floats { .. } => Stage::Floating(loose, false),
                    _ => Stage::Sunk(loose, false),
                };
            }
            Fate::Dangles { at_s } if t_s >= at_s && self.leash.is_none() => {
                self.close(t_s);
                self.happen(t_s, Happening::Detached, None);
                self.jolt = Some(Pull::draw(t_s, 1.0, 0.1, &mut self.d_stray));
                let leash = Box::new(Leash::new(self.plan.package, self.node_s, &mut self.d_stray));
                if self.plan.extras.snag {
                    let bottom_m = self.plan.bottom_m + self.plan.tide.height(t_s);
                    self.stage = Stage::Snagged(leash, bottom_m - self.depth_m);
                } else {
                    self.leash = Some(leash);
                }
            }
            Fate::Eaten { at_s, ref by, lodged, warmer_c } if t_s >= at_s && !self.eaten => {
                let (swimmer, habits) = (**by).clone();
                self.eaten = true;
                self.close(t_s);
                self.happen(t_s, Happening::Death, None);
                self.jolt = Some(Pull::draw(t_s, 2.0, 0.7, &mut self.d_tag));
                self.behaviour = Behaviour::new(habits, t_s, self.node_s, &mut self.d_behaviour);
                self.gait = Gait::new(swimmer.clone(), true);
                self.swimmer = swimmer;
                self.lodged = lodged;
                self.warmer_c = warmer_c;
            }
            _ => {}
        }
    }

    fn die(&mut self, t_s: f64) {
        self.close(t_s);
        self.happen(t_s, Happening::Death, None);
        let carcass = Carcass::new(self.plan.carcass, self.pitch.value, self.roll.value);
        let scavenger = match self.plan.fate {
            Fate::Dies { scavenged: true, .. } => {
                let d = &mut self.d_scavenger;
                let (from, lasts) = (t_s + d.between(1800.0, 9000.0), d.between(2.0, 8.0) * 3600.0);
                let every = d.between(400.0, 2400.0);
                Some(Box::new(Scavenger::new(from, lasts, every, d)))
            }
            _ => None,
        };
        let at = (self.pitch.value, self.roll.value);
        let d = &mut self.d_stray;
        self.stage = match self.plan.extras.way {
            Way::Sinks => {
                let every_s = self.plan.extras.carried_every_s;
                let carrier = every_s
                    .is_finite()
                    .then(|| Box::new(Carrier::new(t_s + 600.0, every_s, self.node_s, d)));
                Stage::Carcass(Box::new(carcass), scavenger, carrier)
            }
            Way::Drifts => Stage::Adrift(
                Box::new(Adrift::new(self.plan.bottom_m, at, self.node_s, d)),
                scavenger,
            ),
            Way::Surf => Stage::Surf(Box::new(Surf::new(
                self.plan.swell,
                t_s,
                self.depth_m,
                at,
                self.node_s,
                d,
            ))),
        };
    }

    fn alive(&mut self, t_s: f64, bottom_m: f64, water: &Water) -> Vec3 {
        let slow = self.slow;
        let levels = if self.eaten { [1.0; 3] } else { slow.levels };
        let day = slow.day;
        let (weakness, no_glide) = match self.plan.fate {
            Fate::Dies { at_s, fades_s, .. } => {
                (((t_s - at_s) / fades_s + 1.0).clamp(0.0, 1.0), t_s > at_s - 90.0)
            }
            _ => (0.0, false),
        };
        let setting = Setting {
            t_s,
            depth_m: self.depth_m,
            bottom_m,
            unrest: levels[2],
            darkness: slow.darkness,
            weakness,
            current: slow.current,
            no_glide,
        };
        let was = self.intent.mode;
        self.intent = self.behaviour.step(setting, &mut self.d_behaviour, &mut self.d_slow);
        if !self.dying && !self.eaten && weakness == 0.0 {
            let (intent, jolt, d) = (&mut self.intent, &mut self.jolt, &mut self.d_antics);
            self.antics.step(t_s, self.depth_m, bottom_m, intent, jolt, d);
        }
        let intent = self.intent;
        if intent.mode != was {
            self.note_mode(t_s, was);
        }

        let s = &self.swimmer;
        self.stroke = Stroke {
            beating: intent.beating && !self.dying,
            hz: (s.beat_hz * levels[0] * day * intent.rate).clamp(0.15, 5.0),
            amplitude: levels[1] * day * intent.amplitude,
        };
        let cruise = s.speed(s.beat_hz, 1.0);
        let (to, tau) = if intent.grounded {
            (0.0, 1.0)
        } else if self.gait.running() {
            // A burst speeds up quickly, but not as the beat alone would have it.
            (s.speed(self.stroke.hz, self.stroke.amplitude).min(2.5 * cruise), 4.0)
        } else if self.pitch.value < -0.1 {
            (0.8 * cruise, 8.0)
        } else {
            (0.4 * cruise, 8.0)
        };
        let faster = (to - self.speed) / tau;
        self.speed += faster * self.node_s;

        let yaw_rate = intent.yaw_rate + self.heading_wander.step(&mut self.d_slow);
        if !intent.grounded {
            self.heading += yaw_rate * self.node_s;
        }
        let sideways = if intent.grounded { 0.0 } else { self.speed * intent.yaw_rate };
        // It leans into the turn.
        let bank = -0.4 * intent.yaw_rate - sideways / G;
        let pitch = self.pitch.step(intent.pitch, 1.3, self.node_s);
        let roll = self.roll.step(intent.roll + bank, 1.3, self.node_s);

        let (sh, ch) = self.heading.sin_cos();
        let level = |v: [f64; 2]| [ch * v[0] + sh * v[1], ch * v[1] - sh * v[0]];
        if intent.grounded {
            self.depth_m += ((bottom_m - 0.15) - self.depth_m) * 0.1;
            self.read_depth_m = self.depth_m + water.pressure_m;
            self.gill.0 = self.behaviour.gill().0;
            // Swell leans on it, but it holds on.
            let flow = level(water.flow);
            let lean = [0.012 * flow[0], 0.025 * flow[1]];
            let body = attitude(roll + lean[1], pitch + lean[0], 0.0);
            if let Some(leash) = &mut self.leash {
                return leash.towed(flow[0].hypot(flow[1]), &mut self.d_stray);
            }
            return self.lodged.after(&body).apply([0.0, 0.0, G]);
        }
        self.gill.0 = 0.0;
        self.depth_m -= self.speed * pitch.sin() * self.node_s;
        self.depth_m = self.depth_m.clamp(0.4, bottom_m - 0.15);
        self.read_depth_m = self.depth_m;
        if self.antics.airborne() {
            // Free fall, but for the air.
            self.read_depth_m = 0.0;
            return self.worn(roll, pitch).apply([0.0, 0.0, 0.03 * G]);
        }
        if let Some(leash) = &mut self.leash {
            return leash.towed(self.speed, &mut self.d_stray);
        }
        // A body as heavy as the water goes with it.
        let carried = level([water.acceleration[0], water.acceleration[1]]);
        let felt = [carried[0] + faster, carried[1] + sideways, G + water.acceleration[2]];
        self.worn(roll, pitch).apply(felt)
    }

    /// From the level frame to the tag.
    fn worn(&self, roll: f64, pitch: f64) -> Rotation {
        let body = attitude(roll, pitch, 0.0);
        if self.eaten { self.lodged.after(&body) } else { body }
    }

    /// Opens and closes bursts, and turns a glide that ends on the bottom into a rest.
    fn note_mode(&mut self, t_s: f64, was: Mode) {
        if was == Mode::Burst
            && let Some(from) = self.burst_from.take()
        {
            self.happen(from, Happening::Burst, Some(t_s));
        }
        if self.intent.mode == Mode::Burst {
            self.burst_from = Some(t_s);
        }
        if self.intent.mode == Mode::Rest && !self.gait.running() {
            self.close(t_s);
            self.open = Some((Happening::Rest, t_s));
        }
    }

    /// One short step that ends at `t_s`: what is added to the force, m/s2, and a roll.
    fn short(&mut self, t_s: f64, step_s: f64) -> (Vec3, f64) {
        let mut extra = [0.0; 3];
        let mut recoil = 0.0;
        match &mut self.stage {
            Stage::Alive => {
                let (motion, mark) = self.gait.step(
                    self.stroke,
                    step_s,
                    self.plan.extras.pace.slow_every > 1,
                    &mut self.d_gait,
                );
                // Flesh around a swallowed tag moves less than a fin.
                let part = if self.eaten { 0.6 } else { 1.0 };
                recoil = part * motion.roll;
                extra = motion.acceleration.map(|a| part * a);
                if self.eaten {
                    extra = self.lodged.apply(extra);
                }
                let mark = match &self.leash {
                    Some(leash) => {
                        recoil = 0.0;
                        extra = extra.map(|a| leash.coupling * a);
                        // The tag is no longer on the animal.
                        None
                    }
                    None => mark,
                };
                match mark {
                    Some(Mark::Beat { ago_s }) => self.happen(t_s - ago_s, Happening::Beat, None),
                    Some(Mark::Stopped) if self.dying => self.die(t_s),
                    Some(Mark::Stopped) => {
                        let rests = self.intent.mode == Mode::Rest;
                        let what = if rests { Happening::Rest } else { Happening::Glide };
                        self.open = Some((what, t_s));
                    }
                    Some(Mark::Started) => {
                        if let Some((what, from)) = self.open.take() {
                            self.happen(from, what, Some(t_s));
                        }
                    }
                    None => {}
                }
                if self.gill.0 > 0.0 && self.leash.is_none() {
                    self.gill.1 = (self.gill.1 + self.behaviour.gill().1 * step_s).fract();
                    let (s, c) = (TAU * self.gill.1).sin_cos();
                    let a = G * self.gill.0;
                    // A breath is a quick squeeze: the second harmonic shows.
                    extra[2] += a * (c + 0.4 * (c * c - s * s));
                    extra[0] += 0.5 * a * s;
                }
            }
            Stage::Adrift(_, Some(scavenger)) => {
                (extra, _) = scavenger.step(t_s, &mut self.d_scavenger);
            }
            Stage::Carcass(carcass, Some(scavenger), _) => {
                let (pull, ended) = scavenger.step(t_s, &mut self.d_scavenger);
                extra = pull;
                if ended {
                    carcass.moved(&mut self.d_scavenger);
                }
            }
            Stage::Snagged(leash, _) => extra[1] += leash.shed(step_s),
            _ => {}
        }
        if let (Some(leash), Stage::Alive) = (&mut self.leash, &self.stage) {
            extra[1] += leash.shed(step_s);
        }
        if let Some(jolt) = self.jolt {
            match jolt.at(t_s) {
                Some(a) => (0..3).for_each(|i| extra[i] += a[i]),
                None => self.jolt = None,
            }
        }
        (extra, recoil)
    }
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
            let moving = matches!(world.stage, Stage::Alive) && !world.intent.grounded;
            let (turned, shakes) = loosening.step(t, moving, &mut d_mount);
            (sensor.loose, wobble) = (Some(turned), shakes);
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
