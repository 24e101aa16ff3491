//! Tag files with mistakes: each is refused with key and reason, and whatever is
//! accepted gives a budget of finite numbers.

use host_sim::budget::{self, Settings};
use host_sim::tag_file::TagFile;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SOUND: &str = include_str!("../../demo-data/tags/fin-float.toml");

/// The message and advice for the sound file with `old` replaced by `new`.
fn refused(old: &str, new: &str) -> String {
    assert_eq!(SOUND.matches(old).count(), 1, "{old:?} stands once in the sound file");
    match TagFile::parse("x.toml", SOUND.replacen(old, new, 1).as_bytes()) {
        Ok(_) => panic!("{new:?} was accepted"),
        Err(p) => format!("{p} | {}", p.advice().unwrap_or_default()),
    }
}

#[test]
fn mistakes_are_told_by_key_and_reason() {
    const SLEEP: &str = "sleep_ua = { value = 2.0, sd_percent = 20 }";
    const NOMINAL: &str = "nominal_mah = { value = 1000, sd_percent = 5 }";
    const SEARCH: &str = "start_h = 72\n";
    for (old, new, wanted) in [
        // Units.
        (SLEEP, "sleep_ma = 0.002", &["sleep_ma", "wrong unit", "uA", "write sleep_ua = 2"][..]),
        (SLEEP, "sleep_na = 2000", &["sleep_na", "wrong unit", "write sleep_ua = 2"]),
        (SLEEP, "sleep = 2", &["sleep", "wrong unit", "write sleep_ua"]),
        (
            SLEEP,
            "sleep_ua = \"2 uA\"",
            &["sleep_ua", "a number in uA", "unit stands in the key", "2 uA"],
        ),
        (SLEEP, "sleep_ua = { value = \"2\" }", &["sleep_ua", "a number"]),
        (NOMINAL, "nominal_ah = 1", &["nominal_ah", "write nominal_mah = 1000"]),
        ("firing_s = 8", "firing_ms = 8000", &["firing_ms", "write firing_s = 8"]),
        ("size_mib = 256", "size_gib = 0.25", &["size_gib", "write size_mib = 256"]),
        ("temp_c = { value = 13, sd = 2 }", "temp_f = 55", &["temp_f", "deg C"]),
        ("temp_c = { value = 13, sd = 2 }", "temp_c = 286", &["temp_c", "-60", "90", "286"]),
        // Signs, zeros, numbers that are none.
        (SLEEP, "sleep_ua = -2", &["sleep_ua", "negative", "-2", "line"]),
        (
            "firing_ma = { value = 120, sd_percent = 10 }",
            "firing_ma = -120",
            &["firing_ma", "negative"],
        ),
        (NOMINAL, "nominal_mah = 0", &["nominal_mah", "zero"]),
        (NOMINAL, "nominal_mah = -5", &["nominal_mah", "negative"]),
        (NOMINAL, "nominal_mah = nan", &["nominal_mah", "between"]),
        (NOMINAL, "nominal_mah = inf", &["nominal_mah", "between"]),
        (NOMINAL, "nominal_mah = 1e300", &["nominal_mah", "1000000"]),
        (
            "buffer_mf = { value = 2.2, sd_percent = 10 }",
            "buffer_mf = -1",
            &["buffer_mf", "negative"],
        ),
        ("period_s = 90", "period_s = 0", &["period_s", "zero"]),
        ("period_s = 90", "period_s = 0.3", &["period_s", "0.4", "overlap"]),
        ("sample_hz = 25", "sample_hz = -25", &["sample_hz", "negative"]),
        ("attempts = 3", "attempts = 2.5", &["attempts", "whole"]),
        // Phases.
        (SEARCH, "start_h = 70\n", &["start_h", "overlap", "on the animal"]),
        (SEARCH, "start_h = 75\n", &["start_h", "gap"]),
        ("end_h = 408", "end_h = 72", &["end_h", "after"]),
        ("end_h = 408", "end_h = 10", &["end_h", "after"]),
        (
            "kind = \"search\"",
            "kind = \"drift\"",
            &["kind", "\"before\", \"animal\" or \"search\""],
        ),
        ("kind = \"animal\"", "kind = \"search\"", &["animal"]),
        ("name = \"search\"", "name = \"on deck\"", &["name", "taken"]),
        (
            "end_h = 72\n",
            "end_h = 72\nduty_on_min = 90\nduty_period_min = 60\n",
            &["duty_on_min", "longer"],
        ),
        (
            "end_h = 72\n",
            "end_h = 72\nduty_on_min = 9\n",
            &["duty_on_min", "needs duty_period_min"],
        ),
        (
            "sample_hz = 25",
            "sample_hz = 2\ndetectors = true",
            &["detectors", "5 to 100 Hz", "sample_hz is 2"],
        ),
        // Parts and records.
        ("[flash]", "[flush]", &["unknown part", "flush", "flash"]),
        (
            "parts = [\"radio_beacon\", \"satellite_beacon\"]",
            "parts = [\"radio_becon\"]",
            &["parts", "radio_becon", "radio_beacon"],
        ),
        (
            "parts = [\"radio_beacon\", \"satellite_beacon\"]",
            "parts = [\"radio_beacon\", \"radio_beacon\"]",
            &["parts", "twice"],
        ),
        (
            "parts = [\"radio_beacon\", \"satellite_beacon\"]",
            "parts = \"radio_beacon\"",
            &["parts", "list"],
        ),
        (
            "records = [\"minutes\", \"raw\"]",
            "records = [\"minuts\"]",
            &["records", "minuts", "minutes"],
        ),
        ("bytes_per_sample = 6", "", &["raw", "no bytes"]),
        ("name = \"raw\"", "name = \"minutes\"", &["name", "taken"]),
        // Cell.
        ("cutoff_v = 2.0", "cutoff_v = 4.2", &["cutoff_v", "3.67"]),
        (
            "brownout_v = { value = 2.3, sd = 0.05 }",
            "brownout_v = 5",
            &["brownout_v", "never start"],
        ),
        ("[0.1, 3.45], [0.3, 3.6]", "[0.1, 3.45], [0.3, 3.2]", &["voltage_v_by_left", "fall"]),
        (
            "[0.1, 3.45], [0.3, 3.6]",
            "[0.3, 3.45], [0.1, 3.6]",
            &["voltage_v_by_left", "rise from pair to pair"],
        ),
        ("[[0, 6], [0.1, 3]", "[[0, 2], [0.1, 3]", &["resistance_factor_by_left", "rise"]),
        ("[10, 0.92], [50, 0.75]", "[10, 0.92], [50, 0.95]", &["capacity_part_by_ma", "rise"]),
        ("[10, 0.92], [50, 0.75]", "[10], [50, 0.95]", &["capacity_part_by_ma", "pairs"]),
        (
            "capacity_part_by_ma = ",
            "peukert_exponent = 1.1\ncapacity_part_by_ma = ",
            &["capacity_part_by_ma", "peukert_exponent"],
        ),
        (
            "capacity_part_by_ma = [[0.1, 1.02], [1, 1.0], [10, 0.92], [50, 0.75]]",
            "peukert_exponent = 1.1",
            &["peukert_exponent", "rated_ma"],
        ),
        ("chemistry = \"lithium thionyl chloride\"", "chemistry = 3", &["chemistry", "text"]),
        // Sources, structure.
        (
            "source = \"invented, in the manner of a 12-bit low-power part\"\n",
            "",
            &["current_ua_by_hz", "no source"],
        ),
        (
            "source = \"invented, in the manner of a 12-bit low-power part\"",
            "source = \"\"",
            &["source", "where"],
        ),
        ("message_s = 0.4\n", "", &["message_s", "message_mah", "missing"]),
        ("message_s = 0.4\n", "message_s = 0.4\nmessage_mah = 0.02\n", &["message_mah", "both"]),
        (SLEEP, "", &["sleep_ua", "sleep_mah_per_day", "missing"]),
        (SLEEP, "sleep_ua = 2\nsleep_mah_per_day = 0.05", &["sleep_ua", "given already"]),
        ("[cell]\n", "[cell]\ncolour = 3\n", &["unknown key", "colour"]),
        ("[supply]\n", "[[supply]]\n", &["supply", "one table"]),
        ("[memory]\n", "[memory]\nreading_ma = 1\n", &["belongs under [depth_sensor]"]),
        (
            "reading_ms = 10",
            "reading_ms = { value = 10, sdpercent = 3 }",
            &["sdpercent", "sd_percent"],
        ),
        ("reading_ms = 10", "reading_ms = { sd_percent = 3 }", &["reading_ms", "value is missing"]),
        ("invented = true", "invented = \"yes\"", &["invented", "true or false"]),
    ] {
        let told = refused(old, new);
        for want in wanted {
            assert!(told.contains(want), "{new:?}: {want:?} not in {told:?}");
        }
        assert!(told.starts_with("x.toml: line "), "{new:?}: no line in {told:?}");
    }
}

#[test]
fn missing_tables_and_files_that_are_none() {
    let cases: [(&[u8], &str); 6] = [
        (b"", "[tag] is missing"),
        (b"[tag]\nid = \"x\"\n", "[cell] is missing"),
        (b"[tag\n", "not valid TOML"),
        (b"\xff\xfe", "UTF-8"),
        (b"phase = []\n[tag]\nid = \"x\"\n", "is missing"),
        (b"t_s,ax_g\n0,1\n", "not valid TOML"),
    ];
    for (bytes, want) in cases {
        let told = TagFile::parse("x.toml", bytes).expect_err("refused").to_string();
        assert!(told.contains(want) && told.contains("x.toml"), "{told}");
    }
}

#[test]
fn charges_a_day_are_currents() {
    let as_current = TagFile::parse("a", SOUND.as_bytes()).expect("sound");
    let text = SOUND
        .replace("sleep_ua = { value = 2.0", "sleep_mah_per_day = { value = 0.048")
        .replace("message_s = 0.4", "message_mah = 0.02");
    let as_charge = TagFile::parse("a", text.as_bytes()).expect("sound");
    let plan = |tag| host_sim::energy::Plan::new(tag, None);
    let (a, b) = (plan(&as_current), plan(&as_charge));
    for (a, b) in a.phases.iter().zip(&b.phases) {
        assert!((a.off_ma / b.off_ma - 1.0).abs() < 1e-9);
        assert!(
            (a.trains.len() == b.trains.len())
                && a.trains
                    .iter()
                    .zip(&b.trains)
                    .all(|(a, b)| (a.mean_ma / b.mean_ma - 1.0).abs() < 1e-9)
        );
    }
}

/// Lines of the shipped tags, cut up and put together wrongly, with numbers that
/// somebody might write.
#[test]
fn whatever_is_accepted_gives_finite_numbers() {
    let rng = &mut ChaCha8Rng::seed_from_u64(4);
    let other = include_str!("../../demo-data/tags/long-drift.toml");
    let numbers = [
        "0",
        "-1",
        "1e-9",
        "1e9",
        "nan",
        "inf",
        "0.5",
        "1",
        "3",
        "1000",
        "24",
        "-60",
        "\"x\"",
        "true",
        "[]",
        "[[0, 1]]",
        "[[1, 1], [0, 2]]",
        "{ value = 3, sd_percent = 100 }",
        "{ value = 3, sd = 50 }",
    ];
    let (mut accepted, mut refused) = (0, 0);
    for round in 0..1500 {
        let base = if rng.random_bool(0.5) { SOUND } else { other };
        let mut lines: Vec<String> = base.lines().map(str::to_owned).collect();
        for _ in 0..rng.random_range(1..3) {
            let n = rng.random_range(0..lines.len());
            match rng.random_range(0..6) {
                0 => {
                    lines.remove(n);
                }
                1 => {
                    let line = lines[rng.random_range(0..lines.len())].clone();
                    lines.insert(n, line);
                }
                _ => {
                    if let Some((key, _)) = lines[n].split_once(" = ") {
                        lines[n] =
                            format!("{key} = {}", numbers[rng.random_range(0..numbers.len())]);
                    }
                }
            }
        }
        match TagFile::parse("x.toml", lines.join("\n").as_bytes()) {
            Err(problem) => {
                assert!(problem.to_string().contains("x.toml"), "{problem}");
                refused += 1;
            }
            Ok(tag) => {
                accepted += 1;
                let settings = Settings { draws: 3, seed: round, ..Settings::default() };
                let b = budget::budget(&tag, &settings);
                let o = &b.outlook;
                for p in [o.animal_days, o.cell_days, o.beacon_days] {
                    let numbers = [p.p05, p.median, p.p95];
                    assert!(
                        numbers.iter().all(|x| x.is_finite() && *x >= 0.0),
                        "{o:?}\n{}",
                        lines.join("\n")
                    );
                }
                assert!(!serde_json::to_string(&b).expect("JSON").contains("null,null"), "{o:?}");
                assert!(budget::one(&b).lines().all(|l| l.chars().count() <= 80));
            }
        }
    }
    assert!(accepted > 200 && refused > 200, "{accepted} {refused}");
}
