//! `derig redo`: merges the frames of a run again from what a person changed.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Instant;

use super::args::LayerChoice;
use super::clean::{self, redo_data_name};
use super::content_hash::content_hash;
use super::corrections::{self, Asked};
use super::exit_status::ExitStatus;
use super::frame_output::{self, Change, Finished, How, LitFacts};
use super::messages::{Failure, Messages};
use super::plan::{CleanPlan, NothingFound, REPORT_NAME, frame_plan};
use super::progress::Progress;
use super::redo_args::RedoArgs;
use super::redo_frame::{Changes, LazySetUp, RedoFrame, Redone};
use super::run_report::{ErrorEntry, FrameEntry, FrameStatus, RunReport, shown_name};
use super::settings::name_of;
use crate::photo::{self, Existing, ReadLimits};
use crate::pipeline::{Frame, Told};
use crate::report::REPORT_VERSION;

/// Longest report that is read, bytes: far more than ten thousand frames need.
const MAX_REPORT_BYTES: u64 = 4 << 30;

/// A redo that cannot be.
#[derive(Debug, thiserror::Error)]
enum RedoError {
    #[error("cannot read the report `{}`", .0.display())]
    Unreadable(PathBuf, #[source] std::io::Error),
    #[error("`{}` is no report of derig", .0.display())]
    NoReport(PathBuf, #[source] serde_json::Error),
    #[error("the report `{}` has settings that are not known: {}", .0.display(), .1)]
    Settings(PathBuf, String),
    #[error("the report has layout {0}, and {REPORT_VERSION} is read")]
    Version(u32),
    #[error("the report has no frame `{0}`")]
    NoFrame(String),
    #[error("a painted file belongs to one frame, and {0} are meant")]
    WhichFrame(usize),
    #[error("both the mask and the `.ora` file of `{0}` were edited")]
    TwoChanges(String),
    #[error("`{0}` is not what it was when it was cleaned")]
    OtherLit(String),
}

impl RedoError {
    fn hint(&self) -> &'static str {
        match self {
            Self::Unreadable(..) | Self::NoReport(..) => {
                "name the `report.json` in the output folder of `derig clean`"
            }
            Self::Settings(..) | Self::Version(_) => {
                "use the version of derig that wrote it, or clean the frames again"
            }
            Self::NoFrame(_) => "name a lit frame as the report does, or by its file name",
            Self::WhichFrame(_) => "name the frame with `--frame`",
            Self::TwoChanges(_) => "say which counts with `--frame` and `--mask` or `--openraster`",
            Self::OtherLit(_) => "put the file back, or clean it again",
        }
    }
}

impl From<RedoError> for Failure {
    fn from(error: RedoError) -> Self {
        Self {
            hint: Some(error.hint().to_owned()),
            error: Box::new(error),
            status: ExitStatus::WrongUsage,
        }
    }
}

/// Merges again and writes results and report.
///
/// # Errors
/// [`Failure`] when nothing can be done; a single frame that fails is told and passed over.
pub(super) fn run(typed: &RedoArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    let job = Job::from_args(typed)?;
    let progress = Progress::new(messages, job.meant.len());
    let set_up = LazySetUp::new(&job.plan, messages);
    let mut report = job.report.clone();
    let mut worst = ExitStatus::AllDone;
    let mut done = 0;
    for &index in &job.meant {
        match job.redone(index, &set_up) {
            Ok((entry, warnings)) => {
                for warning in warnings {
                    messages.warning(&format!("`{}`: {warning}", entry.lit));
                }
                progress.handed_over(&entry);
                report.frames[index] = entry;
                done += 1;
            }
            Err(failure) => {
                messages.failure(&failure);
                progress.step();
                worst = failure.status;
                if job.out != job.folder {
                    let error = ErrorEntry::new(&*failure.error, failure.hint.as_deref());
                    report.frames[index] = clean::failed_entry(&job.plan.frames[index], error);
                }
            }
        }
    }
    progress.finish();
    if done == 0 && worst != ExitStatus::AllDone {
        return Ok(worst);
    }
    if job.out != job.folder {
        let meant: BTreeSet<usize> = job.meant.iter().copied().collect();
        let mut at = 0..;
        report
            .frames
            .retain(|_| meant.contains(&at.next().unwrap_or(usize::MAX)));
    }
    clean::write_report(&job.plan, &report)?;
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
}

impl Job {
    fn from_args(typed: &RedoArgs) -> Result<Self, Failure> {
        let report = read_report(&typed.report)?;
        let folder = match typed.report.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let meant = meant(&report, &typed.frames)?;
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
        let plan = plan(&typed.report, &report, &meant, (&out, existing))?;
        Ok(Self {
            report,
            folder,
            out,
            plan,
            meant,
            mask: typed.mask.clone(),
            openraster: typed.openraster.clone(),
            corrections,
        })
    }

    fn redone(
        &self,
        index: usize,
        set_up: &LazySetUp<'_>,
    ) -> Result<(FrameEntry, Vec<String>), Failure> {
        let (entry, frame) = (&self.report.frames[index], &self.plan.frames[index]);
        let target = match &frame.target {
            Ok(target) => target,
            // Reading it says why, in the usual words.
            Err(_) => {
                let unreadable = photo::read(&frame.lit, &ReadLimits::default());
                return Err(clean::file_failure(unreadable.map(drop).err().expect(
                    "a frame whose headers cannot be read cannot be read either",
                )));
            }
        };
        let start = Instant::now();
        let changes = self.changes(entry)?;
        let hash = content_hash(&frame.lit).ok();
        if entry
            .hashes
            .get("lit")
            .is_some_and(|was| hash.as_ref() != Some(was))
        {
            return Err(RedoError::OtherLit(entry.lit.clone()).into());
        }
        let photo = photo::read(&frame.lit, &ReadLimits::default()).map_err(clean::file_failure)?;
        let lit = Frame {
            samples: photo.samples,
            encoding: photo.encoding,
        };
        let read_seconds = start.elapsed().as_secs_f64();
        let mut target = target.clone();
        if self.out == self.folder && changes.openraster.is_some() {
            // What a person made of it stays as it is.
            target.layers.retain(|(l, _)| *l != LayerChoice::Openraster);
        }
        let choices: Vec<LayerChoice> = target.layers.iter().map(|(l, _)| *l).collect();
        let wanted = clean::wanted(&choices, self.plan.redo_data);
        let redone = RedoFrame {
            index,
            path: &frame.lit,
            lit: &lit,
            set_up,
            kept: entry.redo_data.as_ref().map(|name| self.folder.join(name)),
            mask_bits: self.plan.mask_depth.bits(),
            wanted: &wanted,
        }
        .redone(&changes)?;
        let Redone {
            merged,
            mask,
            extras,
            warnings,
        } = redone;
        let merge_seconds = start.elapsed().as_secs_f64() - read_seconds;
        let mut report = entry.report.clone();
        if let Some(report) = &mut report {
            let replaced = mask.as_slice().iter().filter(|&&m| m > 0).count();
            report.replaced_share = replaced as f64 / mask.size().area() as f64;
            report.seconds = BTreeMap::from([("merge".to_owned(), merge_seconds)]);
        }
        let status = match frame_output::change(&mask) {
            Change::None => FrameStatus::NothingToRemove,
            Change::Some => FrameStatus::Cleaned,
        };
        let facts = LitFacts {
            metadata: photo.metadata,
            format: photo.format,
            stored: photo.stored,
            encoding: lit.encoding,
            samples: (!target.layers.is_empty()).then_some(lit.samples),
        };
        let how = How {
            mask_depth: self.plan.mask_depth,
            quality: self.plan.quality,
            existing: self.plan.existing,
        };
        let finished = Finished {
            merged,
            mask,
            extras,
        };
        let lost = frame_output::write(&frame.lit, facts, finished, &target, how)
            .map_err(clean::file_failure)?;
        let full_target = frame.target.as_ref().unwrap_or(&target);
        let write_seconds = start.elapsed().as_secs_f64() - read_seconds - merge_seconds;
        let entry = FrameEntry {
            merged: Some(shown_name(&target.merged)),
            mask: Some(shown_name(&target.mask)),
            layers: full_target
                .layers
                .iter()
                .map(|(layer, path)| (name_of(layer), shown_name(path)))
                .collect(),
            redo_data: redo_data_name(&target),
            hashes: frame_output::hashes(&frame.lit, full_target),
            taken_back: entry
                .taken_back
                .iter()
                .cloned()
                .chain(changes.words())
                .collect(),
            status,
            error: None,
            warnings: lost.iter().map(ToString::to_string).collect(),
            file_seconds: BTreeMap::from([
                ("read".to_owned(), read_seconds),
                ("write".to_owned(), write_seconds),
            ]),
            report,
            ..entry.clone()
        };
        Ok((entry, warnings))
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
                let path = self.folder.join(name?);
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
            .is_none_or(|name| !self.folder.join(name).exists());
        if gone && changes.mask.is_none() && changes.openraster.is_none() {
            // Cleaning anew does not know what was painted before: the mask in the folder does.
            let mask = entry.mask.as_ref().map(|name| self.folder.join(name));
            changes.mask = mask.filter(|path| path.exists());
        }
        Ok(changes)
    }
}

fn read_report(path: &Path) -> Result<RunReport, Failure> {
    let unreadable = |e| RedoError::Unreadable(path.to_owned(), e);
    let length = path.metadata().map_err(unreadable)?.len();
    if length > MAX_REPORT_BYTES {
        let e = std::io::Error::other("it is far longer than a report");
        return Err(unreadable(e).into());
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    #[derive(serde::Deserialize)]
    struct Version {
        report_version: u32,
    }
    let no_report = |e| RedoError::NoReport(path.to_owned(), e);
    let version: Version = serde_json::from_slice(&bytes).map_err(no_report)?;
    if version.report_version != REPORT_VERSION {
        return Err(RedoError::Version(version.report_version).into());
    }
    Ok(serde_json::from_slice(&bytes).map_err(no_report)?)
}

fn is_named(entry: &FrameEntry, name: &str) -> bool {
    entry.lit == name || shown_name(Path::new(&entry.lit)) == name
}

fn index_of(report: &RunReport, name: &str) -> Result<usize, RedoError> {
    let found = report.frames.iter().position(|entry| is_named(entry, name));
    found.ok_or_else(|| RedoError::NoFrame(name.to_owned()))
}

fn meant(report: &RunReport, names: &[String]) -> Result<Vec<usize>, RedoError> {
    if names.is_empty() {
        let done = |i: &usize| report.frames[*i].status != FrameStatus::Failed;
        return Ok((0..report.frames.len()).filter(done).collect());
    }
    let indices: Result<BTreeSet<usize>, _> =
        names.iter().map(|name| index_of(report, name)).collect();
    Ok(indices?.into_iter().collect())
}

/// Frames whose pixels typed places are in: those named, or the only one there is.
fn named_frames(report: &RunReport, typed: &[String]) -> Vec<String> {
    match (&report.frames[..], typed) {
        ([only], []) => vec![only.lit.clone()],
        _ => typed.to_vec(),
    }
}

/// A file of the run, from here: as it was named, from the folder it was named in, or moved along
/// with the report.
fn found(named: &str, report_path: &Path, report: &RunReport) -> PathBuf {
    let from_run = report.folder.as_ref().map(|f| Path::new(f).join(named));
    let beside = report_path
        .parent()
        .map(|folder| folder.join(named))
        .into_iter()
        .chain(
            report_path
                .parent()
                .and_then(Path::parent)
                .map(|folder| folder.join(Path::new(named).file_name().unwrap_or_default())),
        );
    from_run
        .into_iter()
        .chain([PathBuf::from(named)])
        .chain(beside)
        .find(|path| path.exists())
        .unwrap_or_else(|| named.into())
}

/// The run's plan again, with outputs for the frames that are meant.
fn plan(
    path: &Path,
    report: &RunReport,
    meant: &[usize],
    (out, existing): (&Path, Existing),
) -> Result<CleanPlan, Failure> {
    let settings = report.settings.in_force(out);
    let in_force = settings.map_err(|what| RedoError::Settings(path.to_owned(), what))?;
    let lit: Vec<PathBuf> = report
        .frames
        .iter()
        .map(|entry| found(&entry.lit, path, report))
        .collect();
    let frames = lit
        .iter()
        .map(|lit| frame_plan(lit, out, &in_force))
        .collect();
    let plan = CleanPlan {
        plates: report
            .plates
            .iter()
            .map(|p| found(p, path, report))
            .collect(),
        frames,
        report: out.join(REPORT_NAME),
        mask_depth: in_force.mask_depth.value,
        mask_format: in_force.mask_format.value,
        format: in_force.format.value,
        quality: in_force.quality.value,
        layers: in_force.layers.value.clone(),
        redo_data: in_force.redo_data.value,
        existing,
        nothing_found: NothingFound::IsFine,
    };
    // Only what is merged again is written.
    plan.check_outputs(&lit, |index| meant.contains(&index))?;
    plan.make_folders(out)?;
    Ok(plan)
}
