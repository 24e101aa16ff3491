//! The section on the bus in `docs/on-target-table.md` is what the model gives for the counts
//! of that table. `SWAYMARK_WRITE_DOCS=1 cargo test -p swaymark-tests --test energy_bus_table`
//! writes it anew where the model changed and the counts did not.

use std::path::Path;

use host_sim::energy::cost::Core;
use host_sim::energy::path_table::{BAR_UA, HEAD, committed, section};
use host_sim::tag_file::{BusKind, Meanwhile};

const DOC: &str = include_str!("../../docs/on-target-table.md");
const NEXT: &str = "## The whole tag\n";

#[test]
fn the_section_is_what_the_model_gives() {
    let next = DOC.find(NEXT).expect("the section of the whole tag");
    let from = DOC.find(HEAD).unwrap_or(next);
    let text = format!("{}{}\n{}", &DOC[..from], section(&committed()), &DOC[next..]);
    if std::env::var_os("SWAYMARK_WRITE_DOCS").is_some() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/on-target-table.md");
        std::fs::write(&path, &text).expect("the table can be written");
    } else {
        assert!(DOC == text, "docs/on-target-table.md is stale:\n{}", section(&committed()));
    }
}

#[test]
fn detectors_shell_and_spi_keep_to_the_bar() {
    let counts = committed();
    let m4f = counts.iter().find(|c| c.core == Core::CortexM4F && c.sample_hz == 25.0);
    let m4f = m4f.expect("counted");
    let ua = m4f.path_ua() + m4f.bus_ua(BusKind::Spi, Meanwhile::Wait);
    assert!(ua <= BAR_UA, "{ua:.2} uA");
}
