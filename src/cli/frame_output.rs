//! Puts one cleaned frame on the disk: the picture and its mask.

use std::path::Path;

use super::args::MaskDepth;
use super::plan::Target;
use crate::handover::mask_picture;
use crate::photo::{
    self, Existing, Format, Metadata, PhotoError, PhotoErrorKind, PhotoWarning, StoredAs,
};
use crate::pipeline::CleanedFrame;
use crate::scene::Plane;

/// What the writer needs to know of a lit frame once its samples are used up.
#[derive(Debug)]
pub(super) struct LitFacts {
    pub(super) metadata: Metadata,
    pub(super) format: Format,
    pub(super) stored: StoredAs,
}

/// Was anything replaced?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Change {
    None,
    Some,
}

pub(super) fn change(mask: &Plane<u16>) -> Change {
    if mask.as_slice().iter().all(|&share| share == 0) {
        Change::None
    } else {
        Change::Some
    }
}

/// Writes picture and mask; hands back what could not be kept.
///
/// Where nothing was replaced and the format stays, the lit frame's file is copied byte for byte:
/// a JPEG loses nothing by being encoded again.
pub(super) fn write(
    lit: &Path,
    facts: &LitFacts,
    cleaned: CleanedFrame,
    target: &Target,
    (depth, existing): (MaskDepth, Existing),
) -> Result<Vec<PhotoWarning>, PhotoError> {
    let untouched = change(&cleaned.mask) == Change::None;
    let mask = mask_picture(&cleaned.mask, depth.bits());
    let same_file = facts.format == target.format && facts.stored == StoredAs::Upright;
    let warnings = if untouched && same_file {
        let bytes = std::fs::read(lit).map_err(|e| PhotoError {
            path: lit.to_owned(),
            action: "read",
            kind: PhotoErrorKind::Io(e),
        })?;
        photo::store(&target.merged, &bytes, existing)?;
        Vec::new()
    } else {
        let format = target.format;
        photo::write(
            &target.merged,
            cleaned.merged,
            &facts.metadata,
            format,
            existing,
        )?
    };
    photo::write(
        &target.mask,
        mask,
        &Metadata::default(),
        Format::Png,
        existing,
    )?;
    Ok(warnings)
}
