//! Plates and lit frames from disk; a frame ahead of whoever cleans.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, sync_channel};
use std::thread::Scope;
use std::time::Instant;

use super::clean_plan::{CleanPlan, FramePlan};
use super::exit_status::ExitStatus;
use super::limits;
use super::messages::{Failure, Messages};
use super::only_frame;
use super::outcome::hint;
use crate::photo::{self, Photo, PhotoError};
use crate::pipeline::{Frame, OtherPlate, SetUp};

/// A frame as the reader hands it over.
pub(super) struct Read {
    pub(super) photo: Result<Photo, PhotoError>,
    pub(super) seconds: f64,
}

impl Read {
    pub(super) fn from(frame: &FramePlan) -> Self {
        let start = Instant::now();
        let photo = photo::read(&frame.lit, &limits::in_force());
        Self {
            photo,
            seconds: start.elapsed().as_secs_f64(),
        }
    }
}

/// Decodes frames one ahead of whoever receives them.
pub(super) fn read_ahead<'scope>(
    scope: &'scope Scope<'scope, '_>,
    plan: &'scope CleanPlan,
    order: Vec<usize>,
) -> Receiver<Read> {
    let (sender, receiver) = sync_channel(0);
    scope.spawn(move || {
        for index in order {
            let mut read = Read::from(&plan.frames[index]);
            if let Ok(photo) = &mut read.photo
                && !only_frame::is_only(plan)
            {
                photo.coded = None;
            }
            if sender.send(read).is_err() {
                break;
            }
        }
    });
    receiver
}

/// The plates, read and prepared.
///
/// # Errors
/// [`Failure`] when one cannot be read, or they differ in size.
pub(super) fn set_up(paths: &[PathBuf], messages: &Messages) -> Result<SetUp, Failure> {
    of_plates(read_plates(paths, messages)?, paths, messages)
}

pub(super) fn read_plates(paths: &[PathBuf], messages: &Messages) -> Result<Vec<Photo>, Failure> {
    let mut plates = Vec::with_capacity(paths.len());
    for path in paths {
        let plate = photo::read(path, &limits::in_force()).map_err(Failure::from)?;
        for warning in &plate.warnings {
            messages.warning(&format!("`{}`: {warning}", path.display()));
        }
        plates.push(plate);
    }
    Ok(plates)
}

/// One plate of those read from `paths`; says what each but the first was good for.
pub(super) fn of_plates(
    photos: Vec<Photo>,
    paths: &[PathBuf],
    messages: &Messages,
) -> Result<SetUp, Failure> {
    let plates = photos.into_iter().map(|plate| Frame {
        samples: plate.samples,
        encoding: plate.encoding,
    });
    let set_up = SetUp::new(plates.collect()).map_err(|e| Failure {
        hint: Some(hint(&e).to_owned()),
        error: Box::new(e),
        status: ExitStatus::WrongUsage,
    })?;
    let others = paths.iter().skip(1).zip(set_up.other_plates());
    for (path, became) in others {
        let (first, other) = (paths[0].display(), path.display());
        match became {
            OtherPlate::Gave(share) => messages.line(&format!(
                "`{other}`: {:.1} % of `{first}` is taken from it, where something stands in that one alone",
                100.0 * share
            )),
            OtherPlate::LeftOut(error) => messages.warning(&format!(
                "`{other}` is left out beside `{first}`: {error}"
            )),
        }
    }
    Ok(set_up)
}
