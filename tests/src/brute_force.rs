//! A tag stepped a millisecond at a time, and random tags to step: the check of the
//! simulator's way from event to event. Shares no code with it; a random tag is
//! plain numbers here, and a tag file for the simulator.

use std::fmt::Write as _;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Pulses: current, length and period in whole milliseconds, hours a day.
#[derive(Clone, Copy, Debug)]
pub struct Pulses {
    /// mA.
    pub ma: f64,
    /// ms.
    pub length_ms: u64,
    /// ms.
    pub period_ms: u64,
    /// Window from the start of the phase on, ms a day.
    pub window_ms: u64,
}

/// One phase on the animal or in the search.
#[derive(Clone, Debug)]
pub struct Phase {
    /// Length by the schedule, ms.
    pub length_ms: u64,
    /// deg C.
    pub temp_c: f64,
    /// Samples a second, 0: none.
    pub sample_hz: u64,
    /// Sampling so long in every so long, ms; equal: always.
    pub duty_ms: (u64, u64),
    /// Bytes each sample.
    pub pulses: Vec<Pulses>,
}

/// A tag made up by a seed. Its battery is small, so that a brute force ends.
#[derive(Clone, Debug)]
pub struct RandomTag {
    nominal_mah: f64,
    rated_ma: f64,
    peukert: f64,
    part_by_c: Vec<[f64; 2]>,
    volt: Vec<[f64; 2]>,
    ohm_by_c: Vec<[f64; 2]>,
    factor: Vec<[f64; 2]>,
    leak_percent_year: f64,
    cutoff_v: f64,
    brownout_v: f64,
    buffer_mf: f64,
    esr_ohm: f64,
    sleep_ua: f64,
    accel_ua: f64,
    standby_ua: f64,
    instructions: f64,
    reserve: f64,
    firing: (f64, f64),
    /// Last of them: the search.
    pub phases: Vec<Phase>,
}

/// What the millisecond steps came to.
#[derive(Clone, Debug)]
pub struct Result {
    /// On the animal, s.
    pub animal_s: f64,
    /// What ended it: `ceiling`, `reserve`, `brown_out`, `cut_off` or `empty`.
    pub animal_end: &'static str,
    /// The release fired.
    pub fired: bool,
    /// In the search, s.
    pub search_s: f64,
    /// What ended it.
    pub search_end: &'static str,
    /// Drawn on the animal, firing included, mAh.
    pub animal_mah: f64,
    /// Drawn in the search, mAh.
    pub search_mah: f64,
    /// Steps made.
    pub steps: u64,
}

fn at(points: &[[f64; 2]], x: f64) -> f64 {
    if x <= points[0][0] {
        return points[0][1];
    }
    for pair in points.windows(2) {
        if x <= pair[1][0] {
            let part = (x - pair[0][0]) / (pair[1][0] - pair[0][0]);
            return pair[0][1] * (1.0 - part) + pair[1][1] * part;
        }
    }
    points[points.len() - 1][1]
}

const CLOCK_MHZ: f64 = 16.0;
const UA_PER_MHZ: f64 = 200.0;
const DAY_MS: u64 = 86_400_000;

impl RandomTag {
    /// The tag of a seed.
    pub fn new(seed: u64) -> Self {
        let rng = &mut ChaCha8Rng::seed_from_u64(seed);
        let flat = rng.random_range(3.0..3.8);
        let ohm = rng.random_range(2.0..12.0);
        let buffered = rng.random_bool(0.4);
        let sleep_ua = rng.random_range(50.0..300.0);
        let animal_h = rng.random_range(3..9_u64);
        let mut phases = Vec::new();
        let turns = rng.random_range(0..3);
        for n in 0..2_u64 {
            let period_ms = 60_000 * rng.random_range(2..15_u64);
            let on_ms = if turns == n + 1 { period_ms * 6 / 10 / 1000 * 1000 } else { period_ms };
            phases.push(Phase {
                length_ms: animal_h * 1_800_000,
                temp_c: rng.random_range(-2..20_i32).into(),
                sample_hz: [10, 20, 25, 50, 100][rng.random_range(0..5_usize)],
                duty_ms: (on_ms, period_ms),
                pulses: Vec::new(),
            });
        }
        let mut pulses = vec![Pulses {
            ma: rng.random_range(5.0..15.0),
            length_ms: rng.random_range(10..40),
            period_ms: rng.random_range(1000..2500),
            window_ms: DAY_MS,
        }];
        if !buffered {
            let window_ms =
                if rng.random_bool(0.5) { DAY_MS } else { 600_000 * rng.random_range(3..12_u64) };
            pulses.push(Pulses {
                ma: rng.random_range(40.0..120.0),
                length_ms: rng.random_range(50..300),
                period_ms: rng.random_range(8000..15_000),
                window_ms,
            });
        }
        phases.push(Phase {
            length_ms: 4 * 3_600_000,
            temp_c: rng.random_range(0..22_i32).into(),
            sample_hz: 0,
            duty_ms: (1, 1),
            pulses,
        });
        // Charge for the time on the animal and some hours of search.
        let search_ma: f64 = phases[2]
            .pulses
            .iter()
            .map(|p| {
                p.ma * p.length_ms as f64 / p.period_ms as f64 * p.window_ms as f64 / DAY_MS as f64
            })
            .sum();
        let nominal_mah = rng.random_range(0.3..1.4)
            * (0.8 * animal_h as f64 + search_ma * rng.random_range(4.0..8.0));
        RandomTag {
            nominal_mah,
            rated_ma: rng.random_range(0.1..1.0),
            peukert: [1.0, 1.0, 1.02, 1.08][rng.random_range(0..4_usize)],
            part_by_c: vec![[-20.0, 0.6], [0.0, rng.random_range(0.8..0.9)], [20.0, 1.0]],
            volt: vec![[0.0, 2.0], [0.1, flat - 0.4], [0.4, flat - 0.1], [1.0, flat]],
            ohm_by_c: vec![[-20.0, 4.0 * ohm], [0.0, 2.0 * ohm], [20.0, ohm]],
            factor: vec![[0.0, 5.0], [0.2, 2.0], [0.6, 1.1], [1.0, 1.0]],
            leak_percent_year: rng.random_range(0.0..40.0),
            cutoff_v: 2.1,
            brownout_v: rng.random_range(2.1..2.4),
            buffer_mf: if buffered { rng.random_range(1.0..8.0) } else { 0.0 },
            esr_ohm: if buffered { rng.random_range(0.1..0.8) } else { 0.0 },
            sleep_ua,
            accel_ua: rng.random_range(200.0..1200.0),
            standby_ua: rng.random_range(1.0..20.0),
            instructions: rng.random_range(500.0..3000.0),
            reserve: rng.random_range(0.1..0.5),
            firing: (rng.random_range(20.0..60.0), 2.0),
            phases,
        }
    }

    /// As a tag file.
    pub fn toml(&self) -> String {
        let t = self;
        let mut out = format!(
            "[tag]\nid = \"random\"\ninvented = true\n\
             [cell]\nsource = \"random\"\nchemistry = \"random\"\nnominal_mah = {}\nrated_ma = {}\n\
             peukert_exponent = {:?}\ncapacity_part_by_c = {:?}\nvoltage_v_by_left = {:?}\n\
             resistance_ohm_by_c = {:?}\nresistance_factor_by_left = {:?}\n\
             self_discharge_percent_per_year = {}\ncutoff_v = {}\n\
             [supply]\nsource = \"random\"\nbrownout_v = {}\nbuffer_mf = {}\nbuffer_esr_ohm = {}\n\
             [mcu]\nsource = \"random\"\nsleep_ua = {}\ncycles_per_instruction = 1\n\
             clock_mhz = {CLOCK_MHZ}\nrun_ua_per_mhz = {UA_PER_MHZ}\nwake_us = 0\nread_us = 0\n\
             instructions_by_hz = [[1, {}]]\n\
             [copies]\nkept = false\n\
             [accelerometer]\nsource = \"random\"\ncurrent_ua_by_hz = [[1, {}]]\nstandby_ua = {}\n\
             [release]\nsource = \"random\"\nfiring_ma = {}\nfiring_s = {}\nreserve_fraction = {}\n",
            t.nominal_mah,
            t.rated_ma,
            t.peukert,
            t.part_by_c,
            t.volt,
            t.ohm_by_c,
            t.factor,
            t.leak_percent_year,
            t.cutoff_v,
            t.brownout_v,
            t.buffer_mf,
            t.esr_ohm,
            t.sleep_ua,
            t.instructions,
            t.accel_ua,
            t.standby_ua,
            t.firing.0,
            t.firing.1,
            t.reserve,
        );
        let mut start_h = 0.0;
        for (n, p) in t.phases.iter().enumerate() {
            let mut parts = Vec::new();
            for (m, pulses) in p.pulses.iter().enumerate() {
                parts.push(format!("beacon {m}"));
                let _ = write!(
                    out,
                    "[[load]]\nsource = \"random\"\nname = \"beacon {m}\"\npulse_ma = {}\npulse_ms = {}\n\
                     period_s = {}\nhours_per_day = {}\n",
                    pulses.ma,
                    pulses.length_ms,
                    pulses.period_ms as f64 / 1000.0,
                    pulses.window_ms as f64 / 3.6e6,
                );
            }
            let end_h = start_h + p.length_ms as f64 / 3.6e6;
            let kind = if p.sample_hz > 0 { "animal" } else { "search" };
            let _ = write!(
                out,
                "[[phase]]\nname = \"{n}\"\nsource = \"random\"\nkind = \"{kind}\"\nstart_h = {start_h}\n\
                 end_h = {end_h}\ntemp_c = {}\nsample_hz = {}\nparts = {parts:?}\n",
                p.temp_c, p.sample_hz,
            );
            if p.duty_ms.0 < p.duty_ms.1 {
                let _ = write!(
                    out,
                    "duty_on_min = {}\nduty_period_min = {}\n",
                    p.duty_ms.0 as f64 / 60_000.0,
                    p.duty_ms.1 as f64 / 60_000.0
                );
            }
            start_h = end_h;
        }
        out
    }

    /// Charge of the largest pulse of the search, mAh.
    pub fn pulse_mah(&self) -> f64 {
        let pulses = self.phases.last().map_or(&[][..], |p| &p.pulses);
        pulses.iter().map(|p| p.ma * p.length_ms as f64 / 3.6e6).fold(0.0, f64::max)
    }

    /// Charge of one sample, uC.
    fn sample_uc(&self) -> f64 {
        self.instructions / (CLOCK_MHZ * 1e6) * CLOCK_MHZ * UA_PER_MHZ
    }

    /// Runs it by milliseconds.
    pub fn run(&self) -> Result {
        let mut result = Result {
            animal_s: 0.0,
            animal_end: "ceiling",
            fired: false,
            search_s: 0.0,
            search_end: "never",
            animal_mah: 0.0,
            search_mah: 0.0,
            steps: 0,
        };
        let mut spent = 0.0;
        let (search, animal) = self.phases.split_last().expect("a search");
        let mut last = &animal[0];
        for phase in animal {
            last = phase;
            let (ms, end, mah) = self.phase(phase, phase.length_ms, Some(self.reserve), &mut spent);
            result.steps += ms;
            result.animal_s += ms as f64 / 1e3;
            result.animal_mah += mah;
            if end != "time" {
                result.animal_end = end;
                break;
            }
        }
        if matches!(result.animal_end, "ceiling" | "reserve") {
            let (ma, s) = self.firing;
            let left = 1.0 - spent / at(&self.part_by_c, last.temp_c);
            let r = at(&self.ohm_by_c, last.temp_c) * at(&self.factor, left);
            let base = (self.sleep_ua + self.standby_ua) * 1e-6;
            let mut u = 0.0;
            let mut lowest = f64::INFINITY;
            for _ in 0..(s * 1e3) as u64 {
                let sag = self.sag(ma * 1e-3, r, &mut u);
                lowest = f64::min(lowest, at(&self.volt, left) - base * r - sag);
            }
            result.fired = lowest >= self.brownout_v;
            if result.fired {
                let mah = ma * s / 3600.0;
                // Spread over the hour: short pulses do not derate by themselves.
                spent += mah * (mah / self.rated_ma).powf(self.peukert - 1.0) / self.nominal_mah;
                result.animal_mah += mah;
            }
        }
        if result.fired {
            let (ms, end, mah) = self.phase(search, u64::MAX, None, &mut spent);
            result.steps += ms;
            result.search_s = ms as f64 / 1e3;
            result.search_end = end;
            result.search_mah = mah;
        }
        result
    }

    /// Sag of a current above the steady one after one more millisecond, V; `u` is
    /// the voltage missing on the capacitor.
    fn sag(&self, amp: f64, r: f64, u: &mut f64) -> f64 {
        if self.buffer_mf == 0.0 {
            return amp * r;
        }
        let rc = self.esr_ohm;
        let tau = (r + rc) * self.buffer_mf * 1e-3;
        *u = amp * r + (*u - amp * r) * (-1e-3 / tau).exp();
        amp * r * rc / (r + rc) + *u * r / (r + rc)
    }

    /// Current of all pulses, for the charge, and of the strongest, for the voltage:
    /// a firmware that keeps pulses apart moves one of them by a little.
    fn pulse_ma(phase: &Phase, ms: u64) -> (f64, f64) {
        let (mut all, mut strongest) = (0.0, 0.0_f64);
        for p in &phase.pulses {
            if ms % DAY_MS < p.window_ms && ms % p.period_ms < p.length_ms {
                all += p.ma;
                strongest = strongest.max(p.ma);
            }
        }
        (all, strongest)
    }

    fn phase(
        &self,
        phase: &Phase,
        length_ms: u64,
        reserve: Option<f64>,
        spent: &mut f64,
    ) -> (u64, &'static str, f64) {
        let part = at(&self.part_by_c, phase.temp_c);
        let cold_ohm = at(&self.ohm_by_c, phase.temp_c);
        let leak_s = -(1.0 - self.leak_percent_year / 100.0).ln() / (365.25 * 86_400.0)
            * 2_f64.powf((phase.temp_c - 20.0) / 10.0);
        let off_ma = (self.sleep_ua + self.standby_ua) * 1e-3;
        let on_ma = (self.sleep_ua + self.accel_ua) * 1e-3;
        let sample_ms = 1000_u64.checked_div(phase.sample_hz);
        let sampling_ma = phase.sample_hz as f64 * self.sample_uc() * 1e-3;
        // Mean current of the pulses while they run, by looking at an hour of them.
        let mean_pulses = |window: bool| {
            let mut sum = 0.0;
            for ms in 0..3_600_000_u64 {
                for p in &phase.pulses {
                    if (p.window_ms == DAY_MS || window) && ms % p.period_ms < p.length_ms {
                        sum += p.ma;
                    }
                }
            }
            sum / 3.6e6
        };
        let trains = [mean_pulses(false), mean_pulses(true)];
        let weight = |ma: f64| (ma / self.rated_ma).powf(self.peukert - 1.0);
        // By sampling or not, windows open or not.
        let mut weights = [[0.0; 2]; 2];
        for (on, row) in weights.iter_mut().enumerate() {
            let base = if on == 1 { on_ma + sampling_ma } else { off_ma };
            for (window, w) in row.iter_mut().enumerate() {
                *w = weight(base + trains[window]);
            }
        }
        let per_ms = 1.0 / (self.nominal_mah * 3.6e6);
        let (mut u, mut drawn) = (0.0, 0.0);
        let mut ms = 0;
        while ms < length_ms {
            let on = phase.sample_hz > 0 && ms % phase.duty_ms.1 < phase.duty_ms.0;
            let steady = if on { on_ma } else { off_ma };
            let (pulse, strongest) = Self::pulse_ma(phase, ms);
            let left = 1.0 - *spent / part;
            if left <= 0.0 {
                return (ms, "empty", drawn);
            }
            if reserve.is_some_and(|r| left <= r) {
                return (ms, "reserve", drawn);
            }
            let ohm = cold_ohm * at(&self.factor, left);
            let base_ma = if on { on_ma + sampling_ma } else { off_ma };
            let steady_v = at(&self.volt, left) - base_ma * 1e-3 * ohm;
            if steady_v < self.cutoff_v.max(self.brownout_v) {
                return (ms, "cut_off", drawn);
            }
            if pulse > 0.0 || u > 1e-6 {
                let sag = self.sag(strongest * 1e-3, ohm, &mut u);
                if pulse > 0.0 && steady_v - sag < self.brownout_v {
                    return (ms, "brown_out", drawn);
                }
            }
            let mut mah_ms = steady + pulse;
            if on && sample_ms.is_some_and(|s| ms.is_multiple_of(s)) {
                mah_ms += self.sample_uc();
            }
            let window = phase.pulses.iter().all(|p| ms % DAY_MS < p.window_ms);
            let w = weights[usize::from(on)][usize::from(window)];
            drawn += mah_ms / 3.6e6;
            *spent += mah_ms * w * per_ms + leak_s * (1.0 - *spent) * 1e-3;
            ms += 1;
        }
        (ms, "time", drawn)
    }
}
