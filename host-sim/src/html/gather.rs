//! What a page shows of a replay, gathered while it runs.

use firmware_core::config::Config;
use firmware_core::release::sun;
use firmware_core::types::{Cause, Event, FateReport, FaultKind, Minute, RecoveryReport, State};

use super::pack::{self, deflate, put};
use super::tiles::Tiles;
use crate::replay::{Replayer, Watch, fault_name};
use crate::trace::Row;

/// Amplitudes of beats are kept to this part of a g.
pub const BEAT_PER_G: f32 = 512.0;
/// Faults marked in the plots at most; all are counted.
const MARKS: usize = 500;

/// Causes of release below the ceiling, in the order of their bits.
pub const CAUSES: [Cause; 6] = [
    Cause::TooDeep,
    Cause::CellLow,
    Cause::Detached,
    Cause::Death,
    Cause::MemoryFull,
    Cause::Recovered,
];

/// Columns of a minute, in order.
pub const MINUTE_COLUMNS: [&str; 16] = [
    "t_s",
    "bpm",
    "sway_g",
    "odba_g",
    "vedba_g",
    "pitch_deg",
    "roll_deg",
    "depth_m",
    "state",
    "now_s",
    "not_living",
    "floating",
    "on_bottom",
    "cell_left",
    "memory_used",
    "standing",
];

/// Gathers while a replay runs. Takes about 5 bytes a sample and 64 a minute.
pub struct Gather {
    /// The raw axes.
    pub tiles: Tiles,
    /// Minutes, by [`MINUTE_COLUMNS`]; `NaN`: not known.
    pub minutes: Vec<Vec<f32>>,
    /// Decisions and revisions of fate.
    pub fates: Vec<FateReport>,
    /// Estimates of recovery, with when each was made, s.
    pub recoveries: Vec<(f64, RecoveryReport)>,
    /// Beginnings of faults, s since the first row.
    pub faults: Vec<(f64, FaultKind)>,
    beats: Vec<u8>,
    beat_ms: u64,
    last_us: u64,
}

impl Gather {
    /// For samples at `sample_hz`.
    pub fn new(sample_hz: f64) -> Self {
        Gather {
            tiles: Tiles::new(sample_hz),
            minutes: vec![Vec::new(); MINUTE_COLUMNS.len()],
            fates: Vec::new(),
            recoveries: Vec::new(),
            faults: Vec::new(),
            beats: Vec::new(),
            beat_ms: 0,
            last_us: 0,
        }
    }

    // Where the clock was set back, what lies in a time already drawn is left out, as the
    // raw axes are.
    fn see(&mut self, event: &Event, replayer: &Replayer) {
        let now_s = self.last_us as f64 / 1e6;
        match event {
            Event::Beat(beat) => {
                let ms = replayer.written_us(beat.t_us) / 1000;
                if ms >= self.beat_ms {
                    put(&mut self.beats, u32::try_from(ms - self.beat_ms).unwrap_or(u32::MAX));
                    put(&mut self.beats, (beat.amplitude_g * BEAT_PER_G).round() as u32);
                    self.beat_ms = ms;
                }
            }
            Event::Fate(fate) => self.fates.push(FateReport {
                event_us: replayer.written_us(fate.event_us),
                decided_us: replayer.written_us(fate.decided_us),
                ..*fate
            }),
            Event::Recovery(recovery) => {
                let t_s = replayer.written_s(recovery.t_s.into()) as f32;
                self.recoveries.push((now_s, RecoveryReport { t_s, ..*recovery }));
            }
            Event::Fault(kind) if self.faults.len() < MARKS => self.faults.push((now_s, *kind)),
            Event::Minute(minute) => self.minute(minute, now_s, replayer),
            _ => {}
        }
    }

    fn minute(&mut self, m: &Minute, now_s: f64, replayer: &Replayer) {
        let t_s = replayer.written_us(m.t_us) as f32 / 1e6;
        let drawn_s = self.minutes.first().and_then(|t_s| t_s.last().copied());
        if drawn_s.is_none_or(|last| t_s > last) {
            let evidence = replayer.tag().evidence();
            let standing = CAUSES
                .iter()
                .enumerate()
                .filter(|(_, cause)| replayer.tag().standing_since_us(**cause).is_some())
                .fold(0u32, |bits, (n, _)| bits | 1 << n);
            let values = [
                t_s,
                m.beats_per_min.unwrap_or(f32::NAN),
                if m.sway_g > 0.0 { m.sway_g } else { f32::NAN },
                m.odba_g,
                m.vedba_g,
                m.pitch_deg,
                m.roll_deg,
                m.depth_m.unwrap_or(f32::NAN),
                state_code(m.state),
                now_s as f32,
                evidence.not_living,
                evidence.floating,
                evidence.on_bottom,
                replayer.cell_left() as f32,
                replayer.memory_used() as f32,
                standing as f32,
            ];
            for (column, value) in self.minutes.iter_mut().zip(values) {
                column.push(value);
            }
        }
    }

    /// Beats, packed: milliseconds since the one before, and amplitude.
    pub fn beats(&self) -> String {
        pack::base64(&deflate(&self.beats))
    }
}

impl Watch for Gather {
    fn row(&mut self, row: &Row, replayer: &Replayer) {
        self.last_us = self.last_us.max(row.t_us);
        self.tiles.push(row.t_us, row.accel_g);
        self.rest(replayer);
    }

    fn rest(&mut self, replayer: &Replayer) {
        replayer.events().iter().for_each(|event| self.see(event, replayer));
    }
}

fn state_code(state: State) -> f32 {
    match state {
        State::Unknown => 0.0,
        State::Swimming => 1.0,
        State::Resting => 2.0,
        State::Dead => 3.0,
        State::Floating => 4.0,
        State::OnBottom => 5.0,
    }
}

/// Name of a fault in plain words.
pub fn fault_words(kind: FaultKind) -> &'static str {
    match fault_name(kind) {
        "stuck_axis" => "axis stuck",
        "clipped_axis" => "axis at full scale",
        "missing_axis" => "axis missing",
        "gap" => "gap in the record",
        "clock_jump" => "clock jumps",
        _ => "depth sensor fails",
    }
}

/// Nights, s since the first row, where time and place are known.
pub fn nights(config: &Config, duration_s: f64) -> Vec<(f64, f64)> {
    let place = config.place();
    let Some(start) = place.start_unix_s else { return Vec::new() };
    let mut nights = Vec::new();
    let mut dark_since = None;
    let step = 300;
    let end = duration_s as i64;
    let mut t = 0;
    while t <= end {
        let light = sun::daylight_lasts(start + t, 0, place.latitude_deg, place.longitude_deg);
        match (light, dark_since) {
            (false, None) => dark_since = Some(t),
            (true, Some(from)) => {
                nights.push((from as f64, t as f64));
                dark_since = None;
            }
            _ => {}
        }
        t += step;
    }
    if let Some(from) = dark_since {
        nights.push((from as f64, duration_s));
    }
    nights
}
