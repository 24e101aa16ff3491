//! Real triaxial recordings: BasicMotions.
//!
//! Source: UEA archive (Bagnall et al. 2018, arXiv:1811.00075), as carried by
//! aeon 1.6.0 (BSD-3-Clause); `reference/basic_motions.py` took the acceleration
//! channels and their spectra (SciPy). 80 recordings of 10 s at 10 Hz from a
//! wrist, 20 of each class. What the data are, and what follows:
//! - The unit is m/s2 and gravity was taken off: the mean vector of a standing
//!   person is below 0.4 m/s2. The tag gets them divided by standard gravity, as
//!   they are, without an invented "down".
//! - 10 s is about what the tag wants to see before it believes a first rhythm, so
//!   a single recording seldom gives a beat, whatever it holds. That is a limit.
//! - So the recordings of one class are put end to end, each once, in the order
//!   of the file. Each seam breaks the phase, and the people differ; both make it
//!   harder, neither helps. Each recording's rate is read from the beats within
//!   its own 10 s and held against the spectrum of that recording alone.
//! - "Standing gives no rhythm" is not true of all these data as they are: most
//!   "standing" recordings begin with the arm swinging out at about 1 Hz, 0.1 to
//!   0.3 g, and 17 of 20 have more than half of their power within 0.2 Hz of one
//!   frequency. So the check is made in three parts: the recordings whose own
//!   spectrum shows no rhythm give no beat; all of them give none to a tag that
//!   knows the rhythm of a runner (as a tag knows its animal when it rests); and
//!   where a tag that knows nothing tells of beats, they have the rhythm of the
//!   arm, by the spectrum of the same recording.

use firmware_core::config::Breathing;
use serde::Deserialize;
use swaymark_tests::run::{config, run_accel};
use swaymark_tests::{reference, stats};

/// Standard gravity, m/s2 (CGPM 1901; ISO 80000-3).
const STANDARD_GRAVITY: f64 = 9.80665;
const HZ: f64 = 10.0;
const LENGTH: usize = 100;

#[derive(Deserialize)]
struct Sample(usize, f64, f64, f64);

#[derive(Deserialize)]
struct Spectrum {
    recording: usize,
    class: String,
    axis_hz: f64,
    all_hz: f64,
    part_near_peak: f64,
    mean_ms2: f64,
}

struct Recording {
    spectrum: Spectrum,
    accel_g: Vec<[f32; 3]>,
}

fn recordings(class: &str) -> Vec<Recording> {
    let samples: Vec<Sample> = reference::rows("basic_motions.csv");
    let spectra: Vec<Spectrum> = reference::rows("basic_motions_spectrum.csv");
    assert_eq!((samples.len(), spectra.len()), (80 * LENGTH, 80));
    let chosen: Vec<_> = spectra
        .into_iter()
        .filter(|s| s.class == class)
        .map(|spectrum| {
            let accel_g: Vec<_> = samples
                .iter()
                .filter(|s| s.0 == spectrum.recording)
                .map(|s| [s.1, s.2, s.3].map(|a| (a / STANDARD_GRAVITY) as f32))
                .collect();
            assert_eq!(accel_g.len(), LENGTH);
            Recording { spectrum, accel_g }
        })
        .collect();
    assert_eq!(chosen.len(), 20, "{class}");
    chosen
}

/// Beat times by recording, s within the recording, of recordings put end to end.
fn beats_by_recording(recordings: &[Recording]) -> Vec<Vec<f64>> {
    let all: Vec<_> = recordings.iter().flat_map(|r| r.accel_g.iter().copied()).collect();
    let run = run_accel(config(HZ, Breathing::Ram), HZ, &all);
    let mut by = vec![Vec::new(); recordings.len()];
    for t in run.beat_times() {
        let length_s = LENGTH as f64 / HZ;
        by[((t / length_s) as usize).min(recordings.len() - 1)].push(t % length_s);
    }
    by
}

#[test]
fn gravity_was_taken_off() {
    for r in recordings("standing") {
        assert!(r.spectrum.mean_ms2 < 0.4, "recording {}", r.spectrum.recording);
    }
}

/// A tag switched on with each recording alone: ten seconds of standing give no
/// beat. (Those of the other classes seldom do: what was told is printed.)
#[test]
fn ten_seconds_of_standing_give_no_beat() {
    for class in ["standing", "walking", "running", "badminton"] {
        for r in recordings(class) {
            let run = run_accel(config(HZ, Breathing::Ram), HZ, &r.accel_g);
            if !run.beats.is_empty() {
                println!("{class} {}: {} beats", r.spectrum.recording, run.beats.len());
            }
            assert!(
                class != "standing" || run.beats.is_empty(),
                "standing, recording {}: {} beats",
                r.spectrum.recording,
                run.beats.len()
            );
        }
    }
}

#[test]
fn standing_without_a_spectral_rhythm_gives_no_beat() {
    let mut all = recordings("standing");
    all.retain(|r| r.spectrum.part_near_peak < 0.4);
    let still = all.len();
    assert_eq!(still, 3);
    assert!(beats_by_recording(&all).iter().all(Vec::is_empty), "cold");
    for known in ["walking", "running"] {
        let mut both = recordings(known);
        both.extend(recordings("standing").into_iter().filter(|r| r.spectrum.part_near_peak < 0.4));
        let by = beats_by_recording(&both);
        let counts: Vec<_> = by[20..].iter().map(Vec::len).collect();
        // A cycle that was under way at the seam may still end after it.
        println!("after {known}: {counts:?}");
        assert!(counts.iter().sum::<usize>() <= 1, "after {known}: {counts:?}");
    }
}

#[test]
fn standing_gives_no_beat_to_a_tag_that_knows_a_runner() {
    let mut both = recordings("running");
    both.extend(recordings("standing"));
    let by = beats_by_recording(&both);
    let counts: Vec<_> = by[20..].iter().map(Vec::len).collect();
    assert!(counts.iter().sum::<usize>() <= 1, "{counts:?}");
}

#[test]
fn beats_told_of_standing_are_the_arm_swinging() {
    let (off, silent) = rates("standing", 0);
    println!("standing: median off {:.2} %, {silent} of 20 silent", 100.0 * stats::median(&off));
    assert!(stats::median(&off) <= 0.1, "{off:?}");
}

/// Rate of each recording that holds at least four beats, from their median
/// spacing, against the spectrum of its strongest axis or of all axes.
fn rates(class: &str, after: usize) -> (Vec<f64>, usize) {
    let recordings = recordings(class);
    let by = beats_by_recording(&recordings);
    let mut off = Vec::new();
    let mut silent = 0;
    for (Recording { spectrum, .. }, beats) in recordings.iter().zip(&by).skip(after) {
        if beats.len() < 4 {
            silent += 1;
            println!("{class} {}: {} beats", spectrum.recording, beats.len());
            continue;
        }
        let gaps: Vec<f64> = beats.windows(2).map(|w| w[1] - w[0]).collect();
        let hz = 1.0 / stats::median(&gaps);
        println!(
            "{class} {}: {} beats, {hz:.3} Hz; spectrum {:.3} (strongest axis), {:.3} (all), {:.2} of the power near it",
            spectrum.recording,
            beats.len(),
            spectrum.axis_hz,
            spectrum.all_hz,
            spectrum.part_near_peak,
        );
        off.push((hz / spectrum.axis_hz - 1.0).abs());
    }
    (off, silent)
}

/// 10 s hold 7 to 12 cycles, so a spectrum's peak and a median spacing are good
/// to a few percent each. The first two recordings go by while the tag gets to
/// know the rhythm.
#[test]
fn walking_and_running_have_the_rhythm_of_their_spectrum() {
    for class in ["walking", "running"] {
        let (off, silent) = rates(class, 2);
        let near = off.iter().filter(|o| **o <= 0.1).count();
        println!(
            "{class}: median off {:.2} %, {near} of {} within 10 %, {silent} silent",
            100.0 * stats::median(&off),
            off.len()
        );
        assert!(stats::median(&off) <= 0.04, "{class}: {off:?}");
        assert!(near >= 16, "{class}: {near} of 18 within 10 %: {off:?}, {silent} silent");
    }
}
