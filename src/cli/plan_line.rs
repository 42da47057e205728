//! A plan as JSON lines: a set-up a line, each for any scheduler to run by itself.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::exit_status::ExitStatus;
use super::frame_entry::shown;
use super::messages::Failure;
use super::text_files::MAX_REPORT_BYTES;

/// One set-up: its files as they were named.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PlanLine {
    /// Number in the plan, from 1.
    pub(super) set_up: usize,
    /// Name of the set-up, for its report: the plate's.
    pub(super) name: String,
    #[serde(with = "super::path_text::list")]
    pub(super) plates: Vec<PathBuf>,
    #[serde(with = "super::path_text::list")]
    pub(super) lit: Vec<PathBuf>,
    /// Why the plate is the plate.
    pub(super) reason: String,
    /// Folder that relative paths start from.
    #[serde(with = "super::path_text::one")]
    pub(super) folder: PathBuf,
}

#[derive(Debug, thiserror::Error)]
enum PlanLineError {
    #[error("cannot read the plan `{}`", .0.display())]
    Unreadable(PathBuf, #[source] std::io::Error),
    #[error("`{}`, line {}, is no set-up", .0.display(), .1)]
    Broken(PathBuf, usize, #[source] serde_json::Error),
    #[error("the plan `{}` has no set-up {}", .0.display(), .1)]
    NoSuch(PathBuf, usize),
}

impl From<PlanLineError> for Failure {
    fn from(error: PlanLineError) -> Self {
        let hint = match &error {
            PlanLineError::Unreadable(..) => {
                "check the path given to `--plan`; `-` reads standard input"
            }
            PlanLineError::Broken(..) => "write the plan with `derig clean ... --dry-run=json`",
            PlanLineError::NoSuch(..) => "set-ups count from 1, one a line",
        };
        Self {
            error: Box::new(error),
            hint: Some(hint.to_owned()),
            status: ExitStatus::WrongUsage,
        }
    }
}

impl PlanLine {
    /// A set-up named after its first plate.
    pub(super) fn new(
        set_up: usize,
        plates: Vec<PathBuf>,
        lit: Vec<PathBuf>,
        reason: String,
    ) -> Self {
        let stem = plates
            .first()
            .and_then(|p| p.file_stem())
            .unwrap_or_default();
        Self {
            set_up,
            name: stem.to_string_lossy().into_owned(),
            plates,
            lit,
            reason,
            folder: std::env::current_dir().unwrap_or_default(),
        }
    }

    /// As a line of a plan.
    pub(super) fn to_line(&self) -> String {
        let text = serde_json::to_string(self);
        // Where paths are no bytes, some cannot be written down in JSON.
        text.unwrap_or_else(|_| format!("# set-up {}: a name is no Unicode", self.set_up))
    }

    /// From here: paths as they were named, or from the folder they were named in.
    fn seen_from_here(mut self) -> Self {
        for path in self.plates.iter_mut().chain(&mut self.lit) {
            let there = self.folder.join(&*path);
            if !path.exists() && there.exists() {
                *path = there;
            }
        }
        self
    }
}

/// Reads a plan; `number` picks one set-up.
///
/// # Errors
/// [`Failure`] when a line is none of a plan's.
pub(super) fn read_plan(path: &Path, number: Option<usize>) -> Result<Vec<PlanLine>, Failure> {
    let unreadable = |e| PlanLineError::Unreadable(path.to_owned(), e);
    let source: Box<dyn Read> = if path == Path::new("-") {
        Box::new(std::io::stdin())
    } else {
        Box::new(std::fs::File::open(path).map_err(unreadable)?)
    };
    // A plan tells less of each frame than a report does.
    let source = source.take(MAX_REPORT_BYTES);
    let mut lines = Vec::new();
    for (at, line) in BufReader::new(source).lines().enumerate() {
        let line = line.map_err(unreadable)?;
        if line.trim().is_empty() {
            continue;
        }
        let line: PlanLine = serde_json::from_str(&line)
            .map_err(|e| PlanLineError::Broken(path.to_owned(), at + 1, e))?;
        lines.push(line.seen_from_here());
    }
    if let Some(number) = number {
        lines.retain(|line| line.set_up == number);
        if lines.is_empty() {
            return Err(PlanLineError::NoSuch(path.to_owned(), number).into());
        }
    }
    Ok(lines)
}

/// The plan as a table for people.
pub(super) fn table(lines: &[PlanLine]) -> String {
    let names = |paths: &[PathBuf]| {
        let shown: Vec<_> = paths.iter().map(|p| shown(p)).collect();
        shown.join(", ")
    };
    let mut text = String::new();
    for line in lines {
        let (plates, lit) = (names(&line.plates), names(&line.lit));
        let (number, reason) = (line.set_up, &line.reason);
        // Writing into a `String` cannot fail.
        let _ = writeln!(
            text,
            "set-up {number}\n  plate  {plates}\n  why    {reason}\n  lit    {lit}"
        );
    }
    text
}
