//! The scenarios, and the plan that a seed draws for one of them.
//!
//! Animals, places and figures are invented: tagged fish of the Ostravel Bight, which is
//! on no chart.

use super::behaviour::Habits;
use super::carcass::CarcassKind;
use super::depth::{Layers, Tide};
use super::draws::{Draws, Part};
use super::faults::{DeadDepth, Fault};
use super::floating::Package;
use super::gait::Swimmer;
use super::plan::{Extras, Fate, Plan};
use super::posture::{Rotation, attitude};
use super::recovery::{DaySwing, Recovery};
use super::sensor::SensorKind;
use super::swell::SeaState;

/// A scenario by name.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scenario {
    /// Name, as given to [`super::Request`].
    pub name: &'static str,
    /// What happens, in a line.
    pub summary: &'static str,
    /// Length where none is asked for, h.
    pub hours: f64,
    /// Shortest length in which it can happen, h.
    pub least_hours: f64,
    kind: Kind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Cruiser,
    YoYo,
    Rester,
    Roller,
    Sprinter,
    Faint,
    DeathEarly,
    DeathLate,
    DeathRester,
    Eaten,
    Floats,
    Sinks,
    Stuck,
    Clipped,
    Missing,
    Gap,
    Duplicates,
    ClockJump,
    DeadDepth,
    HeadShaker,
}

const fn scenario(
    kind: Kind,
    name: &'static str,
    hours: f64,
    least_hours: f64,
    summary: &'static str,
) -> Scenario {
    Scenario { name, summary, hours, least_hours, kind }
}

/// All scenarios, in the order of the manual.
pub const SCENARIOS: &[Scenario] = &[
    scenario(
        Kind::Cruiser,
        "cruiser",
        48.0,
        0.1,
        "ram breather that cruises, glides and turns, and recovers from capture",
    ),
    scenario(
        Kind::YoYo,
        "yoyo-glider",
        48.0,
        0.1,
        "ram breather that yo-yo dives with glides of 10 to 300 s, and recovers",
    ),
    scenario(
        Kind::Rester,
        "bottom-rester",
        48.0,
        0.1,
        "buccal pumper that rests on the bottom for 1 to 6 h at a time, and recovers",
    ),
    scenario(
        Kind::Roller,
        "side-roller",
        36.0,
        0.1,
        "ram breather that holds rolls of 30 to 60 deg for minutes, and recovers",
    ),
    scenario(
        Kind::Sprinter,
        "small-sprinter",
        36.0,
        0.1,
        "small fast fish with bursts up to 5 Hz, and recovers",
    ),
    scenario(
        Kind::Faint,
        "faint-swimmer",
        24.0,
        0.1,
        "weak, drifting beats with strong harmonics, many glides, a noisy sensor and a high swell",
    ),
    scenario(
        Kind::DeathEarly,
        "death-first-hour",
        12.0,
        1.5,
        "ram breather dead within an hour; swell rocks the carcass, a scavenger pulls at it",
    ),
    scenario(
        Kind::DeathLate,
        "death-next-day",
        40.0,
        31.0,
        "ram breather dead after 24 to 30 h; swell rocks the carcass, a scavenger pulls at it",
    ),
    scenario(
        Kind::DeathRester,
        "death-rester",
        36.0,
        4.0,
        "buccal pumper dead a third of the way in; swell and scavenger as before",
    ),
    scenario(
        Kind::Eaten,
        "eaten",
        24.0,
        1.0,
        "swallowed with the tag half way in: another beat, another posture, and warmer",
    ),
    scenario(
        Kind::Floats,
        "tag-floating",
        24.0,
        0.5,
        "tag comes off half way in, rises, and floats antenna up in a wind sea",
    ),
    scenario(
        Kind::Sinks,
        "tag-on-bottom",
        24.0,
        0.5,
        "tag comes off half way in, falls, and lies on the bottom",
    ),
    scenario(Kind::Stuck, "fault-stuck-axis", 12.0, 0.2, "an axis repeats its last count"),
    scenario(Kind::Clipped, "fault-clipped-axis", 12.0, 0.2, "an axis drifts to its rail"),
    scenario(Kind::Missing, "fault-missing-axis", 12.0, 0.2, "the cells of an axis go empty"),
    scenario(Kind::Gap, "fault-gap", 12.0, 1.0, "rows are lost for seconds to 20 min"),
    scenario(Kind::Duplicates, "fault-duplicates", 12.0, 0.2, "rows are written up to five times"),
    scenario(
        Kind::ClockJump,
        "fault-clock-jump",
        12.0,
        0.5,
        "the clock leaps ahead, and later back to where it should be",
    ),
    scenario(
        Kind::DeadDepth,
        "fault-dead-depth",
        12.0,
        0.2,
        "the depth sensor freezes, falls silent or reads its lowest value",
    ),
    scenario(
        Kind::HeadShaker,
        "head-shaker",
        6.0,
        0.2,
        "ram breather that shakes its head now and then; the truth lists each head_shake",
    ),
];

impl Scenario {
    /// Draws the plan of one deployment.
    pub(crate) fn plan(
        &self,
        seed: u64,
        hours: f64,
        sample_hz: f64,
        mount_deg: Option<[f64; 3]>,
    ) -> Plan {
        let d = &mut Draws::new(self.name, seed, Part::Plan);
        let buccal = matches!(self.kind, Kind::Rester | Kind::DeathRester);
        let length_m = match self.kind {
            Kind::Sprinter => d.log_between(0.35, 0.6),
            _ if buccal => d.log_between(0.7, 2.4),
            _ => d.log_between(0.9, 3.2),
        };
        let mut swimmer = Swimmer::draw(length_m, d);
        let bottom_m = match self.kind {
            Kind::YoYo => d.between(90.0, 170.0),
            _ => d.between(18.0, 55.0),
        };
        let habits = self.habits(bottom_m, &swimmer, d);
        let recovery = Recovery::draw(d);
        swimmer.fit([recovery.first[0], recovery.first[1]]);
        if self.kind == Kind::Faint {
            swimmer.weaken(d.between(0.03, 0.05));
            swimmer.fit([recovery.first[0], recovery.first[1]]);
        }
        let start_h = d.between(8.0, 19.0);
        let longitude_deg = -(d.between(38.0, 39.0) * 1e4).round() / 1e4;
        let day = DaySwing {
            half: d.between(0.05, 0.1),
            peak_h: if d.chance(0.7) { d.between(22.0, 26.0) } else { d.between(10.0, 14.0) },
            start_h: start_h + longitude_deg / 15.0,
        };
        // A whole second, so that the file says it exactly.
        let start_day = 1_900_000_000_i64 / 86_400 + d.below(330) as i64;
        let start_s = start_day * 86_400 + (start_h * 3600.0) as i64;
        let towards = d.angle();
        let peak_s = d.between(8.5, 14.0);
        let swell = SeaState {
            height_m: d.between(0.5, 2.5),
            peak_s,
            gamma: d.between(3.0, 7.0),
            periods_s: (8.0_f64.max(0.7 * peak_s), (1.35 * peak_s).min(15.0)),
            towards,
            spread: 0.15,
            components: 12,
        };
        let wind_peak_s = d.between(2.8, 6.5);
        let wind_sea = SeaState {
            // Steepness of a young sea: about a thirtieth of the deep-water length.
            height_m: (d.between(0.5, 1.0) * 1.56 * wind_peak_s * wind_peak_s / 30.0).min(1.6),
            peak_s: wind_peak_s,
            gamma: 3.3,
            periods_s: (2.0, 10.0),
            towards: towards + d.between(-0.8, 0.8),
            spread: 0.5,
            components: 24,
        };
        let mut swell = swell;
        if self.kind == Kind::Faint {
            swell.height_m = d.between(2.0, 3.5);
        }
        let mut sensor = draw_sensor(sample_hz, mount_deg, d);
        if self.kind == Kind::Clipped {
            // A narrow range, where a drift to the rail is likely.
            (sensor.range_g, sensor.counts_per_g) = (2.0, 1024.0);
        }
        if self.kind == Kind::Faint {
            sensor.noise_g_rthz = d.between(0.001, 0.001_4);
        }
        let end_s = hours * 3600.0;
        Plan {
            scenario: self.name.to_owned(),
            seed,
            hours,
            id: format!("OSB-{}-{seed:04}", self.code()),
            start: jiff::Timestamp::from_second(start_s).unwrap_or(jiff::Timestamp::UNIX_EPOCH),
            latitude_deg: (d.between(43.0, 44.0) * 1e4).round() / 1e4,
            longitude_deg,
            buccal,
            swimmer,
            habits,
            recovery,
            day,
            tide: Tide::draw(d),
            layers: {
                let cold_c = d.between(7.0, 12.0);
                Layers {
                    cold_c,
                    warm_c: cold_c + d.between(3.0, 9.0),
                    middle_m: d.between(0.25, 0.6) * bottom_m.min(80.0),
                    thickness_m: d.between(1.5, 6.0),
                }
            },
            bottom_m,
            swell,
            wind_sea,
            carcass: CarcassKind::draw(d),
            package: Package::draw(d),
            fate: self.fate(end_s, bottom_m, d),
            sensor,
            fault: self.fault(end_s, d),
            extras: Extras {
                shakes_every_s: match self.kind {
                    Kind::HeadShaker => d.log_between(60.0, 180.0),
                    _ => f64::INFINITY,
                },
                ..Extras::default()
            },
        }
    }

    fn code(&self) -> String {
        self.name.split('-').filter_map(|w| w.chars().next()).collect::<String>().to_uppercase()
    }

    fn habits(&self, bottom_m: f64, swimmer: &Swimmer, d: &mut Draws) -> Habits {
        let mut h = Habits {
            swim_s: d.log_between(40.0, 700.0),
            glide_s: (5.0, 60.0),
            burst_every_s: d.log_between(500.0, 3000.0),
            burst_factor: (1.4, 2.1),
            turn_every_s: d.log_between(40.0, 300.0),
            roll_every_s: f64::INFINITY,
            roll_s: (60.0, 600.0),
            band_m: (d.between(0.1, 0.3) * bottom_m, d.between(0.5, 0.9) * bottom_m),
            yoyo: false,
            rest: None,
            wander: [
                d.between(0.03, 0.1),
                d.between(0.08, 0.3),
                d.between(0.03, 0.08),
                d.between(0.03, 0.08),
            ],
            // A few mg at a breath every one to three seconds.
            gill: (d.between(0.001, 0.004), d.between(0.35, 0.9)),
            tidal: None,
        };
        match self.kind {
            Kind::YoYo => {
                h.yoyo = true;
                h.swim_s = d.between(25.0, 90.0);
                h.glide_s = (10.0, 300.0);
                h.band_m = (d.between(4.0, 15.0), d.between(0.65, 0.95) * bottom_m);
            }
            Kind::Rester | Kind::DeathRester => {
                h.swim_s = d.log_between(100.0, 600.0);
                h.glide_s = (5.0, 30.0);
                h.band_m = (0.4 * bottom_m, 0.95 * bottom_m);
                let swim = d.between(1200.0, 2400.0);
                h.rest = Some(((swim, 3.0 * swim), (3600.0, 6.0 * 3600.0)));
            }
            Kind::Roller => {
                h.roll_every_s = d.between(300.0, 900.0);
            }
            Kind::Sprinter => {
                h.burst_every_s = d.log_between(120.0, 500.0);
                // Up to 5 Hz.
                let most = (5.0 / (1.25 * swimmer.beat_hz)).clamp(1.2, 2.2);
                h.burst_factor = (0.8 * most, most);
                h.glide_s = (3.0, 20.0);
            }
            Kind::Faint => {
                h.swim_s = d.between(15.0, 40.0);
                h.wander = [0.12, 0.35, 0.08, 0.08];
                h.turn_every_s = d.between(30.0, 60.0);
                h.roll_every_s = d.between(900.0, 2400.0);
                h.band_m = (4.0, 0.6 * bottom_m);
            }
            _ => {}
        }
        h
    }

    fn fate(&self, end_s: f64, bottom_m: f64, d: &mut Draws) -> Fate {
        let middle = d.between(0.35, 0.6) * end_s;
        match self.kind {
            Kind::DeathEarly => Fate::Dies {
                at_s: d.between(600.0, 3300.0),
                fades_s: d.between(200.0, 600.0),
                scavenged: true,
            },
            Kind::DeathLate => Fate::Dies {
                at_s: d.between(24.2, 30.0) * 3600.0,
                fades_s: d.between(600.0, 3600.0),
                scavenged: true,
            },
            Kind::DeathRester => Fate::Dies {
                at_s: d.between(0.25, 0.4) * end_s,
                fades_s: d.between(600.0, 1800.0),
                scavenged: true,
            },
            Kind::Eaten => {
                let by = Swimmer::draw(d.between(3.4, 5.0), d);
                let habits = self.habits(bottom_m, &by, d);
                Fate::Eaten {
                    at_s: middle,
                    by: Box::new((by, habits)),
                    lodged: attitude(d.between(-2.5, 2.5), d.between(-1.0, 1.0), d.angle()),
                    warmer_c: if d.chance(0.6) { d.between(5.0, 10.0) } else { 0.5 },
                }
            }
            Kind::Floats => Fate::Floats { at_s: middle },
            Kind::Sinks => Fate::Sinks { at_s: middle },
            _ => Fate::Lives,
        }
    }

    fn fault(&self, end_s: f64, d: &mut Draws) -> Fault {
        let from_s = (d.between(0.3, 0.5) * end_s).round();
        let axis = d.below(3);
        let until_s = f64::INFINITY;
        match self.kind {
            Kind::Stuck => Fault::Stuck { axis, from_s, until_s },
            Kind::Clipped => Fault::Clipped { axis, from_s, until_s },
            Kind::Missing => Fault::Missing { axis, from_s, until_s },
            Kind::Gap => {
                let longest = 1200.0_f64.min(0.1 * end_s);
                let long = (longest * d.between(0.6, 1.0)).round();
                Fault::Gaps(vec![
                    ((0.15 * end_s).round(), (0.15 * end_s).round() + 3.0),
                    (from_s, from_s + (0.2 * long).round()),
                    ((0.7 * end_s).round(), (0.7 * end_s).round() + long),
                ])
            }
            Kind::Duplicates => Fault::Duplicates { every_s: d.between(20.0, 200.0) },
            Kind::ClockJump => {
                let by_s = d.between(20.0, (0.1 * end_s).min(400.0)).round() as i64;
                Fault::ClockJump { from_s, until_s: (0.7 * end_s).round(), by_s }
            }
            Kind::DeadDepth => Fault::DeadDepth {
                from_s,
                how: [DeadDepth::Frozen, DeadDepth::Silent, DeadDepth::Rail][d.below(3)],
            },
            _ => Fault::None,
        }
    }
}

pub(crate) fn draw_sensor(
    sample_hz: f64,
    mount_deg: Option<[f64; 3]>,
    d: &mut Draws,
) -> SensorKind {
    // Any way round for half of them, glued on askew for the others.
    let any = Rotation::from_quaternion({
        let q = [d.normal(), d.normal(), d.normal(), d.normal()];
        let n = q.iter().map(|x| x * x).sum::<f64>().sqrt().max(1e-9);
        q.map(|x| x / n)
    });
    let askew = attitude(d.between(-0.5, 0.5), d.between(-0.5, 0.5), d.between(-0.8, 0.8));
    let drawn = if d.chance(0.5) { any } else { askew };
    let mount = mount_deg
        .map_or(drawn, |m| attitude(m[0].to_radians(), m[1].to_radians(), m[2].to_radians()));
    let (range_g, counts_per_g) =
        [(2.0, 1024.0), (4.0, 512.0), (8.0, 256.0), (8.0, 4096.0), (16.0, 2048.0)][d.below(5)];
    let three = |d: &mut Draws, by: f64| [by * d.normal(), by * d.normal(), by * d.normal()];
    SensorKind {
        sample_hz,
        range_g,
        counts_per_g,
        // 1 to 5 mg at 25 Hz.
        noise_g_rthz: d.log_between(0.000_28, 0.001_4),
        offset_g: three(d, 0.012),
        gain: three(d, 0.006).map(|x| 1.0 + x),
        mount,
        clock_ppm: d.between(-60.0, 60.0),
        depth_noise_m: d.between(0.01, 0.05),
        depth_offset_m: d.between(-0.25, 0.25),
        depth_step_m: [0.01, 0.05, 0.1][d.below(3)],
    }
}
