//! What the budget says of a death told by turns, against the tag itself: a made
//! swimmer dies level on the bottom, and the tag sees only the turns.

use firmware_core::config::{Breathing, Detector, Release};
use firmware_core::types::{Fate, Sample};
use host_sim::budget::judge_death;
use host_sim::tag_file::Duty;
use swaymark_tests::logger::Logger;
use swaymark_tests::run::{Run, config, sample_us};
use swaymark_tests::swimmer::{Gait, Swimmer};

const HZ: f64 = 10.0;

/// Hours from death to the decision, sampling `on_s` in every `period_s`.
fn known_after_h(seed: u64, on_s: f64, period_s: f64, death_h: f64, total_h: f64) -> Option<f64> {
    let mut swimmer = Swimmer::new(Gait::steady(0.8, 0.15), seed, HZ);
    let mut logger = Logger::new(seed, HZ, 0.002);
    let mut run = Run::new(config(HZ, Breathing::Ram));
    let mut last_m = 20.0;
    for i in 0..(total_h * 3600.0 * HZ) as u64 {
        let t_s = i as f64 / HZ;
        let since_s = t_s - death_h * 3600.0;
        let (body_g, depth_m) = if since_s < 0.0 {
            let now = swimmer.step(1.0, 1.0);
            last_m = now.depth_m;
            (now.body_g, now.depth_m)
        } else {
            // Sinks a little, then lies rocked slowly.
            let rock = 0.004 * (0.6 * t_s).sin();
            ([0.0, rock, 1.0], last_m + (0.5 * since_s).min(10.0))
        };
        let accel_g = logger.read(body_g);
        if t_s % period_s >= on_s {
            continue;
        }
        let mut sample = Sample::accel(sample_us(i, HZ), accel_g);
        if i % 10 == 0 {
            // The last figure of a reading is never quite still.
            sample.depth_m = Some((depth_m + 0.02 * f64::from((i / 10 % 7) as u32)) as f32);
        }
        run.step(&sample);
    }
    let not_living = |f: Fate| !matches!(f, Fate::Alive | Fate::Undetermined);
    let report = run.fates.iter().find(|r| not_living(r.fate))?;
    Some(report.decided_us as f64 / 3.6e9 - death_h)
}

#[test]
fn the_wait_by_turns_is_what_the_tag_takes() {
    for (seed, on_min, period_min) in
        [(1, 60.0, 60.0), (2, 15.0, 60.0), (3, 6.0, 30.0), (4, 2.0, 10.0)]
    {
        let duty = Duty { on_s: on_min * 60.0, period_s: period_min * 60.0 };
        let judgement = judge_death(
            &Detector::DEFAULT,
            &Release::DEFAULT,
            Breathing::Ram,
            true,
            Some(duty),
            48.0,
        );
        let confirm_h = f64::from(Release::DEFAULT.death_confirm_min) / 60.0;
        let want_h = judgement.confirm_h.expect("it can be told") - confirm_h;
        let got_h = known_after_h(seed, duty.on_s, duty.period_s, 3.0, 3.0 + 1.6 * want_h + 2.0)
            .unwrap_or_else(|| {
                panic!("{on_min} in {period_min} min: not known, expected {want_h} h")
            });
        // A turn either way, and the minutes that the tag holds back.
        let slack_h = period_min / 60.0 + 0.1;
        assert!(
            (got_h - want_h).abs() < 0.25 * want_h + slack_h,
            "{on_min} in {period_min} min: known after {got_h} h, expected {want_h} h"
        );
    }
}

#[test]
fn turns_that_never_fill_a_minute_never_tell() {
    let duty = Duty { on_s: 30.0, period_s: 300.0 };
    let judgement =
        judge_death(&Detector::DEFAULT, &Release::DEFAULT, Breathing::Ram, true, Some(duty), 48.0);
    assert!(!judgement.possible && judgement.confirm_h.is_none());
    assert_eq!(known_after_h(5, duty.on_s, duty.period_s, 2.0, 20.0), None);
}
