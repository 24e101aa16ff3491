//! Which scenes come before the animal's release and after it, in which order, how long.

use super::scene::Scene;
use crate::synth::draws::{Draws, Part};
use crate::synth::plan::{Fate, Plan};

/// Longest stretch before the release, s.
const LONGEST_S: f64 = 8.0 * 3600.0;
/// Shortest, where there is one, s.
const SHORTEST_S: f64 = 180.0;
/// The release falls on a whole number of these, s, so that it falls on a sample.
const GRAIN_S: f64 = 60.0;

/// What comes after the animal's part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum After {
    /// The record ends.
    Ends,
    /// Found where it is and taken up; it had come off before.
    Found,
    /// The package leaves the animal, rises, floats and is taken up.
    LetsGo,
    /// The animal is caught again, tag and all.
    Caught,
}

/// What is done with one package before and after.
#[derive(Clone, Debug)]
pub(super) struct Handled {
    pub(super) before: Vec<Scene>,
    pub(super) after: After,
    /// The stream that the rest is drawn from.
    pub(super) draws: Draws,
}

impl Handled {
    pub(super) fn draw(plan: &Plan) -> Self {
        let mut d = Draws::new(&plan.scenario, plan.seed, Part::Handling);
        let before = before(&mut d);
        let after = match plan.fate {
            Fate::Floats { .. } if d.chance(0.8) => After::Found,
            Fate::Sinks { .. } | Fate::Dangles { .. } if d.chance(0.3) => After::Found,
            Fate::Dies { .. } | Fate::Eaten { .. } if d.chance(0.5) => After::LetsGo,
            Fate::Lives if d.chance(0.5) => {
                if d.chance(0.4) {
                    After::Caught
                } else {
                    After::LetsGo
                }
            }
            _ => After::Ends,
        };
        Self { before, after, draws: d }
    }

    /// Length of what comes before, s: a whole number of minutes.
    pub(super) fn before_s(&self) -> f64 {
        // A sum of nothing is -0.
        self.before.iter().fold(0.0, |sum, s| sum + s.lasts_s).round()
    }
}

/// The scenes up to the release, in order; 0 or 180 s to 8 h in all.
fn before(d: &mut Draws) -> Vec<Scene> {
    let kind = d.between(0.0, 1.0);
    if kind < 0.08 {
        return Vec::new();
    }
    let mut scenes = Vec::new();
    if kind < 0.25 {
        scenes.push(Scene::deck(d.log_between(120.0, 900.0), d));
    } else {
        if kind > 0.65 {
            ashore(&mut scenes, d);
        }
        aboard(&mut scenes, d);
    }
    on_the_animal(&mut scenes, d);
    fit(scenes)
}

/// From the bench to the boat.
fn ashore(scenes: &mut Vec<Scene>, d: &mut Draws) {
    scenes.push(Scene::bench(d.log_between(120.0, 14_000.0), d));
    if d.chance(0.4) {
        scenes.push(Scene::test(d));
        scenes.push(Scene::bench(d.log_between(60.0, 3000.0), d));
    }
    if d.chance(0.15) {
        scenes.push(Scene::bucket(d.log_between(30.0, 3600.0), d));
        scenes.push(Scene::hands(d.between(20.0, 90.0), d));
    }
    if d.chance(0.3) {
        scenes.push(Scene::drawer(d.log_between(300.0, 10_000.0)));
    }
    scenes.push(Scene::walk(d.between(30.0, 400.0), d));
    scenes.push(Scene::car(d.log_between(300.0, 6000.0), d));
    scenes.push(Scene::walk(d.between(30.0, 600.0), d));
}

/// From the quay to where the animal is.
fn aboard(scenes: &mut Vec<Scene>, d: &mut Draws) {
    for _ in 0..=d.below(4) {
        if d.chance(0.45) {
            scenes.push(Scene::under_way(d.log_between(200.0, 4000.0), d));
        }
        scenes.push(Scene::deck(d.log_between(100.0, 5000.0), d));
        if d.chance(0.5) {
            scenes.push(Scene::hands(d.log_between(10.0, 300.0), d));
        }
        if d.chance(0.2) {
            scenes.push(Scene::bucket(d.log_between(5.0, 3600.0), d));
        }
    }
    if d.chance(0.05) {
        scenes.push(Scene::hands(d.between(10.0, 60.0), d));
        scenes.push(Scene::dunk(d));
        scenes.push(Scene::deck(d.log_between(60.0, 2000.0), d));
    }
}

/// From hands to the animal to the release.
fn on_the_animal(scenes: &mut Vec<Scene>, d: &mut Draws) {
    scenes.push(Scene::hands(d.log_between(10.0, 120.0), d));
    let at_the_side = d.chance(0.4);
    let name = if at_the_side { "fixed at the side" } else { "fixed on deck" };
    scenes.push(Scene::fixed(name, d.log_between(40.0, 900.0), d));
    if d.chance(1.0 / 3.0) {
        scenes.push(Scene::alongside(d.log_between(30.0, 1200.0), d));
    } else {
        if d.chance(0.3) {
            scenes.push(Scene::alongside(d.between(3.0, 25.0), d));
        }
        if !at_the_side {
            // A slide, a cradle or a throw.
            let mut s = Scene::fixed("let down", d.log_between(2.0, 20.0), d);
            s.unsteady_g = d.between(0.1, 0.3);
            scenes.push(s);
        }
    }
}

/// Cuts the scenes to what is allowed and the whole to whole minutes.
///
/// What lies nearest the release stays as it was drawn.
fn fit(mut scenes: Vec<Scene>) -> Vec<Scene> {
    let sum = |s: &[Scene]| s.iter().map(|x| x.lasts_s).sum::<f64>();
    while sum(&scenes) > LONGEST_S && scenes.len() > 1 {
        let over = sum(&scenes) - LONGEST_S;
        if scenes[0].lasts_s > over + 1.0 {
            scenes[0].lasts_s -= over;
        } else {
            scenes.remove(0);
        }
    }
    let total = sum(&scenes);
    let whole = ((total / GRAIN_S).ceil() * GRAIN_S).clamp(SHORTEST_S, LONGEST_S);
    if let Some(first) = scenes.first_mut() {
        first.lasts_s += whole - total;
    }
    scenes
}

/// The scenes behind the animal's part, from `below_m` deep, and which of them begins
/// with the package being picked up.
pub(super) fn after(
    after: After,
    below_m: f64,
    rise_m_s: f64,
    d: &mut Draws,
) -> (Vec<Scene>, Option<usize>) {
    let mut scenes = Vec::new();
    match after {
        After::Ends => return (scenes, None),
        After::Found if below_m > 0.5 => scenes.push(Scene::hauled(below_m, false, d)),
        After::Found => {}
        After::LetsGo => {
            if below_m > 0.1 {
                scenes.push(Scene::rising(below_m, rise_m_s));
            }
            scenes.push(Scene::floating(d.log_between(300.0, 10_800.0)));
        }
        After::Caught => {
            scenes.push(Scene::hauled(below_m.max(0.5), true, d));
            if d.chance(0.5) {
                scenes.push(Scene::alongside(d.log_between(20.0, 900.0), d));
            }
            scenes.push(Scene::fixed("caught", d.log_between(60.0, 3600.0), d));
        }
    }
    let picked_up = scenes.len();
    scenes.push(Scene::hands(d.log_between(5.0, 200.0), d));
    if d.chance(0.3) {
        return (scenes, Some(picked_up));
    }
    if d.chance(0.3) {
        scenes.push(Scene::bucket(d.log_between(10.0, 1200.0), d));
    }
    scenes.push(Scene::deck(d.log_between(60.0, 6000.0), d));
    if d.chance(0.6) {
        scenes.push(Scene::under_way(d.log_between(300.0, 5000.0), d));
    }
    if d.chance(0.6) {
        scenes.push(Scene::walk(d.between(30.0, 400.0), d));
        scenes.push(Scene::car(d.log_between(300.0, 5000.0), d));
        scenes.push(Scene::bench(d.log_between(600.0, 20_000.0), d));
    }
    (scenes, Some(picked_up))
}
