//! Rows taken a lot at a time lead to the same replay as one by one, to the last bit,
//! whatever is wrong with the trace and wherever a lot ends.

use std::fmt::Write;
use std::io::Cursor;

use host_sim::deployment::Deployment;
use host_sim::replay::{Keep, Prepared, Replayer, prepare_source};
use host_sim::trace::Rows;
use proptest::prelude::*;

/// Length of a trace, s: a few looks at cell and memory.
const LENGTH_S: u32 = 400;

/// How a trace is written.
#[derive(Clone, Copy, Debug)]
struct Form {
    hz: u32,
    /// Rows between readings of depth and of temperature; 0: there is no such column.
    depth_every: u32,
    temp_every: u32,
    /// Digits of the seconds.
    decimals: usize,
    /// How much faster its clock runs than it says.
    fast: f64,
}

/// Something wrong: first row, rows and what.
type Fault = (u32, u32, u8);

fn trace(form: Form, faults: &[Fault]) -> String {
    let mut text = String::from("t_s,ax_g,ay_g,az_g");
    text += if form.depth_every > 0 { ",depth_m" } else { "" };
    text += if form.temp_every > 0 { ",temp_c\n" } else { "\n" };
    let mut seed = 5_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(seed >> 8) / f64::from(1 << 24) - 0.5) * 0.02
    };
    for n in 0..LENGTH_S * form.hz {
        let mut t_s = f64::from(n) / f64::from(form.hz);
        let sway = if t_s < 200.0 { 0.2 * (t_s * 5.7).sin() } else { 0.0 };
        let axes = [0.05 + noise(), sway + noise(), 1.0 + noise()];
        let mut axes = axes.map(|a| format!("{a:.4}"));
        t_s /= form.fast;
        let mut depth = format!("{:.2}", 20.0 + 9.0 * (t_s / 50.0).sin());
        let mut missing = false;
        for &(from, rows, kind) in faults {
            if !(from..from + rows).contains(&n) {
                continue;
            }
            match kind {
                0 => axes[0] = String::new(),
                1 => axes[1] = "8.0000".to_owned(),
                2 => axes[2] = "0.5".to_owned(),
                3 => axes = ["0.0100", "0.0200", "1.0000"].map(str::to_owned),
                4 => t_s += 0.7,
                5 => t_s += 300.0,
                6 => t_s -= 250.0,
                7 => t_s = f64::from(from) / f64::from(form.hz),
                8 => missing = true,
                9 => depth = "none".to_owned(),
                10 => axes[1] = "1e1x".to_owned(),
                _ => text += "\n",
            }
        }
        if missing {
            continue;
        }
        write!(text, "{t_s:.*},{}", form.decimals, axes.join(",")).expect("a string");
        for (every, reading) in [(form.depth_every, depth), (form.temp_every, "11.5".to_owned())] {
            if every > 0 {
                text += ",";
                text += if n % every == 0 { &reading } else { "" };
            }
        }
        text += "\n";
    }
    text
}

fn prepared(text: &str, hz: u32) -> Prepared {
    let toml = format!(
        "[animal]\nbreathing = \"ram\"\n[logger]\nsample_hz = {hz}\n[release]\nfloor_h = 0.05\nceiling_h = 0.1\n"
    );
    let deployment = Deployment::parse("x.toml", toml.as_bytes()).expect("sound");
    let source = Box::new(Cursor::new(text.as_bytes().to_vec()));
    let keep = Keep { beats: true, minutes: true };
    prepare_source("x.csv", source, &deployment, keep, Vec::new()).expect("sound")
}

/// The state of a replay after the last row, without what the latest samples brought, of which
/// there are more or fewer, and its report.
fn ended(replayer: Replayer, p: Prepared) -> (String, String) {
    let state = format!("{replayer:?}");
    let (before, rest) = state.rsplit_once(", events: [").expect("the latest events");
    let (_, after) = rest.split_once(", left: ").expect("what comes after them");
    let state = format!("{before}, left: {after}");
    let report = replayer.finish(p.facts, p.reader.faults());
    (state, serde_json::to_string(&report).expect("JSON"))
}

fn by_rows(text: &str, hz: u32) -> (String, String) {
    let mut p = prepared(text, hz);
    let mut replayer = Replayer::new(&p.setup);
    while let Some(row) = p.reader.next_row().expect("sound") {
        replayer.push(&row);
    }
    ended(replayer, p)
}

fn by_lots(text: &str, hz: u32, sizes: &[usize]) -> (String, String) {
    let mut p = prepared(text, hz);
    let mut replayer = Replayer::new(&p.setup);
    let mut rows = Rows::new(p.setup.config.sample_us(), 16);
    for &size in sizes.iter().cycle() {
        let more = p.reader.read(&mut rows, size).expect("sound");
        replayer.push_all(&rows);
        rows.clear();
        if !more {
            break;
        }
    }
    ended(replayer, p)
}

fn form() -> impl Strategy<Value = Form> {
    let every = prop::sample::select(vec![0, 1, 7, 25, 100]);
    let hz = prop::sample::select(vec![5, 8, 10, 25, 32, 50]);
    let fast = prop::sample::select(vec![1.0, 1.0, 1.0008, 0.98]);
    (hz, every.clone(), every, 2_usize..7, fast).prop_map(
        |(hz, depth_every, temp_every, decimals, fast)| Form {
            hz,
            depth_every,
            temp_every,
            decimals,
            fast,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn a_lot_at_a_time_is_one_by_one(
        form in form(),
        faults in prop::collection::vec((1200_u32..20_000, 1_u32..400, 0_u8..12), 0..10),
        sizes in prop::collection::vec(1_usize..900, 1..5),
    ) {
        let text = trace(form, &faults);
        let (state, report) = by_rows(&text, form.hz);
        for sizes in [&sizes[..], &[1], &[512], &[usize::MAX]] {
            let (lots_state, lots_report) = by_lots(&text, form.hz, sizes);
            prop_assert_eq!(&lots_report, &report, "{:?}", sizes);
            prop_assert_eq!(&lots_state, &state, "{:?}", sizes);
        }
    }
}

#[test]
fn the_whole_program_takes_lots_and_a_plain_trace_tells_what_it_should() {
    let form = Form { hz: 25, depth_every: 25, temp_every: 0, decimals: 2, fast: 1.0 };
    let text = trace(form, &[(5000, 90, 0), (7000, 60, 8), (8000, 40, 6)]);
    let (_, report) = by_rows(&text, 25);
    let whole = prepared(&text, 25).run().expect("sound");
    assert_eq!(serde_json::to_string(&whole).expect("JSON"), report);
    assert_eq!(whole.samples, 9940);
    // Line 1 is the header. A long gap is believed with the second row after it.
    for want in [("missing_axis", 5002), ("gap", 7003), ("clock_jump", 7942)] {
        let told: Vec<_> = whole.faults.iter().map(|f| (f.kind, f.first_row)).collect();
        assert!(told.contains(&want), "{told:?}");
    }
}
