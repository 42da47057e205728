//! What the page of a check shows: each lit frame beside the plate that serves it best.

use std::path::{Path, PathBuf};

use super::check_report::{CheckReport, CheckedFrame, in_short};
use super::file_identity::FileIdentity;
use super::frame_entry::{ErrorEntry, shown};
use super::limits;
use super::page_output::{PageOutput, folder_of};
use super::plan_error::PlanError;
use super::text_files::never_over_a_picture;
use crate::check::Reason;
use crate::page::{Outcome, Page, Pictures, Purpose, Sheet, ShotPair};
use crate::photo::{self, Existing, Photo, PhotoError};
use crate::report::{Box2, HandWork};
use crate::scene::Size;

/// Ten times the limit is as heavy as a reason gets.
const HEAVIEST: f64 = 10.0;

/// The page that is asked for, turned away before any work where it cannot be written.
///
/// # Errors
/// [`PlanError`] when it is one of the inputs, or is there already and is to be kept.
pub(super) fn page_output<'a>(
    path: &Path,
    existing: Existing,
    inputs: impl Iterator<Item = &'a PathBuf>,
) -> Result<PageOutput, PlanError> {
    if let Some(page) = FileIdentity::of(path) {
        let mut inputs = inputs.filter_map(|input| FileIdentity::of(input));
        if inputs.any(|input| input.is_same_file(&page)) {
            return Err(PlanError::PageIsInput(path.to_owned()));
        }
    }
    never_over_a_picture(path)?;
    if path.extension().is_none() {
        // Its pictures go to a folder of its name without the extension.
        return Err(PlanError::PageName(path.to_owned()));
    }
    let taken = [path, &folder_of(path)].map(|p| p.symlink_metadata().is_ok());
    if existing == Existing::Keep && taken.contains(&true) {
        return Err(PlanError::PageExists(path.to_owned()));
    }
    Ok(PageOutput::new(path, existing))
}

/// Reads the frames once more, for their pictures at full size, and writes the page. Holds a lit frame
/// and a plate.
///
/// # Errors
/// When the page, or a picture beside it, cannot be written.
pub(super) fn write(
    output: PageOutput,
    report: &CheckReport,
    lit: &[PathBuf],
    plates: &[PathBuf],
) -> Result<(), PhotoError> {
    let mut at_hand: Option<(&str, Photo)> = None;
    for (frame, path) in report.frames.iter().zip(lit) {
        if let Some(name) = &frame.plate
            && at_hand.as_ref().is_none_or(|(known, _)| known != name)
        {
            let plate = plates.iter().find(|plate| shown(plate) == *name);
            at_hand = plate.and_then(|plate| Some((name.as_str(), read(plate)?)));
        }
        let plate = at_hand.as_ref().map(|(_, plate)| plate);
        output.add(sheet(frame, path, plate));
    }
    output.write(|frames| Page {
        title: format!("derig check: {}", in_short(&report.set_up)),
        purpose: Purpose::Check,
        told: report.set_up.reasons.clone(),
        frames,
    })
}

/// A file that was read a moment ago; one that is gone since leaves its frame without pictures.
fn read(path: &Path) -> Option<Photo> {
    photo::read(path, &limits::in_force()).ok()
}

fn sheet(frame: &CheckedFrame, path: &Path, plate: Option<&Photo>) -> Sheet {
    let lit = frame.answer.and_then(|_| read(path));
    let pictures = lit.zip(plate).and_then(|(lit, plate)| {
        let pair = ShotPair {
            lit: &lit.samples,
            lit_encoding: &lit.encoding,
            plate: &plate.samples,
            plate_encoding: &plate.encoding,
        };
        let size = lit.samples.size;
        let told: Vec<HandWork> = frame.reasons.iter().map(|r| work(r, size)).collect();
        Pictures::of_pair(&pair, &told)
    });
    let with_place = |reason: &&Reason| reason.place.is_some();
    let full = pictures.as_ref().map(|p| p.full);
    let marked = frame.reasons.iter().filter(with_place);
    let error = frame.error.iter().flat_map(ErrorEntry::lines);
    Sheet {
        name: frame.lit.clone(),
        outcome: frame.answer.map_or(Outcome::Unreadable, Outcome::Checked),
        summary: frame
            .plate
            .as_ref()
            .map(|plate| format!("on {plate}"))
            .unwrap_or_default(),
        hand_work: full.map_or_else(Vec::new, |full| marked.map(|r| work(r, full)).collect()),
        told: frame.reasons.clone(),
        notes: error.collect(),
        facts: Vec::new(),
        pictures,
    }
}

/// A reason as something to look at; one without a place is of the whole picture and draws no box.
fn work(reason: &Reason, full: Size) -> HandWork {
    let whole = Box2 {
        x: 0,
        y: 0,
        width: full.columns,
        height: full.rows,
    };
    HandWork {
        place: reason.place.unwrap_or(whole),
        reason: reason.what.clone(),
        confidence: reason
            .place
            .map_or(0.0, |_| (reason.weight / HEAVIEST) as f32),
    }
}
