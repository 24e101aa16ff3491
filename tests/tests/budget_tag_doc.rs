//! The tables of `docs/tag-file.md`, after its mark, say what the program checks: both
//! come from `host_sim::tag_file::keys`.
//! `SWAYMARK_WRITE_DOCS=1 cargo test -p swaymark-tests --test budget_tag_doc` writes it anew.

use host_sim::tag_file::TagFile;
use host_sim::tag_file::keys::{Kind, Need, TABLES, Table};
use std::fmt::Write;
use std::path::Path;

const DOC: &str = include_str!("../../docs/tag-file.md");
const MARK: &str = "<!-- From here on written by a test; see there. -->\n";

fn kind(kind: Kind) -> String {
    let pair = |[a, b]: [f64; 2]| format!("{a} to {b}");
    match kind {
        Kind::Text => "text".into(),
        Kind::Word(words) => {
            words.iter().map(|w| format!("`\"{w}\"`")).collect::<Vec<_>>().join(", ")
        }
        Kind::Names => "list of names".into(),
        Kind::Flag => "true or false".into(),
        Kind::Figure(a, b) => format!("figure, {}", pair([a, b])),
        Kind::Choice(a, b) => format!("number, {}", pair([a, b])),
        Kind::Count(a, b) => format!("whole number, {}", pair([a, b])),
        Kind::Curve(x, y) => format!("table, first {}, second {}", pair(x), pair(y)),
        Kind::Steps(x, y) => format!("steps, first {}, second {}", pair(x), pair(y)),
    }
}

fn table(out: &mut String, t: &Table) {
    let (open, close) = if t.many { ("[[", "]]") } else { ("[", "]") };
    let need = if t.must { "needed" } else { "may be absent" };
    writeln!(out, "\n## `{open}{}{close}`\n\n{} ({need})\n", t.name, t.doc).expect("text grows");
    out.push_str("| key | takes | if absent | what it says |\n| --- | --- | --- | --- |\n");
    for key in t.keys {
        let absent = match key.need {
            Need::Must => "error".to_owned(),
            Need::May(text) => text.to_owned(),
            Need::Default(number, why) => format!("{number} ({why})"),
        };
        writeln!(out, "| `{}` | {} | {absent} | {} |", key.name, kind(key.kind), key.doc)
            .expect("text grows");
    }
}

#[test]
fn every_key_is_documented_as_it_is_checked() {
    let end = DOC.find(MARK).expect("the mark is there") + MARK.len();
    let mut text = DOC[..end].to_owned();
    for t in TABLES {
        table(&mut text, t);
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/tag-file.md");
    if std::env::var_os("SWAYMARK_WRITE_DOCS").is_some() {
        std::fs::write(&path, &text).expect("docs/tag-file.md can be written");
    }
    assert!(
        DOC == text || std::env::var_os("SWAYMARK_WRITE_DOCS").is_some(),
        "docs/tag-file.md is stale: run SWAYMARK_WRITE_DOCS=1 cargo test -p swaymark-tests --test budget_tag_doc"
    );
}

#[test]
fn the_example_of_the_document_is_sound() {
    let from = DOC.find("```toml\n").expect("an example") + 8;
    let example = &DOC[from..from + DOC[from..].find("```").expect("its end")];
    let tag = TagFile::parse("example.toml", example.as_bytes())
        .unwrap_or_else(|p| panic!("{}", p.render(false)));
    assert!(tag.notices.is_empty(), "{:?}", tag.notices);
}
