//! How much is told: typed alike for every command.

use clap::ArgAction;

/// How much is told.
#[derive(Debug, Default, clap::Args)]
pub(super) struct TalkArgs {
    /// Tell of errors only
    #[arg(short, long, conflicts_with_all = ["verbose", "timings"])]
    quiet: bool,
    /// Tell more; twice for still more
    #[arg(short, long, action = ArgAction::Count)]
    verbose: u8,
    /// Tell how long each stage took
    #[arg(long)]
    timings: bool,
}

/// How much is told, decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Talk {
    pub(super) loudness: Loudness,
    pub(super) timings: Timings,
}

/// From errors only to every step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Loudness {
    Quiet,
    Normal,
    Verbose,
    VeryVerbose,
}

/// Is the table of stage times wanted?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Timings {
    Hidden,
    Shown,
}

impl TalkArgs {
    pub(super) fn level(&self) -> Talk {
        Talk {
            loudness: match (self.quiet, self.verbose) {
                (true, _) => Loudness::Quiet,
                (false, 0) => Loudness::Normal,
                (false, 1) => Loudness::Verbose,
                (false, _) => Loudness::VeryVerbose,
            },
            timings: if self.timings {
                Timings::Shown
            } else {
                Timings::Hidden
            },
        }
    }
}
