//! The battery model against closed forms, within 0.1 % (most agree to rounding).

use host_sim::energy::outlook::as_written;
use host_sim::energy::{Limit, Outcome, Rules};
use host_sim::tag_file::TagFile;

/// A tag that draws nothing but what `edits` (old, new) add: 3 V throughout, no
/// resistance, no losses, no reserve.
fn tag(edits: &[(&str, &str)]) -> TagFile {
    let mut text = String::from(
        "[tag]\nid = \"closed\"\n[cell]\nsource = \"test\"\nchemistry = \"ideal\"\nnominal_mah = 24\n\
         capacity_part_by_c = [[20, 1.0]]\nvoltage_v_by_left = [[0, 3]]\nresistance_ohm_by_c = [[20, 0]]\n\
         self_discharge_percent_per_year = 0\ncutoff_v = 0.1\n\
         [supply]\nsource = \"test\"\nbrownout_v = 0.1\n[mcu]\nsource = \"test\"\nsleep_ua = 0\nwake_us = 0\nread_us = 0\n\
         [accelerometer]\nsource = \"test\"\ncurrent_ua_by_hz = [[10, 0]]\nstandby_ua = 0\n\
         [release]\nsource = \"test\"\nfiring_ma = 1e-6\nfiring_s = 1e-6\nreserve_fraction = 0\n\
         [[phase]]\nname = \"animal\"\nsource = \"test\"\nkind = \"animal\"\nstart_h = 0\nend_h = 1\n\
         temp_c = 20\ndetectors = false\nsample_hz = 0\n",
    );
    for (old, new) in edits {
        assert!(text.contains(old), "{old}");
        text = text.replace(old, new);
    }
    TagFile::parse("closed.toml", text.as_bytes()).unwrap_or_else(|p| panic!("{}", p.render(false)))
}

fn hours(edits: &[(&str, &str)]) -> f64 {
    let out = as_written(&tag(edits), None, Rules { bounded: false });
    assert_ne!(out.animal_limit, Limit::Horizon);
    out.animal_s / 3600.0
}

fn same(got: f64, want: f64) {
    assert!((got / want - 1.0).abs() < 1e-6, "got {got}, want {want}");
}

#[test]
fn a_constant_load() {
    same(hours(&[("sleep_ua = 0", "sleep_ua = 1000")]), 24.0);
    // Cold, two cells in parallel, in series: 24 mAh x 0.8 x 2.
    same(
        hours(&[
            ("sleep_ua = 0", "sleep_ua = 1000"),
            ("[[20, 1.0]]", "[[-20, 0.6], [20, 1.0]]"),
            ("temp_c = 20", "temp_c = 0"),
            ("nominal_mah = 24", "nominal_mah = 24\nin_parallel = 2\nin_series = 3"),
        ]),
        24.0 * 0.8 * 2.0,
    );
}

#[test]
fn a_duty_cycle_of_two_states() {
    // 1 mA for 15 min, 0.1 mA for 45 min: 0.325 mAh an hour.
    let two = [
        ("sleep_ua = 0", "sleep_ua = 100"),
        ("[[10, 0]]", "[[10, 900]]"),
        ("sample_hz = 0", "sample_hz = 10\nduty_on_min = 15\nduty_period_min = 60"),
    ];
    let with = |mah: &str| hours(&[&two[..], &[("nominal_mah = 24", mah)]].concat());
    same(with("nominal_mah = 325"), 1000.0);
    // Into the first and into the second state of the eleventh turn.
    same(with("nominal_mah = 3.35"), 10.1);
    same(with("nominal_mah = 3.54"), 10.65);
}

#[test]
fn peukert_s_law() {
    // t = H (C/(I H))^k (Peukert 1897; memory). 100 mAh in 20 h, k = 1.2: at 10 mA
    // not 10 h but 20 x 0.5^1.2 = 8.7055 h; at 1 mA 20 x 5^1.2 = 137.97 h.
    let life = |ua: &str| {
        hours(&[
            ("nominal_mah = 24", "nominal_mah = 100\nrated_ma = 5\npeukert_exponent = 1.2"),
            ("sleep_ua = 0", ua),
        ])
    };
    same(life("sleep_ua = 5000"), 20.0);
    same(life("sleep_ua = 10000"), 20.0 * 0.5_f64.powf(1.2));
    same(life("sleep_ua = 1000"), 20.0 * 5.0_f64.powf(1.2));
    // As a table of capacity by load, which is what a data sheet prints.
    same(
        hours(&[
            (
                "nominal_mah = 24",
                "nominal_mah = 100\ncapacity_part_by_ma = [[5, 1], [10, 0.87055]]",
            ),
            ("sleep_ua = 0", "sleep_ua = 10000"),
        ]),
        8.7055,
    );
}

#[test]
fn self_discharge() {
    // Half a year's charge after a year without load: left = 0.5.
    let left = |more: &[(&str, &str)]| {
        let mut edits = vec![("per_year = 0", "per_year = 50"), ("end_h = 1\n", "end_h = 8766\n")];
        edits.extend(more);
        let out: Outcome = as_written(&tag(&edits), None, Rules { bounded: true });
        out.left_fraction
    };
    same(left(&[]), 0.5);
    // Twice as fast at 30 deg C.
    same(left(&[("temp_c = 20", "temp_c = 30")]), 0.25);
    // Two years on the shelf before.
    same(left(&[("cutoff_v", "age_years = 2\ncutoff_v")]), 0.125);
    // With a load: dx/dt = a + s (1 - x), empty at t = ln(1 + s/a)/s.
    let (s, a) = (2.0_f64.ln() / 8766.0, 0.01 / 24.0);
    same(
        hours(&[("per_year = 0", "per_year = 50"), ("sleep_ua = 0", "sleep_ua = 10")]),
        (s / a).ln_1p() / s,
    );
}

/// A voltage of 2 V + 2 V x part left, a pulse of 100 mA for 0.3 s a minute.
const PULSED: [(&str, &str); 4] = [
    ("[[0, 3]]", "[[0, 2], [1, 4]]"),
    ("brownout_v = 0.1", "brownout_v = 2.5"),
    (
        "[[phase]]",
        "[[load]]\nname = \"pulser\"\nsource = \"test\"\npulse_ma = 100\npulse_ms = 300\nperiod_s = 60\n[[phase]]",
    ),
    ("sample_hz = 0", "sample_hz = 0\nparts = [\"pulser\"]"),
];

#[test]
fn a_pulse_on_a_source_with_resistance() {
    // 0.1 A x 5 ohm = 0.5 V: below 2.5 V when the open voltage is 3 V, half left. The
    // load is 0.5 mA, so half of 24 mAh last 24 h, to the pulse (0.00833 mAh each).
    let ohm = ("[[20, 0]]", "[[20, 5]]");
    let got = hours(&[&PULSED[..], &[ohm]].concat());
    assert!((got / 24.0 - 1.0).abs() < 1e-3, "{got}");
}

#[test]
fn a_pulse_on_a_source_with_resistance_and_capacitor() {
    // R = 5 ohm, C = 50 mF with 0.4 ohm: tau = 0.27 s, and at the end of the pulse
    // sag = I R (1 - R/(R + Rc) exp(-t/tau)).
    let (r, rc, c, i, t) = (5.0_f64, 0.4, 0.05, 0.1, 0.3);
    let sag = i * r * (1.0 - r / (r + rc) * (-t / ((r + rc) * c)).exp());
    let left = (2.5 + sag - 2.0) / 2.0;
    let want = (1.0 - left) * 24.0 / 0.5;
    let rc_source = [
        ("[[20, 0]]", "[[20, 5]]"),
        ("brownout_v = 2.5", "brownout_v = 2.5\nbuffer_mf = 50\nbuffer_esr_ohm = 0.4"),
    ];
    let got = hours(&[&PULSED[..], &rc_source].concat());
    assert!((got / want - 1.0).abs() < 1e-3, "{got} {want}");
}

#[test]
fn a_beacon_for_some_hours_a_day() {
    // 0.5 mA on average, 6 h a day: 3 mAh a day, 8 days.
    let got = hours(
        &[
            &PULSED[..],
            &[
                ("period_s = 60", "period_s = 60\nhours_per_day = 6"),
                ("brownout_v = 2.5", "brownout_v = 0.2"),
            ],
        ]
        .concat(),
    );
    // The last charge goes within the eighth day's window.
    assert!((got / (7.0 * 24.0 + 6.0) - 1.0).abs() < 1e-3, "{got}");
}
