//! A trace through the on-tag code.
//!
//! [`Replayer`] is the tag with its cell and memory, stepped row by row; a clone
//! of it is a checkpoint. [`replay_file`] does the whole job for one file.

mod begin;
mod clock;
mod kept;
mod report;
mod rows;
mod text;

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use firmware_core::config::{Breathing, Config};
use firmware_core::detector::Detector as _;
use firmware_core::tag::Tag;
use firmware_core::types::{
    self, Event, FAULT_KINDS, FaultCounters, Moment, OwnEvent, Run, Sample, fault_code,
};

use crate::deployment::{DEFAULT_MEMORY_MIB, Deployment, START_UNIX_S, beside};
use crate::energy::tracker::{TraceLoads, Tracker};
use crate::faults::hardware::{Hardware, Injected, begun};
use crate::faults::plan::Drawn;
use crate::faults::records::Records;
use crate::own::{HostTag, Own};
use crate::problem::Problem;
use crate::trace::{
    AccelUnit, ReadFaults, ReadOptions, Row, Rows, Source, Stretch, Tally, TraceReader, open_file,
};

pub use begin::{EndReport, LaunchReport};
pub use clock::TraceClock;
pub(crate) use kept::decides;
pub use kept::{Kept, write_messages};
pub use report::{
    BeatTimes, Beats, EnergyUse, Fault, FileFacts, Memory, Minute, ReleaseReport, Report,
};
pub(crate) use report::{cause_name, fate_name, fault_name, seconds, state_name};
pub use text::{CAUTION, one, table_header, table_row};
pub(crate) use text::{held_back, size, told, utc, why};

/// Time between readings of the cell and of the memory, microseconds.
const HOUSEKEEPING_US: u64 = 60_000_000;

/// Rows taken one by one from one at which time does not go on: more than the tag needs to
/// find out that its clock was set back, so that the clock of the trace is followed row by row.
pub(crate) const RESTLESS_ROWS: usize = 8;

/// Latitude taken for pressure to depth where none is given, degrees. Between
/// equator and pole the depth changes by 0.5 %.
const DEFAULT_LATITUDE_DEG: f64 = 45.0;

/// What to keep for the report beside the decisions. Each beat kept takes 8
/// bytes, each minute 48; without them a replay runs in constant memory.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Keep {
    /// Times of all beats.
    pub beats: bool,
    /// All minute summaries.
    pub minutes: bool,
}

/// What a [`Replayer`] is built from.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The configuration of the tag.
    pub config: Config,
    /// Parts and battery.
    pub energy: Arc<TraceLoads>,
    /// Memory for the record, bytes.
    pub memory_bytes: f64,
    /// Added to tag time for reports, s: the `t_s` of the first row.
    pub first_t_s: f64,
    /// What to keep.
    pub keep: Keep,
    /// Settings of the registered detector, in its order; empty without one.
    pub own: Vec<f32>,
}

/// The tag, its cell and its memory. The state is the whole truth: a clone
/// stepped on gives the same report as the original.
#[derive(Clone, Debug)]
pub struct Replayer {
    tag: HostTag,
    energy: Tracker,
    memory_bytes: f64,
    /// `t_s` of the first row taken, and of the deployment's.
    record_t_s: f64,
    first_t_s: f64,
    keep: Keep,
    next_housekeeping_us: u64,
    samples: u64,
    last_us: u64,
    last_line: u64,
    clock: TraceClock,
    /// Time of the latest row, and rows still to be taken one by one.
    row_us: u64,
    restless: usize,
    seen: FaultCounters,
    first_rows: [u64; FAULT_KINDS.len()],
    beat_count: u64,
    beats_us: Vec<u64>,
    minutes: Vec<Minute>,
    /// What the registered detector reported, in tag time, and its settings.
    own: Vec<OwnEvent>,
    own_params: Vec<f32>,
    /// Where faults are injected: the hardware that the tag runs on.
    hardware: Option<Box<Hardware>>,
    injected: Option<Injected>,
    /// Times of the latest beat and minute told on such hardware.
    told_us: [Option<u64>; 2],
    /// What the latest samples brought to light, and the lines of the trace that it came with.
    events: Vec<Event>,
    lines: Vec<u64>,
    /// Log and messages that such hardware left behind.
    left: Option<Records>,
    kept: Option<Box<Kept>>,
}

impl Replayer {
    /// At the start of a deployment.
    pub fn new(setup: &Setup) -> Self {
        Replayer {
            energy: Tracker::new(Arc::clone(&setup.energy)),
            tag: Tag::with(setup.config, Own::new(&setup.own)),
            memory_bytes: setup.memory_bytes,
            record_t_s: setup.first_t_s,
            first_t_s: setup.first_t_s,
            keep: setup.keep,
            next_housekeeping_us: 0,
            samples: 0,
            last_us: 0,
            last_line: 0,
            clock: TraceClock::default(),
            row_us: 0,
            restless: 0,
            seen: FaultCounters::default(),
            first_rows: [0; FAULT_KINDS.len()],
            beat_count: 0,
            beats_us: Vec::new(),
            minutes: Vec::new(),
            own: Vec::new(),
            own_params: setup.own.clone(),
            hardware: None,
            injected: None,
            told_us: [None; 2],
            events: Vec::new(),
            lines: Vec::new(),
            left: None,
            kept: None,
        }
    }

    /// At the start of a deployment on hardware that goes wrong as planned, with `records`
    /// where what the tag would keep in flash and send is wanted.
    pub fn with_faults(setup: &Setup, plan: &Drawn, records: Option<Records>) -> Self {
        let settings = firmware_core::shell::keeper::Settings::DEFAULT;
        let mut hardware = Hardware::new(setup.config, settings, plan.clone());
        hardware = hardware.with_own(Own::new(&setup.own));
        if let Some(records) = records {
            hardware = hardware.with(records);
        }
        Replayer { hardware: Some(Box::new(hardware)), ..Replayer::new(setup) }
    }

    /// From now on also keeps what the tag would keep in flash and send.
    pub fn keep(&mut self, kept: Kept) {
        self.kept = Some(Box::new(kept));
    }

    /// Takes one row, as the tag would take one sample; [`Replayer::events`] gives what that
    /// brought to light.
    #[inline]
    pub fn push(&mut self, row: &Row) {
        self.samples += 1;
        self.last_us = self.last_us.max(row.t_us);
        self.last_line = row.line;
        let goes_on = row.t_us > self.row_us;
        self.restless = if goes_on { self.restless.saturating_sub(1) } else { RESTLESS_ROWS };
        self.row_us = row.t_us;
        self.energy.sample(row.t_us, row.depth_m.is_some(), row.temp_c);
        let mut sample = Sample {
            t_us: row.t_us,
            accel_g: row.accel_g,
            depth_m: row.depth_m,
            temp_c: row.temp_c,
            cell_left: None,
            memory_used: None,
        };
        if let Some([cell_left, memory_used]) = self.housekeeping(row.t_us) {
            (sample.cell_left, sample.memory_used) = (Some(cell_left), Some(memory_used));
        }
        if self.hardware.is_some() {
            self.step_on_hardware(&sample);
            return;
        }
        self.feed(&sample.as_run(), row.t_us, row.line);
        if let Some(kept) = &mut self.kept {
            if let Some(left) = sample.cell_left {
                kept.cell(left);
            }
            kept.sample(&sample, &self.events);
        }
    }

    /// Feeds the tag with samples of which the last belongs to `last_us` of the trace's time, the
    /// first to this line.
    #[inline]
    fn feed(&mut self, run: &Run, last_us: u64, line: u64) {
        self.events.clear();
        self.lines.clear();
        let Replayer { tag, events, lines, .. } = self;
        tag.feed(run, &mut |event: &Event, moment: &Moment| {
            events.push(*event);
            lines.push(line + moment.taken.saturating_sub(1) as u64);
        });
        self.clock.note(self.tag.now_us(), last_us);
        self.take_all();
    }

    /// What the latest samples brought to light, in order.
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// Takes all of `rows`, with the same result as one by one by [`Replayer::push`].
    pub fn push_all(&mut self, rows: &Rows) {
        if self.kept.is_some() || self.hardware.is_some() {
            // These want every sample by itself.
            rows.iter().for_each(|row| self.push(&row));
            return;
        }
        for (stretch, accel_g) in rows.stretches() {
            // An odd row is alone in its stretch, and those after it are to be looked at, too.
            let singly = if accel_g.len() == 1 { 1 } else { self.restless.min(accel_g.len()) };
            for row in stretch.rows(&accel_g[..singly]) {
                self.push(&row);
            }
            self.push_stretch(stretch, accel_g, singly);
        }
    }

    /// Takes the rows of a stretch from one on as runs of samples, from one look at cell and
    /// memory to the next.
    fn push_stretch(&mut self, stretch: &Stretch, accel_g: &[[f32; 3]], mut from: usize) {
        let period_us = stretch.period_us;
        while from < accel_g.len() {
            let t_us = stretch.time_us(from);
            let (mut depth_m, mut temp_c) = (None, None);
            if from == 0 {
                (depth_m, temp_c) = (stretch.depth_m, stretch.temp_c);
            }
            self.energy.sample(t_us, depth_m.is_some(), temp_c);
            let readings = self.housekeeping(t_us);
            // The rows before the next look, this one among them.
            let mut count = accel_g.len() - from;
            if stretch.time_us(accel_g.len() - 1) >= self.next_housekeeping_us {
                let left_us = self.next_housekeeping_us - t_us;
                count = count.min(left_us.div_ceil(u64::from(period_us)) as usize);
            }
            self.energy.run(t_us + u64::from(period_us), period_us, count - 1);
            self.samples += count as u64;
            let run = Run {
                depth_m,
                cell_left: readings.map(|r| r[0]),
                memory_used: readings.map(|r| r[1]),
                ..Run::accel(t_us, period_us, &accel_g[from..from + count])
            };
            let first_line = stretch.line + from as u64;
            from += count;
            self.last_line = stretch.line + from as u64 - 1;
            let last_us = stretch.time_us(from - 1);
            self.last_us = self.last_us.max(last_us);
            self.row_us = last_us;
            self.feed(&run, last_us, first_line);
        }
    }

    /// What is left of the cell and used of the memory, 0 to 1, where it is time to look, or
    /// the clock was set back by more than two intervals.
    #[inline]
    fn housekeeping(&mut self, t_us: u64) -> Option<[f32; 2]> {
        if t_us < self.next_housekeeping_us
            && t_us + 3 * HOUSEKEEPING_US >= self.next_housekeeping_us
        {
            return None;
        }
        self.next_housekeeping_us = t_us + HOUSEKEEPING_US;
        let bytes = self.running().map_or(0, Tag::record_bytes);
        self.energy.settle(u64::from(bytes));
        let used = (f64::from(bytes) / self.memory_bytes).min(1.0);
        Some([self.energy.left_fraction() as f32, used as f32])
    }

    /// A sample on hardware that goes wrong.
    #[cold]
    #[inline(never)]
    fn step_on_hardware(&mut self, sample: &Sample) {
        self.events.clear();
        if let Some(hardware) = &mut self.hardware {
            hardware.step(sample, &mut self.events);
            self.take_new();
        }
    }

    /// After the last row: [`Replayer::events`] gives what still waited for later rows.
    pub fn rest(&mut self) {
        self.events.clear();
        let Replayer { tag, events, .. } = self;
        tag.flush(&mut |event: &Event, _: &Moment| events.push(*event));
        self.take_all();
    }

    /// Part of the cell's charge left, 0 to 1.
    pub fn cell_left(&self) -> f64 {
        self.energy.left_fraction()
    }

    /// Part of the memory used, 0 to 1.
    pub fn memory_used(&self) -> f64 {
        (f64::from(self.tag.record_bytes()) / self.memory_bytes).min(1.0)
    }

    /// A time of the tag's by the clock of the trace, microseconds from the first row.
    pub fn written_us(&self, tag_us: u64) -> u64 {
        self.clock.written_us(tag_us)
    }

    /// The same in seconds.
    pub fn written_s(&self, tag_s: f64) -> f64 {
        self.clock.written_s(tag_s)
    }

    /// The tag as it stands.
    pub fn tag(&self) -> &HostTag {
        &self.tag
    }

    /// Ends the deployment. `read` tells what was wrong with the file itself.
    pub fn finish(mut self, facts: FileFacts, read: &ReadFaults) -> Report {
        self.drain();
        self.energy.settle(u64::from(self.tag.record_bytes()));
        Report::new(self, facts, read)
    }

    /// What was still waiting for later samples.
    fn drain(&mut self) {
        if let Some(mut hardware) = self.hardware.take() {
            self.events.clear();
            hardware.finish(&mut self.events);
            if let Some(tag) = hardware.tag() {
                self.tag = tag.clone();
            }
            self.injected = Some(Injected::new(&hardware, self.record_t_s));
            hardware.end();
            self.left = hardware.into_records();
            self.take_new();
        }
        self.rest();
    }

    /// The tag that takes the samples; `None` while its hardware is away.
    fn running(&self) -> Option<&HostTag> {
        self.hardware.as_ref().map_or(Some(&self.tag), |hardware| hardware.tag())
    }

    /// By the tag, the deployment begins just now: what was before counts for nothing.
    fn begin_anew(&mut self) {
        let began_us = self.hardware.as_ref().map_or(0, |hardware| hardware.began_us());
        self.first_t_s = self.record_t_s + began_us as f64 / 1e6;
        (self.beat_count, self.told_us) = (0, [None; 2]);
        self.beats_us.clear();
        self.minutes.clear();
        self.own.clear();
    }

    /// Takes what is new: after a reset the tag goes on from an older copy of
    /// itself, and may bring beats and minutes again. Its log takes a minute once, too.
    #[cold]
    #[inline(never)]
    fn take_new(&mut self) {
        if let Some(at) = self.events.iter().rposition(|event| begun(event).is_some()) {
            self.begin_anew();
            self.events.drain(..at);
        }
        let [beat_us, minute_us] = &mut self.told_us;
        let fresh = |t_us: u64, last_us: &mut Option<u64>| {
            let fresh = last_us.is_none_or(|last_us| t_us > last_us);
            *last_us = if fresh { Some(t_us) } else { *last_us };
            fresh
        };
        let own = &self.own;
        let seen = |e: &OwnEvent| own.iter().any(|o| (o.kind, o.t_us) == (e.kind, e.t_us));
        self.events.retain(|event| match event {
            Event::Beat(beat) => fresh(beat.t_us, beat_us),
            Event::Minute(minute) => fresh(minute.t_us, minute_us),
            Event::Own(event) => !seen(event),
            _ => true,
        });
        self.lines.clear();
        self.take_all();
    }

    /// Takes the latest events.
    #[inline]
    fn take_all(&mut self) {
        if !self.events.is_empty() {
            self.take_some();
        }
        let Some(&counters) = self.running().map(Tag::faults) else { return };
        if counters != self.seen {
            self.count(counters);
        }
    }

    #[cold]
    #[inline(never)]
    fn take_some(&mut self) {
        for n in 0..self.events.len() {
            let event = self.events[n];
            if let Some(kept) = &mut self.kept {
                kept.take(self.last_us, &event, &self.tag);
            }
            match &event {
                Event::Beat(beat) => {
                    self.beat_count += 1;
                    if self.keep.beats {
                        self.beats_us.push(self.clock.written_us(beat.t_us));
                    }
                }
                Event::Minute(minute) if self.keep.minutes => {
                    let t_us = self.clock.written_us(minute.t_us);
                    let minute = types::Minute { t_us, ..*minute };
                    self.minutes.push(Minute::new(&minute, self.first_t_s));
                }
                Event::Own(event) => self.own.push(*event),
                Event::Fault(kind) => {
                    let line = self.lines.get(n).copied().unwrap_or(self.last_line);
                    let first = &mut self.first_rows[usize::from(fault_code(*kind))];
                    *first = if *first == 0 { line } else { *first };
                }
                _ => {}
            }
        }
    }

    /// Faults were counted that were not seen before.
    #[cold]
    #[inline(never)]
    fn count(&mut self, counters: FaultCounters) {
        self.seen = counters;
        for (first, &count) in self.first_rows.iter_mut().zip(&self.seen.counts) {
            if *first == 0 && count > 0 {
                *first = self.last_line;
            }
        }
    }

    /// Faults that the tag itself counted.
    fn tag_faults(&self) -> [Tally; FAULT_KINDS.len()] {
        let mut all = [Tally::default(); FAULT_KINDS.len()];
        for (n, tally) in all.iter_mut().enumerate() {
            *tally = Tally { first_row: self.first_rows[n], count: self.seen.counts[n].into() };
        }
        all
    }
}

/// Somebody who watches a replay: sees every row, and the replay after it with its latest
/// events.
pub trait Watch {
    /// A row was taken.
    fn row(&mut self, row: &Row, replayer: &Replayer);
    /// After the last row: what had waited for later rows.
    fn rest(&mut self, replayer: &Replayer);
}

/// A trace and its deployment, opened and understood, ready to run.
pub struct Prepared {
    /// Rows to come.
    pub reader: TraceReader,
    /// What to build a [`Replayer`] from.
    pub setup: Setup,
    /// Facts for the report.
    pub facts: FileFacts,
    /// What a person should know about what was assumed.
    pub notices: Vec<String>,
    /// Whether rows are read on a thread of their own while the tag takes those before.
    pub overlapped: bool,
}

/// Opens the trace at `path` and the deployment file beside it (or at
/// `deployment`). `wrap` may put a progress counter around the file.
///
/// # Errors
/// Either file missing or not what it should be, or the two contradicting each other.
pub fn prepare(
    path: &Path,
    deployment: Option<&Path>,
    keep: Keep,
    wrap: impl FnOnce(File) -> Source,
) -> Result<Prepared, Problem> {
    prepare_from(path, deployment, keep, false, wrap)
}

/// As [`prepare`]; `as_tag`: the release is the tag's to find, as it is at sea, whatever the
/// deployment file states.
///
/// # Errors
/// As [`prepare`].
pub fn prepare_from(
    path: &Path,
    deployment: Option<&Path>,
    keep: Keep,
    as_tag: bool,
    wrap: impl FnOnce(File) -> Source,
) -> Result<Prepared, Problem> {
    let name = path.display().to_string();
    let file = open_file(path)?;
    if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) {
        return Err(Problem::new(format!("{name}: is a deployment file; a trace was expected"))
            .help("name the trace; the deployment file beside it is found by itself"));
    }
    let mut notices = Vec::new();
    let beside: PathBuf = beside(path, ".toml");
    let mut deployment = match deployment {
        Some(path) => Deployment::load(path)?,
        None if beside.exists() => Deployment::load(&beside)?,
        None => {
            notices.push(format!(
                "{name}: no deployment file {}; assumed: ram ventilator, full scale {} g, tag \
                 {}, default settings, no wait for daylight",
                beside.display(),
                crate::deployment::DEFAULT_RANGE_G,
                crate::tag_file::DEFAULT_TAG,
            ));
            Deployment::default()
        }
    };
    deployment.as_tag = as_tag;
    prepare_source(&name, wrap(file), &deployment, keep, notices)
}

/// As [`prepare`], from any source of bytes.
///
/// # Errors
/// A source that is no trace, or contradicts the deployment.
pub fn prepare_source(
    name: &str,
    source: Source,
    deployment: &Deployment,
    keep: Keep,
    mut notices: Vec<String>,
) -> Result<Prepared, Problem> {
    let options = ReadOptions {
        sample_hz: deployment.sample_hz,
        counts_per_g: deployment.counts_per_g,
        latitude_deg: deployment.latitude_deg.unwrap_or(DEFAULT_LATITUDE_DEG),
        columns: deployment.columns.clone(),
        utc_offset_h: deployment.utc_offset_h,
    };
    let mut reader = TraceReader::from_source(name, source, &options)?;
    notices.extend_from_slice(reader.notices());
    let sample_hz = sample_rate(name, deployment, reader.inferred_hz(), &mut notices)?;

    let record_t_s = reader.first_t_s();
    let first_us = (record_t_s * 1e6).round() as i64;
    let start_unix_us = match (reader.start_unix_us(), deployment.start_unix_us) {
        (Some(read), Some(stated)) => {
            if (read - stated).abs() > 1_000_000 {
                notices.push(format!(
                    "{name}: starts {:+.0} s from start_utc in {}; the time in the trace is used",
                    (read - stated) as f64 / 1e6,
                    deployment.name
                ));
            }
            Some(read)
        }
        (Some(read), None) => Some(read),
        (None, stated) => stated.map(|us| us.saturating_add(first_us)),
    };
    let start_unix_us = start_unix_us.filter(|us| {
        let sound = START_UNIX_S.contains(&us.div_euclid(1_000_000));
        if !sound {
            notices.push(format!("{name}: starts outside 1970 to 2100; its dates are not used"));
        }
        sound
    });
    let placed = begin::begin(name, &mut reader, deployment, start_unix_us, &mut notices)?;
    let first_t_s = record_t_s + placed.from_us as f64 / 1e6;
    let start_unix_us = start_unix_us.map(|us| us.saturating_add_unsigned(placed.from_us));
    if record_t_s.abs() > 1.0 {
        notices.push(format!(
            "{name}: t_s starts at {record_t_s} s; waits (floor, ceiling) count from the animal's \
             release"
        ));
    }
    if deployment.from_file && deployment.breathing.is_none() {
        notices.push(format!("{name}: breathing mode not given; ram is assumed"));
    }
    if reader.has_pressure() && deployment.latitude_deg.is_none() {
        notices.push(format!(
            "{name}: latitude not given; pressure is turned into depth for {DEFAULT_LATITUDE_DEG} deg"
        ));
    }
    let somewhere = deployment.latitude_deg.is_some() && deployment.longitude_deg.is_some();
    if deployment.from_file && !(start_unix_us.is_some() && somewhere) {
        notices.push(format!(
            "{name}: start_utc, latitude_deg and longitude_deg not all given; letting go does not \
             wait for daylight"
        ));
    }
    let config = deployment.config(sample_hz, start_unix_us)?;
    let tag = deployment.tag_file()?;
    let memory_mib = tag.memory_mib.as_ref().map_or(DEFAULT_MEMORY_MIB, |m| m.value);
    let memory_bytes = memory_mib * 1024.0 * 1024.0;
    let setup = Setup {
        config,
        energy: Arc::new(TraceLoads::new(&tag, sample_hz)),
        memory_bytes,
        first_t_s,
        keep,
        own: deployment.own.clone(),
    };
    let facts = FileFacts {
        trace: name.to_owned(),
        id: deployment.id.clone(),
        sample_hz,
        first_t_s,
        record_t_s,
        placed,
        end_stated: deployment.end_unix_us.is_some() && !deployment.as_tag,
        start_unix_us,
        breathing: deployment.breathing.unwrap_or(Breathing::Ram),
        has_depth: reader.has_depth(),
        raw_counts: reader.accel_unit() == AccelUnit::Raw,
        cell_mah: tag.cell.nominal_mah.value * tag.cell.in_parallel,
        tag: tag.id,
        memory_bytes,
    };
    Ok(Prepared { reader, setup, facts, notices, overlapped: false })
}

/// The stated sample rate checked against the file's, or the file's alone.
fn sample_rate(
    name: &str,
    deployment: &Deployment,
    inferred: Option<f64>,
    notices: &mut Vec<String>,
) -> Result<f64, Problem> {
    match (deployment.sample_hz, inferred) {
        (Some(stated), Some(seen)) if (stated - seen).abs() > 0.05 * seen => Err(deployment
            .at_key(
                "sample_hz",
                &format!("sample_hz = {stated}, but the times in {name} give {seen} Hz"),
            )),
        (Some(stated), _) => Ok(stated),
        (None, Some(seen)) if !(5.0..=100.0).contains(&seen) => Err(Problem::new(format!(
            "{name}: the times of the first rows give {seen} Hz; 5 to 100 Hz were expected"
        ))
        .help(if (0.005..=0.1).contains(&seen) {
            "t_s is in seconds; these times look like milliseconds"
        } else {
            "t_s is in seconds from the start of the file"
        })),
        (None, Some(seen)) => {
            notices.push(format!("{name}: sample rate inferred from the times: {seen} Hz"));
            Ok(seen)
        }
        (None, None) => {
            Err(Problem::new(format!("{name}: one row is too few to infer the sample rate from"))
                .help("state sample_hz under [logger] in the deployment file"))
        }
    }
}

impl Prepared {
    /// Runs the whole trace.
    ///
    /// # Errors
    /// Damage met further on in the file.
    pub fn run(mut self) -> Result<Report, Problem> {
        let mut replayer = Replayer::new(&self.setup);
        self.each(|rows| replayer.push_all(rows))?;
        Ok(replayer.finish(self.facts.ended(&self.reader), self.reader.faults()))
    }

    /// Hands all rows to `take`, a lot at a time.
    fn each(&mut self, take: impl FnMut(&Rows)) -> Result<(), Problem> {
        let sample_us = self.setup.config.sample_us();
        rows::each(&mut self.reader, self.overlapped, sample_us, take)
    }

    /// Runs the whole trace on hardware that goes wrong as planned.
    ///
    /// # Errors
    /// Damage met further on in the file.
    pub fn run_with_faults(mut self, plan: &Drawn) -> Result<Report, Problem> {
        let mut replayer = Replayer::with_faults(&self.setup, plan, None);
        self.each(|rows| replayer.push_all(rows))?;
        Ok(replayer.finish(self.facts.ended(&self.reader), self.reader.faults()))
    }

    /// The same, and keeps what that tag would keep in flash and send, with raw `bursts` if wanted.
    ///
    /// # Errors
    /// Damage met further on in the file; a memory too small for a log.
    pub fn run_keeping_with_faults(
        mut self,
        plan: &Drawn,
        bursts: bool,
    ) -> Result<(Report, Records), Problem> {
        let records = kept::records(&self.setup, &self.facts, bursts)?;
        let mut replayer = Replayer::with_faults(&self.setup, plan, Some(records));
        self.each(|rows| replayer.push_all(rows))?;
        replayer.drain();
        let left = replayer.left.take().ok_or_else(|| Problem::new("no log was left behind"))?;
        Ok((replayer.finish(self.facts.ended(&self.reader), self.reader.faults()), left))
    }

    /// As [`Prepared::run`], with somebody watching every step.
    ///
    /// # Errors
    /// Damage met further on in the file.
    pub fn run_watched(mut self, watch: &mut impl Watch) -> Result<Report, Problem> {
        let mut replayer = Replayer::new(&self.setup);
        self.each(|rows| {
            for row in rows.iter() {
                replayer.push(&row);
                watch.row(&row, &replayer);
            }
        })?;
        replayer.rest();
        watch.rest(&replayer);
        Ok(replayer.finish(self.facts.ended(&self.reader), self.reader.faults()))
    }
}

impl Prepared {
    /// Runs the whole trace and keeps what the tag would keep in flash and send,
    /// with raw `bursts` if wanted.
    ///
    /// # Errors
    /// Damage met further on in the file; a memory too small for a log.
    pub fn run_keeping(mut self, bursts: bool) -> Result<(Report, Kept), Problem> {
        let mut kept = Kept::new(&self.setup, &self.facts, bursts)?;
        let mut replayer = Replayer::new(&self.setup);
        replayer.keep(kept.clone());
        self.each(|rows| replayer.push_all(rows))?;
        replayer.drain();
        if let Some(filled) = replayer.kept.take() {
            kept = *filled;
        }
        kept.end(replayer.last_us, &replayer.tag);
        Ok((replayer.finish(self.facts.ended(&self.reader), self.reader.faults()), kept))
    }
}

/// Replays one file: the report, and the notices to give.
///
/// # Errors
/// As [`prepare`], and damage met further on in the file.
pub fn replay_file(
    path: &Path,
    deployment: Option<&Path>,
    keep: Keep,
) -> Result<(Report, Vec<String>), Problem> {
    let mut prepared = prepare(path, deployment, keep, |file| Box::new(file))?;
    let notices = std::mem::take(&mut prepared.notices);
    Ok((prepared.run()?, notices))
}
