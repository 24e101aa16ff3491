//! Log and message through resets: power may go within any operation of the flash, and
//! afterwards nothing is lost, nothing is there twice that must not be, and every message
//! is the one that would have been sent without.

use std::collections::BTreeMap;

use firmware_core::message::{MESSAGE_BYTES, Message, PAGES, checks};
use firmware_core::store::journal::Journal;
use firmware_core::store::log::Log;
use firmware_core::store::record::{Hour, Record, ResetEvent, StartEvent, as_recorded};
use firmware_core::store::slots::Region;
use firmware_core::types::{
    Cause, Event, FAULT_KINDS, Fate, FateReport, FaultCounters, Minute, Moment, RecoveryReport,
    ReleaseDecision,
};
use host_sim::flash::NorSim;
use host_sim::unpack::salvage;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use swaymark_tests::course;

type Flash = NorSim<4, 4096>;

const LOG_BLOCKS: usize = 12;
const REGION: Region =
    Region { from: LOG_BLOCKS as u32 * 4096, slot_bytes: 1024, count: 8, mark: 0x701D };
const START: StartEvent =
    StartEvent { deployment: 7, start_unix_s: None, sample_hz: 25.0, floor_h: 2.0, ceiling_h: 9.0 };

/// What a step brought to light.
#[derive(Clone)]
struct Step {
    t_us: u64,
    /// In the order in which a tag reports, each with fate as the tag knows it then.
    events: Vec<(Event, Fate)>,
    faults: FaultCounters,
}

impl Step {
    fn minute(&self) -> Option<Minute> {
        self.events.iter().find_map(|(event, _)| match event {
            Event::Minute(minute) => Some(*minute),
            _ => None,
        })
    }

    fn release(&self) -> Option<ReleaseDecision> {
        self.events.iter().find_map(|(event, _)| match event {
            Event::Release(decision) => Some(*decision),
            _ => None,
        })
    }
}

/// Some hours, a step a minute.
fn steps(minutes: u32) -> Vec<Step> {
    let mut faults = FaultCounters::default();
    let (dead, gone) = (minutes - minutes / 4, minutes - minutes / 6);
    let step = |n: u32| {
        let t_us = u64::from(n + 1) * 60_000_000 + 1_500_000;
        let mut events = Vec::new();
        if n % 23 == 5 {
            events.push(Event::Fault(FAULT_KINDS[(n % 6) as usize]));
            faults.counts[(n % 6) as usize] += n;
        }
        if n % 30 == 20 {
            let decided_us = (n > minutes / 2).then_some(t_us);
            let report =
                RecoveryReport { t_s: n as f32 * 31.0, se_s: 2000.0, prob: 0.8, decided_us };
            events.push(Event::Recovery(report));
        }
        events.push(Event::Minute(odd(course::minute(n), n)));
        let fate = if n <= dead { Fate::Alive } else { Fate::Dead };
        let mut events: Vec<_> = events.into_iter().map(|event| (event, fate)).collect();
        if n == dead {
            let (fate, event_us) = (Fate::Dead, t_us - 600_000_000);
            let report = FateReport { fate, event_us, decided_us: t_us, evidence: 12.0 };
            events.push((Event::Fate(report), fate));
        }
        if n == gone {
            let (cause, since_us) = (Cause::Death, t_us - 9);
            let decision = ReleaseDecision { t_us, cause, since_us, value: 1.0, bound: 0.5 };
            events.push((Event::Release(decision), Fate::Dead));
        }
        Step { t_us, events, faults }
    };
    (0..minutes).map(step).collect()
}

/// Figures that no record holds to the bit.
fn odd(minute: Minute, n: u32) -> Minute {
    Minute {
        beats_per_min: minute.beats_per_min.map(|b| b + 0.001_3 * (n % 11) as f32),
        pitch_deg: 7.77 * (n % 9) as f32 - 30.0,
        odba_g: minute.odba_g + 1e-5 * (n % 7) as f32,
        ..minute
    }
}

/// A tag's log and messages, and what was acknowledged.
struct Tag {
    log: Option<Log<Flash>>,
    journal: Option<Journal>,
    resets: u16,
}

impl Tag {
    fn start(seed: u64) -> Self {
        let flash = Flash::new(LOG_BLOCKS + 2, seed);
        let mut log = Log::open(flash, 0, REGION.from).expect("opens");
        log.format().expect("power is on");
        let journal = Journal::start(99, &START, &mut log, REGION).expect("it fits");
        Tag { log: Some(log), journal: Some(journal), resets: 0 }
    }

    fn log(&mut self) -> &mut Log<Flash> {
        self.log.as_mut().expect("runs")
    }

    /// False: power went.
    fn take(&mut self, step: &Step) -> bool {
        let (log, journal) =
            (self.log.as_mut().expect("runs"), self.journal.as_mut().expect("runs"));
        journal.cell(1.0 - step.t_us as f32 / 1e12);
        for (event, fate) in &step.events {
            let (now_us, faults) = (step.t_us, &step.faults);
            let moment = Moment { now_us, taken: 1, fate: *fate, faults };
            let kept = journal.take(event, &moment, log);
            let dark = log.flash().dark();
            assert!(kept.is_ok() || dark);
            if dark {
                return false;
            }
        }
        true
    }

    /// Goes on; false: power went again.
    fn boot(&mut self, step: &Step, wipe: bool) -> bool {
        let mut flash = self.log.take().expect("runs").close();
        self.journal = None;
        flash.power_on();
        self.resets += 1;
        let mut log = Log::open(flash, 0, REGION.from).expect("opens");
        if wipe {
            let to = REGION.from + REGION.bytes();
            embedded_storage::nor_flash::NorFlash::erase(log.flash(), REGION.from, to)
                .expect("power is on");
        }
        let reset = ResetEvent { t_us: step.t_us, out_us: Some(5), count: self.resets, reason: 1 };
        let resumed =
            Journal::resume(99, 7, &mut log, REGION, &reset, None, &step.faults).expect("it fits");
        assert!(wipe || resumed.1.copy, "a whole copy is always there");
        self.journal = Some(resumed.0);
        self.log = Some(log);
        !self.log().flash().dark()
    }

    /// Minutes and hours by number, and all messages, at the end.
    fn end(mut self, step: &Step) -> (BTreeMap<u64, Minute>, BTreeMap<u16, Hour>, Vec<Message>) {
        let mut journal = self.journal.take().expect("runs");
        journal.finish(&step.faults, self.log()).expect("power is on");
        let summary = *journal.summary();
        let messages = (0..PAGES as u8).map(|p| summary.message(p, step.t_us));
        let messages = messages.map(|m: [u8; MESSAGE_BYTES]| Message::decode(&m).expect("sound"));
        let messages = messages.collect();
        let image = self.log.take().expect("runs").close().into_bytes();
        let found = salvage(&image[..REGION.from as usize], None);
        let (mut minutes, mut hours) = (BTreeMap::new(), BTreeMap::new());
        for record in found.records {
            match record.record {
                Record::Minute(m) => assert!(minutes.insert(m.t_us, m).is_none(), "twice: {m:?}"),
                Record::Hour(h) => assert!(hours.insert(h.number, h).is_none(), "twice: {h:?}"),
                _ => {}
            }
        }
        (minutes, hours, messages)
    }
}

/// What all runs must come to.
struct Want {
    steps: Vec<Step>,
    minutes: BTreeMap<u64, Minute>,
    hours: BTreeMap<u16, Hour>,
    messages: Vec<Message>,
    operations: u64,
}

fn want(minutes: u32) -> Want {
    let steps = steps(minutes);
    let mut tag = Tag::start(0);
    let begun = tag.log().flash().operations();
    steps.iter().for_each(|s| assert!(tag.take(s)));
    let operations = tag.log().flash().operations() - begun;
    let last = steps.last().expect("some").clone();
    let (kept, hours, messages) = tag.end(&last);
    let given: BTreeMap<_, _> =
        steps.iter().filter_map(Step::minute).map(|m| (m.t_us, as_recorded(&m))).collect();
    assert_eq!(kept, given);
    assert_eq!(hours.len(), minutes.div_ceil(60) as usize);
    Want { steps, minutes: kept, hours, messages, operations }
}

impl Want {
    /// Runs with the power going after so many operations each; the tag brings what it
    /// had brought when power went once more.
    fn run(&self, cuts: &[u64], wipe: impl Fn(u64) -> bool, seed: u64) {
        let mut tag = Tag::start(seed);
        let mut cuts = cuts.iter();
        let mut cut = |tag: &mut Tag| {
            if let Some(&after) = cuts.next() {
                tag.log().flash().cut_after(after);
            }
        };
        cut(&mut tag);
        for step in &self.steps {
            while !tag.take(step) {
                // The next cut may come while it starts again.
                let number = u64::from(tag.resets);
                while !tag.boot(step, wipe(number)) {}
                cut(&mut tag);
            }
        }
        let resets = tag.resets;
        let (minutes, hours, messages) = tag.end(self.steps.last().expect("some"));
        assert_eq!(minutes, self.minutes);
        let without_faults = |h: &BTreeMap<u16, Hour>| -> Vec<Hour> {
            h.values().map(|h| Hour { faults: [0; 6], ..*h }).collect()
        };
        assert_eq!(without_faults(&hours), without_faults(&self.hours));
        for (got, want) in messages.iter().zip(&self.messages) {
            let mut got = *got;
            assert_eq!(got.facts.checks & checks::RESET != 0, resets > 0);
            got.facts.checks &= !checks::RESET;
            assert_eq!(got, *want);
        }
    }
}

#[test]
fn power_may_go_in_every_operation() {
    let want = want(150);
    println!("{} operations", want.operations);
    for at in 0..want.operations {
        want.run(&[at], |_| false, at);
    }
}

#[test]
fn power_may_go_again_and_again_and_all_copies_may_be_lost() {
    let want = want(400);
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    for n in 0..60 {
        let cuts: Vec<u64> = (0..rng.random_range(1..30))
            .map(|_| rng.random_range(0..want.operations / 8))
            .collect();
        want.run(&cuts, |reset| n % 3 == 2 && reset % 2 == 1, n);
    }
}

/// A decision whose record power cut short is recorded when the tag is back.
#[test]
fn a_decision_to_let_go_that_was_not_recorded_is_made_up_for() {
    let steps = steps(100);
    let mut tag = Tag::start(3);
    steps[..50].iter().for_each(|s| assert!(tag.take(s)));
    let mut log = Log::open(tag.log.take().expect("runs").close(), 0, REGION.from).expect("opens");
    let decision = steps.iter().find_map(Step::release).expect("one");
    let reset = ResetEvent { t_us: decision.t_us, out_us: None, count: 1, reason: 0 };
    let faults = FaultCounters::default();
    for _ in 0..2 {
        let (journal, regained) =
            Journal::resume(99, 7, &mut log, REGION, &reset, Some(&decision), &faults)
                .expect("it fits");
        assert!(regained.copy);
        let facts = Message::decode(&journal.summary().message(0, 1)).expect("sound").facts;
        assert_eq!(facts.cause, Some(Cause::Death));
    }
    let image = log.close().into_bytes();
    let found = salvage(&image[..REGION.from as usize], None);
    let released = found.records.iter().filter(|r| matches!(r.record, Record::Release(_))).count();
    assert_eq!(released, 1, "and once only");
}

/// A copy of another deployment is not taken up.
#[test]
fn a_copy_of_another_deployment_is_left_alone() {
    let mut tag = Tag::start(1);
    steps(70).iter().for_each(|s| assert!(tag.take(s)));
    let log = tag.log();
    let reset = ResetEvent { t_us: 0, out_us: None, count: 1, reason: 0 };
    let faults = FaultCounters::default();
    let (_, regained) =
        Journal::resume(98, 7, log, REGION, &reset, None, &faults).expect("it fits");
    assert!(!regained.copy && regained.minutes == 70);
}
