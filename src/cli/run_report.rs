//! `report.json`: what a run did, frame by frame, for people and programs.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::choices::{LayerChoice, MaskDepth, MaskFormat, OutputFormat, RedoData};
use super::clean_plan::{CleanPlan, NothingFound};
use super::exit_status::ExitStatus;
use super::frame_entry::{FrameEntry, FrameStatus};
use super::path_text::{meant_path, told_path};
use super::settings::{InForce, name_of, named};
use crate::report::{REPORT_VERSION, Verdict};

/// Everything about a run. Paths that are no Unicode are `file` URIs (RFC 8089).
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct RunReport {
    /// Version of this layout.
    pub(super) report_version: u32,
    /// Version of the program.
    derig_version: String,
    pub(super) settings: Settings,
    /// Folder that relative paths start from.
    pub(super) folder: Option<String>,
    /// Plates as they were named.
    pub(super) plates: Vec<String>,
    /// Hashes of the plates' contents.
    pub(super) plate_hashes: Vec<String>,
    pub(super) frames: Vec<FrameEntry>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Settings {
    mask_bits: u8,
    mask_format: String,
    format: String,
    quality: Option<u8>,
    layers: Vec<String>,
    redo_data: String,
}

impl Settings {
    pub(super) fn of(plan: &CleanPlan) -> Self {
        Self {
            mask_bits: MaskDepth::bits(plan.mask_depth),
            mask_format: name_of(&plan.mask_format),
            format: name_of(&plan.format),
            quality: plan.quality,
            layers: plan.layers.iter().map(name_of).collect(),
            redo_data: name_of(&plan.redo_data),
        }
    }

    /// The settings as `derig clean` takes them.
    ///
    /// # Errors
    /// What is none of the values that there are.
    pub(super) fn in_force(&self, out: &Path) -> Result<InForce, String> {
        let mut in_force = InForce::built_in(out.to_owned());
        in_force.mask_depth.value = named::<MaskDepth>(&self.mask_bits.to_string())?;
        in_force.mask_format.value = named::<MaskFormat>(&self.mask_format)?;
        in_force.format.value = named::<OutputFormat>(&self.format)?;
        in_force.quality.value = self.quality;
        let layers: Result<Vec<LayerChoice>, _> = self.layers.iter().map(|l| named(l)).collect();
        in_force.layers.value = layers?;
        in_force.redo_data.value = named::<RedoData>(&self.redo_data)?;
        Ok(in_force)
    }
}

impl RunReport {
    /// Of set-ups cleaned with the same settings.
    ///
    /// # Panics
    /// When there is no set-up: a broken caller.
    pub(super) fn new(set_ups: &[CleanPlan], frames: Vec<FrameEntry>) -> Self {
        let plates = || set_ups.iter().flat_map(|plan| &plan.plates);
        let hashes = set_ups.iter().flat_map(|plan| plan.plate_hashes.clone());
        Self {
            report_version: REPORT_VERSION,
            derig_version: env!("CARGO_PKG_VERSION").to_owned(),
            settings: Settings::of(&set_ups[0]),
            folder: std::env::current_dir().ok().map(|f| told_path(&f)),
            plates: plates().map(|p| told_path(p)).collect(),
            plate_hashes: hashes.collect(),
            frames,
        }
    }

    /// One report of several; none where they were made with other settings or by another version.
    pub(super) fn joined(self, other: Self) -> Option<Self> {
        let alike = self.report_version == other.report_version
            && self.derig_version == other.derig_version
            && self.settings == other.settings;
        if !alike {
            return None;
        }
        let mut joined = self;
        // Relative names mean the same only from the same folder.
        let elsewhere = joined.folder != other.folder;
        let from_anywhere = |name: String| match (&other.folder, elsewhere) {
            (Some(folder), true) => told_path(&meant_path(folder).join(meant_path(&name))),
            _ => name,
        };
        for (plate, hash) in other.plates.into_iter().zip(other.plate_hashes) {
            let plate = from_anywhere(plate);
            if !joined.plates.contains(&plate) {
                joined.plates.push(plate);
                joined.plate_hashes.push(hash);
            }
        }
        for mut entry in other.frames {
            entry.lit = from_anywhere(entry.lit);
            entry.plates = entry.plates.into_iter().map(from_anywhere).collect();
            match joined.frames.iter_mut().find(|f| f.lit == entry.lit) {
                Some(same) => *same = entry,
                None => joined.frames.push(entry),
            }
        }
        Some(joined)
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
                .map(|(name, s)| (name.clone(), *s));
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
