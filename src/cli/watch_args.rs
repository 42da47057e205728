//! `derig watch` as it is typed.

use std::path::PathBuf;

use clap::ArgAction;

use super::talk_args::TalkArgs;

pub(super) const EXAMPLES: &str = "\
Examples:
  derig watch tethered --out cleaned
      each frame is checked, and cleaned once the plate of its set-up is there; stop with Ctrl-C,
      start again with the same line
  derig watch card --out cleaned --plate plate.jpg --idle 60";

pub(super) const EXIT_CODES: &str = "\
Exit codes:
  0  stopped as asked, every frame that came was handed over
  1  some frame failed or waits for a plate (see the messages)
  2  wrong usage; nothing was done";

/// `derig watch`.
#[derive(Debug, clap::Args)]
pub(super) struct WatchArgs {
    /// Folder that frames arrive in; folders in it are not looked into
    #[arg(value_name = "DIR")]
    pub(super) folder: PathBuf,
    /// Folder for cleaned frames, masks and report, not the one that is watched; made when missing
    #[arg(short, long, value_name = "DIR")]
    pub(super) out: Option<PathBuf>,
    /// A plate that is there already; may be given more than once. Without it plates are looked for
    /// among the frames that arrive
    #[arg(short, long = "plate", value_name = "PLATE", action = ArgAction::Append)]
    pub(super) plates: Vec<PathBuf>,
    /// Seconds from one look at the folder to the next
    #[arg(long, value_name = "SECONDS", default_value = "1",
        value_parser = clap::value_parser!(u64).range(1..=3600))]
    pub(super) every: u64,
    /// Stop when nothing has come for so many seconds
    #[arg(long, value_name = "SECONDS")]
    pub(super) idle: Option<u64>,
    /// Settings file to use instead of `derig.toml` in the current folder
    #[arg(long, value_name = "FILE")]
    pub(super) settings: Option<PathBuf>,
    #[command(flatten)]
    pub(super) talk: TalkArgs,
}
