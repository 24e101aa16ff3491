//! How the two error rates move with the settings, by family:
//!
//!     cargo run --release -p swaymark-tests --example operating_curves
//!
//! writes docs/operating-curves.md and docs/operating-curves.svg. Every trace goes, as it
//! is made, into one tag for each setting. Seeds below 1000 only: settings are chosen
//! by what this shows. Arguments: `--seeds A-B` (default 1-6), `--jobs N`.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use firmware_core::config::{Detector, Release};
use firmware_core::types::Fate;
use host_sim::replay::{Keep, Replayer};
use host_sim::synth::{Family, Request, run_with_settings};
use host_sim::truth::Event;
use plotters::prelude::*;

/// A setting: name, group, change to the defaults.
struct Setting {
    group: &'static str,
    name: String,
    detector: Detector,
}

const CAUTION: &str = "caution about death";
const MISSED: &str = "`missed_death_prob`";
const OFF: &str = "`false_detached_prob`";

fn settings() -> Vec<Setting> {
    let plain = Detector::default();
    let mut all = Vec::new();
    // From hasty to cautious: both pauses by this much, and the chance of a false death.
    for (pauses, chance) in [
        (0.25, 1e-1_f32),
        (0.25, 1e-2),
        (0.25, 1e-4),
        (0.5, 1e-4),
        (1.0, 1e-2),
        (1.0, 1e-4),
        (1.0, 1e-6),
        (1.0, 1e-9),
        (2.0, 1e-4),
        (4.0, 1e-6),
    ] {
        let detector = Detector {
            ram_pause_min: plain.ram_pause_min * pauses,
            buccal_pause_h: plain.buccal_pause_h * pauses,
            false_death_prob: chance,
            ..plain
        };
        all.push(Setting { group: CAUTION, name: format!("x{pauses}, {chance:e}"), detector });
    }
    for chance in [0.5, 0.1, 1e-2, 1e-4] {
        let detector = Detector { missed_death_prob: chance, ..plain };
        all.push(Setting { group: MISSED, name: format!("{chance:e}"), detector });
    }
    for chance in [1e-1, 1e-2, 1e-4, 1e-6] {
        let detector = Detector { false_detached_prob: chance, ..plain };
        all.push(Setting { group: OFF, name: format!("{chance:e}"), detector });
    }
    all
}

/// One trace under one setting. Times in s.
#[derive(Clone, Copy, Debug)]
struct Seen {
    /// First minute in which a death, or a loss, was said to be.
    said_dead_s: Option<f64>,
    said_off_s: Option<f64>,
}

struct Judged {
    family: String,
    buccal: bool,
    death_s: Option<f64>,
    off_s: Option<f64>,
    seen: Vec<Seen>,
}

fn judge(family: &Family, seed: u64, settings: &[Setting]) -> Result<Judged, String> {
    let request = Request::of_family(family, seed, "unused");
    let pairs: Vec<_> = settings.iter().map(|s| (s.detector, Release::default())).collect();
    let mut seen = vec![Seen { said_dead_s: None, said_off_s: None }; settings.len()];
    let mut minute = 0_u32;
    let (outcome, _) =
        run_with_settings(&request, Keep::default(), &pairs, |tags: &[Replayer]| {
            minute += 1;
            let now = 60.0 * f64::from(minute);
            for (tag, seen) in tags.iter().skip(1).zip(&mut seen) {
                match tag.tag().fate() {
                    Fate::Dead => _ = seen.said_dead_s.get_or_insert(now),
                    Fate::DetachedFloating | Fate::DetachedOnBottom => {
                        _ = seen.said_off_s.get_or_insert(now);
                    }
                    _ => {}
                }
            }
            false
        })
        .map_err(|e| format!("{} {seed}: {e}", family.name))?;
    let at = |event| outcome.truth.iter().find(|e| e.event == event).map(|e| e.t_s);
    Ok(Judged {
        family: family.name.clone(),
        buccal: outcome.deployment_toml.contains("breathing = \"buccal\""),
        death_s: at(Event::Death),
        off_s: at(Event::Detached),
        seen,
    })
}

/// Counts for one family (or all) under one setting.
#[derive(Clone, Debug, Default)]
struct Curve {
    alive: usize,
    /// Called dead or lost before they were, or without ever being so.
    false_calls: usize,
    ended: usize,
    /// Deaths or losses not known within the wait.
    late: usize,
    delays_min: Vec<f64>,
}

/// A death is late beyond this, h: twice what is asked of the detectors.
fn wait_s(buccal: bool) -> f64 {
    3600.0 * if buccal { 12.0 } else { 2.0 }
}

fn curve<'a>(them: impl Iterator<Item = &'a Judged>, k: usize, off: bool) -> Curve {
    let mut c = Curve::default();
    for j in them {
        let (truth, said) = match off {
            false => (j.death_s, j.seen[k].said_dead_s),
            true => (j.off_s, j.seen[k].said_off_s),
        };
        // Dead or lost: either is false of an animal that lives and wears the tag. Of one
        // that ends, only the time before counts.
        let ends_s = j.death_s.or(j.off_s).unwrap_or(f64::INFINITY);
        let seen = j.seen[k];
        let first = [seen.said_dead_s, seen.said_off_s].into_iter().flatten().fold(1e99, f64::min);
        let early = first < ends_s.min(1e98);
        c.alive += 1;
        c.false_calls += usize::from(early);
        if let Some(truth) = truth
            && !early
        {
            c.ended += 1;
            let delay = said.map_or(f64::INFINITY, |s| s - truth);
            c.late += usize::from(delay > wait_s(j.buccal));
            c.delays_min.push(delay / 60.0);
        }
    }
    c.delays_min.sort_by(f64::total_cmp);
    c
}

impl Curve {
    fn cell(&self) -> String {
        let mut out = format!("{}/{}", self.false_calls, self.alive);
        if self.ended > 0 {
            let middle = self.delays_min[self.delays_min.len() / 2];
            let delay = match middle.is_finite() {
                true => format!("{middle:.0} min"),
                false => "never".into(),
            };
            let _ = write!(out, "; {}/{}, {delay}", self.late, self.ended);
        }
        out
    }
}

fn main() -> Result<(), String> {
    let (mut seeds, mut jobs) =
        (1..=6, std::thread::available_parallelism().map_or(1, usize::from));
    let given: Vec<String> = std::env::args().skip(1).collect();
    for pair in given.chunks(2) {
        match pair {
            [key, value] if key == "--seeds" => {
                let (a, b) = value.split_once('-').unwrap_or((value, value));
                let number = |s: &str| s.parse::<u64>().map_err(|e| format!("--seeds {s}: {e}"));
                seeds = number(a)?..=number(b)?;
            }
            [key, value] if key == "--jobs" => {
                jobs = value.parse().map_err(|e| format!("--jobs {value}: {e}"))?;
            }
            other => return Err(format!("{other:?}: expected --seeds A-B or --jobs N")),
        }
    }
    if *seeds.end() >= host_sim::synth::FIRST_JUDGED_SEED {
        return Err("seeds of 1000 and up are for judging; no setting is chosen by them".into());
    }
    let settings = settings();
    let families: Vec<Family> = Family::names().filter_map(Family::bundled).collect();
    let work: Vec<(&Family, u64)> =
        seeds.clone().flat_map(|seed| families.iter().map(move |f| (f, seed))).collect();
    let (next, all) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..jobs.max(1) {
            scope.spawn(|| {
                while let Some((family, seed)) = work.get(next.fetch_add(1, Ordering::Relaxed)) {
                    match judge(family, *seed, &settings) {
                        Ok(judged) => all.lock().expect("no panic").push(judged),
                        Err(error) => eprintln!("error: {error}"),
                    }
                }
            });
        }
    });
    let all = all.into_inner().map_err(|e| e.to_string())?;
    let mut by: BTreeMap<&str, Vec<&Judged>> = BTreeMap::new();
    for family in &families {
        let them = by.entry(&family.name).or_default();
        them.extend(all.iter().filter(|j| j.family == family.name));
    }
    by.insert("all", all.iter().collect());

    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs");
    let text = document(&settings, &by, &seeds);
    let part = docs.join("operating-curves.part");
    std::fs::write(&part, text).map_err(|e| e.to_string())?;
    std::fs::rename(&part, docs.join("operating-curves.md")).map_err(|e| e.to_string())?;
    draw(&docs.join("operating-curves.svg"), &settings, &by).map_err(|e| e.to_string())
}

fn document(
    settings: &[Setting],
    by: &BTreeMap<&str, Vec<&Judged>>,
    seeds: &std::ops::RangeInclusive<u64>,
) -> String {
    let mut out = format!(
        "# How the error rates move with the settings\n\n\
         Written by `cargo run --release -p swaymark-tests --example operating_curves`, on seeds {} to \
         {} of each [family](families.md): tuning seeds, because settings are chosen by this. Each \
         trace went into one tag for each setting, to its end, whatever the tag would have let go for.\n\n\
         A cell: animals called dead or their tag lost while they lived and wore it, of all; then deaths (or \
         losses) not known within 2 h (ram) or 12 h (buccal), of those that happened; and the median delay.\n\n\
         ![Both error rates against caution, by family](operating-curves.svg)\n",
        seeds.start(),
        seeds.end()
    );
    for (group, off, words) in [
        (
            CAUTION,
            false,
            "Both pauses (`ram_pause_min`, `buccal_pause_h`) by this factor, and `false_death_prob`, \
             from hasty to cautious; `x1, 1e-4` is the default.",
        ),
        (MISSED, false, "Default 1e-2."),
        (OFF, true, "Default 1e-4. Losses of the tag instead of deaths."),
    ] {
        let of: Vec<usize> = (0..settings.len()).filter(|&k| settings[k].group == group).collect();
        let title = group.trim_matches('`');
        let _ = write!(
            out,
            "\n## {}\n\n{words}\n\n| family |",
            if title == group { title } else { group }
        );
        for &k in &of {
            let _ = write!(out, " {} |", settings[k].name);
        }
        out.push_str("\n| --- |");
        of.iter().for_each(|_| out.push_str(" --- |"));
        out.push('\n');
        let names = by.keys().filter(|n| **n != "all").chain(["all"].iter());
        for name in names {
            let _ = write!(out, "| {name} |");
            for &k in &of {
                let _ = write!(out, " {} |", curve(by[name].iter().copied(), k, off).cell());
            }
            out.push('\n');
        }
    }
    out
}

/// A panel for each family: both error rates against caution.
fn draw(
    path: &Path,
    settings: &[Setting],
    by: &BTreeMap<&str, Vec<&Judged>>,
) -> Result<(), Box<dyn std::error::Error>> {
    let of: Vec<usize> = (0..settings.len()).filter(|&k| settings[k].group == CAUTION).collect();
    let columns = 4;
    let rows = by.len().div_ceil(columns);
    let root = SVGBackend::new(path, (1120, 190 * rows as u32 + 60)).into_drawing_area();
    root.fill(&WHITE)?;
    let (head, body) = root.split_vertically(60);
    let (wrong, late) = (RGBColor(178, 60, 40), RGBColor(40, 90, 150));
    head.draw(&Text::new(
        "% called dead or lost that were not (red); % of deaths not known in time (blue)",
        (12, 14),
        ("sans-serif", 16),
    ))?;
    head.draw(&Text::new(
        "each panel from hasty (left) to cautious settings, in the order of the table; the dashed line is the default",
        (12, 36),
        ("sans-serif", 13),
    ))?;
    for (area, (name, them)) in body.split_evenly((rows, columns)).iter().zip(by) {
        let curves: Vec<Curve> =
            of.iter().map(|&k| curve(them.iter().copied(), k, false)).collect();
        let mut chart = ChartBuilder::on(area)
            .caption(*name, ("sans-serif", 14))
            .margin(8)
            .x_label_area_size(16)
            .y_label_area_size(34)
            .build_cartesian_2d(0.0..(of.len() - 1) as f64, 0.0..100.0)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .x_labels(0)
            .y_labels(5)
            .light_line_style(TRANSPARENT)
            .y_label_formatter(&|y| format!("{y:.0}"))
            .draw()?;
        let own = of
            .iter()
            .position(|&k| settings[k].detector == Detector::default())
            .unwrap_or_default() as f64;
        chart.draw_series((0..10).map(|i| {
            let y = 10.0 * f64::from(i);
            PathElement::new([(own, y), (own, y + 5.0)], BLACK.mix(0.5))
        }))?;
        let share = |hits: usize, n: usize| 100.0 * hits as f64 / n.max(1) as f64;
        let points = |f: &dyn Fn(&Curve) -> (usize, usize)| -> Vec<(f64, f64)> {
            curves.iter().enumerate().map(|(i, c)| (i as f64, share(f(c).0, f(c).1))).collect()
        };
        let false_calls = points(&|c| (c.false_calls, c.alive));
        chart.draw_series(LineSeries::new(false_calls, wrong.stroke_width(2)))?;
        if curves.iter().any(|c| c.ended > 0) {
            let missed = points(&|c| (c.late, c.ended));
            chart.draw_series(LineSeries::new(missed, late.stroke_width(2)))?;
        }
    }
    root.present()?;
    Ok(())
}
