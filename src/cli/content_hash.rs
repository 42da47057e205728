//! Has a file changed since? Told by its contents, not by its date.

use std::io;
use std::path::Path;

use super::limits;
use crate::photo;

/// Hash of a file's contents (BLAKE3, O'Connor, Aumasson, Neves & Wilcox-O'Hearn, 2020), in
/// hexadecimal digits.
///
/// # Errors
/// What reading it fails with.
pub(super) fn content_hash(path: &Path) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(photo::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// The same of a file from outside: one that is too long to be read as a picture is not hashed for minutes
/// first.
///
/// # Errors
/// As [`content_hash`], and [`io::ErrorKind::FileTooLarge`].
pub(super) fn input_hash(path: &Path) -> io::Result<String> {
    if path.metadata()?.len() > limits::in_force().max_file_bytes {
        return Err(io::ErrorKind::FileTooLarge.into());
    }
    content_hash(path)
}

#[cfg(test)]
mod tests {
    /// BLAKE3 test vectors, published with the specification: no input, and the one byte 0.
    #[test]
    fn hashes_are_the_published_ones() {
        let hash = |bytes: &[u8]| blake3::hash(bytes).to_hex().to_string();
        assert!(hash(b"").starts_with("af1349b9f5f9a1a6a0404dea36dcc949"));
        assert!(hash(&[0]).starts_with("2d3adedff11b61f14c886e35afa036736"));
    }
}
