//! Texts that are read are of a text's length; texts that are written go over older ones, never over a
//! picture.

use std::fs::File;
use std::io::{self, Read as _};
use std::path::Path;

use super::plan_error::PlanError;

/// Longest report or plan that is read, bytes: a frame takes some 50 kB of it.
pub(super) const MAX_REPORT_BYTES: u64 = 1 << 30;
/// Enough to tell text from what cameras and editors write.
const LOOKED_AT_BYTES: u64 = 4096;

/// A text's bytes, whatever the file says of its length: a device tells none and never ends.
///
/// # Errors
/// What reading fails with, [`io::ErrorKind::FileTooLarge`] beyond `most` bytes, and
/// [`io::ErrorKind::InvalidData`] of what begins as no text does.
pub(super) fn read_at_most(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut file = File::open(path)?.take(most + 1);
    (&mut file).take(LOOKED_AT_BYTES).read_to_end(&mut bytes)?;
    if !is_text(&bytes) {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "it is no text"));
    }
    file.read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        let what = format!("it goes on for more than {most} bytes");
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, what));
    }
    Ok(bytes)
}

/// Turns away a place for a text where something else lies, whatever `--overwrite` says: a picture may be
/// the only one there is.
///
/// # Errors
/// [`PlanError::NoText`].
pub(super) fn never_over_a_picture(path: &Path) -> Result<(), PlanError> {
    let mut start = Vec::new();
    // What is not there, or no file, is told when it is written.
    let read = File::open(path).and_then(|f| f.take(LOOKED_AT_BYTES).read_to_end(&mut start));
    if read.is_ok() && !is_text(&start) {
        return Err(PlanError::NoText(path.to_owned()));
    }
    Ok(())
}

/// UTF-8 without zeros; the last character may be cut.
fn is_text(start: &[u8]) -> bool {
    let whole = match std::str::from_utf8(start) {
        Ok(_) => true,
        Err(error) => error.error_len().is_none(),
    };
    whole && !start.contains(&0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_of_the_longest_length_is_read_and_no_longer_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("text");
        std::fs::write(&path, "12345").unwrap();
        assert_eq!(read_at_most(&path, 5).unwrap(), b"12345");
        let error = read_at_most(&path, 4).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::FileTooLarge);
        std::fs::write(&path, [b'{', 0, b'}']).unwrap();
        let error = read_at_most(&path, 5).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::InvalidData);
    }

    #[test]
    fn text_may_be_cut_within_a_character() {
        let text = "\u{fc}ber den Steg".as_bytes();
        assert!(is_text(b"") && is_text(text) && is_text(&text[..1]));
        for no_text in [
            &[0xff, 0xd8, 0xff, 0xe0][..],
            b"\x89PNG\r\n\x1a\n",
            b"II*\0\x08\0\0\0",
            b"PK\x03\x04\x14\0",
            b"\0\0\0\x18ftyp",
        ] {
            assert!(!is_text(no_text), "{no_text:?}");
        }
    }
}
