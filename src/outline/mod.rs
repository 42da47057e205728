//! Stage 6a: the outline of gear, pixel by pixel.
//!
//! Pieces are cut where colours change, and behind leaves, before grass or brick a piece may be part
//! gear and part what stands behind: it goes or stays as a whole. Here every changed pixel near the
//! outline is looked at again with its surroundings. Gear is smooth along a line at least and ends
//! where it ends; leaves go on beyond the piece as they are in it; what was missed looks more like the
//! gear nearby than like what is beside. Forests, trained as those of [`crate::classify`], say whether
//! a pixel inside is to be given back and whether one beside is to be taken.

mod features;
mod lines;
mod model;
#[cfg(test)]
mod tests;
mod tile;
pub mod train;

pub use features::{Measured, PIXEL_FEATURE_COUNT, PIXEL_FEATURE_NAMES, PixelFeatures, Side};
pub use model::PixelModel;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use rayon::prelude::*;

use crate::classify::{Classified, Probabilities};
use crate::numeric::filter::box_mean;
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Perceived, Plane, Size, Window};
use features::{Sources, measure_tile};
use tile::{MARGIN, TILE};

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

/// Probability from which a pixel beside may be taken ..
const LIKELY_GEAR: f32 = 0.65;

/// .. in blobs whose pixels have this on average: what is missed of gear has sure parts.
const SURE_GEAR: f32 = 0.8;

/// Smallest blob that is taken, px: fewer pixels are a leaf's tip or noise.
const LEAST_TAKEN: usize = 12;

/// How often what was taken is gone on from: each round reaches on by the width that is looked at.
const ROUNDS: usize = 2;

const BOTH_SIDES: [Side; 2] = [Side::Inside, Side::Beside];

/// Probability of the person from which nothing of a piece is taken.
const PERSON_DOUBT: f32 = 0.3;

/// Nor within this of such a piece, px of the working copy: where the person was cut into pieces
/// some are called something else.
const PERSON_REACH: usize = 8;

/// Mends the outline of gear, with the model that this build carries. What changes sides becomes
/// pieces of its own. Holds three planes and some 60 of a tile's size for each core.
pub fn mend_outline(regions: &mut Regions, classified: &mut Classified, seen: &OutlineInputs<'_>) {
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
    let mut changing = gear_of(regions, classified);
    for round in 0..ROUNDS {
        // Only the first round gives back.
        let sides: &[Side] = match round {
            0 => &BOTH_SIDES,
            _ => &[Side::Beside],
        };
        let measured = measure_near(&changing, (regions, classified), (seen, sides));
        let decided: Vec<Option<f32>> = measured
            .par_iter()
            .map(|pixel| {
                let level = match pixel.side {
                    Side::Inside => SURE_BACK,
                    Side::Beside => LIKELY_GEAR,
                };
                model.changes_side_above(level, pixel)
            })
            .collect();
        let leaving = |side: Side| -> Vec<(usize, f32)> {
            let both = measured.iter().zip(&decided);
            both.filter(|(pixel, _)| pixel.side == side)
                .filter_map(|(pixel, decided)| decided.map(|p| (pixel.index, p)))
                .collect()
        };
        let size = regions.numbers.size();
        changing = Plane::filled(size, false);
        let taken = sure_blobs(&leaving(Side::Beside), size);
        if round == 0 {
            let back = leaving(Side::Inside);
            for &(index, _) in &back {
                changing.as_mut_slice()[index] = true;
            }
            give_back(&back, regions, classified);
        }
        for pixels in taken {
            for &index in &pixels {
                changing.as_mut_slice()[index] = true;
            }
            let gear = Probabilities::either(Label::Gear, SURE_GEAR);
            classified.cut_out(regions, &pixels, (Label::Gear, gear));
        }
    }
}

fn give_back(pixels: &[(usize, f32)], regions: &mut Regions, classified: &mut Classified) {
    let mut of_piece = BTreeMap::<u32, Vec<usize>>::new();
    for &(index, _) in pixels {
        let number = regions.numbers.as_slice()[index];
        of_piece.entry(number).or_default().push(index);
    }
    for pixels in of_piece.values() {
        let gear = Probabilities::either(Label::Gear, 1.0 - SURE_BACK);
        classified.cut_out(regions, pixels, (Label::Other, gear));
    }
}

/// Blobs of likely pixels that are sure as a whole.
fn sure_blobs(likely: &[(usize, f32)], size: Size) -> Vec<Vec<usize>> {
    let mut mask = Plane::filled(size, false);
    for &(index, _) in likely {
        mask.as_mut_slice()[index] = true;
    }
    let blobs = connected_blobs(&mask);
    let mut of_blob = BTreeMap::<u32, (Vec<usize>, f32)>::new();
    for &(index, probability) in likely {
        let number = blobs.numbers.as_slice()[index];
        let (pixels, sum) = of_blob.entry(number).or_default();
        pixels.push(index);
        *sum += probability;
    }
    of_blob
        .into_values()
        .filter(|(pixels, sum)| {
            pixels.len() >= LEAST_TAKEN && *sum >= SURE_GEAR * pixels.len() as f32
        })
        .map(|(pixels, _)| pixels)
        .collect()
}

/// The changed pixels near the outline of gear, in a fixed order.
pub fn measure(
    regions: &Regions,
    classified: &Classified,
    seen: &OutlineInputs<'_>,
) -> Vec<Measured> {
    let gear = gear_of(regions, classified);
    measure_near(&gear, (regions, classified), (seen, &BOTH_SIDES))
}

fn gear_of(regions: &Regions, classified: &Classified) -> Plane<bool> {
    regions
        .numbers
        .map(|&n| n > 0 && classified.labels[n as usize - 1] == Label::Gear)
}

/// The same on some sides only, in tiles whose surroundings hold something of `changing`.
fn measure_near(
    changing: &Plane<bool>,
    (regions, classified): (&Regions, &Classified),
    (seen, sides): (&OutlineInputs<'_>, &[Side]),
) -> Vec<Measured> {
    let tiles = tiles_near(changing);
    if tiles.is_empty() {
        return Vec::new();
    }
    let gear = gear_of(regions, classified);
    let may_be_person = |piece: usize| {
        classified.labels[piece] == Label::Person
            || classified.probabilities[piece].of(Label::Person) > PERSON_DOUBT
    };
    let person = regions.numbers.map(|&n| {
        let is_person = n > 0 && may_be_person(n as usize - 1);
        if is_person { 1.0f32 } else { 0.0 }
    });
    let near_person = box_mean(&person, PERSON_REACH);
    let open = regions
        .numbers
        .zip(&near_person, |&n, &person| n > 0 && person <= 0.0)
        .zip(&gear, |&open, &gear| open && !gear);
    let sources = Sources {
        lit_seen: seen.lit_seen,
        plate_seen: seen.plate_seen,
        difference: seen.difference,
        gear: &gear,
        open: &open,
        sides,
    };
    tiles
        .into_par_iter()
        .flat_map_iter(|tile| measure_tile(&sources, tile))
        .collect()
}

/// Tiles with something of `mask` in them or in what they read.
fn tiles_near(mask: &Plane<bool>) -> Vec<Window> {
    let size = mask.size();
    Window::tiles(size, TILE)
        .filter(|tile| {
            let around = tile.grown(MARGIN, size);
            let columns = around.left..around.right;
            (around.top..around.bottom).any(|y| mask.row(y)[columns.clone()].contains(&true))
        })
        .collect()
}
