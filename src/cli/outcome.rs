//! What becomes of a frame, and who is told of it.

use std::sync::atomic::AtomicBool;

use super::frame_entry::FrameEntry;
use super::frame_output::LitFacts;
use super::journal::Journal;
use super::messages::Messages;
use super::page_output::PageOutput;
use super::page_run::run_sheet;
use super::progress::Progress;
use crate::page::Pictures;
use crate::photo::{CameraFacts, PhotoError, PhotoWarning};
use crate::pipeline::{CleanError, CleanedFrame};

/// What the cleaning thread hands to the writer, in the order of the command line.
pub(super) enum Outcome {
    Cleaned(Box<Cleaned>),
    /// By a run before.
    Finished(Box<FrameEntry>),
    Failed(Box<dyn std::error::Error + Send + Sync>, Option<String>),
}

pub(super) struct Cleaned {
    pub(super) frame: CleanedFrame,
    pub(super) lit: LitFacts,
    pub(super) camera: CameraFacts,
    pub(super) warnings: Vec<PhotoWarning>,
    pub(super) read_seconds: f64,
}

impl Outcome {
    pub(super) fn unreadable(error: Option<PhotoError>) -> Self {
        let error = error.expect("a frame that could not be read once stays unreadable");
        let hint = error.hint().map(ToOwned::to_owned);
        Self::Failed(Box::new(error), hint)
    }
}

#[derive(Debug, thiserror::Error)]
#[error("cannot clean `{path}`")]
pub(super) struct CannotClean {
    pub(super) path: String,
    #[source]
    pub(super) error: CleanError,
}

pub(super) fn hint(error: &CleanError) -> &'static str {
    match error {
        CleanError::SizeMismatch { .. } => {
            "use the plate of the same set-up, exported at the same size and uncropped"
        }
        CleanError::NotAligned { .. } => {
            "use a plate shot from the same place at the same focal length"
        }
        CleanError::SamePicture => "name the frame with the gear as lit, the empty one as plate",
    }
}

/// Everybody who is told what becomes of the frames.
pub(super) struct Listeners<'a> {
    pub(super) messages: &'a Messages,
    pub(super) progress: &'a Progress<'a>,
    pub(super) journal: &'a Journal,
    pub(super) page: Option<&'a PageOutput>,
    /// Set by others when the run is to stop after the frame at hand.
    pub(super) stop: &'a AtomicBool,
}

impl Listeners<'_> {
    /// A frame that is done, for the page.
    pub(super) fn on_page(&self, entry: &FrameEntry, pictures: Option<Pictures>) {
        if let Some(page) = self.page {
            page.add(run_sheet(entry, pictures));
        }
    }
}
