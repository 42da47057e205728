//! From files and folders to set-ups, each with its plate.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::args::CleanArgs;
use super::choices::PlanForm;
use super::exit_status::ExitStatus;
use super::file_identity::FileIdentity;
use super::frame_entry::shown;
use super::limits;
use super::messages::{Failure, Messages};
use super::plan_line::{PlanLine, read_plan, table};
use crate::photo::{self, Format};
use crate::shoot::{Look, PlateSought, sort};

/// Frames decoded at once: each fills the memory with its samples.
const DECODED_AT_ONCE: usize = 2;

/// A shoot sorted into set-ups.
#[derive(Debug)]
pub(super) struct Shoot {
    pub(super) set_ups: Vec<PlanLine>,
    /// What was told of frames that no plate was found for, or that cannot be read.
    pub(super) left_out: usize,
}

/// A set-up whose plate is not clear.
#[derive(Debug, thiserror::Error)]
enum Unclear {
    #[error("which is the plate of {frames}? {why}; it could be {candidates}")]
    Ambiguous {
        frames: String,
        why: &'static str,
        candidates: String,
    },
    #[error("there is no plate for `{0}`: no other frame shows the same view")]
    Alone(String),
}

#[derive(Debug, thiserror::Error)]
pub(super) enum InputError {
    #[error("cannot read the folder `{}`", .0.display())]
    Folder(PathBuf, #[source] std::io::Error),
    #[error("there is no picture in the folder `{}`", .0.display())]
    Empty(PathBuf),
    #[error("there is no file `{}`", .0.display())]
    Missing(PathBuf),
}

impl From<InputError> for Failure {
    fn from(error: InputError) -> Self {
        let hint = match &error {
            InputError::Missing(_) => "check the path",
            InputError::Folder(..) | InputError::Empty(_) => {
                "name a folder of JPEG, PNG or TIFF files; folders in it are not looked into"
            }
        };
        Self {
            error: Box::new(error),
            hint: Some(hint.to_owned()),
            status: ExitStatus::WrongUsage,
        }
    }
}

/// Files as named, and the pictures of folders in order of their names; the plates named apart are
/// left out.
///
/// # Errors
/// [`Failure`] when a folder cannot be read or has no picture.
pub(super) fn expanded(named: &[PathBuf], plates: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let plates: Vec<_> = plates.iter().filter_map(|p| FileIdentity::of(p)).collect();
    let mut files = Vec::new();
    for path in named {
        if !path.exists() {
            return Err(InputError::Missing(path.clone()).into());
        }
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let mut found = pictures_in(path)?;
        found.retain(|file| {
            let identity = FileIdentity::of(file);
            !identity.is_some_and(|id| plates.iter().any(|plate| plate.is_same_file(&id)))
        });
        files.append(&mut found);
    }
    Ok(files)
}

/// Pictures of a folder in order of their names.
pub(super) fn pictures_in(folder: &Path) -> Result<Vec<PathBuf>, InputError> {
    let failed = |e| InputError::Folder(folder.to_owned(), e);
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let hidden = path
            .file_name()
            .is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        let formats = [Format::Jpeg, Format::Png, Format::Tiff];
        if !hidden && path.is_file() && formats.iter().any(|f| f.is_named_by(&path)) {
            found.push(path);
        }
    }
    if found.is_empty() {
        return Err(InputError::Empty(folder.to_owned()));
    }
    found.sort();
    Ok(found)
}

/// The set-ups that a command line means: as its plan says, or one with the plates named, or as
/// they are found.
///
/// # Errors
/// [`Failure`] when files or plan cannot be read.
pub(super) fn set_ups(typed: &CleanArgs, messages: &Messages) -> Result<Shoot, Failure> {
    if let Some(plan) = &typed.plan {
        return Ok(Shoot {
            set_ups: read_plan(plan, typed.set_up)?,
            left_out: 0,
        });
    }
    let files = expanded(&typed.lit, &typed.plates)?;
    if !typed.plates.is_empty() {
        let reason = "as named".to_owned();
        return Ok(Shoot {
            set_ups: vec![PlanLine::new(1, typed.plates.clone(), files, reason)],
            left_out: 0,
        });
    }
    Ok(found(&files, messages))
}

fn found(files: &[PathBuf], messages: &Messages) -> Shoot {
    messages.line(&format!(
        "looking at {} frames for set-ups and plates",
        files.len()
    ));
    let mut looks = Vec::with_capacity(files.len());
    let mut looked_at = Vec::with_capacity(files.len());
    let mut left_out = 0;
    for few in files.chunks(DECODED_AT_ONCE) {
        let seen: Vec<_> = few
            .par_iter()
            .map(|path| photo::read(path, &limits::in_force()).map(|photo| Look::of(&photo)))
            .collect();
        for (path, look) in few.iter().zip(seen) {
            match look {
                Ok(look) => {
                    looks.push(look);
                    looked_at.push(path.clone());
                }
                Err(error) => {
                    messages.error(&error, error.hint());
                    left_out += 1;
                }
            }
        }
    }
    let mut set_ups = Vec::new();
    for (members, sought) in sort(&looks) {
        let paths = |of: &[usize]| of.iter().map(|&i| looked_at[i].clone()).collect::<Vec<_>>();
        match sought {
            PlateSought::Found { plates, reason } => {
                let lit: Vec<usize> = members
                    .iter()
                    .copied()
                    .filter(|m| !plates.contains(m))
                    .collect();
                let number = set_ups.len() + 1;
                let line = PlanLine::new(number, paths(&plates), paths(&lit), reason.to_string());
                messages.line(&format!(
                    "set-up {number}: {} lit frames, plate `{}`: {}",
                    line.lit.len(),
                    shown(&line.plates[0]),
                    line.reason
                ));
                set_ups.push(line);
            }
            PlateSought::Ambiguous { candidates, why } => {
                left_out += members.len();
                let error = Unclear::Ambiguous {
                    frames: listed(&paths(&members)),
                    why,
                    candidates: listed(&paths(&candidates)),
                };
                messages.error(
                    &error,
                    Some("clean these frames by themselves and name it with `--plate`"),
                );
            }
            PlateSought::Alone => {
                left_out += 1;
                let error = Unclear::Alone(shown(&looked_at[members[0]]));
                let hint = "shoot one from the same place with the gear out of the picture, or name one with `--plate`";
                messages.error(&error, Some(hint));
            }
        }
    }
    Shoot { set_ups, left_out }
}

/// Prints the plan on standard output.
pub(super) fn print(shoot: &Shoot, form: PlanForm) {
    let text: String = match form {
        PlanForm::Json => {
            let lines = shoot.set_ups.iter().map(|line| line.to_line() + "\n");
            lines.collect()
        }
        PlanForm::Table => table(&shoot.set_ups),
    };
    // A closed pipe is the reader's choice, not a failure.
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
}

fn listed(paths: &[PathBuf]) -> String {
    let names: Vec<_> = paths.iter().map(|p| format!("`{}`", shown(p))).collect();
    names.join(", ")
}
