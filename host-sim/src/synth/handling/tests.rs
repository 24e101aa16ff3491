//! What comes before and after, looked at from outside.

use std::convert::Infallible;
use std::fs;

use super::plan::after;
use super::scene::Scene;
use super::*;
use crate::synth::{Family, Handling, Request, engine, prepare};

#[derive(Default)]
struct Kept {
    rows: Vec<Row>,
    events: Vec<Event>,
}

impl Sink for Kept {
    type Error = Infallible;

    fn row(&mut self, row: &Row) -> Result<(), Infallible> {
        self.rows.push(*row);
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<(), Infallible> {
        self.events.push(*event);
        Ok(())
    }
}

fn planned(name: &str, seed: u64, hours: f64) -> Plan {
    let mut request = Family::bundled(name).map_or_else(
        || Request::new(name, seed, "unused"),
        |family| Request::of_family(&family, seed, "unused"),
    );
    request.hours = Some(hours);
    request.sample_hz = Some(25.0);
    prepare(&request).expect("a plan").plan
}

fn whole(plan: &Plan) -> (Kept, Done) {
    let mut kept = Kept::default();
    let done = run(plan, &mut kept).unwrap_or_else(|never| match never {});
    (kept, done)
}

/// The rows of one scene alone.
fn played(plan: &Plan, scene: Scene) -> Vec<Row> {
    let mut kept = Kept::default();
    let d = Draws::new(&plan.scenario, plan.seed, Part::Handling);
    let ticks = (scene.lasts_s * plan.sensor.sample_hz) as u64;
    let played = Player::new(plan, d).play(&[scene], 0..ticks, 0.0, &mut kept);
    played.unwrap_or_else(|never| match never {});
    kept.rows
}

fn sound(name: &str, seed: u64) -> Plan {
    let mut plan = planned(name, seed, 0.5);
    plan.sensor.offset_g = [0.0; 3];
    plan.sensor.gain = [1.0; 3];
    plan.extras.mounting.offset_g_c = [0.0; 3];
    (plan.sensor.range_g, plan.sensor.counts_per_g) = (16.0, 4096.0);
    plan
}

fn g(row: &Row, plan: &Plan) -> [f64; 3] {
    row.counts.map(|c| c.map_or(f64::NAN, |c| f64::from(c) / plan.sensor.counts_per_g))
}

fn size(v: [f64; 3]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

fn draws(seed: u64) -> Draws {
    Draws::new("scenes", seed, Part::Handling)
}

#[test]
fn the_animals_part_is_moved_and_nothing_else() {
    for (name, seed) in
        [("cruiser", 1), ("ram-survivor", 3), ("float-off", 4), ("fault-clock-jump", 2)]
    {
        let plan = planned(name, seed, 0.6);
        let mut bare = Kept::default();
        engine::run(&plan, &mut bare).unwrap_or_else(|never| match never {});
        let (kept, done) = whole(&plan);
        let first = (done.released_s * 25.0) as u64;
        let last = first + bare.rows.last().expect("rows").tick;
        let inside: Vec<Row> = kept
            .rows
            .iter()
            .filter(|r| (first..=last).contains(&r.tick))
            .map(|r| Row { tick: r.tick - first, ..*r })
            .collect();
        assert!(inside == bare.rows, "{name}");
        // Every sample of the record is there once.
        assert!(
            kept.rows.iter().enumerate().all(|(i, r)| r.tick == i as u64),
            "{name}: a sample is missing"
        );
        let released = kept.events.iter().filter(|e| e.what == Happening::Released);
        assert_eq!(released.map(|e| e.t_s).collect::<Vec<_>>(), [done.released_s], "{name}");
        for e in &bare.events {
            let want = Event {
                t_s: e.t_s + done.released_s,
                what: e.what,
                end_s: e.end_s.map(|x| x + done.released_s),
            };
            assert!(kept.events.contains(&want), "{name}: {want:?}");
        }
        let picked_up = kept.events.iter().find(|e| e.what == Happening::PickedUp);
        assert_eq!(picked_up.map(|e| e.t_s), done.picked_up_s, "{name}");
    }
}

#[test]
fn lengths_are_drawn_wide_and_within_bounds() {
    let mut plan = planned("cruiser", 1, 0.2);
    let all: Vec<f64> = (1..=400)
        .map(|seed| {
            plan.seed = seed;
            before_s(&plan)
        })
        .collect();
    assert!(all.iter().all(|s| s.is_sign_positive()));
    assert!(all.iter().all(|s| *s == 0.0 || (180.0..=28_800.0).contains(s) && s % 60.0 == 0.0));
    let part = |f: &dyn Fn(f64) -> bool| all.iter().filter(|s| f(**s)).count() as f64 / 400.0;
    let (none, short, long) =
        (part(&|s| s == 0.0), part(&|s| s > 0.0 && s < 1200.0), part(&|s| s > 10_800.0));
    assert!((0.04..0.13).contains(&none), "{none}");
    assert!(short > 0.05 && long > 0.2, "{short} {long}");
}

#[test]
fn a_bench_is_still_to_the_noise_of_the_sensor() {
    for seed in 1..=4 {
        let plan = sound("cruiser", seed);
        let rows = played(&plan, Scene::drawer(900.0));
        // The first seconds put it there.
        let rows = &rows[250..];
        let noise = plan.sensor.noise_g_rthz * (0.5 * plan.sensor.sample_hz).sqrt();
        let step = 1.0 / plan.sensor.counts_per_g;
        // Rounding adds a twelfth of the square of a count.
        let want = (noise * noise + step * step / 12.0).sqrt();
        for axis in 0..3 {
            let x: Vec<f64> = rows.iter().map(|r| g(r, &plan)[axis]).collect();
            let mean = x.iter().sum::<f64>() / x.len() as f64;
            let sd = (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / x.len() as f64).sqrt();
            assert!((sd / want - 1.0).abs() < 0.05, "seed {seed}, axis {axis}: {sd} {want}");
        }
    }
}

/// What is not thrown about reads 1 g on average; its depth is that of the surface.
#[test]
fn one_g_and_no_depth_in_air() {
    for seed in 1..=6 {
        let plan = sound("cruiser", seed);
        let d = &mut draws(seed);
        let scenes = [
            Scene::bench(600.0, d),
            Scene::car(600.0, d),
            Scene::walk(600.0, d),
            Scene::under_way(600.0, d),
            Scene::deck(600.0, d),
            Scene::hands(600.0, d),
            Scene::fixed("fixed", 600.0, d),
        ];
        for scene in scenes {
            let name = scene.name;
            let rows = played(&plan, scene);
            let mean = rows.iter().map(|r| size(g(r, &plan))).sum::<f64>() / rows.len() as f64;
            assert!((mean - 1.0).abs() < 0.15, "seed {seed}, {name}: {mean} g");
            for row in &rows {
                let m = row.depth_cm.map_or(0.0, |c| c as f64 / 100.0);
                assert!(m.abs() < 0.5 + plan.sensor.depth_step_m, "seed {seed}, {name}: {m} m");
            }
            assert_eq!(rows.iter().filter(|r| r.depth_cm.is_some()).count(), 600, "{name}");
        }
    }
}

#[test]
fn alongside_is_at_the_surface_and_moves() {
    for seed in 1..=6 {
        let plan = sound("cruiser", seed);
        let rows = played(&plan, Scene::alongside(600.0, &mut draws(seed)));
        let settled = &rows[100..];
        assert!(settled.iter().all(|r| (0.0..=1.5).contains(&r.below_m)), "seed {seed}");
        let wet = settled.iter().filter_map(|r| r.wet);
        let (wet, of) = wet.fold((0, 0), |(wet, of), w| (wet + i32::from(w), of + 1));
        assert!(wet * 100 > 95 * of && of > 590, "seed {seed}: {wet} of {of}");
        let mean = settled.iter().map(|r| size(g(r, &plan))).sum::<f64>() / settled.len() as f64;
        let sd = (settled.iter().map(|r| (size(g(r, &plan)) - mean).powi(2)).sum::<f64>()
            / settled.len() as f64)
            .sqrt();
        assert!((mean - 1.0).abs() < 0.2 && sd > 0.01, "seed {seed}: {mean} +/- {sd} g");
    }
}

/// Handbook physics: 0.3 to 1.2 m of free fall last sqrt(2 h / g), 0.25 to 0.49 s.
#[test]
fn a_drop_is_a_free_fall_and_a_blow() {
    let plan = sound("cruiser", 2);
    let mut scene = Scene::hands(200.0, &mut draws(9));
    scene.drops.every_s = 20.0;
    scene.drops.size = 12.0;
    let rows = played(&plan, scene);
    let falls: Vec<bool> = rows.iter().map(|r| size(g(r, &plan)) < 0.1).collect();
    let longest = falls.split(|f| !f).map(<[bool]>::len).max().unwrap_or(0);
    assert!((5..=13).contains(&longest), "{longest} samples at 25 Hz");
    let most = rows.iter().map(|r| size(g(r, &plan))).fold(0.0, f64::max);
    assert!(most > 2.0, "{most} g");
}

#[test]
fn a_contact_stays_wet_for_at_most_a_minute() {
    for seed in 1..=20 {
        let d = &mut draws(seed);
        let mut wet = Wet::new(d);
        (0..20).for_each(|t| {
            wet.read(true, f64::from(t), d);
        });
        assert!(!wet.read(false, 19.0 + 60.5, d), "seed {seed}");
    }
}

#[test]
fn a_package_that_lets_go_rises_floats_and_is_picked_up() {
    let mut found = 0;
    for seed in 1..=12 {
        let plan = planned("cruiser", seed, 0.2);
        let handled = Handled::draw(&plan);
        if handled.after != After::LetsGo {
            continue;
        }
        found += 1;
        let (kept, done) = whole(&plan);
        let at = |what| kept.events.iter().find(|e| e.what == what).copied();
        let off = at(Happening::Detached).expect("it comes off");
        let picked_up_s = done.picked_up_s.expect("it is picked up");
        let afloat = at(Happening::Surface).expect("it floats");
        assert!(off.t_s >= done.released_s + 719.0 && off.t_s <= afloat.t_s);
        let floats_s = picked_up_s - afloat.t_s;
        assert!((299.0..10_801.0).contains(&floats_s), "seed {seed}: {floats_s} s");
        let mid = ((afloat.t_s + 0.5 * floats_s) * 25.0) as usize;
        assert!(kept.rows[mid].below_m < 0.3, "seed {seed}: {} m", kept.rows[mid].below_m);
        assert!(done.lasts_s > picked_up_s);
    }
    assert!(found > 0);
}

#[test]
fn nothing_comes_after_where_the_record_ends() {
    assert_eq!(after(After::Ends, 3.0, 0.5, &mut draws(1)), (Vec::new(), None));
}

#[test]
fn files_are_the_same_twice_and_say_what_was_asked() {
    let dir = tempfile::tempdir().expect("a folder");
    let make = |name: &str, handling, wet| {
        let mut request = Request::new("tag-floating", 3, dir.path());
        (request.hours, request.name) = (Some(0.5), Some(name.to_owned()));
        request.handling = handling;
        request.format.wet = wet;
        let w = crate::synth::run(&request).expect("files");
        [w.trace, w.truth, w.deployment].map(|p| fs::read_to_string(p).expect("a file"))
    };
    let bare = make("bare", Handling::None, false);
    let (one, two) = (make("one", Handling::Drawn, true), make("two", Handling::Drawn, true));
    let stated = make("stated", Handling::Stated, false);
    assert!(one == two);
    assert!(!bare[1].contains("released") && !bare[2].contains("handling"));
    assert!(one[0].lines().next().is_some_and(|l| l.ends_with(",wet")));
    assert!(one[1].contains(",released,") && !one[2].contains("release_utc"));
    let start = |toml: &str, key: &str| -> Option<jiff::Timestamp> {
        toml.lines().find_map(|l| l.strip_prefix(key)?.trim_matches([' ', '=', '"']).parse().ok())
    };
    // The release is where the record without its handling begins.
    assert_eq!(start(&stated[2], "release_utc"), start(&bare[2], "start_utc"));
    assert!(start(&stated[2], "release_utc").is_some());
    let plan = planned("tag-floating", 3, 0.5);
    let before_s = before_s(&plan) as i64;
    let earlier = start(&bare[2], "start_utc").expect("a start").as_second() - before_s;
    assert_eq!(start(&one[2], "start_utc").map(|t| t.as_second()), Some(earlier));
}
