//! Formats, told apart by their first bytes.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::PhotoErrorKind;

/// A file format that is read and written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// ITU-T T.81, 8 bits.
    Jpeg,
    /// Portable Network Graphics.
    Png,
    /// TIFF 6.0 or its 64-bit sister.
    Tiff,
}

/// Bytes that are enough to tell a format.
pub(super) const SIGNATURE_BYTES: usize = 16;

impl Format {
    /// The name people use.
    pub fn name(self) -> &'static str {
        match self {
            Self::Jpeg => "JPEG",
            Self::Png => "PNG",
            Self::Tiff => "TIFF",
        }
    }

    /// The usual file name extension.
    pub fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Tiff => "tif",
        }
    }

    /// Does the path's extension say this format?
    pub fn is_named_by(self, path: &Path) -> bool {
        let extension = path.extension().unwrap_or_default().to_ascii_lowercase();
        match self {
            Self::Jpeg => extension == "jpg" || extension == "jpeg" || extension == "jpe",
            Self::Png => extension == "png",
            Self::Tiff => extension == "tif" || extension == "tiff",
        }
    }

    /// The format of a file that begins with `start`.
    ///
    /// # Errors
    /// [`PhotoErrorKind::Empty`] and [`PhotoErrorKind::NotAPicture`].
    pub fn from_content(start: &[u8]) -> Result<Self, PhotoErrorKind> {
        if start.is_empty() {
            Err(PhotoErrorKind::Empty)
        } else if start.starts_with(&[0xff, 0xd8, 0xff]) {
            Ok(Self::Jpeg)
        } else if start.starts_with(b"\x89PNG\r\n\x1a\n") {
            Ok(Self::Png)
        } else if is_tiff(start) {
            Ok(Self::Tiff)
        } else {
            Err(PhotoErrorKind::NotAPicture {
                looks_like: looks_like(start),
            })
        }
    }
}

impl std::fmt::Display for Format {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

/// A raw file of one maker: a TIFF header that leaves room for two letters and a version behind it. A
/// picture's samples may begin with these letters, too, but then no directory does at 16.
const RAW_HEADER: &[u8] = b"II*\0\x10\0\0\0CR\x02";

/// TIFF 6.0 section 2 (42) and its 64-bit sister (43).
fn is_tiff(start: &[u8]) -> bool {
    let header = [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"];
    header.iter().any(|h| start.starts_with(*h)) && !start.starts_with(RAW_HEADER)
}

fn looks_like(start: &[u8]) -> Option<&'static str> {
    let at = |from: usize, bytes: &[u8]| start.get(from..from + bytes.len()) == Some(bytes);
    if at(4, b"ftypcrx") || at(0, RAW_HEADER) || at(0, b"FUJIFILMCCD") || at(0, b"IIU\0") {
        Some("a raw file")
    } else if at(4, b"ftyp") {
        Some("HEIF, AVIF or a film")
    } else if at(0, b"RIFF") && at(8, b"WEBP") {
        Some("WebP")
    } else if at(0, b"GIF8") {
        Some("GIF")
    } else if at(0, b"BM") {
        Some("a bitmap file")
    } else if at(0, b"%PDF") {
        Some("PDF")
    } else if at(0, &[0xff, 0x0a]) || at(4, b"JXL ") {
        Some("JPEG XL")
    } else if at(4, b"jP  ") {
        Some("JPEG 2000")
    } else if start.iter().all(u8::is_ascii) {
        Some("text")
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_are_told_by_their_first_bytes() {
        let of = |bytes: &[u8]| Format::from_content(bytes).ok();
        assert_eq!(of(&[0xff, 0xd8, 0xff, 0xe1]), Some(Format::Jpeg));
        assert_eq!(of(b"\x89PNG\r\n\x1a\n...."), Some(Format::Png));
        assert_eq!(of(b"II*\0\x08\0\0\0"), Some(Format::Tiff));
        assert_eq!(of(b"MM\0+\0\x08\0\0"), Some(Format::Tiff));
        assert_eq!(of(b"II*\0\x10\0\0\0CR\x02\0"), None);
        // Found by fuzzing: samples or values that begin with the letters of a raw file.
        assert_eq!(of(b"II*\0\x3a\0\0\0CR\x02\0"), Some(Format::Tiff));
        assert_eq!(of(b"MM\0*\0\0\0\x08CR\0\x04"), Some(Format::Tiff));
        assert!(matches!(
            Format::from_content(b""),
            Err(PhotoErrorKind::Empty)
        ));
    }

    #[test]
    fn other_content_is_named() {
        let Err(PhotoErrorKind::NotAPicture { looks_like }) =
            Format::from_content(b"\0\0\0\x18ftypheic")
        else {
            panic!("HEIF is not read");
        };
        assert_eq!(looks_like, Some("HEIF, AVIF or a film"));
    }

    #[test]
    fn extensions_count_in_any_case() {
        assert!(Format::Jpeg.is_named_by(Path::new("a/B.JPG")));
        assert!(!Format::Png.is_named_by(Path::new("a.jpg")));
    }
}
