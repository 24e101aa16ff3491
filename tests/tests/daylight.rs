//! Sunrise and sunset on the tag.
//!
//! Source: astral 3.2 (PyPI), after the NOAA solar equations; values in
//! `reference/data/sun.csv` from `reference/sun.py`. Measure: both events within
//! 2 minutes up to 60 degrees of latitude; beyond, where the sun grazes the
//! horizon and a small error of angle is a long time, within 5 minutes; the same
//! days without sunrise or sunset.

use firmware_core::release::sun::{SunTimes, daylight_lasts, is_day, sun_times};
use serde::Deserialize;
use swaymark_tests::reference;

#[derive(Deserialize)]
struct Row {
    day_unix_s: i64,
    latitude_deg: f32,
    longitude_deg: f32,
    rise_unix_s: Option<i64>,
    set_unix_s: Option<i64>,
    kind: String,
}

#[test]
fn sunrise_and_sunset_within_two_minutes_of_astral() {
    let rows: Vec<Row> = reference::rows("sun.csv");
    assert_eq!(rows.len(), 60);
    let (mut worst, mut worst_north) = (0, 0);
    for row in &rows {
        let noon = row.day_unix_s + 43_200;
        let got = sun_times(noon, row.latitude_deg, row.longitude_deg);
        let place = (row.day_unix_s, row.latitude_deg, row.longitude_deg);
        match (got, row.kind.as_str()) {
            (SunTimes::RiseSet { rise_unix_s, set_unix_s }, "rises_and_sets") => {
                let rise = (rise_unix_s - row.rise_unix_s.expect("a rise")).abs();
                let set = (set_unix_s - row.set_unix_s.expect("a set")).abs();
                let off = rise.max(set);
                if row.latitude_deg.abs() <= 60.0 {
                    worst = worst.max(off);
                    assert!(off <= 120, "{place:?}: rise off {rise} s, set off {set} s");
                } else {
                    worst_north = worst_north.max(off);
                    assert!(off <= 300, "{place:?}: rise off {rise} s, set off {set} s");
                }
            }
            (SunTimes::AlwaysUp, "always_up") | (SunTimes::AlwaysDown, "always_down") => {}
            (got, want) => panic!("{place:?}: {got:?}, astral: {want}"),
        }
    }
    println!("worst {worst} s to 60 degrees, {worst_north} s beyond");
}

#[test]
fn daylight_begins_and_ends_with_the_sun() {
    for row in reference::rows::<Row>("sun.csv") {
        let day = |t| is_day(t, row.latitude_deg, row.longitude_deg);
        let lasts = |t, margin| daylight_lasts(t, margin, row.latitude_deg, row.longitude_deg);
        let noon = row.day_unix_s + 43_200 - (row.longitude_deg * 240.0) as i64;
        match row.rise_unix_s.zip(row.set_unix_s) {
            Some((rise, set)) => {
                let slack = if row.latitude_deg.abs() <= 60.0 { 120 } else { 300 };
                assert!(!day(rise - slack) && day(rise + slack), "sunrise");
                assert!(day(set - slack) && !day(set + slack), "sunset");
                let margin = (set - rise) / 4;
                assert!(lasts(set - margin - slack, margin), "just enough daylight is left");
                assert!(!lasts(set - margin + slack, margin), "just too little is left");
                assert!(!lasts(rise - slack, margin), "before sunrise");
            }
            None => assert_eq!(day(noon), row.kind == "always_up", "noon of a day without either"),
        }
    }
}
