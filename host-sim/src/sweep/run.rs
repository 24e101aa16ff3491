//! The work: which pieces there are, and how they are done side by side.
//!
//! A piece is one trace with all cells that share its sample stages (rate, way of
//! thinning, duty cycle, and the settings that [`super::cells::STAGES`] gives to the
//! sample stages). Traces are read a few at a time, as many as there are threads,
//! so that memory stays bounded; within these, pieces run in any order.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex};

use blake3::Hash;
use firmware_core::config::Config;
use firmware_core::detector::Detector;
use rayon::prelude::*;

use super::cells::{self, Cell, Stage, read_at};
use super::duty::Duty;
use super::fan::{self, LeafPlan, LimbPlan, Outcome};
use super::grid::Grid;
use super::report::report;
use super::state::{Key, State};
use super::tally::CellTrace;
use super::thin::{Thinning, thin};
use super::traces::{Loaded, TraceFile};
use crate::energy::tracker::TraceLoads;
use crate::own::{Own, OwnEvents};
use crate::problem::Problem;
use crate::score::{self, BeatScore, RateScore};
use crate::tag_file::TagFile;
use crate::trace::Decoded;

/// Most results, cells times traces, that are held in memory.
const MAX_RESULTS: usize = 1_000_000;
/// Bytes of a raw sample where the tag file has no record called `raw`: three axes
/// of 16 bits.
const RAW_BYTES: f64 = 6.0;

/// A sweep, checked and ready to run.
pub struct Sweep {
    /// The grid.
    pub grid: Grid,
    /// Its cells.
    pub cells: Vec<Cell>,
    /// The traces.
    pub traces: Vec<TraceFile>,
    /// The tag of each trace.
    pub tags: Vec<TagFile>,
    /// Cells left out, as they would be the same as others.
    pub left_out: usize,
    /// `configs[trace][cell]`
    configs: Vec<Vec<Config>>,
    /// Factor of the recorded rate, `[trace][cell]`.
    factors: Vec<Vec<usize>>,
    keys: Vec<Vec<Key>>,
    pieces: Vec<Piece>,
}

/// Cells that share one run of the sample stages on one trace.
struct Piece {
    trace: usize,
    factor: usize,
    thinning: Thinning,
    duty: Duty,
    cells: Vec<usize>,
}

/// Bytes of the raw record a sample.
pub fn raw_bytes_per_sample(tag: &TagFile) -> f64 {
    let raw = tag.records.iter().find(|r| r.name == "raw");
    raw.map(|r| r.bytes.bytes_per_sample.value).filter(|&bytes| bytes > 0.0).unwrap_or(RAW_BYTES)
}

impl Sweep {
    /// Crosses `grid` with `traces` and checks every cell on every trace. `tag` stands
    /// for the tag of all traces, with the hash of its file; else each trace's own.
    ///
    /// # Errors
    /// A cell that cannot be run on a trace, or too many results.
    pub fn new(
        grid: Grid,
        traces: Vec<TraceFile>,
        tag: Option<(TagFile, Hash)>,
        build: Option<Hash>,
    ) -> Result<Self, Problem> {
        let recorded: Vec<f64> = traces.iter().map(|t| t.facts.sample_hz).collect();
        let (cells, left_out) = cells::cross(&grid, &recorded);
        if cells.len() * traces.len() > MAX_RESULTS {
            return Err(Problem::new(format!(
                "{}: {} cells on {} traces give {} results; at most {MAX_RESULTS} can be held",
                grid.name,
                cells.len(),
                traces.len(),
                cells.len() * traces.len()
            ))
            .help("shorten the lists of the grid, or sweep fewer traces at a time"));
        }
        let mut sweep = Sweep {
            grid,
            cells,
            left_out,
            tags: Vec::new(),
            configs: Vec::new(),
            factors: Vec::new(),
            keys: Vec::new(),
            pieces: Vec::new(),
            traces,
        };
        for (n, trace) in sweep.traces.iter().enumerate() {
            let name = &trace.facts.trace;
            let mut configs = Vec::with_capacity(sweep.cells.len());
            let mut factors = Vec::with_capacity(sweep.cells.len());
            let mut pieces: BTreeMap<_, Vec<usize>> = BTreeMap::new();
            for (c, cell) in sweep.cells.iter().enumerate() {
                let (hz, factor) = cell.rate(&sweep.grid, name, trace.facts.sample_hz)?;
                let config = cell.config(&sweep.grid, name, &trace.setup.config, hz)?;
                // At the recorded rate there is nothing to thin.
                let thinning = if factor == 1 { Thinning::Filter } else { cell.thinning };
                let samples = read_at(&config, Stage::Samples);
                pieces.entry((factor, thinning, cell.duty, samples)).or_default().push(c);
                configs.push(config);
                factors.push(factor);
            }
            let pieces = pieces.into_iter().map(|((factor, thinning, duty, _), cells)| Piece {
                trace: n,
                factor,
                thinning,
                duty,
                cells,
            });
            sweep.pieces.extend(pieces);
            let base = format!("{:?} {:?} {:?}", build, trace.hash, tag.as_ref().map(|t| t.1));
            let key = |cell: &Cell| {
                // Rust's form of a number tells all its digits.
                let text = format!("{base} {cell:?}");
                blake3::hash(text.as_bytes()).to_hex()[..32].to_owned()
            };
            sweep.keys.push(sweep.cells.iter().map(key).collect());
            sweep.tags.push(match &tag {
                Some((tag, _)) => tag.clone(),
                None => trace.tag.clone(),
            });
            sweep.configs.push(configs);
            sweep.factors.push(factors);
        }
        Ok(sweep)
    }

    /// The configuration of the tag in a cell on a trace.
    pub fn config(&self, trace: usize, cell: usize) -> &Config {
        &self.configs[trace][cell]
    }

    /// By what the recorded rate of a trace is divided in a cell.
    pub fn factor(&self, trace: usize, cell: usize) -> usize {
        self.factors[trace][cell]
    }

    /// Results of each cell on each trace: their number.
    pub fn results(&self) -> usize {
        self.cells.len() * self.traces.len()
    }

    /// Of these, held by `state`.
    pub fn held(&self, state: &State) -> usize {
        self.keys.iter().flatten().filter(|key| state.held.contains_key(*key)).count()
    }

    /// Runs what `state` does not hold on `jobs` traces at a time, in the rayon pool
    /// it is called in. `done` is told of each part of the work, in milliseconds that
    /// it may take, which sum up to [`Sweep::work`]. Results: `[trace][cell]`.
    ///
    /// # Errors
    /// A trace that proves damaged, or a state that cannot be written.
    pub fn run(
        &self,
        state: Option<State>,
        jobs: usize,
        done: &(dyn Fn(u64) + Sync),
    ) -> Result<(Vec<Vec<CellTrace>>, Option<State>), Problem> {
        let mut results: Vec<Vec<Option<CellTrace>>> = self
            .keys
            .iter()
            .map(|keys| {
                let held = |key| state.as_ref().and_then(|s| s.held.get(key).cloned());
                keys.iter().map(held).collect()
            })
            .collect();
        let state = Mutex::new(state);
        for wave in (0..self.traces.len()).collect::<Vec<_>>().chunks(jobs.max(1)) {
            let mut todo: Vec<(&Piece, Vec<usize>)> = Vec::new();
            for piece in self.pieces.iter().filter(|p| wave.contains(&p.trace)) {
                let missing = |c: &&usize| results[piece.trace][**c].is_none();
                let cells: Vec<usize> = piece.cells.iter().filter(missing).copied().collect();
                if cells.is_empty() {
                    done(self.cost(piece));
                } else {
                    todo.push((piece, cells));
                }
            }
            // The longest first, so that the threads end together.
            todo.sort_by_key(|(piece, _)| std::cmp::Reverse(self.cost(piece)));
            let mut wanted: Vec<usize> = todo.iter().map(|(piece, _)| piece.trace).collect();
            wanted.sort_unstable();
            wanted.dedup();
            let loaded: BTreeMap<usize, Loaded> = wanted
                .into_par_iter()
                .map(|n| Ok((n, self.traces[n].load()?)))
                .collect::<Result<_, Problem>>()?;
            let mut thinned: Vec<(usize, usize, Thinning)> = todo
                .iter()
                .filter(|(piece, _)| piece.factor > 1)
                .map(|(piece, _)| (piece.trace, piece.factor, piece.thinning))
                .collect();
            thinned.sort_unstable();
            thinned.dedup();
            let thinned: BTreeMap<_, Decoded> = thinned
                .into_par_iter()
                .map(|of| (of, self.thin(&loaded[&of.0].rows, of)))
                .collect();
            let outcomes = todo.par_iter().with_max_len(1).map(|(piece, cells)| {
                let of = (piece.trace, piece.factor, piece.thinning);
                let loaded = &loaded[&piece.trace];
                let rows = thinned.get(&of).unwrap_or(&loaded.rows);
                let made = self.piece(piece, cells, rows, loaded);
                done(self.cost(piece));
                let keyed =
                    made.iter().map(|(c, r)| (self.keys[piece.trace][*c].clone(), r.clone()));
                if let Ok(mut state) = state.lock()
                    && let Some(state) = state.as_mut()
                {
                    state.add(keyed.collect())?;
                }
                Ok((piece.trace, made))
            });
            for (trace, made) in outcomes.collect::<Result<Vec<_>, Problem>>()? {
                for (cell, result) in made {
                    results[trace][cell] = Some(result);
                }
            }
        }
        let results = results.into_iter().map(|r| r.into_iter().flatten().collect()).collect();
        Ok((results, state.into_inner().unwrap_or(None)))
    }

    /// All the work there is, in milliseconds that it may take.
    pub fn work(&self) -> u64 {
        self.pieces.iter().map(|piece| self.cost(piece)).sum()
    }

    /// Milliseconds that a piece may take: a guess for the time left.
    fn cost(&self, piece: &Piece) -> u64 {
        let bytes = self.traces[piece.trace].bytes as f64;
        let share = piece.duty.fraction() / piece.factor as f64;
        (1.0 + bytes * 3e-6 * (share + 1e-3 * piece.cells.len() as f64)) as u64
    }

    fn thin(&self, rows: &Decoded, (trace, factor, how): (usize, usize, Thinning)) -> Decoded {
        let trace = &self.traces[trace];
        thin(rows, factor, how, 1e6 / trace.facts.sample_hz, trace.counts_per_g)
    }

    /// Runs a piece for some of its cells.
    fn piece(
        &self,
        piece: &Piece,
        cells: &[usize],
        rows: &Decoded,
        loaded: &Loaded,
    ) -> Vec<(usize, CellTrace)> {
        let trace = &self.traces[piece.trace];
        let tag = &self.tags[piece.trace];
        let configs = &self.configs[piece.trace];
        let memory_bytes =
            tag.memory_mib.as_ref().map_or(f64::INFINITY, |m| m.value * 1024.0 * 1024.0);
        // By what their judges and their own detectors read.
        let mut limbs: BTreeMap<(Vec<u32>, Vec<u32>), (LimbPlan, Own)> = BTreeMap::new();
        for &id in cells {
            let config = configs[id];
            let raw = if self.cells[id].raw { raw_bytes_per_sample(tag) } else { 0.0 };
            let own = self.cells[id].own(&trace.setup.own);
            let bits = own.iter().map(|value| value.to_bits()).collect();
            let (plan, _) = limbs
                .entry((read_at(&config, Stage::Minutes), bits))
                .or_insert_with(|| (LimbPlan { config, leaves: Vec::new() }, Own::new(&own)));
            plan.leaves.push(LeafPlan { config, memory_bytes, raw_bytes_per_sample: raw, id });
        }
        let (plans, owns): (Vec<LimbPlan>, Vec<Own>) = limbs.into_values().unzip();
        let hz = trace.facts.sample_hz / piece.factor as f64;
        let loads = Arc::new(TraceLoads::new(tag, hz));
        let outcomes = fan::run_with(rows, piece.duty, &loads, &plans, &owns, false);
        let duration_s = loaded.rows.latest_us() as f64 / 1e6;
        // Beats and minutes are judged once for all leaves that share them.
        let mut judged: Vec<(&Outcome, Option<BeatScore>, Option<RateScore>)> = Vec::new();
        outcomes
            .iter()
            .map(|o| {
                let config = &configs[o.id];
                let before = judged.iter().find(|(p, ..)| Arc::ptr_eq(&p.found, &o.found));
                let own = self.cells[o.id].own(&trace.setup.own);
                let report = report(o, &trace.facts, duration_s, &own, before.is_none());
                let mut score = score::judge(&loaded.truth, &report, config);
                match before {
                    Some((_, beats, rate)) => (score.beats, score.rate) = (*beats, *rate),
                    None => judged.push((o, score.beats, score.rate)),
                }
                let result = CellTrace {
                    score,
                    record_bytes: o.record_bytes.into(),
                    raw_bytes: o.raw_bytes as u64,
                    used_mah: o.used_mah,
                    own: report.own.as_ref().map_or_else(BTreeMap::new, OwnEvents::counts),
                };
                (o.id, result)
            })
            .collect()
    }
}

/// Reads the tag file at `path`, or the shipped tag of that name, with its hash.
///
/// # Errors
/// No such tag, or one that is not sound.
pub fn load_tag(name: &Path) -> Result<(TagFile, Hash), Problem> {
    let shipped = name.to_str().and_then(TagFile::shipped);
    let tag = match shipped {
        Some(tag) if !name.exists() => tag,
        _ => TagFile::load(name)?,
    };
    // All its figures, each with all digits.
    let hash = blake3::hash(format!("{tag:?}").as_bytes());
    Ok((tag, hash))
}
