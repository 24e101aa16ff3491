//! Units on the way from a file to the tag.
//!
//! Sources: pressure to depth, Fofonoff & Millard 1983, UNESCO Technical Papers in
//! Marine Science 44 (10 000 dbar at 30 degrees of latitude is 9712.653 m);
//! standard gravity 9.80665 m/s2 (CGPM 1901; ISO 80000-3). Measures: the published
//! figure to the last digit, through the function and through a trace file; one
//! motion written in g, m/s2 and counts read as the same accelerations.

use host_sim::pressure;
use host_sim::trace::{ReadOptions, TraceReader};
use std::fmt::Write as _;
use std::path::Path;

/// Standard gravity, m/s2 (CGPM 1901; ISO 80000-3).
const STANDARD_GRAVITY: f64 = 9.80665;

/// Accelerations and depths of a trace with this text.
fn read(dir: &Path, name: &str, text: &str, options: ReadOptions) -> Vec<([f32; 3], Option<f32>)> {
    let path = dir.join(name);
    std::fs::write(&path, text).expect("a file");
    let mut reader = TraceReader::open(&path, &options).expect("a trace");
    let mut rows = Vec::new();
    while let Some(row) = reader.next_row().expect("a row") {
        rows.push((row.accel_g, row.depth_m));
    }
    rows
}

#[test]
fn pressure_to_depth_is_the_published_figure() {
    assert!((pressure::depth_m(10_000.0, 30.0) - 9712.653).abs() < 5e-4);
}

#[test]
fn pressure_in_a_file_becomes_the_published_depth() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut text = String::from("t_s,ax_g,ay_g,az_g,pressure_dbar\n");
    for i in 0..200 {
        let wave = 0.01 * f64::from(i % 7);
        writeln!(text, "{:.2},{wave:.3},0.02,1.0,10000", f64::from(i) * 0.04).expect("a line");
    }
    let options = ReadOptions { latitude_deg: 30.0, ..ReadOptions::default() };
    let rows = read(dir.path(), "deep.csv", &text, options);
    assert_eq!(rows.len(), 200);
    // f32 holds four decimals less at this depth: 9712.653 to half a millimetre and a bit.
    assert!(rows.iter().all(|(_, d)| d.is_some_and(|d| (f64::from(d) - 9712.653).abs() < 1e-3)));
}

#[test]
fn one_motion_in_three_units_reads_the_same() {
    const COUNTS_PER_G: f64 = 2048.0;
    let dir = tempfile::tempdir().expect("a folder");
    let mut texts = ["g", "ms2", "raw"].map(|u| format!("t_s,ax_{u},ay_{u},az_{u}\n"));
    let mut want = Vec::new();
    for i in 0..500 {
        let t_s = f64::from(i) * 0.04;
        let counts = [0.1, 0.3, 1.0]
            .map(|a: f64| (COUNTS_PER_G * (a + 0.2 * (6.0 * t_s + 9.0 * a).sin())).round());
        let g = counts.map(|c| c / COUNTS_PER_G);
        let ms2 = g.map(|a| a * STANDARD_GRAVITY);
        writeln!(texts[0], "{t_s:.2},{:.7},{:.7},{:.7}", g[0], g[1], g[2]).expect("a line");
        writeln!(texts[1], "{t_s:.2},{:.6},{:.6},{:.6}", ms2[0], ms2[1], ms2[2]).expect("a line");
        writeln!(texts[2], "{t_s:.2},{},{},{}", counts[0], counts[1], counts[2]).expect("a line");
        want.push(g);
    }
    let options = ReadOptions { counts_per_g: Some(COUNTS_PER_G), ..ReadOptions::default() };
    for (name, text) in ["g.csv", "ms2.csv", "raw.csv"].iter().zip(&texts) {
        let rows = read(dir.path(), name, text, options.clone());
        assert_eq!(rows.len(), want.len(), "{name}");
        for ((got, _), want) in rows.iter().zip(&want) {
            for (got, want) in got.iter().zip(want) {
                assert!((f64::from(*got) - want).abs() < 3e-7, "{name}: {got}, {want} g");
            }
        }
    }
}
