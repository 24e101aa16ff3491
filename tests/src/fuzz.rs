//! What is fuzzed: each entry takes any bytes and must neither panic nor break a
//! promise. `tests/fuzz` hands them to libFuzzer; `tests/fuzz_corpus.rs` runs them
//! over the corpus and over changes of it in every test run.

use std::io::Cursor;

use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Param, Place, Release};
use firmware_core::kept::{Cursor as Walk, Kept, Memory};
use firmware_core::message::Message;
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::keeper::{self, Keeper, Layout, Reset, Resumed, Settings};
use firmware_core::store::journal::{Journal, Regained};
use firmware_core::store::log::Log;
use firmware_core::store::record::{Record, ResetEvent, StartEvent};
use firmware_core::store::slots;
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Fate, FateReport, FaultCounters, FaultKind, Moment, Sample};
use host_sim::deployment::Deployment;
use host_sim::faults::flash::Flash;
use host_sim::faults::plan::Plan;
use host_sim::flash::NorSim;
use host_sim::replay::{Keep, prepare_source};
use host_sim::unpack::{ImageReport, MessageReport, salvage};

use crate::course;

/// An entry.
pub type Entry = fn(&[u8]);

/// All entries by name.
pub const ENTRIES: [(&str, Entry); 8] = [
    ("trace", trace),
    ("deployment", deployment),
    ("plan", plan),
    ("image", image),
    ("message", message),
    ("tag", tag),
    ("copies", copies),
    ("journal", journal),
];

/// Any bytes as a trace, after one byte that chooses the deployment.
pub fn trace(data: &[u8]) {
    let Some((choice, bytes)) = data.split_first() else { return };
    let mut deployment = Deployment::default();
    deployment.sample_hz = [None, Some(25.0), Some(5.0), Some(100.0)][usize::from(choice & 3)];
    deployment.counts_per_g = (choice & 4 != 0).then_some(1024.0);
    let keep = Keep { beats: true, minutes: true };
    let source = Box::new(Cursor::new(bytes.to_vec()));
    let Ok(prepared) = prepare_source("fuzz", source, &deployment, keep, Vec::new()) else {
        return;
    };
    if let Ok(report) = prepared.run() {
        let json = serde_json::to_string(&report).expect("a report is JSON");
        assert!(!json.contains("NaN"), "{json}");
        host_sim::replay::one(&report);
    }
}

/// Any bytes as a deployment file.
pub fn deployment(data: &[u8]) {
    match Deployment::parse("fuzz.toml", data) {
        Ok(deployment) => {
            let hz = deployment.sample_hz.unwrap_or(25.0);
            deployment.config(hz, deployment.start_unix_us).expect("was checked");
        }
        Err(problem) => {
            problem.render(false);
        }
    }
}

/// Any bytes as a plan of faults.
pub fn plan(data: &[u8]) {
    match Plan::parse("fuzz.toml", data) {
        Ok(plan) => {
            plan.draw().expect("was checked");
        }
        Err(problem) => {
            problem.render(false);
        }
    }
}

/// Any bytes as a flash image.
pub fn image(data: &[u8]) {
    let report = ImageReport::new("fuzz", data, None);
    serde_json::to_string(&report).expect("a report is JSON");
}

/// Any bytes as a satellite message, and as a list of them.
pub fn message(data: &[u8]) {
    if let Some(bytes) = data.first_chunk()
        && let Ok(message) = Message::decode(bytes)
    {
        assert_eq!(Message::decode(&message.encode()), Ok(message));
    }
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = MessageReport::new("fuzz", text);
    }
}

/// Takes numbers off bytes; zeros after their end.
struct Numbers<'a>(&'a [u8]);

impl Numbers<'_> {
    fn byte(&mut self) -> u8 {
        match self.0.split_first() {
            Some((first, rest)) => {
                self.0 = rest;
                *first
            }
            None => 0,
        }
    }

    fn bits(&mut self) -> u32 {
        u32::from_le_bytes([0; 4].map(|_| self.byte()))
    }

    fn part(&mut self) -> f32 {
        f32::from(self.byte()) / 255.0
    }

    fn any(&mut self) -> f32 {
        f32::from_bits(self.bits())
    }

    fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

fn settings(numbers: &mut Numbers<'_>, params: &[Param], mut set: impl FnMut(&str, f32)) {
    for param in params {
        if numbers.byte() & 1 == 1 {
            set(param.key, param.min + (param.max - param.min) * numbers.part());
        }
    }
}

fn config(numbers: &mut Numbers<'_>) -> Option<Config> {
    let mut detector = Detector::DEFAULT;
    let mut release = Release::DEFAULT;
    settings(numbers, Detector::PARAMS, |key, x| {
        detector.set(key, x).expect("within its range");
    });
    settings(numbers, Release::PARAMS, |key, x| {
        release.set(key, x).expect("within its range");
    });
    let choice = numbers.byte();
    let logger = Logger {
        sample_hz: 5.0 + 95.0 * numbers.part(),
        range_g: 1.0 + 31.0 * numbers.part(),
        counts_per_g: 1024.0,
        mount_deg: (choice & 1 == 1).then(|| [0.0; 3].map(|_| 360.0 * numbers.part())),
    };
    let place = Place {
        start_unix_s: (choice & 2 == 2).then(|| numbers.bits().into()),
        latitude_deg: 180.0 * numbers.part() - 90.0,
        longitude_deg: 360.0 * numbers.part() - 180.0,
    };
    let breathing = if choice & 4 == 4 { Breathing::Buccal } else { Breathing::Ram };
    Config::new(logger, place, Animal { breathing, length_m: None }, detector, release).ok()
}

/// The next sample; most follow the one before by a period.
fn sample(numbers: &mut Numbers<'_>, last: &Sample, period_us: u64) -> Sample {
    let kind = numbers.byte();
    let mut next = Sample::accel(last.t_us.wrapping_add(period_us), last.accel_g);
    match kind & 7 {
        0..=3 => next.accel_g = next.accel_g.map(|a| a + 0.2 * (numbers.part() - 0.5)),
        4 => next.accel_g = [0.0; 3].map(|_| numbers.any()),
        5 => next.t_us = next.t_us.wrapping_add(u64::from(numbers.bits()) << (numbers.byte() & 31)),
        6 => next.t_us = next.t_us.wrapping_sub(u64::from(numbers.bits())),
        _ => {}
    }
    next.depth_m = (kind & 8 == 8).then(|| numbers.any());
    next.cell_left = (kind & 16 == 16).then(|| numbers.any());
    next.memory_used = (kind & 32 == 32).then(|| numbers.any());
    next
}

fn to_bytes(state: &mut dyn Kept) -> Vec<u8> {
    let mut bytes = vec![0; 8192];
    let mut memory = Memory::new(&mut bytes);
    let mut walk = Walk::save(&mut memory);
    state.visit(&mut walk);
    let (len, _) = walk.finish().expect("8 KiB are enough");
    bytes.truncate(len as usize);
    bytes
}

fn from_bytes(mut bytes: Vec<u8>, state: &mut dyn Kept) -> bool {
    let len = bytes.len() as u32;
    let mut memory = Memory::new(&mut bytes);
    let mut walk = Walk::load(&mut memory, len);
    state.visit(&mut walk);
    walk.finish().is_some()
}

/// What the tag reports when it takes a sample.
fn heard(tag: &mut Tag, sample: &Sample) -> Vec<Event> {
    let mut events = Vec::new();
    tag.feed(&sample.as_run(), &mut |event: &Event, _: &Moment| events.push(*event));
    events
}

/// Events that a tag reports at most after its last sample.
const MOST_AT_LAST: u32 = 10_000;

/// Ends the tag's run.
fn flush(tag: &mut Tag) {
    let mut count = 0;
    tag.flush(&mut |_: &Event, _: &Moment| {
        count += 1;
        assert!(count < MOST_AT_LAST, "the tag does not finish");
    });
}

/// The tag under any configuration and samples; what it says is the same after its
/// state went to bytes and back in the midst of it.
pub fn tag(data: &[u8]) {
    let mut numbers = Numbers(data);
    let Some(config) = config(&mut numbers) else { return };
    let period_us = u64::from(config.sample_us());
    let mut tag = Tag::new(config);
    let mut last = Sample::accel(0, [0.0, 0.0, 1.0]);
    let mut other: Option<Tag> = None;
    while !numbers.is_empty() {
        if numbers.byte() < 4 {
            let mut copy = Tag::new(config);
            assert!(from_bytes(to_bytes(&mut tag), &mut copy));
            assert_eq!(format!("{tag:?}"), format!("{copy:?}"));
            other = Some(copy);
        }
        // Often the same sample many times: time passes, and minutes close.
        let again = if numbers.byte() < 16 { 400 } else { 1 };
        let next = sample(&mut numbers, &last, period_us);
        for n in 0..again {
            let mut next = next;
            next.t_us = next.t_us.wrapping_add(n * period_us);
            next.accel_g[0] += 1e-3 * (n % 7) as f32;
            let events = heard(&mut tag, &next);
            if let Some(other) = &mut other {
                assert_eq!(format!("{events:?}"), format!("{:?}", heard(other, &next)));
            }
            last = next;
        }
    }
    flush(&mut tag);
}

/// Where [`copies`] has them.
const COPIES: Layout = Layout {
    copies: slots::Region { from: 0, slot_bytes: 4096, count: 2, mark: 1 },
    vitals: slots::Region { from: 8192, slot_bytes: 256, count: 32, mark: 2 },
};

fn copies_plan() -> keeper::Plan {
    // The corpus stays as it is whatever changes in the text of the core.
    keeper::Plan { program: 0, ..keeper::Plan::new(copies_config(), Settings::DEFAULT, 1) }
}

fn copies_config() -> Config {
    let logger = Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 1024.0, mount_deg: None };
    let place = Place { start_unix_s: Some(0), latitude_deg: 0.0, longitude_deg: 0.0 };
    let animal = Animal { breathing: Breathing::Ram, length_m: None };
    Config::new(logger, place, animal, Detector::DEFAULT, Release::DEFAULT).expect("sound")
}

fn copies_resume(data: &[u8]) -> Resumed {
    let mut flash = Flash::new(4);
    let mut whole = data.to_vec();
    whole.resize(whole.len().min(16_384).next_multiple_of(4), 0xFF);
    flash.write(0, &whole).expect("it fits");
    let clocks = Clocks { timer_us: 0, backup_us: [Some(5), None] };
    let plan = copies_plan();
    let mut keeper = Keeper::new(&plan);
    let resumed = keeper.go_on(&mut flash, &COPIES, &clocks, Reset::Power);
    resumed.expect("it fits")
}

/// An input of [`copies`]: the flash as a tag leaves it that has just begun.
///
/// # Panics
/// Where a resumed tag would not go on from it.
pub fn copies_input() -> Vec<u8> {
    let mut flash = Flash::new(4);
    let clocks = Clocks { timer_us: 0, backup_us: [Some(5), None] };
    Keeper::new(&copies_plan()).begin(&mut flash, &COPIES, &clocks).expect("it fits");
    let mut bytes = vec![0; flash.capacity()];
    flash.read(0, &mut bytes).expect("power is on");
    let resumed = copies_resume(trimmed(&mut bytes));
    assert!(resumed.tag && resumed.clock, "{resumed:?}");
    bytes
}

/// Without the blank end: it is put back where the bytes are read.
fn trimmed(bytes: &mut Vec<u8>) -> &[u8] {
    let len = bytes.iter().rposition(|b| *b != 0xFF).map_or(0, |at| at + 1);
    bytes.truncate(len);
    bytes
}

/// Any bytes as the flash that a tag finds after a reset, and as its state.
pub fn copies(data: &[u8]) {
    copies_resume(data);
    let config = copies_config();
    // As a state: changes of a sound one, which the check sum would have caught.
    let mut tag = Tag::new(config);
    let mut bytes = to_bytes(&mut tag);
    let places = bytes.len();
    for change in data.chunks_exact(3) {
        bytes[(usize::from(change[0]) << 8 | usize::from(change[1])) % places] = change[2];
    }
    if from_bytes(bytes, &mut tag) {
        for n in 0..2000 {
            heard(&mut tag, &Sample::accel(n * 40_000, [0.0, 0.1 * (n % 9) as f32, 1.0]));
        }
        tag.flush(&mut |_: &Event, _: &Moment| {});
    }
}

/// Bytes of the log that [`journal`] begins with; behind it lie the copies.
pub const JOURNAL_LOG: u32 = 4096;
/// Where [`journal`] has its copies.
pub const JOURNAL_COPIES: slots::Region =
    slots::Region { from: JOURNAL_LOG, slot_bytes: 1024, count: 2, mark: 1 };

type JournalLog = Log<NorSim<4, 512>>;

fn journal_resume(data: &[u8]) -> (JournalLog, Journal, Regained) {
    let mut bytes = data.to_vec();
    bytes.resize((JOURNAL_LOG + JOURNAL_COPIES.bytes()) as usize, 0xFF);
    let flash = NorSim::<4, 512>::from_bytes(bytes, 0);
    let mut log = Log::open(flash, 0, JOURNAL_LOG).expect("opening never fails");
    let reset = ResetEvent { t_us: 9_000_000_000, out_us: None, count: 1, reason: 0 };
    let faults = FaultCounters::default();
    let resumed = Journal::resume(1, 7, &mut log, JOURNAL_COPIES, &reset, None, &faults);
    let (journal, regained) = resumed.expect("it fits");
    (log, journal, regained)
}

/// An input of [`journal`]: the flash as a deployment leaves it that is going on, with
/// minutes and a decision on fate beyond the latest copy.
///
/// # Panics
/// Where a resumed journal would not go on from it.
pub fn journal_input() -> Vec<u8> {
    let flash = NorSim::<4, 512>::new((JOURNAL_LOG + JOURNAL_COPIES.bytes()) as usize / 512, 0);
    let mut log = Log::open(flash, 0, JOURNAL_LOG).expect("it fits");
    let start = StartEvent {
        deployment: 7,
        start_unix_s: Some(1_925_000_000),
        sample_hz: 25.0,
        floor_h: 6.0,
        ceiling_h: 48.0,
    };
    let mut journal = Journal::start(1, &start, &mut log, JOURNAL_COPIES).expect("it fits");
    let mut faults = FaultCounters::default();
    for n in 0..140 {
        let t_us = u64::from(n + 1) * 60_000_000;
        let mut events = vec![Event::Minute(course::minute(n))];
        if n == 50 {
            faults.counts[3] = 1;
            events.insert(0, Event::Fault(FaultKind::Gap));
        }
        if n == 130 {
            let dead = Fate::Dead;
            let report = FateReport { fate: dead, event_us: t_us, decided_us: t_us, evidence: 9.5 };
            events.push(Event::Fate(report));
        }
        for event in events {
            let moment = Moment { now_us: t_us, taken: 1, fate: journal.fate(), faults: &faults };
            journal.take(&event, &moment, &mut log).expect("kept");
        }
    }
    let mut bytes = log.close().into_bytes();
    let (_, journal, regained) = journal_resume(trimmed(&mut bytes));
    assert!(regained.copy && regained.minutes > 10 && regained.others > 0, "{regained:?}");
    assert_eq!(journal.fate(), Fate::Dead);
    bytes
}

/// Inputs of the corpus that are made by the code under test, so that they stay sound when a
/// layout changes: entry, name of the file, what it holds.
pub type Made = (&'static str, &'static str, fn() -> Vec<u8>);
/// All of them.
pub const MADE: [Made; 2] =
    [("copies", "begun", copies_input), ("journal", "going-on", journal_input)];

/// Any bytes as the flash with log and messages' state that a tag finds after a reset:
/// what it records from then on is there, and its messages are sound.
pub fn journal(data: &[u8]) {
    let faults = FaultCounters::default();
    let (mut log, mut journal, _) = journal_resume(data);
    let mut kept = Vec::new();
    for n in 70_000..70_070 {
        let t_us = u64::from(n + 1) * 60_000_000;
        let moment = Moment { now_us: t_us, taken: 1, fate: journal.fate(), faults: &faults };
        if journal.take(&Event::Minute(course::minute(n)), &moment, &mut log).is_ok() {
            kept.push(n);
        }
        Message::decode(&journal.message(t_us)).expect("sound");
    }
    let _ = journal.finish(&faults, &mut log);
    let image = log.close().into_bytes();
    let found = salvage(&image[..JOURNAL_LOG as usize], None);
    let there = |n: &u32| {
        found.records.iter().any(|r| match &r.record {
            Record::Minute(m) => m.t_us == u64::from(*n) * 60_000_000,
            _ => false,
        })
    };
    // A log this small may have to drop old minutes, but not the newest twenty.
    assert!(kept.iter().rev().take(20).all(there));
}
