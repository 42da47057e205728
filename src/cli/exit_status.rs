//! What the process tells its caller.

use std::process::ExitCode;

/// Outcome of a run as an exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ExitStatus {
    /// Every frame was handed over.
    AllDone = 0,
    /// Some frame (or all) failed; the others were handed over.
    SomeFailed = 1,
    /// The command line asks for something that cannot be; nothing was done. Also clap's own code.
    WrongUsage = 2,
    /// No frame holds anything to remove; outputs are written all the same.
    NothingToRemove = 3,
    /// `check`: a frame or the plate must be shot again.
    ShootAgain = 4,
    /// `check`: the pictures do not tell.
    CannotTell = 5,
}

impl From<ExitStatus> for ExitCode {
    fn from(status: ExitStatus) -> Self {
        Self::from(status as u8)
    }
}
