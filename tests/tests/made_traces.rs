//! Physics of the made traces, seen from outside: through their files alone.
//!
//! Sources: standard gravity 9.80665 m/s2 (CGPM 1901; ISO 80000-3); dispersion of
//! water waves, linear theory tables (Shore Protection Manual, table C-1, memory);
//! Strouhal number of cruising swimmers 0.2 to 0.4 (Taylor, Nudds & Thomas 2003,
//! Nature 425:707), with a tail swing of a fifth of the length from side to side
//! (common practice, no source). Measures stand beside each check.

use host_sim::synth::{AccelColumns, Request, Written, run, swell};
use std::collections::HashMap;
use std::f64::consts::TAU;
use swaymark_tests::stats;

/// Standard gravity, m/s2 (CGPM 1901; ISO 80000-3).
const STANDARD_GRAVITY: f64 = 9.80665;

/// Columns of a written trace by name; an empty cell is not a number.
fn columns(written: &Written) -> HashMap<String, Vec<f64>> {
    let mut reader = csv::Reader::from_path(&written.trace).expect("a trace");
    let names: Vec<String> =
        reader.headers().expect("a header").iter().map(str::to_owned).collect();
    let mut columns: HashMap<String, Vec<f64>> = HashMap::new();
    for row in reader.records() {
        let row = row.expect("a row");
        for (name, cell) in names.iter().zip(&row) {
            let value = if cell.is_empty() { f64::NAN } else { cell.parse().expect("a number") };
            columns.entry(name.clone()).or_default().push(value);
        }
    }
    columns
}

/// One trace written in g and in m/s2: every pair of cells differs by standard
/// gravity, to the rounding of the files (a quarter of a count either way).
#[test]
fn metres_per_second_squared_are_g_times_standard_gravity() {
    let dir = tempfile::tempdir().expect("a folder");
    let written = |unit, name: &str| {
        let mut request = Request::new("cruiser", 7, dir.path());
        request.name = Some(name.into());
        request.hours = Some(0.1);
        request.scale = Some((16.0, 2048.0));
        request.format.acceleration = unit;
        columns(&run(&request).expect("a trace"))
    };
    let g = written(AccelColumns::G, "in-g");
    let ms2 = written(AccelColumns::Ms2, "in-ms2");
    let mut ratios = Vec::new();
    for axis in ["ax", "ay", "az"] {
        let (a, b) = (&g[&format!("{axis}_g")], &ms2[&format!("{axis}_ms2")]);
        assert_eq!(a.len(), b.len());
        for (a, b) in a.iter().zip(b) {
            assert!(
                (b - a * STANDARD_GRAVITY).abs() <= 0.25 * STANDARD_GRAVITY / 2048.0,
                "{a} g, {b} m/s2"
            );
            if a.abs() > 0.2 {
                ratios.push(b / a);
            }
        }
    }
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    println!("mean ratio {mean:.6} over {} cells", ratios.len());
    assert!((mean / STANDARD_GRAVITY - 1.0).abs() < 1e-4, "{mean}");
}

/// d/L for d/L0 from the tables (four figures), and both limits.
#[test]
fn waves_obey_the_dispersion_tables() {
    // 0.1000 -> 0.1410 is given; the others are recalled likewise (memory).
    for (deep, table) in [(0.1, 0.1410), (0.05, 0.0942), (0.2, 0.2251), (0.5, 0.5018)] {
        for depth_m in [3.0, 20.0, 150.0] {
            let length0_m: f64 = depth_m / deep;
            let omega = (TAU * STANDARD_GRAVITY / length0_m).sqrt();
            let got = swell::wave_number(omega, depth_m) * depth_m / TAU;
            assert!((got - table).abs() <= 5.1e-5, "d/L0 {deep}: d/L {got:.5}, table {table}");
        }
    }
    // Deep water: L = g T^2 / 2 pi. Shallow: c = sqrt(g d).
    let omega = TAU / 6.0;
    let deep = TAU / swell::wave_number(omega, 500.0);
    assert!((deep / (STANDARD_GRAVITY * 36.0 / TAU) - 1.0).abs() < 1e-9);
    let omega = TAU / 600.0;
    let speed = omega / swell::wave_number(omega, 5.0);
    assert!((speed / (STANDARD_GRAVITY * 5.0_f64).sqrt() - 1.0).abs() < 1e-3);
    // Deep down, pressure fades as exp(-k z).
    let k = swell::wave_number(TAU / 8.0, 400.0);
    let (along, up, pressure) = swell::fade(k, 400.0, 30.0);
    for fade in [along, up, pressure] {
        assert!((fade / (-k * 30.0).exp() - 1.0).abs() < 1e-6);
    }
}

/// Strouhal number f A / U of made swimmers on straight dives: f from the truth's
/// beats, A a fifth of the length in the deployment file, U from the change of
/// depth and the body's pitch (mounting stated as straight). The body is taken to
/// swim where it points.
#[test]
fn swimmers_have_the_strouhal_number_of_swimmers() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut all = Vec::new();
    for seed in 31..41 {
        let mut request = Request::new("yoyo-glider", seed, dir.path());
        request.hours = Some(6.0);
        request.sample_hz = Some(10.0);
        request.mount_deg = Some([0.0; 3]);
        let written = run(&request).expect("a trace");
        let length_m = std::fs::read_to_string(&written.deployment)
            .expect("a deployment file")
            .parse::<toml::Table>()
            .expect("TOML")["animal"]["length_m"]
            .as_float()
            .expect("a length");
        let mut beats = Vec::new();
        let mut reader = csv::Reader::from_path(&written.truth).expect("a truth file");
        for row in reader.records() {
            let row = row.expect("a row");
            if &row[1] == "beat" {
                beats.push(row[0].parse::<f64>().expect("a time"));
            }
        }
        let c = columns(&written);
        let depth = &c["depth_m"];
        let mean = |name: &str, from: usize, to: usize| {
            c[name][from..to].iter().sum::<f64>() / (to - from) as f64
        };
        // Stretches of 20 s, beats all through them, on a slope of 10 degrees or more.
        let mut here = Vec::new();
        for from in (0..depth.len().saturating_sub(201)).step_by(200) {
            let (t0, t1) = (from as f64 / 10.0, from as f64 / 10.0 + 20.0);
            let inside: Vec<f64> = beats.iter().copied().filter(|t| *t >= t0 && *t < t1).collect();
            if inside.len() < 4 {
                continue;
            }
            let span_s = inside[inside.len() - 1] - inside[0];
            let hz = (inside.len() - 1) as f64 / span_s;
            let steady =
                inside.windows(2).all(|w| (w[1] - w[0]) * hz < 1.5) && span_s + 2.5 / hz > 20.0;
            let pitch = mean("ax_g", from, from + 200)
                .atan2(mean("ay_g", from, from + 200).hypot(mean("az_g", from, from + 200)));
            if !steady || pitch.abs() < 10_f64.to_radians() {
                continue;
            }
            let speed = (depth[from] - depth[from + 200]) / 20.0 / pitch.sin();
            here.push(hz * 0.2 * length_m / speed);
        }
        println!(
            "seed {seed}: {length_m:.2} m, {} stretches, Strouhal {:.3}",
            here.len(),
            stats::median(&here)
        );
        if here.len() >= 5 {
            all.push(stats::median(&here));
        }
    }
    assert!(all.len() >= 6, "{} swimmers to judge by", all.len());
    assert!(all.iter().all(|s| (0.2..=0.4).contains(s)), "{all:.3?}");
}
