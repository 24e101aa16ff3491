//! What docs/detectors.md and docs/resets.md state is what the code has: their tables of constants
//! against the constants in the source, and the gain of the band-pass against the closed form.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use firmware_core::beats::{BAND_GAIN, BAND_PERIOD, gain};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn page() -> String {
    read("docs/detectors.md")
}

fn read(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// Rows of the table under the heading `| FIRST |`, as fields.
fn table(page: &str, first: &str) -> Vec<Vec<String>> {
    let head = format!("| {first}");
    let rows = page.lines().skip_while(|line| !line.starts_with(&head)).skip(2);
    let rows = rows.take_while(|line| line.starts_with('|'));
    rows.map(|line| line.trim_matches('|').split('|').map(|f| f.trim().to_owned()).collect())
        .collect()
}

/// Value of `const NAME: TYPE = VALUE;` in a source file; other constants may stand in it.
fn value_of(source: &str, name: &str) -> Option<f64> {
    let at = source.find(&format!("const {name}:"))?;
    let text = source[at..].split(';').next()?.split('=').nth(1)?;
    text.trim().replace('_', "").parse().ok()
}

#[test]
fn constants_are_those_of_the_source() {
    let mut rows = table(&page(), "constant");
    assert!(rows.len() >= 40, "{} rows", rows.len());
    let of_resets = table(&read("docs/resets.md"), "constant");
    assert!(of_resets.len() >= 15, "{} rows", of_resets.len());
    rows.extend(of_resets);
    let mut sources = BTreeMap::new();
    let mut wrong = Vec::new();
    for row in rows {
        let names: Vec<&str> = row[0].split('`').filter(|part| !part.trim().is_empty()).collect();
        let [file, name] = names[..] else { panic!("two names in {row:?}") };
        let path = root().join("firmware-core/src").join(file);
        let source = sources.entry(file.to_owned()).or_insert_with(|| {
            std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{file}: {e}"))
        });
        let stated: f64 = row[1].parse().unwrap_or_else(|e| panic!("{row:?}: {e}"));
        if value_of(source, name) != Some(stated) {
            wrong.push(format!("{name}: {stated} stated, {:?} in {file}", value_of(source, name)));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// `2^10 s (1 - s)^4` with `s = sin^2(pi / P)`, worked out in double precision.
fn closed_form(period: f64) -> f64 {
    let s = (std::f64::consts::PI / period).sin().powi(2);
    1024.0 * s * (1.0 - s).powi(4)
}

#[test]
fn the_band_pass_has_the_gain_stated() {
    let text = page();
    let greatest = std::f64::consts::PI / 0.2_f64.sqrt().asin();
    assert!((f64::from(BAND_PERIOD) - greatest).abs() < 1e-3);
    assert!((f64::from(BAND_GAIN) - closed_form(greatest)).abs() < 1e-3);
    assert!(text.contains(&format!("greatest at {greatest:.3} samples")));
    assert!(text.contains(&format!("where it is {:.2}", closed_form(greatest))));
    let rows = table(&text, "period, samples");
    assert!(rows.len() >= 8);
    for row in rows {
        let period: f64 = row[0].parse().expect("a period");
        let part = closed_form(period) / closed_form(greatest);
        assert_eq!(row[1], format!("{part:.3}"), "at {period}");
        let short = f64::from(gain((greatest / period) as f32));
        // The code's polynomial is good from half to three times the period of greatest gain.
        if period > 0.55 * greatest {
            assert!((short - part).abs() < 0.002, "{period}: {short} for {part}");
        }
    }
}
