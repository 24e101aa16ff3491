//! Families from outside: files, draws, and that what is drawn is in the data.

use std::collections::BTreeSet;

use super::keys::{KEYS, Kind};
use super::*;
use crate::replay::{Keep, replay_file};
use crate::synth::{Request, run, run_in_memory};

fn family(name: &str) -> Family {
    let text = BUNDLED.iter().find(|b| b.0 == name).expect("bundled").1;
    Family::parse(&format!("{name}.toml"), text).unwrap_or_else(|p| panic!("{}", p.render(false)))
}

fn error(text: &str) -> String {
    let p = Family::parse("mine.toml", text).expect_err("an error");
    format!("{p} | {}", p.advice().unwrap_or_default())
}

#[test]
fn bundled_families_are_sound_and_every_distribution_has_a_source() {
    for (name, text) in BUNDLED {
        let f = family(name);
        assert!(!f.summary.is_empty(), "{name}");
        for (path, s) in &f.stated {
            assert!(!s.law.varies() || s.source.is_some(), "{name}: {path} has no source");
        }
        assert_eq!(f.stated.len(), KEYS.len(), "{name}");
        assert!(text.lines().all(|l| l.is_ascii()), "{name}");
        for seed in 1..40 {
            let drawn = f.draw_all(seed);
            for key in KEYS {
                let x = drawn.get(key.path);
                match key.kind {
                    Kind::Number(a, b) => assert!((a..=b).contains(&x), "{name} {} {x}", key.path),
                    Kind::Flag => assert!(x == 0.0 || x == 1.0),
                    Kind::Word(words) => assert!((x as usize) < words.len()),
                }
            }
        }
    }
}

#[test]
fn errors_point_and_name_the_nearest() {
    for (text, wanted) in [
        ("[animal]\nlenght_m = 2\n", &["line 2, column 1", "lenght_m", "animal.length_m"][..]),
        ("[animal]\nlength_m = 40\n", &["line 2", "0.3", "12", "40"]),
        ("[animal]\nlength_m = { betwen = [1, 2] }\n", &["betwen", "did you mean between"]),
        ("[animal]\nlength_m = { between = [2, 1] }\n", &["[least, most]"]),
        ("[animal]\nlength_m = { between = [1, 200] }\n", &["12", "200"]),
        ("[animal]\nlength_m = { log_between = [0, 1] }\n", &["length_m", "0.3"]),
        ("[animal]\nbreathing = \"gills\"\n", &["ram, buccal", "gills"]),
        ("[animal]\nbreathing = { chance = 0.5 }\n", &["true or false"]),
        ("[habits]\nyoyo = { chance = 1.5 }\n", &["between 0 and 1"]),
        ("[habits]\nyoyo = 1\n", &["true, false"]),
        ("[fate]\nends = { one_of = [\"dies\", \"lives\"], weights = [1] }\n", &["2 weights"]),
        ("[fate]\nends = { one_of = [] }\n", &["empty"]),
        ("[fate]\nends = { source = \"x\" }\n", &["needs one of between"]),
        ("[family]\nlike = \"hart\"\n", &["did you mean hard"]),
        ("[family]\nnam = \"x\"\n", &["summary and like"]),
        ("animal = 3\n", &["must be a table"]),
        ("[animal\n", &["line 1", "not valid TOML"]),
        ("[animal]\nlength_m = nan\n", &["must be a number"]),
    ] {
        let error = error(text);
        for want in wanted {
            assert!(error.contains(want), "{text:?}: {want:?} not in {error:?}");
        }
    }
}

#[test]
fn a_family_of_ones_own_changes_only_what_it_states() {
    let mine = Family::parse("hard.toml", "[family]\nlike = \"hard\"\n[animal]\nlength_m = 2\n");
    let mine = mine.expect("sound");
    let (a, b) = (mine.draw_all(5), family("hard").draw_all(5));
    for key in KEYS {
        if key.path == "animal.length_m" {
            assert_eq!(a.get(key.path), 2.0);
        } else {
            assert_eq!(a.get(key.path), b.get(key.path), "{}", key.path);
        }
    }
}

/// Over many seeds, draws follow what the file states: mean of an even distribution
/// within four standard errors, parts of a choice within the same.
#[test]
fn draws_follow_their_distributions() {
    let f = family("hard");
    let n = 2000;
    let drawn: Vec<Drawn> = (1..=n).map(|s| f.draw_all(s)).collect();
    let ppm: Vec<f64> = drawn.iter().map(|d| d.get("logger.clock_ppm")).collect();
    let mean = ppm.iter().sum::<f64>() / n as f64;
    assert!(mean.abs() < 4.0 * 57.7 / (n as f64).sqrt(), "{mean}");
    assert!(ppm.iter().all(|x| x.abs() <= 100.0) && ppm.iter().any(|x| x.abs() > 95.0));
    let lives = drawn.iter().filter(|d| d.word("fate.ends") == "lives").count() as f64 / n as f64;
    let se = (10.0 / 18.0 * 8.0 / 18.0 / n as f64).sqrt();
    assert!((lives - 10.0 / 18.0).abs() < 4.0 * se, "{lives}");
    let lengths: BTreeSet<u64> = drawn.iter().map(|d| d.get("animal.length_m").to_bits()).collect();
    assert_eq!(lengths.len() as u64, n);
}

/// Straight into the tag gives the decisions of the written file, bit for bit.
#[test]
fn in_memory_is_the_replay_of_the_file() {
    let dir = tempfile::tempdir().expect("a folder");
    for (name, seed) in [("hard", 3), ("sensor-fault", 8), ("float-off", 2)] {
        let mut request = Request::of_family(&family(name), seed, dir.path());
        request.hours = Some(1.5);
        let keep = Keep { beats: true, minutes: true };
        let made = run_in_memory(&request, keep, |_| false).expect("an outcome");
        let written = run(&request).expect("files");
        let (mut report, _) = replay_file(&written.trace, None, keep).expect("a report");
        report.trace = made.report.trace.clone();
        // In memory nothing is looked for before the release.
        assert_eq!(report.launch.t_s, 0.0);
        report.launch = made.report.launch;
        // The file's own tallies are not the tag's.
        let of_file = ["bad_time", "duplicate_time", "time_backwards", "empty_cell"];
        report.faults.retain(|f| !of_file.contains(&f.kind));
        let json = |r| serde_json::to_string(r).expect("JSON");
        assert_eq!(json(&made.report), json(&report), "{name} {seed}");
        let read = crate::truth::load(&written.truth).expect("a truth");
        let key = |e: &crate::truth::TruthEvent| ((e.t_s * 1e3).round() as i64, e.event);
        assert_eq!(
            made.truth.iter().map(key).collect::<Vec<_>>(),
            read.iter().map(key).collect::<Vec<_>>(),
            "{name} {seed}"
        );
        let deployment = crate::deployment::Deployment::load(&written.deployment).expect("sound");
        assert_eq!(deployment.family.as_deref(), Some(name));
    }
}
