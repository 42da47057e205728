//! `derig redo`: merges the frames of a run again from what a person changed.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Instant;

use super::choices::{LayerChoice, PageChoice};
use super::clean;
use super::clean_plan::{CleanPlan, FramePlan, NothingFound, Target};
use super::content_hash::{content_hash, input_hash};
use super::corrections::{self, Asked};
use super::exit_status::ExitStatus;
use super::file_identity::FileIdentity;
use super::frame_entry::{ErrorEntry, FrameEntry, FrameStatus};
use super::frame_output::{self, Change, Finished, How, LitFacts};
use super::hand_over::{failed_entry, redo_data_name};
use super::journal::{Earlier, INPUTS, Journal};
use super::limits;
use super::messages::{Failure, Messages};
use super::page_run::{pictures_at_hand, pictures_from_files, run_page, run_sheet};
use super::path_text::{REDO_FOLDER, meant_output, told_name, told_path};
use super::plan::REPORT_NAME;
use super::progress::Progress;
use super::redo_args::RedoArgs;
use super::redo_frame::{Changes, LazySetUp, RedoFrame, Redone};
use super::redo_run::{
    self, Destination, RedoError, index_of, is_named, named_frames, read_report,
};
use super::run_report::RunReport;
use super::settings::name_of;
use crate::page::Pictures;
use crate::photo::{self, Existing};
use crate::pipeline::{Frame, Told};
use crate::report::FrameReport;

/// Merges again and writes results and report.
///
/// # Errors
/// [`Failure`] when nothing can be done; a single frame that fails is told and passed over.
pub(super) fn run(typed: &RedoArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    let job = Job::from_args(typed)?;
    let progress = Progress::new(messages, job.meant.len());
    let set_ups = job.set_ups(messages);
    let mut report = job.report.clone();
    let page = clean::page(&job.plan);
    let on_page = |entry: &FrameEntry, pictures| {
        if let Some(page) = &page {
            page.add(run_sheet(entry, pictures));
        }
    };
    let mut worst = ExitStatus::AllDone;
    let mut done = 0;
    for index in 0..job.report.frames.len() {
        if !job.meant.contains(&index) {
            if page.is_some() && job.is_in_place() {
                let (frame, entry) = (&job.plan.frames[index], &job.report.frames[index]);
                on_page(entry, pictures_from_files(frame, entry));
            }
            continue;
        }
        match job.redone(index, &set_ups) {
            Ok((entry, again)) => {
                for warning in again.warnings {
                    messages.warning(&format!("`{}`: {warning}", entry.lit));
                }
                progress.handed_over(&entry);
                on_page(&entry, again.pictures);
                report.frames[index] = entry;
                done += 1;
            }
            Err(failure) => {
                messages.failure(&failure);
                progress.step();
                worst = failure.status;
                if !job.is_in_place() {
                    job.journal.left_in_part();
                    let error = ErrorEntry::new(&*failure.error, failure.hint.as_deref());
                    report.frames[index] = failed_entry(&job.plan, &job.plan.frames[index], error);
                }
                on_page(&report.frames[index], None);
            }
        }
    }
    progress.finish();
    if done == 0 && worst != ExitStatus::AllDone {
        job.journal.unused();
        return Ok(worst);
    }
    if !job.is_in_place() {
        let meant: BTreeSet<usize> = job.meant.iter().copied().collect();
        let mut at = 0..;
        report
            .frames
            .retain(|_| meant.contains(&at.next().unwrap_or(usize::MAX)));
    }
    clean::write_report(&job.plan, &report)?;
    if let Some(page) = page {
        page.write(|frames| run_page(&job.plan.report, frames))
            .map_err(Failure::from)?;
    }
    if job.is_in_place() {
        job.journal.unused();
    } else {
        job.journal.done();
    }
    messages.line(&format!(
        "{}; report in `{}`",
        report.summary(),
        job.plan.report.display()
    ));
    // In the report's own folder a frame that failed stays as it was there, with its entry.
    Ok(if worst == ExitStatus::AllDone {
        report.exit_status(NothingFound::IsFine)
    } else {
        ExitStatus::SomeFailed
    })
}

/// A frame merged again, beside its entry.
struct Again {
    warnings: Vec<String>,
    pictures: Option<Pictures>,
}

/// Everything that is known before a frame is read.
struct Job {
    report: RunReport,
    /// Where the report is.
    folder: PathBuf,
    out: PathBuf,
    plan: CleanPlan,
    /// Frames to merge, by index.
    meant: Vec<usize>,
    mask: Option<PathBuf>,
    openraster: Option<PathBuf>,
    corrections: Vec<Asked>,
    journal: Journal,
}

impl Job {
    fn from_args(typed: &RedoArgs) -> Result<Self, Failure> {
        let report = read_report(&typed.report)?;
        let folder = match typed.report.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let meant = redo_run::meant(&report, &typed.frames)?;
        if (typed.mask.is_some() || typed.openraster.is_some()) && meant.len() != 1 {
            return Err(RedoError::WhichFrame(meant.len()).into());
        }
        let frames = named_frames(&report, &typed.frames);
        let mut corrections = match &typed.corrections {
            Some(path) => corrections::in_file(path)?,
            None => Vec::new(),
        };
        corrections.extend(corrections::typed(Told::Take, &typed.take, &frames)?);
        corrections.extend(corrections::typed(Told::Keep, &typed.keep, &frames)?);
        for name in corrections.iter().flat_map(|c| &c.frames) {
            index_of(&report, name)?;
        }
        let out = typed.out.clone().unwrap_or_else(|| folder.clone());
        let existing = if typed.overwrite {
            Existing::Replace
        } else {
            Existing::Keep
        };
        let earlier = Earlier::read(&out.join(REPORT_NAME));
        let to = Destination {
            out: &out,
            earlier: (out != folder).then_some(&earlier),
            existing,
            page: if typed.page {
                PageChoice::Write
            } else {
                PageChoice::None
            },
        };
        let plan = redo_run::plan(&typed.report, &report, &meant, to)?;
        let journal = Journal::beside(&plan.report)?;
        earlier.clear_parts(&out);
        earlier.clear_parts(&out.join(REDO_FOLDER));
        Ok(Self {
            report,
            folder,
            out,
            plan,
            meant,
            mask: typed.mask.clone(),
            openraster: typed.openraster.clone(),
            corrections,
            journal,
        })
    }

    /// Is this the run's own folder? Then its journal, if there is one, tells of the run alone.
    fn is_in_place(&self) -> bool {
        self.out == self.folder
    }

    /// The run's set-ups by their plates.
    fn set_ups<'a>(&self, messages: &'a Messages) -> BTreeMap<Vec<String>, LazySetUp<'a>> {
        let mut set_ups = BTreeMap::new();
        for entry in &self.report.frames {
            set_ups.entry(entry.plates.clone()).or_insert_with(|| {
                let named = self.report.plates.iter().zip(&self.plan.plates);
                let plates = named.filter(|(name, _)| entry.plates.contains(name));
                let members = (0..self.report.frames.len())
                    .filter(|&i| self.report.frames[i].plates == entry.plates);
                let lit = members
                    .map(|i| &self.plan.frames[i])
                    .enumerate()
                    .filter(|(_, frame)| frame.target.is_ok())
                    .map(|(number, frame)| (number, frame.lit.clone()));
                let plates = plates.map(|(_, path)| path.clone()).collect();
                LazySetUp::new(plates, lit.collect(), messages)
            });
        }
        set_ups
    }

    fn number_in_set_up(&self, index: usize) -> usize {
        let plates = &self.report.frames[index].plates;
        let before = self.report.frames[..index].iter();
        before.filter(|entry| entry.plates == *plates).count()
    }

    fn redone(
        &self,
        index: usize,
        set_ups: &BTreeMap<Vec<String>, LazySetUp<'_>>,
    ) -> Result<(FrameEntry, Again), Failure> {
        let (entry, frame) = (&self.report.frames[index], &self.plan.frames[index]);
        let start = Instant::now();
        let changes = self.changes(entry)?;
        let hash = input_hash(&frame.lit).ok();
        let was = entry.hashes.get("lit");
        if was.is_some() && hash.is_some() && was != hash.as_ref() {
            return Err(RedoError::OtherLit(entry.lit.clone()).into());
        }
        let photo = photo::read(&frame.lit, &limits::in_force()).map_err(Failure::from)?;
        let target = frame
            .target
            .as_ref()
            .expect("a frame that can be read has headers that can");
        let target = self.written(target, &changes);
        let choices: Vec<LayerChoice> = target.layers.iter().map(|(l, _)| *l).collect();
        let lit = Frame {
            samples: photo.samples,
            encoding: photo.encoding,
        };
        let read_seconds = start.elapsed().as_secs_f64();
        let redone = RedoFrame {
            index: self.number_in_set_up(index),
            path: &frame.lit,
            lit: &lit,
            set_up: &set_ups[&entry.plates],
            kept: entry
                .redo_data
                .as_ref()
                .map(|name| meant_output(&self.folder, name)),
            mask_bits: self.plan.mask_depth.bits(),
            wanted: &clean::wanted(&choices, self.plan.redo_data),
        }
        .redone(&changes)?;
        let merge_seconds = start.elapsed().as_secs_f64() - read_seconds;
        let facts = LitFacts {
            metadata: photo.metadata,
            format: photo.format,
            stored: photo.stored,
            encoding: lit.encoding,
            samples: (!target.layers.is_empty() || self.plan.page.is_some()).then_some(lit.samples),
        };
        let taken_back = entry.taken_back.iter().cloned();
        let mut entry = FrameEntry {
            taken_back: taken_back.chain(changes.words()).collect(),
            report: entry.report.clone().map(|report| FrameReport {
                replaced_share: frame_output::taken_share(&redone.mask),
                seconds: BTreeMap::from([("merge".to_owned(), merge_seconds)]),
                ..report
            }),
            ..entry.clone()
        };
        let pictures = self.plan.page.as_ref().and_then(|_| {
            let results = (&redone.merged, &redone.mask);
            let decision = redone.extras.decision.as_ref();
            pictures_at_hand(&facts, results, decision, entry.report.as_ref())
        });
        let again = Again {
            warnings: redone.warnings.clone(),
            pictures,
        };
        self.write(frame, facts, redone, &target, &mut entry)?;
        let write_seconds = start.elapsed().as_secs_f64() - read_seconds - merge_seconds;
        entry.file_seconds = BTreeMap::from([
            ("read".to_owned(), read_seconds),
            ("write".to_owned(), write_seconds),
        ]);
        Ok((entry, again))
    }

    /// The outputs that are written: what a person made of an `.ora` file stays as it is.
    fn written(&self, target: &Target, changes: &Changes) -> Target {
        let mut target = target.clone();
        let edited = changes.openraster.as_deref();
        let is_edited = |path: &Path| {
            let files = (edited.and_then(FileIdentity::of), FileIdentity::of(path));
            matches!(files, (Some(a), Some(b)) if a.is_same_file(&b))
        };
        target.layers.retain(|(layer, path)| {
            let in_place = self.is_in_place() && edited.is_some();
            *layer != LayerChoice::Openraster || !(in_place || is_edited(path))
        });
        target
    }

    /// Writes a frame's outputs and tells of them in its entry.
    fn write(
        &self,
        frame: &FramePlan,
        facts: LitFacts,
        redone: Redone,
        target: &Target,
        entry: &mut FrameEntry,
    ) -> Result<(), Failure> {
        if !self.is_in_place() {
            self.journal.begun(&told_path(&frame.lit));
        }
        entry.status = match frame_output::change(&redone.mask) {
            Change::None => FrameStatus::NothingToRemove,
            Change::Some => FrameStatus::Cleaned,
        };
        let how = How {
            mask_depth: self.plan.mask_depth,
            quality: self.plan.quality,
            existing: frame.existing,
        };
        let finished = Finished {
            merged: redone.merged,
            mask: redone.mask,
            extras: redone.extras,
        };
        let lost =
            frame_output::write(&frame.lit, facts, finished, target, how).map_err(Failure::from)?;
        let all = frame.target.as_ref().unwrap_or(target);
        entry.merged = Some(told_name(&target.merged));
        entry.mask = Some(told_name(&target.mask));
        let layers = all.layers.iter();
        entry.layers = layers
            .map(|(layer, path)| (name_of(layer), told_name(path)))
            .collect();
        entry.redo_data = redo_data_name(target);
        let inputs = entry.hashes.remove(INPUTS);
        entry.hashes = frame_output::hashes(&frame.lit, all);
        entry
            .hashes
            .extend(inputs.map(|inputs| (INPUTS.to_owned(), inputs)));
        entry.error = None;
        entry.warnings = lost.iter().map(ToString::to_string).collect();
        Ok(())
    }

    /// What was changed of a frame: as typed, else what was edited in the report's folder.
    fn changes(&self, entry: &FrameEntry) -> Result<Changes, Failure> {
        let corrections = self
            .corrections
            .iter()
            .filter(|c| c.frames.is_empty() || c.frames.iter().any(|name| is_named(entry, name)));
        let mut changes = Changes {
            mask: self.mask.clone(),
            openraster: self.openraster.clone(),
            corrections: corrections.cloned().collect(),
        };
        if changes.mask.is_none() && changes.openraster.is_none() {
            let edited = |what: &str, name: Option<&String>| {
                let path = meant_output(&self.folder, name?);
                let was = entry.hashes.get(what)?;
                let is = content_hash(&path).ok()?;
                (*was != is).then_some(path)
            };
            let layer = name_of(&LayerChoice::Openraster);
            changes.mask = edited("mask", entry.mask.as_ref());
            changes.openraster = edited(&layer, entry.layers.get(&layer));
            if changes.mask.is_some() && changes.openraster.is_some() {
                return Err(RedoError::TwoChanges(entry.lit.clone()).into());
            }
        }
        let gone = entry
            .redo_data
            .as_ref()
            .is_none_or(|name| !meant_output(&self.folder, name).exists());
        if gone && changes.mask.is_none() && changes.openraster.is_none() {
            // Cleaning anew does not know what was painted before: the mask in the folder does.
            let mask = entry.mask.as_ref();
            let mask = mask.map(|name| meant_output(&self.folder, name));
            changes.mask = mask.filter(|path| path.exists());
        }
        Ok(changes)
    }
}
