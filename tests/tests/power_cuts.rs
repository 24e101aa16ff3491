//! The promises of the log: a record that was acknowledged is read back until it
//! is dropped by the rule, damage to one hides no other, and opening never fails.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use firmware_core::store::log::{Log, LogError};
use firmware_core::store::record::{Class, Record};
use host_sim::flash::NorSim;
use host_sim::unpack::{Salvage, salvage};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use swaymark_tests::course;

const RECORDS: u32 = 500;

/// A record that was acknowledged, where it went and when.
#[derive(Clone, Debug)]
struct Acknowledged {
    n: u32,
    class: Class,
    place: std::ops::Range<usize>,
    operation: u64,
}

struct Run<const WORD: usize, const BLOCK: usize> {
    log: Option<Log<NorSim<WORD, BLOCK>>>,
    acknowledged: Vec<Acknowledged>,
    refused: u32,
}

impl<const WORD: usize, const BLOCK: usize> Run<WORD, BLOCK> {
    fn open(flash: NorSim<WORD, BLOCK>) -> Self {
        let mut run = Run { log: None, acknowledged: Vec::new(), refused: 0 };
        run.boot(flash);
        run
    }

    fn boot(&mut self, mut flash: NorSim<WORD, BLOCK>) {
        flash.power_on();
        let end = flash.bytes().len() as u32;
        self.log = Some(Log::open(flash, 0, end).expect("opening never fails"));
    }

    fn log(&mut self) -> &mut Log<NorSim<WORD, BLOCK>> {
        self.log.as_mut().expect("booted")
    }

    /// Takes the power away and gives the flash.
    fn stop(&mut self) -> NorSim<WORD, BLOCK> {
        self.log.take().expect("booted").close()
    }

    /// Appends; false where the power went.
    fn append(&mut self, n: u32) -> bool {
        let record = &ALL[n as usize];
        let got = course::append(self.log(), record);
        let flash = self.log().flash();
        let (place, operation, dark) = (flash.wrote(), flash.operations(), flash.dark());
        match got {
            Ok(()) => {
                let class = kind_class(record);
                self.acknowledged.push(Acknowledged { n, class, place, operation });
            }
            Err(LogError::Full) => self.refused += 1,
            Err(_) => assert!(dark, "record {n}: {got:?} with the power on"),
        }
        !dark
    }
}

fn kind_class(record: &Record) -> Class {
    match record {
        Record::Burst(_) => Class::Detail,
        Record::Minute(_) => Class::Minutes,
        _ => Class::Summary,
    }
}

/// All records, made once.
static ALL: LazyLock<Vec<Record>> = LazyLock::new(|| (0..RECORDS).map(course::record).collect());

/// Which record this is, if it is one of the run, unharmed.
fn which(record: &Record) -> Option<u32> {
    let n = match record {
        Record::Hour(hour) => u32::from(hour.number) * 60 + 59,
        other => (other.t_us() / 60_000_000) as u32,
    };
    (ALL.get(n as usize) == Some(record)).then_some(n)
}

/// Every acknowledged record is there, once, in order, and nothing else but what
/// was written whole without being acknowledged.
fn check_all<const WORD: usize, const BLOCK: usize>(
    run: &Run<WORD, BLOCK>,
    salvage: &Salvage,
    unacknowledged: &[u32],
    what: &str,
) {
    for class in [Class::Detail, Class::Minutes, Class::Summary] {
        let mut kept = salvage.of(class).peekable();
        let mut all: Vec<(u32, bool)> =
            run.acknowledged.iter().filter(|a| a.class == class).map(|a| (a.n, true)).collect();
        all.extend(
            unacknowledged
                .iter()
                .filter(|n| kind_class(&ALL[**n as usize]) == class)
                .map(|n| (*n, false)),
        );
        all.sort();
        for (n, acknowledged) in all {
            if kept.next_if(|k| which(&k.record) == Some(n)).is_none() {
                assert!(!acknowledged, "{what}: record {n} was acknowledged and is lost");
            }
        }
        assert_eq!(kept.next(), None, "{what}: a record that nobody wrote");
    }
    assert_eq!(salvage.missing, [], "{what}");
}

/// Must show 1, first part: a cut in every single operation of a run of 500
/// records, with four different partial effects of each.
#[test]
fn a_cut_in_every_operation_loses_nothing() {
    let mut whole = Run::open(NorSim::<4, 1024>::new(48, 0));
    assert!((0..RECORDS).all(|n| whole.append(n)));
    let flash = whole.stop();
    assert_eq!(flash.uses().breaches, 0);
    assert_eq!(whole.acknowledged.len(), RECORDS as usize);
    check_all(&whole, &salvage(flash.bytes(), None), &[], "no cut");
    let operations = flash.operations();
    println!("{operations} operations");
    assert!(operations > u64::from(RECORDS) + 20, "segments were opened: {operations}");

    for cut in 0..operations {
        for seed in 0..4 {
            let mut run = Run::<4, 1024>::open(NorSim::new(48, seed * 100_000 + cut));
            run.log().flash().cut_after(cut);
            let failed = (0..RECORDS).find(|n| !run.append(*n)).expect("the power goes");
            let flash = run.stop();
            run.boot(flash);
            for n in failed + 1..RECORDS {
                assert!(run.append(n));
            }
            let flash = run.stop();
            let what = format!("cut in operation {cut}, seed {seed}");
            assert_eq!(flash.uses().breaches, 0, "{what}: wrote where not erased");
            assert_eq!(run.refused, 0, "{what}");
            check_all(&run, &salvage(flash.bytes(), None), &[failed], &what);
        }
    }
}

/// Must show 1, second part: 5000 runs with one to four cuts at random points,
/// torn writes, and up to three flipped bits anywhere at each; half of them in
/// memories too small for all, so that records are dropped.
#[test]
fn random_cuts_and_flipped_bits_lose_only_what_they_hit() {
    let (mut lost, mut acknowledged, mut all_cuts, mut all_flips) = (0, 0, 0, 0);
    let mut dropped_by_class = [0_u32; 3];
    for case in 0..5000_u64 {
        let mut rng = ChaCha8Rng::seed_from_u64(case);
        let blocks = if case % 2 == 0 { 48 } else { rng.random_range(6..16) };
        let mut run = Run::open(NorSim::<4, 1024>::new(blocks, case));
        let mut flips: Vec<(u64, usize)> = Vec::new();
        let mut unacknowledged = Vec::new();
        let cuts = rng.random_range(1..=4);
        let mut n = 0;
        for _ in 0..cuts {
            run.log().flash().cut_after(rng.random_range(0..300));
            while n < RECORDS {
                n += 1;
                if !run.append(n - 1) {
                    unacknowledged.push(n - 1);
                    break;
                }
            }
            let mut flash = run.stop();
            for _ in 0..rng.random_range(0..=3) {
                let bit = rng.random_range(0..blocks * 1024 * 8);
                flash.flip(bit);
                flips.push((flash.operations(), bit / 8));
            }
            run.boot(flash);
        }
        while n < RECORDS {
            n += 1;
            assert!(run.append(n - 1));
        }
        let flash = run.stop();
        let what = format!("case {case}");
        assert_eq!(flash.uses().breaches, 0, "{what}");
        let salvage = salvage(flash.bytes(), None);
        let found: BTreeSet<u32> = salvage
            .records
            .iter()
            .map(|kept| which(&kept.record).unwrap_or_else(|| panic!("{what}: made up {kept:?}")))
            .collect();
        let known: BTreeSet<u32> =
            run.acknowledged.iter().map(|a| a.n).chain(unacknowledged.iter().copied()).collect();
        assert!(found.is_subset(&known), "{what}: a record that nobody wrote");

        let erased_after = |place: usize, operation: u64| {
            flash
                .erased()
                .iter()
                .find(|(op, block)| *op > operation && *block == place / 1024)
                .map(|(op, _)| *op)
        };
        let mut kept_from = [u32::MAX; 3];
        let mut dropped = Vec::new();
        for a in &run.acknowledged {
            if let Some(op) = erased_after(a.place.start, a.operation) {
                dropped.push((a, op));
                continue;
            }
            kept_from[a.class as usize] = kept_from[a.class as usize].min(a.n);
            if found.contains(&a.n) {
                continue;
            }
            // Lost: then a flipped bit must have hit it, or both copies of its header.
            let segment = a.place.start / 1024 * 1024;
            let hit = |range: std::ops::Range<usize>| {
                flips.iter().any(|(op, at)| *op >= a.operation && range.contains(at))
            };
            let header =
                flips.iter().filter(|(_, at)| (segment..segment + 32).contains(at)).count();
            assert!(hit(a.place.clone()) || header >= 2, "{what}: record {} is lost", a.n);
            lost += 1;
        }
        acknowledged += run.acknowledged.len();
        all_cuts += unacknowledged.len();
        all_flips += flips.len();
        // The rule: within a class the oldest go first, and no class before the one below it.
        for (a, op) in &dropped {
            dropped_by_class[a.class as usize] += 1;
            assert!(
                flips.len() >= 2 || a.n < kept_from[a.class as usize],
                "{what}: record {} was dropped though older ones of its class are kept",
                a.n
            );
            let lower_kept = run.acknowledged.iter().find(|b| {
                b.class < a.class
                    && b.operation < *op
                    && erased_after(b.place.start, b.operation).is_none_or(|o| o > *op)
            });
            assert!(
                lower_kept.is_none() || !flips.is_empty(),
                "{what}: record {} was dropped before {lower_kept:?}",
                a.n
            );
        }
    }
    println!(
        "5000 runs, {all_cuts} cuts, {all_flips} flipped bits, {acknowledged} records acknowledged: \
         {lost} hit by a bit, {} dropped by the rule, none else lost",
        dropped_by_class.iter().sum::<u32>()
    );
    // The cases met what they are for.
    assert!(lost > 200, "{lost} records were hit");
    assert!(dropped_by_class[0] > 1000 && dropped_by_class[1] > 1000, "{dropped_by_class:?}");
}

/// Blocks that cannot be erased any more: the log goes round them.
#[test]
fn worn_blocks_lose_nothing() {
    for seed in 0..60 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut flash = NorSim::<4, 1024>::new(64, seed);
        // From the start, and from the middle on.
        (0..12).for_each(|_| flash.wear(rng.random_range(0..64)));
        let mut run = Run::open(flash);
        for n in 0..RECORDS {
            if n == RECORDS / 2 {
                let flash = run.log().flash();
                (0..8).for_each(|_| flash.wear(rng.random_range(0..64)));
            }
            assert!(run.append(n));
        }
        let what = format!("seed {seed}");
        assert_eq!(run.refused, 0, "{what}");
        let flash = run.stop();
        assert_eq!(flash.uses().breaches, 0, "{what}");
        check_all(&run, &salvage(flash.bytes(), None), &[], &what);
    }
}

/// Words of 8 and 32 bytes, as flash within a microcontroller has them.
#[test]
fn wide_words_keep_the_promise_too() {
    fn cut_at<const WORD: usize, const BLOCK: usize>(cut: u64) {
        let mut run = Run::<WORD, BLOCK>::open(NorSim::new(24, cut));
        run.log().flash().cut_after(cut);
        let failed = (0..RECORDS).find(|n| !run.append(*n)).expect("the power goes");
        let flash = run.stop();
        run.boot(flash);
        assert!((failed + 1..RECORDS).all(|n| run.append(n)));
        let flash = run.stop();
        let what = format!("word {WORD}, block {BLOCK}, cut in operation {cut}");
        assert_eq!((flash.uses().breaches, run.refused), (0, 0), "{what}");
        check_all(&run, &salvage(flash.bytes(), None), &[failed], &what);
    }
    for cut in (0..500).step_by(3) {
        cut_at::<8, 2048>(cut);
        cut_at::<32, 4096>(cut);
        cut_at::<1, 4096>(cut);
    }
}
