//! Stage 6a: the outline of gear, pixel by pixel.
//!
//! Pieces are cut where colours change, and behind leaves, before grass or brick a piece may be part
//! gear and part what stands behind: it goes or stays as a whole. Here every changed pixel near the
//! outline is looked at again with its surroundings. Gear is smooth along a line at least and ends
//! where it ends; leaves go on beyond the piece as they are in it; what was missed looks more like the
//! gear nearby than like what is beside. Forests, trained as those of [`crate::classify`], say whether
//! a pixel inside is to be given back and whether one beside is to be taken.

mod features;
mod model;
pub mod train;

pub use features::{Measured, PIXEL_FEATURE_COUNT, PIXEL_FEATURE_NAMES, PixelFeatures, Side};
pub use model::PixelModel;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use rayon::prelude::*;

use crate::classify::Classified;
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Perceived, Plane, Window};
use features::{Sources, TILE, measure_tile};

/// What the outline is read from beside the pieces; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct OutlineInputs<'a> {
    /// The lit frame as seen.
    pub lit_seen: &'a Perceived,
    /// The relit plate as seen.
    pub plate_seen: &'a Perceived,
    /// Difference between the two (CIE94).
    pub difference: &'a Plane<f32>,
}

/// Probability from which a pixel inside is given back: a pole that is lost breaks, so it takes
/// more than a half.
const SURE_BACK: f32 = 0.7;

/// Probability from which a pixel beside is taken.
const SURE_TAKEN: f32 = 0.8;

/// Smallest blob that is taken, px: fewer pixels are a leaf's tip or noise.
const LEAST_TAKEN: usize = 12;

/// How often what was taken is gone on from: each round reaches on by the width that is looked at.
const ROUNDS: usize = 2;

/// Probability of the person from which nothing of a piece is taken.
const PERSON_DOUBT: f32 = 0.3;

/// Mends the outline of gear, with the model that this build carries. What changes sides becomes
/// pieces of its own. Holds three planes and some 60 of a tile's size for each core.
pub fn mend_outline(
    regions: &mut Regions,
    classified: &mut Classified,
    seen: &OutlineInputs<'_>,
) {
    static BUILT_IN: OnceLock<PixelModel> = OnceLock::new();
    let model = BUILT_IN.get_or_init(PixelModel::built_in);
    mend_outline_with(model, regions, classified, seen);
}

/// The same with a model of the caller's.
pub fn mend_outline_with(
    model: &PixelModel,
    regions: &mut Regions,
    classified: &mut Classified,
    seen: &OutlineInputs<'_>,
) {
    for round in 0..ROUNDS {
        let measured = measure(regions, classified, seen);
        let decided: Vec<Option<Side>> = measured
            .par_iter()
            .map(|pixel| changed_side(model, pixel))
            .collect();
        let going_to = |side: Side| {
            let both = measured.iter().zip(&decided);
            both.filter(move |(_, decided)| **decided == Some(side))
                .map(|(pixel, _)| pixel.index)
        };
        if round == 0 {
            let back: Vec<usize> = going_to(Side::Beside).collect();
            give_back(&back, regions, classified);
        }
        let taken: Vec<usize> = going_to(Side::Inside).collect();
        take(&taken, regions, classified);
    }
}

/// The side to which a pixel goes over.
fn changed_side(model: &PixelModel, pixel: &Measured) -> Option<Side> {
    let probability = model.changes_side(pixel.side, &pixel.features);
    match pixel.side {
        Side::Inside => (probability > SURE_BACK).then_some(Side::Beside),
        Side::Beside => (probability > SURE_TAKEN).then_some(Side::Inside),
    }
}

fn give_back(pixels: &[usize], regions: &mut Regions, classified: &mut Classified) {
    let mut of_piece = BTreeMap::<u32, Vec<usize>>::new();
    for &index in pixels {
        let number = regions.numbers.as_slice()[index];
        of_piece.entry(number).or_default().push(index);
    }
    for pixels in of_piece.values() {
        classified.cut_out(regions, pixels, (Label::Other, 1.0 - SURE_BACK));
    }
}

fn take(pixels: &[usize], regions: &mut Regions, classified: &mut Classified) {
    let mut mask = Plane::filled(regions.numbers.size(), false);
    for &index in pixels {
        mask.as_mut_slice()[index] = true;
    }
    let blobs = connected_blobs(&mask);
    let mut of_blob = BTreeMap::<u32, Vec<usize>>::new();
    for &index in pixels {
        let number = blobs.numbers.as_slice()[index];
        of_blob.entry(number).or_default().push(index);
    }
    for pixels in of_blob.values().filter(|p| p.len() >= LEAST_TAKEN) {
        classified.cut_out(regions, pixels, (Label::Gear, SURE_TAKEN));
    }
}

/// The changed pixels near the outline of gear, in a fixed order.
pub fn measure(
    regions: &Regions,
    classified: &Classified,
    seen: &OutlineInputs<'_>,
) -> Vec<Measured> {
    if !classified.labels.contains(&Label::Gear) {
        return Vec::new();
    }
    let is_open = |piece: usize| {
        let label = classified.labels[piece];
        let may_be_person = classified.probabilities[piece].of(Label::Person) > PERSON_DOUBT;
        label != Label::Gear && label != Label::Person && !may_be_person
    };
    let where_piece = |holds: &(dyn Fn(usize) -> bool + Sync)| {
        regions.numbers.map(|&n| n > 0 && holds(n as usize - 1))
    };
    let gear = where_piece(&|piece| classified.labels[piece] == Label::Gear);
    let open = where_piece(&is_open);
    let sources = Sources {
        lit_seen: seen.lit_seen,
        plate_seen: seen.plate_seen,
        difference: seen.difference,
        gear: &gear,
        open: &open,
    };
    tiles_near(&gear)
        .into_par_iter()
        .flat_map_iter(|tile| measure_tile(&sources, tile))
        .collect()
}

/// Tiles with something of `mask`, and those around them.
fn tiles_near(mask: &Plane<bool>) -> Vec<Window> {
    let size = mask.size();
    let mut tiles = Vec::new();
    for top in (0..size.rows).step_by(TILE) {
        for left in (0..size.columns).step_by(TILE) {
            let tile = Window {
                left,
                top,
                right: (left + TILE).min(size.columns),
                bottom: (top + TILE).min(size.rows),
            };
            let rows = top.saturating_sub(TILE)..(tile.bottom + TILE).min(size.rows);
            let columns = left.saturating_sub(TILE)..(tile.right + TILE).min(size.columns);
            if rows.into_iter().any(|y| mask.row(y)[columns.clone()].contains(&true)) {
                tiles.push(tile);
            }
        }
    }
    tiles
}
