//! The state is the whole truth: two replays give the same bytes, and so does
//! one that is split anywhere. And what the program prints, to whom.

use std::path::Path;
use std::process::{Command, Output};

use host_sim::deployment::Deployment;
use host_sim::replay::{Keep, Prepared, Replayer, prepare_source};
use host_sim::trace::Row;
use serde_json::Value;

fn swaymark(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark")).args(args).output().expect("the program runs")
}

/// An invented trace: swimming, a rest, a gap, a stuck axis, a clock set back,
/// then stillness.
fn eventful(minutes: u32) -> String {
    let mut text = String::from("t_s,ax_g,ay_g,az_g,depth_m,temp_c\n");
    let mut seed = 11_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(seed >> 8) / f64::from(1 << 24) - 0.5) * 0.01
    };
    for n in 0..minutes * 60 * 25 {
        let minute = n / 1500;
        let mut t = f64::from(n) / 25.0;
        if minute == 20 && n % 1500 < 100 {
            continue;
        }
        if minute == 30 && n % 1500 < 40 {
            t -= 500.0;
        }
        let swims = minute < 10 || (15..40).contains(&minute);
        let sway = if swims { 0.15 * (t * 0.9 * std::f64::consts::TAU).sin() } else { 0.0 };
        let x = if minute == 25 { 0.5 } else { 0.05 + noise() };
        text += &format!("{t:.2},{x:.4},{:.4},{:.4},", sway + noise(), 1.0 + noise());
        if n % 25 == 0 {
            text += &format!("{:.2}", 20.0 + 5.0 * (t / 100.0).sin());
        }
        text += if n % 250 == 0 { ",11.5\n" } else { ",\n" };
    }
    text
}

fn prepared(text: &str) -> Prepared {
    let keep = Keep { beats: true, minutes: true };
    let deployment = Deployment::parse(
        "x.toml",
        b"[animal]\nbreathing = \"ram\"\n[logger]\nsample_hz = 25\n[release]\nfloor_h = 0.1\nceiling_h = 0.9\n",
    )
    .expect("sound");
    let source = Box::new(std::io::Cursor::new(text.as_bytes().to_vec()));
    prepare_source("x.csv", source, &deployment, keep, Vec::new()).expect("sound")
}

#[test]
fn split_anywhere_and_carried_on_gives_the_same_bytes() {
    let text = eventful(75);
    let whole = prepared(&text).run().expect("sound");
    let want = serde_json::to_string(&whole).expect("JSON");
    let parsed: Value = serde_json::from_str(&want).expect("JSON");
    assert!(parsed["beats"]["count"].as_u64().expect("a number") > 1000, "it is eventful");
    assert!(parsed["faults"].as_array().expect("a list").len() >= 3, "{}", parsed["faults"]);
    assert!(!parsed["release"]["t_s"].is_null());

    let mut p = prepared(&text);
    let mut rows: Vec<Row> = Vec::new();
    while let Some(row) = p.reader.next_row().expect("sound") {
        rows.push(row);
    }
    // One pass leaves checkpoints: at each of the first samples, around every
    // event, and at steps that share no factor with seconds or minutes.
    let marks: Vec<usize> = (0..40)
        .chain((0..rows.len()).step_by(997))
        .chain([rows.len() - 1, rows.len()])
        .chain((29_995..30_005).chain(44_900..44_910).chain(37_400..37_410))
        .collect();
    let mut original = Replayer::new(&p.setup);
    let mut copies = Vec::new();
    for n in 0..=rows.len() {
        if marks.contains(&n) {
            copies.push((n, original.clone()));
        }
        if let Some(row) = rows.get(n) {
            original.push(row);
        }
    }
    assert!(copies.len() > 150);
    for (n, mut copy) in copies {
        for row in &rows[n..] {
            copy.push(row);
        }
        let got = copy.finish(p.facts.clone(), p.reader.faults());
        assert_eq!(serde_json::to_string(&got).expect("JSON"), want, "split at row {n}");
    }
}

fn write(dir: &Path, name: &str, text: &str) -> String {
    let path = dir.join(name);
    std::fs::write(&path, text).expect("written");
    path.to_string_lossy().into_owned()
}

#[test]
fn two_replays_give_identical_bytes_and_jobs_change_nothing() {
    let dir = tempfile::tempdir().expect("a directory");
    let paths: Vec<String> =
        (0..5).map(|n| write(dir.path(), &format!("k{n}.csv"), &eventful(3 + n))).collect();
    let run = |jobs: &str| {
        let mut args =
            vec!["replay", "--format", "json", "--beats", "--minutes", "--quiet", "--jobs", jobs];
        args.extend(paths.iter().map(String::as_str));
        let out = swaymark(&args);
        assert_eq!(out.status.code(), Some(0));
        assert!(out.stderr.is_empty());
        out.stdout
    };
    let one = run("1");
    assert_eq!(one, run("1"));
    assert_eq!(one, run("4"));
    let text = String::from_utf8(one).expect("text");
    let traces: Vec<String> = text
        .lines()
        .map(|line| {
            let value: Value = serde_json::from_str(line).expect("one object a line");
            value["trace"].as_str().expect("a name").to_owned()
        })
        .collect();
    assert_eq!(traces, paths, "in the order given");
}

#[test]
fn json_has_the_promised_keys() {
    let dir = tempfile::tempdir().expect("a directory");
    let path = write(dir.path(), "k.csv", &eventful(12));
    let out = swaymark(&["replay", &path, "--format", "json", "--beats", "--minutes"]);
    let value: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    for key in [
        "schema",
        "trace",
        "samples",
        "duration_s",
        "sample_hz",
        "fate",
        "fate_t_s",
        "fate_decided_t_s",
        "recovery_t_s",
        "recovery_decided_t_s",
        "recovery_se_s",
        "recovery_prob",
        "release",
        "beats",
        "minutes",
        "faults",
        "energy",
        "memory",
    ] {
        assert!(value.get(key).is_some(), "{key}");
    }
    assert!(value["release"].get("t_s").is_some() && value["release"]["cause"].is_string());
    let count = value["beats"]["count"].as_u64().expect("a number");
    assert_eq!(value["beats"]["times_s"].as_array().expect("a list").len() as u64, count);
    let minute = &value["minutes"][3];
    for key in [
        "t_s",
        "beats_per_min",
        "sway_g",
        "odba_g",
        "vedba_g",
        "pitch_deg",
        "roll_deg",
        "depth_m",
        "state",
    ] {
        assert!(minute.get(key).is_some(), "{key}");
    }
    assert!(value["energy"]["used_mah"].as_f64().expect("a number") > 0.0);
    assert!(value["memory"]["record_bytes"].as_u64().expect("a number") > 0);
    let out = swaymark(&["replay", &path, "--format", "json", "--quiet"]);
    let value: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert!(value.get("minutes").is_none() && value["beats"].get("times_s").is_none());
}

#[test]
fn times_are_on_the_clock_of_the_trace() {
    let rows = eventful(5);
    let shifted: String = rows
        .lines()
        .map(|line| match line.split_once(',') {
            Some((t, rest)) if t != "t_s" => {
                format!("{:.2},{rest}\n", t.parse::<f64>().expect("a number") + 7200.0)
            }
            _ => format!("{line}\n"),
        })
        .collect();
    let of = |text: &str| {
        let report = prepared(text).run().expect("sound");
        serde_json::to_value(report).expect("JSON")
    };
    let (plain, later) = (of(&rows), of(&shifted));
    assert_eq!(plain["duration_s"], later["duration_s"]);
    let times = |v: &Value| -> Vec<f64> {
        let all = v["beats"]["times_s"].as_array().expect("a list");
        all.iter().map(|t| t.as_f64().expect("a number")).collect()
    };
    let (plain, later) = (times(&plain), times(&later));
    assert!(plain.len() > 100 && plain.len() == later.len());
    for (a, b) in plain.iter().zip(&later) {
        assert!((a + 7200.0 - b).abs() < 1e-6);
    }
}

#[test]
fn times_after_a_clock_was_set_back_are_as_written() {
    // Swimming at 0.9 Hz; from 10 to 20 min the clock is ahead by some cycles and a part of one.
    const BEAT_HZ: f64 = 0.9;
    const AHEAD_S: f64 = 300.4;
    let mut text = String::from("t_s,ax_g,ay_g,az_g\n");
    for n in 0..40 * 1500 {
        let t = f64::from(n) / 25.0;
        let ahead = if (600.0..1200.0).contains(&t) { AHEAD_S } else { 0.0 };
        let sway = 0.15 * (BEAT_HZ * t * std::f64::consts::TAU).sin();
        let noise = f64::from((n * 7919) % 101 - 50) * 1e-4;
        text += &format!("{:.2},{:.4},{sway:.4},{:.4}\n", t + ahead, 0.05 + noise, 1.0 - noise);
    }
    let report = prepared(&text).run().expect("sound");
    assert!(report.faults.iter().any(|f| f.kind == "clock_jump"), "{:?}", report.faults);
    let minutes = report.minutes.as_deref().expect("kept");
    let backward = minutes.windows(2).filter(|m| m[1].t_s < m[0].t_s).count();
    assert_eq!(backward, 1, "the clock was set back once");
    assert!((2335.0..2345.0).contains(&minutes.last().expect("some").t_s), "{minutes:?}");
    let beats: Vec<f64> = report.beats.times_s.as_ref().expect("kept").iter().collect();
    // Beats in a span of time as the animal lived it, by their place in the cycle.
    let phases = |from: f64, to: f64, ahead: f64, beats: &[f64]| -> Vec<f64> {
        let lived = beats.iter().map(|t| t - ahead).filter(|t| (from..to).contains(t));
        lived.map(|t| (t * BEAT_HZ).fract()).collect()
    };
    let first_back = beats.windows(2).position(|b| b[1] < b[0]).expect("set back") + 1;
    let (before, after) = beats.split_at(first_back);
    for (name, got) in [
        ("before", phases(100.0, 550.0, 0.0, before)),
        ("ahead", phases(700.0, 1150.0, AHEAD_S, before)),
        ("after", phases(1300.0, 1750.0, 0.0, after)),
    ] {
        assert!((got.len() as i32 - 405).abs() <= 2, "{name}: {} beats in 450 s", got.len());
        // Left-most sway of this signal.
        let off = got.iter().map(|p| (p - 0.25).abs().min((p - 0.75).abs())).fold(0.0, f64::max);
        assert!(off < 0.05, "{name}: {off} cycles off");
    }

    // One by one and in runs: the same times.
    let mut p = prepared(&text);
    let mut one_by_one = Replayer::new(&p.setup);
    while let Some(row) = p.reader.next_row().expect("sound") {
        one_by_one.push(&row);
    }
    let one_by_one = one_by_one.finish(p.facts.clone(), p.reader.faults());
    let json = |r| serde_json::to_string(r).expect("JSON");
    assert_eq!(json(&one_by_one), json(&report));
}

#[test]
fn text_for_one_and_for_many() {
    let dir = tempfile::tempdir().expect("a directory");
    let one = write(dir.path(), "k1.csv", &eventful(12));
    write(dir.path(), "k1.toml", "[deployment]\nstart_utc = 2031-05-04T06:12:00Z\n");
    let two = write(dir.path(), "k2-a-name-that-is-much-too-long-for-a-table.csv", &eventful(4));
    let bad = write(dir.path(), "bad.csv", "nothing");
    let out = swaymark(&["replay", &one]);
    let text = String::from_utf8(out.stdout).expect("text");
    for want in [
        "released",
        "2031-05-04 06:12 UTC",
        "Tail beats",
        "Cell",
        "Memory",
        "Faults",
        "not a welfare decision",
    ] {
        assert!(text.contains(want), "{want}: {text}");
    }
    assert!(!text.contains('\u{1b}'), "no colour where it is not a terminal");
    let out = swaymark(&["replay", &one, &bad, &two]);
    assert_eq!(out.status.code(), Some(2), "one cannot be read, the others still run");
    let text = String::from_utf8(out.stdout).expect("text");
    assert!(text.contains("k1") && text.contains("a-table"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    assert!(String::from_utf8_lossy(&out.stderr).contains("bad.csv"));
}

#[test]
fn help_and_usage() {
    for args in [&["--help"][..], &["replay", "--help"]] {
        let out = swaymark(args);
        assert_eq!(out.status.code(), Some(0));
        assert!(String::from_utf8_lossy(&out.stdout).contains("Example"));
    }
    for args in [
        &[][..],
        &["replay"],
        &["repaly", "a.csv"],
        &["replay", "a.csv", "--format", "xml"],
        &["replay", "a.csv", "--jobs", "0"],
        &["replay", "a.csv", "--report", "x.html"],
    ] {
        let out = swaymark(args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(out.stdout.is_empty() && !out.stderr.is_empty());
    }
}

#[test]
fn made_traces_are_read_in_every_form() {
    use host_sim::synth::{AccelColumns, Request, TimeColumn, run};
    let dir = tempfile::tempdir().expect("a directory");
    let keep = Keep { beats: true, minutes: true };
    let mut counts = Vec::new();
    for time in [TimeColumn::Seconds, TimeColumn::SparseSeconds, TimeColumn::Utc] {
        for acceleration in [AccelColumns::G, AccelColumns::Ms2, AccelColumns::Raw] {
            let mut request = Request::new("cruiser", 5, dir.path());
            request.hours = Some(0.25);
            request.format.time = time;
            request.format.acceleration = acceleration;
            request.gzip = acceleration == AccelColumns::Raw;
            let made = run(&request).expect("it is made");
            let truth = host_sim::truth::load(&made.truth).expect("a sound truth");
            let (report, _) =
                host_sim::replay::replay_file(&made.trace, None, keep).expect("a sound trace");
            assert_eq!(report.samples, 22_501);
            assert_eq!(report.sample_hz, 25.0);
            assert!(report.faults.is_empty(), "{:?}", report.faults);
            let beats = truth.iter().filter(|e| e.event == host_sim::truth::Event::Beat).count();
            assert!(beats > 50);
            counts.push(report.beats.count);
        }
    }
    let (low, high) = (counts.iter().min().expect("some"), counts.iter().max().expect("some"));
    assert!(*low > 50 && high - low <= 2, "one animal, whatever the columns: {counts:?}");
}

/// Once the animal is known to be dead, what a scavenger or the swell does is no beat, and
/// no sway.
#[test]
fn a_carcass_is_told_to_beat_and_sway_no_more() {
    let trace = concat!(env!("CARGO_MANIFEST_DIR"), "/../demo-data/death-first-hour-0005.csv.gz");
    let out = swaymark(&["replay", trace, "--format", "json", "--minutes"]);
    let v: Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let known_s = v["fate_decided_t_s"].as_f64().expect("decided");
    let minutes = v["minutes"].as_array().expect("minutes");
    let later: Vec<_> = minutes.iter().filter(|m| m["t_s"].as_f64() > Some(known_s)).collect();
    assert!(later.len() > 1000);
    for m in later {
        assert_eq!(
            (m["beats_per_min"].as_f64(), m["sway_g"].as_f64()),
            (Some(0.0), Some(0.0)),
            "{m}"
        );
    }
}
