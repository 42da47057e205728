//! Samples and metadata to a file, written beside its place and then moved there.

use std::fs::File;
use std::io::{BufWriter, Seek, Write};
use std::path::Path;

use super::unfinished::Unfinished;
use super::{Format, Metadata, PhotoError, PhotoErrorKind, PhotoWarning, jpeg, png, tiff_write};
use crate::scene::Samples;

/// May a file that stands there already be replaced?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// No: fail.
    Keep,
    /// Yes.
    Replace,
}

/// Bytes collected before they go to the disk.
const BUFFER_BYTES: usize = 1 << 20;

/// Writes a picture as `format`; hands back what could not be kept.
///
/// Takes the samples, so that no second copy is needed. The file appears whole or not at all.
///
/// # Errors
/// [`PhotoError`] when the folder cannot be written, something is there and is to be kept, or the
/// format cannot hold the picture.
pub fn write(
    path: &Path,
    samples: Samples,
    metadata: &Metadata,
    format: Format,
    existing: Existing,
) -> Result<Vec<PhotoWarning>, PhotoError> {
    into_place(path, existing, |file| {
        encode(file, samples, metadata, format)
    })
    .map_err(|kind| PhotoError::writing(path, kind))
}

/// Writes bytes as they are, in the same careful way.
///
/// # Errors
/// As [`write`], formats aside.
pub fn store(path: &Path, bytes: &[u8], existing: Existing) -> Result<(), PhotoError> {
    into_place(path, existing, |file| Ok(file.write_all(bytes)?))
        .map_err(|kind| PhotoError::writing(path, kind))
}

/// Writes whatever `contents` puts into the stream, in the same careful way.
///
/// # Errors
/// As [`store`], and what `contents` fails with.
pub fn fill<T>(
    path: &Path,
    existing: Existing,
    contents: impl FnOnce(&mut BufWriter<&File>) -> Result<T, PhotoErrorKind>,
) -> Result<T, PhotoError> {
    into_place(path, existing, contents).map_err(|kind| PhotoError::writing(path, kind))
}

/// Encodes a picture into a stream; hands back what could not be kept.
///
/// # Errors
/// As [`write`], without a path.
pub fn encode(
    out: &mut (impl Write + Seek),
    samples: Samples,
    metadata: &Metadata,
    format: Format,
) -> Result<Vec<PhotoWarning>, PhotoErrorKind> {
    match format {
        Format::Jpeg => jpeg::write(out, samples, metadata),
        Format::Png => png::write(out, samples, metadata),
        Format::Tiff => tiff_write::write(out, &samples, metadata),
    }
}

fn into_place<T>(
    path: &Path,
    existing: Existing,
    fill: impl FnOnce(&mut BufWriter<&File>) -> Result<T, PhotoErrorKind>,
) -> Result<T, PhotoErrorKind> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let unfinished = Unfinished::in_folder(folder)?;
    let mut buffered = BufWriter::with_capacity(BUFFER_BYTES, unfinished.as_file());
    let filled = fill(&mut buffered)?;
    buffered.flush()?;
    drop(buffered);
    let placed = unfinished.into_place(path, existing);
    placed.map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => PhotoErrorKind::Exists,
        _ => PhotoErrorKind::Io(error),
    })?;
    Ok(filled)
}
