//! What is done so far, so that a run that was cut short can go on where it stopped.
//!
//! While a run works, a line for each frame begun and each frame finished goes into a file beside
//! the report; the report takes its place at the end. A frame counts as finished when the contents
//! of everything its result depends on, the settings and the version of derig are what they were, and
//! its outputs are as they were written.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use serde::{Deserialize, Serialize};

use super::clean_plan::Target;
use super::frame_entry::{FrameEntry, FrameStatus};
use super::plan_error::PlanError;
use super::run_report::{RunReport, Settings};
use super::text_files::{MAX_REPORT_BYTES, read_at_most};

/// Behind the report's name.
const SUFFIX: &str = ".unfinished";
/// In an entry's hashes: everything that a frame's result depends on.
pub(super) const INPUTS: &str = "inputs";
/// Names of files that are being written.
const PART_PREFIX: &str = ".derig-";
const PART_SUFFIX: &str = ".part";

/// A line of the journal.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Line {
    /// The outputs of this lit frame may be there in part.
    Begun(String),
    /// This frame is done.
    Finished(Box<FrameEntry>),
}

/// What earlier runs left.
#[derive(Debug, Default)]
pub(super) struct Earlier {
    finished: BTreeMap<String, FrameEntry>,
    begun: BTreeSet<String>,
    /// Lit frames that the report tells of.
    pub(super) reported: BTreeSet<String>,
    /// Was a run cut short?
    pub(super) cut_short: bool,
    /// Settings of a run that handed over some frames and not all, or not all as they were.
    incomplete: Option<Settings>,
}

fn path_beside(report: &Path) -> PathBuf {
    let mut name = report.file_name().unwrap_or_default().to_owned();
    name.push(SUFFIX);
    report.with_file_name(name)
}

impl Earlier {
    /// Reads report and journal; what is no report of this layout, or a line torn by a crash, says
    /// nothing.
    pub(super) fn read(report: &Path) -> Self {
        let mut earlier = Self::default();
        let text = read_at_most(report, MAX_REPORT_BYTES).ok();
        let told = text.and_then(|text| serde_json::from_slice::<RunReport>(&text).ok());
        let is_incomplete = |report: &&RunReport| {
            let mut frames = report.frames.iter();
            // A frame that was changed while it was cleaned has no hash of what it was made of.
            frames.any(|e| e.status == FrameStatus::Failed || !e.hashes.contains_key(INPUTS))
        };
        let incomplete = told.as_ref().filter(is_incomplete);
        earlier.incomplete = incomplete.map(|report| report.settings.clone());
        for entry in told.into_iter().flat_map(|report| report.frames) {
            earlier.reported.insert(entry.lit.clone());
            earlier.finished.insert(entry.lit.clone(), entry);
        }
        let Ok(file) = File::open(path_beside(report)) else {
            return earlier;
        };
        earlier.cut_short = true;
        for line in BufReader::new(file).split(b'\n').map_while(Result::ok) {
            match serde_json::from_slice(&line) {
                Ok(Line::Begun(lit)) => {
                    earlier.begun.insert(lit);
                }
                Ok(Line::Finished(entry)) => {
                    earlier.finished.insert(entry.lit.clone(), *entry);
                }
                Err(_) => {}
            }
        }
        earlier
    }

    /// The entry of a frame that need not be done again.
    pub(super) fn finished(&self, lit: &str, inputs: &str, target: &Target) -> Option<FrameEntry> {
        let entry = self.finished.get(lit)?;
        let is_same = entry.hashes.get(INPUTS).is_some_and(|was| was == inputs);
        let done = entry.status != FrameStatus::Failed && is_same;
        (done && super::frame_output::are_as_written(target, &entry.hashes)).then(|| entry.clone())
    }

    /// Were outputs of the frame being written when a run was cut short?
    pub(super) fn was_begun(&self, lit: &str) -> bool {
        self.begun.contains(lit)
    }

    /// May a frame's outputs be made anew? Those of a run that was not completed may, by the same settings,
    /// as long as they are what derig wrote: what the run failed at may be mended now, and evidence of
    /// what stands still comes from all frames.
    pub(super) fn may_be_completed(&self, lit: &str, settings: &Settings, target: &Target) -> bool {
        let entry = self.finished.get(lit);
        self.incomplete.as_ref() == Some(settings)
            && entry.is_some_and(|e| super::frame_output::are_as_written(target, &e.hashes))
    }

    /// Entries of frames that are done and in the report, and lit frames whose outputs may be there
    /// all the same: begun, or finished by a run that was killed before its report.
    pub(super) fn into_parts(self) -> (BTreeMap<String, FrameEntry>, BTreeSet<String>) {
        let (mut finished, mut begun) = (self.finished, self.begun);
        finished.retain(|lit, _| {
            let is_reported = self.reported.contains(lit);
            if !is_reported {
                begun.insert(lit.clone());
            }
            is_reported
        });
        (finished, begun)
    }

    /// Takes away what a run that was cut short left half-written in a folder.
    pub(super) fn clear_parts(&self, folder: &Path) {
        if !self.cut_short {
            return;
        }
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        for entry in entries {
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if name.starts_with(PART_PREFIX) && name.ends_with(PART_SUFFIX) {
                // What cannot be taken away does no harm.
                let _ = std::fs::remove_file(entry.path());
            }
        }
    }
}

/// The journal of the run at work. While it is open no other run can write the same report.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    /// None where it cannot be made: the run works, and cannot be resumed.
    file: Option<File>,
    state: Mutex<State>,
    /// Some frame's outputs are there in part.
    left: AtomicBool,
}

/// Can lines still be added?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Good,
    /// The disk took no more.
    Torn,
}

impl Journal {
    /// Goes on with the journal beside a report, or begins one.
    ///
    /// # Errors
    /// When another run that writes this report is at work.
    pub(super) fn beside(report: &Path) -> Result<Self, PlanError> {
        let path = path_beside(report);
        let file = OpenOptions::new().create(true).append(true).open(&path);
        if let Ok(file) = &file
            // Disks without locks are for careful people.
            && matches!(file.try_lock(), Err(TryLockError::WouldBlock))
        {
            return Err(PlanError::Busy(report.to_owned()));
        }
        if let Ok(mut file) = file.as_ref()
            && file.metadata().is_ok_and(|m| m.len() > 0)
        {
            // The last line of a run that was killed may be torn; an empty one says nothing.
            let _ = file.write_all(b"\n");
        }
        Ok(Self {
            path,
            file: file.ok(),
            state: Mutex::new(State::Good),
            left: AtomicBool::new(false),
        })
    }

    pub(super) fn begun(&self, lit: &str) {
        self.put(&Line::Begun(lit.to_owned()));
    }

    pub(super) fn finished(&self, entry: &FrameEntry) {
        self.put(&Line::Finished(Box::new(entry.clone())));
    }

    fn put(&self, line: &Line) {
        let mut text = serde_json::to_vec(line).expect("an entry has string keys only");
        text.push(b'\n');
        if let Ok(mut state) = self.state.lock()
            && *state == State::Good
            && let Some(mut file) = self.file.as_ref()
            && file.write_all(&text).is_err()
        {
            *state = State::Torn;
        }
    }

    /// A frame could not be handed over: some of its outputs may be there.
    pub(super) fn left_in_part(&self) {
        self.left.store(true, Ordering::Relaxed);
    }

    /// The report is written: the journal has done its work, unless it tells of frames that are there
    /// in part, which the next run makes whole.
    pub(super) fn done(&self) {
        if !self.left.load(Ordering::Relaxed) {
            let _ = std::fs::remove_file(&self.path);
        }
    }

    /// Nothing was done: what earlier runs wrote stays.
    pub(super) fn unused(&self) {
        let length = self.file.as_ref().and_then(|file| file.metadata().ok());
        if length.is_some_and(|m| m.len() == 0) {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}
