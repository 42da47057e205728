//! What is done so far, so that a run that was cut short can go on where it stopped.
//!
//! While a run works, a line for each frame begun and each frame finished goes into a file beside
//! the report; the report takes its place at the end. A frame counts as finished when the contents
//! of everything its result depends on, the settings and the version of derig are what they were, and
//! its outputs are as they were written.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use serde::{Deserialize, Serialize};

use super::plan::Target;
use super::run_report::{FrameEntry, FrameStatus, RunReport};

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
        let text = std::fs::read(report).ok();
        let told = text.and_then(|text| serde_json::from_slice::<RunReport>(&text).ok());
        for entry in told.into_iter().flat_map(|report| report.frames) {
            earlier.reported.insert(entry.lit.clone());
            earlier.finished.insert(entry.lit.clone(), entry);
        }
        let Ok(file) = File::open(path_beside(report)) else {
            return earlier;
        };
        earlier.cut_short = true;
        for line in BufReader::new(file).lines().map_while(Result::ok) {
            match serde_json::from_str(&line) {
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

/// The journal of the run at work.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    /// None where it cannot be written: the run works, and cannot be resumed.
    file: Mutex<Option<File>>,
}

impl Journal {
    /// Goes on with the journal beside a report, or begins one.
    pub(super) fn beside(report: &Path) -> Self {
        let path = path_beside(report);
        let file = OpenOptions::new().create(true).append(true).open(&path);
        Self {
            path,
            file: Mutex::new(file.ok()),
        }
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
        if let Ok(mut file) = self.file.lock()
            && let Some(open) = &mut *file
            // A line begins on a line of its own, even after one that was torn.
            && open.write_all(&text).is_err()
        {
            *file = None;
        }
    }

    /// The report is written: the journal has done its work.
    pub(super) fn done(self) {
        let _ = std::fs::remove_file(&self.path);
    }
}
