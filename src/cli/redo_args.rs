//! `derig redo` as it is typed.

use std::path::PathBuf;

use clap::ArgAction;

use super::talk_args::TalkArgs;

pub(super) const EXAMPLES: &str = "\
Examples:
  derig redo cleaned/report.json --overwrite
      takes back every mask and .ora file in the folder that was edited there
  derig redo cleaned/report.json --frame lit-2.jpg --mask painted.png --out again
  derig redo cleaned/report.json --take 3120,840 --keep 400,200,350x180 --out again";

pub(super) const EXIT_CODES: &str = "\
Exit codes:
  0  every frame was handed over
  1  some frame failed (see the messages); the others were handed over
  2  wrong usage; nothing was done";

/// `derig redo`.
#[derive(Debug, clap::Args)]
pub(super) struct RedoArgs {
    /// Report of the run whose frames are merged again
    #[arg(value_name = "REPORT")]
    pub(super) report: PathBuf,
    /// Merge only this lit frame, by its name; may be given more than once
    #[arg(long = "frame", value_name = "NAME", action = ArgAction::Append)]
    pub(super) frames: Vec<String>,
    /// Painted mask for the one frame that is named: grey, white is where the plate shows
    #[arg(long, value_name = "FILE", conflicts_with = "openraster")]
    pub(super) mask: Option<PathBuf>,
    /// Edited OpenRaster file for the one frame that is named
    #[arg(long, value_name = "FILE")]
    pub(super) openraster: Option<PathBuf>,
    /// Keep the lit frame there: a point `X,Y`, a box `X,Y,WxH`, or a painted grey picture. In pixels
    /// of the frame that is named, else of the plate, for all frames
    #[arg(long, value_name = "PLACE", action = ArgAction::Append, allow_hyphen_values = true)]
    pub(super) keep: Vec<String>,
    /// Let the plate show there; as `--keep`
    #[arg(long, value_name = "PLACE", action = ArgAction::Append, allow_hyphen_values = true)]
    pub(super) take: Vec<String>,
    /// TOML file of corrections
    #[arg(long, value_name = "FILE")]
    pub(super) corrections: Option<PathBuf>,
    /// Folder for the results; without it they go where the report is, with `--overwrite`
    #[arg(short, long, value_name = "DIR")]
    pub(super) out: Option<PathBuf>,
    /// Replace outputs of an earlier run (an input is never replaced)
    #[arg(long)]
    pub(super) overwrite: bool,
    /// A page to look at the frames, `page.html`
    #[arg(long)]
    pub(super) page: bool,
    #[command(flatten)]
    pub(super) talk: TalkArgs,
}
