//! A picture as its file codes it, to be decoded once more.

use std::fmt;

use img_parts::Bytes;

use super::orientation::Orientation;
use super::{ReadLimits, jpeg};
use crate::scene::Samples;

/// The bytes of a JPEG that was decoded: a tenth of its samples or less.
#[derive(Clone)]
pub struct Coded {
    bytes: Bytes,
    orientation: Orientation,
}

impl Coded {
    pub(super) fn new(bytes: Bytes, orientation: Orientation) -> Self {
        Self { bytes, orientation }
    }

    /// The samples, upright, as they were handed over with the [`super::Photo`].
    ///
    /// # Panics
    /// Never: the same bytes were decoded before.
    pub fn samples(&self) -> Samples {
        // What was let in is not turned away the second time.
        let limits = ReadLimits {
            max_bytes: u64::MAX,
            max_pixels: u64::MAX,
            ..ReadLimits::default()
        };
        let samples = jpeg::samples(&self.bytes, &limits);
        let samples = samples.expect("the same bytes were decoded before");
        self.orientation.applied_to(samples)
    }
}

impl fmt::Debug for Coded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Coded")
            .field("bytes", &self.bytes.len())
            .finish_non_exhaustive()
    }
}
