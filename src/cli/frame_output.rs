//! Puts one cleaned frame on the disk: the picture, its mask, and layers for an editor.

use std::collections::BTreeMap;
use std::io::Cursor;
use std::path::Path;

use super::choices::{LayerChoice, MaskDepth};
use super::clean_plan::Target;
use super::content_hash::{content_hash, input_hash};
use super::limits;
use super::settings::name_of;
use crate::handover::{self, Parts, mask_picture, write_mask_png};
use crate::photo::{
    self, Existing, Format, Metadata, PhotoError, PhotoErrorKind, PhotoWarning, Resolution,
    StoredAs, screen_copy,
};
use crate::pipeline::Extras;
use crate::report::overlay;
use crate::scene::{Encoding, Plane, Samples};

/// What the writer needs to know of a lit frame.
#[derive(Debug)]
pub(super) struct LitFacts {
    pub(super) metadata: Metadata,
    pub(super) format: Format,
    pub(super) stored: StoredAs,
    pub(super) encoding: Encoding,
    /// Kept for layers only.
    pub(super) samples: Option<Samples>,
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

/// Share of the frame's pixels that were replaced, 0..1.
pub(super) fn taken_share(mask: &Plane<u16>) -> f64 {
    let taken = mask.as_slice().iter().filter(|&&share| share > 0).count();
    taken as f64 / mask.size().area().max(1) as f64
}

/// A frame's pictures.
#[derive(Debug)]
pub(super) struct Finished {
    pub(super) merged: Samples,
    pub(super) mask: Plane<u16>,
    pub(super) extras: Extras,
}

/// How outputs are written.
#[derive(Debug, Clone, Copy)]
pub(super) struct How {
    pub(super) mask_depth: MaskDepth,
    pub(super) quality: Option<u8>,
    pub(super) existing: Existing,
}

/// Writes layers, picture and mask; hands back what could not be kept.
///
/// Where nothing was replaced and the format stays, the lit frame's file is copied byte for byte:
/// a JPEG loses nothing by being encoded again. Where that file is no longer what was read, what was
/// read is written.
pub(super) fn write(
    lit: &Path,
    facts: LitFacts,
    cleaned: Finished,
    target: &Target,
    how: How,
) -> Result<Vec<PhotoWarning>, PhotoError> {
    let mut warnings = write_layers(&facts, &cleaned, target, how.existing)?;
    if let (Some(path), Some(decision)) = (&target.redo_data, &cleaned.extras.decision) {
        photo::fill(path, how.existing, |out| {
            handover::write_kept(out, &cleaned.merged, &cleaned.mask, decision)
        })?;
    }
    let resolution = facts.metadata.resolution;
    let untouched = change(&cleaned.mask) == Change::None;
    let same_file = facts.format == target.format && facts.stored == StoredAs::Upright;
    let Finished { merged, mask, .. } = cleaned;
    let write_picture = || {
        let as_it_is = (untouched && same_file).then(|| bytes_of(lit, &merged));
        if let Some(bytes) = as_it_is.flatten() {
            photo::store(&target.merged, &bytes, how.existing).map(|()| Vec::new())
        } else {
            let (format, mut metadata) = (target.format, facts.metadata);
            if let Some(quality) = how.quality {
                metadata = metadata.with_jpeg_quality(quality);
            }
            photo::write(&target.merged, merged, &metadata, format, how.existing)
        }
    };
    // Encoded while the picture is written, but put in its place only where there is a picture.
    let bits = how.mask_depth.bits();
    let (lost, bytes) = rayon::join(write_picture, || {
        encoded_mask(mask, (target.mask_format, bits), resolution)
    });
    warnings.extend(lost?);
    let bytes = bytes.map_err(|kind| PhotoError {
        path: target.mask.clone(),
        action: "write",
        kind,
    })?;
    photo::store(&target.mask, &bytes, how.existing)?;
    Ok(warnings)
}

fn encoded_mask(
    mask: Plane<u16>,
    (format, bits): (Format, u8),
    resolution: Option<Resolution>,
) -> Result<Vec<u8>, PhotoErrorKind> {
    if format == Format::Png {
        let mut bytes = Vec::new();
        return write_mask_png(&mut bytes, &mask, bits, resolution).map(|()| bytes);
    }
    let mask = mask_picture(mask, bits);
    let metadata = Metadata {
        resolution,
        ..Metadata::default()
    };
    let mut bytes = Cursor::new(Vec::new());
    photo::encode(&mut bytes, mask, &metadata, format).map(|_| bytes.into_inner())
}

/// The lit frame's file, where it still holds the samples that were looked at: somebody may have replaced
/// it, or taken its card out, since.
fn bytes_of(lit: &Path, samples: &Samples) -> Option<Vec<u8>> {
    let bytes = photo::file_bytes(lit, &limits::in_force()).ok()?;
    let again = photo::read_bytes(bytes.clone(), &limits::in_force()).ok()?;
    (again.samples == *samples).then_some(bytes)
}

/// Hashes of a frame's files by what they are; what cannot be read is left out.
pub(super) fn hashes(lit: &Path, target: &Target) -> BTreeMap<String, String> {
    let own = input_hash(lit).map(|hash| ("lit".to_owned(), hash));
    let outputs = outputs(target).filter_map(|(what, path)| Some((what, content_hash(path).ok()?)));
    own.into_iter().chain(outputs).collect()
}

/// Are all of a frame's outputs there, with the contents that the report tells?
pub(super) fn are_as_written(target: &Target, told: &BTreeMap<String, String>) -> bool {
    outputs(target).all(|(what, path)| {
        let was = told.get(&what);
        was.is_some() && content_hash(path).ok().as_ref() == was
    })
}

/// A frame's outputs by what they are.
fn outputs(target: &Target) -> impl Iterator<Item = (String, &Path)> {
    let layers = target.layers.iter();
    let layers = layers.map(|(l, path)| (name_of(l), path.as_path()));
    let kept = target.redo_data.iter();
    let kept = kept.map(|path| (REDO_DATA.to_owned(), path.as_path()));
    let pictures = [("merged", &target.merged), ("mask", &target.mask)];
    pictures
        .map(|(what, path)| (what.to_owned(), path.as_path()))
        .into_iter()
        .chain(layers)
        .chain(kept)
}

/// What merging again needs, in the report.
const REDO_DATA: &str = "redo-data";

/// The layers asked for; what of them could not be kept.
fn write_layers(
    facts: &LitFacts,
    cleaned: &Finished,
    target: &Target,
    existing: Existing,
) -> Result<Vec<PhotoWarning>, PhotoError> {
    let mut warnings = Vec::new();
    let Some(samples) = &facts.samples else {
        return Ok(warnings);
    };
    let parts = Parts {
        lit: samples,
        merged: &cleaned.merged,
        mask: &cleaned.mask,
        aligned_plate: cleaned.extras.aligned_plate.as_ref(),
        // The patch's colour is worked back out of the merge: laid over the lit frame by an editor,
        // which mixes code values and not light, it shows the merge all the same.
        relit_plate: None,
    };
    let frame = Layered {
        parts,
        extras: &cleaned.extras,
        facts,
        existing,
    };
    for (layer, path) in &target.layers {
        warnings.extend(frame.write(*layer, path)?);
    }
    Ok(warnings)
}

/// A frame taken apart.
struct Layered<'a> {
    parts: Parts<'a>,
    extras: &'a Extras,
    facts: &'a LitFacts,
    existing: Existing,
}

impl Layered<'_> {
    fn write(&self, layer: LayerChoice, path: &Path) -> Result<Vec<PhotoWarning>, PhotoError> {
        const ASKED: &str = "the plan asks for what its layers are made of";
        let Self { parts, extras, .. } = self;
        match layer {
            LayerChoice::AlignedPlate => {
                self.picture(path, extras.aligned_plate.clone().expect(ASKED))
            }
            LayerChoice::RelitPlate => self.picture(path, extras.relit_plate.clone().expect(ASKED)),
            LayerChoice::Patch => self.picture(path, handover::patch(parts)),
            LayerChoice::Labelled => {
                let encoding = &self.facts.encoding;
                let backdrop = screen_copy(parts.lit, encoding, parts.size().long_side());
                let labels = extras.labels.as_ref().expect(ASKED);
                let drawn = overlay(&backdrop, labels, parts.mask);
                let colours = Metadata::default().colours_only();
                photo::write(path, drawn, &colours, Format::Png, self.existing)
            }
            LayerChoice::Openraster => photo::fill(path, self.existing, |out| {
                handover::write(out, parts, &self.facts.metadata, &self.facts.encoding)
            }),
        }
    }

    fn picture(&self, path: &Path, samples: Samples) -> Result<Vec<PhotoWarning>, PhotoError> {
        let format = if Format::Tiff.is_named_by(path) {
            Format::Tiff
        } else {
            Format::Png
        };
        let colours = self.facts.metadata.colours_only();
        photo::write(path, samples, &colours, format, self.existing)
    }
}
