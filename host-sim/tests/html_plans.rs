//! The pages of a budget and of a sweep: whole, self-contained, true to the JSON.

use std::path::Path;
use std::process::{Command, Output};

use host_sim::budget::discharge::discharge;
use host_sim::budget::{Settings, budget};
use host_sim::synth::Request;
use host_sim::tag_file::TagFile;
use serde_json::Value;

fn swaymark(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark")).args(args).current_dir(dir).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn page(path: &Path) -> String {
    let html = std::fs::read_to_string(path).unwrap();
    assert!(html.starts_with("<!DOCTYPE html>") && html.ends_with("</html>"));
    assert!(html.contains("default-src 'none'"), "the page forbids itself to fetch anything");
    for fetched in ["src=\"http", "href=\"http", "url(http", "@import", "fetch("] {
        assert!(!html.contains(fetched), "{fetched}");
    }
    html
}

/// What a page holds for its script.
fn data(html: &str) -> Value {
    let (_, rest) = html.split_once("<script id=\"data-meta\" type=\"text/plain\">").unwrap();
    serde_json::from_str(rest.split_once("</script>").unwrap().0).unwrap()
}

#[test]
fn a_budget_page_says_what_the_budget_says() {
    let dir = tempfile::tempdir().unwrap();
    let args = ["budget", "fin-float", "--quiet", "--format", "json"];
    let plain = swaymark(dir.path(), &args);
    let run = swaymark(dir.path(), &[&args[..], &["--report", "b.html"]].concat());
    assert!(run.status.success(), "{}", text(&run.stderr));
    assert_eq!(plain.stdout, run.stdout, "a page changes no answer");
    let html = page(&dir.path().join("b.html"));
    let json: Value = serde_json::from_slice(&run.stdout).unwrap();
    let days = |p: &str| format!("{:.1}", json["beacon_days"][p].as_f64().unwrap());
    assert!(html.contains(&format!("{} days of beacon are left", days("median"))));
    assert!(html.contains(&format!("{} to {} days (5th to 95th", days("p05"), days("p95"))));
    assert!(html.contains("the satellite message pulls it below the 2.30 V"));
    for part in json["parts"].as_array().unwrap() {
        assert!(html.contains(part["part"].as_str().unwrap()), "{part}");
    }
    assert!(html.contains("Lithium cells burn and vent"));
    let names: Vec<_> =
        std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["b.html"], "nothing is left beside the page");
    let run = swaymark(dir.path(), &["budget", "fin-float", "--report", "nowhere/b.html"]);
    assert_eq!(run.status.code(), Some(2));
    assert!(text(&run.stderr).contains("nowhere/b.html"), "{}", text(&run.stderr));
}

#[test]
fn the_curve_ends_where_the_model_does() {
    for name in TagFile::shipped_names() {
        let tag = TagFile::shipped(name).unwrap();
        let settings = Settings { draws: 100, ..Settings::default() };
        let (b, d) = (budget(&tag, &settings), discharge(&tag, &settings));
        let (c, o) = (&b.as_written, &b.outlook);
        // On the animal: what is left at its end.
        let at = |day: f64| d.days.iter().position(|&t| (t - day).abs() < 1e-6).unwrap();
        let end = d.as_written[at(c.animal_days)].unwrap();
        assert!((end.left - c.left_fraction).abs() < 1e-6, "{name}: {end:?}");
        // In the search: the pulse that resets the tag, at the voltage at which it does.
        let failure = &b.failures[0];
        let last = d.stretches.last().unwrap();
        assert_eq!(last.pulse, failure.pulse, "{name}");
        assert!((last.days[1] - failure.t_h / 24.0).abs() < 1e-6, "{name}");
        assert!((last.ends[1].lowest_v - failure.volts).abs() < 1e-3, "{name}: {last:?}");
        // But for the charge of that pulse itself.
        let off = (last.ends[1].left - failure.left_fraction).abs();
        let pulse_mah = failure.pulse_ma.unwrap() * failure.pulse_s.unwrap() / 3600.0;
        assert!(off < 2.0 * pulse_mah / b.nominal_mah, "{name}: {off}");
        // The draws: as many days as told, half of them run half as long at least.
        let beacon = d.end_days.median - c.animal_days;
        assert!((beacon - o.beacon_days.median).abs() < 0.02, "{name}: {beacon}");
        let half = d.days.iter().position(|&t| t > d.end_days.median).map(|n| d.running[n]);
        if o.beacon_days.p95 > o.beacon_days.p05 {
            assert!(half.is_some_and(|r| (0.3..=0.52).contains(&r)), "{name}: {half:?}");
        }
        assert_eq!(d.running[0], 1.0, "{name}");
        let left: Vec<f64> = d.spread.iter().flatten().map(|s| s.left.p95 - s.left.p05).collect();
        assert!(left.iter().all(|w| *w >= 0.0) && left.len() > 60, "{name}");
    }
}

#[test]
fn a_figure_moves_the_days_as_told() {
    let tag = TagFile::shipped("fin-float").unwrap();
    let b = budget(&tag, &Settings { draws: 10, ..Settings::default() });
    let most = &b.figures[0];
    let now = b.as_written.beacon_days;
    assert!(most.sd_days > 1.0, "{most:?}");
    let half = 0.5 * (most.days_at_plus_sd - most.days_at_minus_sd).abs();
    assert_eq!(half, most.sd_days);
    let (low, high) = (most.days_at_minus_sd, most.days_at_plus_sd);
    assert!(low.min(high) < now && now < low.max(high), "{most:?} around {now}");
}

#[test]
fn a_sweep_page_says_what_the_sweep_says() {
    let dir = tempfile::tempdir().unwrap();
    for (scenario, seed, hours) in [("cruiser", 3, 1.0), ("death-first-hour", 4, 3.0)] {
        let mut request = Request::new(scenario, seed, dir.path());
        (request.hours, request.sample_hz) = (Some(hours), Some(20.0));
        host_sim::synth::run(&request).unwrap();
    }
    let grid = "[sampling]\nrate_hz = [20, 10]\nduty = [\"always\", { on_s = 20, every_s = 60 }]\n";
    std::fs::write(dir.path().join("g.toml"), grid).unwrap();
    let args = [".", "--grid", "g.toml", "--format", "json", "--report", "s.html"];
    let run = swaymark(dir.path(), &[&["sweep"][..], &args].concat());
    assert!(run.status.success(), "{}", text(&run.stderr));
    let json: Value = serde_json::from_slice(&run.stdout).unwrap();
    let html = page(&dir.path().join("s.html"));
    assert!(html.contains("4 cells over 2 traces"));
    let callouts = json["callouts"].as_array().unwrap();
    assert!(!callouts.is_empty());
    for callout in callouts {
        assert!(html.contains(callout["text"].as_str().unwrap()), "{callout}");
    }
    let data = data(&html);
    for (n, cell) in json["cells"].as_array().unwrap().iter().enumerate() {
        assert_eq!(data["front"][n] == 1, cell["pareto"] == true, "cell {}", n + 1);
        let f1 = cell["beat_f1"].as_f64().unwrap();
        assert!(html.contains(&format!("<td class=\"n\">{f1:.3}</td>")), "{f1}");
        let shown = data["goals"][0]["values"][n].as_f64().unwrap();
        assert!((shown - f1).abs() < 1e-5 * f1);
    }
    // Awake 20 s in 60 the one death is missed: Wilson's interval of 1 of 1 goes down to
    // 1/(1 + z^2), z = 1.96 (Wilson 1927, by hand).
    let missed = &data["missed"][1];
    assert_eq!((missed[0].as_f64(), missed[2].as_f64()), (Some(100.0), Some(100.0)), "{missed}");
    let low = 100.0 / (1.0 + 1.959_964_f64.powi(2));
    assert!((missed[1].as_f64().unwrap() - low).abs() < 0.01, "{missed}");
    // A folder that is not there is said before the work, not after it.
    let run = swaymark(dir.path(), &["sweep", ".", "--grid", "g.toml", "--report", "no/s.html"]);
    assert_eq!(run.status.code(), Some(2));
    assert!(text(&run.stderr).contains("no such folder"), "{}", text(&run.stderr));
}
