//! The command line: what was typed, a checked plan, the run, and what the user is told.
//!
//! Standard output stays free for what may be piped; messages, lines and bars go to standard
//! error. Nothing here computes pixels.

mod args;
mod arrivals;
mod check;
mod check_args;
mod check_report;
mod choices;
mod clean;
mod clean_plan;
mod content_hash;
mod corrections;
mod demo;
mod exit_status;
mod file_identity;
mod first_look;
mod frame_entry;
mod frame_output;
mod hand_over;
mod join;
mod journal;
mod limits;
mod messages;
mod only_frame;
mod outcome;
mod page_check;
mod page_output;
mod page_run;
mod path_text;
mod plan;
mod plan_error;
mod plan_inputs;
mod plan_line;
mod plan_shot;
mod plan_shot_args;
mod progress;
mod reading;
mod redo;
mod redo_args;
mod redo_frame;
mod redo_run;
mod run_report;
mod settings;
mod settings_print;
mod shoot;
mod stop;
mod talk_args;
mod text_files;
#[doc(hidden)]
pub mod texts;
mod watch;
mod watch_args;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use args::{Args, Command};
use exit_status::ExitStatus;
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
    limits::set(args.max_memory);
    let messages = Messages::to_standard_error(args.command.talk());
    messages.start_logging();
    if !matches!(args.command, Command::Watch(_)) {
        // `watch` stops between two frames.
        stop::on_signals();
    }
    let outcome = match &args.command {
        Command::Clean(typed) => clean_command(typed, &messages),
        Command::Check(typed) => check::run(typed, &messages),
        Command::Demo(typed) => demo::run(typed, &messages),
        Command::Settings(typed) => settings_print::run(typed),
        Command::Redo(typed) => redo::run(typed, &messages),
        Command::Join(typed) => join::run(typed, &messages),
        Command::Watch(typed) => watch::run(typed, &messages),
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

/// The command line as it is defined, for what is made of it: manual pages and completions.
#[doc(hidden)]
pub fn definition() -> clap::Command {
    Args::command()
}

fn clean_command(typed: &args::CleanArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    let in_force = settings::InForce::of(typed)?;
    let shoot = shoot::set_ups(typed, messages)?;
    let sorted = if shoot.left_out > 0 {
        ExitStatus::SomeFailed
    } else {
        ExitStatus::AllDone
    };
    if let Some(form) = typed.dry_run {
        shoot::print(&shoot, form);
        return Ok(sorted);
    }
    if shoot.set_ups.is_empty() {
        return Ok(sorted);
    }
    let plan = plan::RunPlan::from_set_ups(&shoot.set_ups, typed, &in_force)?;
    let status = clean::run(&plan, messages)?;
    Ok(if sorted == ExitStatus::AllDone {
        status
    } else {
        sorted
    })
}
