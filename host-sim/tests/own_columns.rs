//! A stranger's trace as it is: other names of columns, m/s2, times with a zone.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

/// Ten minutes at 10 Hz; `stamp` writes the time of a sample.
fn rows(header: &str, separator: char, stamp: impl Fn(f64) -> String) -> String {
    let mut text = format!("{header}\n");
    for i in 0..6000 {
        let t = f64::from(i) / 10.0;
        let y = 9.80665 * 0.2 * (t * 4.0).sin();
        let s = separator;
        let _ = writeln!(
            text,
            "{}{s}{i}{s}0.{}{s}{y:.4}{s}9.8{}{s}{:.1}",
            stamp(t),
            i % 7,
            i % 9,
            20.0 + t / 100.0
        );
    }
    text
}

fn stamp(t: f64, zone: &str) -> String {
    let (m, s) = ((t / 60.0) as u32, t % 60.0);
    format!("2031-01-07 14:{:02}:{s:04.1}{zone}", 5 + m)
}

fn replay(dir: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_swaymark"))
        .args(["replay", "mine.csv", "--format", "json", "--minutes", "--report", "mine.html"])
        .current_dir(dir)
        .output()
        .unwrap()
}

const HEADER: &str = "Timestamp,Record No,Acc X,Acc Y,Acc Z,Depth (m)";
const COLUMNS: &str = "[columns]\ntime_utc = \"Timestamp\"\nax_ms2 = \"Acc X\"\nay_ms2 = \"Acc Y\"\n\
                       az_ms2 = \"Acc Z\"\ndepth_m = \"Depth (m)\"\n";

fn decided(dir: &Path) -> Value {
    let out = replay(dir);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    assert!(dir.join("mine.html").exists());
    serde_json::from_slice(&out.stdout).unwrap()
}

#[test]
fn the_first_error_says_what_to_write_and_that_works() {
    let dir = tempfile::tempdir().unwrap();
    let trace = rows(HEADER, ',', |t| stamp(t, "+02:00"));
    fs::write(dir.path().join("mine.csv"), trace).unwrap();
    let out = replay(dir.path());
    assert_eq!(out.status.code(), Some(2));
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    for want in
        ["[columns]", "time_utc = \"timestamp\"", "ax_ms2 = \"acc x\"", "az_ms2 = \"acc z\""]
    {
        assert!(told.contains(want), "{want:?} not in {told}");
    }
    fs::write(dir.path().join("mine.toml"), COLUMNS).unwrap();
    let json = decided(dir.path());
    assert_eq!(json["samples"], 6000);
    assert_eq!(json["sample_hz"], 10.0);
    let minute = &json["minutes"][5];
    assert!((minute["depth_m"].as_f64().unwrap() - 23.3).abs() < 0.1, "{minute}");
    // 4 rad/s is 38.2 beats a minute.
    assert!((minute["beats_per_min"].as_f64().unwrap() - 38.2).abs() < 1.0, "{minute}");
    assert!((minute["sway_g"].as_f64().unwrap() - 0.2).abs() < 0.02, "{minute}");
    let page = fs::read_to_string(dir.path().join("mine.html")).unwrap();
    assert!(page.contains("2031-01-07 12:05 UTC"), "the zone is taken into account");
}

#[test]
fn times_without_a_zone_need_one_word_and_give_the_same() {
    let dir = tempfile::tempdir().unwrap();
    // Semicolons, found by the names given.
    let trace = rows(&HEADER.replace(',', ";"), ';', |t| stamp(t, ""));
    fs::write(dir.path().join("mine.csv"), trace).unwrap();
    fs::write(dir.path().join("mine.toml"), COLUMNS).unwrap();
    let out = replay(dir.path());
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(told.contains("utc_offset_h"), "{told}");
    fs::write(dir.path().join("mine.toml"), format!("{COLUMNS}utc_offset_h = 2\n")).unwrap();
    assert_eq!(decided(dir.path())["samples"], 6000);
    let page = fs::read_to_string(dir.path().join("mine.html")).unwrap();
    assert!(page.contains("2031-01-07 12:05 UTC"));
    fs::write(
        dir.path().join("mine.toml"),
        COLUMNS.replace("Acc X", "Acc XX") + "utc_offset_h = 2\n",
    )
    .unwrap();
    let out = replay(dir.path());
    let told = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(told.contains("no column \"Acc XX\"") && told.contains("\"acc x\""), "{told}");
}
