//! `derig clean`: plates, evidence, then frame after frame, one bad frame never stopping the rest.
//!
//! Three hands work at once: a reader decodes the next frame, this thread cleans the current one
//! (with all cores), a writer encodes the last. They meet hand to hand, without queues, so that no
//! more than three frames are in memory whatever the batch, and the order of frames is that of the
//! command line whatever the timing.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, sync_channel};
use std::thread::{self, Scope};
use std::time::Instant;

use super::args::{LayerChoice, RedoData, Timings};
use super::exit_status::ExitStatus;
use super::frame_output::{self, Change, Finished, How, LitFacts};
use super::messages::{Failure, Messages};
use super::plan::{CleanPlan, FramePlan, Target};
use super::progress::Progress;
use super::run_report::{ErrorEntry, FrameEntry, FrameStatus, RunReport, shown, shown_name};
use super::settings::name_of;
use crate::photo::{self, CameraFacts, Photo, PhotoError, PhotoWarning, ReadLimits};
use crate::pipeline::{CleanError, CleanedFrame, Extra, Frame, SetUp};
use crate::scene::CodeValues;

/// Decoded frames kept from the first look to the clean-up, bytes: two of 24 MP at 8 bits. What
/// does not fit is decoded a second time.
const KEPT_FRAMES_BYTES: usize = 150 << 20;

/// Runs a plan and writes its report.
///
/// # Errors
/// [`Failure`] when no frame can be worked on (a plate fails) or the report cannot be written.
pub(super) fn run(plan: &CleanPlan, messages: &Messages) -> Result<ExitStatus, Failure> {
    let progress = Progress::new(messages, plan.frames.len());
    let frames = clean_frames(plan, messages, &progress);
    progress.finish();
    let report = RunReport::new(plan, frames?);
    write_report(plan, &report)?;
    if messages.timings() == Timings::Shown {
        for (stage, seconds) in report.timings() {
            messages.line(&format!("{seconds:9.3} s  {stage}"));
        }
    }
    messages.line(&format!(
        "{}; report in `{}`",
        report.summary(),
        plan.report.display()
    ));
    Ok(report.exit_status(plan.nothing_found))
}

pub(super) fn write_report(plan: &CleanPlan, report: &RunReport) -> Result<(), Failure> {
    let mut text = serde_json::to_vec_pretty(report).expect("a report has string keys only");
    text.push(b'\n');
    photo::store(&plan.report, &text, plan.existing).map_err(file_failure)
}

pub(super) fn file_failure(error: PhotoError) -> Failure {
    Failure {
        hint: error.hint().map(ToOwned::to_owned),
        error: Box::new(error),
        status: ExitStatus::SomeFailed,
    }
}

/// A frame as the reader hands it over.
struct Read {
    photo: Result<Photo, PhotoError>,
    seconds: f64,
}

impl Read {
    fn from(frame: &FramePlan) -> Self {
        let start = Instant::now();
        let photo = photo::read(&frame.lit, &ReadLimits::default());
        Self {
            photo,
            seconds: start.elapsed().as_secs_f64(),
        }
    }
}

/// What the cleaning thread hands to the writer, in the order of the command line.
enum Outcome {
    Cleaned(Box<Cleaned>),
    Failed(Box<dyn std::error::Error + Send + Sync>, Option<String>),
}

struct Cleaned {
    frame: CleanedFrame,
    lit: LitFacts,
    camera: CameraFacts,
    warnings: Vec<PhotoWarning>,
    read_seconds: f64,
}

fn clean_frames(
    plan: &CleanPlan,
    messages: &Messages,
    progress: &Progress<'_>,
) -> Result<Vec<FrameEntry>, Failure> {
    let readable = readable(plan);
    let first_look = first_look(plan);
    thread::scope(|scope| {
        let looked_at = read_ahead(scope, plan, first_look.clone());
        // With nothing to look at first, the frame itself is decoded beside the plate.
        let early = first_look
            .is_empty()
            .then(|| read_ahead(scope, plan, readable.clone()));
        let mut set_up = set_up(plan, messages)?;
        let mut kept = observe(&mut set_up, &first_look, &looked_at);
        drop(looked_at);

        let incoming = early.unwrap_or_else(|| {
            let left = readable.iter().copied();
            let left = left.filter(|i| !kept.contains_key(i)).collect();
            read_ahead(scope, plan, left)
        });
        let wanted = wanted(&plan.layers, plan.redo_data);
        let (to_writer, outcomes) = sync_channel(0);
        let writer = scope.spawn(move || write_all(plan, messages, progress, &outcomes));
        for (index, frame) in plan.frames.iter().enumerate() {
            let outcome = match &frame.target {
                Ok(_) => {
                    let read = kept.remove(&index).unwrap_or_else(|| {
                        incoming
                            .recv()
                            .expect("the reader hands over every frame it was given")
                    });
                    let keeps = keeps_lit(plan);
                    clean_one(&set_up, (index, frame), read, (keeps, &wanted), progress)
                }
                Err(_) => Outcome::unreadable(Read::from(frame).photo.err()),
            };
            if to_writer.send(outcome).is_err() {
                break;
            }
        }
        drop(to_writer);
        match writer.join() {
            Ok(entries) => Ok(entries),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}

fn readable(plan: &CleanPlan) -> Vec<usize> {
    (0..plan.frames.len())
        .filter(|&i| plan.frames[i].target.is_ok())
        .collect()
}

/// The frames that are shown to the set-up before the first is cleaned.
pub(super) fn first_look(plan: &CleanPlan) -> Vec<usize> {
    let readable = readable(plan);
    SetUp::frames_to_observe(readable.len())
        .into_iter()
        .filter_map(|i| readable.get(i).copied())
        .collect()
}

/// Decodes frames one ahead of whoever receives them.
fn read_ahead<'scope>(
    scope: &'scope Scope<'scope, '_>,
    plan: &'scope CleanPlan,
    order: Vec<usize>,
) -> Receiver<Read> {
    let (sender, receiver) = sync_channel(0);
    scope.spawn(move || {
        for index in order {
            if sender.send(Read::from(&plan.frames[index])).is_err() {
                break;
            }
        }
    });
    receiver
}

pub(super) fn set_up(plan: &CleanPlan, messages: &Messages) -> Result<SetUp, Failure> {
    let mut plates = Vec::with_capacity(plan.plates.len());
    for path in &plan.plates {
        let plate = photo::read(path, &ReadLimits::default()).map_err(file_failure)?;
        for warning in &plate.warnings {
            messages.warning(&format!("`{}`: {warning}", path.display()));
        }
        plates.push(Frame {
            samples: plate.samples,
            encoding: plate.encoding,
        });
    }
    SetUp::new(plates).map_err(|e| Failure {
        hint: Some(hint(&e).to_owned()),
        error: Box::new(e),
        status: ExitStatus::WrongUsage,
    })
}

/// Shows the first-look frames to the set-up and keeps what fits for the clean-up.
fn observe(
    set_up: &mut SetUp,
    first_look: &[usize],
    looked_at: &Receiver<Read>,
) -> BTreeMap<usize, Read> {
    let mut kept = BTreeMap::new();
    let mut room = KEPT_FRAMES_BYTES;
    for (&index, mut read) in first_look.iter().zip(looked_at.iter()) {
        let Ok(photo) = &mut read.photo else {
            kept.insert(index, read);
            continue;
        };
        let frame = Frame {
            samples: std::mem::replace(&mut photo.samples, no_samples()),
            encoding: photo.encoding.clone(),
        };
        // What keeps a frame from being observed keeps it from being cleaned, and is told then.
        let _ = set_up.observe(index, &frame);
        photo.samples = frame.samples;
        let bytes = bytes(&photo.samples.values);
        if bytes <= room {
            room -= bytes;
            kept.insert(index, read);
        }
    }
    kept
}

fn bytes(values: &CodeValues) -> usize {
    match values {
        CodeValues::Eight(v) => v.len(),
        CodeValues::Sixteen(v) => 2 * v.len(),
    }
}

fn no_samples() -> crate::scene::Samples {
    crate::scene::Samples {
        size: crate::scene::Size {
            columns: 0,
            rows: 0,
        },
        layout: crate::scene::ChannelLayout::Grey,
        values: CodeValues::Eight(Vec::new()),
    }
}

/// Are the lit frame's samples wanted once it is cleaned? They are for layers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LitSamples {
    Kept,
    Dropped,
}

/// What the layers are made of beside merge, mask and lit frame.
pub(super) fn wanted(layers: &[LayerChoice], redo_data: RedoData) -> Vec<Extra> {
    let mut wanted: Vec<Extra> = layers
        .iter()
        .filter_map(|layer| match layer {
            LayerChoice::AlignedPlate | LayerChoice::Openraster => Some(Extra::AlignedPlate),
            LayerChoice::RelitPlate => Some(Extra::RelitPlate),
            LayerChoice::Labelled => Some(Extra::Labels),
            LayerChoice::Patch => None,
        })
        .chain((redo_data == RedoData::Keep).then_some(Extra::Decision))
        .collect();
    wanted.sort_unstable();
    wanted.dedup();
    wanted
}

fn keeps_lit(plan: &CleanPlan) -> LitSamples {
    if plan.layers.is_empty() {
        LitSamples::Dropped
    } else {
        LitSamples::Kept
    }
}

fn clean_one(
    set_up: &SetUp,
    (index, frame): (usize, &FramePlan),
    read: Read,
    (lit_samples, wanted): (LitSamples, &[Extra]),
    progress: &Progress<'_>,
) -> Outcome {
    let photo = match read.photo {
        Ok(photo) => photo,
        Err(e) => return Outcome::unreadable(Some(e)),
    };
    let lit = Frame {
        samples: photo.samples,
        encoding: photo.encoding,
    };
    let encoding = lit.encoding.clone();
    let kept = match lit_samples {
        LitSamples::Kept => Some(lit.samples.clone()),
        LitSamples::Dropped => None,
    };
    match set_up.clean_with(index, lit, wanted, progress) {
        Ok(cleaned) => Outcome::Cleaned(Box::new(Cleaned {
            frame: cleaned,
            lit: LitFacts {
                metadata: photo.metadata,
                format: photo.format,
                stored: photo.stored,
                encoding,
                samples: kept,
            },
            camera: photo.camera,
            warnings: photo.warnings,
            read_seconds: read.seconds,
        })),
        Err(error) => {
            let hint = hint(&error).to_owned();
            let path = shown(&frame.lit);
            Outcome::Failed(Box::new(CannotClean { path, error }), Some(hint))
        }
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

impl Outcome {
    fn unreadable(error: Option<PhotoError>) -> Self {
        let error = error.expect("a frame that could not be read once stays unreadable");
        let hint = error.hint().map(ToOwned::to_owned);
        Self::Failed(Box::new(error), hint)
    }
}

/// The writer: outputs on the disk, the user told, an entry a frame.
fn write_all(
    plan: &CleanPlan,
    messages: &Messages,
    progress: &Progress<'_>,
    outcomes: &Receiver<Outcome>,
) -> Vec<FrameEntry> {
    plan.frames
        .iter()
        .zip(outcomes.iter())
        .map(|(frame, outcome)| {
            let entry = match outcome {
                Outcome::Cleaned(cleaned) => hand_over(plan, frame, *cleaned),
                Outcome::Failed(error, hint) => Err((error, hint)),
            };
            match entry {
                Ok(entry) => {
                    progress.handed_over(&entry);
                    entry
                }
                Err((error, hint)) => {
                    messages.error(&*error, hint.as_deref());
                    progress.step();
                    failed_entry(frame, ErrorEntry::new(&*error, hint.as_deref()))
                }
            }
        })
        .collect()
}

pub(super) type Told = (Box<dyn std::error::Error + Send + Sync>, Option<String>);

fn hand_over(plan: &CleanPlan, frame: &FramePlan, cleaned: Cleaned) -> Result<FrameEntry, Told> {
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
        existing: plan.existing,
    };
    let finished = Finished {
        merged: cleaned.frame.merged,
        mask: cleaned.frame.mask,
        extras: cleaned.frame.extras,
    };
    let lost = frame_output::write(&frame.lit, cleaned.lit, finished, target, how);
    let lost = lost.map_err(|e| -> Told {
        let hint = e.hint().map(ToOwned::to_owned);
        (Box::new(e), hint)
    })?;
    let write_seconds = start.elapsed().as_secs_f64();
    Ok(FrameEntry {
        lit: shown(&frame.lit),
        merged: Some(shown_name(&target.merged)),
        mask: Some(shown_name(&target.mask)),
        layers: target
            .layers
            .iter()
            .map(|(layer, path)| (name_of(layer), shown_name(path)))
            .collect(),
        redo_data: redo_data_name(target),
        hashes: frame_output::hashes(&frame.lit, target),
        taken_back: Vec::new(),
        status,
        error: None,
        exposure: cleaned.camera,
        warnings: cleaned
            .warnings
            .iter()
            .chain(&lost)
            .map(ToString::to_string)
            .collect(),
        file_seconds: BTreeMap::from([
            ("read".to_owned(), cleaned.read_seconds),
            ("write".to_owned(), write_seconds),
        ]),
        report: Some(report),
    })
}

/// Path in the output folder, as the report tells it.
pub(super) fn redo_data_name(target: &Target) -> Option<String> {
    let path = target.redo_data.as_ref()?;
    let folder = path.parent().map(shown_name).unwrap_or_default();
    Some(format!("{folder}/{}", shown_name(path)))
}

pub(super) fn failed_entry(frame: &FramePlan, error: ErrorEntry) -> FrameEntry {
    FrameEntry {
        lit: shown(&frame.lit),
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
