//! State goes to bytes and back exactly, and only whole copies count.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

mod common;

use common::{Ram, config, feed, swim};
use firmware_core::kept::{Cursor, Kept, Memory, crc32};
use firmware_core::shell::clock::{Clocks, ReleaseClock};
use firmware_core::shell::launch::Launch;
use firmware_core::store::slots::{Region, SlotError, Slots, measure};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Sample};
use proptest::prelude::*;

fn to_bytes(state: &mut dyn Kept) -> Vec<u8> {
    let mut bytes = vec![0; 8192];
    let mut memory = Memory::new(&mut bytes);
    let mut cursor = Cursor::save(&mut memory);
    state.visit(&mut cursor);
    let (len, crc) = cursor.finish().expect("8 KiB are enough");
    bytes.truncate(len as usize);
    assert_eq!(crc, crc32(&bytes));
    bytes
}

fn from_bytes(bytes: &[u8], state: &mut dyn Kept) -> bool {
    let mut copy = bytes.to_vec();
    let len = copy.len() as u32;
    let mut memory = Memory::new(&mut copy);
    let mut cursor = Cursor::load(&mut memory, len);
    state.visit(&mut cursor);
    cursor.finish().is_some()
}

/// Feeds a tag whose state may be nonsense: of one sample and after the last it tells little.
fn comes_to_an_end(tag: &mut Tag, samples: &[Sample]) {
    for s in samples {
        let told = feed(tag, s).len();
        assert!(told <= 300, "{told} events of one sample");
    }
    let mut told = 0;
    tag.flush(&mut |_: &Event, _: &Moment| told += 1);
    assert!(told <= 1000, "{told} events after the last sample");
}

#[test]
fn the_crc_is_the_catalogued_one() {
    // CRC-32/ISO-HDLC of "123456789": the CRC catalogue (memory).
    assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
}

#[test]
fn a_tag_restored_at_any_moment_goes_on_with_the_same_bits() {
    for (n, hz) in [5.0, 10.0, 25.0, 50.0].into_iter().enumerate() {
        let samples = swim(hz, 1500.0, n as u32 + 1);
        let c = config(hz as f32);
        let mut tag = Tag::new(c);
        let mut restored: Vec<Tag> = Vec::new();
        for (i, s) in samples.iter().enumerate() {
            // Moments spread without a pattern, more of them early on.
            if (i * 40_503 + 7) % 601 == 3 {
                let bytes = to_bytes(&mut tag);
                let before = format!("{tag:?}");
                let mut other = Tag::new(c);
                assert!(from_bytes(&bytes, &mut other), "at sample {i}");
                assert_eq!(before, format!("{other:?}"), "at sample {i}, {hz} Hz");
                if restored.len() < 12 {
                    restored.push(other);
                }
            }
            let told = format!("{:?}", feed(&mut tag, s));
            for other in &mut restored {
                assert_eq!(told, format!("{:?}", feed(other, s)), "at sample {i}");
            }
        }
        assert!(restored.len() >= 8);
        for other in &restored {
            assert_eq!(format!("{tag:?}"), format!("{other:?}"));
        }
    }
}

#[test]
fn a_copy_fits_four_kibibytes() {
    // Long enough for a recovery fit, which is kept in its midst too.
    let mut tag = Tag::new(config(5.0));
    let (mut longest, mut shortest) = (0, u32::MAX);
    for (n, s) in swim(5.0, 5.0 * 3600.0, 5).iter().enumerate() {
        feed(&mut tag, s);
        if n % 53 == 0 {
            let (len, _) = measure(&mut tag).unwrap();
            longest = longest.max(len);
            shortest = shortest.min(len);
        }
    }
    // The head, the CRC, 256 bytes at most of vitals, and the launch go with it.
    let (launch, _) = measure(&mut Launch::new(Some([0.0; 3]))).unwrap();
    println!("{shortest} to {longest} bytes, launch {launch}");
    assert!(longest > shortest + 80, "no fit was under way");
    assert!(longest + 16 + 4 + 256 + launch + 60 <= 4096, "{longest} bytes");
}

const REGION: Region = Region { from: 4096, slot_bytes: 4096, count: 3, mark: 0x51A7 };

#[test]
fn the_newest_whole_copy_counts_wherever_power_is_cut() {
    let samples = swim(10.0, 400.0, 3);
    let c = config(10.0);
    // Two copies kept, then power cut at every operation of the third.
    for cut in 0..200 {
        let mut flash = Ram::new(5 * 4096);
        let mut slots = Slots::open(&mut flash, REGION).unwrap();
        let mut tag = Tag::new(c);
        let mut texts = Vec::new();
        for (i, s) in samples.iter().enumerate() {
            feed(&mut tag, s);
            if i % 1000 == 999 {
                let operations = flash.operations;
                if i == 2999 {
                    flash.cut_after = Some(operations + cut);
                }
                let kept = slots.save(&mut flash, 1, &mut tag);
                texts.push((format!("{tag:?}"), kept));
            }
        }
        let finished = flash.cut_after.is_some_and(|c| flash.operations < c);
        flash.cut_after = None;
        let slots = Slots::open(&mut flash, REGION).unwrap();
        let mut back = Tag::new(c);
        assert!(slots.load(&mut flash, 1, &mut back), "cut at {cut}");
        let back = format!("{back:?}");
        assert!(back == texts[2].0 || back == texts[1].0, "cut at {cut}");
        if texts[2].1.is_ok() {
            assert_eq!(back, texts[2].0, "acknowledged, then lost: cut at {cut}");
        }
        if finished {
            return;
        }
    }
    panic!("the copy was never finished");
}

#[test]
fn a_damaged_copy_gives_way_to_the_one_before() {
    let c = config(25.0);
    let mut flash = Ram::new(5 * 4096);
    let mut slots = Slots::open(&mut flash, REGION).unwrap();
    let mut clock = ReleaseClock::start(&Clocks::default());
    for t in 1..=2 {
        clock.tick(&Clocks { timer_us: t, backup_us: [None; 2] }, 0);
        slots.save(&mut flash, 1, &mut clock).unwrap();
    }
    for bit in 0..30 * 8 {
        let mut hurt = flash.clone();
        hurt.bytes[2 * 4096 + bit / 8] ^= 1 << (bit % 8);
        let slots = Slots::open(&mut hurt, REGION).unwrap();
        let mut back = ReleaseClock::start(&Clocks::default());
        assert!(slots.load(&mut hurt, 1, &mut back));
        assert_eq!(back.most_us(), 1, "bit {bit}");
    }
    // Another fingerprint: another configuration, or another program.
    let mut tag = Tag::new(c);
    assert!(!slots.load(&mut flash, 2, &mut tag));
}

#[test]
fn a_worn_slot_is_passed_over() {
    let mut flash = Ram::new(5 * 4096);
    flash.worn.push(8192..12_288);
    let mut slots = Slots::open(&mut flash, REGION).unwrap();
    let mut clock = ReleaseClock::start(&Clocks::default());
    for t in 1..=20 {
        clock.tick(&Clocks { timer_us: t, backup_us: [None; 2] }, 0);
        slots.save(&mut flash, 1, &mut clock).unwrap();
        let slots = Slots::open(&mut flash, REGION).unwrap();
        let mut back = ReleaseClock::start(&Clocks::default());
        assert!(slots.load(&mut flash, 1, &mut back));
        assert_eq!(back.most_us(), t);
    }
    // All worn: said, and the last good copy stays.
    flash.worn.push(4096..16_384);
    assert_eq!(slots.save(&mut flash, 1, &mut clock), Err(SlotError::Worn));
    assert!(slots.load(&mut flash, 1, &mut clock));
}

#[test]
fn small_slots_share_what_is_erased_together() {
    let region = Region { from: 0, slot_bytes: 256, count: 32, mark: 7 };
    let mut flash = Ram::new(8192);
    let mut slots = Slots::open(&mut flash, region).unwrap();
    let mut clock = ReleaseClock::start(&Clocks::default());
    for t in 1..=200 {
        clock.tick(&Clocks { timer_us: t, backup_us: [None; 2] }, 0);
        slots.save(&mut flash, 1, &mut clock).unwrap();
    }
    assert!(flash.erased <= 14, "{} erased", flash.erased);
    let slots = Slots::open(&mut flash, region).unwrap();
    assert!(slots.load(&mut flash, 1, &mut clock));
    assert_eq!(clock.most_us(), 200);
}

/// A tag that is reset at every attempt to fire has one save between two resets: it must get
/// past a worn part, or its attempts are never counted.
#[test]
fn a_worn_part_is_passed_over_though_every_save_comes_after_a_reset() {
    let region = Region { from: 0, slot_bytes: 256, count: 48, mark: 7 };
    for part in 0..3 {
        let mut flash = Ram::new(3 * 4096);
        flash.worn.push(part * 4096..(part + 1) * 4096);
        let mut clock = ReleaseClock::start(&Clocks::default());
        for t in 1..=100 {
            let mut slots = Slots::open(&mut flash, region).unwrap();
            clock.tick(&Clocks { timer_us: t, backup_us: [None; 2] }, 0);
            assert_eq!(slots.save(&mut flash, 1, &mut clock), Ok(()), "part {part}, save {t}");
            let slots = Slots::open(&mut flash, region).unwrap();
            let mut back = ReleaseClock::start(&Clocks::default());
            assert!(slots.load(&mut flash, 1, &mut back));
            assert_eq!(back.most_us(), t, "part {part}");
        }
    }
}

#[test]
fn regions_that_cannot_be_safe_are_refused() {
    let mut flash = Ram::new(5 * 4096);
    for region in [
        Region { count: 1, ..REGION },
        Region { from: 100, ..REGION },
        Region { slot_bytes: 1000, ..REGION },
        Region { slot_bytes: 0, ..REGION },
        Region { count: 5, ..REGION },
        Region { slot_bytes: 256, count: 16, ..REGION },
        Region { slot_bytes: u32::MAX, ..REGION },
        Region { from: u32::MAX, ..REGION },
    ] {
        assert_eq!(Slots::open(&mut flash, region), Err(SlotError::Region), "{region:?}");
    }
}

/// Every byte of a copy in turn comes back as 0: what is taken all the same comes to its
/// end, and does not work on for ever.
#[test]
fn a_copy_that_lost_a_byte_comes_to_an_end() {
    let mut tag = Tag::new(config(25.0));
    let samples = swim(25.0, 70.0, 3);
    for s in &samples {
        feed(&mut tag, s);
    }
    let whole = to_bytes(&mut tag);
    let mut taken = 0;
    for at in 0..whole.len() {
        let mut bytes = whole.clone();
        bytes[at] = 0;
        let mut other = Tag::new(config(25.0));
        if from_bytes(&bytes, &mut other) {
            taken += 1;
            comes_to_an_end(&mut other, &samples[..300]);
        }
    }
    assert!(taken > whole.len() / 2, "{taken} of {}", whole.len());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Bytes with a right CRC and wrong content are either refused or give a tag
    /// that can be stepped on.
    #[test]
    fn no_bytes_make_a_tag_that_panics(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..200),
        seed in 0_u32..50,
    ) {
        let mut tag = Tag::new(config(25.0));
        let samples = swim(25.0, 130.0, seed);
        for s in &samples {
            feed(&mut tag, s);
        }
        let mut bytes = to_bytes(&mut tag);
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        let mut other = Tag::new(config(25.0));
        if from_bytes(&bytes, &mut other) {
            comes_to_an_end(&mut other, &samples);
        }
    }
}
