//! The command line: what was typed, a checked plan, the run, and what the user is told.
//!
//! Standard output stays free for what may be piped; messages, lines and bars go to standard
//! error. Nothing here computes pixels.

mod args;
mod clean;
mod content_hash;
mod corrections;
mod demo;
mod exit_status;
mod file_identity;
mod frame_output;
mod messages;
mod plan;
mod plan_shot;
mod plan_shot_args;
mod progress;
mod redo;
mod redo_args;
mod redo_frame;
mod redo_run;
mod run_report;
mod settings;
mod settings_print;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::Parser;

use args::{Args, Command};
use messages::{Failure, Messages};

/// Runs the command line `typed` (with the program's name first) to its exit code.
pub fn run(typed: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args = match Args::try_parse_from(typed) {
        Ok(args) => args,
        Err(stop) => {
            // Help and version are no errors; clap knows where each belongs.
            let _ = stop.print();
            return ExitCode::from(stop.exit_code() as u8);
        }
    };
    let messages = Messages::to_standard_error(args.command.talk());
    messages.start_logging();
    let outcome = match &args.command {
        Command::Clean(typed) => clean_command(typed, &messages),
        Command::Demo(typed) => demo::run(typed, &messages),
        Command::Settings(typed) => settings_print::run(typed),
        Command::Redo(typed) => redo::run(typed, &messages),
        Command::Plan(typed) => plan_shot::run(typed),
    };
    match outcome {
        Ok(status) => status.into(),
        Err(failure) => {
            messages.failure(&failure);
            failure.status.into()
        }
    }
}

fn clean_command(
    typed: &args::CleanArgs,
    messages: &Messages,
) -> Result<exit_status::ExitStatus, Failure> {
    let plan = plan::CleanPlan::from_args(typed, &settings::InForce::of(typed)?)?;
    clean::run(&plan, messages)
}
