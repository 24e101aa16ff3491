//! Short synthetic traces by seed. They are made to lead the tag through every
//! branch, with faults, odd mountings and impatient settings; as pictures of an
//! animal's life they are rough. Only integer random numbers and `libm` are used,
//! so that a seed gives the same bits on every host.

use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use libm::{cos, exp, fabs, floor, sin};
use on_target_wire::trace::{Axes, Kind, Raw};
use oorandom::Rand64;

use crate::trace::Trace;

const TAU: f64 = std::f64::consts::TAU;

struct Chance(Rand64);

impl Chance {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.rand_float()
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.0.rand_range(0..n) == 0
    }

    /// Nearly normal, standard deviation 1.
    fn noise(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            sum += self.0.rand_float();
        }
        sum
    }
}

/// What the tag goes through for a while.
#[derive(Clone, Copy)]
enum Spell {
    Swim { hz: f64, sway_g: f64, harmonic: f64 },
    Glide,
    Carcass { swell_s: f64, rock_g: f64 },
    Afloat { wave_s: f64 },
    OnBottom,
}

/// A recovering animal over hours.
struct Recovering {
    half_h: f64,
    width_h: f64,
    change: f64,
}

/// Turns a vector by roll, pitch and yaw in radians.
fn turn(v: [f64; 3], [roll, pitch, yaw]: [f64; 3]) -> [f64; 3] {
    let [x, y, z] = v;
    let (y, z) = (y * cos(roll) - z * sin(roll), y * sin(roll) + z * cos(roll));
    let (x, z) = (x * cos(pitch) + z * sin(pitch), z * cos(pitch) - x * sin(pitch));
    [x * cos(yaw) - y * sin(yaw), x * sin(yaw) + y * cos(yaw), z]
}

/// Configuration of an ordinary deployment at a rate.
pub fn plain_config(hz: f32) -> Config {
    let logger = Logger { sample_hz: hz, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
    let place =
        Place { start_unix_s: Some(1_750_000_000), latitude_deg: 31.0, longitude_deg: -40.0 };
    let animal = Animal { breathing: Breathing::Ram, length_m: None };
    Config::new(logger, place, animal, Detector::DEFAULT, Release::DEFAULT)
        .expect("the defaults are within their ranges")
}

/// Configuration that decides soon, different for every seed.
fn impatient_config(hz: f32, c: &mut Chance) -> Config {
    let mut d = Detector::DEFAULT;
    d.ram_pause_min = 5.0;
    d.buccal_pause_h = 0.5;
    d.off_posture_min = 5.0;
    d.false_death_prob = if c.one_in(2) { 0.1 } else { 0.05 };
    d.static_window_s = c.between(2.0, 3.0) as f32;
    if c.one_in(4) {
        d.min_beat_hz = c.between(0.1, 0.4) as f32;
        d.max_beat_hz = c.between(1.5, 5.0) as f32;
    }
    d.recovery_sd_max_h = 12.0;
    d.recovery_prob = 0.6;
    let mut r = Release::DEFAULT;
    r.floor_h = 0.0;
    r.ceiling_h = if c.one_in(3) { 0.07 } else { 48.0 };
    r.death_confirm_min = 0.5;
    r.detached_confirm_min = 0.5;
    r.memory_confirm_min = 0.2;
    r.cell_confirm_min = 0.2;
    r.recovery_normal_h = 0.5;
    r.max_depth_m = if c.one_in(8) { 30.0 } else { 500.0 };
    for flag in [&mut r.death_daylight, &mut r.detached_daylight, &mut r.recovery_daylight] {
        *flag = c.one_in(3);
    }
    let mount_deg = c.one_in(4).then(|| [0.0; 3].map(|_| c.between(-60.0, 60.0) as f32));
    let logger = Logger {
        sample_hz: hz,
        range_g: [2.0, 4.0, 8.0, 16.0][c.0.rand_range(0..4) as usize],
        counts_per_g: [1024.0, 2048.0, 1000.0][c.0.rand_range(0..3) as usize],
        mount_deg,
    };
    let place = Place {
        start_unix_s: (!c.one_in(4)).then(|| 1_700_000_000 + c.0.rand_range(0..40_000_000) as i64),
        latitude_deg: c.between(-75.0, 75.0) as f32,
        longitude_deg: c.between(-180.0, 180.0) as f32,
    };
    let animal = Animal {
        breathing: if c.one_in(2) { Breathing::Buccal } else { Breathing::Ram },
        length_m: c.one_in(2).then(|| c.between(0.5, 4.0) as f32),
    };
    Config::new(logger, place, animal, d, r).expect("all settings lie within their ranges")
}

/// Configuration that takes a rough estimate of recovery for a decision.
fn hopeful_config(hz: f32) -> Config {
    let plain = plain_config(hz);
    let mut d = *plain.detector();
    d.recovery_sd_max_h = 12.0;
    d.recovery_prob = 0.6;
    let mut r = *plain.release();
    r.floor_h = 0.0;
    r.recovery_normal_h = 0.5;
    r.recovery_daylight = false;
    Config::new(*plain.logger(), *plain.place(), *plain.animal(), d, r)
        .expect("all settings lie within their ranges")
}

fn next_spell(c: &mut Chance, hz: f64, sway_g: f64, over: Option<Spell>) -> (Spell, f64) {
    if let Some(last) = over {
        // What is dead or loose stays so.
        return (last, 600.0);
    }
    if c.one_in(3) {
        return (Spell::Glide, c.between(5.0, 40.0));
    }
    let burst = if c.one_in(5) { 1.6 } else { 1.0 };
    let swim = Spell::Swim {
        hz: burst * hz * c.between(0.9, 1.1),
        sway_g: burst * sway_g * c.between(0.8, 1.2),
        harmonic: c.between(0.0, 0.3),
    };
    (swim, c.between(10.0, 60.0))
}

/// A short trace for `seed` at `hz`, some minutes long.
pub fn short(seed: u64, hz: f32) -> Trace {
    // An end is told from a pause only once some minutes were swum.
    let minutes = if hz > 40.0 { 7.0 } else { 10.0 };
    let mut c = Chance(Rand64::new(u128::from(seed) * 7919 + 17));
    let config = impatient_config(hz, &mut c);
    let kind = if c.one_in(2) { Kind::Floats } else { Kind::Counts };
    let ends_after_s = minutes * 60.0 * c.between(0.3, 0.7);
    let end = match c.0.rand_range(0..5) {
        0 => Some(Spell::Carcass { swell_s: c.between(8.0, 15.0), rock_g: c.between(0.0, 0.05) }),
        1 => Some(Spell::Afloat { wave_s: c.between(2.0, 10.0) }),
        2 | 3 => Some(Spell::OnBottom),
        _ => None,
    };
    let faults_every_s = if c.one_in(3) { f64::MAX } else { c.between(30.0, 120.0) };
    let life =
        Life { length_s: minutes * 60.0, end, ends_after_s, recovering: None, faults_every_s };
    build(&mut c, &format!("seed {seed}"), config, kind, &life)
}

/// A long trace of a recovering animal, without faults.
pub fn long(seed: u64, hz: f32, hours: f64, config: Option<Config>) -> Trace {
    let mut c = Chance(Rand64::new(u128::from(seed) * 104_729 + 5));
    let config = config.unwrap_or_else(|| hopeful_config(hz));
    let recovering = Recovering {
        half_h: hours * c.between(0.2, 0.35),
        width_h: hours * 0.08,
        change: c.between(0.4, 0.8),
    };
    let life = Life {
        length_s: hours * 3600.0,
        end: None,
        ends_after_s: f64::MAX,
        recovering: Some(recovering),
        faults_every_s: f64::MAX,
    };
    build(&mut c, &format!("long seed {seed}"), config, Kind::Counts, &life)
}

/// A tag that comes off after eight minutes of swimming and floats, without faults.
pub fn afloat(hz: f32) -> Trace {
    let mut c = Chance(Rand64::new(97));
    let plain = plain_config(hz);
    let mut r = *plain.release();
    r.floor_h = 0.0;
    r.detached_confirm_min = 0.5;
    let config =
        Config::new(*plain.logger(), *plain.place(), *plain.animal(), *plain.detector(), r)
            .expect("all settings lie within their ranges");
    let life = Life {
        length_s: 3600.0,
        end: Some(Spell::Afloat { wave_s: 4.0 }),
        ends_after_s: 480.0,
        recovering: None,
        faults_every_s: f64::MAX,
    };
    build(&mut c, "afloat", config, Kind::Counts, &life)
}

/// What happens in a trace.
struct Life {
    length_s: f64,
    end: Option<Spell>,
    ends_after_s: f64,
    recovering: Option<Recovering>,
    faults_every_s: f64,
}

fn build(c: &mut Chance, name: &str, config: Config, kind: Kind, life: &Life) -> Trace {
    let Life { length_s, end, ends_after_s, recovering, faults_every_s } = life;
    let (length_s, end, ends_after_s) = (*length_s, *end, *ends_after_s);
    let faults = *faults_every_s < f64::MAX;
    let hz = f64::from(config.logger().sample_hz);
    let range_g = f64::from(config.logger().range_g);
    let counts_per_g = f64::from(config.logger().counts_per_g);
    let step_us = floor(1.0e6 / hz + 0.5) as u64;
    let mount = [0.0; 3].map(|_| c.between(-1.0, 1.0));
    let lain = [c.between(-3.0, 3.0), c.between(-1.4, 1.4), 0.0];
    let beat_hz = c.between(0.25, f64::min(3.0, hz / 4.5));
    let sway_g = c.between(0.04, 0.5);
    let noise_g = c.between(0.001, 0.005);
    let has_depth = !c.one_in(4);
    let depth_every = (hz * c.between(1.0, 5.0)) as usize;
    let depth_dies_s = if c.one_in(3) { length_s * 0.3 } else { f64::MAX };
    let depth_falls_silent = c.one_in(2);
    let samples = (length_s * hz) as usize;
    let mut raws = Vec::with_capacity(samples);
    let (mut spell, mut until_s) = next_spell(c, beat_hz, sway_g, None);
    let (mut phase, mut pitch, mut depth_m) = (0.0_f64, 0.0_f64, 12.0_f64);
    let mut envelope = 0.0;
    let mut t_us = 0_u64;
    let mut fault: Option<(u64, usize)> = None;
    let mut held = [0.0; 3];
    let mut held_depth = 0.0_f32;
    for i in 0..samples {
        let t_s = i as f64 / hz;
        if t_s >= until_s {
            let over = if t_s >= ends_after_s { end } else { None };
            let (next, length_s) = next_spell(c, beat_hz, sway_g, over);
            spell = next;
            until_s = t_s + length_s;
        }
        let excess = recovering.as_ref().map_or(0.0, |r| {
            let day = 0.12 * cos(TAU * t_s / 86_400.0);
            r.change / (1.0 + exp((t_s / 3600.0 - r.half_h) / r.width_h)) + day
        });
        let (mut v, posture) = match spell {
            Spell::Swim { hz: f, sway_g, harmonic } => {
                envelope += (1.0 - envelope) / (hz * 0.5);
                phase += TAU * f * (1.0 + excess) / hz;
                let beat = sin(phase) + harmonic * sin(2.0 * phase + 0.7);
                let surge = 0.15 * sway_g * sin(2.0 * phase);
                pitch += (0.3 * sin(TAU * t_s / 97.0) - pitch) / (hz * 4.0);
                ([surge, envelope * sway_g * (1.0 + excess) * beat, 0.0], [0.0, -pitch, 0.0])
            }
            Spell::Glide => {
                envelope = 0.0;
                pitch += (-0.4 - pitch) / (hz * 4.0);
                ([0.0; 3], [0.02 * sin(TAU * t_s / 7.0), -pitch, 0.0])
            }
            Spell::Carcass { swell_s, rock_g } => {
                let rock = rock_g * sin(TAU * t_s / swell_s);
                ([0.0; 3], [lain[0] * 0.3 + rock, 0.0, 0.0])
            }
            Spell::Afloat { wave_s } => {
                let rock = 0.12 * sin(TAU * t_s / wave_s) + 0.04 * sin(TAU * t_s / (wave_s * 0.61));
                ([0.0, 0.08 * rock, 0.05 * rock], [rock, 1.3 + 0.4 * rock, 0.0])
            }
            Spell::OnBottom => ([0.0; 3], lain),
        };
        depth_m = match spell {
            Spell::Swim { .. } => depth_m - pitch * 0.8 / hz,
            Spell::Glide => depth_m + 0.4 / hz,
            Spell::Carcass { .. } | Spell::OnBottom => depth_m + (40.0 - depth_m) / (hz * 20.0),
            Spell::Afloat { .. } => depth_m * (1.0 - 1.0 / (hz * 5.0)),
        };
        depth_m = f64::clamp(depth_m, 0.0, 60.0);
        let gravity = turn([0.0, 0.0, 1.0], posture);
        for (a, g) in v.iter_mut().zip(gravity) {
            *a += g;
        }
        let mut g = turn(v, mount);
        for a in &mut g {
            *a = f64::clamp(*a + noise_g * c.noise(), -range_g, range_g);
        }
        // Faults of a few seconds, now and then.
        if faults && fault.is_none() && c.one_in((hz * faults_every_s) as u64) {
            let length = (hz * c.between(0.2, 15.0)) as usize;
            fault = Some((c.0.rand_range(0..6), i + length));
        }
        t_us += step_us;
        let mut answers = true;
        if let Some((which, until)) = fault {
            match which {
                0 => answers = false,
                1 => g[0] = held[0],
                2 => g[1] = range_g,
                3 if fabs(g[2]) < 100.0 => {
                    // Samples missing, short or long; then all is well again.
                    t_us += step_us * if c.one_in(2) { 3 } else { 400 };
                    fault = None;
                }
                4 => {
                    t_us = if c.one_in(2) {
                        t_us + 3_600_000_000
                    } else {
                        t_us.saturating_sub(90_000_000)
                    };
                    fault = None;
                }
                _ => g = held,
            }
            if i >= until {
                fault = None;
            }
        }
        held = g;
        let axes = answers.then(|| match kind {
            Kind::Counts => Axes::Counts(
                g.map(|a| floor(a * counts_per_g + 0.5).clamp(-32_768.0, 32_767.0) as i16),
            ),
            Kind::Floats => Axes::Floats(g.map(|a| a as f32)),
        });
        let reading =
            has_depth && i % depth_every.max(1) == 0 && (t_s < depth_dies_s || !depth_falls_silent);
        if t_s < depth_dies_s {
            held_depth = (depth_m + 0.02 * c.noise()) as f32;
        }
        let slow = |from: f64, to: f64| (from + (to - from) * t_s / length_s).min(1.0) as f32;
        let each_minute = i % ((60.0 * hz) as usize) == 5;
        raws.push(Raw {
            t_us,
            axes,
            depth_m: reading.then_some(held_depth),
            cell_left: each_minute.then(|| slow(0.9, if range_g < 3.0 { 0.1 } else { 0.5 })),
            memory_used: each_minute.then(|| slow(0.0, if range_g > 9.0 { 1.3 } else { 0.6 })),
        });
    }
    Trace { name: format!("{name} at {hz} Hz"), config, kind, samples: raws }
}
