//! The run that is redone: its report, its frames, its files.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::choices::PageChoice;
use super::clean_plan::{CleanPlan, FramePlan, NothingFound};
use super::exit_status::ExitStatus;
use super::frame_entry::{FrameEntry, FrameStatus, shown_name};
use super::journal::Earlier;
use super::messages::Failure;
use super::path_text::{meant_path, told_path};
use super::plan::{REPORT_NAME, frame_plan, page_beside};
use super::run_report::RunReport;
use super::text_files::{MAX_REPORT_BYTES, read_at_most};
use crate::photo::Existing;
use crate::report::REPORT_VERSION;

/// A redo that cannot be.
#[derive(Debug, thiserror::Error)]
pub(super) enum RedoError {
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

/// The one field that says how the others are to be read.
#[derive(serde::Deserialize)]
struct Version {
    report_version: u32,
}

/// Reads a report of this layout.
///
/// # Errors
/// [`Failure`] when it is none.
pub(super) fn read_report(path: &Path) -> Result<RunReport, Failure> {
    let unreadable = |e| RedoError::Unreadable(path.to_owned(), e);
    let bytes = read_at_most(path, MAX_REPORT_BYTES).map_err(unreadable)?;
    let no_report = |e| RedoError::NoReport(path.to_owned(), e);
    let version: Version = serde_json::from_slice(&bytes).map_err(no_report)?;
    if version.report_version != REPORT_VERSION {
        return Err(RedoError::Version(version.report_version).into());
    }
    Ok(serde_json::from_slice(&bytes).map_err(no_report)?)
}

pub(super) fn is_named(entry: &FrameEntry, name: &str) -> bool {
    let file_names = [meant_path(&entry.lit), PathBuf::from(&entry.lit)];
    entry.lit == name || file_names.iter().any(|path| shown_name(path) == name)
}

pub(super) fn index_of(report: &RunReport, name: &str) -> Result<usize, RedoError> {
    let found = report.frames.iter().position(|entry| is_named(entry, name));
    found.ok_or_else(|| RedoError::NoFrame(name.to_owned()))
}

pub(super) fn meant(report: &RunReport, names: &[String]) -> Result<Vec<usize>, RedoError> {
    if names.is_empty() {
        let done = |i: &usize| report.frames[*i].status != FrameStatus::Failed;
        return Ok((0..report.frames.len()).filter(done).collect());
    }
    let indices: Result<BTreeSet<usize>, _> =
        names.iter().map(|name| index_of(report, name)).collect();
    Ok(indices?.into_iter().collect())
}

/// Frames whose pixels typed places are in: those named, or the only one there is.
pub(super) fn named_frames(report: &RunReport, typed: &[String]) -> Vec<String> {
    match (&report.frames[..], typed) {
        ([only], []) => vec![only.lit.clone()],
        _ => typed.to_vec(),
    }
}

/// A file of the run, from here: as it was named, from the folder it was named in, or moved along
/// with the report.
fn found(named: &str, report_path: &Path, report: &RunReport) -> PathBuf {
    let named = meant_path(named);
    let from_run = report.folder.as_ref().map(|f| meant_path(f).join(&named));
    let beside = report_path
        .parent()
        .map(|folder| folder.join(&named))
        .into_iter()
        .chain(
            report_path
                .parent()
                .and_then(Path::parent)
                .map(|folder| folder.join(named.file_name().unwrap_or_default())),
        );
    from_run
        .into_iter()
        .chain([named.clone()])
        .chain(beside)
        .find(|path| path.exists())
        .unwrap_or_else(|| named.clone())
}

/// Where results go.
#[derive(Debug, Clone, Copy)]
pub(super) struct Destination<'a> {
    pub(super) out: &'a Path,
    pub(super) existing: Existing,
    pub(super) page: PageChoice,
    /// What a redo into another folder than the run's left there, perhaps cut short: its outputs are made
    /// anew.
    pub(super) earlier: Option<&'a Earlier>,
}

/// The run's plan again, with outputs for the frames that are meant.
pub(super) fn plan(
    path: &Path,
    report: &RunReport,
    meant: &[usize],
    to: Destination<'_>,
) -> Result<CleanPlan, Failure> {
    let Destination {
        out,
        existing,
        page,
        earlier,
    } = to;
    let was_begun = |lit: &PathBuf| earlier.is_some_and(|e| e.was_begun(&told_path(lit)));
    let settings = report.settings.in_force(out);
    let in_force = settings.map_err(|what| RedoError::Settings(path.to_owned(), what))?;
    let lit: Vec<PathBuf> = report
        .frames
        .iter()
        .map(|entry| found(&entry.lit, path, report))
        .collect();
    let frames = lit
        .iter()
        .map(|lit| FramePlan {
            existing: if was_begun(lit) {
                Existing::Replace
            } else {
                existing
            },
            ..frame_plan(lit, out, &in_force)
        })
        .collect();
    let plan = CleanPlan {
        plates: report
            .plates
            .iter()
            .map(|p| found(p, path, report))
            .collect(),
        plate_hashes: report.plate_hashes.clone(),
        frames,
        report: out.join(REPORT_NAME),
        page: (page == PageChoice::Write).then(|| page_beside(&out.join(REPORT_NAME))),
        mask_depth: in_force.mask_depth.value,
        mask_format: in_force.mask_format.value,
        format: in_force.format.value,
        quality: in_force.quality.value,
        layers: in_force.layers.value.clone(),
        redo_data: in_force.redo_data.value,
        existing: if meant.iter().all(|&index| was_begun(&lit[index])) {
            Existing::Replace
        } else {
            existing
        },
        nothing_found: NothingFound::IsFine,
    };
    // Only what is merged again is written.
    plan.check_outputs(&lit, |index| meant.contains(&index))?;
    plan.make_folders(out)?;
    Ok(plan)
}
