//! A replay draws on the same battery as the budget, at the temperatures of the trace.

use host_sim::deployment::Deployment;
use host_sim::energy::{
    Plan,
    tracker::{TraceLoads, Tracker},
};
use host_sim::replay::{Keep, prepare_source};
use host_sim::tag_file::{PhaseKind, TagFile};
use std::sync::Arc;

const HZ: f64 = 5.0;

#[test]
fn it_adds_up_to_the_currents_of_the_budget() {
    let mut tag = TagFile::shipped("fin-float").expect("a tag");
    let mut tracker = Tracker::new(Arc::new(TraceLoads::new(&tag, HZ)));
    tag.phases.retain(|p| p.kind == PhaseKind::Animal);
    let phase = &mut tag.phases[0];
    (phase.sample_hz, phase.depth_hz, phase.temp_c.value) = (HZ, 1.0, 6.0);
    phase.records.retain(|&n| tag.records[n].name == "minutes");
    let hours = 30.0;
    for n in 1..=(hours * 3600.0 * HZ) as u64 {
        let t_us = n * 200_000;
        tracker.sample(t_us, n % 5 == 0, Some(6.0));
        if n % 300 == 0 {
            tracker.settle(n / 300 * 16);
        }
    }
    let plan = Plan::new(&tag, None);
    let want = plan.phases[0].on_ma * hours;
    assert!((tracker.used_mah() / want - 1.0).abs() < 1e-3, "{} {want}", tracker.used_mah());
    // And the part left is that of a budget of as many hours.
    tag.phases[0].end_h = hours;
    let out = host_sim::energy::outlook::as_written(
        &tag,
        None,
        host_sim::energy::Rules { bounded: true },
    );
    assert!((tracker.left_fraction() / out.left_fraction - 1.0).abs() < 1e-3);
}

/// Hours until the tag lets go for its cell, in water of `temp_c`, with a cell of 0.2 mAh.
fn lets_go_h(temp_c: f64) -> (f64, String) {
    let mut csv = String::from("t_s,ax_g,ay_g,az_g,temp_c\n");
    for n in 0..(30.0 * 3600.0 * HZ) as u32 {
        let t = f64::from(n) / HZ;
        let temp = if n % 300 == 0 { temp_c.to_string() } else { String::new() };
        csv += &format!(
            "{t:.1},{:.4},{:.4},1.0,{temp}\n",
            0.02 * (0.3 * t).sin(),
            0.2 * (6.0 * t).sin()
        );
    }
    let deployment = Deployment::parse(
        "x.toml",
        b"[logger]\nsample_hz = 5\n\n[release]\nfloor_h = 1\nrecovery_normal_h = 200\n",
    )
    .expect("a deployment");
    let source = Box::new(std::io::Cursor::new(csv.into_bytes()));
    let mut prepared =
        prepare_source("x.csv", source, &deployment, Keep::default(), Vec::new()).expect("a trace");
    // Smaller than a deployment file allows, so that a short trace empties it.
    let mut tag = deployment.tag_file().expect("a tag");
    tag.cell.nominal_mah.value = 0.2;
    prepared.setup.energy = Arc::new(TraceLoads::new(&tag, HZ));
    let report = prepared.run().expect("a report");
    (report.release.t_s.unwrap_or(f64::INFINITY) / 3600.0, report.release.cause.to_owned())
}

#[test]
fn the_cold_brings_the_low_cell_release_forward() {
    let (warm_h, warm) = lets_go_h(20.0);
    let (cold_h, cold) = lets_go_h(-10.0);
    assert_eq!((&*warm, &*cold), ("cell_low", "cell_low"), "{warm_h} {cold_h}");
    // 0.725 of the capacity at -10 deg C: the reserve of 20 % is met that much sooner.
    let ratio = cold_h / warm_h;
    assert!((0.68..0.77).contains(&ratio), "{cold_h} {warm_h}");
}

#[test]
fn a_deployment_may_name_its_tag() {
    let dir = tempfile::tempdir().expect("a directory");
    let tags = concat!(env!("CARGO_MANIFEST_DIR"), "/../demo-data/tags/long-drift.toml");
    std::fs::copy(tags, dir.path().join("mine.toml")).expect("copied");
    let load = |tag: &str| {
        let path = dir.path().join("a.toml");
        std::fs::write(&path, format!("[logger]\ntag = {tag:?}\n")).expect("written");
        Deployment::load(&path).expect("a deployment").tag_file()
    };
    assert_eq!(load("mine.toml").expect("a tag").id, "long-drift");
    assert_eq!(load("by-hand").expect("a tag").id, "by-hand");
    let told = load("yours.toml").expect_err("refused");
    let told = format!("{told} {}", told.advice().unwrap_or_default());
    for want in ["line 2", "yours.toml", "fin-float"] {
        assert!(told.contains(want), "{told}");
    }
    // A tag that is not sound is told by its own file and line.
    std::fs::write(dir.path().join("mine.toml"), "[cell]\nnominal_mah = 0\n").expect("written");
    let told = load("mine.toml").expect_err("refused").to_string();
    assert!(told.contains("mine.toml: line 2"), "{told}");
}
