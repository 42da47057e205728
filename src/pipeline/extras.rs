//! What is handed over of a frame beside merge and mask, worked out only when asked for.

use super::Decision;
use crate::scene::{Label, Plane, Samples};

/// Something to hand over beside merge and mask.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Extra {
    /// The plate under the registration, its own light kept.
    AlignedPlate,
    /// The aligned plate in the lit frame's light.
    RelitPlate,
    /// What each pixel was taken for.
    Labels,
    /// What merging again needs.
    Decision,
}

/// What was asked for; `None` for the rest.
#[derive(Debug, Clone, Default)]
pub struct Extras {
    /// The plate laid over the lit frame at full size: the lit frame's colours, depth and
    /// encoding, no alpha; black where the plate does not reach.
    pub aligned_plate: Option<Samples>,
    /// The same in the lit frame's light: what the mask lets through.
    pub relit_plate: Option<Samples>,
    /// Class a pixel of the working copy; open sky where nothing else is.
    pub labels: Option<Plane<Label>>,
    /// What was decided.
    pub decision: Option<Decision>,
}

/// The labels with open sky where nothing is told.
pub(super) fn with_sky(labels: &Plane<Label>, sky: &Plane<bool>) -> Plane<Label> {
    labels.zip(sky, |&label, &is_sky| match label {
        Label::Other if is_sky => Label::Sky,
        told => told,
    })
}
