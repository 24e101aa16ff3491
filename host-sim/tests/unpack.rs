//! From a trace to the flash image and the messages, and back.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use firmware_core::store::record::{
    FATE_STORED, HOUR_BYTES, MINUTE_BYTES, RECOVERY_STORED, RELEASE_STORED, Record, stored_bytes,
};
use host_sim::replay::{self, Keep, Kept, Report};
use host_sim::unpack::{ImageReport, MessageReport, salvage};
use proptest::prelude::*;

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-data").join(name)
}

fn kept(name: &str) -> (Report, Kept) {
    let keep = Keep { beats: false, minutes: true };
    let prepared = replay::prepare(&demo(name), None, keep, |file| Box::new(file)).expect("a demo");
    prepared.run_keeping(true).expect("runs")
}

fn hex(kept: &Kept) -> Vec<String> {
    kept.messages().iter().map(|m| m.iter().map(|b| format!("{b:02x}")).collect()).collect()
}

/// The image tells what the replay told, and the messages tell it again.
#[test]
fn image_and_messages_tell_what_the_replay_told() {
    let (report, mut kept) = kept("death-first-hour-0005.csv.gz");
    assert_eq!(kept.refused(), 0);
    let image = ImageReport::new("image", kept.image(), None);
    assert_eq!((image.damage.len(), image.missing.len()), (0, 0));

    // Minutes: within half a step of each field (docs/records.md).
    let minutes = report.minutes.as_ref().expect("kept");
    assert_eq!(image.minutes.len(), minutes.len());
    for (got, want) in image.minutes.iter().zip(minutes) {
        let near = |a: f32, b: f32, step: f32| (a - b).abs() <= 0.5001 * step;
        assert_eq!((got.t_s, got.state), (want.t_s, want.state));
        assert_eq!(got.beats_per_min.is_some(), want.beats_per_min.is_some());
        let beats = |m: &replay::Minute| m.beats_per_min.unwrap_or(0.0);
        assert!(near(beats(got), beats(want), 1.0 / 128.0), "{got:?} for {want:?}");
        for (a, b) in
            [(got.sway_g, want.sway_g), (got.odba_g, want.odba_g), (got.vedba_g, want.vedba_g)]
        {
            assert!(near(a, b, 1.0 / 8192.0), "{got:?} for {want:?}");
        }
        for (a, b) in [(got.pitch_deg, want.pitch_deg), (got.roll_deg, want.roll_deg)] {
            assert!(near(a, b, 180.0 / 127.0), "{got:?} for {want:?}");
        }
        let depth = |m: &replay::Minute| m.depth_m.unwrap_or(0.0).max(0.0);
        assert!(near(depth(got), depth(want), 1.0 / 16.0), "{got:?} for {want:?}");
    }

    // Hours: the means of their minutes.
    assert_eq!(image.hours.len(), 24);
    for hour in &image.hours {
        let of: Vec<_> =
            minutes.iter().filter(|m| (m.t_s / 3600.0).floor() * 3600.0 == hour.t_s).collect();
        assert_eq!(usize::from(hour.minutes), of.len());
        let mean = of.iter().map(|m| f64::from(m.vedba_g)).sum::<f64>() / of.len() as f64;
        assert!((f64::from(hour.vedba_g) - mean).abs() < 1.0 / 8192.0);
        let swum: Vec<_> = of.iter().filter(|m| m.state == "swimming").collect();
        assert_eq!(usize::from(hour.swimming_min), swum.len());
    }

    // Events, with their evidence.
    let release = image.events.iter().find(|e| e.event == "release").expect("let go");
    assert_eq!(Some(release.t_s), report.release.t_s);
    assert_eq!(release.what, Some("death"));
    assert_eq!(release.bound, report.release.bound);
    let fate = image.events.iter().rfind(|e| e.event == "fate").expect("decided");
    assert_eq!((fate.what, fate.since_s), (Some("dead"), report.fate_t_s));
    assert_eq!(Some(fate.t_s), report.fate_decided_t_s);
    assert!(fate.minute.is_some_and(|m| m.t_s + 60.0 <= fate.t_s));

    // What the replay reckons for memory is what these records take in the log.
    let mut stored = 0;
    for kept in salvage(kept.image(), None).records {
        let bytes = match &kept.record {
            Record::Minute(_) => stored_bytes(MINUTE_BYTES),
            Record::Hour(_) => stored_bytes(HOUR_BYTES),
            Record::Fate(_) => FATE_STORED,
            Record::Recovery(_) => RECOVERY_STORED,
            Record::Release(_) => RELEASE_STORED,
            _ => 0,
        };
        stored += bytes as u32;
    }
    let reckoned = report.memory.record_bytes;
    // The hour that the trace ends in is recorded, and not reckoned yet.
    let last = stored_bytes(HOUR_BYTES) as u32;
    assert!(stored == reckoned || stored == reckoned + last, "{stored} B for {reckoned} B");

    // Ten seconds every hour, and at both decisions.
    let samples: usize = image.bursts.iter().map(|b| b.samples_g.len()).sum();
    assert_eq!(samples, (24 + 2) * 250);

    // Any one message.
    for line in hex(&kept) {
        let told = MessageReport::new("one", &line).expect("hexadecimal");
        let d = &told.deployments[0];
        assert_eq!((d.deployment, d.fate, d.messages), (5, "dead", 1));
        let fate_t_s = d.fate_t_s.expect("known");
        assert!((fate_t_s - report.fate_t_s.expect("known")).abs() <= 30.0);
        assert_eq!(d.release_cause, Some("death"));
        assert!((d.release_t_s.expect("known") - report.release.t_s.expect("known")).abs() <= 30.0);
        assert!(!d.course.whole);
    }
    // Hurt a record in the middle: damaged and missing have keys too.
    let mut hurt = kept.image().to_vec();
    hurt[200] ^= 4;
    hurt[4096 + 200] ^= 4;
    documented(&ImageReport::new("image", &hurt, None), "JSON of an image");

    // Five with damaged ones among them, in any order.
    let mut lines = hex(&kept);
    lines.rotate_left(4);
    lines.truncate(7);
    lines[0].truncate(40);
    lines[3].replace_range(0..2, "ff");
    lines.reverse();
    let told = MessageReport::new("some", &lines.join("\n")).expect("hexadecimal");
    assert_eq!(told.refused.len(), 2);
    documented(&told, "JSON of messages");
    let course = &told.deployments[0].course;
    assert!(course.whole && course.closed);
    for point in &course.points {
        let hour = image.hours.iter().find(|h| h.t_s == point.t_s).expect("the hour");
        let (got, want) = (point.beats_per_min.expect("known"), hour.beats_per_min.unwrap_or(0.0));
        assert!(got == 0.0 && want < 3.0 || (got / want).ln().abs() < 0.05, "{got} for {want}");
    }
}

/// A memory too small for all: summaries are whole, the newest minutes are there.
#[test]
fn a_small_memory_keeps_the_summaries() {
    let keep = Keep { beats: false, minutes: true };
    let mut prepared =
        replay::prepare(&demo("cruiser-0015.csv.gz"), None, keep, |file| Box::new(file))
            .expect("a demo");
    prepared.setup.memory_bytes = 5.0 * 4096.0;
    let (report, mut kept) = prepared.run_keeping(true).expect("runs");
    let image = ImageReport::new("image", kept.image(), None);
    assert_eq!(image.hours.len(), 24);
    assert_eq!((image.before.summary, image.missing.len(), image.damage.len()), (0, 0, 0));
    assert!(image.bursts.is_empty(), "raw bursts go first");
    let minutes = report.minutes.expect("kept");
    assert!(image.minutes.len() > 400 && image.minutes.len() < minutes.len());
    let last: Vec<f64> =
        minutes.iter().rev().take(image.minutes.len()).rev().map(|m| m.t_s).collect();
    assert_eq!(image.minutes.iter().map(|m| m.t_s).collect::<Vec<_>>(), last);
    assert_eq!(image.before.minutes as usize, minutes.len() - last.len());
}

/// The commands, as a user runs them.
#[test]
fn the_commands_work_together() {
    let dir = tempfile::tempdir().expect("a folder");
    let at = |name: &str| dir.path().join(name).display().to_string();
    let run = |args: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_swaymark")).args(args).output().expect("runs");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (out.status.code(), text(&out.stdout), text(&out.stderr))
    };
    let (image, messages, tables) = (at("a.flash"), at("a.txt"), at("tables"));
    let trace = demo("bottom-rester-0008.csv.gz").display().to_string();
    let (status, _, stderr) =
        run(&["replay", &trace, "--quiet", "--image", &image, "--messages", &messages]);
    assert_eq!((status, stderr.as_str()), (Some(0), ""));
    let (status, stdout, stderr) = run(&["unpack", &image, "--csv", &tables]);
    assert_eq!(status, Some(0), "{stderr}");
    assert!(stdout.contains("1440 minutes") && stdout.contains("Damage      none"), "{stdout}");
    let minutes = std::fs::read_to_string(dir.path().join("tables/a.minutes.csv")).expect("there");
    assert!(minutes.starts_with("t_s,beats_per_min,sway_g,") && minutes.lines().count() > 60);
    let (status, stdout, _) = run(&["unpack", &image, "--format", "json"]);
    let json: serde_json::Value = serde_json::from_str(&stdout).expect("one object");
    assert_eq!((status, &json["schema"]), (Some(0), &serde_json::json!(1)));
    let (status, stdout, _) = run(&["unpack", "--messages", &messages, "--format", "json"]);
    let json: serde_json::Value = serde_json::from_str(&stdout).expect("one object");
    assert_eq!((status, &json["deployments"][0]["course"]["whole"]), (Some(0), &true.into()));

    // Mistakes.
    let (status, _, stderr) = run(&["unpack", &messages]);
    assert!(status == Some(2) && stderr.contains("holds no record"), "{stderr}");
    let (status, _, stderr) = run(&["unpack", "--messages", &image]);
    assert!(status == Some(2) && stderr.contains("is not text"), "{stderr}");
    std::fs::write(dir.path().join("b.txt"), "# sent\n\n20 1e 7g").expect("written");
    let (status, _, stderr) = run(&["unpack", "--messages", &at("b.txt")]);
    assert!(status == Some(2) && stderr.contains("row 3, column 8: \"g\""), "{stderr}");
    let (status, _, stderr) = run(&["replay", &trace, &trace, "--image", &image]);
    assert!(status == Some(2) && stderr.contains("go with one trace"), "{stderr}");
    std::fs::write(dir.path().join("empty"), "").expect("written");
    let (status, _, stderr) = run(&["unpack", &at("empty")]);
    assert!(status == Some(2) && stderr.contains("is empty"), "{stderr}");
}

/// Paths of all keys: `a`, `a.b`, `a[].b`.
fn paths(value: &serde_json::Value, at: &str, into: &mut BTreeSet<String>) {
    match value {
        serde_json::Value::Object(entries) => {
            for (key, value) in entries {
                let path = if at.is_empty() { key.clone() } else { format!("{at}.{key}") };
                paths(value, &path, into);
                into.insert(path);
            }
        }
        serde_json::Value::Array(items) => {
            items.iter().for_each(|v| paths(v, &format!("{at}[]"), into));
        }
        _ => {}
    }
}

/// Keys that a section of `docs/unpack.md` tells.
fn told(section: &str) -> BTreeSet<String> {
    let doc = include_str!("../../docs/unpack.md");
    let (_, rest) = doc.split_once(&format!("## {section}\n")).expect("the section");
    let rows = rest.split("\n## ").next().expect("text").lines();
    rows.filter_map(|row| row.strip_prefix("| `")?.split('`').next().map(str::to_owned)).collect()
}

/// `docs/unpack.md` tells every key that is printed, and no other.
fn documented(report: &impl serde::Serialize, section: &str) {
    let mut printed = BTreeSet::new();
    paths(&serde_json::to_value(report).expect("JSON"), "", &mut printed);
    // The keys of a minute are told in docs/formats.md.
    printed.retain(|key| !key.starts_with("minutes[].") && !key.starts_with("events[].minute."));
    let told = told(section);
    let missing: Vec<_> = printed.difference(&told).collect();
    assert!(missing.is_empty(), "printed, not in docs/unpack.md: {missing:?}");
    let stale: Vec<_> = told.difference(&printed).collect();
    assert!(stale.is_empty(), "in docs/unpack.md, not printed: {stale:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever a file holds, it is read to its end, and every byte is accounted for once at most.
    #[test]
    fn any_bytes_can_be_salvaged(
        bytes in proptest::collection::vec(any::<u8>(), 0..20_000),
        log in 9_u32..=17,
    ) {
        let s = host_sim::unpack::salvage(&bytes, Some(1 << log));
        let damaged: usize = s.damage.iter().map(|d| d.bytes).sum();
        let kept: usize = s.records.iter().map(|k| k.bytes).sum();
        prop_assert!(damaged + kept <= bytes.len());
        let _ = host_sim::unpack::salvage(&bytes, None);
    }

    /// Whatever the flash holds, the log opens, keeps a record, and gives it back.
    #[test]
    fn any_flash_boots(seed in any::<u64>(), bytes in proptest::collection::vec(any::<u8>(), 8192)) {
        use firmware_core::store::log::Log;
        use firmware_core::store::record::{FaultEvent, Record};
        let flash = host_sim::flash::NorSim::<4, 1024>::from_bytes(bytes, seed);
        let mut log = Log::open(flash, 0, 8192).expect("opens");
        let event = FaultEvent { t_us: 7, kind: firmware_core::types::FaultKind::Gap, count: 9 };
        prop_assert_eq!(log.append(&event), Ok(()));
        let bytes = log.close().into_bytes();
        let found = host_sim::unpack::salvage(&bytes, None);
        prop_assert!(found.records.iter().any(|k| k.record == Record::Fault(event)));
    }

    /// Any text is a report or an error that names the place.
    #[test]
    fn any_text_is_read_or_refused(text in ".{0,200}") {
        if let Err(problem) = MessageReport::new("x", &text) {
            prop_assert!(problem.to_string().starts_with("x: row "));
        }
    }
}

/// A frame as docs/unpack.md lays it out; its check sum by another implementation than the reader's.
fn frame(total: u32, at: u32, payload: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0xD5, 0x2E, 0xA9, 0x01];
    bytes.extend(total.to_le_bytes());
    bytes.extend(at.to_le_bytes());
    bytes.extend((payload.len() as u16).to_le_bytes());
    bytes.extend(payload);
    let mut crc = u32::MAX;
    for byte in &bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xEDB8_8320 } else { crc >> 1 };
        }
    }
    bytes.extend((!crc).to_le_bytes());
    bytes
}

fn port(args: &[&str]) -> (Option<i32>, String, String) {
    let run = Command::new(env!("CARGO_BIN_EXE_swaymark")).arg("unpack").args(args).output();
    let run = run.expect("runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (run.status.code(), text(&run.stdout), text(&run.stderr))
}

/// Two rounds over a bad line: a frame damaged in the first comes with the second.
#[test]
fn a_download_over_a_bad_line_is_the_image() {
    let (_, mut kept) = kept("death-first-hour-0005.csv.gz");
    let image = kept.image().to_vec();
    let total = image.len() as u32;
    let round = |bad: &dyn Fn(usize, &mut Vec<u8>)| {
        let mut stream = b"boot\r\n".to_vec();
        for (n, payload) in image.chunks(256).enumerate() {
            let mut bytes = frame(total, 256 * n as u32, payload);
            bad(n, &mut bytes);
            stream.extend(bytes);
        }
        stream
    };
    let first = round(&|n, bytes| match n % 7 {
        // A bit flips in the head, in the payload, in the check sum; a byte is lost, or comes twice.
        0 => bytes[5 + n % 9] ^= 0x10,
        1 => bytes[14 + n % 256] ^= 1,
        2 => bytes[272] ^= 0x80,
        3 => drop(bytes.remove(n % 274)),
        4 => bytes.insert(n % 274, 0xD5),
        _ => {}
    });
    let dir = tempfile::tempdir().expect("a folder");
    let path = |name: &str| dir.path().join(name).display().to_string();
    let (line, half, saved, plain) = (path("line"), path("half"), path("saved"), path("plain"));
    std::fs::write(&line, [&first[..], &round(&|_, _| {})].concat()).expect("written");
    std::fs::write(&half, &first).expect("written");
    std::fs::write(&plain, &image).expect("written");

    let (code, by_port, said) = port(&["--port", &line, "--save", &saved, "--format", "json"]);
    assert_eq!((code, said.contains("did not arrive")), (Some(0), false), "{said}");
    assert_eq!(std::fs::read(&saved).expect("saved"), image);
    let (_, by_file, _) = port(&[&plain, "--format", "json"]);
    assert_eq!(by_port.replace(&line, "x"), by_file.replace(&plain, "x"));

    // One round alone: it is said what is missing, and the rest is read.
    let (code, text, said) = port(&["--port", &half, "--save", &saved]);
    let lost = (0..image.len().div_ceil(256)).filter(|n| n % 7 < 5).count() * 256;
    assert!(said.contains(&format!("{lost} of {total} bytes did not arrive")), "{said}");
    assert_eq!((code, text.is_empty()), (Some(0), false));
    let got = std::fs::read(&saved).expect("saved");
    let differ = |(n, part): (usize, &[u8])| part != &image[256 * n..256 * n + part.len()];
    assert!(got.chunks(256).enumerate().filter(|(n, _)| n % 7 >= 5).all(|part| !differ(part)));
}

#[test]
fn a_port_without_a_download_is_refused() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = |name: &str, bytes: &[u8]| {
        let path = dir.path().join(name);
        std::fs::write(&path, bytes).expect("written");
        path.display().to_string()
    };
    let rubbish = path("rubbish", &[0xD5, 0x2E, 0xA9, 0x01].repeat(99));
    let two = [frame(512, 0, &[7; 256]), frame(768, 256, &[7; 256])].concat();
    let other = [frame(512, 0, &[7; 256]), frame(512, 0, &[8; 256])].concat();
    for (file, wanted) in [
        (rubbish, "no sound frame"),
        (path("empty", b""), "no sound frame"),
        (path("two", &two), "different images"),
        (path("other", &other), "different images"),
        (path("foreign", &frame(256, 0, &[7; 256])), "holds no record"),
        (dir.path().join("none").display().to_string(), "none"),
    ] {
        let (code, _, said) = port(&["--port", &file]);
        assert!(code == Some(2) && said.contains(wanted), "{file}: {code:?} {said}");
    }
    assert_eq!(port(&["--port", "x", "y"]).0, Some(2), "an image besides");
}
