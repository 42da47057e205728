//! A file's bytes to a [`Photo`].

use std::fs::File;
use std::io::{self, Read};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::coded::Coded;
use super::exif_block;
use super::orientation::Orientation;
use super::stored::{MEGA, ReadLimits, Stored};
use super::{Format, Photo, PhotoError, PhotoErrorKind, PhotoWarning, StoredAs};
use super::{colour, jpeg, metadata, png, tiff_read};

/// Reads a picture: samples upright and as decoded, encoding, metadata, camera facts, warnings.
///
/// # Errors
/// [`PhotoError`] when the file cannot be read, is no picture, is damaged or cut short, holds CMYK,
/// floating-point or other samples than 8 and 16 bits, or asks for more than `limits` allow.
pub fn read(path: &Path, limits: &ReadLimits) -> Result<Photo, PhotoError> {
    let named = |kind| PhotoError::reading(path, kind);
    let bytes = file_bytes(path, limits).map_err(named)?;
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

/// Opens a file that is there for everybody who reads it, however often: no pipe, no device.
///
/// # Errors
/// What the system says; [`io::ErrorKind::NotSeekable`] of a pipe or a device.
pub fn open(path: &Path) -> io::Result<File> {
    let metadata = path.metadata()?;
    if metadata.is_file() || metadata.is_dir() {
        return File::open(path);
    }
    let what = "it is a pipe or a device, no file";
    Err(io::Error::new(io::ErrorKind::NotSeekable, what))
}

/// All bytes of a file that is no longer than a picture may be.
///
/// # Errors
/// As [`open`], and [`PhotoErrorKind::Unsupported`] of a longer one.
pub fn file_bytes(path: &Path, limits: &ReadLimits) -> Result<Vec<u8>, PhotoErrorKind> {
    let mut file = open(path)?;
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
