//! The satellite summary: what goes in comes out, damage is noticed at the rate
//! that the check sum promises, and five messages of twelve tell the whole course.

use firmware_core::message::{
    CHOSEN_HOURS, Course, Facts, Level, MESSAGE_BYTES, Message, MessageError, PAGES, POINTS, Point,
    Recovery, SHARE_BYTES, Summary, WANTED, checks, rebuild, share,
};
use firmware_core::types::{
    Cause, Event, Fate, FateReport, Minute, RecoveryReport, ReleaseDecision, State, cause_of,
    fate_of,
};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const BITS: usize = MESSAGE_BYTES * 8;

/// Mostly anything, often an end of the range.
fn ends(range: std::ops::RangeInclusive<u32>) -> impl Strategy<Value = u32> {
    let (low, high) = (*range.start(), *range.end());
    prop_oneof![1 => Just(low), 1 => Just(high), 3 => range]
}

fn minute() -> impl Strategy<Value = Option<u32>> {
    proptest::option::of(ends(0..=262_142))
}

fn message() -> impl Strategy<Value = Message> {
    let recovery = (ends(0..=2), ends(0..=4094), ends(0..=63)).prop_map(|(status, t, se)| {
        let (t_h, se_h) = (t as f32 / 10.0, se as f32 / 10.0);
        match status {
            0 => Recovery::Unknown,
            1 => Recovery::Estimated { t_h, se_h },
            _ => Recovery::Decided { t_h, se_h },
        }
    });
    let cause = proptest::option::of(ends(0..=6)).prop_map(|c| c.and_then(|c| cause_of(c as u8)));
    let cell = proptest::option::of(ends(0..=30)).prop_map(|c| c.map(|c| c as f32 / 30.0));
    let chosen = proptest::collection::vec(ends(0..=63), 6)
        .prop_map(|v| [0, 1, 2, 3, 4, 5].map(|i| Level::from_code(v[i] as u8)));
    let facts = (
        ends(0..=255),
        (0_u8..=4).prop_map(|c| fate_of(c).expect("a fate")),
        minute(),
        ends(0..=262_142),
        recovery,
        cause,
        minute(),
        cell,
        ends(0..=255),
        chosen,
    )
        .prop_map(
            |(
                deployment,
                fate,
                fate_min,
                now_min,
                recovery,
                cause,
                release_min,
                cell_left,
                checks,
                chosen,
            )| {
                Facts {
                    deployment: deployment as u8,
                    fate,
                    fate_min,
                    now_min,
                    recovery,
                    cause,
                    release_min,
                    cell_left,
                    checks: checks as u8,
                    chosen,
                }
            },
        );
    (ends(0..=11), facts, ends(0..=7), ends(0..=15), proptest::array::uniform10(any::<u8>()))
        .prop_map(|(page, facts, step, revision, share)| Message {
            page: page as u8,
            facts,
            step: step as u8,
            revision: revision as u8,
            share,
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20_000))]

    #[test]
    fn every_message_comes_back_as_it_was(message in message()) {
        let bytes = message.encode();
        prop_assert_eq!(Message::decode(&bytes), Ok(message));
    }

    /// The 29 bytes are the message, the last two their CRC by the catalogue's algorithm.
    #[test]
    fn the_last_two_bytes_are_the_check_sum(message in message()) {
        let bytes = message.encode();
        let crc = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
        prop_assert_eq!(crc.checksum(&bytes[..29]).to_be_bytes().to_vec(), bytes[29..].to_vec());
    }

    /// Whatever the bits, decoding says something or refuses, and what it says is those bits.
    #[test]
    fn whatever_decodes_encodes_to_the_same_bytes(bytes in proptest::array::uniform29(any::<u8>())) {
        let mut whole = [0; MESSAGE_BYTES];
        whole[..29].copy_from_slice(&bytes);
        whole[0] = whole[0] & 0x1F | 0x20;
        let crc = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740).checksum(&bytes_of(&whole));
        whole[29..].copy_from_slice(&crc.to_be_bytes());
        if let Ok(message) = Message::decode(&whole) {
            prop_assert_eq!(message.encode(), whole);
        }
    }

    /// Values between the steps: each within the error that the documentation states.
    #[test]
    fn quantisation_is_within_what_is_stated(
        t_h in 0.0_f32..409.4, se_h in 0.0_f32..6.3, cell in 0.0_f32..=1.0, rate in 3.0_f32..300.0,
    ) {
        let mut m = sample();
        m.facts.recovery = Recovery::Decided { t_h, se_h };
        m.facts.cell_left = Some(cell);
        m.facts.chosen[0] = Level::of(Some(rate));
        let back = Message::decode(&m.encode()).expect("sound").facts;
        let Recovery::Decided { t_h: t, se_h: se } = back.recovery else { panic!("{back:?}") };
        prop_assert!((t - t_h).abs() <= 0.0501 && (se - se_h).abs() <= 0.0501);
        prop_assert!((back.cell_left.expect("known") - cell).abs() <= 1.0 / 60.0 + 1e-6);
        let got = back.chosen[0].beats_per_min().expect("known");
        prop_assert!((got / rate).ln().abs() <= 1.0385_f32.ln(), "{rate} -> {got}");
    }
}

fn bytes_of(whole: &[u8; MESSAGE_BYTES]) -> [u8; 29] {
    *whole.first_chunk().expect("long enough")
}

fn sample() -> Message {
    Message {
        page: 3,
        facts: Facts {
            deployment: 7,
            fate: Fate::Dead,
            fate_min: Some(1234),
            now_min: 2000,
            recovery: Recovery::Estimated { t_h: 10.5, se_h: 1.0 },
            cause: Some(Cause::Death),
            release_min: Some(1300),
            cell_left: Some(0.5),
            checks: checks::GAP | checks::RELEASE_VERIFIED,
            chosen: [10, 20, 30, 40, 50, 60].map(Level::from_code),
        },
        step: 0,
        revision: 15,
        share: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10],
    }
}

/// The worked example of `docs/message.md`, put together there bit by bit by hand.
#[test]
fn the_example_of_the_documentation() {
    let mut bits = String::new();
    let mut put = |value: u32, width: usize| bits.push_str(&format!("{value:0width$b}"));
    for (value, width) in [
        (1, 3),
        (3, 4),
        (7, 8),
        (2, 3),
        (1234, 18),
        (2000, 18),
        (1, 2),
        (105, 12),
        (10, 6),
        (2, 4),
        (1300, 18),
        (15, 5),
        (0b1000_0100, 8),
        (10, 6),
        (20, 6),
        (30, 6),
        (40, 6),
        (50, 6),
        (60, 6),
        (0, 3),
        (15, 4),
    ] {
        put(value, width);
    }
    (1..=10).for_each(|byte| put(byte, 8));
    assert_eq!(bits.len(), 232);
    let mut bytes: Vec<u8> =
        (0..29).map(|n| u8::from_str_radix(&bits[n * 8..n * 8 + 8], 2).expect("bits")).collect();
    // CRC-16/IBM-3740 by its definition: 0x1021, from all ones, not reflected.
    let mut crc = 0xFFFF_u16;
    for byte in &bytes {
        crc ^= u16::from(*byte) << 8;
        for _ in 0..8 {
            crc = if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 };
        }
    }
    bytes.extend(crc.to_be_bytes());
    assert_eq!(sample().encode().as_slice(), bytes);
    let hex: String = bytes.iter().map(|b| format!("{b:02x}")).collect();
    let doc = include_str!("../../docs/message.md");
    assert!(doc.contains(&hex), "docs/message.md should show {hex}");
}

/// Must show 3: all errors of one and of two bits, one by one; those of three
/// bits by their syndromes (the check is linear).
#[test]
fn every_error_of_up_to_three_bits_is_noticed() {
    let bytes = sample().encode();
    let flip = |bytes: &mut [u8; MESSAGE_BYTES], bit: usize| bytes[bit / 8] ^= 0x80 >> (bit % 8);
    for a in 0..BITS {
        let mut one = bytes;
        flip(&mut one, a);
        assert_eq!(Message::decode(&one), Err(MessageError::Damaged), "bit {a}");
        for b in a + 1..BITS {
            let mut two = one;
            flip(&mut two, b);
            assert_eq!(Message::decode(&two), Err(MessageError::Damaged), "bits {a}, {b}");
        }
    }
    let crc = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    let zero = crc.checksum(&[0; 29]);
    let syndromes: Vec<u16> = (0..BITS)
        .map(|bit| {
            let mut error = [0; MESSAGE_BYTES];
            flip(&mut error, bit);
            crc.checksum(&error[..29]) ^ zero ^ u16::from_be_bytes([error[29], error[30]])
        })
        .collect();
    for a in 0..BITS {
        for b in a + 1..BITS {
            for c in b + 1..BITS {
                assert_ne!(syndromes[a] ^ syndromes[b] ^ syndromes[c], 0, "bits {a}, {b}, {c}");
            }
        }
    }
}

/// Must show 3: a million random bursts. Up to 16 bits long all are noticed; of
/// longer ones 1 in 65536 is not (1 in 32768 of those of 17 bits).
#[test]
fn random_bursts_are_noticed_at_the_promised_rate() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let bytes = sample().encode();
    let (mut short, mut long, mut missed) = (0, 0_u32, 0_u32);
    for _ in 0..1_000_000 {
        let length = rng.random_range(2..=BITS);
        let start = rng.random_range(0..=BITS - length);
        let mut hurt = bytes;
        for bit in start..start + length {
            // Both ends are wrong by the definition of a burst; between them anything.
            let wrong = bit == start || bit == start + length - 1 || rng.random::<bool>();
            hurt[bit / 8] ^= u8::from(wrong) * (0x80 >> (bit % 8));
        }
        let noticed = Message::decode(&hurt) == Err(MessageError::Damaged);
        if length <= 16 {
            short += 1;
            assert!(noticed, "a burst of {length} bits at {start}");
        } else {
            long += 1;
            missed += u32::from(!noticed);
        }
    }
    // Long bursts: missed with probability 2^-16, Poisson; five standard deviations.
    let mean = f64::from(long) / 65_536.0;
    println!(
        "{short} short bursts, all noticed; {missed} of {long} long ones missed, {mean:.1} expected"
    );
    assert!((f64::from(missed) - mean).abs() < 5.0 * mean.sqrt(), "{missed}, expected {mean}");
}

/// All ways to receive five of twelve.
fn fives() -> Vec<Vec<u8>> {
    (0_u16..1 << PAGES)
        .filter(|set| set.count_ones() as usize == WANTED)
        .map(|set| (0..PAGES as u8).filter(|page| set >> page & 1 == 1).collect())
        .collect()
}

#[test]
fn any_five_shares_give_the_whole_course() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let points: [u8; POINTS] = std::array::from_fn(|_| rng.random());
    let shares: Vec<(u8, [u8; SHARE_BYTES])> =
        (0..PAGES as u8).map(|page| (page, share(&points, page))).collect();
    let ways = fives();
    assert_eq!(ways.len(), 792);
    for way in ways {
        let got: Vec<_> = way.iter().map(|page| shares[usize::from(*page)]).collect();
        assert_eq!(rebuild(&got), points.map(Some), "pages {way:?}");
        // A repeated message helps no further, and four give the plain pages only.
        let mut four = got[..4].to_vec();
        four.push(got[0]);
        let some = rebuild(&four);
        for (n, point) in some.iter().enumerate() {
            let plain = way[..4].contains(&((n % WANTED) as u8));
            assert_eq!(*point, plain.then_some(points[n]), "pages {way:?}, point {n}");
        }
    }
}

/// A made-up deployment of so many hours, and its true hourly rates.
fn deployment(hours: u32, seed: u64) -> (Summary, Vec<(f64, u32, u32)>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut summary = Summary::new(41);
    let mut truth = Vec::new();
    for hour in 0..hours {
        let base = 20.0 + 60.0 * (-f64::from(hour) / 9.0).exp();
        let (mut sum, mut swum, mut rested) = (0.0, 0, 0);
        for n in 0..60 {
            let rests = rng.random_range(0..10) < 2 + hour % 6;
            let rate = base * rng.random_range(0.9..1.1);
            if rests {
                rested += 1;
            } else {
                sum += rate;
                swum += 1;
            }
            let minute = Minute {
                t_us: u64::from(hour * 60 + n) * 60_000_000,
                beats_per_min: Some(if rests { 0.0 } else { rate as f32 }),
                sway_g: 0.05,
                odba_g: 0.1,
                vedba_g: 0.1,
                pitch_deg: 0.0,
                roll_deg: 0.0,
                depth_m: None,
                state: if rests { State::Resting } else { State::Swimming },
            };
            summary.take(&Event::Minute(minute), Fate::Alive);
        }
        truth.push((sum, swum, rested));
    }
    let end_us = u64::from(hours) * 3_600_000_000;
    let recovery = Event::Recovery(RecoveryReport {
        t_s: 36_000.0,
        se_s: 2_000.0,
        prob: 0.97,
        decided_us: Some(end_us - 9),
    });
    summary.take(&recovery, Fate::Alive);
    let fate = Event::Fate(FateReport {
        fate: Fate::Dead,
        event_us: end_us - 5_400_000_000,
        decided_us: end_us - 1,
        evidence: 12.0,
    });
    summary.take(&fate, Fate::Dead);
    let release = Event::Release(ReleaseDecision {
        t_us: end_us,
        cause: Cause::Death,
        since_us: end_us - 1,
        value: 12.0,
        bound: 9.2,
    });
    summary.take(&release, Fate::Dead);
    summary.cell(0.61);
    (summary, truth)
}

/// Must show 3: each single message tells fate and times; any five random of
/// twelve tell the beat rate of every point within 3.9 % and the rest to a quarter.
#[test]
fn five_random_messages_of_twelve_tell_the_deployment() {
    for (hours, seed, step) in [(30, 1, 1_u32), (50, 2, 1), (51, 3, 2), (390, 4, 8)] {
        let (mut summary, truth) = deployment(hours, seed);
        let now_us = (u64::from(hours) * 60 + 90) * 60_000_000;
        let sent: Vec<[u8; MESSAGE_BYTES]> = (0..PAGES).map(|_| summary.next(now_us)).collect();
        let messages: Vec<Message> =
            sent.iter().map(|bytes| Message::decode(bytes).expect("sound")).collect();
        let mut pages: Vec<u8> = messages.iter().map(|m| m.page).collect();
        assert!(pages.windows(5).all(|w| (1..5).all(|i| !w[..i].contains(&w[i]))), "{pages:?}");
        pages.sort();
        assert_eq!(pages, (0..12).collect::<Vec<u8>>(), "a round holds every page");
        for m in &messages {
            let f = &m.facts;
            assert_eq!((f.deployment, f.fate, f.cause), (41, Fate::Dead, Some(Cause::Death)));
            assert_eq!(f.fate_min, Some(hours * 60 - 90));
            assert_eq!(f.release_min, Some(hours * 60));
            assert_eq!(f.now_min, hours * 60 + 90);
            assert_eq!(f.recovery, Recovery::Decided { t_h: 10.0, se_h: 0.6 });
            assert!((f.cell_left.expect("known") - 0.61).abs() < 1.0 / 60.0);
            for (level, hour) in f.chosen.iter().zip(CHOSEN_HOURS) {
                let (sum, swum, _) = truth[usize::from(hour) - 1];
                within(level.beats_per_min(), sum / f64::from(swum));
            }
            let (sum, swum, _) = truth[truth.len() - 1];
            within(f.chosen[5].beats_per_min(), sum / f64::from(swum));
            assert_eq!(1 << m.step, step);
        }
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        for _ in 0..200 {
            let mut order: Vec<usize> = (0..PAGES).collect();
            for n in 0..WANTED {
                order.swap(n, rng.random_range(n..PAGES));
            }
            let got: Vec<_> =
                order[..WANTED].iter().map(|n| (messages[*n].page, messages[*n].share)).collect();
            let course = rebuild(&got);
            for (n, point) in course.iter().enumerate() {
                let point = Point::from_code(point.expect("all points"));
                let part: Vec<_> =
                    truth.iter().skip(n * step as usize).take(step as usize).collect();
                if part.is_empty() {
                    assert_eq!(point.level, Level::UNKNOWN);
                    continue;
                }
                let sum: f64 = part.iter().map(|(sum, ..)| sum).sum();
                let swum: u32 = part.iter().map(|(_, swum, _)| swum).sum();
                let rested: u32 = part.iter().map(|(.., rested)| rested).sum();
                within(point.level.beats_per_min(), sum / f64::from(swum));
                assert_eq!(u32::from(point.rest), (rested * 4 / (swum + rested)).min(3));
            }
        }
    }
}

/// Within half a step, and the hundredth that the tag's own sums may be off.
fn within(got: Option<f32>, truth: f64) {
    let got = f64::from(got.expect("known"));
    assert!((got / truth).ln().abs() < 1.0385_f64.ln() + 0.01, "{got} for {truth}");
}

/// A course shows another revision whenever it shows other points, and never comes
/// to the final one by counting.
#[test]
fn shares_of_different_courses_are_told_apart() {
    let mut course = Course::default();
    let mut last = (course.revision(), course.step(), course.codes());
    let mut changes = 0;
    for n in 0..130 * 60 {
        course.add(&swaymark_tests::course::minute(n));
        let now = (course.revision(), course.step(), course.codes());
        assert!(now.0 < 15);
        if now.2 != last.2 {
            changes += 1;
            assert_ne!((now.0, now.1), (last.0, last.1), "minute {n}");
        }
        last = now;
    }
    // Hourly to 49 h; at 50 h every 2 h, to 98 h; at 100 h every 4 h, to 128 h.
    assert_eq!(changes, 49 + 1 + 24 + 1 + 7);
    course.close();
    assert_eq!(course.revision(), 15);
    let before = course.codes();
    course.add(&swaymark_tests::course::minute(130 * 60 + 1));
    assert_eq!(course.codes(), before);
}

/// Rates at and beyond the ends of the scale.
#[test]
fn levels_at_the_ends() {
    assert_eq!(Level::of(None).code(), 0);
    for (rate, code) in [(0.0, 1), (2.99, 1), (3.0, 2), (300.0, 63), (1e9, 63), (f32::NAN, 1)] {
        assert_eq!(Level::of(Some(rate)).code(), code, "{rate}");
    }
    for code in 2..64 {
        let rate = Level::from_code(code).beats_per_min().expect("known");
        assert_eq!(Level::of(Some(rate)).code(), code);
    }
}
