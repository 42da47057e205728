//! Gear stands somewhere.
//!
//! A set-up's gear is tall, wide as a boom, or enters from the border of the frame, and some part of
//! it is beyond doubt; a bird, a sheep that stays put for two poses or a flickering leaf is neither.

use super::Classified;
use super::support::plane_of;
use crate::numeric::filter::dilated;
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Plane, Size, Window};

/// Gear apart by less than this still is one thing, px of the working copy: a cable behind leaves.
const JOIN_PX: usize = 4;

/// Gear that does not enter from the border is at least this tall, or as a boom this wide, as a share
/// of the long side.
const MIN_EXTENT: f32 = 0.07;

/// And takes at least this share of the frame.
const MIN_SHARE: f32 = 0.0003;

/// Gear that is surely gear counts this near to gear that stands, as a share of the long side.
const NEAR_SHARE: f32 = 0.12;

/// Probability of sure gear.
const SURE_GEAR: f32 = 0.6;

/// Some piece of gear that stands is likelier gear than anything else together.
const SOME_GEAR: f32 = 0.5;

/// And in a frame with gear some of it is as sure as this; least in 58 frames with gear: 0.9, on scenes
/// that no model was trained on 0.94.
const BEYOND_DOUBT: f32 = 0.7;

/// Gear this sure needs no height where other gear stands in the frame: a second head whose stand
/// cannot be made out.
const SURE_HEAD: f32 = 0.8;

/// Stillness of a head that counts alone: birds and balls move on.
const HEAD_STILL: f32 = 0.85;

/// Takes back gear that neither stands, nor belongs to gear that does.
pub(super) fn keep_what_stands(classified: &mut Classified, regions: &Regions) {
    let size = regions.numbers.size();
    let gear = plane_of(regions, classified, |l| l == Label::Gear);
    let numbers = connected_blobs(&dilated(&gear, JOIN_PX)).numbers;
    let blob_of_piece = first_blob(regions, &numbers);
    let stands = standing(classified, regions, &gear, &numbers);
    // Leaves cut a stand into pieces: what is surely gear near gear that stands belongs to it.
    let reach = (NEAR_SHARE * size.long_side() as f32) as usize;
    let near = dilated(&gear.zip(&numbers, |&g, &b| g && stands[b as usize]), reach);
    let any_stands = stands.contains(&true);
    for (i, label) in classified.labels.iter_mut().enumerate() {
        if *label != Label::Gear || stands[blob_of_piece[i]] {
            continue;
        }
        let gear = classified.probabilities[i].of(Label::Gear);
        let piece = &regions.pieces[i];
        let is_part = gear > SURE_GEAR && in_reach(&near, &piece.window);
        let is_head = any_stands
            && gear > SURE_HEAD
            && piece.features.still > HEAD_STILL
            && piece.area as f32 >= MIN_SHARE * size.area() as f32;
        if !is_part && !is_head {
            *label = Label::Other;
        }
    }
}

/// What is known of one blob of gear.
#[derive(Debug, Clone, Copy)]
struct Blob {
    window: Window,
    pixels: usize,
    is_sure: bool,
}

impl Blob {
    fn stands(&self, size: Size) -> bool {
        let w = &self.window;
        if self.pixels == 0 || !self.is_sure {
            return false;
        }
        let at_border =
            w.left == 0 || w.top == 0 || w.right == size.columns || w.bottom == size.rows;
        let extent = w.columns().max(w.rows()) as f32;
        let is_large = extent > MIN_EXTENT * size.long_side() as f32;
        self.pixels as f32 >= MIN_SHARE * size.area() as f32 && (at_border || is_large)
    }
}

/// Which blobs stand, by number; 0 is what is no gear.
fn standing(
    classified: &Classified,
    regions: &Regions,
    gear: &Plane<bool>,
    numbers: &Plane<u32>,
) -> Vec<bool> {
    let size = numbers.size();
    let count = numbers.as_slice().iter().max().map_or(0, |&b| b as usize);
    let nothing = Blob {
        window: Window {
            left: usize::MAX,
            top: usize::MAX,
            right: 0,
            bottom: 0,
        },
        pixels: 0,
        is_sure: false,
    };
    let mut blobs = vec![nothing; count + 1];
    for y in 0..size.rows {
        for x in 0..size.columns {
            if !*gear.at(x, y) {
                continue;
            }
            let blob = &mut blobs[*numbers.at(x, y) as usize];
            let w = &mut blob.window;
            (w.left, w.top) = (w.left.min(x), w.top.min(y));
            (w.right, w.bottom) = (w.right.max(x + 1), w.bottom.max(y + 1));
            blob.pixels += 1;
            let piece = *regions.numbers.at(x, y) as usize - 1;
            blob.is_sure |= classified.probabilities[piece].of(Label::Gear) > SOME_GEAR;
        }
    }
    let gear = classified.labels.iter().zip(&classified.probabilities);
    let gear = gear.filter(|(label, _)| **label == Label::Gear);
    let beyond_doubt = gear
        .into_iter()
        .any(|(_, p)| p.of(Label::Gear) > BEYOND_DOUBT);
    let stands = |blob: &Blob| beyond_doubt && blob.stands(size);
    blobs.iter().map(stands).collect()
}

fn in_reach(near: &Plane<bool>, window: &Window) -> bool {
    const STEP: usize = 4;
    (window.top..window.bottom).step_by(STEP).any(|y| {
        (window.left..window.right)
            .step_by(STEP)
            .any(|x| *near.at(x, y))
    })
}

fn first_blob(regions: &Regions, blobs: &Plane<u32>) -> Vec<usize> {
    let mut out = vec![0; regions.pieces.len()];
    for (&n, &b) in regions.numbers.as_slice().iter().zip(blobs.as_slice()) {
        if n > 0 && b > 0 {
            out[n as usize - 1] = b as usize;
        }
    }
    out
}
