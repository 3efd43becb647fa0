//! The program landfit: measures where a part lies over its lands and says how far to turn which screw.

mod answer_json;
mod commands;
mod overlay;
mod part_drawing;
mod pictures;
mod rehearsal_bench;
mod settings;
mod sound;
mod sources;
mod state;
mod window;
mod words;
mod worker;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Measure where a part lies over its lands, and say how far to turn which screw
#[derive(Parser)]
#[command(name = "landfit", version, about, max_term_width = 100)]
struct Cli {
    /// Tell more of what is done, on standard error (-v, -vv)
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    verbose: u8,
    #[command(flatten)]
    window: window::open::Args,
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Subcommand)]
enum Command {
    Align(commands::align::Args),
    Inspect(commands::inspect::Args),
    Part(commands::part::Args),
    Bench(commands::bench::Args),
    Calibrate(Box<commands::calibrate::Args>),
    Camera(commands::camera::Args),
    Rehearse(commands::rehearse::Args),
}

/// Runs the program with the arguments it was started with; gives the exit status of the contract.
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return commands::usage(&error),
    };
    commands::listen(cli.verbose);
    let Some(command) = cli.command else {
        return window::open::run(&cli.window).unwrap_or_else(|error| commands::bad_input(&error));
    };
    let result = match command {
        Command::Align(args) => commands::align::run(&args),
        Command::Inspect(args) => commands::inspect::run(&args),
        Command::Part(args) => commands::part::run(&args),
        Command::Bench(args) => commands::bench::run(&args),
        Command::Calibrate(args) => commands::calibrate::run(&args),
        Command::Camera(args) => commands::camera::run(&args),
        Command::Rehearse(args) => commands::rehearse::run(&args),
    };
    result.unwrap_or_else(|error| commands::bad_input(&error))
}
