//! `landfit calibrate`: optics, registration, screws and lights from pictures, how well they are known, and whether they still hold.

pub mod bench_edit;
mod budget;
pub mod day;
mod due;
mod history;
pub mod lights;
mod pair;
mod practice;
mod repeat;
mod residual_picture;
mod run;
pub mod scale;
pub mod screws;
pub mod shots;
mod study;
mod target;
mod trial;
pub mod undo;

use super::Ended;

/// Calibrate a bench from pictures, and tell how good it is
///
/// A new bench goes target, lights, scale, run, screws, budget; README tells it step by step. Every command that changes the
/// bench file keeps the one before in its history (`landfit calibrate undo` brings it back).
#[derive(clap::Args)]
#[command(arg_required_else_help = false)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    Target(target::Args),
    Lights(lights::Args),
    Scale(Box<scale::Args>),
    Run(run::Args),
    Screws(screws::Args),
    Budget(budget::Args),
    Day(day::Args),
    Due(due::Args),
    Pair(pair::Args),
    Repeat(repeat::Args),
    Study(study::Args),
    History(history::Args),
    Undo(undo::Args),
    Practice(practice::Args),
    Trial(trial::Args),
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    match &args.command {
        Command::Target(args) => target::run(args),
        Command::Lights(args) => lights::run(args),
        Command::Scale(args) => scale::run(args),
        Command::Run(args) => run::run(args),
        Command::Screws(args) => screws::run(args),
        Command::Budget(args) => budget::run(args),
        Command::Day(args) => day::run(args),
        Command::Due(args) => due::run(args),
        Command::Pair(args) => pair::run(args),
        Command::Repeat(args) => repeat::run(args),
        Command::Study(args) => study::run(args),
        Command::History(args) => history::run(args),
        Command::Undo(args) => undo::run(args),
        Command::Practice(args) => practice::run(args),
        Command::Trial(args) => trial::run(args),
    }
}
