//! Makes one trace: `synth SCENARIO SEED DIR [HOURS [HZ]]`; lists scenarios without arguments.

use host_sim::synth::{Request, SCENARIOS, run};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [scenario, seed, dir, rest @ ..] = args.as_slice() else {
        for s in SCENARIOS {
            println!("{:20} {:5} h  {}", s.name, s.hours, s.summary);
        }
        return Ok(());
    };
    let mut request = Request::new(scenario, seed.parse()?, dir);
    request.hours = rest.first().map(|h| h.parse()).transpose()?;
    request.sample_hz = rest.get(1).map(|h| h.parse()).transpose()?;
    request.gzip = std::env::var_os("GZIP_TRACE").is_some();
    if std::env::var_os("SMALL_TRACE").is_some() {
        request.gzip = true;
        request.scale = Some((2.0, 64.0));
        request.format.time = host_sim::synth::TimeColumn::SparseSeconds;
        request.format.acceleration = host_sim::synth::AccelColumns::Raw;
    }
    let w = run(&request)?;
    println!("{} rows, {} beats: {}", w.rows, w.beats, w.trace.display());
    Ok(())
}
