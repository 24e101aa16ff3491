//! Fate on made animals and tags, against what the maker did to them.
//!
//! Source: the makers in `src/`; what death, rest and a loose tag look like is
//! common practice, no source (ram and buccal breathing, swell of 8 to 15 s,
//! waves of 2 to 10 s), with Whitney et al. 2016, Fisheries Research 183:210 for
//! stationary depth and the lasting end of beats as the marks of death. Measures:
//! every death of a ram ventilator decided within 2 h and its time right to 15
//! min; no survivor called anything but alive, with glides to 5 min and rests of
//! 6 h; a loose tag told from a dead animal; without depth the same, the wait at
//! most doubled. Seeds 3000 up judge; looking uses seeds below 1000.

use firmware_core::config::Breathing;
use firmware_core::types::{Fate, Sample};
use swaymark_tests::logger::{Logger, between, draws, log_between, normal};
use swaymark_tests::run::{Run, config, sample_us};
use swaymark_tests::stray::{Carcass, Floating, OnBottom, Waves};
use swaymark_tests::swimmer::{Gait, Swimmer};

const HZ: f64 = 10.0;
const BOTTOM_M: f64 = 62.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Depth {
    Good,
    None,
    /// Repeats one value from so many hours on.
    DiesAt(f64),
}

enum Event {
    Survives,
    Dies(Box<Carcass>),
    Floats(Floating),
    Drops(OnBottom),
}

impl Event {
    fn fate(&self) -> Fate {
        match self {
            Event::Survives => Fate::Alive,
            Event::Dies(_) => Fate::Dead,
            Event::Floats(_) => Fate::DetachedFloating,
            Event::Drops(_) => Fate::DetachedOnBottom,
        }
    }
}

struct Case {
    seed: u64,
    breathing: Breathing,
    event: Event,
    event_h: f64,
    total_h: f64,
    depth: Depth,
    /// Rests on the bottom: how long and how far apart, h.
    rests: Option<[f64; 2]>,
    longest_glide_s: f64,
}

struct Outcome {
    told: Fate,
    want: Fate,
    /// Estimated and decided time after the event, min.
    off_min: f64,
    wait_min: f64,
    /// Decisions against a living animal before the event.
    early: usize,
}

impl Outcome {
    fn right(&self) -> bool {
        self.told == self.want && self.early == 0
    }
}

fn play(mut case: Case) -> Outcome {
    let want = case.event.fate();
    let rng = &mut draws(case.seed ^ 0xfa7e);
    let mut gait = Gait::wild(case.seed);
    gait.glide_s = Some([5.0, case.longest_glide_s]);
    let mut logger = Logger::new(case.seed, HZ, log_between(rng, 0.001, 0.005));
    let mut swimmer = Swimmer::new(gait, case.seed, HZ);
    // At rest the body gives a little in what swell there is.
    let swell = Waves::new(rng, 8.0, 15.0);
    let give = between(rng, 0.0, 0.01);
    let mut run = Run::new(config(HZ, case.breathing));
    let event_s = case.event_h * 3600.0;
    let mut next_rest_h = case.rests.map_or(f64::MAX, |[_, apart]| 0.7 * apart);
    let mut last_m = 30.0;
    let mut shown_m = 0.0;
    for i in 0..(case.total_h * 3600.0 * HZ) as u64 {
        let t_s = i as f64 / HZ;
        let since_s = t_s - event_s;
        let (body_g, depth_m) = if since_s < 0.0 || want == Fate::Alive {
            if let Some([long, apart]) = case.rests
                && t_s > next_rest_h * 3600.0
            {
                swimmer.rest_next(long * 3600.0);
                next_rest_h += long + apart;
            }
            let now = swimmer.step(1.0, 1.0);
            last_m = now.depth_m;
            let rocked = if case.rests.is_some() { give * swell.at(t_s) } else { 0.0 };
            ([now.body_g[0], now.body_g[1] + rocked, now.body_g[2]], now.depth_m)
        } else {
            let (g, m) = match &mut case.event {
                Event::Dies(carcass) => carcass.at(since_s),
                Event::Floats(tag) => tag.at(since_s),
                Event::Drops(tag) => tag.at(since_s),
                Event::Survives => unreachable!("handled above"),
            };
            // Sinks or rises at about half a metre a second.
            let way = m - last_m;
            (g, last_m + way.signum() * way.abs().min(0.5 * since_s))
        };
        let mut sample = Sample::accel(sample_us(i, HZ), logger.read(body_g));
        if i % 10 == 0 {
            let alive = match case.depth {
                Depth::None => false,
                Depth::Good => true,
                Depth::DiesAt(hour) => t_s < hour * 3600.0,
            };
            if alive {
                shown_m = ((depth_m + 0.03 * normal(rng)) * 20.0).round() / 20.0;
            }
            sample.depth_m = (case.depth != Depth::None).then_some(shown_m as f32);
        }
        run.step(&sample);
    }
    run.finish();
    let event_min = case.event_h * 60.0;
    let minutes = |us: u64| us as f64 / 6e7;
    let against = |f: Fate| !matches!(f, Fate::Alive | Fate::Undetermined);
    let early = run
        .fates
        .iter()
        .filter(|r| against(r.fate) && (want == Fate::Alive || minutes(r.decided_us) < event_min))
        .count();
    let told = run.tag.fate();
    // The tag knew when it first named the fate that stands.
    let report = run.tag.fate_report();
    let decided = run
        .fates
        .iter()
        .filter(|r| minutes(r.decided_us) >= event_min && against(r.fate))
        .map(|r| r.decided_us)
        .next();
    Outcome {
        told,
        want,
        off_min: report.map_or(f64::NAN, |r| minutes(r.event_us) - event_min),
        wait_min: decided.map_or(f64::INFINITY, |us| minutes(us) - event_min),
        early,
    }
}

/// Plays cases and prints those that went wrong or were slow.
fn play_all(what: &str, cases: Vec<Case>) -> Vec<(u64, Outcome)> {
    let outcomes: Vec<_> = cases.into_iter().map(|c| (c.seed, play(c))).collect();
    for (seed, o) in &outcomes {
        println!(
            "{what} {seed}: {:?} told {:?}, wait {:.0} min, time off {:.1} min, {} early{}",
            o.want,
            o.told,
            o.wait_min,
            o.off_min,
            o.early,
            if o.right() { "" } else { "  <- wrong" }
        );
    }
    outcomes
}

fn wrong(outcomes: &[(u64, Outcome)]) -> Vec<u64> {
    outcomes.iter().filter(|(_, o)| !o.right()).map(|(s, _)| *s).collect()
}

fn case(seed: u64, breathing: Breathing, depth: Depth) -> Case {
    let event_h = between(&mut draws(seed ^ 0x0e7e), 2.0, 6.0);
    Case {
        seed,
        breathing,
        event: Event::Survives,
        event_h,
        total_h: event_h + 5.0,
        depth,
        rests: None,
        longest_glide_s: 60.0,
    }
}

fn ram_deaths(base: u64, depth: Depth) -> Vec<Case> {
    (base..base + 12)
        .map(|seed| {
            // Half of them with a scavenger every two hours.
            let visits = if seed % 2 == 0 { 0.5 } else { 0.0 };
            let event = Event::Dies(Box::new(Carcass::new(seed, HZ, visits, BOTTOM_M)));
            Case { event, ..case(seed, Breathing::Ram, depth) }
        })
        .collect()
}

fn buccal_deaths(base: u64, depth: Depth) -> Vec<Case> {
    (base..base + 6)
        .map(|seed| {
            let event = Event::Dies(Box::new(Carcass::new(seed, HZ, 0.0, BOTTOM_M)));
            let c = case(seed, Breathing::Buccal, depth);
            Case { event, total_h: c.event_h + 20.0, ..c }
        })
        .collect()
}

fn ram_survivors(base: u64, depth: Depth) -> Vec<Case> {
    (base..base + 10)
        .map(|seed| Case {
            total_h: 16.0,
            longest_glide_s: 300.0,
            ..case(seed, Breathing::Ram, depth)
        })
        .collect()
}

fn buccal_survivors(base: u64, depth: Depth) -> Vec<Case> {
    (base..base + 8)
        .map(|seed| Case {
            total_h: 26.0,
            rests: Some([6.0, 4.0]),
            ..case(seed, Breathing::Buccal, depth)
        })
        .collect()
}

fn loose(base: u64, depth: Depth) -> Vec<Case> {
    (base..base + 16)
        .map(|seed| {
            let event = if seed % 2 == 0 {
                Event::Floats(Floating::new(seed))
            } else {
                Event::Drops(OnBottom::new(seed, BOTTOM_M))
            };
            let breathing = if seed % 4 < 2 { Breathing::Ram } else { Breathing::Buccal };
            let c = case(seed, breathing, depth);
            // Twenty hours: a loose tag that lies as it was worn takes long.
            Case { event, total_h: c.event_h + 20.0, ..c }
        })
        .collect()
}

fn check_deaths(what: &str, outcomes: &[(u64, Outcome)], wait_max_min: f64) {
    assert!(wrong(outcomes).is_empty(), "{what}: wrong for seeds {:?}", wrong(outcomes));
    for (seed, o) in outcomes {
        assert!(o.wait_min <= wait_max_min, "{what} {seed}: waited {:.0} min", o.wait_min);
        assert!(o.off_min.abs() <= 15.0, "{what} {seed}: time off by {:.1} min", o.off_min);
    }
}

#[test]
fn ram_deaths_are_decided_within_two_hours() {
    check_deaths("ram death", &play_all("ram death", ram_deaths(3000, Depth::Good)), 120.0);
}

#[test]
fn ram_deaths_without_depth_within_four_hours() {
    let outcomes = play_all("ram death, no depth", ram_deaths(3000, Depth::None));
    check_deaths("ram death, no depth", &outcomes, 240.0);
}

#[test]
fn ram_deaths_with_a_depth_sensor_that_died() {
    let outcomes = play_all("ram death, depth dead", ram_deaths(3020, Depth::DiesAt(1.0)));
    check_deaths("ram death, depth dead", &outcomes, 240.0);
}

#[test]
fn buccal_deaths_are_decided() {
    for depth in [Depth::Good, Depth::None] {
        let outcomes = play_all("buccal death", buccal_deaths(3100, depth));
        assert!(wrong(&outcomes).is_empty(), "{depth:?}: {:?}", wrong(&outcomes));
    }
}

#[test]
fn no_survivor_is_called_dead() {
    for depth in [Depth::Good, Depth::None, Depth::DiesAt(2.0)] {
        let mut outcomes = play_all("ram survivor", ram_survivors(3200, depth));
        outcomes.extend(play_all("buccal survivor", buccal_survivors(3300, depth)));
        assert!(wrong(&outcomes).is_empty(), "{depth:?}: {:?}", wrong(&outcomes));
    }
}

#[test]
fn loose_tags_are_told_from_dead_animals() {
    let outcomes = play_all("loose", loose(3400, Depth::Good));
    assert!(wrong(&outcomes).is_empty(), "{:?}", wrong(&outcomes));
}

#[test]
fn loose_tags_without_depth_are_told_from_dead_animals() {
    let outcomes = play_all("loose, no depth", loose(3400, Depth::None));
    assert!(wrong(&outcomes).is_empty(), "{:?}", wrong(&outcomes));
}

/// For looking: seeds below 1000, no bound.
#[test]
#[ignore = "for looking at seeds kept for tuning"]
fn fates_of_tuning_seeds() {
    for depth in [Depth::Good, Depth::None] {
        println!("{depth:?}");
        play_all("ram death", ram_deaths(300, depth));
        play_all("buccal death", buccal_deaths(320, depth));
        play_all("ram survivor", ram_survivors(330, depth));
        play_all("buccal survivor", buccal_survivors(340, depth));
        play_all("loose", loose(360, depth));
    }
}
