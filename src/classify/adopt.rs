//! What belongs to the gear that was found.
//!
//! A stand that leaves cut into parts, a cable's far end or a shadow on gravel may be doubtful by
//! itself. Beside gear that is sure, of the same colour and as still, it is gear; dark and still at
//! the foot of it, it is its shadow. And a shadow far from all gear is not gear's.

use super::places::Places;
use super::support::{shadow_shows, stays_sky};
use super::{Classified, Probabilities};
use crate::region::{PieceFeatures, Regions};
use crate::scene::{Label, difference};

/// Parts this near to gear may belong to it, as a share of the long side.
const PART_REACH: f32 = 0.03;

/// Probability of gear from which a part may be adopted.
const PART_DOUBT: f32 = 0.28;

/// Parts differ from the plate at least by this (CIE94).
const PART_DIFFERENCE: f32 = 5.0;

/// Parts of one thing have the colour of some other part of it within this (CIE94).
const PART_COLOUR: f32 = 4.0;

/// Stillness of a part of the gear.
const PART_STILL: f32 = 0.75;

/// Largest pieces of gear whose colours are compared.
const COLOUR_SAMPLES: usize = 60;

/// Probability of a shadow, whosever, from which a piece is one.
const SHADOW_SURE: f32 = 0.5;

/// A shadow is darker than its surroundings by this, ln units.
const SHADOW_DEPTH: f32 = -0.1;

/// Stillness of a shadow of the gear: that of a person moves with the pose.
const SHADOW_STILL: f32 = 0.85;

/// A shadow begins this near to gear, or to a shadow of gear, as a share of the long side.
const SHADOW_REACH: f32 = 0.03;

/// Gear is nearer than this share of the way to the person.
const NEARER: f32 = 0.5;

/// A shadow farther from all gear than this share of the long side is not taken for the gear's.
const SHADOW_FAR: f32 = 0.1;

/// How often shadows hand on what they belong to: the legs' to the pole's to the box's.
const SHADOW_ROUNDS: usize = 3;

/// Probability of the person above which a piece is never adopted.
const PERSON_DOUBT: f32 = 0.3;

/// Gear counts from this share of the frame in one blob.
const LEAST_GEAR: f32 = 0.0003;

/// A person counts from this share of the frame in one blob.
const LEAST_PERSON: f32 = 0.0015;

/// What stays as it is from pose to pose, with another structure than the plate's, is the gear's
/// doing from this probability of gear, shadow and glint together on.
const STAYING_DOUBT: f32 = 0.3;

/// Stillness of what stays.
const STAYING_STILL: f32 = 0.8;

/// Share of the companions that may show the plate in place of what stays.
const STAYING_RETURNS: f32 = 0.25;

/// Structure agreement within a piece below which it is not the plate's surface in other light.
const OTHER_STRUCTURE: f32 = 0.5;

/// Difference to the plate (CIE94) of what stays: seen at a glance.
const STAYING_DIFFERENCE: f32 = 8.0;

/// What stays far from gear counts from this share of the frame: more than a hand or a foot.
const STAYING_SHARE: f32 = 0.0005;

/// Probability of the person above which nothing is said of what stays.
const STAYING_PERSON: f32 = 0.1;

/// Gives parts and shadows to the gear, by the probabilities `own` of each piece by itself.
pub(super) fn adopt(
    classified: &mut Classified,
    own: &[Probabilities],
    (regions, places): (&Regions, &Places),
) {
    adopt_parts(classified, own, (regions, places));
    leave_far_shadows(classified, places);
    adopt_what_stays(classified, (regions, places));
    for round in 0..SHADOW_ROUNDS {
        let is_anchor = |l: Label| l == Label::Gear || (round > 0 && l == Label::GearShadow);
        let to_gear = places.ways(&classified.labels, is_anchor, LEAST_GEAR);
        let is_person = |l: Label| l == Label::Person;
        let to_person = places.ways(&classified.labels, is_person, LEAST_PERSON);
        for (i, label) in classified.labels.iter_mut().enumerate() {
            let f = &regions.pieces[i].features;
            let is_near = to_gear[i] < SHADOW_REACH && to_gear[i] < NEARER * to_person[i];
            // What hangs on a shadow alone must look more like the gear's than like the person's.
            let hangs_on_gear =
                round == 0 || own[i].of(Label::GearShadow) > own[i].of(Label::PersonShadow);
            let is_shadow = hangs_on_gear && is_still_shadow(&own[i], f);
            if !label.is_removed() && is_near && is_shadow {
                *label = Label::GearShadow;
            }
        }
    }
}

fn leave_far_shadows(classified: &mut Classified, places: &Places) {
    let is_gear = |l: Label| l == Label::Gear;
    let to_gear = places.ways(&classified.labels, is_gear, LEAST_GEAR);
    for (label, way) in classified.labels.iter_mut().zip(to_gear) {
        if *label == Label::GearShadow && way > SHADOW_FAR {
            *label = Label::Other;
        }
    }
}

/// Reflections in a pane and shadows that change a surface's look may be far from the gear and like
/// nothing else; but where gear stands, what keeps standing still is its doing. What is small and far
/// off may as well be the plate's: whoever walks through it stays, too, against every pose.
fn adopt_what_stays(classified: &mut Classified, (regions, places): (&Regions, &Places)) {
    let is_gear = |l: Label| l == Label::Gear;
    let to_gear = places.ways(&classified.labels, is_gear, LEAST_GEAR);
    if to_gear.iter().all(|way| way.is_infinite()) {
        return;
    }
    let least = STAYING_SHARE * regions.numbers.size().area() as f32;
    let decided = classified.probabilities.iter().zip(&regions.pieces);
    for ((label, (p, piece)), way) in classified.labels.iter_mut().zip(decided).zip(to_gear) {
        let f = &piece.features;
        let stays = f.still > STAYING_STILL
            && f.returns < STAYING_RETURNS
            && f.inner_agreement < OTHER_STRUCTURE
            && f.difference > STAYING_DIFFERENCE;
        let may_be = p.removed() > STAYING_DOUBT && p.of(Label::Person) < STAYING_PERSON;
        let counts = way < PART_REACH || piece.area as f32 >= least;
        if !label.is_removed() && counts && stays && may_be && !stays_sky(f) {
            *label = p.likeliest_removed();
        }
    }
}

fn adopt_parts(
    classified: &mut Classified,
    own: &[Probabilities],
    (regions, places): (&Regions, &Places),
) {
    let pieces = &regions.pieces;
    let to_gear = places.ways(&classified.labels, |l| l == Label::Gear, LEAST_GEAR);
    let mut gear: Vec<usize> = (0..pieces.len())
        .filter(|&i| classified.labels[i] == Label::Gear)
        .collect();
    gear.sort_by_key(|&i| std::cmp::Reverse(pieces[i].area));
    gear.truncate(COLOUR_SAMPLES);
    for (i, label) in classified.labels.iter_mut().enumerate() {
        let f = &pieces[i].features;
        let is_open = !label.is_removed() && *label != Label::Person;
        let is_like_gear = own[i].of(Label::Gear) > PART_DOUBT
            && f.difference > PART_DIFFERENCE
            && f.still > PART_STILL
            && f.in_moving_hull < 0.5
            && !stays_sky(f);
        let has_its_colour = || {
            gear.iter()
                .any(|&j| difference(colour(f), colour(&pieces[j].features)).0 < PART_COLOUR)
        };
        if is_open && is_like_gear && to_gear[i] < PART_REACH && has_its_colour() {
            *label = Label::Gear;
        }
    }
}

fn is_still_shadow(own: &Probabilities, f: &PieceFeatures) -> bool {
    own.of(Label::GearShadow) + own.of(Label::PersonShadow) >= SHADOW_SURE
        && own.of(Label::Person) < PERSON_DOUBT
        && f.excess < SHADOW_DEPTH
        && shadow_shows(f)
        && f.still >= SHADOW_STILL
}

fn colour(f: &PieceFeatures) -> [f32; 3] {
    [f.lit_lightness, f.lit_a, f.lit_b]
}
