//! `swaymark replay --faults`: what is injected, what is told, and what is refused.

use std::path::Path;
use std::process::{Command, Output};

use host_sim::faults::plan::{Fault, Plan};
use host_sim::replay::{self, Keep};
use host_sim::unpack::{ImageReport, MessageReport};
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
    // A reset within the time away makes it longer and is not counted twice.
    let twice = "[[reset]]\nat_h = 0.2\naway_s = 90\n[[reset]]\nat_h = 0.21\naway_s = 90\n";
    let path = folder.path().join("twice.toml");
    std::fs::write(&path, twice).expect("written");
    assert_eq!(replay(&trace, Some(&path))["injected"]["away_s"], 126.0);
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

/// What a tag leaves in its flash and sends whose hardware went wrong is what its report says.
#[test]
fn the_image_of_a_faulted_tag_tells_what_its_report_tells() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-data");
    let text = "seed = 11\n[[reset]]\nbetween_h = [0.5, 23]\ncount = 25\naway_s = [1, 900]\n\
                mid_write = true\n\
                [[reset]]\nbetween_h = [0.5, 23]\ncount = 10\nkind = \"watchdog\"\naway_s = 2\n\
                [[bus]]\nbetween_h = [1, 23]\ncount = 20\nlasts_s = [1, 60]\n";
    let plan = Plan::parse("plan.toml", text.as_bytes())
        .and_then(|p| p.draw().map_err(host_sim::problem::Problem::new));
    let plan = plan.expect("sound");
    let keep = Keep { beats: true, minutes: true };
    let trace = demo.join("death-first-hour-0005.csv.gz");
    let prepared = replay::prepare(&trace, None, keep, |file| Box::new(file)).expect("a demo");
    let (report, mut left) = prepared.run_keeping_with_faults(&plan, true).expect("runs");
    assert_eq!(left.refused, 0);
    let resets = report.injected.as_ref().expect("told").resets;
    assert!(resets >= 30, "{resets}");

    let image = ImageReport::new("image", left.image(), None);
    assert_eq!(image.missing.len(), 0);
    let minutes = report.minutes.as_ref().expect("kept");
    assert!(minutes.is_sorted_by(|a, b| a.t_s < b.t_s), "a minute is told twice");
    // The log holds every minute that the report tells. It may hold one more for a reset: power
    // went as it was written, the tag never knew, and its copy is of before that minute.
    let times = |m: &[replay::Minute]| m.iter().map(|m| m.t_s).collect::<Vec<_>>();
    let (kept, told) = (times(&image.minutes), times(minutes));
    assert!(told.iter().all(|t_s| kept.contains(t_s)), "a minute is not in the log");
    assert!(kept.len() <= told.len() + 3, "{} kept, {} told", kept.len(), told.len());
    assert!(minutes.len() > 1000);
    let also_told = image.minutes.iter().filter(|m| told.contains(&m.t_s));
    // Within half a step of each field (docs/records.md).
    let near = |a: f32, b: f32, step: f32| (a - b).abs() <= 0.5001 * step;
    let beats = |m: &replay::Minute| m.beats_per_min.unwrap_or(0.0);
    let same = |(got, want): &(&replay::Minute, &replay::Minute)| {
        (got.state, got.beats_per_min.is_some()) == (want.state, want.beats_per_min.is_some())
            && near(beats(got), beats(want), 1.0 / 128.0)
            && near(got.vedba_g, want.vedba_g, 1.0 / 8192.0)
            && near(got.pitch_deg, want.pitch_deg, 180.0 / 127.0)
    };
    // Or it holds that minute as it was first, and the report as it was made again with less.
    let odd: Vec<_> = also_told.zip(minutes).filter(|pair| !same(pair)).collect();
    assert!(odd.len() <= 3, "{odd:?}");
    let beats_s: Vec<f64> = report.beats.times_s.as_ref().expect("kept").iter().collect();
    assert_eq!(report.beats.count, beats_s.len() as u64);
    assert!(beats_s.is_sorted_by(|a, b| a < b), "a beat is told twice");

    let event = |name| image.events.iter().rfind(move |e| e.event == name);
    let fate = event("fate").expect("decided");
    assert_eq!((fate.what, fate.since_s), (Some("dead"), report.fate_t_s));
    assert_eq!(Some(fate.t_s), report.fate_decided_t_s);
    let release = event("release").expect("let go");
    assert_eq!((Some(release.t_s), release.bound), (report.release.t_s, report.release.bound));
    assert_eq!(release.what, Some(report.release.cause));
    // A reset while the tag is away is none that it can know of.
    let told = image.events.iter().filter(|e| e.event == "reset").count();
    assert!((20..=resets as usize).contains(&told), "{told} of {resets} resets");

    let lines: Vec<String> =
        left.round().iter().map(|m| m.iter().map(|b| format!("{b:02x}")).collect()).collect();
    let told = MessageReport::new("messages", &lines.join("\n")).expect("hexadecimal");
    let d = &told.deployments[0];
    assert_eq!((told.refused.len(), d.messages, d.deployment, d.fate), (0, 12, 5, "dead"));
    assert!((d.fate_t_s.expect("known") - report.fate_t_s.expect("known")).abs() <= 30.0);
    assert_eq!(d.release_cause, Some(report.release.cause));
    assert!(d.checks.contains(&"reset") && d.course.whole);
}

/// The same by the commands, and what does not go together.
#[test]
fn the_commands_write_and_read_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let trace = trace(folder.path());
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (plan, image, messages) = (path("plan.toml"), path("tag.flash"), path("tag.txt"));
    let text = "[[reset]]\nat_h = 0.2\naway_s = 90\nmid_write = true\n";
    std::fs::write(&plan, text).expect("written");
    let args = ["replay", &trace, "--faults", &plan, "--image", &image, "--messages", &messages];
    let out = swaymark(&[&args[..], &["--format", "json", "--minutes", "--quiet"]].concat());
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let report: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let out = swaymark(&["unpack", &image, "--format", "json"]);
    let unpacked: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let times = |v: &Value| -> Vec<f64> {
        v["minutes"].as_array().expect("a list").iter().filter_map(|m| m["t_s"].as_f64()).collect()
    };
    assert_eq!(times(&unpacked), times(&report));
    let events = unpacked["events"].as_array().expect("a list");
    let find = |name: &str| events.iter().find(|e| e["event"] == name).expect(name);
    assert_eq!(find("release")["t_s"], report["release"]["t_s"]);
    // Since the tag last kept its clock, which it does every minute (docs/resets.md).
    let out_s = find("reset")["value"].as_f64().expect("known");
    assert!((90.0..151.0).contains(&out_s), "{out_s}");
    let out = swaymark(&["unpack", "--messages", &messages]);
    assert!(String::from_utf8_lossy(&out.stdout).contains("12 messages"));
    // A page is about a tag that nothing befell; it is not written in silence, nor left out.
    let page = path("page.html");
    for with in [["--faults", &plan], ["--image", &image], ["--messages", &messages]] {
        let out = swaymark(&[&["replay", &trace, "--report", &page], &with[..]].concat());
        assert_eq!(out.status.code(), Some(2));
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(said.contains("--report") && said.contains(with[0]), "{said}");
    }
    assert!(!Path::new(&page).exists());
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
