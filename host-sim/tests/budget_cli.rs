//! `swaymark budget` as a person or a script runs it.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

const TAG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../demo-data/tags/long-drift.toml");
const FORMATS: &str = include_str!("../../docs/formats.md");

fn budget(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark"))
        .arg("budget")
        .args(args)
        .output()
        .expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn text_fits_eighty_columns_and_ends_in_the_three_sentences() {
    for tag in ["fin-float", "by-hand", TAG] {
        let out = budget(&[tag, "--draws", "40"]);
        assert!(out.status.success(), "{}", text(&out.stderr));
        let told = text(&out.stdout);
        assert!(told.lines().all(|l| l.chars().count() <= 80 && l == l.trim_end()), "{told}");
        let flat = told.split_whitespace().collect::<Vec<_>>().join(" ");
        for want in [
            "Lasts ",
            " days on the animal (5th to 95th percentile ",
            ", limited by ",
            "The one change that buys most is ",
        ] {
            assert!(flat.contains(want), "{want:?} not in {told}");
        }
        assert!(flat.contains("figures invented"), "{told}");
    }
}

#[test]
fn the_same_answer_for_any_number_of_threads_and_another_for_another_seed() {
    let json = |args: &[&str]| {
        let out = budget(&[&[TAG, "--format", "json", "--draws", "60"], args].concat());
        assert!(out.status.success());
        text(&out.stdout)
    };
    let one = json(&["--seed", "7", "--jobs", "1"]);
    assert_eq!(one, json(&["--seed", "7", "--jobs", "3"]));
    assert_ne!(one, json(&["--seed", "8"]));
}

fn paths(value: &Value, at: &str, into: &mut BTreeSet<String>) {
    match value {
        Value::Object(entries) => {
            for (key, value) in entries {
                let path = if at.is_empty() { key.clone() } else { format!("{at}.{key}") };
                paths(value, &path, into);
                into.insert(path);
            }
        }
        Value::Array(items) => items.iter().for_each(|v| paths(v, &format!("{at}[]"), into)),
        _ => {}
    }
}

#[test]
fn every_key_of_the_json_is_told() {
    let out = budget(&[TAG, "--format", "json", "--draws", "5", "--quiet"]);
    assert!(out.stderr.is_empty(), "{}", text(&out.stderr));
    let value: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let mut printed = BTreeSet::new();
    paths(&value, "", &mut printed);
    let from = FORMATS.find("\n## JSON of a budget\n").expect("the section") + 1;
    let section = &FORMATS[from..];
    let section = &section[..section[1..].find("\n## ").map_or(section.len(), |at| at + 1)];
    let told: BTreeSet<String> = section
        .lines()
        .filter_map(|l| l.strip_prefix("| `")?.split('`').next())
        .map(str::to_owned)
        .collect();
    assert_eq!(printed, told);
}

#[test]
fn mistakes_end_in_status_2_with_the_line() {
    let dir = tempfile::tempdir().expect("a directory");
    let path = dir.path().join("bad.toml");
    let sound = std::fs::read_to_string(TAG).expect("the shipped tag");
    std::fs::write(&path, sound.replace("cutoff_v = 2.0", "cutoff_mv = 2000")).expect("written");
    let out = budget(&[path.to_str().expect("a name")]);
    assert_eq!(out.status.code(), Some(2));
    assert!(out.stdout.is_empty());
    let told = text(&out.stderr);
    for want in ["bad.toml: line ", "cutoff_mv", "wrong unit", "write cutoff_v = 2"] {
        assert!(told.contains(want), "{want:?} not in {told}");
    }
    let none = budget(&["no-such.toml"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(text(&none.stderr).contains("no-such.toml"));
    assert_eq!(budget(&[TAG, "--draws", "0"]).status.code(), Some(2));
}

#[test]
fn a_deployment_gives_breathing_and_settings_and_deaths_are_called_out() {
    let dir = tempfile::tempdir().expect("a directory");
    let write = |name: &str, content: &str| {
        let path = dir.path().join(name);
        std::fs::write(&path, content).expect("written");
        path.to_str().expect("a name").to_owned()
    };
    let sound = std::fs::read_to_string(Path::new(TAG)).expect("the shipped tag");
    let sparse = write(
        "sparse.toml",
        &sound
            .replace("duty_on_min = 20", "duty_on_min = 1")
            .replace("end_h = 2160", "end_h = 400")
            .replace("start_h = 2160", "start_h = 400")
            .replace("end_h = 2496", "end_h = 736"),
    );
    let buccal = write("a.toml", "[animal]\nbreathing = \"buccal\"\n[release]\nceiling_h = 400\n");
    let out = budget(&[&sparse, "--deployment", &buccal, "--draws", "5"]);
    assert!(out.status.success(), "{}", text(&out.stderr));
    let flat = text(&out.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("A death cannot be confirmed before the ceiling: sampling 1 min in every 60 min, a buccal pumper"), "{flat}");
    assert!(!flat.contains("ram ventilator that dies"), "{flat}");
}
