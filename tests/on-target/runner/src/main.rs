//! Runs the firmware image on an emulated Cortex-M and compares it with the host.

mod check;
mod demo;
mod elf;
mod make;
mod measure;
mod profile;
mod results;
mod target;
mod trace;

use on_target_wire::trace::Mode;
use target::{Build, Pace, TARGETS};
use trace::{Bytes, Job};

fn main() {
    if std::env::args().nth(1).as_deref() == Some("measure") {
        match measure::all(&target::here(), std::env::args().nth(2).is_some(), true) { Ok(()) => {} Err(e) => { eprintln!("{e}"); std::process::exit(1) } }
        return;
    }
    if std::env::args().nth(1).as_deref() == Some("check") {
        match check::all(&TARGETS) { Ok(()) => {} Err(e) => { eprintln!("{e}"); std::process::exit(1) } }
        return;
    }
    let hours: f64 = std::env::args().nth(1).and_then(|h| h.parse().ok()).unwrap_or(0.2);
    let hz: f32 = std::env::args().nth(2).and_then(|h| h.parse().ok()).unwrap_or(25.0);
    let t = make::long(1, hz, hours, Some(make::plain_config(hz)));
    let host = results::on_host(&t, |_, _| {});
    println!("host {} bytes", host.len());
    let shorts: Vec<_> = (0..20).map(|s| make::short(s, hz)).collect();
    if std::env::args().nth(3).is_some() {
        for target in TARGETS {
            let image = target::build(target, &Build::of("image", "")).unwrap();
            let mut job = Bytes::default();
            t.write(Job::of(Mode::Decide), &mut job);
            let t0 = std::time::Instant::now();
            let p = profile::follow(target, &image, target::folder(&job.0).unwrap().path()).unwrap();
            println!("{} samples {} {:?}", target.name, p.samples.len(), t0.elapsed());
            let n = p.samples.len() as f64;
            for (i, s) in p.stages.iter().enumerate() {
                let sum: u64 = p.samples.iter().map(|c| u64::from(c[i])).sum();
                let worst = p.samples.iter().map(|c| c[i]).max().unwrap();
                println!("  {s:12} mean {:.1} worst {worst}", sum as f64 / n);
            }
            let mut lines: Vec<_> = p.lines.into_iter().collect();
            lines.sort_by_key(|l| std::cmp::Reverse(l.1));
            for (l, c) in lines.iter().take(60) {
                println!("    {l:30} {:.1}", *c as f64 / n);
            }
        }
        return;
    }
    for target in TARGETS {
        let image = target::build(target, &Build::of("image", "")).unwrap();
        let mut job = Bytes::default();
        t.write(Job::of(Mode::Decide), &mut job);
        let t0 = std::time::Instant::now();
        let r = target::run(target, &image, &job.0, Pace::Free).unwrap();
        println!("{} {:?} same {}", target.name, t0.elapsed(), r[17..] == host[..]);
        let mut job = Bytes::default();
        let mut expect = vec![];
        for s in &shorts {
            s.write(Job::of(Mode::Decide), &mut job);
            expect.extend(results::on_host(s, |_, _| {}));
        }
        let r = target::run(target, &image, &job.0, Pace::Free).unwrap();
        println!("shorts same {} {}", r[17..] == expect[..], expect.len());
        let mut count = std::collections::BTreeMap::new();
        for r in results::parse(&r).unwrap() { *count.entry(r.name()).or_insert(0) += 1; }
        println!("{count:?}");
        let mut job = Bytes::default();
        t.write(Job::of(Mode::Time), &mut job);
        let t0 = std::time::Instant::now();
        let r = target::run(target, &image, &job.0, Pace::Counted).unwrap();
        let r = results::parse(&r).unwrap();
        let (empty, longer, nops) = (r[0].u32_at(0), r[0].u32_at(4), r[0].u32_at(8));
        let per = f64::from(longer - empty) / f64::from(nops);
        let mut n: Vec<f64> = r.iter().filter(|r| r.kind == b'T').map(|r| (f64::from(r.u32_at(0)) - f64::from(empty)) / per).collect();
        let mean = n.iter().sum::<f64>() / n.len() as f64;
        n.sort_by(f64::total_cmp);
        println!("{:?} ticks/instr {per} mean {mean:.1} p50 {:.1} p99 {:.1} worst {:.1}", t0.elapsed(), n[n.len()/2], n[n.len()*99/100], n[n.len()-1]);
        let mut job = Bytes::default();
        t.write_part(Job::of(Mode::Stack), 0..30_000.min(t.samples.len()), &mut job);
        let r = target::run(target, &image, &job.0, Pace::Free).unwrap();
        let r = results::parse(&r).unwrap();
        println!("stack {:?}", r.iter().filter(|r| r.kind == b'S').map(|r| r.u32_at(0)).max());
    }
}
