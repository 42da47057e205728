//! `derig check` as it is typed.

use std::path::PathBuf;

use clap::ArgAction;

use super::talk_args::TalkArgs;
use crate::photo::Existing;

pub(super) const EXAMPLES: &str = "\
Examples:
  derig check lit-1.jpg --plate plate.jpg
  derig check lit-1.jpg lit-2.jpg --plate plate.jpg --json > check.json
  derig check card --plate card/plate.jpg --page check.html
  derig check card --plate card/plate.jpg && echo 'strike the set'";

pub(super) const EXIT_CODES: &str = "\
Exit codes:
  0  go: every frame and the plate will do
  1  some file cannot be read (see the messages)
  2  wrong usage; nothing was looked at
  4  shoot again: something spoils a frame while the tripod still stands
  5  cannot tell: look at the reasons";

/// `derig check`.
#[derive(Debug, clap::Args)]
pub(super) struct CheckArgs {
    /// Lit frames, or folders of them
    #[arg(required = true, value_name = "LIT")]
    pub(super) lit: Vec<PathBuf>,
    /// The plate; may be given more than once: each frame is told of the one that serves it best
    #[arg(short, long = "plate", value_name = "PLATE", required = true, num_args = 1,
        action = ArgAction::Append)]
    pub(super) plates: Vec<PathBuf>,
    /// Print everything as JSON on standard output (schema: `derig settings --check-schema`)
    #[arg(long)]
    pub(super) json: bool,
    /// Write a page to look at: each lit frame beside its plate, with every reason and its place
    #[arg(long, value_name = "FILE")]
    pub(super) page: Option<PathBuf>,
    /// Replace a page that is there already
    #[arg(long, requires = "page")]
    pub(super) overwrite: bool,
    #[command(flatten)]
    pub(super) talk: TalkArgs,
}

impl CheckArgs {
    /// What happens to a page that is there already.
    pub(super) fn existing(&self) -> Existing {
        if self.overwrite {
            Existing::Replace
        } else {
            Existing::Keep
        }
    }
}
