//! The writer's hand: a frame's outputs on the disk, the user told, an entry in the report.

use std::collections::BTreeMap;
use std::sync::mpsc::Receiver;
use std::time::Instant;

use super::clean_plan::{CleanPlan, FramePlan, Target};
use super::frame_entry::{ErrorEntry, FrameEntry, FrameStatus};
use super::frame_output::{self, Change, Finished, How};
use super::journal::INPUTS;
use super::outcome::{Cleaned, Listeners, Outcome};
use super::page_run::{pictures_at_hand, pictures_from_files};
use super::path_text::{REDO_FOLDER, told_name, told_path};
use super::settings::name_of;
use crate::page::Pictures;
use crate::photo::CameraFacts;

/// The writer: outputs on the disk, the user told, an entry a frame.
pub(super) fn write_all(
    plan: &CleanPlan,
    told: &Listeners<'_>,
    outcomes: &Receiver<Outcome>,
) -> Vec<FrameEntry> {
    plan.frames
        .iter()
        .zip(outcomes.iter())
        .map(|(frame, outcome)| {
            let entry = match outcome {
                Outcome::Cleaned(cleaned) => {
                    told.journal.begun(&told_path(&frame.lit));
                    hand_over(plan, frame, *cleaned)
                        .inspect(|(entry, _)| told.journal.finished(entry))
                        .inspect_err(|_| told.journal.left_in_part())
                }
                Outcome::Finished(entry) => {
                    if told.page.is_some() {
                        told.on_page(&entry, pictures_from_files(frame, &entry));
                    }
                    told.progress.step();
                    return *entry;
                }
                Outcome::Failed(error, hint) => Err((error, hint)),
            };
            match entry {
                Ok((entry, pictures)) => {
                    told.progress.handed_over(&entry);
                    told.on_page(&entry, pictures);
                    entry
                }
                Err((error, hint)) => {
                    told.messages.error(&*error, hint.as_deref());
                    told.progress.step();
                    let error = ErrorEntry::new(&*error, hint.as_deref());
                    let entry = failed_entry(plan, frame, error);
                    told.on_page(&entry, None);
                    entry
                }
            }
        })
        .collect()
}

/// The lit frame is not what it was when the run began.
const CHANGED: &str =
    "the lit frame was changed or taken away while it was cleaned: clean it again";

pub(super) type Told = (Box<dyn std::error::Error + Send + Sync>, Option<String>);

fn hand_over(
    plan: &CleanPlan,
    frame: &FramePlan,
    cleaned: Cleaned,
) -> Result<(FrameEntry, Option<Pictures>), Told> {
    let target = frame
        .target
        .as_ref()
        .expect("a frame without a target is not cleaned");
    let start = Instant::now();
    let report = cleaned.frame.report;
    let status = match frame_output::change(&cleaned.frame.mask) {
        Change::None => FrameStatus::NothingToRemove,
        Change::Some => FrameStatus::Cleaned,
    };
    let how = How {
        mask_depth: plan.mask_depth,
        quality: plan.quality,
        existing: frame.existing,
    };
    let finished = Finished {
        merged: cleaned.frame.merged,
        mask: cleaned.frame.mask,
        extras: cleaned.frame.extras,
    };
    let pictures = plan.page.as_ref().and_then(|_| {
        let results = (&finished.merged, &finished.mask);
        let decision = finished.extras.decision.as_ref();
        pictures_at_hand(&cleaned.lit, results, decision, Some(&report))
    });
    let lost = frame_output::write(&frame.lit, cleaned.lit, finished, target, how);
    let lost = lost.map_err(|e| -> Told {
        let hint = e.hint().map(ToOwned::to_owned);
        (Box::new(e), hint)
    })?;
    let write_seconds = start.elapsed().as_secs_f64();
    let mut hashes = frame_output::hashes(&frame.lit, target);
    let mut warnings: Vec<String> = lost.iter().map(ToString::to_string).collect();
    match &frame.looked_at {
        Some(was) if hashes.get("lit") == Some(&was.lit) => {
            hashes.insert(INPUTS.to_owned(), was.inputs.clone());
        }
        // Never taken for finished.
        Some(_) => warnings.push(CHANGED.to_owned()),
        None => {}
    }
    let entry = FrameEntry {
        lit: told_path(&frame.lit),
        plates: plan.plates.iter().map(|p| told_path(p)).collect(),
        merged: Some(told_name(&target.merged)),
        mask: Some(told_name(&target.mask)),
        layers: target
            .layers
            .iter()
            .map(|(layer, path)| (name_of(layer), told_name(path)))
            .collect(),
        redo_data: redo_data_name(target),
        hashes,
        taken_back: Vec::new(),
        status,
        error: None,
        exposure: cleaned.camera,
        warnings: cleaned
            .warnings
            .iter()
            .map(ToString::to_string)
            .chain(warnings)
            .collect(),
        file_seconds: BTreeMap::from([
            ("read".to_owned(), cleaned.read_seconds),
            ("write".to_owned(), write_seconds),
        ]),
        report: Some(report),
    };
    Ok((entry, pictures))
}

/// Path in the output folder, as the report tells it.
pub(super) fn redo_data_name(target: &Target) -> Option<String> {
    let path = target.redo_data.as_ref()?;
    let name = path.file_name()?.to_str();
    let name = name.map(|name| format!("{REDO_FOLDER}/{name}"));
    Some(name.unwrap_or_else(|| told_path(path)))
}

pub(super) fn failed_entry(plan: &CleanPlan, frame: &FramePlan, error: ErrorEntry) -> FrameEntry {
    FrameEntry {
        lit: told_path(&frame.lit),
        plates: plan.plates.iter().map(|p| told_path(p)).collect(),
        merged: None,
        mask: None,
        layers: BTreeMap::new(),
        redo_data: None,
        hashes: BTreeMap::new(),
        taken_back: Vec::new(),
        status: FrameStatus::Failed,
        error: Some(error),
        exposure: CameraFacts::default(),
        warnings: Vec::new(),
        file_seconds: BTreeMap::new(),
        report: None,
    }
}
