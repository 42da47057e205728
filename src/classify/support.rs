//! Shadows and glints belong to gear, and light obeys physics.
//!
//! A shadow lies near the gear that throws it and is darker than what is around; what has the sky's
//! own colour is sky.

use super::Classified;
use super::standing::keep_what_stands;
use crate::numeric::filter::dilated;
use crate::region::{Piece, PieceFeatures, Regions};
use crate::scene::{Label, Plane};

/// A shadow is darker than the pool around it by this, ln units.
const SHADOW_EXCESS: f32 = -0.03;

/// Sky in the plate and sky's colours in the lit frame, as shares multiplied.
const CLOUD_SHARE: f32 = 0.7;

/// Stillness below which such a piece is a cloud.
const CLOUD_STILL: f32 = 0.45;

/// Share of clipped pixels from which a piece may be the lit front of a modifier, not a cloud.
const FRONT_CLIPPED_MOSTLY: f32 = 0.5;

/// Edge along the rim (gradient of ln light a pixel) that a front has and a cloud has not.
const FRONT_EDGE: f32 = 0.1;

/// The same where both frames show nothing but sky.
const CLEAR_CLOUD_SHARE: f32 = 0.9;

/// Clouds drift slowly: stillness below which a piece that ends in unchanged sky is one.
const SLOW_CLOUD_STILL: f32 = 0.7;

/// Share of the rim beside unchanged sky from which a piece ends there: the front of a box as white
/// as the sky is framed by the box.
const CLOUD_RIM: f32 = 0.1;

/// Share of a piece that has the sky's colours in the lit frame where it shows nothing else.
const ALL_SKY: f32 = 0.8;

/// Chroma (CIELAB) of a sky with a colour of its own: black cloth and white diffusers are neutral.
const SKY_CHROMA: f32 = 8.0;

/// Share of clipped pixels below which a piece is no lit front of a modifier.
const FRONT_CLIPPED: f32 = 0.1;

/// Difference (CIE94) below which a shadow on flash light cannot be seen: what does not show is not
/// taken out.
const SHADOW_SEEN: f32 = 3.0;

/// Below the ambient's level nothing but a shadow can be, for flash only adds. So far below it and
/// the pool around together, ln units (a quarter of the light) ..
const BELOW_BOTH: f32 = -0.3;

/// .. and below either at least by this, ln units (10 %).
const BELOW_EITHER: f32 = -0.1;

/// Structure agreement from which a piece shows the plate's own surface.
const SAME_SURFACE: f32 = 0.8;

/// A shadow dims a surface and leaves its texture; below this structure agreement within a piece that
/// lies for itself it is a wave, or grass that moved ..
const LOST_TEXTURE: f32 = 0.5;

/// .. and below this where its tones are found within a few pixels of their place in the plate ..
const DOUBTFUL_TEXTURE: f32 = 0.8;

/// .. as near as this (CIE94). On the training, development and large scenes 132 such pieces were no
/// shadow, of 13 304 millionths of a frame together, and 6 were, of 141.
const MOVED_TONE: f32 = 1.5;

/// A piece lies for itself that shares less than this of its rim with others that go ..
pub(super) const SHARED_RIM: f32 = 0.1;

/// .. and is no surer a shadow than this.
const SURE_SHADOW: f32 = 0.7;

/// Handed on from gear, a shadow below this probability that does not lie on the plate's own surface
/// (structure agreement [`SAME_SURFACE`]) ..
const DOUBTFUL_SHADOW: f32 = 0.45;

/// .. must be deeper than this, ln units (a quarter of the light) ..
const FAINT_SHADOW: f32 = -0.3;

/// .. unless so much of its rim is shared with what goes. On the training and development scenes 33
/// such shadows were none, of 8 123 millionths of a frame together, and 2 were, of 681.
const SURROUNDED: f32 = 0.95;

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
pub(super) const LEAF_SHARE: f32 = 0.0004;

/// Surroundings almost all unchanged: a speck.
const SPECK_UNCHANGED: f32 = 0.9;

/// Takes back what was called gear, shadow or glint without standing up to these.
pub(super) fn demand_support(classified: &mut Classified, regions: &Regions) {
    keep_what_stands(classified, regions);
    obey_physics(classified, regions);
    give_shadows_to_the_nearer(classified, regions);
    demand_belonging(classified, regions);
}

/// Can a shadow here be seen, or is it surely one?
pub(super) fn shadow_shows(f: &PieceFeatures) -> bool {
    let is_surely_one = f.above_ambient + f.excess < BELOW_BOTH
        && f.above_ambient.max(f.excess) < BELOW_EITHER
        && f.inner_agreement > SAME_SURFACE;
    f.difference > SHADOW_SEEN || is_surely_one
}

/// Does a piece show nothing but sky before and after?
pub(super) fn stays_sky(f: &PieceFeatures) -> bool {
    f.plate_sky * f.lit_sky > CLOUD_SHARE && f.lit_clipped < FRONT_CLIPPED
}

/// A shadow is darker than its surroundings; what still has the sky's colours and changed from pose to pose is a cloud.
fn obey_physics(classified: &mut Classified, regions: &Regions) {
    for (label, piece) in classified.labels.iter_mut().zip(&regions.pieces) {
        let f = &piece.features;
        if *label == Label::GearShadow && (f.excess > SHADOW_EXCESS || !shadow_shows(f)) {
            *label = Label::Other;
        }
        let sky = f.plate_sky * f.lit_sky;
        let is_coloured_sky = f.lit_sky > ALL_SKY
            && f.lit_a.hypot(f.lit_b) > SKY_CHROMA
            && f.lit_clipped < FRONT_CLIPPED;
        if *label == Label::Gear && is_coloured_sky {
            *label = Label::Other;
        }
        let is_cloud = (sky > CLOUD_SHARE && f.still < CLOUD_STILL)
            || (sky > CLEAR_CLOUD_SHARE
                && f.still < SLOW_CLOUD_STILL
                && f.near_unchanged > CLOUD_RIM);
        let is_front = f.lit_clipped > FRONT_CLIPPED_MOSTLY && f.rim_new_edge > FRONT_EDGE;
        if *label == Label::Gear && is_cloud && !is_front && f.blob_still > 0.0 {
            *label = Label::Other;
        }
    }
}

fn has_lost_texture(f: &PieceFeatures) -> bool {
    let least = if f.sway < MOVED_TONE {
        DOUBTFUL_TEXTURE
    } else {
        LOST_TEXTURE
    };
    f.inner_agreement < least
}

/// Takes back doubtful shadows: what lies for itself and does not show the plate's texture, and what
/// is faint and of another structure than the plate. Asked once of all pieces together, when shadows
/// were handed on: the parts of one dark image lean on each other.
pub(super) fn take_back_doubtful(classified: &mut Classified, regions: &Regions) {
    let is_doubtful = |(index, piece): (usize, &Piece)| {
        let f = &piece.features;
        let probability = classified.probabilities[index].of(Label::GearShadow);
        let shared_rim = || shared_rim(piece, &classified.labels);
        let is_faint = || probability < DOUBTFUL_SHADOW && is_faint(f) && shared_rim() < SURROUNDED;
        let lost_alone =
            || probability < SURE_SHADOW && has_lost_texture(f) && shared_rim() <= SHARED_RIM;
        classified.labels[index] == Label::GearShadow && (is_faint() || lost_alone())
    };
    let pieces = regions.pieces.iter().enumerate();
    let doubtful: Vec<bool> = pieces.map(is_doubtful).collect();
    let labels = classified.labels.iter_mut().zip(doubtful);
    for (label, _) in labels.filter(|(_, is)| *is) {
        *label = Label::Other;
    }
}

fn is_faint(f: &PieceFeatures) -> bool {
    f.excess > FAINT_SHADOW && f.agreement_coarse < SAME_SURFACE
}

/// Share of a piece's rim that is shared with others that go.
pub(super) fn shared_rim(piece: &Piece, labels: &[Label]) -> f32 {
    let rim = |wanted: &dyn Fn(Label) -> bool| -> u32 {
        let neighbours = piece.neighbours.iter();
        let wanted = neighbours.filter(|n| wanted(labels[n.piece]));
        wanted.map(|n| n.rim).sum()
    };
    rim(&|l| l.is_removed()) as f32 / rim(&|_| true).max(1) as f32
}

/// A shadow that stays from pose to pose, much nearer to gear than to anyone who moves, is the
/// gear's, also when its form alone would leave that open.
fn give_shadows_to_the_nearer(classified: &mut Classified, regions: &Regions) {
    for (i, piece) in regions.pieces.iter().enumerate() {
        let f = &piece.features;
        let p = &classified.probabilities[i];
        let is_shadow = p.of(Label::GearShadow) > OPEN_SHADOW
            && p.of(Label::GearShadow) + p.of(Label::PersonShadow) > 0.5
            && f.excess < 0.0
            && shadow_shows(f);
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

pub(super) fn plane_of(
    regions: &Regions,
    classified: &Classified,
    wanted: impl Fn(Label) -> bool + Sync,
) -> Plane<bool> {
    regions
        .numbers
        .map(|&n| n > 0 && wanted(classified.labels[n as usize - 1]))
}
