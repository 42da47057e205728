//! What a report says of one lit frame.

use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::photo::CameraFacts;
use crate::report::FrameReport;

/// One lit frame.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct FrameEntry {
    /// As it was named.
    pub(super) lit: String,
    /// Plates it was cleaned against, as they were named.
    pub(super) plates: Vec<String>,
    /// File name of the cleaned frame in the output folder.
    pub(super) merged: Option<String>,
    /// File name of the mask in the output folder.
    pub(super) mask: Option<String>,
    /// File names of the layers asked for, by kind.
    pub(super) layers: BTreeMap<String, String>,
    /// What merging again needs, in the output folder.
    pub(super) redo_data: Option<String>,
    /// Hashes of the lit frame's and the outputs' contents, by what they are.
    pub(super) hashes: BTreeMap<String, String>,
    /// What a person changed, in the order it was taken back.
    pub(super) taken_back: Vec<String>,
    pub(super) status: FrameStatus,
    pub(super) error: Option<ErrorEntry>,
    pub(super) exposure: CameraFacts,
    pub(super) warnings: Vec<String>,
    /// Seconds for reading and writing the files.
    pub(super) file_seconds: BTreeMap<String, f64>,
    pub(super) report: Option<FrameReport>,
}

/// What became of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum FrameStatus {
    /// Something was removed.
    Cleaned,
    /// Nothing was found that has to go; the output equals the input.
    NothingToRemove,
    /// See the error.
    Failed,
}

/// An error as the user saw it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct ErrorEntry {
    what: String,
    causes: Vec<String>,
    hint: Option<String>,
}

impl ErrorEntry {
    pub(super) fn new(error: &dyn Error, hint: Option<&str>) -> Self {
        let mut causes = Vec::new();
        let mut cause = error.source();
        while let Some(source) = cause {
            causes.push(source.to_string());
            cause = source.source();
        }
        Self {
            what: error.to_string(),
            causes,
            hint: hint.map(ToOwned::to_owned),
        }
    }
}

impl ErrorEntry {
    /// What happened, why, and the way out, a line each.
    pub(super) fn lines(&self) -> impl Iterator<Item = String> + '_ {
        let causes = self.causes.iter().map(|c| format!("caused by: {c}"));
        let hint = self.hint.iter().map(|h| format!("hint: {h}"));
        std::iter::once(self.what.clone()).chain(causes).chain(hint)
    }
}

pub(super) fn shown(path: &Path) -> String {
    path.display().to_string()
}

pub(super) fn shown_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}
