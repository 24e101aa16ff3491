//! How the core is built: what stands above what, no circles, no file too long, and the way of a
//! sample from [`Tag::feed`](firmware_core::tag::Tag::feed) to a beat.
//!
//! A `mod.rs` that declares modules and re-exports what they hold is a list and nothing else (that
//! is tested): its re-exports do not count as imports. A name that is imported by way of a list
//! counts as an import of the file behind it.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

#[path = "layers/source.rs"]
mod source;

use std::collections::BTreeSet;
use std::path::Path;

use source::{Imports, Source, imports, sources};

/// The modules from the lowest to the uppermost. A file imports from lines above its own, and from
/// its own entry; entries of one line do not import one another.
const ORDER: &[&[&str]] = &[
    &["math", "kept", "program"],
    &["config", "types"],
    &["signal::rate", "signal::sensor", "signal::sway", "signal::frame"],
    &["signal::window"],
    &["signal::ingest", "signal::posture"],
    &["signal::minute"],
    &["beats::bandpass"],
    &["beats::cycles"],
    &["beats::choose"],
    &["beats::ladder"],
    &["beats::stage"],
    &["detector"],
    &["fate::depth"],
    &["fate::clues"],
    &["fate::test"],
    &["fate::judges", "recovery", "release::sun"],
    &["release::decide"],
    &["message", "store::record", "store::slots"],
    &["store::log"],
    &["store::journal", "store::boot"],
    &["front"],
    &["tag"],
    &["shell", "drivers"],
];

/// Where a sample passes, from `feed` to a beat.
const WAY: &[&str] = &[
    "tag",
    "front",
    "signal::ingest",
    "signal::sensor",
    "signal::rate",
    "signal::window",
    "signal::posture",
    "signal::sway",
    "beats::stage",
    "beats::ladder",
    "beats::bandpass",
    "beats::cycles",
    "beats::choose",
];

/// Most lines of a file, and of the tag's.
const FILE_LINES: usize = 600;
const TAG_LINES: usize = 300;
/// The core has fewer lines of code than this.
const CODE_LINES: usize = 9800;

fn core() -> Vec<Source> {
    let all = sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
    assert!(all.len() > 50, "{} files", all.len());
    all
}

/// Line and entry of [`ORDER`] where a module stands.
fn place(module: &str) -> Option<(usize, &'static str)> {
    let holds = |entry: &str| {
        module.strip_prefix(entry).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
    };
    let lines = ORDER.iter().enumerate();
    lines.flat_map(|(n, line)| line.iter().map(move |e| (n, *e))).find(|(_, e)| holds(e))
}

/// Imports that go upwards or sideways, and modules without a place.
fn against_the_order(imports: &Imports) -> Vec<String> {
    let mut faults = imports.faults.clone();
    for (module, imported) in &imports.of {
        let Some((line, entry)) = place(module) else {
            faults.push(format!("{module} stands nowhere in the order"));
            continue;
        };
        for other in imported {
            let below = place(other).is_some_and(|(l, e)| l < line || e == entry);
            if !below {
                faults.push(format!("{module} imports {other}, which does not stand below it"));
            }
        }
    }
    faults
}

/// A circle of imports, if there is one: each file imports the next.
fn circle(imports: &Imports) -> Option<Vec<String>> {
    /// Goes on from the last of `way`; `done`: files from which no circle was found.
    fn walk(imports: &Imports, way: &mut Vec<String>, done: &mut BTreeSet<String>) -> bool {
        let last = way.last().unwrap().clone();
        if let Some(first) = way[..way.len() - 1].iter().position(|m| *m == last) {
            way.drain(..first);
            return true;
        }
        if done.contains(&last) {
            return false;
        }
        for next in &imports.of[&last] {
            way.push(next.clone());
            if walk(imports, way, done) {
                return true;
            }
            way.pop();
        }
        done.insert(last);
        false
    }
    let mut done = BTreeSet::new();
    imports.of.keys().find_map(|start| {
        let mut way = vec![start.clone()];
        walk(imports, &mut way, &mut done).then_some(way)
    })
}

#[test]
fn no_layer_imports_from_one_above_it() {
    let imports = imports(&core());
    let edges: usize = imports.of.values().map(BTreeSet::len).sum();
    assert!(edges > 150, "only {edges} imports were found");
    let faults = against_the_order(&imports);
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    for entry in ORDER.iter().copied().flatten() {
        let stands = imports.of.keys().any(|m| place(m).is_some_and(|(_, e)| e == *entry));
        assert!(stands, "{entry} stands in the order and nowhere else");
    }
}

#[test]
fn no_files_import_one_another_in_a_circle() {
    let circle = circle(&imports(&core()));
    assert!(circle.is_none(), "{}", circle.unwrap_or_default().join(" -> "));
}

#[test]
fn no_file_is_too_long() {
    for source in core() {
        let most = if source.file == "tag.rs" { TAG_LINES } else { FILE_LINES };
        assert!(source.lines <= most, "{}: {} lines, {most} at most", source.file, source.lines);
    }
}

#[test]
fn the_core_stays_small() {
    let lines: usize = core().iter().map(Source::code_lines).sum();
    println!("{lines} lines of code");
    assert!(lines < CODE_LINES, "{lines} lines of code, fewer than {CODE_LINES} are stated");
}

#[test]
fn a_sample_passes_from_feed_to_a_beat_by_imports() {
    let imports = imports(&core());
    println!("{}", WAY[0]);
    for (n, step) in WAY.iter().enumerate().skip(1) {
        let from = WAY[..n].iter().rev().find(|m| imports.of[**m].contains(*step));
        let Some(from) = from else { panic!("{step} is imported by no step before it") };
        println!("{step} (from {from})");
    }
}

/// The reading of imports itself: what is planted is found.
#[test]
fn a_planted_fault_is_found() {
    let read = |files: &[(&str, &str)]| {
        let files: Vec<Source> = files.iter().map(|(f, t)| Source::new(f, t)).collect();
        imports(&files)
    };
    let lib = (
        "lib.rs",
        "#![no_std]\n#[macro_use(x)]\nextern crate y;\npub mod kept;\npub mod math;\npub mod tag;",
    );
    let list = ("kept/mod.rs", "mod cursor;\npub use cursor::{Cursor, Kept as Keeps};");
    // Down, by way of a list, in braces, past comments, strings and tests: no fault.
    let tag = "pub(in crate::tag) use crate::{math::{self, sin}, kept::Cursor}; // use crate::math::Nothing;
        fn f() -> impl Fn() + use<'_> { \"crate::nowhere\"; 'a: loop {} '\\''; '\"' }
        #[cfg(test)]\nmod tests { use crate::nowhere::Nothing; fn g() {} }";
    let tag = ("tag.rs", tag.replace("\n        ", "\n"));
    let tag = (tag.0, tag.1.as_str());
    let good = read(&[lib, list, tag, ("math.rs", "pub fn sin() {}"), ("kept/cursor.rs", "")]);
    assert_eq!(against_the_order(&good), Vec::<String>::new());
    let of_tag: Vec<&str> = good.of["tag"].iter().map(String::as_str).collect();
    assert_eq!(of_tag, ["kept::cursor", "math"]);
    assert_eq!(circle(&good), None);
    // Up, named in the code alone; and round.
    for code in
        ["fn f() { crate::tag::Tag::new(); }", "use super::super::tag::Tag;", "use crate::tag;"]
    {
        let bad = read(&[lib, list, tag, ("math.rs", ""), ("kept/cursor.rs", code)]);
        assert_eq!(against_the_order(&bad).len(), 1, "{code}");
        let circle = circle(&bad).unwrap();
        assert_eq!((circle.len(), circle.first()), (3, circle.last()), "{code}");
    }
    // Sideways, to nowhere, without a place, and a list that holds more.
    for (file, code) in [
        ("math.rs", "use crate::kept::Cursor;"),
        ("math.rs", "use crate::kept::Other;"),
        ("maths.rs", ""),
        ("kept/mod.rs", "mod cursor;\npub use cursor::Cursor;\npub struct Other;"),
    ] {
        let files = [lib, list, tag, ("math.rs", ""), ("kept/cursor.rs", "")];
        let mut files: Vec<_> = files.into_iter().filter(|(f, _)| *f != file).collect();
        files.push((file, code));
        assert_eq!(against_the_order(&read(&files)).len(), 1, "{file}: {code}");
    }
}
