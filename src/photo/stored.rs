//! What a file holds before it is turned upright, and what it may ask for.

use img_parts::Bytes;

use super::exif_block::{self, ExifFacts};
use super::{Metadata, PhotoErrorKind, PhotoWarning};
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

/// Bytes in a megabyte, pixels in a megapixel.
pub(super) const MEGA: u64 = 1_000_000;

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
