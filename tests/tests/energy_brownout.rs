//! A pulse on a cold, nearly empty cell browns out although the sum of milliamp-hours
//! says that a quarter is left; and the report says so.

use host_sim::budget::{self, Settings};
use host_sim::energy::outlook::as_written;
use host_sim::energy::{Limit, Rules};
use host_sim::tag_file::TagFile;

/// The shipped tag with the small cell, searched for in water of `temp_c`, its
/// resistance times `ohm`.
fn drifter(temp_c: f64, ohm: f64) -> TagFile {
    let mut tag = TagFile::shipped("long-drift").expect("a shipped tag");
    tag.phases.last_mut().expect("a search").temp_c.value = temp_c;
    tag.cell.resistance_ohm_by_c.scale.value = ohm;
    tag
}

#[test]
fn the_cold_cell_gives_way_with_a_quarter_left_by_the_sum() {
    let cold = as_written(&drifter(1.0, 1.0), None, Rules { bounded: true });
    let failure = cold.failures.first().expect("a failure");
    assert_eq!(failure.kind, Limit::BrownOut);
    assert_eq!(failure.pulse.as_deref(), Some("satellite message"));
    assert!(failure.volts < failure.limit_v);
    assert!(failure.left_by_sum_fraction > 0.25, "{failure:?}");
    // What is left in the cold is less, and the voltage without the pulse is enough.
    assert!(failure.left_fraction < failure.left_by_sum_fraction, "{failure:?}");
    assert!(failure.volts + 0.35 * failure.ohm > failure.limit_v, "{failure:?}");

    // Warm water gives days back, and without internal resistance the cell is used up.
    let warm = as_written(&drifter(20.0, 1.0), None, Rules { bounded: true });
    assert!(warm.search_s > 1.2 * cold.search_s, "{} {}", warm.search_s, cold.search_s);
    let ideal = as_written(&drifter(20.0, 0.0), None, Rules { bounded: true });
    let failure = ideal.failures.first().expect("a failure");
    assert!(failure.left_by_sum_fraction < 0.08, "{failure:?}");
}

#[test]
fn the_report_tells_the_pulse_and_both_sums() {
    let settings = Settings { draws: 20, seed: 1, ..Settings::default() };
    let text = budget::one(&budget::budget(&drifter(1.0, 1.0), &settings));
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in [
        "Brown-out on day",
        "the satellite message, 350 mA for 360 ms, at 1 deg C",
        "the tag resets below 2.20 V",
        "A sum of milliamp-hours would have",
        "at this temperature it is",
    ] {
        assert!(flat.contains(wanted), "{wanted:?} not in\n{text}");
    }
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn a_firing_that_browns_out_falls_back_on_the_passive_link() {
    let mut tag = drifter(1.0, 1.0);
    // An old cell of high resistance, and a wire that wants 300 mA.
    let text = budget_text(&mut tag);
    assert!(text.contains("The release cannot fire then"), "{text}");
    assert!(text.contains("passive link"), "{text}");
}

fn budget_text(tag: &mut TagFile) -> String {
    for figure in tag.figures_mut() {
        if figure.key == "release.firing_ma" {
            figure.value = 400.0;
        }
    }
    tag.cell.resistance_ohm_by_c.scale.value = 3.0;
    let settings = Settings { draws: 20, seed: 1, ..Settings::default() };
    let text = budget::one(&budget::budget(tag, &settings));
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
