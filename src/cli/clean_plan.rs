//! What is to be done: the frames of a set-up, and where everything that is written goes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::choices::{LayerChoice, MaskDepth, MaskFormat, OutputFormat, RedoData};
use super::file_identity::FileIdentity;
use super::frame_entry::FrameEntry;
use super::messages::Failure;
use super::page_output::folder_of;
use super::plan_error::PlanError;
use crate::photo::{Existing, Format, PhotoError, Probe};

/// Everything a run needs to know.
#[derive(Debug)]
pub(super) struct CleanPlan {
    pub(super) plates: Vec<PathBuf>,
    /// Hashes of the plates' contents.
    pub(super) plate_hashes: Vec<String>,
    pub(super) frames: Vec<FramePlan>,
    pub(super) report: PathBuf,
    /// The page to look at the frames, where one is wanted.
    pub(super) page: Option<PathBuf>,
    pub(super) mask_depth: MaskDepth,
    pub(super) mask_format: MaskFormat,
    pub(super) format: OutputFormat,
    pub(super) quality: Option<u8>,
    pub(super) layers: Vec<LayerChoice>,
    pub(super) redo_data: RedoData,
    /// May a report that stands there be replaced?
    pub(super) existing: Existing,
    pub(super) nothing_found: NothingFound,
}

/// What it means when no frame has anything to remove.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NothingFound {
    /// All is done: a shoot may have frames without gear.
    IsFine,
    /// A script wants to know.
    IsTold,
}

/// A lit frame and where it goes; the reason why not when its headers cannot be read.
#[derive(Debug)]
pub(super) struct FramePlan {
    pub(super) lit: PathBuf,
    pub(super) target: Result<Target, PhotoError>,
    /// May outputs that stand there be replaced?
    pub(super) existing: Existing,
    /// What its result is made of.
    pub(super) looked_at: Option<LookedAt>,
    /// What an earlier run that was finished says of it.
    pub(super) finished: Option<Box<FrameEntry>>,
}

/// What a frame's result is made of, by hashes.
#[derive(Debug)]
pub(super) struct LookedAt {
    /// The lit frame's contents.
    pub(super) lit: String,
    /// Everything that the result depends on.
    pub(super) inputs: String,
}

/// Where a frame's outputs go.
#[derive(Debug, Clone)]
pub(super) struct Target {
    pub(super) merged: PathBuf,
    pub(super) mask: PathBuf,
    pub(super) mask_format: Format,
    pub(super) layers: Vec<(LayerChoice, PathBuf)>,
    /// What merging again needs.
    pub(super) redo_data: Option<PathBuf>,
    pub(super) format: Format,
    pub(super) probe: Probe,
}

impl CleanPlan {
    /// Lit frames.
    pub(super) fn lit(&self) -> Vec<PathBuf> {
        self.frames.iter().map(|f| f.lit.clone()).collect()
    }

    /// Frames whose headers can be read, by number.
    pub(super) fn readable(&self) -> Vec<usize> {
        (0..self.frames.len())
            .filter(|&i| self.frames[i].target.is_ok())
            .collect()
    }

    fn outputs(
        &self,
        written: &BTreeSet<usize>,
    ) -> impl Iterator<Item = (&Path, Option<&FramePlan>)> {
        let report = std::iter::once((self.report.as_path(), None));
        let page = self.page.iter().map(|path| (path.as_path(), None));
        let targets = self
            .frames
            .iter()
            .enumerate()
            .filter(|(i, _)| written.contains(i))
            .filter_map(|(_, f)| Some((f, f.target.as_ref().ok()?)));
        let pictures = targets.flat_map(|(frame, t)| {
            let layers = t.layers.iter().map(|(_, path)| path);
            let layers = layers.chain(&t.redo_data);
            [&t.merged, &t.mask]
                .into_iter()
                .chain(layers)
                .map(move |path| (path.as_path(), Some(frame)))
        });
        report.chain(page).chain(pictures)
    }

    /// Would an output of the frames that are written replace an input, another output, or
    /// something there already?
    ///
    /// # Errors
    /// [`Failure`] that says which.
    pub(super) fn check_outputs(
        &self,
        lit: &[PathBuf],
        is_written: impl Fn(usize) -> bool,
    ) -> Result<(), Failure> {
        let written = (0..self.frames.len()).filter(|&i| is_written(i)).collect();
        Ok(self.checked_outputs(lit, &written)?)
    }

    fn checked_outputs(&self, lit: &[PathBuf], written: &BTreeSet<usize>) -> Result<(), PlanError> {
        let mut owners = Owners::default();
        for (output, frame) in self.outputs(written) {
            owners.add(output, frame.map_or(output, |f| &f.lit))?;
        }
        let inputs: Vec<_> = lit
            .iter()
            .chain(&self.plates)
            .filter_map(|path| Some((path, FileIdentity::of(path)?)))
            .collect();
        let mut existing = Vec::new();
        for (output, frame) in self.outputs(written) {
            let found = FileIdentity::of(output);
            if let Some(found) = &found
                && let Some((input, _)) = inputs.iter().find(|(_, id)| id.is_same_file(found))
            {
                return Err(PlanError::WouldReplaceInput((*input).clone()));
            }
            let may_stand = match frame {
                Some(frame) => frame.finished.is_some() || frame.existing == Existing::Replace,
                None => self.existing == Existing::Replace,
            };
            if !may_stand && output.symlink_metadata().is_ok() {
                existing.push(output);
            }
        }
        let pictures = self.page.as_deref().map(folder_of);
        if let Some(folder) = pictures
            .as_deref()
            .filter(|f| self.existing == Existing::Keep && f.symlink_metadata().is_ok())
        {
            existing.push(folder);
        }
        match existing.split_first() {
            Some((first, more)) => Err(PlanError::OutputExists((*first).to_owned(), more.len())),
            None => Ok(()),
        }
    }
}

/// Would two set-ups write to one file?
pub(super) fn check_apart(set_ups: &[CleanPlan]) -> Result<(), PlanError> {
    let mut owners = Owners::default();
    for plan in set_ups {
        let all = (0..plan.frames.len()).collect();
        for (output, frame) in plan.outputs(&all) {
            let Some(frame) = frame else { continue };
            owners.add(output, &frame.lit)?;
        }
    }
    Ok(())
}

/// Whose output each file is.
#[derive(Debug, Default)]
struct Owners<'a>(BTreeMap<PathBuf, (&'a Path, &'a Path)>);

impl<'a> Owners<'a> {
    /// # Errors
    /// When the output has an owner already, on this disk or on one that ignores upper and lower case.
    fn add(&mut self, output: &'a Path, owner: &'a Path) -> Result<(), PlanError> {
        let folded = output
            .to_str()
            .map_or_else(|| output.to_owned(), |text| text.to_lowercase().into());
        match self.0.insert(folded, (output, owner)) {
            None => Ok(()),
            Some((same, other)) if same == output => Err(PlanError::SharedOutput(
                other.into(),
                owner.into(),
                output.into(),
            )),
            Some((_, other)) => Err(PlanError::SharedButForCase(
                other.into(),
                owner.into(),
                output.into(),
            )),
        }
    }
}
