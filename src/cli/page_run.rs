//! What the page of a run shows of each frame.

use std::io::BufReader;
use std::path::Path;

use super::clean_plan::FramePlan;
use super::frame_entry::{ErrorEntry, FrameEntry, FrameStatus, shown_name};
use super::frame_output::LitFacts;
use crate::handover::{self, Kept, shares_of};
use crate::page::{Outcome, Page, Pictures, Pieces, Purpose, Sheet, Shown};
use crate::photo;
use crate::pipeline::Decision;
use crate::report::{FrameReport, Verdict};
use crate::scene::{Encoding, Plane, Samples};

/// The page of a run's frames.
pub(super) fn run_page(report: &Path, frames: Vec<Sheet>) -> Page {
    Page {
        title: title(&frames),
        purpose: Purpose::HandBack {
            report: shown_name(report),
        },
        told: Vec::new(),
        frames,
    }
}

fn title(frames: &[Sheet]) -> String {
    let to_look_at = frames.iter().filter(|f| f.outcome == Outcome::LookHere);
    let frames_word = if frames.len() == 1 { "frame" } else { "frames" };
    format!(
        "derig: {} {frames_word}, {} to look at",
        frames.len(),
        to_look_at.count()
    )
}

/// Pictures of a frame that is still in memory.
pub(super) fn pictures_at_hand(
    lit: &LitFacts,
    (merged, mask): (&Samples, &Plane<u16>),
    decision: Option<&Decision>,
    report: Option<&FrameReport>,
) -> Option<Pictures> {
    let samples = lit.samples.as_ref()?;
    pictures(samples, &lit.encoding, (merged, mask), decision, report)
}

/// Pictures of a frame that an earlier run finished, from its files; `None` where they do not tell.
pub(super) fn pictures_from_files(frame: &FramePlan, entry: &FrameEntry) -> Option<Pictures> {
    let target = frame.target.as_ref().ok()?;
    let read = |path: &Path| photo::read(path, &super::limits::in_force()).ok();
    let lit = read(&frame.lit)?;
    let kept = target.redo_data.as_ref().and_then(|path| {
        let file = BufReader::new(photo::open(path).ok()?);
        handover::read_kept(file, &lit.samples).ok()
    });
    let report = entry.report.as_ref();
    if let Some(Kept {
        merged,
        mask,
        decision,
    }) = kept
    {
        let results = (&merged, &mask);
        return pictures(
            &lit.samples,
            &lit.encoding,
            results,
            Some(&decision),
            report,
        );
    }
    let mask = shares_of(&read(&target.mask)?, lit.samples.size).ok()?;
    let merged = read(&target.merged)?;
    if merged.samples.size != lit.samples.size {
        return None;
    }
    let results = (&merged.samples, &mask);
    pictures(&lit.samples, &merged.encoding, results, None, report)
}

fn pictures(
    lit: &Samples,
    encoding: &Encoding,
    (merged, mask): (&Samples, &Plane<u16>),
    decision: Option<&Decision>,
    report: Option<&FrameReport>,
) -> Option<Pictures> {
    let shown = Shown {
        lit,
        encoding,
        merged,
        mask,
        pieces: decision.map(|decision| Pieces {
            numbers: &decision.pieces,
            labels: &decision.labels,
            factor: decision.lie.factor,
        }),
    };
    let hand_work = report.map(|r| &r.hand_work[..]).unwrap_or_default();
    Pictures::of(&shown, hand_work)
}

/// A frame of a run as the page shows it.
pub(super) fn run_sheet(entry: &FrameEntry, pictures: Option<Pictures>) -> Sheet {
    let report = entry.report.as_ref();
    let outcome = match (entry.status, report.map(|r| r.verdict)) {
        (FrameStatus::Failed, _) => Outcome::Failed,
        (_, Some(Verdict::LookHere)) => Outcome::LookHere,
        (FrameStatus::NothingToRemove, _) => Outcome::NothingToRemove,
        (FrameStatus::Cleaned, _) => Outcome::Finished,
    };
    let summary = match (entry.status, report) {
        (FrameStatus::Cleaned, Some(report)) => {
            format!("{:.1} % from the plate", 100.0 * report.replaced_share)
        }
        _ => String::new(),
    };
    let told = entry.error.iter().flat_map(ErrorEntry::lines);
    Sheet {
        name: entry.lit.clone(),
        outcome,
        summary,
        hand_work: report.map(|r| r.hand_work.clone()).unwrap_or_default(),
        told: Vec::new(),
        notes: told.chain(entry.warnings.iter().cloned()).collect(),
        facts: facts(entry),
        pictures,
    }
}

fn facts(entry: &FrameEntry) -> Vec<(String, String)> {
    let mut facts = Vec::new();
    let mut add = |name: &str, value: String| facts.push((name.to_owned(), value));
    if let Some(merged) = &entry.merged {
        add("cleaned frame", merged.clone());
    }
    if let Some(mask) = &entry.mask {
        add("mask", mask.clone());
    }
    add("plate", entry.plates.join(", "));
    if !entry.taken_back.is_empty() {
        add("taken back", entry.taken_back.join("; "));
    }
    if let Some(report) = &entry.report {
        let registration = &report.registration;
        let [dx, dy] = registration.shift_px;
        add(
            "how the plate lies",
            format!(
                "{}, shifted by {dx:.1}, {dy:.1} px, turned by {:.3}\u{b0}, off by {:.2} px at {} places",
                registration.model,
                registration.rotation_deg,
                registration.residual_px,
                registration.tiles
            ),
        );
        let gain = report.light.gain.map(|g| format!("{g:.3}")).join(", ");
        add("daylight, lit / plate (red, green, blue)", gain);
        let [dx, dy] = report.light.drift_px;
        add(
            "sky",
            format!(
                "{:.0} % of the picture, clouds drifted by {dx:.1}, {dy:.1} px",
                100.0 * report.light.sky_share
            ),
        );
    }
    facts
}
