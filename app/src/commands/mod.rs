//! The commands, one file each, and what they share: how they end and how they print.
//!
//! Exit status: 0 answered and good, 1 answered but not good, 2 bad input or usage, 3 no answer.
//! Standard output carries the result, standard error the story.

#![allow(clippy::print_stderr, clippy::print_stdout, reason = "this is where the program speaks")]

pub mod align;
pub mod bench;
pub mod calibrate;
pub mod calibrated;
pub mod camera;
pub mod inspect;
pub mod part;
pub mod rehearse;
mod terminal;

use crate::answer_json;
use anyhow::bail;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Layer, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

/// How a command ends: with an exit status, or with bad input.
pub type Ended = anyhow::Result<ExitCode>;

/// Prints one JSON object and nothing else; a reader that has gone away is no error.
pub fn print_json(object: &serde_json::Value) -> anyhow::Result<()> {
    print_lines(&[serde_json::to_string_pretty(object)?])
}

/// Prints lines of the result; a reader that has gone away is no error.
pub fn print_lines(lines: &[String]) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    for line in lines {
        match writeln!(out, "{line}") {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => return Ok(()),
            other => other?,
        }
    }
    Ok(())
}

/// Refuses a file to be written, `out` of `option`, that is one of those that the command reads: a picture or a calibration would be gone.
pub fn spare<P: AsRef<Path>>(option: &str, out: &Path, read: impl IntoIterator<Item = P>) -> anyhow::Result<()> {
    let Ok(there) = out.canonicalize() else { return Ok(()) };
    match read.into_iter().find(|file| file.as_ref().canonicalize().is_ok_and(|file| file == there)) {
        Some(file) => bail!("{option} {}: {} is read here; give what is written a name of its own", out.display(), file.as_ref().display()),
        None => Ok(()),
    }
}

/// Exit status of bad input and bad usage.
const BAD_INPUT: u8 = 2;

/// Ends on bad input.
pub fn bad_input(error: &anyhow::Error) -> ExitCode {
    refuse(&format!("{error:#}").replace('\n', " "))
}

/// One line on standard error; on standard output nothing, or where JSON was asked for the object that says the same.
fn refuse(line: &str) -> ExitCode {
    eprintln!("landfit: {line}");
    // Asked of the arguments themselves: a command line that clap refuses has no other form. What follows "--" is a file's name.
    let json = std::env::args_os().skip(1).take_while(|a| a != "--").any(|a| a == "--json");
    if json && let Err(error) = print_json(&answer_json::bad_input(line)) {
        eprintln!("landfit: {error:#}");
    }
    ExitCode::from(BAD_INPUT)
}

/// Ends on a command line that clap refused, or prints the help that was asked for.
pub fn usage(error: &clap::Error) -> ExitCode {
    if error.use_stderr() {
        let text = error.render().to_string();
        let told = |line: &&str| !line.starts_with("Usage:") && !line.starts_with("For more information");
        let line = text.lines().map(str::trim).filter(|l| !l.is_empty()).take_while(told).collect::<Vec<_>>().join(" ");
        refuse(&format!("{} (landfit --help tells more)", line.trim_start_matches("error: ")))
    } else {
        // Styled on a terminal only; a reader that has gone away is no error.
        let _ = error.print();
        ExitCode::SUCCESS
    }
}

/// Sends the story to standard error, as much of it as was asked for.
pub fn listen(verbose: u8) {
    let level = match verbose {
        0 => tracing::Level::WARN,
        1 => tracing::Level::INFO,
        _ => tracing::Level::DEBUG,
    };
    // What the window system lacks, and the window does without, is nothing that the person could mend.
    let of_window_system = if verbose == 0 { tracing::Level::ERROR } else { level };
    let heard = Targets::new().with_default(level).with_target("winit", of_window_system);
    let printed = tracing_subscriber::fmt::layer().with_target(false).without_time().with_writer(std::io::stderr).with_filter(heard);
    tracing_subscriber::registry().with(printed).init();
}
