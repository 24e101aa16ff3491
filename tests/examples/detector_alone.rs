//! The detectors alone: reads a trace, then runs the tag over the samples in memory, and
//! tells the processor time that took. `tests/reference/speed.py` holds NumPy against it.

use std::hint::black_box;
use std::path::Path;
use std::process::ExitCode;

use cpu_time::ThreadTime;
use firmware_core::tag::{Output, Tag};
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
    let mut out = Output::default();
    let (mut beats, mut minutes) = (0_u64, 0_u64);
    let start = ThreadTime::now();
    for mut run in decoded.runs() {
        while !run.accel_g.is_empty() {
            let count = tag.step_run(&run, &mut out);
            beats += u64::from(out.beat.is_some());
            minutes += u64::from(out.minute.is_some());
            run = run.after(count);
        }
    }
    black_box(&tag);
    let s = start.elapsed().as_secs_f64();
    println!("{{\"s\":{s},\"samples\":{},\"beats\":{beats},\"minutes\":{minutes}}}", decoded.len());
    Ok(())
}
