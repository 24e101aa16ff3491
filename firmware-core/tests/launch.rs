//! The launch and the end, found by the tag: each sign by itself, and what must not be one.

// A test may panic; that is how it fails.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::arithmetic_side_effects)]

use firmware_core::shell::launch::{DIVED_US, Launch, SOAKED_US, SWUM_US};
use firmware_core::types::{LaunchStep, LaunchedBy, Run};

const S: u64 = 1_000_000;
const STEP_US: u64 = 200_000;

/// What the tag feels for a while.
#[derive(Clone, Copy)]
struct Scene {
    s: u64,
    /// Gravity, g, and what sways it along x.
    lies_g: [f32; 3],
    sways_g: f32,
    /// Depth from, to, m; read once a second.
    depth_m: Option<(f32, f32)>,
    wet: Option<bool>,
}

const UP: [f32; 3] = [0.0, 0.0, 1.0];
const SIDE: [f32; 3] = [0.0, 1.0, 0.0];

fn scene(s: u64, lies_g: [f32; 3], sways_g: f32) -> Scene {
    Scene { s, lies_g, sways_g, depth_m: None, wet: None }
}

impl Scene {
    fn at(self, from_m: f32, to_m: f32) -> Self {
        Scene { depth_m: Some((from_m, to_m)), ..self }
    }

    fn wet(self, wet: bool) -> Self {
        Scene { wet: Some(wet), ..self }
    }
}

/// Plays the scenes; every step with its time, s.
fn play(launch: &mut Launch, scenes: &[Scene]) -> Vec<(u64, LaunchStep)> {
    let (mut steps, mut t_us) = (Vec::new(), 0);
    for scene in scenes {
        let count = scene.s * S / STEP_US;
        for n in 0..count {
            let whole = t_us % S == 0;
            let sway = scene.sways_g * (t_us as f32 * 1e-6 * 5.0).sin();
            let noise = 0.002 * ((n * 7919 % 13) as f32 / 6.0 - 1.0);
            let [x, y, z] = scene.lies_g;
            let accel_g = [[x + sway + noise, y - noise, z + noise]];
            let part = n as f32 / count as f32;
            // A sensor's noise.
            let depth_m = scene.depth_m.map(|(from, to)| from + (to - from) * part + 3.0 * noise);
            let run =
                Run { depth_m: depth_m.filter(|_| whole), ..Run::accel(t_us, 200_000, &accel_g) };
            let step = launch.take(&run, scene.wet.filter(|_| whole));
            steps.extend(step.map(|step| (t_us / S, step)));
            t_us += STEP_US;
        }
    }
    steps
}

fn begun_s(launch: &Launch) -> u64 {
    launch.begun_us() / S
}

fn dive() -> [Scene; 2] {
    let swim = scene(30, UP, 0.1);
    [swim.at(0.3, 12.0), Scene { s: 1200, ..swim }.at(12.0, 25.0)]
}

#[test]
fn a_record_that_begins_at_sea_begins_with_its_first_sample() {
    let mut launch = Launch::new(None);
    let steps = play(&mut launch, &dive());
    let [(t_s, LaunchStep::Launched(LaunchedBy::Depth))] = steps[..] else { panic!("{steps:?}") };
    assert!((DIVED_US / S..DIVED_US / S + 30).contains(&t_s), "{t_s}");
    assert_eq!(begun_s(&launch), 0);
    // At the surface at first, by nothing handled.
    let mut launch = Launch::new(None);
    let swims = scene(220, UP, 0.1).at(0.4, 0.4);
    play(&mut launch, &[&[swims][..], &dive()].concat());
    assert_eq!((begun_s(&launch), launch.launched()), (0, Some(LaunchedBy::Depth)));
}

#[test]
fn bench_deck_hands_and_bucket_count_for_nothing() {
    let bench = scene(3600, SIDE, 0.0).at(0.0, 0.0);
    let car = scene(1800, [0.6, 0.0, 0.8], 0.15).at(-0.2, 0.1);
    let hands = scene(60, [1.0, 0.0, 0.0], 0.4).at(0.1, 0.1);
    let bucket = scene(1800, [0.0, 0.0, -1.0], 0.03).at(0.2, 0.4).wet(true);
    let alongside = scene(900, UP, 0.1).at(0.2, 1.0);
    for before in [
        vec![bench],
        vec![car],
        vec![bench, car, hands],
        vec![bucket, hands],
        vec![alongside],
        vec![hands, Scene { s: 180, ..alongside }],
        vec![bench, car, hands, bucket, hands, alongside],
    ] {
        let true_s: u64 = before.iter().map(|scene| scene.s).sum();
        let mut launch = Launch::new(None);
        play(&mut launch, &[&before[..], &dive()].concat());
        assert_eq!(launch.launched(), Some(LaunchedBy::Depth));
        let begun_s = begun_s(&launch);
        assert!((true_s..true_s + 20).contains(&begun_s), "{begun_s} s, truly {true_s} s");
    }
}

#[test]
fn a_test_on_a_line_is_no_launch() {
    let deck = scene(1200, SIDE, 0.05).at(0.1, 0.1);
    let line = scene(180, [0.8, 0.0, 0.6], 0.2).at(1.0, 5.0);
    let mut launch = Launch::new(None);
    play(&mut launch, &[deck, line, deck]);
    assert_eq!(launch.launched(), None);
    let mut launch = Launch::new(None);
    play(&mut launch, &[&[deck, line, deck][..], &dive()].concat());
    assert!((2580..2600).contains(&begun_s(&launch)), "{}", begun_s(&launch));
}

#[test]
fn a_depth_that_stands_still_is_no_dive() {
    let mut launch = Launch::new(None);
    let steps = play(&mut launch, &[scene(3600, UP, 0.1).at(612.0, 612.0)]);
    assert!(!steps.iter().any(|(_, step)| matches!(step, LaunchStep::Launched(_))), "{steps:?}");
}

#[test]
fn a_wet_sensor_alone_waits_for_long_and_a_deck_takes_it_back() {
    let deck = scene(600, SIDE, 0.05).wet(false);
    let sea = scene(SOAKED_US / S + 60, UP, 0.1).wet(true);
    let mut launch = Launch::new(None);
    play(&mut launch, &[deck, sea]);
    assert_eq!((launch.launched(), begun_s(&launch)), (Some(LaunchedBy::Wet), 600));
    // A bubble is no air.
    let bubble = scene(5, UP, 0.1).wet(false);
    let mut launch = Launch::new(None);
    play(&mut launch, &[deck, Scene { s: 300, ..sea }, bubble, sea]);
    assert_eq!(begun_s(&launch), 600);
    // A bucket of half an hour, then a deck, then the sea.
    let mut launch = Launch::new(None);
    let steps = play(&mut launch, &[deck, sea, deck, sea]);
    assert!(steps.iter().any(|(_, step)| *step == LaunchStep::Launched(LaunchedBy::Wet)));
    assert_eq!(begun_s(&launch), 1200 + SOAKED_US / S + 60);
}

#[test]
fn motion_alone_wants_one_pose_for_long_and_that_of_the_mounting_where_it_is_known() {
    let hands = scene(40, [1.0, 0.0, 0.0], 0.3);
    let bench = scene(7200, SIDE, 0.0);
    let swims = scene(SWUM_US / S + 120, UP, 0.1);
    let mut launch = Launch::new(None);
    play(&mut launch, &[bench, hands, swims]);
    assert_eq!(launch.launched(), Some(LaunchedBy::Motion));
    assert!((7240..7270).contains(&begun_s(&launch)), "{}", begun_s(&launch));
    // A car, the tag on its side: not as on an upright animal.
    let car = scene(7200, SIDE, 0.1);
    let known = || Launch::new(Some([0.0; 3]));
    let mut launch = known();
    play(&mut launch, &[car]);
    assert_eq!(launch.launched(), None);
    let mut launch = known();
    play(&mut launch, &[car, hands, swims]);
    assert_eq!(launch.launched(), Some(LaunchedBy::Motion));
    assert!((7240..7270).contains(&begun_s(&launch)), "{}", begun_s(&launch));
}

#[test]
fn the_end_is_stillness_after_hands_at_the_surface_and_a_dive_takes_it_back() {
    let float = scene(1800, [0.7, 0.0, 0.7], 0.1).at(0.1, 0.1);
    let hands = scene(60, [-1.0, 0.0, 0.0], 0.4).at(0.1, 0.1);
    let bench = scene(1200, SIDE, 0.0).at(0.0, 0.0);
    let mut launch = Launch::new(None);
    play(&mut launch, &[&dive()[..], &[float, hands, bench]].concat());
    let true_s = 1230 + 1800;
    let end_s = launch.ended_us().unwrap() / S;
    assert!((true_s..true_s + 40).contains(&end_s), "{end_s}");
    // A float in waves is none, nor an animal that goes down again.
    let mut launch = Launch::new(None);
    play(&mut launch, &[&dive()[..], &[float, float]].concat());
    assert_eq!(launch.ended_us(), None);
    let mut launch = Launch::new(None);
    let steps = play(&mut launch, &[&dive()[..], &[float, hands], &dive()].concat());
    assert_eq!(launch.ended_us(), None);
    assert!(steps.iter().any(|(_, step)| *step == LaunchStep::MayEnd), "{steps:?}");
    assert!(matches!(steps.last(), Some((_, LaunchStep::GoesOn))), "{steps:?}");
}
