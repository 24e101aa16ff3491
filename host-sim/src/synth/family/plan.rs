//! From what a seed drew to the plan of a deployment.

use super::{Drawn, Family};
use crate::synth::antics::Often;
use crate::synth::behaviour::Habits;
use crate::synth::carcass::CarcassKind;
use crate::synth::depth::{Layers, Tide};
use crate::synth::draws::Draws;
use crate::synth::engine::Pace;
use crate::synth::faults::{DeadDepth, Fault};
use crate::synth::floating::Package;
use crate::synth::gait::Swimmer;
use crate::synth::mounting::{Mounting, Turn};
use crate::synth::plan::{Extras, Fate, Plan, Way};
use crate::synth::posture::attitude;
use crate::synth::recovery::{DaySwing, Recovery};
use crate::synth::scenario::draw_sensor;
use crate::synth::swell::SeaState;

/// Choices of the caller that go over what is drawn.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Instead {
    pub(crate) hours: Option<f64>,
    pub(crate) sample_hz: Option<f64>,
    pub(crate) mount_deg: Option<[f64; 3]>,
}

impl Family {
    /// Draws the plan of one deployment, and the mounting where the deployment file tells it.
    pub(crate) fn plan(&self, seed: u64, instead: Instead) -> (Plan, Option<[f64; 3]>) {
        let v = &self.draw_all(seed);
        let hours =
            instead.hours.unwrap_or_else(|| (v.get("deployment.hours") * 10.0).round() / 10.0);
        let end_s = hours * 3600.0;
        let buccal = v.word("animal.breathing") == "buccal";

        // What no key states: shapes and phases of one animal, place and package.
        let d = &mut self.stream("animal", seed);
        let length_m = v.get("animal.length_m");
        let mut swimmer = Swimmer::draw(length_m, d);
        let recovery = recovery(v);
        set_beat(&mut swimmer, v.get("animal.beat_hz_at_1m"));
        swimmer.fit([recovery.first[0], recovery.first[1]]);

        let d = &mut self.stream("place", seed);
        let longitude_deg = -(d.between(38.0, 39.0) * 1e4).round() / 1e4;
        let latitude_deg = (d.between(43.0, 44.0) * 1e4).round() / 1e4;
        let start_h = v.get("deployment.start_h");
        let day = 1_900_000_000_i64 / 86_400 + d.below(330) as i64;
        // Local solar time to UTC, on a whole second.
        let start_s = day * 86_400 + ((start_h - longitude_deg / 15.0) * 3600.0) as i64;

        let bottom_m = v.get("sea.bottom_m");
        let habits = habits(v, bottom_m, buccal, &swimmer, &mut self.stream("habits", seed));
        let (swell, wind_sea) = seas(v, &mut self.stream("sea", seed));
        let d = &mut self.stream("tide", seed);
        let tide = Tide {
            amplitude_m: [v.get("sea.tide_m"), v.get("sea.tide_m") * d.between(0.2, 0.45)],
            phase: [d.angle(), d.angle()],
        };
        let cold_c = v.get("water.cold_c");
        let d = &mut self.stream("layers", seed);
        let layers = Layers {
            cold_c,
            warm_c: cold_c + v.get("water.warmer_c"),
            middle_m: d.between(0.25, 0.6) * bottom_m.min(80.0),
            thickness_m: d.between(0.5, 6.0),
        };

        let sample_hz = instead.sample_hz.unwrap_or_else(|| v.get("logger.sample_hz"));
        let mut sensor =
            draw_sensor(sample_hz, instead.mount_deg, &mut self.stream("sensor", seed));
        sensor.noise_g_rthz = v.get("logger.noise_g_rthz");
        sensor.clock_ppm = v.get("logger.clock_ppm");
        let told = v.is("logger.mount_known").then(|| {
            let (roll, pitch, yaw) = sensor.mount.angles();
            // Whole tenths of a degree, and mounted just so.
            let tenth = |x: f64| (x.to_degrees() * 10.0).round() / 10.0;
            [tenth(roll), tenth(pitch), tenth(yaw)]
        });
        if let (Some(m), None) = (told, instead.mount_deg) {
            let [r, p, y] = m.map(f64::to_radians);
            sensor.mount = attitude(r, p, y);
        }

        let fault = fault(v, end_s, &mut self.stream("fault", seed));
        if matches!(fault, Fault::Clipped { .. }) {
            // A narrow range, where a drift to the rail is likely.
            (sensor.range_g, sensor.counts_per_g) = (2.0, 1024.0);
        }
        let plan = Plan {
            scenario: format!("family {}", self.name),
            seed,
            hours,
            id: format!("OSB-{}-{seed:04}", self.name),
            start: jiff::Timestamp::from_second(start_s).unwrap_or(jiff::Timestamp::UNIX_EPOCH),
            latitude_deg,
            longitude_deg,
            buccal,
            fate: self.fate(v, seed, bottom_m),
            swimmer,
            habits,
            recovery,
            day: DaySwing {
                half: v.get("day.half_swing_part"),
                peak_h: v.get("day.peak_h"),
                start_h,
            },
            tide,
            layers,
            bottom_m,
            swell,
            wind_sea,
            carcass: CarcassKind::draw(&mut self.stream("carcass", seed)),
            package: Package::draw(&mut self.stream("package", seed)),
            sensor,
            fault,
            extras: self.extras(v, seed, end_s),
        };
        (plan, instead.mount_deg.or(told))
    }

    fn fate(&self, v: &Drawn, seed: u64, bottom_m: f64) -> Fate {
        let at_s = v.get("fate.after_h") * 3600.0;
        let d = &mut self.stream("predator", seed);
        match v.word("fate.ends") {
            "dies" => Fate::Dies {
                at_s,
                fades_s: v.get("fate.fades_s").min(at_s.max(1.0)),
                scavenged: v.is("carcass.scavenged"),
            },
            "eaten" => {
                // Half as long again as its prey, or more.
                let length_m = (v.get("animal.length_m") * d.between(1.5, 2.5)).clamp(1.8, 6.0);
                let by = Swimmer::draw(length_m, d);
                let habits = habits(v, bottom_m, false, &by, d);
                Fate::Eaten {
                    at_s,
                    by: Box::new((by, habits)),
                    lodged: attitude(d.between(-2.5, 2.5), d.between(-1.0, 1.0), d.angle()),
                    // Some sharks and tunas keep their stomachs warm; most do not.
                    warmer_c: if d.chance(0.4) {
                        d.between(4.0, 12.0)
                    } else {
                        d.between(0.0, 0.8)
                    },
                }
            }
            "floats" => Fate::Floats { at_s },
            "sinks" => Fate::Sinks { at_s },
            "dangles" => Fate::Dangles { at_s },
            _ => Fate::Lives,
        }
    }

    fn extras(&self, v: &Drawn, seed: u64, end_s: f64) -> Extras {
        let often = |path: &str| match v.get(path) {
            h if h > 0.0 => h * 3600.0,
            _ => f64::INFINITY,
        };
        let d = &mut self.stream("fronts", seed);
        let (mut fronts, mut t_s, mut warmer_c) = (Vec::new(), 0.0, 0.0);
        let every_s = often("water.front_every_h");
        while every_s.is_finite() && fronts.len() < 1000 {
            t_s += d.wait(every_s);
            if t_s > end_s {
                break;
            }
            let step = v.get("water.front_c");
            // To and fro, so that it stays a sea.
            warmer_c = if warmer_c == 0.0 { d.sign() * step } else { 0.0 };
            fronts.push((t_s, warmer_c));
        }
        Extras {
            shakes_every_s: f64::INFINITY,
            family: Some(self.name.clone()),
            drawn: v.toml(),
            often: Often {
                fight_s: often("habits.fight_every_h"),
                jump_s: often("habits.jump_every_h"),
                rub_s: often("habits.rub_every_h"),
            },
            mounting: self.mounting(v, seed, end_s),
            fronts,
            air_c: Some(v.get("water.air_c")),
            way: match v.word("carcass.way") {
                "drifts" => Way::Drifts,
                "surf" => Way::Surf,
                _ => Way::Sinks,
            },
            carried_every_s: often("carcass.carried_every_h"),
            slides: v.get("carcass.slides_part"),
            snag: v.word("tag.dangles_from") == "snag",
            recovers: v.word("recovery.course") != "none",
            has_depth: v.is("logger.has_depth"),
            pace: Pace::COARSE,
        }
    }

    fn mounting(&self, v: &Drawn, seed: u64, end_s: f64) -> Mounting {
        let d = &mut self.stream("mounting", seed);
        let mut turns = Vec::new();
        let angle = v.get("mount.turns_deg").to_radians();
        let from_s = v.get("mount.from_part") * end_s;
        match v.word("mount.loosens") {
            "slowly" => {
                let lasts_s = d.between(0.2, 1.0) * (end_s - from_s).max(1.0);
                turns.push(Turn { from_s, lasts_s, axis: d.direction(), angle });
            }
            "jumps" => {
                let n = 1 + d.below(4);
                for _ in 0..n {
                    let from_s = d.between(from_s, end_s);
                    let axis = d.direction();
                    turns.push(Turn { from_s, lasts_s: 0.3, axis, angle: angle / n as f64 });
                }
                turns.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
            }
            _ => {}
        }
        let tilt = v.get("fouling.tilt_deg_day").to_radians() * end_s / 86_400.0;
        if tilt > 0.0 {
            turns.push(Turn { from_s: 0.0, lasts_s: end_s, axis: d.direction(), angle: tilt });
        }
        let loose = v.word("mount.loosens") != "no";
        let by_c = 0.001 * v.get("logger.offset_mg_c");
        Mounting {
            turns,
            wobble: if loose { v.get("mount.wobble_deg").to_radians() } else { 0.0 },
            depth_drift_m_s: d.sign() * v.get("fouling.depth_m_day") / 86_400.0,
            noise_growth_s: v.get("fouling.noise_part_day") / 86_400.0,
            offset_g_c: [d.normal(), d.normal(), d.normal()].map(|x| x.clamp(-2.0, 2.0) * by_c),
        }
    }
}

/// Gives the swimmer another settled beat, keeping the sway of its fin in g.
fn set_beat(swimmer: &mut Swimmer, hz_at_1m: f64) {
    // Length^-0.9 is mass^-0.3 (Sato et al. 2007, Proc. R. Soc. B 274:471).
    let hz = (hz_at_1m * swimmer.length_m.powf(-0.9)).clamp(0.2, 3.5);
    swimmer.fin_amplitude_m *= (swimmer.beat_hz / hz).powi(2);
    swimmer.beat_hz = hz;
}

fn recovery(v: &Drawn) -> Recovery {
    let rate = match v.word("recovery.course") {
        "above" => v.get("recovery.above_part"),
        "below" => v.get("recovery.below_part"),
        _ => return Recovery::new(10.0 * 3600.0, 3600.0, [1.0; 3]),
    };
    let period_s = v.get("recovery.period_h") * 3600.0;
    let first = [rate, v.get("recovery.amplitude_part"), v.get("recovery.unrest_part")];
    Recovery::new(period_s, v.get("recovery.width_part") * period_s, first)
}

fn habits(v: &Drawn, bottom_m: f64, buccal: bool, swimmer: &Swimmer, d: &mut Draws) -> Habits {
    let yoyo = v.is("habits.yoyo");
    let (least, most) = (v.get("habits.glide_least_s"), v.get("habits.glide_most_s"));
    let roll_s = v.get("habits.roll_most_s");
    let roll_every_s = v.get("habits.roll_every_s");
    // Up to 5 Hz.
    let fastest = (5.0 / (1.25 * swimmer.beat_hz)).clamp(1.2, 2.2);
    let swim = d.between(1200.0, 2400.0);
    let rest_most_s = v.get("habits.rest_most_h") * 3600.0;
    let rest = match v.word("habits.rest") {
        _ if !buccal => None,
        "long" => Some(((swim, 3.0 * swim), (rest_most_s / 6.0, rest_most_s))),
        "tidal" => Some(((600.0, swim), (6.0 * 3600.0, 6.0 * 3600.0))),
        _ => None,
    };
    let band_m = if yoyo {
        (d.between(0.05, 0.15) * bottom_m, d.between(0.65, 0.95) * bottom_m)
    } else if rest.is_some() {
        (0.4 * bottom_m, 0.95 * bottom_m)
    } else {
        (d.between(0.1, 0.3) * bottom_m, d.between(0.5, 0.9) * bottom_m)
    };
    Habits {
        swim_s: v.get("habits.swim_s"),
        glide_s: (least.min(most), most.max(least)),
        burst_every_s: v.get("habits.burst_every_s"),
        burst_factor: (0.75 * fastest.max(1.5), fastest),
        turn_every_s: v.get("habits.turn_every_s"),
        roll_every_s: if roll_every_s > 0.0 { roll_every_s } else { f64::INFINITY },
        roll_s: (0.1 * roll_s, roll_s),
        band_m,
        yoyo,
        tidal: (v.word("habits.rest") == "tidal").then_some(0.5),
        rest,
        wander: [
            d.between(0.03, 0.1),
            d.between(0.08, 0.3),
            d.between(0.03, 0.08),
            d.between(0.03, 0.08),
        ],
        gill: (v.get("habits.gill_g"), d.between(0.35, 0.9)),
    }
}

fn seas(v: &Drawn, d: &mut Draws) -> (SeaState, SeaState) {
    let towards = d.angle();
    let peak_s = v.get("sea.swell_period_s");
    let swell = SeaState {
        // Beyond about 0.6 of the depth it would break (common practice, no source).
        height_m: v.get("sea.swell_height_m").min(0.6 * v.get("sea.bottom_m")),
        peak_s,
        gamma: d.between(3.0, 7.0),
        periods_s: ((0.7 * peak_s).max(5.0), (1.35 * peak_s).min(24.0)),
        towards,
        spread: 0.15,
        components: 12,
    };
    let height_m = v.get("sea.wind_wave_height_m").min(0.6 * v.get("sea.bottom_m"));
    // Steepness of a young sea: from a thirtieth to a sixtieth of the deep-water length.
    let peak_s = (height_m * 30.0 / (1.56 * d.between(0.5, 1.0))).sqrt().clamp(1.5, 9.0);
    let wind = SeaState {
        height_m,
        peak_s,
        gamma: 3.3,
        periods_s: ((0.5 * peak_s).max(1.2), (1.6 * peak_s).min(14.0)),
        towards: towards + d.between(-0.8, 0.8),
        spread: 0.5,
        components: 24,
    };
    (swell, wind)
}

fn fault(v: &Drawn, end_s: f64, d: &mut Draws) -> Fault {
    let from_s = (v.get("fault.from_part") * end_s).round();
    let until_s = from_s + v.get("fault.lasts_h") * 3600.0;
    let axis = d.below(3);
    match v.word("fault.kind") {
        "stuck" => Fault::Stuck { axis, from_s, until_s },
        "clipped" => Fault::Clipped { axis, from_s, until_s },
        "missing" => Fault::Missing { axis, from_s, until_s },
        "gap" => {
            let mut gaps: Vec<(f64, f64)> = (0..1 + d.below(5))
                .map(|_| {
                    let from = d.between(from_s, end_s).round();
                    (from, from + d.log_between(2.0, 3600.0).round())
                })
                .collect();
            gaps.sort_by(|a, b| a.0.total_cmp(&b.0));
            Fault::Gaps(gaps)
        }
        "duplicates" => Fault::Duplicates { every_s: d.log_between(10.0, 300.0) },
        "clock_jump" => Fault::ClockJump {
            from_s,
            until_s: (from_s + d.between(0.1, 0.5) * (end_s - from_s)).round(),
            by_s: d.log_between(5.0, 600.0).round() as i64,
        },
        "depth_frozen" => Fault::DeadDepth { from_s, how: DeadDepth::Frozen },
        "depth_silent" => Fault::DeadDepth { from_s, how: DeadDepth::Silent },
        "depth_rail" => Fault::DeadDepth { from_s, how: DeadDepth::Rail },
        _ => Fault::None,
    }
}
