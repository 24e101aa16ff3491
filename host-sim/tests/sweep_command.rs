//! `swaymark sweep` as a person or a script uses it.

use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use host_sim::synth::{Request, run};
use serde_json::Value;

const GRID: &str = "[sampling]\nrate_hz = [20, 10]\nduty = [\"always\", { on_s = 20, every_s = 60 }]\n\
    [record]\nraw = [true, false]\n[release]\nceiling_h = [8, 20]\n";

fn make(dir: &Path, scenario: &str, seed: u64, hours: f64) {
    let mut request = Request::new(scenario, seed, dir);
    (request.hours, request.sample_hz) = (Some(hours), Some(20.0));
    run(&request).unwrap();
}

/// A folder with two short traces and a grid.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), "cruiser", 3, 1.0);
    make(dir.path(), "death-first-hour", 4, 3.0);
    std::fs::write(dir.path().join("g.toml"), GRID).unwrap();
    dir
}

fn command(dir: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_swaymark"));
    command.arg("sweep").args(args).current_dir(dir).env("NO_COLOR", "1");
    command
}

fn sweep(dir: &Path, args: &[&str]) -> Output {
    command(dir, args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn json(out: &Output) -> Value {
    assert!(out.status.success(), "{}", text(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

#[test]
fn one_result_whatever_way_it_is_come_by() {
    let dir = folder();
    let dir = dir.path();
    fn at<'a>(args: &[&'a str]) -> Vec<&'a str> {
        [&[".", "--grid", "g.toml", "--quiet"], args].concat()
    }
    let whole = sweep(dir, &at(&["--format", "json", "--csv", "a.csv", "--jobs", "1"]));
    let result = json(&whole);
    assert!(text(&whole.stderr).is_empty());
    let doc = include_str!("../../docs/sweep.md");
    for key in result["cells"][0].as_object().unwrap().keys() {
        assert!(doc.contains(&format!("`{key}`")), "{key} is not in docs/sweep.md");
    }
    for goal in host_sim::sweep::pareto::goal_names() {
        assert!(doc.contains(&format!("`{goal}`")), "{goal} is not in docs/sweep.md");
    }
    let csv = std::fs::read_to_string(dir.join("a.csv")).unwrap();
    assert!(!dir.join("a.csv.resume").exists() && !dir.join("a.csv.part").exists());
    assert_eq!(csv.lines().count(), 17);
    assert_eq!(result["cells"].as_array().unwrap().len(), 16);

    // Killed again and again, each time a little later, until it comes through.
    let args = at(&["--format", "json", "--csv", "b.csv", "--resume", "kept"]);
    let mut patience = Duration::from_millis(30);
    let last = loop {
        let mut child = command(dir, &args).stdout(Stdio::piped()).spawn().unwrap();
        let start = Instant::now();
        let done = loop {
            if child.try_wait().unwrap().is_some() {
                break true;
            }
            if start.elapsed() > patience {
                child.kill().unwrap();
                break false;
            }
            std::thread::sleep(Duration::from_millis(2));
        };
        let out = child.wait_with_output().unwrap();
        if done {
            break out;
        }
        patience += Duration::from_millis(60);
    };
    assert_eq!(last.stdout, whole.stdout);
    assert_eq!(std::fs::read_to_string(dir.join("b.csv")).unwrap(), csv);

    // From a state cut short anywhere.
    let kept = std::fs::read(dir.join("kept")).unwrap();
    for part in [kept.len() / 3, kept.len() - 1] {
        std::fs::write(dir.join("kept"), &kept[..part]).unwrap();
        assert_eq!(sweep(dir, &args).stdout, whole.stdout);
    }

    // A changed trace and a changed grid take over only what still holds.
    let again = [".", "--grid", "g.toml", "--format", "json", "--resume", "kept"];
    let told = |out: &Output| text(&out.stderr);
    assert!(told(&sweep(dir, &again)).contains("32 of 32 results were kept"));
    std::fs::write(dir.join("g.toml"), GRID.replace("[8, 20]", "[7, 20]")).unwrap();
    assert!(told(&sweep(dir, &again)).contains("16 of 32 results were kept"));
    std::fs::write(dir.join("g.toml"), GRID).unwrap();
    make(dir, "cruiser", 3, 1.1);
    let changed = sweep(dir, &again);
    assert!(told(&changed).contains("16 of 32 results were kept"), "{}", told(&changed));
    std::fs::remove_file(dir.join("kept")).unwrap();
    assert_eq!(sweep(dir, &again).stdout, changed.stdout);
    assert_ne!(changed.stdout, whole.stdout);
}

/// The cell that is the deployment itself says what `replay` and the truth say.
#[test]
fn the_plain_cell_agrees_with_replay() {
    let dir = folder();
    let dir = dir.path();
    std::fs::write(dir.join("g.toml"), "[record]\nraw = false\n").unwrap();
    let result = json(&sweep(dir, &[".", "--grid", "g.toml", "--format", "json"]));
    let cell = &result["cells"][0];
    let mut bytes = 0.0;
    let mut found = 0;
    for name in ["cruiser-0003", "death-first-hour-0004"] {
        let out = Command::new(env!("CARGO_BIN_EXE_swaymark"))
            .args(["replay", "--format", "json", "--quiet", &format!("{name}.csv")])
            .current_dir(dir)
            .output()
            .unwrap();
        let report = json(&out);
        bytes += report["memory"]["record_bytes"].as_f64().unwrap();
        found += report["beats"]["count"].as_u64().unwrap();
        if name.starts_with("death") {
            assert_eq!(report["fate"], "dead");
            let delay = cell["death_delay_h"].as_f64().unwrap() * 3600.0;
            let decided = report["fate_decided_t_s"].as_f64().unwrap();
            let truth = std::fs::read_to_string(dir.join(format!("{name}.truth.csv"))).unwrap();
            let death = truth.lines().find(|l| l.contains(",death")).unwrap();
            let death: f64 = death.split(',').next().unwrap().parse().unwrap();
            assert!((delay - (decided - death)).abs() < 1e-6);
        }
    }
    assert!((cell["bytes_per_day"].as_f64().unwrap() - bytes / (4.0 / 24.0)).abs() < 1.0);
    assert!(found > 1000 && cell["beat_f1"].as_f64().unwrap() > 0.9);
    assert_eq!((cell["deaths"].as_u64(), cell["deaths_told"].as_u64()), (Some(1), Some(1)));
    assert!(cell["cell_days"].as_f64().unwrap() > 1.0);
}

#[test]
fn a_duty_cycle_that_cannot_tell_deaths_is_called_out() {
    let dir = folder();
    let dir = dir.path();
    let out = sweep(dir, &[".", "--grid", "g.toml", "--quiet"]);
    let said = text(&out.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        said.contains("Awake 20 s of every 60 s, the tag cannot tell a death within"),
        "{said}"
    );
    assert!(said.contains("Awake all the time it tells a plain death after"), "{said}");
    for line in text(&out.stdout).lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let result = json(&sweep(dir, &[".", "--grid", "g.toml", "--format", "json", "--quiet"]));
    let callouts = result["callouts"].as_array().unwrap();
    assert!(callouts.iter().all(|c| c["kind"] == "deaths_undetectable"), "{callouts:?}");
    let named: Vec<u64> = callouts
        .iter()
        .flat_map(|c| c["cells"].as_array().unwrap())
        .flat_map(Value::as_u64)
        .collect();
    for cell in result["cells"].as_array().unwrap() {
        let asleep = !cell["duty"].is_null();
        assert_eq!(named.contains(&cell["cell"].as_u64().unwrap()), asleep);
        assert_eq!(cell["trial_death_delay_h"].is_null(), asleep);
    }
}

#[test]
fn without_true_beats_there_is_no_f1() {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), "cruiser", 3, 0.5);
    std::fs::write(dir.path().join("cruiser-0003.truth.csv"), "t_s,event\n").unwrap();
    std::fs::write(dir.path().join("g.toml"), "[record]\nraw = [true, false]\n").unwrap();
    let args = [".", "--grid", "g.toml", "--format", "json", "--csv", "o.csv"];
    let result = json(&sweep(dir.path(), &args));
    for cell in result["cells"].as_array().unwrap() {
        assert!(cell["beat_f1"].is_null() && cell["beat_recall"].is_null(), "{cell}");
        assert!(cell["death_delay_h"].is_null());
    }
    let csv = std::fs::read_to_string(dir.path().join("o.csv")).unwrap();
    let mut rows = csv::Reader::from_reader(csv.as_bytes());
    let at = rows.headers().unwrap().iter().position(|h| h == "beat_f1").unwrap();
    assert!(rows.records().all(|r| r.unwrap()[at].is_empty()));
}

#[test]
fn bad_input_is_named() {
    let dir = folder();
    let dir = dir.path();
    let grid = |text: &str| std::fs::write(dir.join("bad.toml"), text).unwrap();
    let fails = |args: &[&str], wanted: &[&str]| {
        let out = sweep(dir, args);
        let said = text(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{said}");
        assert!(out.stdout.is_empty());
        for want in wanted {
            assert!(said.contains(want), "{want:?} not in {said}");
        }
    };
    let bad = [".", "--grid", "bad.toml"];
    grid("[sampling]\nrate_hz = [50]\n");
    fails(&bad, &["bad.toml: line 2", "rate_hz = 50", "recorded at 20 Hz", "cruiser-0003.csv"]);
    grid("[sampling]\nrate_hz = [7]\n");
    fails(&bad, &["does not divide the 20 Hz", "nearest rates that do: 10 and 6.6667 Hz"]);
    grid("[release]\nfloor_h = [60]\n");
    fails(&bad, &["floor_h must be smaller than ceiling_h", "bad.toml: line 2"]);
    grid("[release]\nflor_h = [1]\n");
    fails(&bad, &["unknown key \"flor_h\"", "nearest known key: floor_h"]);
    fails(&[".", "--grid", "none.toml"], &["none.toml: no such file"]);
    fails(&["none", "--grid", "g.toml"], &["none: no such folder"]);
    fails(&["g.toml", "--grid", "g.toml"], &["a folder of traces was expected"]);
    fails(&[".", "--grid", "g.toml", "--tag", "none.toml"], &["none.toml: no such file"]);
    std::fs::write(dir.join("notes.txt"), "mine\n").unwrap();
    fails(&[".", "--grid", "g.toml", "--resume", "notes.txt"], &["not the state of a sweep"]);
    assert_eq!(std::fs::read_to_string(dir.join("notes.txt")).unwrap(), "mine\n");
    fails(&[".", "--grid", "g.toml", "--csv", "no/such/o.csv"], &["no/such/o.csv"]);
    std::fs::create_dir(dir.join("empty")).unwrap();
    fails(&["empty", "--grid", "g.toml"], &["empty: no traces in it", "NAME.truth.csv"]);
    std::fs::copy(dir.join("cruiser-0003.csv"), dir.join("empty/a.csv")).unwrap();
    fails(&["empty", "--grid", "g.toml"], &["no trace with a truth file in it"]);
    std::fs::write(dir.join("empty/a.truth.csv"), "t_s,event\n1,baet\n").unwrap();
    fails(&["empty", "--grid", "g.toml"], &["a.truth.csv: row 2", "beat"]);
}
