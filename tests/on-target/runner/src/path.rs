//! What the deployed path costs at one rate: instructions of every feed of it, with the
//! copies of state told apart, and the stages that they go to.

use std::path::Path;

use on_target_wire::deployed::{ERASED, FIFO, KEPT_ALL, KEPT_JOURNAL, KEPT_VITALS};
use on_target_wire::trace::{Carry, Mode};

use crate::check;
use crate::make;
use crate::profile;
use crate::results;
use crate::target::{self, Pace, Target};
use crate::trace::{Bytes, Job, Trace};

/// The function of the image `deployed` that is followed.
pub const FEED: &str = "deployed_feed";
/// Seed of the animal whose cost is told.
pub const ANIMAL: u64 = 11;
/// The deployment goes on so long behind the hours given: another bin of recovery ends
/// in it, with which, after 32 h, pairs of bins are joined.
const BEYOND_H: f64 = 0.6;
/// Part of that which is followed instruction by instruction, h.
const FOLLOWED_H: f64 = 0.06;
/// Copies of state of any kind.
const COPIES: u8 = KEPT_VITALS | KEPT_ALL | KEPT_JOURNAL;

/// Stages in the order of travel, with the source files (or folders) that belong to each.
pub const STAGES: [(&str, &[&str]); 11] = [
    ("sensor checks", &["signal/sensor", "signal/ingest"]),
    ("window", &["signal/window", "signal/rate"]),
    ("posture", &["signal/posture"]),
    ("beats", &["signal/sway", "beats/"]),
    ("minute", &["signal/minute"]),
    ("fate", &["signal/frame", "fate/"]),
    ("recovery", &["recovery"]),
    ("release", &["release/"]),
    ("log and summary", &["store/", "message/", "kept/"]),
    ("clocks, water, firing", &["shell/"]),
    ("composition", &["tag", "front", "config", "types", "detector", "lib", "math"]),
];

/// Mean, 99th percentile and worst.
#[derive(Clone, Copy, Default)]
pub struct Spread {
    /// Mean.
    pub mean: f64,
    /// 99th percentile.
    pub p99: f64,
    /// Worst.
    pub worst: f64,
}

impl Spread {
    fn of(mut values: Vec<f64>) -> Self {
        if values.is_empty() {
            return Spread::default();
        }
        values.sort_by(f64::total_cmp);
        let n = values.len();
        Spread {
            mean: values.iter().sum::<f64>() / n as f64,
            p99: values[(n * 99 / 100).min(n - 1)],
            worst: values[n - 1],
        }
    }
}

/// One feed.
#[derive(Clone, Copy)]
struct Feed {
    /// Trace, by its place in the job.
    trace: usize,
    /// Number of its first sample, and how many it holds.
    first: usize,
    samples: usize,
    instructions: f64,
    /// What it wrote to the flash.
    kept: u8,
}

/// A feed that cost most.
#[derive(Clone, Default)]
pub struct Worst {
    /// Instructions.
    pub instructions: f64,
    /// Trace, sample and the files that it went to.
    pub place: String,
}

/// Instructions of copies of state.
#[derive(Clone, Copy, Default)]
pub struct Copies {
    /// A copy of the vitals.
    pub vitals: f64,
    /// A copy of everything.
    pub all: f64,
    /// A feed that kept a copy of the journal, whole.
    pub journal_feed: f64,
    /// Of all copies at the default intervals, a sample.
    pub a_sample: f64,
}

/// Counts at one rate.
pub struct Counts {
    /// Rate.
    pub hz: f32,
    /// Length of the deployment, without what comes behind.
    pub hours: f64,
    /// Instructions a sample without copies of state: deployment, and traces full of faults.
    pub mean: f64,
    /// See `mean`.
    pub mean_faulty: f64,
    /// Instructions of a feed without copies of state.
    pub feed: Spread,
    /// The dearest feed of all traces without copies of state and without opening a
    /// segment of the log.
    pub worst: Worst,
    /// The dearest feed that opened a segment of the log, without copies.
    pub opened: f64,
    /// Copies of state.
    pub copies: Copies,
    /// Instructions a sample of the detectors alone.
    pub detectors: f64,
    /// Stages: a sample on the mean, a feed at the 99th percentile and at worst.
    pub stages: Vec<(String, Spread)>,
}

/// Images that are run.
#[derive(Clone, Copy)]
pub struct Images<'a> {
    /// The deployed path.
    pub deployed: &'a Path,
    /// The detectors alone.
    pub detectors: &'a Path,
}

/// A deployment whose recovery is never decided, so that its fits go on.
pub fn deployment(hz: f32, hours: f64) -> Trace {
    let plain = make::plain_config(hz);
    let mut d = *plain.detector();
    d.recovery_sd_max_h = 0.1;
    d.recovery_prob = 0.9999;
    let config = firmware_core::config::Config::new(
        *plain.logger(),
        *plain.place(),
        *plain.animal(),
        d,
        *plain.release(),
    )
    .expect("the settings lie within their ranges");
    make::long(ANIMAL, hz, hours + BEYOND_H, Some(config))
}

/// Instructions of everything that was timed, from its ticks.
pub fn instructions(bytes: &[u8]) -> Result<Vec<f64>, String> {
    let records = results::parse(bytes)?;
    let first = records.first().filter(|r| r.kind == b'C').ok_or("the image did not calibrate")?;
    let empty = f64::from(first.u32_at(0));
    let per = (f64::from(first.u32_at(4)) - empty) / f64::from(first.u32_at(8));
    if !(1.0..100.0).contains(&per) {
        return Err(format!("{per} ticks for an instruction make no sense"));
    }
    Ok(records
        .iter()
        .filter(|r| r.kind == b'T')
        .map(|r| (f64::from(r.u32_at(0)) - empty) / per)
        .collect())
}

/// The feeds of a job; `lengths` are the samples of its traces.
fn feeds(bytes: &[u8], lengths: &[usize]) -> Result<Vec<Feed>, String> {
    let mut feeds: Vec<Feed> = Vec::new();
    let mut counts = instructions(bytes)?.into_iter();
    let mut trace = 0;
    for record in results::parse(bytes)? {
        let first = record.sample as usize;
        match record.kind {
            b'T' => {
                let instructions = counts.next().unwrap_or_default();
                feeds.push(Feed { trace, first, samples: 0, instructions, kept: 0 });
            }
            b'K' => {
                if let Some(feed) = feeds.last_mut() {
                    feed.kept |= record.body[0];
                }
            }
            b'E' => trace += 1,
            _ => {}
        }
    }
    for i in 0..feeds.len() {
        let end = match feeds.get(i + 1) {
            Some(next) if next.trace == feeds[i].trace => next.first,
            _ => *lengths.get(feeds[i].trace).ok_or("more traces came back than were sent")?,
        };
        feeds[i].samples = end.saturating_sub(feeds[i].first);
    }
    Ok(feeds)
}

/// Runs on one target.
struct Runs<'a> {
    target: Target,
    images: Images<'a>,
    folder: tempfile::TempDir,
}

impl Runs<'_> {
    fn put(&self, trace: &Trace, job: Job, part: std::ops::Range<usize>) -> Result<(), String> {
        let mut traces = Bytes::default();
        trace.write_part(Job { first: part.start as u32, ..job }, part, &mut traces);
        target::put_traces(self.folder.path(), &traces.0)
    }

    fn timed(
        &self,
        trace: &Trace,
        job: Job,
        part: std::ops::Range<usize>,
    ) -> Result<Vec<Feed>, String> {
        let end = part.end;
        self.put(trace, job, part)?;
        let folder = self.folder.path();
        feeds(&target::run_in(self.target, self.images.deployed, folder, Pace::Counted)?, &[end])
    }

    /// Files that a feed goes to, after the tag was led to it.
    fn parts(&self, trace: &Trace, feed: &Feed) -> Result<String, String> {
        let job = Job { seldom: true, ..Job::of(Mode::Decide) };
        if feed.first > 0 {
            let carry = Carry { load: false, save: true };
            self.put(trace, Job { carry, ..job }, 0..feed.first)?;
            target::run_in(self.target, self.images.deployed, self.folder.path(), Pace::Free)?;
        }
        let carry = Carry { load: feed.first > 0, save: false };
        self.put(trace, Job { carry, ..job }, feed.first..feed.first + feed.samples)?;
        let folder = self.folder.path();
        let profile = profile::follow(self.target, self.images.deployed, folder, FEED)?;
        let mut parts: Vec<(u32, &str)> = profile
            .samples
            .iter()
            .flat_map(|s| s.iter().copied().zip(profile.stages.iter().map(String::as_str)))
            .collect();
        parts.sort_by(|a, b| b.cmp(a));
        let parts: Vec<String> = parts.iter().take(4).map(|(n, s)| format!("{s} {n}")).collect();
        Ok(parts.join(", "))
    }
}

fn mean(feeds: &[Feed]) -> f64 {
    let plain = feeds.iter().filter(|f| f.kept & COPIES == 0);
    let (sum, samples) =
        plain.fold((0.0, 0), |(sum, samples), f| (sum + f.instructions, samples + f.samples));
    sum / samples.max(1) as f64
}

fn dearest(feeds: &[Feed]) -> Option<Feed> {
    let plain = feeds.iter().filter(|f| f.kept & (COPIES | ERASED) == 0);
    plain.copied().max_by(|a, b| a.instructions.total_cmp(&b.instructions))
}

/// What copies cost: `often` holds the feeds at the default intervals, `seldom` the very
/// same feeds with hardly a copy.
fn copies(often: &[Feed], seldom: &[Feed], mean: f64) -> Copies {
    let extra = |which: u8| {
        let pairs = often.iter().zip(seldom).filter(|(o, s)| {
            o.first == s.first && o.kept & COPIES == which && s.kept & COPIES == 0
        });
        Spread::of(pairs.map(|(o, s)| o.instructions - s.instructions).collect()).mean
    };
    let vitals = extra(KEPT_VITALS);
    let alone = extra(KEPT_ALL);
    let all = if alone > 0.0 { alone } else { extra(KEPT_ALL | KEPT_VITALS) - vitals };
    let journal = seldom.iter().filter(|f| f.kept & COPIES == KEPT_JOURNAL);
    let journal_feed = Spread::of(journal.map(|f| f.instructions).collect()).worst;
    let total: f64 = often.iter().map(|f| f.instructions).sum();
    let samples: usize = often.iter().map(|f| f.samples).sum();
    Copies { vitals, all, journal_feed, a_sample: total / samples.max(1) as f64 - mean }
}

/// All counts at one rate.
pub fn counts(target: Target, images: Images<'_>, hz: f32, hours: f64) -> Result<Counts, String> {
    let trace = deployment(hz, hours);
    let all = 0..trace.samples.len();
    // A bin of recovery ends on the half hour; its fit starts within the next two minutes.
    let cut = (hours * 3600.0 * f64::from(hz)) as usize / FIFO * FIFO;
    let runs = Runs { target, images, folder: target::folder(&[])? };
    let job = Job { seldom: true, ..Job::of(Mode::Time) };
    let often = runs.timed(&trace, Job { seldom: false, ..job }, all)?;
    let saved = Carry { load: false, save: true };
    let mut seldom = runs.timed(&trace, Job { carry: saved, ..job }, 0..cut)?;
    let loaded = Carry { load: true, save: false };
    let window = (FOLLOWED_H * 3600.0 * f64::from(hz)) as usize / FIFO * FIFO;
    runs.put(&trace, Job { carry: loaded, mode: Mode::Decide, ..job }, cut..cut + window)?;
    let (stages, followed) = stages(&runs, &trace, cut..cut + window)?;
    let beyond = runs.timed(&trace, Job { carry: loaded, ..job }, cut..trace.samples.len())?;
    let ticked: f64 =
        beyond.iter().take_while(|f| f.first < cut + window).map(|f| f.instructions).sum();
    // Two independent counts of the same feeds.
    if (followed / ticked - 1.0).abs() > 0.03 {
        return Err(format!(
            "{} at {hz} Hz: {followed:.0} instructions were followed, {ticked:.0} timed",
            target.name
        ));
    }
    seldom.extend(beyond);
    let mean_plain = mean(&seldom);
    let copies = copies(&often, &seldom, mean_plain);
    let faulty = faulty(&runs, hz)?;
    let opened = seldom.iter().filter(|f| f.kept & (COPIES | ERASED) == ERASED);
    let opened = Spread::of(opened.map(|f| f.instructions).collect()).worst;
    let plain = seldom.iter().filter(|f| f.kept & COPIES == 0);
    let feed = Spread::of(plain.map(|f| f.instructions).collect());
    let worst = worst(&runs, (&trace, &seldom), &faulty)?;
    let detectors = alone(target, images.detectors, &trace)?;
    let mean_faulty = mean(&faulty.feeds);
    Ok(Counts {
        hz,
        hours,
        mean: mean_plain,
        mean_faulty,
        feed,
        worst,
        opened,
        copies,
        detectors,
        stages,
    })
}

/// Feeds of the short traces full of faults.
struct Faulty {
    traces: Vec<Trace>,
    feeds: Vec<Feed>,
}

fn faulty(runs: &Runs<'_>, hz: f32) -> Result<Faulty, String> {
    let traces: Vec<Trace> = check::short_traces().into_iter().filter(|t| t.hz() == hz).collect();
    let mut bytes = Bytes::default();
    for trace in &traces {
        trace.write(Job { seldom: true, ..Job::of(Mode::Time) }, &mut bytes);
    }
    let lengths: Vec<usize> = traces.iter().map(|t| t.samples.len()).collect();
    let got = target::run(runs.target, runs.images.deployed, &bytes.0, Pace::Counted)?;
    Ok(Faulty { feeds: feeds(&got, &lengths)?, traces })
}

/// The dearest feed of all, and where it goes.
fn worst(
    runs: &Runs<'_>,
    (long, feeds): (&Trace, &[Feed]),
    faulty: &Faulty,
) -> Result<Worst, String> {
    let (a, b) = (dearest(feeds), dearest(&faulty.feeds));
    let of_faulty = b.filter(|b| a.is_none_or(|a| b.instructions > a.instructions));
    let (feed, trace) = match (of_faulty, a) {
        (Some(feed), _) => (feed, faulty.traces.get(feed.trace).ok_or("no such trace")?),
        (None, Some(feed)) => (feed, long),
        _ => return Ok(Worst::default()),
    };
    let parts = runs.parts(trace, &feed)?;
    let place = format!("{}, sample {}: {parts}", trace.name, feed.first);
    Ok(Worst { instructions: feed.instructions, place })
}

/// Follows the feeds of a part of a trace, and puts them down to stages; the sum of all.
fn stages(
    runs: &Runs<'_>,
    trace: &Trace,
    part: std::ops::Range<usize>,
) -> Result<(Vec<(String, Spread)>, f64), String> {
    let hz = f64::from(trace.hz());
    let profile = profile::follow(runs.target, runs.images.deployed, runs.folder.path(), FEED)?;
    let followed = profile.samples.iter().flatten().map(|c| f64::from(*c)).sum::<f64>();
    let per_bin = 1800.0 * hz;
    let belongs = |files: &[&str], stage: &str| {
        files.iter().any(|f| *f == stage || (f.ends_with('/') && stage.starts_with(f)))
    };
    let mut known = 0;
    let mut stages: Vec<(String, Spread)> = STAGES
        .iter()
        .map(|(name, files)| {
            let mine: Vec<usize> =
                (0..profile.stages.len()).filter(|i| belongs(files, &profile.stages[*i])).collect();
            known += mine.len();
            let counts: Vec<f64> = profile
                .samples
                .iter()
                .map(|s| mine.iter().map(|i| f64::from(s[*i])).sum())
                .collect();
            let total: f64 = counts.iter().sum();
            let mut spread = Spread::of(counts);
            // One fit of recovery to a bin of half an hour.
            spread.mean = total / if *name == "recovery" { per_bin } else { part.len() as f64 };
            ((*name).to_owned(), spread)
        })
        .collect();
    if known != profile.stages.len() {
        return Err(format!(
            "a stage is new: {:?}; say in `path.rs` where it belongs",
            profile.stages
        ));
    }
    stages.retain(|s| s.1.worst > 0.0);
    Ok((stages, followed))
}

/// Mean instructions a sample over a deployment of `hours`, a quick look while one changes
/// something: the deployed path with its copies, and the detectors alone in runs of 25.
pub fn quick(target: Target, images: Images<'_>, hz: f32, hours: f64) -> Result<[f64; 2], String> {
    let trace = deployment(hz, hours);
    let job = Job { run: FIFO as u8, ..Job::of(Mode::Time) };
    let mut traces = Bytes::default();
    trace.write(Job { seldom: true, ..job }, &mut traces);
    let got = target::run(target, images.deployed, &traces.0, Pace::Counted)?;
    let deployed = mean(&feeds(&got, &[trace.samples.len()])?);
    Ok([deployed, alone(target, images.detectors, &trace)?])
}

/// Mean instructions a sample of the detectors alone, in runs of 25.
pub fn alone(target: Target, image: &Path, trace: &Trace) -> Result<f64, String> {
    let mut traces = Bytes::default();
    trace.write(Job { run: FIFO as u8, ..Job::of(Mode::Time) }, &mut traces);
    let counts = instructions(&target::run(target, image, &traces.0, Pace::Counted)?)?;
    Ok(counts.iter().sum::<f64>() / trace.samples.len() as f64)
}
