//! The short run of what `tests/fuzz/run` does at length: every entry over its
//! corpus, over every crash ever found, and over changes of both.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use swaymark_tests::fuzz::{ENTRIES, MADE};

/// Changed inputs an entry at most, and the time after which no more are tried.
const CHANGED: usize = 3000;
const TIME: Duration = Duration::from_secs(3);

fn inputs(kind: &str, entry: &str) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz").join(kind).join(entry);
    let Ok(files) = fs::read_dir(&folder) else { return Vec::new() };
    let mut paths: Vec<_> = files.map(|f| f.expect("a file").path()).collect();
    paths.sort();
    let read = |p: &Path| fs::read(p).expect("can be read");
    paths.iter().map(|p| (p.display().to_string(), read(p))).collect()
}

fn change(bytes: &mut Vec<u8>, other: &[u8], rng: &mut ChaCha8Rng) {
    for _ in 0..rng.random_range(1..6) {
        let at = rng.random_range(0..=bytes.len());
        match rng.random_range(0..6) {
            0 if at < bytes.len() => bytes[at] ^= 1 << rng.random_range(0..8),
            1 if at < bytes.len() => bytes[at] = rng.random(),
            2 => bytes.truncate(at),
            3 => bytes.insert(at, rng.random()),
            4 if !other.is_empty() => {
                let from = rng.random_range(0..other.len());
                let to = rng.random_range(from..=other.len().min(from + 200));
                bytes.splice(at..at, other[from..to].iter().copied());
            }
            _ => {
                let end = rng.random_range(at..=bytes.len().min(at + 50));
                bytes.drain(at..end);
            }
        }
    }
    bytes.truncate(20_000);
}

#[test]
fn nothing_in_the_corpus_or_near_it_breaks_an_entry() {
    for (n, (name, entry)) in ENTRIES.into_iter().enumerate() {
        let mut all = inputs("corpus", name);
        assert!(!all.is_empty(), "{name} has no corpus");
        all.extend(inputs("crashes", name));
        for (path, bytes) in &all {
            println!("{path}");
            entry(bytes);
        }
        let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
        let started = Instant::now();
        let mut tried = 0;
        while tried < CHANGED && started.elapsed() < TIME {
            let mut bytes = all[rng.random_range(0..all.len())].1.clone();
            let other = &all[rng.random_range(0..all.len())].1;
            change(&mut bytes, other, &mut rng);
            let kept = std::env::temp_dir().join(format!("swaymark-fuzz-{name}"));
            let ran = std::panic::catch_unwind(|| entry(&bytes));
            if ran.is_err() {
                fs::write(&kept, &bytes).expect("can be written");
                panic!("{name}: the input that failed is kept as {}", kept.display());
            }
            tried += 1;
        }
        println!("{name}: {} kept inputs, {tried} changed ones", all.len());
    }
}

/// What the corpus has of whole copies and journals is what the code writes today. After a
/// change of a layout: `SWAYMARK_WRITE_CORPUS=1 cargo test -p swaymark-tests --test fuzz_corpus`.
#[test]
fn whole_inputs_of_the_corpus_are_of_today() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus");
    for (entry, name, make) in MADE {
        let path = corpus.join(entry).join(name);
        if std::env::var_os("SWAYMARK_WRITE_CORPUS").is_some() {
            fs::write(&path, make()).expect("can be written");
        }
        let held = fs::read(&path).unwrap_or_default();
        assert!(held == make(), "{} is of another layout", path.display());
    }
}
