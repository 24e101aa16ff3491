//! `swaymark score` run as a user runs it.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use host_sim::synth::{Request, run};

/// Makes `count` short traces of a scenario.
fn make(dir: &Path, scenario: &str, seed: u64, count: u64, hours: f64) {
    for seed in seed..seed + count {
        let mut request = Request::new(scenario, seed, dir);
        request.hours = Some(hours);
        request.sample_hz = Some(5.0);
        request.gzip = seed.is_multiple_of(2);
        run(&request).unwrap();
    }
}

fn swaymark(dir: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_swaymark"));
    command.current_dir(dir).args(args).stdin(Stdio::null());
    command
}

fn score(dir: &Path, args: &[&str]) -> (i32, String, String) {
    told(&swaymark(dir, &[&["score"], args].concat()).output().unwrap())
}

fn told(out: &Output) -> (i32, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (out.status.code().unwrap(), text(&out.stdout), text(&out.stderr))
}

fn json(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap()
}

/// Families: two by folder, one stated in the deployment file.
fn mixed() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    make(&root.join("bay/cruisers"), "cruiser", 11, 3, 0.2);
    make(&root.join("bay/dead ones"), "death-first-hour", 12, 2, 2.0);
    make(&root.join("cove"), "tag-floating", 13, 2, 1.5);
    let toml = root.join("cove/tag-floating-0013.toml");
    let text = fs::read_to_string(&toml).unwrap();
    fs::write(&toml, text.replace("[deployment]\n", "[deployment]\nfamily = \"stated\"\n"))
        .unwrap();
    dir
}

#[test]
fn scores_by_family_in_a_fixed_order_for_any_number_of_jobs() {
    let dir = mixed();
    let (status, one, err) = score(dir.path(), &["bay", "cove", "--format", "json", "--jobs", "1"]);
    assert_eq!((status, err.as_str()), (0, ""));
    // Another order of folders, one of them twice, more jobs: the same bytes.
    let again = ["cove", "bay/cruisers", "bay", "--format", "json", "--jobs", "4"];
    assert_eq!(score(dir.path(), &again), (0, one.clone(), String::new()));
    let v = json(&one);
    assert_eq!((&v["schema"], &v["all"]["traces"]), (&1.into(), &7.into()));
    let families: Vec<_> = v["families"].as_object().unwrap().keys().collect();
    assert_eq!(families, ["cove", "cruisers", "dead ones", "stated"]);
    let f1 = &v["all"]["statistics"]["beats_f1"];
    assert!(
        f1["value"].as_f64().unwrap() > 0.9 && f1["low"].as_f64() < f1["high"].as_f64(),
        "{f1}"
    );
    assert_eq!(v["all"]["fate"]["dead"]["dead"]["n"], 2);
    // Undefined is null, never 0.
    let eaten = &v["all"]["statistics"]["eaten_right"];
    assert!(eaten["value"].is_null() && eaten["low"].is_null() && eaten["n"] == 0);
    let none = &v["all"]["statistics"]["recovery_error_median_h"];
    assert!(none["value"].is_null() && none["n"] == 0);
    let (_, text, _) = score(dir.path(), &["bay", "cove"]);
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line:?}");
    }
    assert!(text.contains("0 of 3 survivors: with 95 % confidence at most 56.150 %"), "{text}");
    let each = json(&score(dir.path(), &["bay", "--format", "json", "--each"]).1);
    assert_eq!(each["each"].as_array().unwrap().len(), 5);
}

#[test]
fn what_cannot_be_read_is_told_and_the_rest_counts() {
    let dir = mixed();
    let root = dir.path();
    let cruisers = root.join("bay/cruisers");
    fs::write(cruisers.join("aaa.csv"), "t_s,ax_g,ay_g,az_g\n0,0,0,1\n").unwrap(); // no truth
    fs::write(cruisers.join("bad.csv"), "not,a,trace\n1,2,3\n").unwrap();
    fs::write(cruisers.join("bad.truth.csv"), "t_s,event\n").unwrap();
    fs::copy(cruisers.join("cruiser-0011.csv"), cruisers.join("odd.csv")).unwrap();
    fs::write(cruisers.join("odd.truth.csv"), "t_s,event\n5,baet\n").unwrap();
    let gz = fs::read(cruisers.join("cruiser-0012.csv.gz")).unwrap();
    fs::write(cruisers.join("cut.csv.gz"), &gz[..gz.len() / 2]).unwrap();
    fs::write(cruisers.join("cut.truth.csv"), "t_s,event\n").unwrap();
    fs::write(cruisers.join("lone.truth.csv"), "t_s,event\n").unwrap();
    fs::create_dir(root.join("empty")).unwrap();
    let (status, out, err) = score(root, &["bay", "empty", "nowhere", "--format", "json"]);
    assert_eq!(status, 2);
    let v = json(&out);
    assert_eq!((&v["all"]["traces"], &v["without_truth"]), (&5.into(), &1.into()));
    assert_eq!(v["refused"].as_array().unwrap().len(), 6, "{err}");
    for want in [
        "bad.csv",
        "odd.truth.csv: row 2, column event: unknown event \"baet\"",
        "cut.csv.gz",
        "lone.truth.csv: is the truth of no trace",
        "empty: holds no trace",
        "nowhere: no such file or folder",
    ] {
        assert!(err.contains(want), "{want}: {err}");
    }
    // Two traces for one truth: neither counts, and it is said.
    fs::copy(cruisers.join("cruiser-0011.csv"), cruisers.join("cruiser-0011.csv.gz")).unwrap();
    let (status, out, err) = score(root, &["bay", "--format", "json"]);
    assert!(status == 2 && err.contains("one truth for") && json(&out)["all"]["traces"] == 4);
    // Nothing at all.
    let (status, out, err) = score(root, &["empty"]);
    assert!(status == 2 && out.is_empty() && err.contains("nothing to score"), "{err}");
    assert_eq!(score(root, &[]).0, 2);
}

#[test]
fn the_worst_come_with_a_command_that_replays_them() {
    let dir = mixed();
    // A truth turned round: the dead one is said to have lived.
    let dead = dir.path().join("bay/dead ones/death-first-hour-0013.truth.csv");
    let text = fs::read_to_string(&dead).unwrap();
    let lived: String =
        text.lines().filter(|l| !l.contains("death")).map(|l| format!("{l}\n")).collect();
    fs::write(&dead, lived).unwrap();
    let v = json(&score(dir.path(), &["bay", "--format", "json", "--worst", "1"]).1);
    let worst = v["worst"].as_array().unwrap();
    assert_eq!(worst.len(), 1);
    assert!(worst[0]["why"][0].as_str().unwrap().contains("held dead at"), "{worst:?}");
    // Through a shell, as a user would paste it.
    let command = worst[0]["replay"].as_str().unwrap();
    let rest = command.strip_prefix("swaymark ").unwrap();
    let shell = format!("\"$SWAYMARK\" {rest} --format json");
    let out = Command::new("sh")
        .args(["-c", &shell])
        .env("SWAYMARK", env!("CARGO_BIN_EXE_swaymark"))
        .current_dir(dir.path())
        .output()
        .unwrap();
    assert!(out.status.success(), "{command}");
    assert_eq!(json(&String::from_utf8(out.stdout).unwrap())["fate"], "dead");
}

#[test]
fn bounds_fall_short_with_exit_1() {
    let dir = mixed();
    let root = dir.path();
    let with = |text: &str| {
        fs::write(root.join("b.toml"), text).unwrap();
        score(root, &["bay", "cove", "--bounds", "b.toml", "--format", "json"])
    };
    let (status, out, err) =
        with("[all]\nfalse_release = { max = 0 }\n[family.cruisers]\nbeats_f1 = { min = 0.5 }\n");
    assert_eq!((status, err.as_str()), (0, ""));
    assert!(json(&out)["bounds"].as_array().unwrap().iter().all(|b| b["kept"] == true));
    let (status, out, err) = with("[all]\nfalse_release = { high_max = 0.002, n_min = 2000 }\n");
    assert_eq!(status, 1);
    assert!(
        err.contains("all false_release, upper end: 56.14") && err.contains("at most 0.2 %"),
        "{err}"
    );
    assert!(err.contains("cases: 3, short by 1997; at least 2000"), "{err}");
    assert_eq!(json(&out)["bounds"].as_array().unwrap().len(), 2);
    let (status, _, err) = with("[family.nobody]\nbeats_f1 = { min = 0 }\n");
    assert!(status == 1 && err.contains("nobody beats_f1: no case"), "{err}");
    let (status, out, err) = with("[all]\nbeats_fl = { min = 0 }\n");
    assert!(status == 2 && out.is_empty() && err.contains("nearest known: beats_f1"), "{err}");
    assert_eq!(score(root, &["bay", "--bounds", "none.toml"]).0, 2);
}

#[test]
fn a_run_broken_off_goes_on_and_ends_with_the_same_bytes() {
    let dir = mixed();
    let root = dir.path();
    let args = ["bay", "cove", "--format", "json", "--each", "--resume", "state"];
    let (_, unbroken, _) = score(root, &["bay", "cove", "--format", "json", "--each"]);
    // Killed after a while, again and again: at the latest the last run ends by itself.
    for wait_ms in [20, 60, 120, 250] {
        let mut run = swaymark(root, &[&["score"], &args[..]].concat())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(std::time::Duration::from_millis(wait_ms));
        let _ = run.kill();
        run.wait().unwrap();
    }
    let (status, out, _) = score(root, &args);
    assert_eq!((status, &out), (0, &unbroken));
    // Now all are taken up.
    let (_, out, err) = score(root, &args);
    assert!(out == unbroken && err.contains("7 of 7 scores were taken up"), "{err}");
    // Torn in its last line by a kill in the middle of a write.
    let whole = fs::read(root.join("state")).unwrap();
    fs::write(root.join("state"), &whole[..whole.len() - 40]).unwrap();
    let (_, out, err) = score(root, &args);
    assert!(out == unbroken && err.contains("6 of 7"), "{err}");

    // What has changed is scored anew: a truth, a deployment, a trace.
    let death = root.join("bay/dead ones/death-first-hour-0012.truth.csv");
    let text = fs::read_to_string(&death).unwrap();
    fs::write(&death, text.replace(",beat,", ",glide,")).unwrap();
    let toml = root.join("cove/tag-floating-0014.toml");
    let text = fs::read_to_string(&toml).unwrap();
    fs::write(
        &toml,
        format!("{text}[release]\nfloor_h = 0.1\n[detector]\n").replace("[made_by]", "[made_by]\n"),
    )
    .unwrap();
    make(&root.join("bay/cruisers"), "cruiser", 11, 1, 0.25);
    let (_, out, err) = score(root, &args);
    assert!(out != unbroken && err.contains("4 of 7"), "{err}");
    assert_eq!(out, score(root, &["bay", "cove", "--format", "json", "--each"]).1);
    // Someone else's file stays as it is.
    fs::write(root.join("notes"), "mine").unwrap();
    let (status, _, err) = score(root, &["bay", "--resume", "notes"]);
    assert!(status == 2 && err.contains("something else"), "{err}");
    assert_eq!(fs::read(root.join("notes")).unwrap(), b"mine");
}
