//! Do the files of a run fit together? Each there, none given twice, all of one size and camera.

use std::path::{Path, PathBuf};

use super::exit_status::ExitStatus;
use super::file_identity::FileIdentity;
use super::messages::Failure;
use super::plan_error::PlanError;
use crate::photo::{self, Probe};

pub(super) fn check_inputs(lit: &[PathBuf], plates: &[PathBuf]) -> Result<(), PlanError> {
    let identified = |paths: &[PathBuf]| -> Result<Vec<(PathBuf, FileIdentity)>, PlanError> {
        paths
            .iter()
            .map(|path| {
                let found = FileIdentity::of(path);
                found
                    .map(|id| (path.clone(), id))
                    .ok_or_else(|| PlanError::Missing(path.clone()))
            })
            .collect()
    };
    let (lit, plates) = (identified(lit)?, identified(plates)?);
    if let Some((a, b)) = same_pair(&plates) {
        return Err(PlanError::PlateTwice(a, b));
    }
    for (path, id) in &lit {
        if plates.iter().any(|(_, plate)| plate.is_same_file(id)) {
            return Err(PlanError::LitIsPlate(path.clone()));
        }
    }
    match same_pair(&lit) {
        Some((a, b)) => Err(PlanError::LitTwice(a, b)),
        None => Ok(()),
    }
}

fn same_pair(files: &[(PathBuf, FileIdentity)]) -> Option<(PathBuf, PathBuf)> {
    files.iter().enumerate().find_map(|(i, (path, id))| {
        let twin = files[..i]
            .iter()
            .find(|(_, other)| other.is_same_file(id))?;
        Some((twin.0.clone(), path.clone()))
    })
}

/// The first plate's probe, once all plates are readable and alike.
pub(super) fn probe_plates(plates: &[PathBuf]) -> Result<Probe, Failure> {
    let mut first: Option<Probe> = None;
    for path in plates {
        let probe = photo::probe(path).map_err(|e| Failure {
            hint: e.hint().map(ToOwned::to_owned),
            error: Box::new(e),
            status: ExitStatus::SomeFailed,
        })?;
        match &first {
            Some(reference) => check_match(path, &probe, &plates[0], reference)?,
            None => first = Some(probe),
        }
    }
    Ok(first.expect("clap asks for one plate at least"))
}

pub(super) fn check_match(
    path: &Path,
    found: &Probe,
    plate: &Path,
    reference: &Probe,
) -> Result<(), PlanError> {
    let (path, plate) = (path.to_owned(), plate.to_owned());
    if found.size != reference.size {
        return Err(PlanError::OtherSize {
            path,
            size: found.size,
            plate,
            plate_size: reference.size,
        });
    }
    match (&found.camera, &reference.camera) {
        (Some(camera), Some(plate_camera)) if camera != plate_camera => {
            Err(PlanError::OtherCamera {
                path,
                camera: camera.clone(),
                plate,
                plate_camera: plate_camera.clone(),
            })
        }
        _ => Ok(()),
    }
}
