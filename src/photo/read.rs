//! A file's bytes to a [`Photo`].

use std::fs::File;
use std::io::Read;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use img_parts::Bytes;

use super::coded::Coded;
use super::exif_block::{self, ExifFacts};
use super::orientation::Orientation;
use super::{Format, Metadata, Photo, PhotoError, PhotoErrorKind, PhotoWarning, StoredAs};
use super::{colour, jpeg, metadata, png, tiff_read};
use crate::scene::{Samples, Size};

/// What a file may ask for before it is turned away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadLimits {
    /// Most pixels.
    pub max_pixels: u64,
    /// Most bytes of decoded samples.
    pub max_bytes: u64,
    /// Most bytes of the file itself.
    pub max_file_bytes: u64,
}

impl Default for ReadLimits {
    /// 300 megapixels is twice the largest single-shot sensor on sale; 3 GB holds that at 16 bits
    /// RGBA; a file is hardly ever larger than its decoded samples.
    fn default() -> Self {
        Self {
            max_pixels: 300_000_000,
            max_bytes: 3_000_000_000,
            max_file_bytes: 3_000_000_000,
        }
    }
}

const MEGA: u64 = 1_000_000;

impl ReadLimits {
    pub(super) fn check(
        &self,
        size: Size,
        channels: usize,
        bits: usize,
    ) -> Result<(), PhotoErrorKind> {
        let pixels = size.columns as u64 * size.rows as u64;
        let bytes = pixels.saturating_mul((channels * bits / 8) as u64);
        if pixels == 0 {
            Err(PhotoErrorKind::NoPixels(size))
        } else if pixels > self.max_pixels {
            Err(PhotoErrorKind::TooLarge {
                size,
                max_megapixels: self.max_pixels / MEGA,
            })
        } else if bytes > self.max_bytes {
            Err(PhotoErrorKind::TooMuchMemory {
                size,
                needed_mb: bytes / MEGA,
                max_mb: self.max_bytes / MEGA,
            })
        } else {
            Ok(())
        }
    }
}

/// What the formats' own readers hand over, before it is turned upright.
pub(super) struct Stored {
    pub(super) samples: Samples,
    pub(super) metadata: Metadata,
    pub(super) facts: ExifFacts,
    pub(super) warnings: Vec<PhotoWarning>,
    /// The file's bytes, where they are worth keeping.
    pub(super) coded: Option<Bytes>,
}

/// Reads a picture: samples upright and as decoded, encoding, metadata, camera facts, warnings.
///
/// # Errors
/// [`PhotoError`] when the file cannot be read, is no picture, is damaged or cut short, holds CMYK,
/// floating-point or other samples than 8 and 16 bits, or asks for more than `limits` allow.
pub fn read(path: &Path, limits: &ReadLimits) -> Result<Photo, PhotoError> {
    let named = |kind| PhotoError::reading(path, kind);
    let bytes = bytes_of(path, limits).map_err(named)?;
    let mut photo = guarded(|| read_bytes(bytes, limits)).map_err(named)?;
    if !photo.format.is_named_by(path) {
        photo
            .warnings
            .push(PhotoWarning::OtherThanNamed(photo.format));
    }
    Ok(photo)
}

/// A decoder that breaks down over a file fails for that file, and not for those beside it.
pub(super) fn guarded<T>(
    decode: impl FnOnce() -> Result<T, PhotoErrorKind>,
) -> Result<T, PhotoErrorKind> {
    // Nothing outlives the decoding but its result.
    let decoded = catch_unwind(AssertUnwindSafe(decode));
    decoded.unwrap_or(Err(PhotoErrorKind::DecoderBrokeDown))
}

fn bytes_of(path: &Path, limits: &ReadLimits) -> Result<Vec<u8>, PhotoErrorKind> {
    let mut file = File::open(path)?;
    let length = file.metadata()?.len();
    if length > limits.max_file_bytes {
        let what = format!("{} MB, more than a picture needs", length / MEGA);
        return Err(PhotoErrorKind::Unsupported { what });
    }
    let mut bytes = Vec::with_capacity(length as usize);
    (&mut file)
        .take(limits.max_file_bytes)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// As [`read`], from a file's bytes.
///
/// # Errors
/// As [`read`], without a path.
pub fn read_bytes(bytes: Vec<u8>, limits: &ReadLimits) -> Result<Photo, PhotoErrorKind> {
    let format = Format::from_content(&bytes)?;
    let stored = match format {
        Format::Jpeg => jpeg::read(bytes, limits)?,
        Format::Png => png::read(bytes, limits)?,
        Format::Tiff => tiff_read::read(bytes, limits)?,
    };
    Ok(upright(format, stored))
}

fn upright(format: Format, stored: Stored) -> Photo {
    let Stored {
        samples,
        mut metadata,
        facts,
        mut warnings,
        coded,
    } = stored;
    let orientation = Orientation::from_exif(facts.orientation);
    let samples = orientation.applied_to(samples);
    if let Some(exif) = &mut metadata.exif {
        exif_block::make_upright(exif, samples.size);
    }
    if !orientation.is_upright()
        && let Some(xmp) = &mut metadata.xmp
    {
        metadata::make_xmp_upright(xmp);
    }
    if orientation.swaps_sides() {
        metadata.resolution = metadata.resolution.map(super::Resolution::transposed);
    }
    let codes = 1usize << samples.bits();
    let (encoding, warning) = colour::encoding(metadata.icc.as_deref(), samples.layout, codes);
    warnings.extend(warning);
    Photo {
        samples,
        encoding,
        metadata,
        format,
        camera: facts.camera,
        picture: facts.picture,
        stored: if orientation.is_upright() {
            StoredAs::Upright
        } else {
            StoredAs::Turned
        },
        warnings,
        coded: coded.map(|bytes| Coded::new(bytes, orientation)),
    }
}

/// Facts of an EXIF block; `None` with a warning when it does not parse.
pub(super) fn exif_facts(
    block: &mut Option<Vec<u8>>,
    warnings: &mut Vec<PhotoWarning>,
) -> ExifFacts {
    let upright = ExifFacts {
        orientation: 1,
        ..ExifFacts::default()
    };
    let Some(bytes) = block.as_ref() else {
        return upright;
    };
    if let Some(exif) = exif_block::parsed(bytes.clone()) {
        exif_block::facts(&exif)
    } else {
        warnings.push(PhotoWarning::UnreadableExif);
        *block = None;
        upright
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decoder_that_breaks_down_is_an_error_of_its_file() {
        let sums = [u8::MAX];
        let broken = guarded(|| Ok::<u8, _>(sums[sums.len()]));
        assert!(matches!(broken, Err(PhotoErrorKind::DecoderBrokeDown)));
        assert!(guarded(|| Ok(1)).is_ok());
    }
}
