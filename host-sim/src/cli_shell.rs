//! `swaymark completions` and `swaymark man`: what a shell and `man` need.

use std::io::{self, Write};
use std::path::PathBuf;

use crate::batch::write_whole;
use crate::problem::Problem;
use clap::Command;
use clap_complete::Shell;

use crate::cli::{self, Status};

/// Print the completions for a shell
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  \
    swaymark completions bash > ~/.local/share/bash-completion/completions/swaymark\n  \
    swaymark completions fish > ~/.config/fish/completions/swaymark.fish")]
pub struct Completions {
    /// Which shell
    #[arg(value_enum)]
    shell: Shell,
}

/// Print the manual page, or write the pages of all commands into a folder
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  swaymark man | man -l -\n  \
    swaymark man --out ~/.local/share/man/man1")]
pub struct Man {
    /// Folder for the pages of all commands, made if there is none
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

fn ended(result: Result<(), Problem>) -> Status {
    match result {
        Ok(()) => Status::Done,
        Err(problem) => {
            cli::problem(&problem);
            Status::Input
        }
    }
}

fn print(bytes: &[u8]) -> Result<(), Problem> {
    match io::stdout().write_all(bytes) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Problem::new(format!("standard output: {e}")))
        }
        _ => Ok(()),
    }
}

/// Runs `completions`.
pub fn completions(args: &Completions, command: &mut Command) -> Status {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, command, "swaymark", &mut script);
    ended(print(&script))
}

/// Runs `man`.
pub fn man(args: &Man, command: Command) -> Status {
    ended(pages(args, command))
}

fn pages(args: &Man, mut command: Command) -> Result<(), Problem> {
    // Names each page by its whole command: swaymark-replay.
    command = command.disable_help_subcommand(true);
    command.build();
    let Some(out) = &args.out else { return print(&page(command)?) };
    let shown = out.display();
    std::fs::create_dir_all(out)
        .map_err(|e| Problem::new(format!("{shown}: cannot be made: {e}")))?;
    for sub in command.get_subcommands().filter(|sub| !sub.is_hide_set()) {
        let name = sub.get_display_name().unwrap_or(sub.get_name()).to_owned();
        write_whole(&out.join(format!("{name}.1")), &page(sub.clone())?)?;
    }
    write_whole(&out.join("swaymark.1"), &page(command)?)
}

fn page(command: Command) -> Result<Vec<u8>, Problem> {
    let mut text = Vec::new();
    clap_mangen::Man::new(command)
        .render(&mut text)
        .map_err(|e| Problem::new(format!("the manual page: {e}")))?;
    Ok(text)
}
