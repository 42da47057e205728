//! The one place that knows the order of the stages.

use crate::report::FrameReport;
use crate::scene::{Encoding, Plane, Samples};

/// A decoded frame: original samples and how they stand for light.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Original samples, upright.
    pub samples: Samples,
    /// Their encoding.
    pub encoding: Encoding,
}

/// One lit frame after the clean-up.
#[derive(Debug, Clone)]
pub struct CleanedFrame {
    /// The merged picture in the lit frame's layout, depth and encoding.
    pub merged: Samples,
    /// Share of the plate in the merge, 0 keep lit .. 65 535 take plate, at full size.
    pub mask: Plane<u16>,
    /// What happened.
    pub report: FrameReport,
}

/// Why a frame could not be cleaned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CleanError {
    /// Lit frame and plate have different extents.
    #[error("the lit frame is {lit}, the plate {plate}")]
    SizeMismatch {
        /// Extent of the lit frame.
        lit: crate::scene::Size,
        /// Extent of the plate.
        plate: crate::scene::Size,
    },
    /// Too little agrees: another scene, or the tripod went too far.
    #[error("does not line up with the plate: {tiles} places agree, {needed} needed")]
    NotAligned {
        /// Tiles that agree.
        tiles: usize,
        /// Tiles needed.
        needed: usize,
    },
    /// Every sample equals the plate's.
    #[error("is the same picture as the plate")]
    SamePicture,
}

/// Told about the progress of a frame.
pub trait Observer: Sync {
    /// A stage begins.
    fn stage(&self, _name: &'static str) {}
}

/// An observer that does not care.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Observer for Silent {}

/// One tripod set-up: its plates, and what has been seen of its lit frames.
#[derive(Debug)]
pub struct SetUp {
    plates: Vec<Frame>,
}

impl SetUp {
    /// From one plate or more; the plates' own work (small copies, features) is done here, once.
    ///
    /// # Errors
    /// [`CleanError::SizeMismatch`] when the plates differ in extent.
    pub fn new(plates: Vec<Frame>) -> Result<Self, CleanError> {
        Ok(Self { plates })
    }

    /// Which of `count` lit frames should be shown to [`SetUp::observe`] before the first is
    /// cleaned: a handful spread over the batch, so that memory does not grow with the batch.
    pub fn frames_to_observe(count: usize) -> Vec<usize> {
        (0..count.min(5)).collect()
    }

    /// Takes a small copy of a lit frame as evidence of what stands still from pose to pose.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn observe(&mut self, _index: usize, _lit: &Frame) -> Result<(), CleanError> {
        Ok(())
    }

    /// Cleans one lit frame; `index` is its number in the batch, as told to [`SetUp::observe`].
    ///
    /// # Errors
    /// [`CleanError`] when the frame cannot be matched with any plate.
    pub fn clean(
        &self,
        _index: usize,
        lit: &Frame,
        _observer: &dyn Observer,
    ) -> Result<CleanedFrame, CleanError> {
        let _ = &self.plates;
        let _ = lit;
        todo!("under construction")
    }
}
