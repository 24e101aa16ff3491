//! What the tag would have kept in its flash and sent by satellite.

use std::path::Path;

use firmware_core::config::Config;
use firmware_core::message::{MESSAGE_BYTES, PAGES, Summary, checks};
use firmware_core::store::log::{BurstPlan, Bursts, Log, LogError, Recorder};
use firmware_core::store::record::StartEvent;
use firmware_core::types::{Event, Moment, Sample};

use super::{FileFacts, Setup};
use crate::batch::write_whole;
use crate::faults::records::Records;
use crate::flash::{NorSim, used};
use crate::own::{HostTag, registered};
use crate::problem::Problem;

/// Word and erase block of the simulated flash: common for serial NOR parts.
type Flash = NorSim<4, 4096>;
const BLOCK: usize = 4096;
/// Length of a raw burst, s.
const BURST_S: f32 = 10.0;
/// Smallest memory that a log fits into, blocks.
const LOG_BLOCKS_MIN: usize = 4;
/// Largest flash that is simulated, blocks (256 MiB).
const BLOCKS_MAX: usize = 65_535;

/// The tag's flash, its recorder and its satellite summary.
#[derive(Clone, Debug)]
pub struct Kept {
    log: Log<Flash>,
    recorder: Recorder,
    summary: Summary,
    bursts: Option<Bursts>,
    refused: u32,
    messages: Vec<[u8; MESSAGE_BYTES]>,
}

/// The number of a deployment: the digits at the end of its id, in a byte.
fn number(id: Option<&str>) -> u8 {
    let id = id.unwrap_or("");
    let digits = &id[id.trim_end_matches(|c: char| c.is_ascii_digit()).len()..];
    digits.bytes().fold(0_u8, |n, d| n.wrapping_mul(10).wrapping_add(d - b'0'))
}

fn start(config: &Config, deployment: u8) -> StartEvent {
    StartEvent {
        deployment,
        start_unix_s: config.place().start_unix_s.and_then(|s| u32::try_from(s).ok()),
        sample_hz: config.logger().sample_hz,
        floor_h: config.release().floor_h,
        ceiling_h: config.release().ceiling_h,
    }
}

/// Blocks of the flash: as many as the deployment's memory has.
fn blocks(setup: &Setup, facts: &FileFacts) -> Result<usize, Problem> {
    let blocks = ((setup.memory_bytes / BLOCK as f64) as usize).min(BLOCKS_MAX);
    if blocks < LOG_BLOCKS_MIN { Err(too_small(facts, blocks)) } else { Ok(blocks) }
}

fn too_small(facts: &FileFacts, blocks: usize) -> Problem {
    Problem::new(format!(
        "{}: memory_mib gives a memory of {blocks} blocks of 4 KiB; the log needs four",
        facts.trace
    ))
    .help("give memory_mib = 0.016 or more under [logger] in the deployment file")
}

fn burst_plan(setup: &Setup) -> BurstPlan {
    let samples = (BURST_S * setup.config.logger().sample_hz) as u16;
    BurstPlan { every_min: 60, samples, on_decision: true }
}

/// What a tag keeps whose hardware goes wrong: a blank flash of the deployment's size, as
/// [`Kept::new`].
pub(super) fn records(setup: &Setup, facts: &FileFacts, bursts: bool) -> Result<Records, Problem> {
    let deployment = number(facts.id.as_deref());
    let records = Records::new(&setup.config, deployment.into(), blocks(setup, facts)?);
    Ok(if bursts { records.with_bursts(burst_plan(setup)) } else { records })
}

/// Whether raw samples are kept around an event.
pub(crate) fn decides(event: &Event) -> bool {
    matches!(event, Event::Fate(_) | Event::Release(_))
}

/// Writes messages to a file, one a line.
///
/// # Errors
/// A file that cannot be written.
pub fn write_messages(path: &Path, messages: &[[u8; MESSAGE_BYTES]]) -> Result<(), Problem> {
    let line =
        |m: &[u8; MESSAGE_BYTES]| m.iter().map(|b| format!("{b:02x}")).collect::<String>() + "\n";
    write_whole(path, messages.iter().map(line).collect::<String>().as_bytes())
}

impl Kept {
    /// A blank flash of the deployment's size. With `bursts`, ten seconds of raw
    /// samples are kept every hour and at every decision.
    ///
    /// # Errors
    /// A memory too small for a log, which needs four blocks of 4 KiB.
    pub fn new(setup: &Setup, facts: &FileFacts, bursts: bool) -> Result<Self, Problem> {
        let blocks = blocks(setup, facts)?;
        let flash = Flash::new(blocks, 0);
        let log = Log::open(flash, 0, (blocks * BLOCK) as u32);
        let mut log = log.map_err(|_| too_small(facts, blocks))?;
        let deployment = number(facts.id.as_deref());
        let mut refused = u32::from(log.append(&start(&setup.config, deployment)).is_err());
        if let Some(own) = registered() {
            refused += u32::from(log.append(&own.record).is_err());
        }
        let logger = setup.config.logger();
        let plan = burst_plan(setup);
        Ok(Kept {
            log,
            recorder: Recorder::new(),
            summary: Summary::new(deployment),
            bursts: bursts.then(|| Bursts::new(plan, logger.sample_hz, logger.counts_per_g)),
            refused,
            messages: Vec::new(),
        })
    }

    pub(super) fn cell(&mut self, left: f32) {
        self.recorder.cell(left);
        self.summary.cell(left);
    }

    pub(super) fn sample(&mut self, sample: &Sample, events: &[Event]) {
        if let Some(bursts) = &mut self.bursts {
            let kept = bursts.take(&sample.as_run(), events.iter().any(decides), &mut self.log);
            self.note(kept);
        }
    }

    pub(super) fn take(&mut self, now_us: u64, event: &Event, tag: &HostTag) {
        let (fate, faults) = (tag.fate(), tag.faults());
        let moment = Moment { now_us, taken: 0, fate, faults };
        let kept = self.recorder.take(event, &moment, &mut self.log);
        self.note(kept);
        self.summary.take(event, fate);
    }

    fn note(&mut self, kept: Result<(), LogError>) {
        if kept.is_err() {
            self.refused += 1;
            self.summary.check(checks::MEMORY);
        }
    }

    /// After the last sample: the hour not yet complete, and a round of messages.
    pub(super) fn end(&mut self, now_us: u64, tag: &HostTag) {
        let kept = self.recorder.finish(tag.faults(), &mut self.log);
        self.note(kept);
        self.summary.faults(tag.faults());
        self.messages = (0..PAGES).map(|_| self.summary.next(now_us)).collect();
    }

    /// Steps at which a record could not be kept.
    pub fn refused(&self) -> u32 {
        self.refused
    }

    /// What the flash holds, up to the last segment in use.
    pub fn image(&mut self) -> &[u8] {
        used(self.log.flash().bytes(), BLOCK)
    }

    /// The round of twelve messages that the tag would send at the end.
    pub fn messages(&self) -> &[[u8; MESSAGE_BYTES]] {
        &self.messages
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_number_of_a_deployment_is_that_at_the_end_of_its_id() {
        for (id, want) in [("OSB-007", 7), ("bay", 0), ("x300", 44), ("12", 12)] {
            assert_eq!(number(Some(id)), want, "{id}");
        }
        assert_eq!(number(None), 0);
    }
}
