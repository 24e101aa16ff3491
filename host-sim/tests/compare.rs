//! `swaymark compare` run as a user runs it.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use host_sim::synth::{Request, run};

fn make(dir: &Path, scenario: &str, seed: u64, hours: f64) {
    let mut request = Request::new(scenario, seed, dir);
    request.hours = Some(hours);
    request.sample_hz = Some(5.0);
    request.gzip = seed.is_multiple_of(2);
    run(&request).unwrap();
}

fn compare(dir: &Path, args: &[&str]) -> (i32, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_swaymark"))
        .arg("compare")
        .args(args)
        .current_dir(dir)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (out.status.code().unwrap(), text(&out.stdout), text(&out.stderr))
}

fn json(dir: &Path, args: &[&str]) -> (i32, serde_json::Value) {
    let (status, out, _) = compare(dir, &[args, &["--format", "json"]].concat());
    (status, serde_json::from_str(&out).unwrap())
}

/// Four traces of a bay, and their baseline.
fn bay() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let bay = dir.path().join("bay");
    make(&bay, "cruiser", 21, 0.5);
    make(&bay, "death-first-hour", 22, 2.5);
    make(&bay, "death-first-hour", 23, 2.5);
    make(&bay.join("lost"), "tag-floating", 24, 2.0);
    let (status, out, err) = compare(dir.path(), &["base", "bay", "--accept"]);
    assert!(status == 0 && out.is_empty() && err.contains("decisions of 4 deployments"), "{err}");
    dir
}

/// Adds settings to a deployment file.
fn set(toml: &Path, settings: &str) {
    let text = fs::read_to_string(toml).unwrap();
    fs::write(toml, format!("{settings}\n{text}")).unwrap();
}

const NOTHING: (i32, String, String) = (0, String::new(), String::new());

#[test]
fn silent_while_nothing_changes_however_the_folder_is_reached() {
    let dir = bay();
    let root = dir.path();
    assert_eq!(compare(root, &["base", "bay"]), NOTHING);
    assert_eq!(compare(root, &["base", "./bay/", "--jobs", "3"]), NOTHING);
    assert_eq!(compare(&root.join("bay"), &["../base", "."]), NOTHING);
    let (status, v) = json(root, &["base", "bay"]);
    assert_eq!((status, &v["compared"], v["changed"].as_array().unwrap().len()), (0, &4.into(), 0));
    // Renamed: the same contents.
    fs::rename(root.join("bay"), root.join("cove")).unwrap();
    assert_eq!(compare(root, &["base", "cove"]), NOTHING);
    // The baseline is one line a deployment, sorted, and accepting again changes nothing.
    let text = fs::read_to_string(root.join("base")).unwrap();
    assert_eq!(text.lines().count(), 5);
    assert!(text.lines().nth(1).unwrap().starts_with("{\"trace\":\"bay/cruiser-0021.csv\","));
    fs::rename(root.join("cove"), root.join("bay")).unwrap();
    assert_eq!(compare(root, &["base", "bay", "--accept", "--quiet"]), NOTHING);
    assert_eq!(fs::read_to_string(root.join("base")).unwrap(), text);
}

#[test]
fn settings_that_hurt_are_named_the_most_serious_first() {
    let dir = bay();
    let root = dir.path();
    // A confirmation dropped: with no floor the tag now lets go for death.
    set(
        &root.join("bay/death-first-hour-0022.toml"),
        "[release]\nfloor_h = 0\ndeath_confirm_min = 0\ndeath_daylight = false",
    );
    // The band of beats cut off below the animal's: fewer beats, another rate.
    set(&root.join("bay/cruiser-0021.toml"), "[detector]\nmax_beat_hz = 1.3");
    // Changed, but nothing decided otherwise.
    set(&root.join("bay/lost/tag-floating-0024.toml"), "# a remark");
    let (status, v) = json(root, &["base", "bay"]);
    assert_eq!(status, 1);
    let names: Vec<_> =
        v["changed"].as_array().unwrap().iter().map(|c| c["trace"].as_str().unwrap()).collect();
    assert_eq!(names, ["bay/death-first-hour-0022.csv.gz", "bay/cruiser-0021.csv"], "{v}");
    assert_eq!(v["changed"][0]["changes"][0]["kind"], "cause");
    assert_eq!(v["changed"][0]["changes"][0]["now"], "death");
    assert_eq!(v["changed"][0]["deployment_changed"], true);
    assert!(v["changed"][1]["changes"].as_array().unwrap().iter().any(|c| c["kind"] == "rate"));
    assert_eq!(v["deployment_changed"][0], "bay/lost/tag-floating-0024.csv.gz");
    let (status, text, _) = compare(root, &["base", "bay"]);
    assert_eq!(status, 1);
    assert!(text.contains("none -> death") && text.contains("beats a minute"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    // Within a tolerance so wide, the rate is no change; the cause still is.
    let wide = ["--rate-per-min", "500", "--motion-percent", "900", "--posture-deg", "180"];
    let (status, v) = json(root, &[&["base", "bay"], &wide[..]].concat());
    assert_eq!((status, v["changed"].as_array().unwrap().len()), (1, 1), "{v}");
    // Taken as the new baseline: told once more, then silent.
    let (status, text, _) = compare(root, &["base", "bay", "--accept"]);
    assert!(status == 0 && text.contains("none -> death"), "{text}");
    assert_eq!(compare(root, &["base", "bay"]), NOTHING);
}

#[test]
fn other_traces_are_told_apart_from_other_decisions() {
    let dir = bay();
    let root = dir.path();
    make(&root.join("bay"), "cruiser", 21, 0.6);
    fs::remove_file(root.join("bay/death-first-hour-0023.csv")).unwrap();
    make(&root.join("bay"), "cruiser", 25, 0.3);
    let (status, v) = json(root, &["base", "bay"]);
    assert_eq!(status, 1);
    assert_eq!(v["changed"].as_array().unwrap().len(), 0, "{v}");
    assert_eq!(v["trace_changed"][0], "bay/cruiser-0021.csv");
    assert_eq!(v["missing"][0], "bay/death-first-hour-0023.csv");
    assert_eq!(v["new"][0], "bay/cruiser-0025.csv");
    assert_eq!(compare(root, &["base", "bay", "--accept", "--quiet"]).0, 0);
    assert_eq!(compare(root, &["base", "bay"]), NOTHING);
}

#[test]
fn what_cannot_be_read_is_exit_2_and_is_never_accepted() {
    let dir = bay();
    let root = dir.path();
    let text = fs::read(root.join("base")).unwrap();
    fs::write(root.join("bay/death-first-hour-0023.csv"), "mangled\n").unwrap();
    let (status, v) = json(root, &["base", "bay"]);
    assert_eq!((status, &v["compared"]), (2, &3.into()));
    assert_eq!(
        (v["missing"].as_array().unwrap().len(), v["refused"].as_array().unwrap().len()),
        (0, 1)
    );
    let (status, _, err) = compare(root, &["base", "bay", "--accept"]);
    assert!(status == 2 && err.contains("not written"), "{err}");
    assert_eq!(fs::read(root.join("base")).unwrap(), text);

    let (status, out, err) = compare(root, &["none", "bay"]);
    assert!(
        status == 2
            && out.is_empty()
            && err.contains("no such baseline")
            && err.contains("--accept"),
        "{err}"
    );
    fs::write(root.join("mine"), "notes\n").unwrap();
    let (status, _, err) = compare(root, &["mine", "bay", "--accept"]);
    assert!(status == 2 && err.contains("line 1"), "{err}");
    assert_eq!(fs::read(root.join("mine")).unwrap(), b"notes\n");
    let mut torn = text.clone();
    torn.extend_from_slice(b"<<<<<<< mine\n");
    fs::write(root.join("base"), torn).unwrap();
    let (status, _, err) = compare(root, &["base", "bay"]);
    assert!(status == 2 && err.contains("line 6"), "{err}");
    fs::write(root.join("base"), &text).unwrap();
    fs::create_dir(root.join("empty")).unwrap();
    let (status, _, err) = compare(root, &["base", "empty"]);
    assert!(status == 2 && err.contains("holds no trace"), "{err}");
    assert_eq!(compare(root, &["base", "bay", "--fate-min", "-1"]).0, 2);
    // No passing file is left behind.
    let left: Vec<_> = fs::read_dir(root).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|n| !n.to_string_lossy().contains(".part")), "{left:?}");
}
