//! `derig clean`: plates, evidence, then frame after frame, one bad frame never stopping the rest.
//!
//! Three hands work at once: a reader decodes the next frame, this thread cleans the current one
//! (with all cores), a writer encodes the last. They meet hand to hand, without queues, so that no
//! more than three frames are in memory whatever the batch, and the order of frames is that of the
//! command line whatever the timing.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::sync_channel;
use std::thread;

use super::choices::{LayerChoice, RedoData};
use super::clean_plan::{CleanPlan, FramePlan};
use super::exit_status::ExitStatus;
use super::first_look::{first_look, observe};
use super::frame_entry::{ErrorEntry, FrameEntry, shown};
use super::frame_output::LitFacts;
use super::hand_over::{failed_entry, write_all};
use super::messages::{Failure, Messages};
use super::only_frame::{self, Cleaner};
use super::outcome::{CannotClean, Cleaned, Listeners, Outcome, hint};
use super::page_output::PageOutput;
use super::page_run::run_page;
use super::plan::RunPlan;
use super::progress::Progress;
use super::reading::{Read, of_plates, read_ahead, read_plates};
use super::run_report::RunReport;
use super::talk_args::Timings;
use crate::photo;
use crate::pipeline::{Extra, Frame};

/// Runs a plan and writes its report.
///
/// # Errors
/// [`Failure`] when no frame can be worked on (the only plate fails) or the report cannot be
/// written.
pub(super) fn run(run: &RunPlan, messages: &Messages) -> Result<ExitStatus, Failure> {
    let frames = run.set_ups.iter().map(|plan| plan.frames.len()).sum();
    let progress = Progress::new(messages, frames);
    let journal = &run.journal;
    let page = run.set_ups.first().and_then(page);
    let mut entries = Vec::with_capacity(frames);
    for plan in &run.set_ups {
        let told = Listeners {
            messages,
            progress: &progress,
            journal,
            page: page.as_ref(),
            stop: &NEVER,
        };
        match clean_frames(plan, &told) {
            Ok(frames) => entries.extend(frames),
            Err(failure) if run.set_ups.len() == 1 => {
                progress.finish();
                journal.unused();
                return Err(failure);
            }
            Err(failure) => {
                messages.failure(&failure);
                let error = ErrorEntry::new(&*failure.error, failure.hint.as_deref());
                // What an earlier run finished is finished all the same.
                let entry = |frame: &FramePlan| match &frame.finished {
                    Some(entry) => (**entry).clone(),
                    None => failed_entry(plan, frame, error.clone()),
                };
                let failed = plan.frames.iter().map(entry);
                entries.extend(failed.inspect(|entry| told.on_page(entry, None)));
            }
        }
    }
    progress.finish();
    let Some(first) = run.set_ups.first() else {
        return Ok(ExitStatus::AllDone);
    };
    let report = RunReport::new(&run.set_ups, entries);
    write_report(first, &report)?;
    if let Some(page) = page {
        page.write(|frames| run_page(&first.report, frames))
            .map_err(Failure::from)?;
    }
    journal.done();
    if messages.timings() == Timings::Shown {
        for (stage, seconds) in report.timings() {
            messages.line(&format!("{seconds:9.3} s  {stage}"));
        }
    }
    let all = run.set_ups.iter().flat_map(|plan| &plan.frames);
    let before = all.filter(|frame| frame.finished.is_some()).count();
    let before = match before {
        0 => String::new(),
        n => format!(" ({n} finished before)"),
    };
    messages.line(&format!(
        "{}{before}; report in `{}`",
        report.summary(),
        run.report.display()
    ));
    Ok(report.exit_status(first.nothing_found))
}

/// The page of a run, where one is wanted.
pub(super) fn page(plan: &CleanPlan) -> Option<PageOutput> {
    let path = plan.page.as_ref()?;
    Some(PageOutput::new(path, plan.existing))
}

pub(super) fn write_report(plan: &CleanPlan, report: &RunReport) -> Result<(), Failure> {
    let mut text = serde_json::to_vec_pretty(report).expect("a report has string keys only");
    text.push(b'\n');
    photo::store(&plan.report, &text, plan.existing).map_err(Failure::from)
}

/// A run that goes on to its end.
static NEVER: AtomicBool = AtomicBool::new(false);

/// Cleans the frames of a set-up; once told to stop, those not begun are left out of the result.
///
/// # Errors
/// [`Failure`] when no plate can be read.
pub(super) fn clean_frames(
    plan: &CleanPlan,
    told: &Listeners<'_>,
) -> Result<Vec<FrameEntry>, Failure> {
    let Listeners {
        messages, progress, ..
    } = *told;
    let all_finished = plan.frames.iter().all(|f| f.finished.is_some());
    let first_look = if all_finished {
        Vec::new()
    } else {
        first_look(plan)
    };
    thread::scope(|scope| {
        let looked_at = read_ahead(scope, plan, first_look.clone());
        // With nothing to look at first, the frames themselves are decoded beside the plate.
        let unfinished = |i: &usize| plan.frames[*i].finished.is_none();
        let to_read: Vec<_> = plan.readable().into_iter().filter(unfinished).collect();
        let early = first_look
            .is_empty()
            .then(|| read_ahead(scope, plan, to_read.clone()));
        let mut kept = BTreeMap::new();
        let mut set_up = None;
        let mut plate_coded = None;
        if !all_finished {
            let mut photos = read_plates(&plan.plates, messages)?;
            plate_coded = photos.first_mut().and_then(only_frame::worth_keeping);
            let mut plates = of_plates(photos, &plan.plates, messages)?;
            kept = observe(&mut plates, &to_read, &first_look, &looked_at);
            set_up = Some(plates);
        }
        drop(looked_at);

        let incoming = early.unwrap_or_else(|| {
            let left = to_read.iter().copied();
            let left = left.filter(|i| !kept.contains_key(i)).collect();
            read_ahead(scope, plan, left)
        });
        let mut wanted = wanted(&plan.layers, plan.redo_data);
        if plan.page.is_some() && !wanted.contains(&Extra::Decision) {
            wanted.push(Extra::Decision);
        }
        let (to_writer, outcomes) = sync_channel(0);
        let writer = scope.spawn(move || write_all(plan, told, &outcomes));
        for (index, frame) in plan.frames.iter().enumerate() {
            if told.stop.load(Ordering::Relaxed) {
                break;
            }
            let outcome = match (&frame.target, &frame.finished, set_up.is_some()) {
                (_, Some(entry), _) => Outcome::Finished(entry.clone()),
                (Ok(_), None, true) => {
                    let mut read = kept.remove(&index).unwrap_or_else(|| {
                        incoming
                            .recv()
                            .expect("the reader hands over every frame it was given")
                    });
                    let lit_coded = read.photo.as_mut().ok();
                    let lit_coded = lit_coded.and_then(only_frame::worth_keeping);
                    let cleaner = Cleaner {
                        set_up: &mut set_up,
                        coded: plate_coded
                            .take()
                            .zip(lit_coded)
                            .filter(|_| only_frame::is_only(plan))
                            .map(|(plate, lit)| [plate, lit]),
                        wanted: &wanted,
                        progress,
                    };
                    clean_one(cleaner, (index, frame), read, keeps_lit(plan))
                }
                _ => Outcome::unreadable(Read::from(frame).photo.err()),
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

/// Are the lit frame's samples wanted once it is cleaned? They are for layers and the page.
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
    if plan.layers.is_empty() && plan.page.is_none() {
        LitSamples::Dropped
    } else {
        LitSamples::Kept
    }
}

fn clean_one(
    cleaner: Cleaner<'_>,
    (index, frame): (usize, &FramePlan),
    read: Read,
    lit_samples: LitSamples,
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
    match cleaner.clean(index, lit) {
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
