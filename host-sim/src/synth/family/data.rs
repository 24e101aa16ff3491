//! What families state is physically in the rows.

use std::convert::Infallible;

use super::*;
use crate::synth::engine::{self, Sink};
use crate::synth::faults::Row;
use crate::synth::plan::Plan;
use crate::synth::truth::{Event, Happening};

#[derive(Default)]
struct Kept {
    g: Vec<[f64; 3]>,
    /// Depth and temperature with the row that they came with.
    slow: Vec<(usize, f64, f64)>,
    events: Vec<Event>,
}

struct Keeping<'a>(&'a Plan, Kept);

impl Sink for Keeping<'_> {
    type Error = Infallible;

    fn row(&mut self, row: &Row) -> Result<(), Infallible> {
        let per_g = self.0.sensor.counts_per_g;
        if let (Some(d), Some(t)) = (row.depth_cm, row.temp_cc) {
            self.1.slow.push((self.1.g.len(), d as f64 / 100.0, t as f64 / 100.0));
        }
        self.1.g.push(row.counts.map(|c| c.map_or(f64::NAN, |c| f64::from(c) / per_g)));
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<(), Infallible> {
        self.1.events.push(*event);
        Ok(())
    }
}

/// The plan of a family that states this beside `common`: mounted straight, a fine sensor.
fn planned(text: &str, seed: u64, hours: f64, hz: f64) -> Plan {
    let family = Family::parse("made.toml", text).unwrap_or_else(|p| panic!("{}", p.render(false)));
    let instead = Instead { hours: Some(hours), sample_hz: Some(hz), mount_deg: Some([0.0; 3]) };
    let (mut plan, _) = family.plan(seed, instead);
    (plan.sensor.range_g, plan.sensor.counts_per_g) = (16.0, 2048.0);
    plan.sensor.offset_g = [0.0; 3];
    plan.sensor.gain = [1.0; 3];
    plan
}

fn kept(plan: &Plan) -> Kept {
    let mut into = Keeping(plan, Kept::default());
    engine::run(plan, &mut into).unwrap_or_else(|never| match never {});
    into.1
}

fn mean(g: &[[f64; 3]]) -> [f64; 3] {
    let mut sum = [0.0; 3];
    g.iter().for_each(|a| (0..3).for_each(|i| sum[i] += a[i]));
    sum.map(|x| x / g.len() as f64)
}

fn angle_deg(a: [f64; 3], b: [f64; 3]) -> f64 {
    let dot = |a: [f64; 3], b: [f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    (dot(a, b) / (dot(a, a) * dot(b, b)).sqrt()).clamp(-1.0, 1.0).acos().to_degrees()
}

fn size(a: &[f64; 3]) -> f64 {
    (a[0] * a[0] + a[1] * a[1] + a[2] * a[2]).sqrt()
}

/// Beat frequency against length: length^-0.9 is mass^-0.3 where mass goes with the
/// cube (Sato et al. 2007, Proc. R. Soc. B 274:471).
#[test]
fn beat_frequency_falls_with_size() {
    let points: Vec<(f64, f64)> = (1..300)
        .map(|seed| planned("", seed, 1.0, 10.0).swimmer)
        .map(|s| (s.length_m.ln(), s.beat_hz.ln()))
        .collect();
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    assert!((sxy / sxx + 0.9).abs() < 0.05, "{}", sxy / sxx);
}

/// A jump is free fall for 0.4 to 1.2 s, at the surface, and a blow at its end.
#[test]
fn a_jump_falls_free_and_lands_hard() {
    let text = "[habits]\njump_every_h = 0.1\n[sea]\nbottom_m = 8\n[logger]\nhas_depth = true\n";
    let p = planned(text, 4, 2.0, 50.0);
    let k = kept(&p);
    let (mut falls, mut run) = (Vec::new(), 0);
    for (i, a) in k.g.iter().enumerate() {
        if size(a) < 0.25 {
            run += 1;
        } else {
            if run > 10 {
                falls.push((i, f64::from(run) / 50.0));
            }
            run = 0;
        }
    }
    assert!(falls.len() >= 3, "{falls:?}");
    for &(end, lasts_s) in &falls {
        assert!((0.25..1.35).contains(&lasts_s), "{lasts_s}");
        let blow = k.g[end..end + 25].iter().map(size).fold(0.0, f64::max);
        assert!(blow > 1.4, "{blow}");
        let near = k.slow.iter().min_by_key(|s| s.0.abs_diff(end)).expect("depth");
        assert!(near.1 < 1.5, "{near:?}");
    }
}

/// Dead in any way: no beat in truth, and the depth goes where the carcass goes.
#[test]
fn carcasses_go_where_they_are_said_to() {
    for (way, seed) in [("sinks", 1), ("drifts", 2), ("drifts", 3), ("surf", 4)] {
        let text = format!(
            "[fate]\nends = \"dies\"\nafter_h = 0.2\nfades_s = 100\n[carcass]\nway = \"{way}\"\n\
             [sea]\nbottom_m = 30\ntide_m = 0.2\n[logger]\nhas_depth = true\n"
        );
        let p = planned(&text, seed, 3.0, 10.0);
        let k = kept(&p);
        let death = k.events.iter().find(|e| e.what == Happening::Death).expect("a death").t_s;
        assert!((700.0..800.0).contains(&death), "{way} {death}");
        assert!(k.events.iter().all(|e| e.what != Happening::Beat || e.t_s <= death));
        let last = k.slow[k.slow.len() - 60..].iter().map(|s| s.1).sum::<f64>() / 60.0;
        match way {
            "sinks" => assert!((last - 30.0).abs() < 1.0, "{last}"),
            "surf" => assert!(last < 3.2, "{last}"),
            _ => assert!(last < 25.0, "{last}"),
        }
        // The surf throws it about; a carcass on the bottom or adrift is only rocked.
        let hour = &k.g[k.g.len() - 36_000..];
        let hardest = hour.iter().map(|a| (size(a) - 1.0).abs()).fold(0.0, f64::max);
        if way == "surf" {
            assert!(hardest > 0.25, "{hardest}");
        }
    }
}

#[test]
fn a_carried_carcass_leaves_the_bottom_and_comes_back() {
    let text = "[fate]\nends = \"dies\"\nafter_h = 0.1\nfades_s = 50\n[carcass]\nscavenged = false\n\
                carried_every_h = 0.5\n[sea]\nbottom_m = 40\ntide_m = 0.2\n[logger]\nhas_depth = true\n";
    let k = kept(&planned(text, 2, 5.0, 10.0));
    let lying: Vec<bool> = k.slow.iter().skip(1500).map(|s| s.1 > 38.5).collect();
    let away = lying.iter().filter(|l| !**l).count();
    assert!(away > 60 && away < lying.len() / 2, "{away} of {}", lying.len());
    assert!(lying.windows(2).filter(|w| !w[0] && w[1]).count() >= 2);
}

/// A mount that turns by 60 degrees about the long axis turns gravity by as much.
#[test]
fn a_loose_mount_turns_gravity() {
    let text = "[mount]\nloosens = \"slowly\"\nturns_deg = 60\nfrom_part = 0.2\nwobble_deg = 2\n";
    let mut p = planned(text, 5, 4.0, 10.0);
    p.extras.mounting.turns[0].axis = [1.0, 0.0, 0.0];
    p.extras.mounting.turns[0].lasts_s = 3600.0;
    let k = kept(&p);
    let turned = angle_deg(mean(&k.g[..28_800]), mean(&k.g[k.g.len() - 36_000..]));
    assert!((turned - 60.0).abs() < 8.0, "{turned}");
}

/// Behind a swimming animal and on a snag alike, a dangling tag hangs otherwise than worn.
#[test]
fn a_dangling_tag_hangs_otherwise() {
    for from in ["animal", "snag"] {
        let text = format!(
            "[fate]\nends = \"dangles\"\nafter_h = 0.5\n[tag]\ndangles_from = \"{from}\"\n"
        );
        let k = kept(&planned(&text, 6, 1.5, 10.0));
        let off = k.events.iter().find(|e| e.what == Happening::Detached).expect("off").t_s;
        let (a, b) = ((10.0 * off) as usize, k.g.len());
        let turned = angle_deg(mean(&k.g[..a - 50]), mean(&k.g[b - 18_000..]));
        assert!(turned > 10.0, "{from} {turned}");
        assert!(k.events.iter().all(|e| e.what != Happening::Beat || e.t_s <= off + 1.0));
    }
}

/// A tag on the bottom tells drift of depth, noise and zero apart from all else.
#[test]
fn fouling_and_temperature_drift_as_stated() {
    let text = "[fate]\nends = \"sinks\"\nafter_h = 0.02\n[sea]\nbottom_m = 10\ntide_m = 0\n\
                swell_height_m = 0\n[water]\nair_c = 35\ncold_c = 8\nwarmer_c = 0\n\
                [fouling]\ndepth_m_day = 4\nnoise_part_day = 4\n[logger]\nhas_depth = true\n\
                offset_mg_c = 1\nnoise_g_rthz = 0.001\n";
    let mut p = planned(text, 7, 6.0, 10.0);
    p.extras.mounting.offset_g_c = [0.001, 0.0, 0.0];
    let k = kept(&p);
    let about = |h: f64| {
        let at = (h * 3600.0) as usize;
        k.slow[at..at + 600].iter().map(|s| s.1).sum::<f64>() / 600.0
    };
    let drift = (about(5.5) - about(0.5)).abs();
    assert!((drift - 4.0 * 5.0 / 24.0).abs() < 0.05, "{drift}");
    // 10 min after release the housing is as cold as the water: 8 deg C, 7 mg below 15.
    let spread = |from: usize| {
        let y: Vec<f64> = k.g[from..from + 12_000].iter().map(|a| a[0]).collect();
        let m = y.iter().sum::<f64>() / y.len() as f64;
        (y.iter().map(|v| (v - m).powi(2)).sum::<f64>() / y.len() as f64).sqrt()
    };
    let grown = spread(200_000) / spread(10_000);
    assert!(
        (grown - (1.0 + 4.0 * 5.72 / 24.0) / (1.0 + 4.0 * 0.44 / 24.0)).abs() < 0.12,
        "{grown}"
    );
    let cold = planned(&text.replace("air_c = 35", "air_c = 8"), 7, 0.5, 10.0);
    let warm = planned(&text.replace("cold_c = 8", "cold_c = 28"), 7, 0.5, 10.0);
    let x = |mut p: Plan| {
        p.extras.mounting.offset_g_c = [0.001, 0.0, 0.0];
        mean(&kept(&p).g[12_000..])[0]
    };
    let by = x(warm) - x(cold);
    assert!((by - 0.020).abs() < 0.001, "{by}");
}

/// Rests with the tide begin and end with the current.
#[test]
fn tidal_rests_keep_to_the_tide() {
    let text =
        "[animal]\nbreathing = \"buccal\"\n[habits]\nrest = \"tidal\"\n[sea]\nbottom_m = 12\n";
    let p = planned(text, 8, 24.0, 5.0);
    let k = kept(&p);
    let rests: Vec<&Event> = k.events.iter().filter(|e| e.what == Happening::Rest).collect();
    assert!(rests.len() >= 2, "{}", rests.len());
    for rest in rests {
        let middle = 0.5 * (rest.t_s + rest.end_s.expect("an end"));
        assert!(p.tide.current(middle).abs() > 0.5, "{middle}");
        assert!(rest.end_s.expect("an end") - rest.t_s < 5.0 * 3600.0);
    }
}
