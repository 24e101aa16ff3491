//! Whatever bytes a file holds: a clear error or a counted fault, never a panic.
//! The cases by name go through the program itself, as a user would meet them.

use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use host_sim::deployment::Deployment;
use host_sim::problem::Problem;
use host_sim::replay::{Keep, Report, prepare_source};
use host_sim::truth;
use proptest::prelude::*;
use serde_json::Value;

fn swaymark(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark")).args(args).output().expect("the program runs")
}

/// A sound trace of `seconds` at 25 Hz, with depth once a second.
fn sound(seconds: u32) -> String {
    let mut text = String::from("t_s,ax_g,ay_g,az_g,depth_m\n");
    for n in 0..seconds * 25 {
        let t = f64::from(n) / 25.0;
        let sway = 0.2 * (t * 5.0).sin();
        let depth = if n % 25 == 0 { "12.5" } else { "" };
        text += &format!(
            "{t:.2},0.0{},{sway:.4},{:.4},{depth}\n",
            n % 7,
            1.0 + 0.001 * f64::from(n % 5)
        );
    }
    text
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut to = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    to.write_all(bytes).expect("packed");
    to.finish().expect("packed")
}

fn run(bytes: Vec<u8>) -> Result<Report, Problem> {
    let keep = Keep { beats: true, minutes: true };
    let deployment = Deployment::default();
    prepare_source("x.csv", Box::new(Cursor::new(bytes)), &deployment, keep, Vec::new())?.run()
}

/// A file in a directory of its own.
struct Case {
    _dir: tempfile::TempDir,
    path: PathBuf,
}

impl Case {
    fn new(name: &str, bytes: &[u8]) -> Self {
        let dir = tempfile::tempdir().expect("a directory");
        let path = dir.path().join(name);
        std::fs::write(&path, bytes).expect("written");
        Case { _dir: dir, path }
    }

    fn with_deployment(self, text: &str) -> Self {
        std::fs::write(self.path.with_extension("toml"), text).expect("written");
        self
    }

    /// Replays and expects a report; returns it with standard error.
    fn report(&self) -> (Value, String) {
        let out = swaymark(&["replay", "--format", "json", &self.path.to_string_lossy()]);
        let err = String::from_utf8(out.stderr).expect("text");
        assert_eq!(out.status.code(), Some(0), "{err}");
        (serde_json::from_slice(&out.stdout).expect("JSON alone on standard output"), err)
    }

    /// Replays and expects an error with all of `wanted` in it.
    fn refused(&self, wanted: &[&str]) {
        let out =
            swaymark(&["replay", "--format", "json", "--quiet", &self.path.to_string_lossy()]);
        let err = String::from_utf8(out.stderr).expect("text");
        assert_eq!(out.status.code(), Some(2), "{err}");
        assert!(out.stdout.is_empty(), "nothing on standard output");
        for want in wanted {
            assert!(err.contains(want), "{want:?} not in: {err}");
        }
    }
}

fn fault(report: &Value, kind: &str) -> Option<(u64, u64)> {
    let all = report["faults"].as_array().expect("a list");
    let found = all.iter().find(|f| f["kind"] == kind)?;
    Some((found["first_row"].as_u64()?, found["count"].as_u64()?))
}

#[test]
fn empty_file() {
    Case::new("a.csv", b"").refused(&["a.csv", "empty", "header"]);
    Case::new("a.csv.gz", &gzip(b"")).refused(&["a.csv.gz", "empty"]);
    Case::new("a.csv", b"\n\n\r\n").refused(&["a.csv", "header"]);
}

#[test]
fn header_only() {
    Case::new("a.csv", b"t_s,ax_g,ay_g,az_g\n").refused(&["a.csv", "header", "no samples"]);
}

#[test]
fn no_header() {
    Case::new("a.csv", b"0.0,0.1,0.2,1.0\n0.04,0.1,0.2,1.0\n").refused(&["row 1", "header row"]);
}

#[test]
fn not_numbers_are_counted_with_their_row() {
    let mut lines: Vec<String> = sound(60).lines().map(str::to_owned).collect();
    lines[100] = "3.96,NaN,0.1,1.0,".into(); // line 101 of the file
    lines[200] = "7.96,0.1,1e30,1.0,".into();
    lines[300] = "11.96,0.1,inf,wet,".into();
    lines[400] = "15.96,0.1,,1.0,".into();
    lines[500] = "soon,0.1,0.1,1.0,".into();
    lines[600] = "23.96,0.1,0.1,1.0,1e30".into();
    let case = Case::new("a.csv", lines.join("\n").as_bytes());
    let (report, _) = case.report();
    assert_eq!(fault(&report, "not_a_number"), Some((101, 3)));
    assert_eq!(fault(&report, "out_of_range"), Some((201, 2)));
    assert_eq!(fault(&report, "empty_cell"), Some((401, 1)));
    assert_eq!(fault(&report, "bad_time"), Some((501, 1)));
    assert_eq!(report["samples"], 60 * 25 - 1);
}

#[test]
fn windows_line_ends_byte_order_mark_and_blank_lines_change_nothing() {
    let plain = sound(90);
    let (want, _) = Case::new("a.csv", plain.as_bytes()).report();
    let windows = format!("\u{feff}{}", plain.replace('\n', "\r\n"));
    let old = plain.replace('\n', "\r");
    let blanks = plain.replace("\n1", "\n\n1");
    let cut = plain.trim_end().to_owned();
    for (what, text) in
        [("CR LF", windows), ("CR", old), ("blank lines", blanks), ("no last end", cut)]
    {
        let (got, _) = Case::new("a.csv", text.as_bytes()).report();
        for key in ["samples", "duration_s", "fate", "beats", "memory", "faults"] {
            assert_eq!(got[key], want[key], "{what}: {key}");
        }
    }
}

#[test]
fn rows_are_numbered_as_in_the_file_whatever_the_line_ends() {
    let mut text = sound(30);
    text = text.replacen("\n4.00,", "\n\nx,", 1); // a blank line, then a bad time
    let row = 1 + text.lines().position(|l| l.starts_with('x')).expect("there") as u64;
    for text in [text.clone(), text.replace('\n', "\r\n")] {
        let (report, _) = Case::new("a.csv", text.as_bytes()).report();
        assert_eq!(fault(&report, "bad_time"), Some((row, 1)));
    }
}

#[test]
fn semicolons_and_decimal_commas() {
    let plain = sound(60);
    let (want, _) = Case::new("a.csv", plain.as_bytes()).report();
    let semicolons = plain.replace(',', ";");
    let commas = semicolons.replace('.', ",");
    for (text, said) in [(&semicolons, "semicolons"), (&commas, "decimal commas")] {
        let (got, err) = Case::new("a.csv", text.as_bytes()).report();
        assert!(err.contains(said), "{err}");
        assert_eq!(got["beats"], want["beats"]);
    }
    // Points and commas in one file contradict each other.
    let mixed = commas.replacen("\n3,", "\n3.", 1);
    Case::new("a.csv", mixed.as_bytes()).refused(&["row 77", "decimal commas and decimal points"]);
    // Commas for both cannot be told apart.
    let both = plain.replace('.', ",");
    Case::new("a.csv", both.as_bytes()).refused(&["a.csv", "row 2", "cells", "decimal commas"]);
}

#[test]
fn missing_axis_and_unclear_columns() {
    let rename = |from: &str, to: &str| sound(10).replacen(from, to, 1);
    Case::new("a.csv", rename("az_g", "heave").as_bytes()).refused(&[
        "row 1",
        "missing: az_g",
        "heave",
    ]);
    Case::new("a.csv", rename("az_g", "az_ms2").as_bytes()).refused(&["more than one set"]);
    Case::new("a.csv", rename("t_s", "time").as_bytes()).refused(&["no time column", "time_utc"]);
    Case::new("a.csv", rename("depth_m", "ax_g").as_bytes()).refused(&["ax_g occurs twice"]);
    let (_, err) = Case::new("a.csv", rename("depth_m", "light").as_bytes()).report();
    assert_eq!(err.matches("unknown column").count(), 1, "{err}");
}

#[test]
fn wrong_unit() {
    let scaled = |factor: f64, header: &str| {
        let mut text = format!("{header}\n");
        for line in sound(20).lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let g = |n: usize| cells[n].parse::<f64>().expect("a number") * factor;
            text += &format!("{},{:.4},{:.4},{:.4}\n", cells[0], g(1), g(2), g(3));
        }
        text
    };
    let g = "t_s,ax_g,ay_g,az_g";
    let ms2 = "t_s,ax_ms2,ay_ms2,az_ms2";
    let raw = "t_s,ax_raw,ay_raw,az_raw";
    Case::new("a.csv", scaled(9.80665, g).as_bytes()).refused(&[
        "ax_g",
        "wrong unit",
        "9.9",
        "m/s2",
    ]);
    Case::new("a.csv", scaled(1000.0, g).as_bytes()).refused(&["wrong unit", "milli-g"]);
    Case::new("a.csv", scaled(1.0, ms2).as_bytes()).refused(&["ax_ms2", "wrong unit"]);
    Case::new("a.csv", scaled(4096.0, raw).as_bytes()).refused(&["ax_raw", "counts_per_g"]);
    Case::new("a.csv", scaled(4096.0, raw).as_bytes())
        .with_deployment("[logger]\ncounts_per_g = 256\n")
        .refused(&["wrong unit", "counts_per_g"]);
    let (want, _) = Case::new("a.csv", scaled(1.0, g).as_bytes()).report();
    let (got, _) = Case::new("a.csv", scaled(9.80665, ms2).as_bytes()).report();
    assert_eq!(got["beats"], want["beats"]);
    let (got, _) = Case::new("a.csv", scaled(4096.0, raw).as_bytes())
        .with_deployment("[logger]\ncounts_per_g = 4096\n")
        .report();
    assert_eq!(got["beats"], want["beats"]);
}

#[test]
fn missing_file_directory_and_foreign_files() {
    let out = swaymark(&["replay", "nowhere/a.csv"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("nowhere/a.csv: no such file"));
    let dir = tempfile::tempdir().expect("a directory");
    let out = swaymark(&["replay", &dir.path().to_string_lossy()]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("is a directory"));
    Case::new("a.csv", b"PK\x03\x04rest").refused(&["zip"]);
    Case::new("a.csv", b"\xff\xfet\0_\0s\0").refused(&["UTF-16"]);
    Case::new("a.csv", &[0, 1, 2, 3, 255, 254].repeat(1000)).refused(&["not text"]);
    Case::new("a.toml", b"[animal]\n").refused(&["deployment file"]);
    Case::new("a.csv", &vec![b'x'; 3 << 20]).refused(&["no end of line"]);
}

#[test]
fn gzip_by_content_and_cut_short() {
    let text = sound(120);
    let (want, _) = Case::new("a.csv", text.as_bytes()).report();
    let packed = gzip(text.as_bytes());
    for name in ["a.csv", "a.csv.gz", "a.dat"] {
        let (got, _) = Case::new(name, &packed).report();
        assert_eq!(got["beats"], want["beats"]);
    }
    let mut two = gzip(&text.as_bytes()[..5000]);
    two.extend(gzip(&text.as_bytes()[5000..]));
    let (got, _) = Case::new("a.csv.gz", &two).report();
    assert_eq!(got["beats"], want["beats"], "two members");
    Case::new("a.csv.gz", &packed[..packed.len() / 2]).refused(&["a.csv.gz", "cut short"]);
    Case::new("a.csv.gz", &packed[..packed.len() - 3]).refused(&["a.csv.gz", "cut short"]);
    Case::new("a.csv.gz", &packed[..5]).refused(&["a.csv.gz"]);
    let mut hurt = packed.clone();
    let middle = hurt.len() / 2;
    hurt[middle] ^= 0x55;
    Case::new("a.csv.gz", &hurt).refused(&["a.csv.gz", "damaged"]);
    // Far into a long file the row is told.
    let long = gzip(sound(3600).as_bytes());
    Case::new("a.csv.gz", &long[..long.len() - 100]).refused(&["after row", "cut short"]);
}

#[test]
fn ragged_rows_quotes_and_trailing_separators() {
    let mut lines: Vec<String> = sound(60).lines().map(str::to_owned).collect();
    lines[50] = "1.96,0.1".into();
    lines[60] = "2.36,0.1,0.1,1.0,12,13,14".into();
    lines[70] = "2.76,0.1,0.1,1.0".into(); // only the depth is wanting
    lines[80] = "3.16,0.1,0.1,1.0,,,".into(); // separators at the end
    lines[90] = "\"3.56\",\"0.1\",0.1,1.0,12\"".into(); // a stray quote
    let (report, _) = Case::new("a.csv", lines.join("\n").as_bytes()).report();
    assert_eq!(fault(&report, "ragged_row"), Some((51, 3)));
    assert_eq!(fault(&report, "not_a_number"), Some((91, 1)));
    assert_eq!(report["samples"], 60 * 25 - 2);
    let noted = sound(60)
        .replace("depth_m", "depth_m,note")
        .lines()
        .enumerate()
        .map(|(n, l)| match n {
            0 => l.to_owned(),
            _ => format!("{l},\"calm, clear\""),
        })
        .collect::<Vec<_>>()
        .join("\n");
    let (report, _) = Case::new("a.csv", noted.as_bytes()).report();
    assert_eq!(report["faults"], serde_json::json!([]));
}

#[test]
fn times_with_dates() {
    let row = |n: u32, zone: &str, hour: u32| {
        format!(
            "2031-05-04T{hour:02}:00:{:02}.{:03}{zone},0.0{},0.1,1.0{}\n",
            n / 25,
            n % 25 * 40,
            n % 9,
            n % 7
        )
    };
    let of = |zone: &str, hour: u32| {
        let mut text = String::from("time_utc,ax_g,ay_g,az_g\n");
        (0..1000).for_each(|n| text += &row(n, zone, hour));
        text
    };
    let (utc, _) = Case::new("a.csv", of("Z", 6).as_bytes()).report();
    assert_eq!(utc["sample_hz"], 25.0);
    assert_eq!(utc["duration_s"], 39.96);
    let (zoned, _) = Case::new("a.csv", of("+02:00", 8).as_bytes()).report();
    assert_eq!(zoned["duration_s"], utc["duration_s"]);
    Case::new("a.csv", of("", 6).as_bytes()).refused(&["row 2", "time_utc", "zone"]);
    let dated = of("Z", 6);
    let whole = dated.lines().map(|l| {
        let at = l.find('.').filter(|_| l.starts_with('2'));
        at.map_or(l.to_owned(), |at| format!("{}{}", &l[..at], &l[at + 4..]))
    });
    let whole: Vec<String> = whole.collect();
    Case::new("a.csv", whole.join("\n").as_bytes()).refused(&["time stands still"]);
    let unix = sound(60).replace("\n", "\n17000000");
    Case::new("a.csv", unix.trim_end_matches("17000000").as_bytes())
        .refused(&["row 2", "t_s", "time_utc"]);
}

#[test]
fn clock_that_jumps_is_counted_and_the_run_goes_on() {
    let mut lines: Vec<String> = sound(600).lines().map(str::to_owned).collect();
    let back: Vec<String> = (0..5000)
        .map(|n| format!("{:.2},0.0{},0.1,1.0{},", f64::from(n) / 25.0 - 3000.0, n % 7, n % 5))
        .collect();
    lines.splice(5001..10001, back);
    lines.insert(2001, lines[2000].clone());
    let (report, _) = Case::new("a.csv", lines.join("\n").as_bytes()).report();
    assert_eq!(fault(&report, "duplicate_time"), Some((2002, 1)));
    assert_eq!(fault(&report, "time_backwards"), Some((5003, 1)));
    assert!(fault(&report, "clock_jump").is_some());
    assert_eq!(report["samples"], 15001);
    // A first row far ahead of all others does not shift the rest.
    let mut lines: Vec<String> = sound(60).lines().map(str::to_owned).collect();
    lines[1] = "90000,0.1,0.1,1.0,".into();
    let (report, _) = Case::new("a.csv", lines.join("\n").as_bytes()).report();
    assert_eq!(report["duration_s"], 59.92);
}

#[test]
fn stated_rate_against_the_file() {
    let case =
        Case::new("a.csv", sound(60).as_bytes()).with_deployment("[logger]\nsample_hz = 50\n");
    case.refused(&["a.toml", "line 2, column 13", "50", "25 Hz"]);
    let case =
        Case::new("a.csv", sound(60).as_bytes()).with_deployment("[logger]\nsample_hz = 25.5\n");
    assert_eq!(case.report().0["sample_hz"], 25.5);
    let (report, err) = Case::new("a.csv", sound(60).as_bytes()).report();
    assert_eq!(report["sample_hz"], 25.0);
    assert!(err.contains("inferred") && err.contains("25 Hz"), "{err}");
    Case::new("a.csv", b"t_s,ax_g,ay_g,az_g\n0,0,0,1\n").refused(&["one row", "sample_hz"]);
    let slow = "t_s,ax_g,ay_g,az_g\n0,0,0,1\n1,0,0,1\n2,0,0,1\n";
    Case::new("a.csv", slow.as_bytes()).refused(&["1 Hz", "5 to 100 Hz"]);
}

#[test]
fn empty_time_cells_follow_the_stated_rate() {
    let dense = sound(90);
    let mut sparse = String::new();
    for (n, line) in dense.lines().enumerate() {
        match line.split_once(',') {
            Some((_, rest)) if n > 0 && (n - 1) % 25 != 0 => sparse += &format!(",{rest}\n"),
            _ => sparse += &format!("{line}\n"),
        }
    }
    let stated = "[logger]\nsample_hz = 25\n";
    let (want, _) = Case::new("a.csv", dense.as_bytes()).with_deployment(stated).report();
    let (got, err) = Case::new("a.csv", sparse.as_bytes()).with_deployment(stated).report();
    assert!(err.contains("empty time cells"), "{err}");
    for key in ["samples", "duration_s", "beats", "faults"] {
        assert_eq!(got[key], want[key], "{key}");
    }
    Case::new("a.csv", sparse.as_bytes()).refused(&["row 3", "column t_s", "sample_hz"]);
    Case::new("a.csv", sparse.as_bytes())
        .with_deployment("[logger]\nsample_hz = 30\n")
        .refused(&["sample_hz = 30", "25 Hz"]);
    // A time column that stops is a fault, not a licence to make times up.
    let stops: String = dense
        .lines()
        .enumerate()
        .map(|(n, l)| match l.split_once(',') {
            Some((_, rest)) if n > 500 => format!(",{rest}\n"),
            _ => format!("{l}\n"),
        })
        .collect();
    let (report, _) = Case::new("a.csv", stops.as_bytes()).with_deployment(stated).report();
    assert_eq!(fault(&report, "bad_time"), Some((2002, 250)));
}

#[test]
fn broken_deployment_files_name_line_and_key() {
    let with = |text: &str| Case::new("a.csv", sound(10).as_bytes()).with_deployment(text);
    with("[release]\nflor_h = 3\n").refused(&["a.toml", "line 2", "flor_h", "floor_h"]);
    with("[release]\nceiling_h = 1e9\n").refused(&["line 2", "ceiling_h", "0.05", "4000"]);
    with("[release\n").refused(&["a.toml", "line 1", "TOML"]);
    let case = Case::new("a.csv", sound(10).as_bytes());
    std::fs::write(case.path.with_extension("toml"), b"\xff\xfe\x00").expect("written");
    case.refused(&["a.toml", "UTF-8"]);
}

/// Everything that can be asked of a report and of a problem, asked.
fn exercise(bytes: Vec<u8>) {
    match run(bytes) {
        Ok(report) => {
            let json = serde_json::to_string(&report).expect("JSON");
            let back: Value = serde_json::from_str(&json).expect("JSON again");
            assert_eq!(back["schema"], 1);
            assert!(!host_sim::replay::one(&report).is_empty());
            let row = host_sim::replay::table_row(&report);
            assert!(report.duration_s > 1e8 || row.chars().count() <= 80, "{row}");
        }
        Err(problem) => clear(&problem),
    }
}

fn clear(problem: &Problem) {
    assert!(problem.to_string().starts_with("x."), "the file is named: {problem}");
    assert!(!problem.to_string().chars().any(|c| c.is_control()), "fit to print: {problem:?}");
    assert!(!problem.render(true).is_empty());
    assert!(!problem.render(false).is_empty());
}

fn no_panic(path: &Path, bytes: &[u8]) {
    let name = path.to_string_lossy();
    if let Err(problem) = Deployment::parse(&name, bytes) {
        clear(&problem);
    }
}

/// A change to a file: at a place (0 to 1), replace so many bytes by others.
type Change = (f64, usize, Vec<u8>);

fn changes() -> impl Strategy<Value = Vec<Change>> {
    let piece = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..6),
        prop::sample::select(vec![
            "NaN",
            "1e30",
            "-inf",
            "\r\n",
            "\n",
            ";",
            ",",
            "\"",
            "-",
            ".",
            "99999999",
            "=",
            "[",
            "]",
            "1e400",
            "true",
            "2031-05-04T06:12:00Z",
            "\u{feff}",
            "0x7f",
            "'''",
            "{}",
            "#",
        ])
        .prop_map(|text| text.as_bytes().to_vec()),
    ];
    prop::collection::vec((0.0..1.0, 0..40_usize, piece), 1..6)
}

fn changed(text: &[u8], changes: &[Change]) -> Vec<u8> {
    let mut bytes = text.to_vec();
    for (place, length, with) in changes {
        let at = (place * bytes.len() as f64) as usize;
        let end = (at + length).min(bytes.len());
        bytes.splice(at..end, with.iter().copied());
    }
    bytes
}

const DEPLOYMENT: &str = "[deployment]\nid = \"k1\"\nstart_utc = 2031-05-04T06:12:00Z\n\
    latitude_deg = -12.5\nlongitude_deg = 40.5\ntruth = \"invented\"\n[animal]\nbreathing = \"ram\"\n\
    length_m = 1.9\n[logger]\nsample_hz = 25\nrange_g = 8\nmount_deg = [1, 2.5, -90]\n[detector]\n\
    max_beat_hz = 3\n[release]\nceiling_h = 72\ndeath_daylight = false\n";

const TRUTH: &str = "t_s,event,end_s\n0.5,beat,\n1.5,beat,\n3,glide,9.5\n20,death,\n";

// More cases: PROPTEST_CASES=20000 cargo test -p host-sim --test files
proptest! {
    #[test]
    fn any_bytes_as_trace(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
        exercise(gzip(&bytes));
        exercise(bytes);
    }

    #[test]
    fn any_bytes_below_a_sound_header(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
        exercise([b"t_s,ax_g,ay_g,az_g,depth_m,temp_c\n0,0,0,1,,\n0.04,0,0,1,,\n", &bytes[..]].concat());
    }

    #[test]
    fn any_numbers_as_rows(rows in prop::collection::vec(any::<(f64, f32, f32, f32, f32)>(), 1..200)) {
        let mut text = String::from("t_s,ax_g,ay_g,az_g,pressure_dbar\n");
        for (t, x, y, z, d) in rows {
            text += &format!("{t:e},{x},{y},{z},{d}\n");
        }
        exercise(text.into_bytes());
    }

    #[test]
    fn any_times(steps in prop::collection::vec(
        prop_oneof![8 => Just(0.04), 1 => -1e8..1e8_f64, 1 => -10.0..10.0_f64], 1..3000)
    ) {
        let mut text = String::from("t_s,ax_g,ay_g,az_g,depth_m\n");
        let mut t = 0.0;
        for (n, step) in steps.iter().enumerate() {
            text += &format!("{t:.2},0.0{},0.1{},1.0{},{}\n", n % 7, n % 5, n % 3, n % 60);
            t += step;
        }
        exercise(text.into_bytes());
    }

    #[test]
    fn any_dates(times in prop::collection::vec(-377_705_023_201_i64..253_402_207_200, 1..100)) {
        let mut text = String::from("time_utc,ax_g,ay_g,az_g\n");
        for s in times {
            let t = jiff::Timestamp::from_second(s).expect("in range");
            text += &format!("{t},0.0,0.1,1.0\n");
        }
        exercise(text.into_bytes());
    }

    #[test]
    fn a_changed_trace(changes in changes()) {
        exercise(changed(sound(20).as_bytes(), &changes));
    }

    #[test]
    fn a_changed_packed_trace(changes in changes()) {
        exercise(changed(&gzip(sound(20).as_bytes()), &changes));
    }

    #[test]
    fn any_bytes_as_deployment(bytes in prop::collection::vec(any::<u8>(), 0..500)) {
        no_panic(Path::new("x.toml"), &bytes);
    }

    #[test]
    fn any_text_as_deployment(text in "[a-z_\\[\\]=\"'.0-9 \n{},#-]{0,200}") {
        no_panic(Path::new("x.toml"), text.as_bytes());
    }

    #[test]
    fn a_changed_deployment(changes in changes()) {
        no_panic(Path::new("x.toml"), &changed(DEPLOYMENT.as_bytes(), &changes));
    }

    #[test]
    fn any_bytes_as_truth(bytes in prop::collection::vec(any::<u8>(), 0..500)) {
        let below = [b"t_s,event,end_s\n", &bytes[..]].concat();
        for bytes in [bytes, below] {
            if let Err(problem) = truth::parse("x.truth.csv", Box::new(Cursor::new(bytes))) {
                clear(&problem);
            }
        }
    }

    #[test]
    fn a_changed_truth(changes in changes()) {
        let bytes = changed(TRUTH.as_bytes(), &changes);
        if let Err(problem) = truth::parse("x.truth.csv", Box::new(Cursor::new(bytes))) {
            clear(&problem);
        }
    }
}

#[test]
fn the_files_that_are_changed_are_sound() {
    assert!(Deployment::parse("x.toml", DEPLOYMENT.as_bytes()).is_ok());
    assert_eq!(truth::parse("x.truth.csv", Box::new(TRUTH.as_bytes())).expect("sound").len(), 4);
    let report = run(sound(20).into_bytes()).expect("sound");
    assert_eq!((report.samples, report.faults.len()), (500, 0));
}

#[test]
fn times_in_another_form_are_refused_with_what_to_write() {
    let with = |header: &str, time: &dyn Fn(u32) -> String| {
        let mut text = format!("{header},ax_g,ay_g,az_g\n");
        for n in 0..200 {
            text += &format!("{},0.0{},0.1{},1.0{}\n", time(n), n % 7, n % 5, n % 3);
        }
        Case::new("k.csv", text.as_bytes())
    };
    let second = |n: u32| format!("2031-05-04T08:12:{:02}", n / 25);
    with("time_utc", &second).refused(&["row 2, column time_utc", "+02:00"]);
    with("time_utc", &|n| second(n) + "Z").refused(&["stands still", "sample_hz"]);
    with("t_s", &|n| (n * 40).to_string()).refused(&["0.025 Hz", "milliseconds"]);
    with("clock_time", &|n| n.to_string())
        .refused(&["no time column", "time_utc = \"clock_time\""]);
}
