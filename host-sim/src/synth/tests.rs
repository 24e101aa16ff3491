//! Whole traces, looked at from outside.

use std::collections::BTreeSet;
use std::convert::Infallible;
use std::fs;

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use super::engine::Sink;
use super::faults::{DeadDepth, Fault, Row};
use super::mounting::{Mounting, Turn};
use super::plan::{Fate, Plan};
use super::posture::Rotation;
use super::truth::{Event, Happening};
use super::*;

#[derive(Default)]
struct Kept {
    rows: Vec<Row>,
    events: Vec<Event>,
}

impl Sink for Kept {
    type Error = Infallible;

    fn row(&mut self, row: &Row) -> Result<(), Infallible> {
        self.rows.push(*row);
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<(), Infallible> {
        self.events.push(*event);
        Ok(())
    }
}

impl Kept {
    fn of(plan: &Plan) -> Self {
        let mut kept = Self::default();
        engine::run(plan, &mut kept).unwrap_or_else(|never| match never {});
        kept
    }

    fn times(&self, what: Happening) -> Vec<f64> {
        self.events.iter().filter(|e| e.what == what).map(|e| e.t_s).collect()
    }

    fn first(&self, what: Happening) -> Event {
        *self.events.iter().find(|e| e.what == what).expect("it happens")
    }

    /// Acceleration of a row in g.
    fn g(row: &Row, plan: &Plan) -> [f64; 3] {
        row.counts.map(|c| c.map_or(f64::NAN, |c| f64::from(c) / plan.sensor.counts_per_g))
    }
}

fn planned(scenario: &str, seed: u64, hours: f64) -> Plan {
    let mut request = Request::new(scenario, seed, "unused");
    request.hours = Some(hours);
    prepare(&request).expect("a plan").plan
}

/// A cruiser that only swims, seen by a flawless sensor glued on straight.
fn plain_swimmer(seed: u64) -> Plan {
    let mut p = planned("cruiser", seed, 0.5);
    p.sensor.mount = Rotation::IDENTITY;
    flawless(&mut p);
    p.habits.swim_s = f64::INFINITY;
    p.habits.burst_every_s = f64::INFINITY;
    p.habits.turn_every_s = f64::INFINITY;
    p.habits.wander = [0.0; 4];
    p.swimmer.beat_scatter = [0.0; 2];
    p.habits.band_m = (15.0, 15.0);
    p
}

fn flawless(p: &mut Plan) {
    p.sensor.noise_g_rthz = 0.0;
    p.sensor.offset_g = [0.0; 3];
    p.sensor.gain = [1.0; 3];
    p.sensor.clock_ppm = 0.0;
    p.sensor.counts_per_g = 4096.0;
    p.sensor.range_g = 8.0;
}

/// Frequency of the highest peak of the spectrum (Hann window, parabola through three bins).
fn spectral_peak_hz(x: &[f64], sample_hz: f64) -> f64 {
    let n = x.len();
    let mean = x.iter().sum::<f64>() / n as f64;
    let mut z: Vec<Complex<f64>> = x
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let w = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos();
            Complex::new((v - mean) * w, 0.0)
        })
        .collect();
    FftPlanner::new().plan_fft_forward(n).process(&mut z);
    let power: Vec<f64> = z[..n / 2].iter().map(|c| c.norm_sqr().ln()).collect();
    let from = (0.18 * n as f64 / sample_hz) as usize;
    let k = (from..n / 2 - 1).max_by(|&a, &b| power[a].total_cmp(&power[b])).expect("bins");
    let (a, b, c) = (power[k - 1], power[k], power[k + 1]);
    (k as f64 + 0.5 * (a - c) / (a - 2.0 * b + c)) * sample_hz / n as f64
}

#[test]
fn beats_are_the_rhythm_of_the_sway() {
    for seed in 1..=8 {
        let p = plain_swimmer(seed);
        let kept = Kept::of(&p);
        let sway: Vec<f64> = kept.rows.iter().map(|r| Kept::g(r, &p)[1]).collect();
        let beats = kept.times(Happening::Beat);
        // A middle stretch, where the first level has hardly moved.
        let (a, b) = (5000, 5000 + 16_384);
        let peak = spectral_peak_hz(&sway[a..b], 25.0);
        let inside: Vec<f64> = beats
            .iter()
            .copied()
            .filter(|t| (a as f64 / 25.0..b as f64 / 25.0).contains(t))
            .collect();
        let rate = (inside.len() - 1) as f64 / (inside[inside.len() - 1] - inside[0]);
        assert!((peak / rate - 1.0).abs() < 0.003, "seed {seed}: {peak} Hz against {rate} Hz");
        // Upward crossings of the mean: one a beat.
        let mean = sway[a..b].iter().sum::<f64>() / (b - a) as f64;
        let size =
            (sway[a..b].iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (b - a) as f64).sqrt();
        let (mut low, mut crossings) = (false, 0);
        for x in &sway[a..b] {
            if *x < mean - 0.5 * size {
                low = true;
            } else if low && *x > mean + 0.5 * size {
                low = false;
                crossings += 1;
            }
        }
        assert!((crossings - inside.len() as i64).abs() <= 2, "seed {seed}: {crossings}");
    }
}

#[test]
fn left_most_is_where_the_fin_is_pushed_to_the_right() {
    // Largest displacement to the left goes with the strongest acceleration to the
    // right, and the leak of gravity by roll is drawn within 26 deg of it.
    let p = plain_swimmer(3);
    let kept = Kept::of(&p);
    let beats = kept.times(Happening::Beat);
    let mut at = 0.0;
    for t in &beats[20..200] {
        at += Kept::g(&kept.rows[(t * 25.0).round() as usize], &p)[1];
    }
    let mean = kept.rows.iter().map(|r| Kept::g(r, &p)[1]).sum::<f64>() / kept.rows.len() as f64;
    assert!(at / 180.0 - mean < -0.02, "{}", at / 180.0 - mean);
}

#[test]
fn at_rest_gravity_is_one_g() {
    let mut p = planned("tag-on-bottom", 4, 1.0);
    flawless(&mut p);
    let kept = Kept::of(&p);
    let landed = kept.first(Happening::Detached).t_s + 300.0;
    let still: Vec<&Row> = kept.rows.iter().filter(|r| r.tick as f64 / 25.0 > landed).collect();
    assert!(still.len() > 10_000);
    for r in still {
        let norm = Kept::g(r, &p).iter().map(|x| x * x).sum::<f64>().sqrt();
        assert!((norm - 1.0).abs() < 3f64.sqrt() * 0.5 / 4096.0 + 1e-9, "{norm}");
    }
}

#[test]
fn resting_animal_shows_gills_of_a_few_milli_g_alone() {
    let mut p = planned("bottom-rester", 2, 3.0);
    flawless(&mut p);
    let kept = Kept::of(&p);
    let rest = kept.first(Happening::Rest);
    let (a, b) = (rest.t_s + 60.0, rest.end_s.expect("an end") - 30.0);
    assert!(b - a > 1200.0, "rests from {a} to {b}");
    let norms: Vec<f64> = kept
        .rows
        .iter()
        .filter(|r| (a..b).contains(&(r.tick as f64 / 25.0)))
        .map(|r| Kept::g(r, &p).iter().map(|x| x * x).sum::<f64>().sqrt())
        .collect();
    let mean = norms.iter().sum::<f64>() / norms.len() as f64;
    let most = norms.iter().map(|x| (x - mean).abs()).fold(0.0, f64::max);
    assert!((mean - 1.0).abs() < 0.001 && (0.0005..0.012).contains(&most), "{mean} {most}");
    assert!(kept.times(Happening::Beat).iter().all(|t| *t < rest.t_s || *t > b));
}

#[test]
fn noise_density_gives_the_stated_noise() {
    let mut p = planned("tag-on-bottom", 5, 1.0);
    flawless(&mut p);
    p.sensor.noise_g_rthz = 0.001;
    let kept = Kept::of(&p);
    let from = ((kept.first(Happening::Detached).t_s + 300.0) * 25.0) as usize;
    let x: Vec<f64> = kept.rows[from..].iter().map(|r| Kept::g(r, &p)[1]).collect();
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let sd = (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / x.len() as f64).sqrt();
    // 1 mg per root Hz over 12.5 Hz, plus the variance of rounding.
    let want = (1e-6 * 12.5 + (1.0f64 / 4096.0).powi(2) / 12.0).sqrt();
    assert!((sd / want - 1.0).abs() < 0.03, "{sd} against {want}");
}

#[test]
fn clock_error_is_the_logger_s_own() {
    let sound = plain_swimmer(6);
    let mut slow = sound.clone();
    // Two parts in a hundred, far beyond any quartz, to be seen plainly.
    slow.sensor.clock_ppm = 20_000.0;
    let (a, b) = (Kept::of(&sound), Kept::of(&slow));
    let (ta, tb) = (a.times(Happening::Beat), b.times(Happening::Beat));
    for (x, y) in ta.iter().zip(&tb) {
        assert!((x / 1.02 - y).abs() < 1e-9, "{x} {y}");
    }
    let sway = |k: &Kept, p: &Plan| -> Vec<f64> {
        k.rows[5000..21_384].iter().map(|r| Kept::g(r, p)[1]).collect()
    };
    let ratio =
        spectral_peak_hz(&sway(&b, &slow), 25.0) / spectral_peak_hz(&sway(&a, &sound), 25.0);
    assert!((ratio - 1.02).abs() < 0.002, "{ratio}");
}

#[test]
fn the_rate_changes_the_samples_but_not_the_animal() {
    let mut request = Request::new("yoyo-glider", 9, "unused");
    request.hours = Some(1.0);
    let mut all = Vec::new();
    for hz in [5.0, 12.5, 25.0, 33.0, 100.0] {
        request.sample_hz = Some(hz);
        let kept = Kept::of(&prepare(&request).expect("a plan").plan);
        assert_eq!(kept.rows.len(), (3600.0 * hz) as usize + 1);
        all.push(kept.events);
    }
    assert!(all[0].len() > 300);
    assert!(all.iter().all(|e| *e == all[0]));
}

#[test]
fn truth_is_sorted_and_within_every_trace() {
    for s in SCENARIOS {
        for seed in [1, 2] {
            let hours = s.least_hours.max(if seed == 1 { 1.0 } else { s.least_hours });
            let kept = Kept::of(&planned(s.name, seed, hours));
            let mut last = 0.0;
            for e in &kept.events {
                let end = e.end_s.unwrap_or(e.t_s);
                assert!(
                    e.t_s >= last && end >= e.t_s && end <= hours * 3600.0,
                    "{}: {e:?}",
                    s.name
                );
                last = e.t_s;
            }
            assert!(!kept.times(Happening::Beat).is_empty(), "{}", s.name);
        }
    }
}

#[test]
fn beats_keep_out_of_glides_and_rests() {
    for (name, seed) in [("yoyo-glider", 1), ("bottom-rester", 1), ("faint-swimmer", 2)] {
        let kept = Kept::of(&planned(name, seed, 2.0));
        let beats = kept.times(Happening::Beat);
        let mut glides = 0;
        for e in &kept.events {
            if matches!(e.what, Happening::Glide | Happening::Rest) {
                glides += 1;
                let end = e.end_s.expect("an end");
                assert!(!beats.iter().any(|t| *t > e.t_s && *t < end), "{name}: {e:?}");
            }
        }
        assert!(glides >= 5, "{name}: {glides}");
    }
}

#[test]
fn the_dead_sink_and_beat_no_more() {
    for (name, hours) in
        [("death-first-hour", 3.0), ("death-next-day", 31.0), ("death-rester", 5.0)]
    {
        let mut p = planned(name, 7, hours);
        p.sensor.depth_offset_m = 0.0;
        let kept = Kept::of(&p);
        let death = kept.first(Happening::Death).t_s;
        match name {
            "death-first-hour" => assert!(death < 3600.0),
            "death-next-day" => assert!(death > 24.0 * 3600.0),
            _ => {}
        }
        let last = kept.times(Happening::Beat).pop().expect("beats");
        // A buccal pumper may also die at rest.
        let at_rest = kept
            .events
            .iter()
            .any(|e| e.what == Happening::Rest && e.end_s.is_some_and(|t| (t - death).abs() < 0.1));
        assert!(last <= death && (at_rest || death - last < 20.0), "{name}: {last} {death}");
        let deep = kept.rows.iter().rev().find_map(|r| r.depth_cm).expect("depth");
        assert!((deep as f64 / 100.0 - p.bottom_m).abs() < 3.5, "{name}: {deep}");
    }
}

#[test]
fn a_loose_tag_floats_upright_or_lies_still() {
    let mut p = planned("tag-floating", 11, 2.0);
    flawless(&mut p);
    let kept = Kept::of(&p);
    let (off, up) = (kept.first(Happening::Detached).t_s, kept.first(Happening::Surface).t_s);
    assert!(up > off && up - off < 300.0);
    assert!(kept.times(Happening::Beat).iter().all(|t| *t <= off));
    let sum = kept.rows[((up + 60.0) * 25.0) as usize..].iter().fold([0.0; 3], |s, r| {
        let g = Kept::g(r, &p);
        [s[0] + g[0], s[1] + g[1], s[2] + g[2]]
    });
    let size = sum.iter().map(|x| x * x).sum::<f64>().sqrt();
    // The mean is gravity along the antenna.
    let up = p.package;
    let mast =
        super::posture::attitude(up.upright_roll, up.upright_pitch, 0.0).apply([0.0, 0.0, 1.0]);
    let mast = p.sensor.mount.apply(mast);
    let cos: f64 = (0..3).map(|i| sum[i] / size * mast[i]).sum();
    assert!(cos > 0.999, "{cos}");
}

#[test]
fn what_came_off_has_no_mount_to_turn_or_wobble_in() {
    let mut p = planned("tag-floating", 11, 2.0);
    flawless(&mut p);
    p.fate = Fate::Sinks { at_s: 1800.0 };
    let turn = Turn { from_s: 60.0, lasts_s: 7200.0, axis: [0.0, 1.0, 0.0], angle: 2.0 };
    p.extras.mounting = Mounting { turns: vec![turn], wobble: 0.1, ..Mounting::default() };
    let kept = Kept::of(&p);
    let worn = |t_s: f64| Kept::g(&kept.rows[(t_s * 25.0) as usize], &p);
    assert!(worn(1000.0) != worn(1100.0), "it is worn, and turns");
    // It fell for less than five minutes.
    let lies = super::posture::attitude(p.package.lying.0, p.package.lying.1, 0.0);
    let want = p.sensor.mount.apply(lies.apply([0.0, 0.0, 1.0]));
    for row in &kept.rows[2100 * 25..] {
        let got = Kept::g(row, &p);
        assert!((0..3).all(|k| (got[k] - want[k]).abs() <= 0.5 / 4096.0), "{got:?} {want:?}");
    }
}

#[test]
fn recovery_is_in_the_beat_rate() {
    let mut p = plain_swimmer(12);
    p.hours = 40.0;
    p.day.half = 0.0;
    p.sensor.sample_hz = 5.0;
    let kept = Kept::of(&p);
    let beats = kept.times(Happening::Beat);
    let rate = |from: f64, to: f64| {
        beats.iter().filter(|t| (from..to).contains(*t)).count() as f64 / (to - from)
    };
    let at = kept.first(Happening::Recovered).t_s;
    let (first, settled) = (rate(0.0, 300.0), rate(39.0 * 3600.0, 40.0 * 3600.0));
    let there = rate(at - 300.0, at + 300.0);
    let gone = (there - first) / (settled - first);
    assert!((gone - 0.8).abs() < 0.05, "{gone}");
    assert!((settled / p.swimmer.beat_hz - 1.0).abs() < 0.01);
}

#[test]
fn faults_do_what_they_say() {
    let end = 3600.0;
    let t = |r: &Row| r.tick as f64 / 25.0;

    let p = planned("fault-stuck-axis", 1, 1.0);
    let Fault::Stuck { axis, from_s, .. } = p.fault else { panic!("{:?}", p.fault) };
    let kept = Kept::of(&p);
    let after: BTreeSet<_> =
        kept.rows.iter().filter(|r| t(r) >= from_s).map(|r| r.counts[axis]).collect();
    assert_eq!(after.len(), 1);

    let p = planned("fault-missing-axis", 1, 1.0);
    let Fault::Missing { axis, from_s, .. } = p.fault else { panic!("{:?}", p.fault) };
    for r in &Kept::of(&p).rows {
        assert_eq!(r.counts[axis].is_none(), t(r) >= from_s);
    }

    let p = planned("fault-clipped-axis", 1, 1.0);
    let Fault::Clipped { axis, from_s, .. } = p.fault else { panic!("{:?}", p.fault) };
    let top = (p.sensor.range_g * p.sensor.counts_per_g) as i32 - 1;
    let kept = Kept::of(&p);
    let share = |late: bool| {
        let of: Vec<_> = kept.rows.iter().filter(|r| (t(r) >= from_s) == late).collect();
        of.iter().filter(|r| r.counts[axis] == Some(top)).count() as f64 / of.len() as f64
    };
    assert!(share(false) < 0.01 && (0.2..0.9).contains(&share(true)), "{}", share(true));

    let p = planned("fault-gap", 1, 1.0);
    let kept = Kept::of(&p);
    let Fault::Gaps(gaps) = &p.fault else { panic!("{:?}", p.fault) };
    assert_eq!(gaps.len(), 3);
    for &(a, b) in gaps {
        assert!(a > 0.0 && b < end && b - a >= 3.0);
        assert!(!kept.rows.iter().any(|r| t(r) >= a && t(r) < b));
        assert!(!kept.times(Happening::Beat).iter().any(|x| *x >= a && *x < b));
    }

    let kept = Kept::of(&planned("fault-duplicates", 1, 1.0));
    let twice = kept.rows.windows(2).filter(|w| w[0] == w[1]).count();
    assert!(twice > 10 && kept.rows.len() == 90_001 + twice);

    let p = planned("fault-clock-jump", 1, 1.0);
    let Fault::ClockJump { from_s, until_s, by_s } = p.fault else { panic!("{:?}", p.fault) };
    for r in &Kept::of(&p).rows {
        assert_eq!(r.shift_s, if t(r) >= from_s && t(r) < until_s { by_s } else { 0 });
    }

    let mut seen = BTreeSet::new();
    for seed in 1..=12 {
        let p = planned("fault-dead-depth", seed, 0.2);
        let Fault::DeadDepth { from_s, how } = p.fault else { panic!("{:?}", p.fault) };
        let kept = Kept::of(&p);
        let late: BTreeSet<_> =
            kept.rows.iter().filter(|r| t(r) >= from_s).filter_map(|r| r.depth_cm).collect();
        assert_eq!(late.len(), usize::from(how != DeadDepth::Silent), "{how:?}");
        seen.insert(how as u8);
    }
    assert_eq!(seen.len(), 3);
}

#[test]
fn same_request_same_bytes() {
    let dir = tempfile::tempdir().expect("a folder");
    let make = |sub: &str, seed, gzip| {
        let mut request = Request::new("cruiser", seed, dir.path().join(sub));
        request.hours = Some(0.2);
        request.gzip = gzip;
        let w = run(&request).expect("it is written");
        [w.trace, w.deployment, w.truth].map(|p| fs::read(p).expect("a file"))
    };
    assert_eq!(make("a", 1, false), make("b", 1, false));
    assert_eq!(make("c", 1, true), make("d", 1, true));
    assert_ne!(make("a", 1, false)[0], make("e", 2, false)[0]);
}

#[test]
fn files_hold_what_the_contract_says() {
    let dir = tempfile::tempdir().expect("a folder");
    for seed in 1..=6 {
        let mut request = Request::new("cruiser", seed, dir.path());
        request.hours = Some(0.1);
        request.mount_deg = (seed == 1).then_some([10.0, -5.0, 30.0]);
        let w = run(&request).expect("it is written");
        let text = fs::read_to_string(&w.deployment).expect("a file");
        let d: toml::Table = text.parse().expect("TOML");
        assert_eq!(d["deployment"]["truth"].as_str(), Some("invented"));
        assert_eq!(d["animal"]["breathing"].as_str(), Some("ram"));
        assert_eq!(d["logger"].get("mount_deg").is_some(), seed == 1);
        assert_eq!(d["made_by"]["seed"].as_integer(), Some(seed as i64));
        let start = d["deployment"]["start_utc"].as_str().expect("a time");
        assert!(start.parse::<jiff::Timestamp>().is_ok(), "{start}");
        let per_g = d["logger"]["counts_per_g"].as_float().expect("a number");
        let range = d["logger"]["range_g"].as_float().expect("a number");

        let trace = fs::read_to_string(&w.trace).expect("a file");
        let mut lines = trace.lines();
        assert_eq!(lines.next(), Some("t_s,ax_g,ay_g,az_g,depth_m,temp_c"));
        let mut depths = 0;
        for (i, line) in lines.enumerate() {
            let cells: Vec<&str> = line.split(',').collect();
            assert_eq!(cells.len(), 6);
            assert_eq!(cells[0], format!("{:.2}", i as f64 / 25.0));
            for cell in &cells[1..4] {
                let g: f64 = cell.parse().expect("a number");
                let count = g * per_g;
                assert!((count - count.round()).abs() <= 0.126, "{cell} at {per_g} counts per g");
                assert!(g.abs() <= range);
            }
            assert_eq!(cells[4].is_empty(), i % 25 != 0);
            assert_eq!(cells[5].is_empty(), i % 25 != 0);
            depths += usize::from(!cells[4].is_empty());
        }
        assert_eq!((depths, w.rows), (361, 9001));
        let truth = fs::read_to_string(&w.truth).expect("a file");
        assert!(truth.starts_with("t_s,event,end_s\n"));
        assert_eq!(truth.matches(",beat,").count() as u64, w.beats);
    }
    assert!(
        fs::read_dir(dir.path())
            .expect("a folder")
            .all(|f| { !f.expect("a file").file_name().to_string_lossy().ends_with(".part") })
    );
}

#[test]
fn other_columns() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut request = Request::new("cruiser", 1, dir.path());
    request.hours = Some(0.1);
    request.format = Format {
        time: TimeColumn::Utc,
        acceleration: AccelColumns::Raw,
        depth: false,
        temperature: false,
        wet: false,
    };
    let w = run(&request).expect("it is written");
    let trace = fs::read_to_string(&w.trace).expect("a file");
    let start: jiff::Timestamp = prepare(&request).expect("a plan").plan.start;
    let mut lines = trace.lines();
    assert_eq!(lines.next(), Some("time_utc,ax_raw,ay_raw,az_raw"));
    for (i, line) in lines.enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let t: jiff::Timestamp = cells[0].parse().expect("a time");
        assert_eq!(t.duration_since(start).as_millis(), 40 * i as i128);
        assert!(cells.len() == 4 && cells[1..].iter().all(|c| c.parse::<i32>().is_ok()));
    }
}

#[test]
fn sparse_time_and_a_coarse_sensor() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut request = Request::new("cruiser", 1, dir.path());
    request.hours = Some(0.1);
    request.scale = Some((2.0, 64.0));
    request.format.time = TimeColumn::SparseSeconds;
    request.format.acceleration = AccelColumns::Raw;
    let w = run(&request).expect("it is written");
    let trace = fs::read_to_string(&w.trace).expect("a file");
    for (i, line) in trace.lines().skip(1).enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let time = if i % 25 == 0 { (i / 25).to_string() } else { String::new() };
        assert_eq!(cells[0], time);
        assert!(
            cells[1..4].iter().all(|c| (-128..128).contains(&c.parse::<i32>().expect("counts")))
        );
    }
    let text = fs::read_to_string(&w.deployment).expect("a file");
    assert!(text.contains("counts_per_g = 64.0") && text.contains("range_g = 2.0"));
}

#[test]
fn wrong_requests_are_refused_and_leave_nothing() {
    let dir = tempfile::tempdir().expect("a folder");
    let base = Request::new("cruiser", 1, dir.path());
    let wrong = |change: &dyn Fn(&mut Request)| {
        let mut request = base.clone();
        change(&mut request);
        run(&request).expect_err("a refusal").to_string()
    };
    assert!(wrong(&|r| r.scenario = "crusier".into()).contains("yoyo-glider"));
    assert!(wrong(&|r| r.hours = Some(-1.0)).contains("hours"));
    assert!(wrong(&|r| r.hours = Some(f64::NAN)).contains("hours"));
    assert!(wrong(&|r| r.sample_hz = Some(4.0)).contains("5 to 100"));
    assert!(wrong(&|r| r.mount_deg = Some([0.0, 1e9, 0.0])).contains("mount_deg"));
    assert!(wrong(&|r| r.scale = Some((2.0, 0.0))).contains("counts_per_g"));
    for name in ["", "..", "a/b", "/a"] {
        assert!(wrong(&|r| r.name = Some(name.into())).contains("plain"), "{name}");
    }
    let late = wrong(&|r| {
        r.scenario = "death-next-day".into();
        r.hours = Some(5.0);
    });
    assert!(late.contains("31"), "{late}");
    assert_eq!(fs::read_dir(dir.path()).expect("a folder").count(), 0);

    // A folder in the place of the trace: the renaming fails, nothing passing is left.
    fs::create_dir(dir.path().join("cruiser-0001.csv")).expect("a folder");
    let error = wrong(&|r| r.hours = Some(0.1));
    assert!(error.contains("cruiser-0001.csv"), "{error}");
    assert!(!dir.path().join("cruiser-0001.csv.part").exists());
}
