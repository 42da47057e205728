//! Where much changes by itself, a small dark piece that lies for itself is one of those changes.
//!
//! Grass and leaves that moved leave dark spots as still as a shadow: the lit frames were taken within
//! a minute, the plate later. What each spot looks like by itself does not tell; that there are many
//! others around it does. A floor or a wall has none, and the spots on it are the shadow's.

use super::Classified;
use super::places::Places;
use super::support::{LEAF_SHARE, SHARED_RIM, shared_rim};
use crate::region::{Piece, Regions};
use crate::scene::Label;

/// Surroundings that are looked at, each way from the middle of a piece, as a share of the long side:
/// several tufts of grass or twigs, and less than the way to another surface.
const SURROUNDINGS: f32 = 0.04;

/// Share of the surroundings that changed by itself from which a place is restless. On the training,
/// development and large scenes 138 such pieces were no shadow, of some 4 800 millionths of a frame
/// together, and 11 were, of 763; where less changes 15 were none, of 628, and 104 were, of 5 284.
const RESTLESS: f32 = 0.04;

/// Takes back small shadows that lie for themselves where much changes by itself.
pub(super) fn take_back_lone(classified: &mut Classified, (regions, places): (&Regions, &Places)) {
    if !classified.labels.contains(&Label::GearShadow) {
        return;
    }
    let restlessness = places.restlessness(&classified.labels, SURROUNDINGS);
    let least = LEAF_SHARE * regions.numbers.size().area() as f32;
    let is_lone = |(index, piece): (usize, &Piece)| {
        classified.labels[index] == Label::GearShadow
            && (piece.area as f32) < least
            && shared_rim(piece, &classified.labels) <= SHARED_RIM
            && restlessness.around(&piece.window) > RESTLESS
    };
    let lone: Vec<bool> = regions.pieces.iter().enumerate().map(is_lone).collect();
    for (label, _) in classified.labels.iter_mut().zip(lone).filter(|(_, is)| *is) {
        *label = Label::Other;
    }
}
