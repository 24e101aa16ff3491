//! `docs/settings.md` says what the program checks: both come from one table.
//! `SWAYMARK_WRITE_DOCS=1 cargo test -p swaymark-tests --test settings_doc` writes it anew.

use firmware_core::config::{Detector, Param, Release};
use std::fmt::Write;
use std::path::Path;

fn table(text: &mut String, params: &[Param]) {
    text.push_str("| key | default | range | what it does |\n| --- | --- | --- | --- |\n");
    for p in params {
        let (default, range) = if p.is_flag {
            ((p.default > 0.5).to_string(), "true or false".to_string())
        } else {
            (p.default.to_string(), format!("{} to {}", p.min, p.max))
        };
        writeln!(text, "| `{}` | {default} | {range} | {} |", p.key, p.doc).expect("text grows");
    }
}

#[test]
fn settings_are_documented_as_they_are() {
    let mut text = String::from(
        "# Settings\n\nWritten by a test from the table that the program checks against \
         (`firmware_core::config`).\nEach key may stand in the deployment file; an absent key has its default.\n\n\
         ## `[detector]`\n\n",
    );
    table(&mut text, Detector::PARAMS);
    text.push_str("\n## `[release]`\n\n");
    table(&mut text, Release::PARAMS);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/settings.md");
    if std::env::var_os("SWAYMARK_WRITE_DOCS").is_some() {
        std::fs::write(&path, &text).expect("docs/settings.md can be written");
    }
    let on_disk = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        on_disk == text,
        "docs/settings.md is stale: run SWAYMARK_WRITE_DOCS=1 cargo test -p swaymark-tests --test settings_doc"
    );
}
