//! The detectors alone: reads a trace, then runs the tag over the samples in memory, and
//! tells the processor time that took. `tests/reference/speed.py` holds NumPy against it.

use std::hint::black_box;
use std::path::Path;
use std::process::ExitCode;

use cpu_time::ThreadTime;
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment};
use host_sim::problem::Problem;
use host_sim::replay::{Keep, prepare};
use host_sim::trace::Decoded;

fn main() -> ExitCode {
    let Some(path) = std::env::args_os().nth(1) else {
        eprintln!("usage: detector_alone TRACE.csv");
        return ExitCode::FAILURE;
    };
    match run(Path::new(&path)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(problem) => {
            eprintln!("error: {}", problem.render(false));
            ExitCode::FAILURE
        }
    }
}

fn run(path: &Path) -> Result<(), Problem> {
    let mut prepared = prepare(path, None, Keep::default(), |file| Box::new(file))?;
    let decoded = Decoded::read(&mut prepared.reader, &path.display().to_string())?;
    let mut tag = Tag::new(prepared.setup.config);
    let (mut beats, mut minutes) = (0_u64, 0_u64);
    let start = ThreadTime::now();
    for run in decoded.runs() {
        tag.feed(&run, &mut |event: &Event, _: &Moment| match event {
            Event::Beat(_) => beats += 1,
            Event::Minute(_) => minutes += 1,
            _ => {}
        });
    }
    black_box(&tag);
    let s = start.elapsed().as_secs_f64();
    println!("{{\"s\":{s},\"samples\":{},\"beats\":{beats},\"minutes\":{minutes}}}", decoded.len());
    Ok(())
}
