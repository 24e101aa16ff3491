//! How many instructions a sample takes on the host, stage by stage, against the
//! committed numbers: `tests/instructions/run`, and with `bless` to take the new ones.
//!
//! The program runs itself under callgrind (valgrind), once for each sample rate, and
//! reads what that counted by source file. A count does not depend on how fast or busy
//! the machine is, but on the compiler: the committed file says which one it holds for.

mod counts;
mod table;
mod work;

use std::path::Path;
use std::process::{Command, ExitCode};

use counts::Counts;
use table::Table;
use work::Way;

/// Sample rates, Hz.
const RATES_HZ: [u32; 4] = [10, 25, 50, 100];
/// How samples are handed in, each with its argument.
const WAYS: [(&str, Way); 2] = [("singles", Way::Singles), ("runs", Way::Runs)];
const USAGE: &str = "usage: swaymark-instructions [bless]";
/// Most that a count may grow, %.
const GROWTH_PERCENT: f64 = 3.0;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let ran = match args.as_slice() {
        [] => count().and_then(|table| check(&table)),
        ["bless"] => count().and_then(|table| table.save(&committed())),
        [how, hz] => work(how, hz),
        _ => Err(USAGE.to_owned()),
    };
    match ran {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("error: {message}");
            ExitCode::FAILURE
        }
    }
}

/// What is counted, by the argument of a way and a rate.
fn work(how: &str, hz: &str) -> Result<(), String> {
    let (_, way) = WAYS.into_iter().find(|way| way.0 == how).ok_or(USAGE)?;
    hz.parse().map(|hz| work::run(hz, way)).map_err(|e| format!("{hz}: {e}"))
}

/// Where the committed numbers are.
fn committed() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("counts.txt")
}

/// Counts anew, all rates side by side.
fn count() -> Result<Table, String> {
    let program = std::env::current_exe().map_err(|e| e.to_string())?;
    let out = std::env::temp_dir().join(format!("swaymark-instructions-{}", std::process::id()));
    let file = |hz: u32, how: &str| out.with_extension(format!("{hz}.{how}"));
    let mut children = Vec::new();
    for (hz, (how, way)) in RATES_HZ.into_iter().flat_map(|hz| WAYS.map(|way| (hz, way))) {
        let started = Command::new("valgrind")
            .args(["--quiet", "--tool=callgrind", "--instr-atstart=yes"])
            .arg(format!("--callgrind-out-file={}", file(hz, how).display()))
            .arg(&program)
            .args([how, &hz.to_string()])
            .spawn();
        children.push((hz, how, way, started.map_err(|e| format!("valgrind cannot be run: {e}"))?));
    }
    let mut table = Table::new(compiler()?);
    for (hz, how, way, mut child) in children {
        let status = child.wait().map_err(|e| e.to_string())?;
        let text = std::fs::read_to_string(file(hz, how)).map_err(|e| e.to_string());
        // Only a leftover.
        let _ = std::fs::remove_file(file(hz, how));
        if !status.success() {
            return Err(format!("valgrind ended with {status} at {hz} Hz"));
        }
        table.add(hz, way, &Counts::read(&text?)?, work::samples(hz));
    }
    Ok(table)
}

/// The compiler, as it names itself.
fn compiler() -> Result<String, String> {
    let rustc = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".to_owned());
    let said = Command::new(&rustc).arg("-V").output().map_err(|e| format!("{rustc}: {e}"))?;
    Ok(String::from_utf8_lossy(&said.stdout).trim().to_owned())
}

/// Prints the counts and holds them against the committed ones.
fn check(now: &Table) -> Result<(), String> {
    let was = Table::load(&committed())?;
    print!("{}", now.beside(&was));
    let grown = now.grown(&was, GROWTH_PERCENT);
    if was.compiler != now.compiler {
        println!(
            "the committed counts are of {}, these of {}: shown, not judged",
            was.compiler, now.compiler
        );
        return Ok(());
    }
    if grown.is_empty() {
        println!("no stage takes over {GROWTH_PERCENT} % more than committed");
        return Ok(());
    }
    Err(format!(
        "more than {GROWTH_PERCENT} % over the committed counts: {}. After a wanted change: \
         tests/instructions/run bless",
        grown.join("; ")
    ))
}
