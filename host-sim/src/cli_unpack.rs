//! `swaymark unpack`.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::problem::Problem;
use crate::replay::CAUTION;
use crate::unpack;
use serde::Serialize;

use crate::cli::{self, Status};
use crate::cli_replay::Format;

/// Read a tag's flash image, or satellite messages, back
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  swaymark unpack k07.flash\n  \
    swaymark unpack k07.flash --csv tables\n  \
    swaymark unpack --messages k07.txt --format json\n  \
    swaymark unpack --port /dev/ttyACM0 --save k07.flash\n\n\
    An image is a copy of the range of the flash that the log was given. Of a damaged one \
    everything sound is read, and what is not is said. Messages stand one a line, as 62 \
    hexadecimal digits, in any order. A serial line is read until the image is whole; set its \
    speed first.")]
pub struct Args {
    /// Flash image
    #[arg(value_name = "IMAGE", required_unless_present_any = ["messages", "port"])]
    image: Option<PathBuf>,
    /// Read satellite messages from this file instead
    #[arg(long, value_name = "FILE", conflicts_with = "image")]
    messages: Option<PathBuf>,
    /// Download from this serial line, or from a file of the bytes that came over one, instead
    #[arg(long, value_name = "FILE_OR_DEVICE", conflicts_with_all = ["image", "messages"])]
    port: Option<PathBuf>,
    /// Write the image that was downloaded to this file as well
    #[arg(long, value_name = "FILE", requires = "port")]
    save: Option<PathBuf>,
    /// Form of the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write tables (CSV) into this folder as well
    #[arg(long, value_name = "DIR")]
    csv: Option<PathBuf>,
    /// Bytes of a segment, where no header of the image is left to tell: 512 to 131072, a power of two
    #[arg(long, value_name = "N", conflicts_with = "messages", value_parser = segment)]
    segment_bytes: Option<usize>,
    /// No notices on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

fn segment(text: &str) -> Result<usize, String> {
    match text.parse::<usize>() {
        Ok(n) if n.is_power_of_two() && (512..=131_072).contains(&n) => Ok(n),
        _ => Err("expected a power of two from 512 to 131072".to_owned()),
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    match unpacked(args) {
        Ok(()) => Status::Done,
        Err(problem) => {
            cli::problem(&problem);
            Status::Input
        }
    }
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or("image".to_owned(), |s| s.to_string_lossy().into_owned())
}

fn unpacked(args: &Args) -> Result<(), Problem> {
    if let Some(path) = &args.messages {
        let report = unpack::read_messages(path)?;
        if let Some(dir) = &args.csv {
            written(args, &[unpack::write_course(&report, &stem(path), dir)?]);
        }
        if !args.quiet && !report.refused.is_empty() {
            cli::notice(format_args!(
                "{}: {} of the messages are not sound and are left out",
                path.display(),
                report.refused.len()
            ));
        }
        return print(args, &report, || unpack::of_messages(&report));
    }
    let Some(path) = args.port.as_ref().or(args.image.as_ref()) else { return Ok(()) };
    let report = match &args.port {
        Some(port) => downloaded(args, port)?,
        None => unpack::read_image(path, args.segment_bytes)?,
    };
    if let Some(dir) = &args.csv {
        written(args, &unpack::write_image(&report, &stem(path), dir)?);
    }
    let lost: u32 = report.missing.iter().map(|m| m.count).sum();
    if !args.quiet && lost > 0 {
        cli::notice(format_args!("{}: {lost} records are damaged and lost", path.display()));
    }
    print(args, &report, || unpack::of_image(&report))
}

/// The report of what a serial line brings.
fn downloaded(args: &Args, port: &Path) -> Result<unpack::ImageReport, Problem> {
    let name = port.display();
    let download = unpack::read_port(port)?;
    if let Some(path) = &args.save {
        let failed = |e| Problem::new(format!("{}: {e}", path.display()));
        fs::write(path, &download.image).map_err(failed)?;
        written(args, std::slice::from_ref(path));
    }
    if !args.quiet && download.missing > 0 {
        cli::notice(format_args!(
            "{name}: {} of {} bytes did not arrive; they stand as zeros in the image. Download \
             again",
            download.missing,
            download.image.len()
        ));
    }
    unpack::of_bytes(&name.to_string(), &download.image, args.segment_bytes)
}

fn written(args: &Args, files: &[PathBuf]) {
    if !args.quiet {
        files.iter().for_each(|f| cli::notice(format_args!("wrote {}", f.display())));
    }
}

fn print(
    args: &Args,
    report: &impl Serialize,
    text: impl FnOnce() -> String,
) -> Result<(), Problem> {
    let whole = match args.format {
        Format::Json => serde_json::to_string(report)
            .map_err(|e| Problem::new(format!("the report cannot be written: {e}")))?,
        Format::Text => format!("{}\n{CAUTION}", text()),
    };
    match writeln!(io::stdout().lock(), "{whole}") {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Problem::new(format!("standard output: {e}")))
        }
        _ => Ok(()),
    }
}
