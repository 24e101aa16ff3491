//! The table of statistics in docs/score.md is that of the program.
//! After a change: `SWAYMARK_WRITE_DOCS=1 cargo test -p host-sim --test score_doc`.

use std::fmt::Write as _;
use std::path::Path;

use host_sim::score::statistics::{STATISTICS, Unit};

#[test]
fn the_documented_statistics_are_those_of_the_program() {
    let mut table = String::from("\n| key | unit | what |\n| --- | --- | --- |\n");
    for s in STATISTICS {
        let unit = match s.unit {
            Unit::Part => "part",
            Unit::PerMin => "beats/min",
            Unit::Seconds => "s",
            Unit::Minutes => "min",
            Unit::Hours => "h",
        };
        writeln!(table, "| `{}` | {unit} | {} |", s.key, s.doc).unwrap();
    }
    table.push('\n');
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/score.md");
    let text = std::fs::read_to_string(&path).unwrap();
    let (open, close) = ("<!-- statistics -->\n", "<!-- end -->");
    let from = text.find(open).expect("the mark of the table") + open.len();
    let to = text.find(close).expect("the mark of its end");
    if std::env::var_os("SWAYMARK_WRITE_DOCS").is_some() {
        let whole = format!("{}{table}{}", &text[..from], &text[to..]);
        std::fs::write(&path, whole).unwrap();
        return;
    }
    assert_eq!(&text[from..to], table, "docs/score.md is not up to date");
}
