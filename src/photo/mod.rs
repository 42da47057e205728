//! Pixels in, pixels out: the only place that knows about file formats.
//!
//! [`read`] hands over a picture's original samples, upright, bit-exact as decoded, with what they
//! stand for (its [`Encoding`]) and what travels with them ([`Metadata`]); [`write`] puts samples
//! and metadata into a file again. JPEG, PNG and TIFF; 8 and 16 bits a sample; grey and RGB, both
//! with or without alpha. Files are told apart by content, never by name.
//!
//! Memory: reading holds the file's bytes and the decoded samples; 24 MP RGB take 72 MB at 8 bits
//! and 144 MB at 16.
//!
//! Standards: JPEG ITU-T T.81 | ISO/IEC 10918-1, JFIF 1.02; PNG 3rd edition (W3C 2025); TIFF 6.0;
//! EXIF 2.32 (CIPA DC-008); ICC.1:2022; XMP ISO 16684-1.

mod coded;
mod colour;
mod content;
mod error;
mod exif_block;
mod jpeg;
mod jpeg_coding;
mod jpeg_strips;
mod metadata;
mod orientation;
mod png;
mod png_rows;
mod probe;
mod read;
mod samples;
mod screen;
mod stored;
mod tiff_read;
mod tiff_texts;
mod tiff_write;
mod unfinished;
mod write;

pub use coded::Coded;
pub use content::Format;
pub use error::{PhotoError, PhotoErrorKind, PhotoWarning};
pub use exif_block::{CameraFacts, PictureSettings};
pub use metadata::{FormatSpecific, Metadata, Resolution, ResolutionUnit};
pub use png_rows::{RowsOf, write_png_rows};
pub use probe::{Probe, probe};
pub use read::{file_bytes, open, read, read_bytes};
pub use screen::{screen_copy, screen_jpeg};
pub use stored::ReadLimits;
pub use unfinished::give_up_unfinished;
pub use write::{Existing, encode, fill, store, write};

use crate::scene::{Encoding, Samples};

/// How the pixels lie in the file itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StoredAs {
    /// As they are looked at.
    Upright,
    /// Turned or mirrored, with an EXIF orientation that says so.
    Turned,
}

/// A picture file in memory.
#[derive(Debug, Clone)]
pub struct Photo {
    /// Original samples, upright.
    pub samples: Samples,
    /// How the samples stand for light.
    pub encoding: Encoding,
    /// What travels with the pixels and goes back into the output.
    pub metadata: Metadata,
    /// Format by content.
    pub format: Format,
    /// What the camera wrote about the exposure.
    pub camera: CameraFacts,
    /// How the camera was set to make a picture of it.
    pub picture: PictureSettings,
    /// Did the file's pixels stand upright already?
    pub stored: StoredAs,
    /// What the user should know.
    pub warnings: Vec<PhotoWarning>,
    /// The file's own coding, where that is small beside the samples (JPEG): for whoever lets go of
    /// them meanwhile.
    pub coded: Option<Coded>,
}
