//! What a page is made from, and the pieces of it.

use crate::report::{Box2, HandWork};
use crate::scene::{Encoding, Plane, Samples};

use super::regions::Pieces;

/// A frame at hand: everything upright, at full size.
#[derive(Debug, Clone, Copy)]
pub struct Shown<'a> {
    /// The lit frame.
    pub lit: &'a Samples,
    /// Its encoding, and the merge's.
    pub encoding: &'a Encoding,
    /// The cleaned frame.
    pub merged: &'a Samples,
    /// Share of the plate, 0 keep lit .. 65 535 take plate.
    pub mask: &'a Plane<u16>,
    /// What was decided; without it there are no regions to point at.
    pub pieces: Option<Pieces<'a>>,
}

/// A lit frame and its plate as they were shot, upright, at full size.
#[derive(Debug, Clone, Copy)]
pub struct ShotPair<'a> {
    /// The lit frame.
    pub lit: &'a Samples,
    /// Its encoding.
    pub lit_encoding: &'a Encoding,
    /// The plate, not laid over the lit frame: what a knocked camera did is to be seen.
    pub plate: &'a Samples,
    /// Its encoding.
    pub plate_encoding: &'a Encoding,
}

/// JPEG data, or where it lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Picture {
    /// In memory, to stand in the page itself.
    Here(Vec<u8>),
    /// In a file; the address as the page names it.
    Beside(String),
}

impl Picture {
    /// Bytes in the page: base64 takes four for three.
    pub(super) fn page_bytes(&self) -> usize {
        match self {
            Self::Here(jpeg) => jpeg.len().div_ceil(3) * 4,
            Self::Beside(address) => address.len(),
        }
    }
}

/// A place at 100 %: one pixel of the frame a pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// What is told of it, in pixels at full size.
    pub told: HandWork,
    /// What is shown, in pixels at full size.
    pub cut: Box2,
    /// The lit frame there.
    pub before: Picture,
    /// The cleaned frame there.
    pub after: Picture,
}
