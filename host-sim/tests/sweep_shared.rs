//! A sweep shares work between settings; each must still get the very bits of a
//! tag of its own, run from start to end by itself.

use std::collections::BTreeSet;
use std::sync::Arc;

use firmware_core::config::{Config, Detector, Param, Release};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment};
use host_sim::deployment::Deployment;
use host_sim::energy::tracker::{TraceLoads, Tracker};
use host_sim::replay::{Keep, TraceClock, prepare};
use host_sim::sweep::cells::{STAGES, Stage, stage_of};
use host_sim::sweep::duty::Duty;
use host_sim::sweep::fan::{self, Found, LeafPlan, LimbPlan, Outcome};
use host_sim::sweep::thin::{Thinning, thin};
use host_sim::synth::{Request, SCENARIOS, run};
use host_sim::trace::Decoded;

const NAP: Duty = Duty::Cycle { on_us: 180_000_000, every_us: 300_000_000 };

fn made(scenario: &str, seed: u64, hours: f64, hz: f64) -> (Decoded, Config) {
    let dir = tempfile::tempdir().unwrap();
    let mut request = Request::new(scenario, seed, dir.path());
    request.hours = Some(hours);
    request.sample_hz = Some(hz);
    let written = run(&request).unwrap();
    let mut p = prepare(&written.trace, None, Keep::default(), |file| Box::new(file)).unwrap();
    (Decoded::read(&mut p.reader, "made").unwrap(), p.setup.config)
}

/// One tag by itself, as a firmware would run it.
fn alone(trace: &Decoded, duty: Duty, config: &Config, plan: &LeafPlan) -> Outcome {
    let mut tag = Tag::new(*config);
    let mut meter = Tracker::new(loads(config, duty));
    let mut samples = 0_u64;
    let mut found = Found { beats_us: Vec::new(), minutes: Vec::new() };
    let mut fates = Vec::new();
    let (mut next_us, mut last_us, mut raw_bytes) = (0, None, 0.0_f64);
    let mut clock = TraceClock::default();
    let mut take = |event: &Event, _: &Moment| match event {
        Event::Beat(beat) => found.beats_us.push(beat.t_us),
        Event::Minute(minute) => found.minutes.push((minute.t_us, minute.beats_per_min)),
        Event::Fate(report) => fates.push(*report),
        _ => {}
    };
    let ceiling_us = (config.release().ceiling_h * 3.6e9) as u64;
    let keep_house = |tag: &Tag, samples: u64, meter: &mut Tracker, raw: &mut f64| {
        let record = f64::from(tag.record_bytes());
        let wanted = plan.raw_bytes_per_sample * samples as f64;
        *raw = wanted.min((plan.memory_bytes - record).max(0.0)).max(*raw);
        meter.settle((record + *raw) as u64);
        ((record + *raw) / plan.memory_bytes).min(1.0) as f32
    };
    for mut sample in trace.samples().filter(|s| duty.awake(s.t_us)) {
        if let Some(last) = last_us
            && duty != Duty::Always
            && (last + 1..=sample.t_us).contains(&ceiling_us)
        {
            tag.tick(ceiling_us, &mut take);
        }
        samples += 1;
        meter.sample(sample.t_us, sample.depth_m.is_some(), sample.temp_c);
        last_us = Some(sample.t_us);
        if sample.t_us >= next_us || sample.t_us + 180_000_000 < next_us {
            next_us = sample.t_us + 60_000_000;
            sample.memory_used = Some(keep_house(&tag, samples, &mut meter, &mut raw_bytes));
            sample.cell_left = Some(meter.left_fraction() as f32);
        }
        let before_us = tag.now_us();
        tag.feed(&sample.as_run(), &mut take);
        // Not where the tag dropped the sample: its time was last moved on by a tick.
        if tag.now_us() > before_us {
            clock.note(tag.now_us(), sample.t_us);
        }
    }
    if duty != Duty::Always && (last_us.unwrap() + 1..=trace.latest_us()).contains(&ceiling_us) {
        tag.tick(ceiling_us, &mut take);
    }
    tag.flush(&mut take);
    keep_house(&tag, samples, &mut meter, &mut raw_bytes);
    Outcome {
        id: plan.id,
        clock: Arc::new(clock),
        found: Arc::new(found),
        fates,
        fate: tag.fate(),
        recovery: tag.recovery(),
        release: tag.release(),
        record_bytes: tag.record_bytes(),
        raw_bytes,
        used_mah: meter.used_mah(),
        left_fraction: meter.left_fraction(),
        own: Arc::default(),
    }
}

/// `base` with one setting changed, or with its sample rate.
fn with(base: &Config, set: impl FnOnce(&mut Detector, &mut Release)) -> Config {
    let (mut detector, mut release) = (*base.detector(), *base.release());
    set(&mut detector, &mut release);
    Config::new(*base.logger(), *base.place(), *base.animal(), detector, release).unwrap()
}

/// Another value of a setting that is sure to lie in its range and on its side
/// of the setting it must not cross.
fn other(param: &Param, now: f32) -> f32 {
    match param.key {
        "min_beat_hz" => 0.25,
        "max_beat_hz" => 3.0,
        "floor_h" => 1.5,
        "ceiling_h" => 2.5,
        // So that it is met within the record.
        "recovery_sd_max_h" => 6.0,
        "recovery_normal_h" | "cell_confirm_min" | "memory_confirm_min" => 0.0,
        "cell_reserve_fraction" => 0.9,
        _ if param.is_flag => 1.0 - now,
        _ if now == 0.0 => param.max.min(1.0),
        _ => (now * 0.3).max(param.min),
    }
}

fn changed(base: &Config, key: &str) -> Config {
    with(base, |d, r| {
        if let Some(p) = Detector::PARAMS.iter().find(|p| p.key == key) {
            d.set(key, other(p, d.get(key).unwrap())).unwrap();
        } else {
            let p = Release::PARAMS.iter().find(|p| p.key == key).unwrap();
            r.set(key, other(p, r.get(key).unwrap())).unwrap();
        }
    })
}

/// A cell so small that it is empty within hours; a smaller one for those that nap.
fn loads(config: &Config, duty: Duty) -> Arc<TraceLoads> {
    let cell_mah = if duty == Duty::Always { 0.2 } else { 0.1 };
    let mut deployment = Deployment::default();
    deployment.cell_mah = Some(cell_mah);
    let tag = deployment.tag_file().unwrap();
    Arc::new(TraceLoads::new(&tag, f64::from(config.logger().sample_hz)))
}

fn leaf(id: usize, config: Config, raw: f64) -> LeafPlan {
    LeafPlan { config, memory_bytes: 1e6, raw_bytes_per_sample: raw, id }
}

/// Runs all `plans` together and each by itself.
fn check(name: &str, trace: &Decoded, duty: Duty, plans: &[LimbPlan]) -> Vec<Outcome> {
    let outcomes = fan::run(trace, duty, &loads(&plans[0].config, duty), plans, false);
    let leaves = plans.iter().flat_map(|p| p.leaves.iter().map(|leaf| (&p.config, leaf)));
    let mut n = 0;
    for (limb, leaf) in leaves {
        let config = with(&leaf.config, |d, _| *d = *limb.detector());
        let want = alone(trace, duty, &config, leaf);
        let got = outcomes.iter().find(|o| o.id == leaf.id).unwrap();
        assert!(
            got.same_decisions(&want),
            "{name}, leaf {}: {:?} {:?}\n{:?} {:?}\nbeats {} {}",
            leaf.id,
            got.release,
            want.release,
            got.fates,
            want.fates,
            got.found.beats_us.len(),
            want.found.beats_us.len()
        );
        n += 1;
    }
    assert_eq!(n, outcomes.len());
    outcomes
}

/// Settings that pull every stage apart: early and late deaths, other depths and
/// ceilings, small cells and full memories.
fn mixed(base: &Config) -> Vec<LimbPlan> {
    let mut id = 0;
    let mut limb = |config: Config| {
        let ceilings = [2.123_456, 40.0];
        let leaves = ceilings.map(|ceiling_h| {
            id += 1;
            let config = with(&config, |_, r| {
                r.ceiling_h = ceiling_h;
                r.floor_h = 0.5;
                r.cell_reserve_fraction = if id % 2 == 0 { 0.5 } else { 0.0 };
                r.death_daylight = id % 2 == 0;
            });
            leaf(id, config, f64::from(id as u8 % 3) * 6.0)
        });
        LimbPlan { config, leaves: leaves.to_vec() }
    };
    vec![
        limb(*base),
        limb(with(base, |d, _| {
            d.false_death_prob = 0.05;
            d.ram_pause_min = 6.0;
            d.buccal_pause_h = 0.6;
        })),
        limb(with(base, |d, _| {
            d.surface_depth_m = 9.0;
            d.stationary_depth_m = 8.0;
            d.off_posture_min = 6.0;
            d.recovery_prob = 0.5;
            d.recovery_sd_max_h = 8.0;
        })),
    ]
}

#[test]
fn every_scenario_shared_as_alone() {
    let (mut fronts, mut causes) = (0, BTreeSet::new());
    for (n, scenario) in SCENARIOS.iter().enumerate() {
        let hours = scenario.least_hours.max(3.4);
        let (trace, config) = made(scenario.name, 31 + n as u64, hours, 10.0);
        let duty = if n % 3 == 2 { NAP } else { Duty::Always };
        let outcomes = check(scenario.name, &trace, duty, &mixed(&config));
        let found: BTreeSet<_> = outcomes.iter().map(|o| Arc::as_ptr(&o.found)).collect();
        fronts += found.len();
        causes.extend(outcomes.iter().filter_map(|o| o.release).map(|r| format!("{:?}", r.cause)));
    }
    // Shared by most, and parted where the settings decide differently.
    let apart = fronts - SCENARIOS.len();
    assert!(apart >= 4 && apart < SCENARIOS.len(), "{apart} of {}", SCENARIOS.len());
    for cause in ["Ceiling", "Death", "Detached", "CellLow", "MemoryFull"] {
        assert!(causes.contains(cause), "{cause}: {causes:?}");
    }
}

#[test]
fn thinned_and_asleep_as_alone() {
    let (trace, config) = made("death-first-hour", 5, 4.0, 25.0);
    for how in [Thinning::Filter, Thinning::Skip] {
        let slow = thin(&trace, 5, how, 40_000.0, None);
        let mut logger = *config.logger();
        logger.sample_hz = 5.0;
        let base = Config::new(
            logger,
            *config.place(),
            *config.animal(),
            *config.detector(),
            *config.release(),
        )
        .unwrap();
        let minute = Duty::Cycle { on_us: 20_000_000, every_us: 60_000_000 };
        for duty in [Duty::Always, NAP, minute] {
            check("thinned", &slow, duty, &mixed(&base));
        }
    }
}

/// The table says at which stage a setting is first read. For each setting that
/// the sample stages do not read, a changed value is run with the given one on
/// one front and must come out as by itself.
#[test]
fn settings_are_read_where_the_table_says() {
    let all = Detector::PARAMS.iter().chain(Release::PARAMS);
    let keys: Vec<&str> = all.map(|p| p.key).collect();
    assert_eq!(keys, STAGES.map(|s| s.0), "the table and the settings differ");
    for (scenario, seed, hours) in
        [("death-first-hour", 7, 3.5), ("tag-floating", 7, 3.5), ("bottom-rester", 7, 6.0)]
    {
        let (trace, base) = made(scenario, seed, hours, 10.0);
        let base = with(&base, |_, r| {
            r.floor_h = 1.0;
            r.ceiling_h = 20.0;
        });
        let mut limbs = vec![LimbPlan { config: base, leaves: vec![leaf(0, base, 12.0)] }];
        for (id, key) in (1..).zip(&keys) {
            let config = changed(&base, key);
            let leaf = leaf(id, config, 12.0);
            match stage_of(key) {
                Some(Stage::Samples) => {}
                Some(Stage::Minutes) => limbs.push(LimbPlan { config, leaves: vec![leaf] }),
                Some(Stage::Release) => limbs[0].leaves.push(leaf),
                None => unreachable!(),
            }
        }
        check(scenario, &trace, Duty::Always, &limbs);
    }
}

/// And the settings that it says the sample stages read do change what they give:
/// otherwise they could be shared too.
#[test]
fn settings_of_the_sample_stages_are_read_there() {
    let (trace, base) = made("small-sprinter", 9, 1.0, 25.0);
    let found = |config: Config| {
        let plan = LimbPlan { config, leaves: vec![leaf(0, config, 0.0)] };
        fan::run(&trace, Duty::Always, &loads(&base, Duty::Always), &[plan], false).remove(0).found
    };
    let usual = found(base);
    for (key, stage) in STAGES {
        if stage == Stage::Samples {
            let config = match key {
                "min_sway_g" => with(&base, |d, _| d.min_sway_g = 0.2),
                "min_beat_hz" => with(&base, |d, _| d.min_beat_hz = 1.5),
                "max_beat_hz" => with(&base, |d, _| d.max_beat_hz = 2.0),
                _ => changed(&base, key),
            };
            assert!(found(config) != usual, "{key}");
        }
    }
}
