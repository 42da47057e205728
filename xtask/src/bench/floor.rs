//! What reading and writing the files costs by itself.

use std::error::Error;
use std::path::{Path, PathBuf};

use derig::photo::{self, Existing, ReadLimits};

/// Decodes the plate and every lit frame and encodes each lit frame again, one after the other,
/// with the codecs, settings and tables that `derig clean` uses: the floor under its cost.
///
/// # Errors
/// When a file cannot be read or written.
pub fn run(plate: &Path, lit: &[PathBuf], out: &Path) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(out)?;
    let plate = photo::read(plate, &ReadLimits::default())?;
    for path in lit {
        let photo = photo::read(path, &ReadLimits::default())?;
        let target = out.join(path.file_name().ok_or("a lit frame without a name")?);
        let (format, replace) = (photo.format, Existing::Replace);
        photo::write(&target, photo.samples, &photo.metadata, format, replace)?;
    }
    drop(plate);
    Ok(())
}
