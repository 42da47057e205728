//! `derig join`: the reports of set-ups that were cleaned one by one, as one.

use std::path::PathBuf;

use super::args::JoinArgs;
use super::clean_plan::NothingFound;
use super::exit_status::ExitStatus;
use super::messages::{Failure, Messages};
use super::redo_run::read_report;
use super::text_files::never_over_a_picture;
use crate::photo::{self, Existing};

#[derive(Debug, thiserror::Error)]
#[error("`{}` was made with other settings, or by another version of derig, than `{}`", .0.display(), .1.display())]
struct NotAlike(PathBuf, PathBuf);

/// Joins reports into one.
///
/// # Errors
/// [`Failure`] when one is none, or they do not go together.
pub(super) fn run(typed: &JoinArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    never_over_a_picture(&typed.out)?;
    let first = &typed.reports[0];
    let mut joined = read_report(first)?;
    for path in &typed.reports[1..] {
        let other = read_report(path)?;
        joined = joined.joined(other).ok_or_else(|| Failure {
            error: Box::new(NotAlike(path.clone(), first.clone())),
            hint: Some("join reports of runs with the same settings".to_owned()),
            status: ExitStatus::WrongUsage,
        })?;
    }
    let existing = if typed.overwrite {
        Existing::Replace
    } else {
        Existing::Keep
    };
    let mut text = serde_json::to_vec_pretty(&joined).expect("a report has string keys only");
    text.push(b'\n');
    photo::store(&typed.out, &text, existing).map_err(Failure::from)?;
    messages.line(&format!(
        "{} reports, {} frames: {}; report in `{}`",
        typed.reports.len(),
        joined.frames.len(),
        joined.summary(),
        typed.out.display()
    ));
    Ok(joined.exit_status(NothingFound::IsFine))
}
