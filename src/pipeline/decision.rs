//! What a clean-up decided: enough to merge the frame again without deciding again.

use serde::{Deserialize, Serialize};

use super::SetUp;
use super::examined::Found;
use crate::region::Regions;
use crate::registration::Registration;
use crate::scene::{Label, Plane};
use crate::sky::Drift;

/// The decisions of one frame's clean-up, in pixels of the working copy.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// Where plate and clouds lie.
    pub lie: Lie,
    /// Open sky of the plate, in lit-frame pixels.
    pub sky: Plane<bool>,
    /// Piece number from 1 a pixel; 0 where nothing changed visibly.
    pub pieces: Plane<u32>,
    /// What each piece was taken for; number `n` is at index `n - 1`.
    pub labels: Vec<Label>,
}

/// Where the plate and its clouds lie under the lit frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lie {
    /// Where the plate lies.
    pub registration: Registration,
    /// Where its clouds lie.
    pub drift: Drift,
    /// Full pixels a working pixel, both ways.
    pub factor: usize,
}

impl SetUp {
    pub(super) fn decision(&self, found: &Found, regions: &Regions, labels: &[Label]) -> Decision {
        Decision {
            lie: Lie {
                registration: found.registration.clone(),
                drift: found.drift,
                factor: self.factor,
            },
            sky: found.sky.mask.clone(),
            pieces: regions.numbers.clone(),
            labels: labels.to_vec(),
        }
    }
}
