//! The raw axes inside a page: tiles of samples at full rate, and pyramids of
//! least and greatest values over them.
//!
//! A pyramid level of `m` holds, for every `m` sample periods on the clock of the
//! deployment, the least and the greatest reading of each axis. Nothing is
//! thinned: a spike of one sample is in every level. The finest level that fits
//! the room given covers the whole deployment; where that is not the full rate,
//! full rate is kept around what matters.

use super::pack::{Take, deflate, fold, inflate, put, unfold};

/// Full-rate readings are kept to this part of a g.
pub const FULL_PER_G: f32 = 512.0;
/// Bounds of pyramid levels are kept to one of these parts of a g: the coarser
/// one where that buys shorter bins.
const BOUNDS_PER_G: [f32; 2] = [256.0, 128.0];
/// Samples in a tile at full rate, and bins in a tile of a level.
const TILE: usize = 8192;
/// Bins joined from one level to the next.
const FACTOR: u64 = 8;
/// The coarsest level has at most so many bins.
const COARSEST: usize = 2048;

/// Samples at full rate, packed.
struct Full {
    first_us: u64,
    last_us: u64,
    samples: usize,
    irregular: bool,
    packed: Vec<u8>,
}

/// A place in the text of packed tiles: `[first, last or count, .., offset, length]`.
pub type Entry = Vec<f64>;

/// A level of the pyramid, packed for the page.
pub struct Level {
    /// Sample periods in a bin.
    pub samples: u64,
    /// `[first bin, bins, offset, length]` of each tile.
    pub index: Vec<Entry>,
    /// The tiles, base64, one after the other.
    pub text: String,
}

/// All that the page holds of the raw axes.
pub struct Packed {
    /// Levels, finest first.
    pub levels: Vec<Level>,
    /// Bounds are kept to this part of a g.
    pub bounds_per_g: f32,
    /// `[first s, last s, samples, irregular, offset, length]` of each full-rate tile.
    pub full_index: Vec<Entry>,
    /// Full-rate tiles, base64.
    pub full_text: String,
    /// Whether full rate covers everything.
    pub full_complete: bool,
}

/// Takes samples and keeps them, packed: about 2 to 5 bytes a sample.
pub struct Tiles {
    period_us: f64,
    us: Vec<u64>,
    axes: [Vec<f32>; 3],
    full: Vec<Full>,
}

/// A span of time that deserves full rate, s since release.
pub type Span = (f64, f64);

impl Tiles {
    /// For samples at `sample_hz`.
    pub fn new(sample_hz: f64) -> Self {
        Tiles {
            period_us: 1e6 / sample_hz,
            us: Vec::with_capacity(TILE),
            axes: [const { Vec::new() }; 3],
            full: Vec::new(),
        }
    }

    /// Takes a sample; one that does not move time on is left out.
    pub fn push(&mut self, t_us: u64, accel_g: [f32; 3]) {
        let last = self.us.last().copied().or(self.full.last().map(|f| f.last_us));
        if last.is_some_and(|last| t_us <= last) {
            return;
        }
        // A tile does not span a gap.
        let gap = last.is_some_and(|last| (t_us - last) as f64 > 16.0 * self.period_us);
        if self.us.len() >= TILE || (gap && self.us.len() >= TILE / 16) {
            self.close();
        }
        self.us.push(t_us);
        for (axis, v) in self.axes.iter_mut().zip(accel_g) {
            axis.push(v);
        }
    }

    fn close(&mut self) {
        let (Some(&first_us), Some(&last_us)) = (self.us.first(), self.us.last()) else { return };
        let n = self.us.len();
        let step = if n > 1 { (last_us - first_us) as f64 / (n - 1) as f64 } else { 0.0 };
        let off = |(i, &us): (usize, &u64)| (first_us as f64 + step * i as f64 - us as f64).abs();
        let irregular =
            self.us.iter().enumerate().map(off).fold(0.0, f64::max) > 0.5 * self.period_us;
        let mut bytes = Vec::with_capacity(4 * n);
        for axis in &mut self.axes {
            let mut last = 0i32;
            for v in axis.drain(..) {
                if v.is_nan() {
                    put(&mut bytes, 0);
                } else {
                    let q = (v * FULL_PER_G).round() as i32;
                    put(&mut bytes, fold(q - last).saturating_add(1));
                    last = q;
                }
            }
        }
        if irregular {
            for pair in self.us.windows(2) {
                put(&mut bytes, u32::try_from(pair[1] - pair[0]).unwrap_or(u32::MAX));
            }
        }
        let packed = deflate(&bytes);
        self.full.push(Full { first_us, last_us, samples: n, irregular, packed });
        self.us.clear();
    }

    /// Packs everything into at most about `room` bytes before base64. `wanted`:
    /// spans that come first where full rate does not fit everywhere.
    pub fn finish(mut self, room: usize, wanted: &[Span]) -> Packed {
        self.close();
        let all: usize = self.full.iter().map(|f| f.packed.len()).sum();
        let full_complete = all as f64 * 1.2 <= room as f64;
        let (base, bounds_per_g) =
            if full_complete { (FACTOR, BOUNDS_PER_G[0]) } else { self.base(0.82 * room as f64) };
        let levels = self.levels(base, bounds_per_g);
        let taken: usize = levels.iter().map(|l| l.text.len() / 4 * 3).sum();
        let chosen = if full_complete {
            vec![true; self.full.len()]
        } else {
            self.choose(room.saturating_sub(taken), wanted)
        };
        let mut full_text = String::new();
        let mut full_index = Vec::new();
        for (f, _) in self.full.iter().zip(&chosen).filter(|(_, chosen)| **chosen) {
            let text = super::pack::base64(&f.packed);
            full_index.push(vec![
                f.first_us as f64 / 1e6,
                f.last_us as f64 / 1e6,
                f.samples as f64,
                f64::from(u8::from(f.irregular)),
                full_text.len() as f64,
                text.len() as f64,
            ]);
            full_text.push_str(&text);
        }
        Packed { levels, bounds_per_g, full_index, full_text, full_complete }
    }

    /// Sample periods in a bin of the finest level whose pyramid fits `room`, and
    /// the part of a g that its bounds are kept to.
    fn base(&self, room: f64) -> (u64, f32) {
        let tried: Vec<&Full> = self.full.iter().step_by(1 + self.full.len() / 24).collect();
        let share = tried.iter().map(|f| f.samples).sum::<usize>().max(1) as f64
            / self.full.iter().map(|f| f.samples).sum::<usize>().max(1) as f64;
        let mut base = 4;
        loop {
            for per_g in BOUNDS_PER_G {
                let mut bins = Bins::new(base, self.period_us, per_g);
                tried.iter().for_each(|f| bins.take(f));
                let coarser = FACTOR as f64 / (FACTOR - 1) as f64;
                let size = bins.level().text.len() as f64 * 0.75 / share * coarser;
                if size <= room || base >= 1 << 20 {
                    return (base, per_g);
                }
            }
            base *= 2;
        }
    }

    fn levels(&self, base: u64, per_g: f32) -> Vec<Level> {
        let mut bins = Bins::new(base, self.period_us, per_g);
        self.full.iter().for_each(|f| bins.take(f));
        let mut levels = Vec::new();
        loop {
            let next = (bins.len() > COARSEST).then(|| bins.coarser());
            levels.push(bins.level());
            match next {
                Some(coarser) => bins = coarser,
                None => return levels,
            }
        }
    }

    /// Full-rate tiles that fit `room`: those in the spans first, then evenly spread.
    fn choose(&self, room: usize, wanted: &[Span]) -> Vec<bool> {
        let mut chosen = vec![false; self.full.len()];
        let mut left = room;
        let mut take = |n: usize| {
            let size = self.full[n].packed.len();
            if !chosen[n] && size <= left {
                left -= size;
                chosen[n] = true;
            }
        };
        for &(from, to) in wanted {
            for (n, f) in self.full.iter().enumerate() {
                if f.first_us as f64 / 1e6 <= to && f.last_us as f64 / 1e6 >= from {
                    take(n);
                }
            }
        }
        // Halving steps: the record is covered evenly, however much room is left.
        let mut step = self.full.len().next_power_of_two();
        while step > 0 {
            (0..self.full.len()).step_by(step).for_each(&mut take);
            step /= 2;
        }
        chosen
    }
}

/// Least and greatest of the three axes in one bin; least above greatest: none.
#[derive(Clone, Copy)]
struct Bounds {
    low: [i16; 3],
    high: [i16; 3],
}

const NONE: Bounds = Bounds { low: [i16::MAX; 3], high: [i16::MIN; 3] };

/// One level while it is made: runs of neighbouring bins.
struct Bins {
    samples: u64,
    bin_us: f64,
    per_g: f32,
    runs: Vec<(u64, Vec<Bounds>)>,
}

impl Bins {
    fn new(samples: u64, period_us: f64, per_g: f32) -> Self {
        Bins { samples, bin_us: period_us * samples as f64, per_g, runs: Vec::new() }
    }

    fn len(&self) -> usize {
        self.runs.iter().map(|(_, run)| run.len()).sum()
    }

    fn at(&mut self, bin: u64) -> &mut Bounds {
        let fits = self.runs.last().is_some_and(|(first, run)| {
            bin >= *first && bin - first < TILE as u64 && bin - first < run.len() as u64 + 64
        });
        if !fits {
            self.runs.push((bin, Vec::new()));
        }
        let last = self.runs.len() - 1;
        let (first, run) = &mut self.runs[last];
        let n = (bin - *first) as usize;
        if n >= run.len() {
            run.resize(n + 1, NONE);
        }
        &mut run[n]
    }

    fn add(&mut self, bin: u64, axis: usize, low: i16, high: i16) {
        let b = self.at(bin);
        b.low[axis] = b.low[axis].min(low);
        b.high[axis] = b.high[axis].max(high);
    }

    /// Takes the samples of a full-rate tile.
    fn take(&mut self, f: &Full) {
        let bytes = inflate(&f.packed);
        let mut codes = Take(&bytes);
        let mut axes = [const { Vec::new() }; 3];
        for axis in &mut axes {
            let mut last = 0;
            axis.extend(codes.by_ref().take(f.samples).map(|code| {
                (code > 0).then(|| {
                    last += unfold(code - 1);
                    last
                })
            }));
        }
        let step = (f.last_us - f.first_us) as f64 / (f.samples.max(2) - 1) as f64;
        let mut us = f.first_us as f64;
        for i in 0..f.samples {
            let bin = (us / self.bin_us) as u64;
            for (n, axis) in axes.iter().enumerate() {
                if let Some(Some(v)) = axis.get(i) {
                    let v = *v as f32 * (self.per_g / FULL_PER_G);
                    self.add(bin, n, v.floor() as i16, v.ceil() as i16);
                }
            }
            us += if f.irregular { codes.next().map_or(0.0, f64::from) } else { step };
        }
    }

    fn coarser(&self) -> Bins {
        let mut out = Bins {
            samples: self.samples * FACTOR,
            bin_us: self.bin_us * FACTOR as f64,
            per_g: self.per_g,
            runs: Vec::new(),
        };
        for (first, run) in &self.runs {
            for (n, b) in run.iter().enumerate() {
                for axis in 0..3 {
                    if b.low[axis] <= b.high[axis] {
                        let bin = (first + n as u64) / FACTOR;
                        out.add(bin, axis, b.low[axis], b.high[axis]);
                    }
                }
            }
        }
        out
    }

    fn level(&self) -> Level {
        let mut text = String::new();
        let mut index = Vec::new();
        for (first, run) in &self.runs {
            let mut bytes = Vec::with_capacity(6 * run.len());
            for axis in 0..3 {
                let mut last = 0;
                for b in run {
                    let (low, high) = (i32::from(b.low[axis]), i32::from(b.high[axis]));
                    if low > high {
                        put(&mut bytes, 0);
                        continue;
                    }
                    put(&mut bytes, fold(low - last) + 1);
                    last = low;
                }
                for b in run.iter().filter(|b| b.low[axis] <= b.high[axis]) {
                    put(&mut bytes, (i32::from(b.high[axis]) - i32::from(b.low[axis])) as u32);
                }
            }
            let packed = super::pack::base64(&deflate(&bytes));
            index.push(vec![
                *first as f64,
                run.len() as f64,
                text.len() as f64,
                packed.len() as f64,
            ]);
            text.push_str(&packed);
        }
        Level { samples: self.samples, index, text }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn swim(n: usize, hz: f64) -> Tiles {
        let mut tiles = Tiles::new(hz);
        for i in 0..n {
            let t = i as f64 / hz;
            // A noise of a few mg from mixed bits, and one spike.
            let mut bits = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            let noise = ((bits ^ (bits >> 31)) >> 40) as f64 / f64::from(1 << 24) - 0.5;
            let sway = (t * 4.0).sin() * 0.2 + 0.01 * noise;
            let spike = if i == n / 3 { 3.0 } else { 0.0 };
            tiles.push((t * 1e6) as u64, [0.01 * noise as f32, sway as f32, 1.0 + spike]);
        }
        tiles
    }

    fn bytes(p: &Packed) -> usize {
        p.full_text.len() + p.levels.iter().map(|l| l.text.len()).sum::<usize>()
    }

    #[test]
    fn a_short_record_is_kept_whole_and_a_long_one_within_its_room() {
        let whole = swim(100_000, 25.0).finish(2_000_000, &[]);
        assert!(whole.full_complete);
        assert_eq!(whole.full_index.iter().map(|e| e[2]).sum::<f64>(), 100_000.0);
        let room = 60_000;
        let tight = swim(100_000, 25.0).finish(room, &[(1000.0, 1001.0)]);
        assert!(!tight.full_complete);
        assert!(bytes(&tight) <= room * 4 / 3 + 4096, "{}", bytes(&tight));
        assert!(tight.full_index.iter().any(|e| e[0] <= 1000.0 && e[1] >= 1000.0));
        let finest = &tight.levels[0];
        let last = finest.index.last().unwrap();
        let bins = 100_000u64.div_ceil(finest.samples);
        assert_eq!((last[0] + last[1]) as u64, bins, "the finest level covers the record");
    }

    #[test]
    fn every_level_keeps_the_extremes() {
        let packed = swim(100_000, 25.0).finish(2_000_000, &[]);
        for level in &packed.levels {
            let mut high = f32::MIN;
            for entry in &level.index {
                let (at, len) = (entry[2] as usize, entry[3] as usize);
                use base64::Engine;
                let base64 = base64::engine::general_purpose::STANDARD;
                let bytes = inflate(&base64.decode(&level.text[at..at + len]).unwrap());
                let codes: Vec<u32> = Take(&bytes).collect();
                let n = entry[1] as usize;
                let (low, range) = codes[4 * n..].split_at(n);
                let mut value = 0;
                for (code, range) in low.iter().zip(range) {
                    value += unfold(code - 1);
                    high = high.max((value + *range as i32) as f32 / packed.bounds_per_g);
                }
            }
            assert!((high - 4.0).abs() < 0.01, "{}: {high}", level.samples);
        }
    }

    #[test]
    fn missing_readings_and_gaps_are_no_readings() {
        let mut tiles = Tiles::new(10.0);
        for i in 0..5000u64 {
            let x = if i % 7 == 0 { f32::NAN } else { 0.5 };
            let jump = if i > 2500 { 3_600_000_000 } else { 0 };
            tiles.push(i * 100_000 + jump, [x, f32::NAN, 1.0]);
        }
        tiles.push(5, [9.0; 3]); // the past is over
        let packed = tiles.finish(1_000_000, &[]);
        assert_eq!(packed.full_index.iter().map(|e| e[2]).sum::<f64>(), 5000.0);
        assert!(packed.full_index.len() >= 2, "a tile does not span a gap");
    }
}
