//! `report.json`: what a run did, frame by frame, for people and programs.

use std::collections::BTreeMap;
use std::error::Error;
use std::path::Path;

use serde::Serialize;

use super::args::MaskDepth;
use super::exit_status::ExitStatus;
use super::plan::{CleanPlan, NothingFound};
use super::settings::name_of;
use crate::photo::CameraFacts;
use crate::report::{FrameReport, REPORT_VERSION, Verdict};

/// Everything about a run. Paths that are no Unicode are shown with replacement characters.
#[derive(Debug, Serialize)]
pub(super) struct RunReport {
    /// Version of this layout.
    report_version: u32,
    /// Version of the program.
    derig_version: &'static str,
    settings: Settings,
    /// Plates as they were named.
    plates: Vec<String>,
    pub(super) frames: Vec<FrameEntry>,
}

#[derive(Debug, Serialize)]
struct Settings {
    mask_bits: u8,
    mask_format: String,
    format: String,
    quality: Option<u8>,
    layers: Vec<String>,
}

/// One lit frame.
#[derive(Debug, Serialize)]
pub(super) struct FrameEntry {
    /// As it was named.
    pub(super) lit: String,
    /// File name of the cleaned frame in the output folder.
    pub(super) merged: Option<String>,
    /// File name of the mask in the output folder.
    pub(super) mask: Option<String>,
    /// File names of the layers asked for, by kind.
    pub(super) layers: BTreeMap<String, String>,
    pub(super) status: FrameStatus,
    pub(super) error: Option<ErrorEntry>,
    pub(super) exposure: CameraFacts,
    pub(super) warnings: Vec<String>,
    /// Seconds for reading and writing the files.
    pub(super) file_seconds: BTreeMap<&'static str, f64>,
    pub(super) report: Option<FrameReport>,
}

/// What became of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
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
#[derive(Debug, Serialize)]
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

pub(super) fn shown(path: &Path) -> String {
    path.display().to_string()
}

pub(super) fn shown_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}

impl RunReport {
    pub(super) fn new(plan: &CleanPlan, frames: Vec<FrameEntry>) -> Self {
        Self {
            report_version: REPORT_VERSION,
            derig_version: env!("CARGO_PKG_VERSION"),
            settings: Settings {
                mask_bits: MaskDepth::bits(plan.mask_depth),
                mask_format: name_of(&plan.mask_format),
                format: name_of(&plan.format),
                quality: plan.quality,
                layers: plan.layers.iter().map(name_of).collect(),
            },
            plates: plan.plates.iter().map(|p| shown(p)).collect(),
            frames,
        }
    }

    fn count(&self, status: FrameStatus) -> usize {
        self.frames.iter().filter(|f| f.status == status).count()
    }

    fn to_look_at(&self) -> usize {
        let reports = self.frames.iter().filter_map(|f| f.report.as_ref());
        reports.filter(|r| r.verdict == Verdict::LookHere).count()
    }

    pub(super) fn exit_status(&self, nothing_found: NothingFound) -> ExitStatus {
        if self.count(FrameStatus::Failed) > 0 {
            ExitStatus::SomeFailed
        } else if self.count(FrameStatus::Cleaned) == 0 && nothing_found == NothingFound::IsTold {
            ExitStatus::NothingToRemove
        } else {
            ExitStatus::AllDone
        }
    }

    /// The closing line.
    pub(super) fn summary(&self) -> String {
        let mut parts = vec![format!("{} cleaned", self.count(FrameStatus::Cleaned))];
        let mut add = |count: usize, what: &str| {
            if count > 0 {
                parts.push(format!("{count} {what}"));
            }
        };
        add(self.to_look_at(), "of them to look at");
        add(
            self.count(FrameStatus::NothingToRemove),
            "with nothing to remove",
        );
        add(
            self.count(FrameStatus::Failed),
            "left as it was (see above)",
        );
        parts.join(", ")
    }

    /// Seconds of each stage over all frames.
    pub(super) fn timings(&self) -> Vec<(String, f64)> {
        let mut sums: BTreeMap<String, f64> = BTreeMap::new();
        for frame in &self.frames {
            let files = frame
                .file_seconds
                .iter()
                .map(|(name, s)| ((*name).to_owned(), *s));
            let stages = frame.report.iter().flat_map(|r| r.seconds.clone());
            for (name, seconds) in files.chain(stages) {
                *sums.entry(name).or_default() += seconds;
            }
        }
        let mut sums: Vec<_> = sums.into_iter().collect();
        sums.sort_by(|a, b| b.1.total_cmp(&a.1));
        sums
    }
}
