//! Gear stands somewhere, and shadows and glints belong to gear.
//!
//! A set-up's gear is tall or enters from the border of the frame; a bird, a sheep that stays put
//! for two poses or a flickering leaf is neither. A shadow lies near the gear that throws it.

use super::Classified;
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Plane, Window};

/// Gear apart by less than this still is one thing, px of the working copy: a cable behind leaves.
const JOIN_PX: usize = 4;

/// Gear that does not enter from the border is at least this tall, as a share of the long side.
const MIN_HEIGHT: f32 = 0.07;

/// And takes at least this share of the frame.
const MIN_SHARE: f32 = 0.0003;

/// Gear that is surely gear counts this near to gear that stands, as a share of the long side.
const NEAR_SHARE: f32 = 0.12;

/// Probability of sure gear.
const SURE_GEAR: f32 = 0.6;

/// A shadow is darker than the pool around it by this, ln units.
const SHADOW_EXCESS: f32 = -0.03;

/// Sky in the plate and sky's colours in the lit frame, as shares multiplied.
const CLOUD_SHARE: f32 = 0.7;

/// Stillness below which such a piece is a cloud.
const CLOUD_STILL: f32 = 0.45;

/// The same where both frames show nothing but sky.
const CLEAR_CLOUD_SHARE: f32 = 0.9;

/// Clouds drift slowly: stillness below which a piece that ends in unchanged sky is one.
const SLOW_CLOUD_STILL: f32 = 0.7;

/// Share of the rim beside unchanged sky from which a piece ends there: the front of a box as white
/// as the sky is framed by the box.
const CLOUD_RIM: f32 = 0.1;

/// Probability from which a shadow may be the gear's.
const OPEN_SHADOW: f32 = 0.2;

/// Gear that throws a shadow is nearer to it than this share of the distance to who moves.
const NEARER: f32 = 0.5;

/// Stillness of a shadow that stays.
const STAYS: f32 = 0.75;

/// Shadows and glints that count on their own are at least this share of the frame.
const MIN_SHADOW_SHARE: f32 = 0.00008;

/// Smaller ones must touch the gear or a shadow that counts: within this, px of the working copy.
const TOUCH_PX: usize = 6;

/// Tones found within a few pixels of their place in the plate (CIE94): leaves and grass.
const SWAY_TONE: f32 = 2.0;

/// Leaves and grass are below this share of the frame.
const LEAF_SHARE: f32 = 0.0004;

/// Surroundings almost all unchanged: a speck.
const SPECK_UNCHANGED: f32 = 0.9;

/// Takes back what was called gear, shadow or glint without standing up to these.
pub(super) fn demand_support(classified: &mut Classified, regions: &Regions) {
    let size = regions.numbers.size();
    let area = size.area() as f32;
    let gear = plane_of(regions, classified, |l| l == Label::Gear);
    let blobs = connected_blobs(&dilated(&gear, JOIN_PX));
    let mut boxes = vec![(usize::MAX, usize::MAX, 0usize, 0usize, 0usize); blobs.count + 1];
    for y in 0..size.rows {
        for x in 0..size.columns {
            let b = *blobs.numbers.at(x, y) as usize;
            if b > 0 && *gear.at(x, y) {
                let e = &mut boxes[b];
                *e = (e.0.min(x), e.1.min(y), e.2.max(x), e.3.max(y), e.4 + 1);
            }
        }
    }
    let stands: Vec<bool> = boxes
        .iter()
        .map(|&(left, top, right, bottom, pixels)| {
            let at_border =
                left == 0 || top == 0 || right + 1 == size.columns || bottom + 1 == size.rows;
            let height = bottom.saturating_sub(top) as f32 / size.long_side() as f32;
            pixels as f32 >= MIN_SHARE * area && (at_border || height >= MIN_HEIGHT)
        })
        .collect();
    let blob_of_piece = first_blob(regions, &blobs.numbers);
    // Leaves cut a stand into pieces: what is surely gear near gear that stands belongs to it.
    let reach = (NEAR_SHARE * size.long_side() as f32) as usize;
    let standing = Plane::from_fn(size, |x, y| {
        *gear.at(x, y) && stands[*blobs.numbers.at(x, y) as usize]
    });
    let near = dilated(&standing, reach);
    let in_reach = |window: &Window| {
        (window.top..window.bottom).step_by(4).any(|y| {
            (window.left..window.right)
                .step_by(4)
                .any(|x| *near.at(x, y))
        })
    };
    for (i, label) in classified.labels.iter_mut().enumerate() {
        if *label != Label::Gear || stands[blob_of_piece[i]] {
            continue;
        }
        let is_sure = classified.probabilities[i].of(Label::Gear) > SURE_GEAR;
        let is_close = in_reach(&regions.pieces[i].window);
        if !(is_sure && is_close) {
            *label = Label::Other;
        }
    }
    obey_physics(classified, regions);
    give_shadows_to_the_nearer(classified, regions);
    demand_belonging(classified, regions);
}

/// A shadow is darker than its surroundings; what still has the sky's colours and changed from pose to pose is a cloud.
fn obey_physics(classified: &mut Classified, regions: &Regions) {
    for (label, piece) in classified.labels.iter_mut().zip(&regions.pieces) {
        let f = &piece.features;
        if *label == Label::GearShadow && f.excess > SHADOW_EXCESS {
            *label = Label::Other;
        }
        let sky = f.plate_sky * f.lit_sky;
        let is_cloud = (sky > CLOUD_SHARE && f.still < CLOUD_STILL)
            || (sky > CLEAR_CLOUD_SHARE
                && f.still < SLOW_CLOUD_STILL
                && f.near_unchanged > CLOUD_RIM);
        if *label == Label::Gear && is_cloud && f.blob_still > 0.0 {
            *label = Label::Other;
        }
    }
}

/// A shadow that stays from pose to pose, much nearer to gear than to anyone who moves, is the
/// gear's, also when its form alone would leave that open.
fn give_shadows_to_the_nearer(classified: &mut Classified, regions: &Regions) {
    for (i, piece) in regions.pieces.iter().enumerate() {
        let f = &piece.features;
        let p = &classified.probabilities[i];
        let is_shadow = p.of(Label::GearShadow) > OPEN_SHADOW
            && p.of(Label::GearShadow) + p.of(Label::PersonShadow) > 0.5
            && f.excess < 0.0;
        let is_nearer = f.to_standing < NEARER * f.to_moving && f.still > STAYS;
        if is_shadow && is_nearer && classified.labels[i] == Label::PersonShadow {
            classified.labels[i] = Label::GearShadow;
        }
    }
}

fn demand_belonging(classified: &mut Classified, regions: &Regions) {
    let area = regions.numbers.size().area() as f32;
    let is_part = |l: Label| matches!(l, Label::GearShadow | Label::Glint);
    let any_gear = classified.labels.contains(&Label::Gear);
    // Specks first: what is left then may support its neighbours.
    for (label, piece) in classified.labels.iter_mut().zip(&regions.pieces) {
        let f = &piece.features;
        let is_leaf = f.sway < SWAY_TONE
            && f.near_unchanged > SPECK_UNCHANGED
            && (piece.area as f32) < LEAF_SHARE * area;
        if is_part(*label) && (!any_gear || is_leaf) {
            *label = Label::Other;
        }
    }
    let anchor = plane_of(regions, classified, |l| l == Label::Gear);
    let large: Vec<bool> = regions
        .pieces
        .iter()
        .zip(&classified.labels)
        .map(|(p, &l)| is_part(l) && p.area as f32 >= MIN_SHADOW_SHARE * area)
        .collect();
    let shadow = regions.numbers.map(|&n| n > 0 && large[n as usize - 1]);
    let reach = dilated(&anchor.zip(&shadow, |a, b| *a || *b), TOUCH_PX);
    let mut touches = vec![false; regions.pieces.len()];
    for (&n, &near) in regions.numbers.as_slice().iter().zip(reach.as_slice()) {
        if n > 0 && near {
            touches[n as usize - 1] = true;
        }
    }
    for (i, label) in classified.labels.iter_mut().enumerate() {
        if is_part(*label) && !touches[i] {
            *label = Label::Other;
        }
    }
}

fn plane_of(
    regions: &Regions,
    classified: &Classified,
    wanted: impl Fn(Label) -> bool + Sync,
) -> Plane<bool> {
    regions
        .numbers
        .map(|&n| n > 0 && wanted(classified.labels[n as usize - 1]))
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

/// Grown by a square of `reach` pixels each way.
fn dilated(mask: &Plane<bool>, reach: usize) -> Plane<bool> {
    let share = crate::numeric::filter::box_mean(&mask.map(|&m| if m { 1.0 } else { 0.0 }), reach);
    share.map(|&s| s > 1e-6)
}
