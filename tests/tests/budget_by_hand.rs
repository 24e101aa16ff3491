//! `docs/budget-by-hand.md` and the program agree within 0.1 %.

use host_sim::energy::bus::erasures_per_day;
use host_sim::energy::outlook::as_written;
use host_sim::energy::plan::{BUS_PART, COPIES_PART, PRESSURE_PART};
use host_sim::energy::{Plan, Rules};
use host_sim::tag_file::TagFile;
use std::path::Path;

const DOC: &str = include_str!("../../docs/budget-by-hand.md");

/// The number in the row called `name`.
fn by_hand(name: &str) -> f64 {
    let row = DOC
        .lines()
        .find(|l| l.starts_with(&format!("| {name} |")))
        .unwrap_or_else(|| panic!("no row {name:?}"));
    row.rsplit('|').nth(1).and_then(|cell| cell.trim().parse().ok()).expect("a number")
}

#[test]
fn the_program_agrees_with_the_pocket_calculator() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-data/tags/by-hand.toml");
    let tag = TagFile::load(&path).unwrap_or_else(|p| panic!("{p}"));
    let plan = Plan::new(&tag, None);
    let out = as_written(&tag, None, Rules { bounded: true });
    let (animal, search) = (&plan.phases[0], &plan.phases[1]);
    let release = plan.parts.iter().position(|p| p == "release").expect("a release");
    let fired = out.drawn_mah[1][release];
    let failure = out.failures.first().expect("a brown-out");
    assert_eq!(failure.pulse.as_deref(), Some("satellite message"));
    let trains: f64 = search.trains.iter().map(|t| t.mean_ma).sum();
    let part = |n: usize| {
        let share = animal.shares.iter().find(|s| s.part == n);
        1e3 * share.expect("a share of the part").on_ma
    };
    for (name, value) in [
        ("bus, uA", part(BUS_PART)),
        ("pressure, uA", part(PRESSURE_PART)),
        ("copies, uA", part(COPIES_PART)),
        ("erasures of a sector a day", erasures_per_day(&tag.copies)),
        ("mean current on the animal, uA", 1e3 * (0.25 * animal.on_ma + 0.75 * animal.off_ma)),
        ("drawn on the animal before firing, mAh", out.drawn_mah[1].iter().sum::<f64>() - fired),
        ("part left when it lets go", out.left_fraction),
        ("drawn by the release, mAh", fired),
        ("mean current in the search, uA", 1e3 * (search.on_ma + trains)),
        ("part left at the brown-out", failure.left_fraction),
        ("beacon days", out.search_s / 86_400.0),
        ("part left by the sum", failure.left_by_sum_fraction),
    ] {
        let hand = by_hand(name);
        assert!((value / hand - 1.0).abs() < 1e-3, "{name}: by hand {hand}, program {value}");
    }
    // No row of results that is not compared.
    let results = DOC.split("| result | value |\n| --- | ---: |\n").count() - 1;
    assert_eq!(results, 8);
}
