//! `swaymark replay --faults`: what is injected, what is told, and what is refused.

use std::path::Path;
use std::process::{Command, Output};

use host_sim::faults::plan::{Fault, Plan};
use serde_json::Value;

const DOC: &str = include_str!("../../docs/faults.md");

fn swaymark(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark")).args(args).output().expect("the program runs")
}

/// A trace of an hour with a release at half of it, made in a folder.
fn trace(folder: &Path) -> String {
    let folder_name = folder.display().to_string();
    let made = swaymark(&[
        "synth",
        "cruiser",
        "--seed",
        "9",
        "--hours",
        "1",
        "--sample-hz",
        "10",
        "--quiet",
        "--out",
        &folder_name,
    ]);
    assert!(made.status.success());
    let name = folder.join("cruiser-0009");
    let toml = name.with_extension("toml");
    let text = std::fs::read_to_string(&toml).expect("read");
    let text = text + "\n[release]\nfloor_h = 0.1\nceiling_h = 0.5\n";
    std::fs::write(toml, text).expect("written");
    name.with_extension("csv").display().to_string()
}

fn replay(trace: &str, plan: Option<&Path>) -> Value {
    let mut args = vec!["replay", "--format", "json", "--beats", "--minutes", "--quiet", trace];
    let plan = plan.map(|p| p.display().to_string());
    if let Some(plan) = &plan {
        args.extend(["--faults", plan]);
    }
    let out = swaymark(&args);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).expect("JSON")
}

#[test]
fn an_empty_plan_changes_nothing_and_fires_at_the_ceiling() {
    let folder = tempfile::tempdir().expect("a folder");
    let trace = trace(folder.path());
    let plan = folder.path().join("none.toml");
    // A link that never parts: a tag that came free would read other depths.
    std::fs::write(&plan, "[link]\nfails = 100\n").expect("written");
    let without = replay(&trace, None);
    let mut with = replay(&trace, Some(&plan));
    let injected = with.as_object_mut().expect("an object").remove("injected").expect("told");
    assert!(with == without, "the reports differ");
    let fired_t_s = injected["fired_t_s"].as_f64().expect("fired");
    assert!((1800.0..1810.0).contains(&fired_t_s), "{fired_t_s}");
    assert!(injected["free_t_s"].is_null());
    // Every key that is printed is told, and no other.
    let told: Vec<&str> = DOC.split('`').filter_map(|t| t.strip_prefix("injected.")).collect();
    let printed: Vec<&String> = injected.as_object().expect("an object").keys().collect();
    assert!(printed.iter().all(|k| told.contains(&k.as_str())), "{printed:?}");
    assert!(told.iter().all(|k| !injected[*k].is_null() || injected.get(*k).is_some()));
}

#[test]
fn faults_come_as_planned() {
    let folder = tempfile::tempdir().expect("a folder");
    let trace = trace(folder.path());
    let plan = folder.path().join("plan.toml");
    let text = "[[reset]]\nat_h = 0.2\naway_s = 90\nmid_write = true\n\
                [[reset]]\nat_h = 0.3\nkind = \"watchdog\"\naway_s = 2\n\
                [[clock]]\nwhich = \"timer\"\nat_h = 0.1\nstep_s = 7200\n\
                [[bus]]\nat_h = 0.4\nlasts_s = 20\n[link]\nfails = 1\n";
    std::fs::write(&plan, text).expect("written");
    let report = replay(&trace, Some(&plan));
    let injected = &report["injected"];
    assert_eq!((&injected["resets"], &injected["detectors_anew"]), (&2.into(), &0.into()));
    assert_eq!(injected["away_s"], 92.0);
    assert!((injected["deaf_s"].as_f64().expect("a number") - 20.0).abs() < 0.2);
    assert_eq!(injected["firings"], 2);
    let fired_t_s = injected["fired_t_s"].as_f64().expect("fired");
    assert!((1800.0..1810.0).contains(&fired_t_s), "a wrong timer moved it to {fired_t_s}");
    let clock = &injected["clock_s"];
    assert!(clock[0].as_f64() <= Some(3600.0) && clock[1].as_f64() >= Some(3598.0), "{clock}");
    let kinds: Vec<&str> = report["faults"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|f| f["kind"].as_str())
        .collect();
    assert!(kinds.contains(&"gap") && kinds.contains(&"missing_axis"), "{kinds:?}");
    // For a person, too.
    let plan = plan.display().to_string();
    let out = swaymark(&["replay", &trace, "--faults", &plan]);
    let text = String::from_utf8_lossy(&out.stdout);
    assert!(text.contains("2 resets, 92 s away"), "{text}");
}

#[test]
fn the_plan_of_the_manual_is_read() {
    let from = DOC.find("```toml\n").expect("an example") + 8;
    let example = &DOC[from..from + DOC[from..].find("```").expect("its end")];
    let plan = Plan::parse("example.toml", example.as_bytes()).expect("a sound example");
    let drawn = plan.draw().expect("was checked");
    let resets: Vec<f64> = drawn
        .faults
        .iter()
        .filter(|(_, f)| matches!(f, Fault::Reset { .. }))
        .map(|(t, _)| *t as f64 / 3.6e9)
        .collect();
    assert_eq!(resets.len(), 6);
    assert!(resets.iter().all(|h| (1.0..40.0).contains(h)), "{resets:?}");
    assert!(drawn.faults.is_sorted_by_key(|(t, _)| *t));
    assert_eq!(plan.draw(), Ok(drawn));
}

#[test]
fn a_wrong_plan_is_refused_by_name() {
    for (text, told) in [
        ("[[rest]]\nat_h = 1\n", "nearest known name: reset"),
        ("[[reset]]\nat = 1\n", "line 2"),
        ("[[reset]]\nat_h = -1\n", "at_h of [reset] must lie between 0 and 5000, got -1"),
        ("[[reset]]\naway_s = 1\n", "[[reset]] needs a time"),
        ("[[reset]]\nat_h = 1\nbetween_h = [1, 2]\n", "[[reset]] needs a time"),
        ("[[reset]]\nbetween_h = [3, 2]\n", "3 is more than 2"),
        ("[[reset]]\nbetween_h = [1, 2]\ncount = 1000000\n", "count of [[reset]]"),
        ("[[sensor]]\nwhich = \"axel\"\nat_h = 1\n", "nearest known name: accel"),
        ("[[clock]]\nwhich = \"timer\"\nat_h = 1\n", "either step_s or lost"),
        ("[[worn]]\nregion = \"copies\"\nat_h = 1\npart = 2\n", "part of [worn]"),
        ("[[bus]]\nat_h = 1\n", "lasts_s"),
        ("[deck]\nuntil_h = nan\n", "until_h of [deck]"),
        ("seed = -4\n", "line 1"),
        ("[[reset]\n", "line 1"),
    ] {
        let problem = Plan::parse("p.toml", text.as_bytes()).expect_err(text);
        let said = problem.render(false);
        assert!(said.contains("p.toml") && said.contains(told), "{text}\n{said}");
    }
    assert!(Plan::parse("p.toml", b"\xff\xfe").is_err());
}
