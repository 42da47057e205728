//! The person beside gear and flash: touched by gear or its shadow, glints on skin or glasses, the
//! flash's light cut by the border.

use super::clouds::clipped_plane;
use super::modifier_face::modifier_faces;
use super::{Bearing, Fault, Measured, Pair, Reason, Shot, Told, Unit, places};
use crate::numeric::filter::box_mean;
use crate::pipeline::Overview;
use crate::region::connected_blobs;
use crate::scene::{Label, Plane};

/// Rim that gear may share with the person, share of the picture's long side: a finger's width of a
/// standing person who fills two thirds of the height is 1 %.
const MOST_CONTACT: f64 = 0.03;
/// The same for the gear's shadow, which ends softly.
const MOST_SHADOW_CONTACT: f64 = 0.06;
/// A glint is a small clipped spot: at most this share of the person, a lens of a pair of glasses.
const LARGEST_GLINT: f64 = 0.002;
/// Around a glint the light is below this share of white: a stop and a half; skin that is clipped all
/// over is an exposure, not a glint.
const GLINT_SURROUNDINGS: f32 = 0.35;
/// Reach of those surroundings, px of the small copy: beyond the rim of the largest glint of a person
/// who fills the picture's height.
const GLINT_REACH: usize = 8;
/// Faces are in this share of the person's height, from above.
const HEAD_SHARE: f64 = 0.25;
/// Smallest spot that counts, px of the small copy.
const LEAST_GLINT: usize = 3;
/// What all spots on the person may cover, share of the person: a lens of a pair of glasses is some
/// 0.2 % of a standing person, and there are two.
const MOST_GLINTS: f64 = 0.004;
/// Fewest pixels of a person, share of the picture.
const LEAST_PERSON: f64 = 0.004;
/// The flash's light is cut where it is this much above the ambient light at the border, ln units
/// (half a stop).
const CUT_POOL: f32 = 0.35;
/// Border where gear or shadow goes out of such light, share of the long side.
const MOST_CUT: f64 = 0.15;

pub(super) fn reasons(pair: &Pair<'_>) -> Vec<Reason> {
    let faces = modifier_faces(pair);
    let sure = sure_labels(&pair.over).zip(
        &faces,
        |&label, &is_face| if is_face { Label::Gear } else { label },
    );
    let contact = |of: Label| contact(&sure, of);
    let mut reasons = Vec::new();
    let gear = contact(Label::Gear);
    reasons.extend(touched(
        pair,
        (Fault::GearTouchesPerson, MOST_CONTACT),
        &gear,
        [
            "gear touches the person",
            "move the light a hand's width clear of the person and shoot the lit frame again",
            "look at this place once it is cleaned; keep the light a hand's width clear from now on",
        ],
    ));
    let shadow = contact(Label::GearShadow);
    reasons.extend(touched(
        pair,
        (Fault::ShadowOnPerson, MOST_SHADOW_CONTACT),
        &shadow,
        [
            "the gear's shadow meets the person",
            "turn or raise the light until its shadow falls clear, and shoot the lit frame again",
            "look at this place once it is cleaned; let the shadow fall clear from now on",
        ],
    ));
    reasons.extend(glints(pair));
    reasons.extend(cut_pool(pair));
    reasons
}

/// Pieces of doubtful kind are no evidence that two things touch.
const SURE: f32 = 0.75;

/// Labels of pieces that are surely what they are taken for.
fn sure_labels(over: &Overview) -> Plane<Label> {
    over.regions.numbers.map(|&number| {
        let Some(i) = (number as usize).checked_sub(1) else {
            return Label::Other;
        };
        let label = over.classified.labels[i];
        if over.classified.probabilities[i].of(label) > SURE {
            label
        } else {
            Label::Other
        }
    })
}

/// Pixels of a label with the person beside them.
fn contact(labels: &Plane<Label>, of: Label) -> Plane<bool> {
    let size = labels.size();
    Plane::from_fn(size, |x, y| {
        let near = [
            (x.wrapping_sub(1), y),
            (x + 1, y),
            (x, y.wrapping_sub(1)),
            (x, y + 1),
        ];
        let is_person = |(x, y): (usize, usize)| {
            x < size.columns && y < size.rows && *labels.at(x, y) == Label::Person
        };
        *labels.at(x, y) == of && near.into_iter().any(is_person)
    })
}

fn touched(
    pair: &Pair<'_>,
    (fault, most): (Fault, f64),
    contact: &Plane<bool>,
    [what, now, when_noted]: [&'static str; 3],
) -> Option<Reason> {
    let (window, count) = places::extent(contact)?;
    let side = pair.size().long_side() as f64;
    let measured = Measured {
        value: (count * pair.lit.factor()) as f64,
        limit: most * side,
        unit: Unit::Px,
    };
    let what = format!("{what} along {:.0} px", measured.value);
    let told = Told::of(Shot::LitFrame, what).advise(now, when_noted);
    Some(pair.reason(fault, measured, Some(pair.full(window)), told))
}

fn glints(pair: &Pair<'_>) -> Option<Reason> {
    let person = pair.over.labels.map(|l| *l == Label::Person);
    let area = person.as_slice().iter().filter(|p| **p).count();
    if (area as f64) < LEAST_PERSON * person.size().area() as f64 {
        return None;
    }
    let (body, _) = places::extent(&person)?;
    let chin = body.top + (HEAD_SHARE * body.rows() as f64) as usize;
    let flags = clipped_plane(&pair.lit.small.samples);
    let around = box_mean(&pair.over.lit.channels[1], GLINT_REACH);
    let clipped = Plane::from_fn(person.size(), |x, y| {
        let is_spot = *flags.at(x, y) && *around.at(x, y) < GLINT_SURROUNDINGS;
        y < chin && is_spot && *person.at(x, y)
    });
    let blobs = connected_blobs(&clipped);
    let mut areas = vec![0usize; blobs.count];
    for &number in blobs.numbers.as_slice() {
        if number > 0 {
            areas[number as usize - 1] += 1;
        }
    }
    let largest = ((LARGEST_GLINT * area as f64) as usize).max(LEAST_GLINT);
    let is_glint =
        |number: u32| number > 0 && (LEAST_GLINT..=largest).contains(&areas[number as usize - 1]);
    let glints = blobs.numbers.map(|&n| is_glint(n));
    let (window, count) = places::extent(&glints)?;
    let measured = Measured {
        value: 100.0 * count as f64 / area as f64,
        limit: 100.0 * MOST_GLINTS,
        unit: Unit::Percent,
    };
    let what = format!(
        "flash glints on the person cover {:.2} % of them: no plate shows what is under",
        measured.value
    );
    // Buttons and buckles glint too: only a person can tell.
    let told = Told::of(Shot::LitFrame, what)
        .at_most(Bearing::Doubtful)
        .advise(
            "tip the glasses down or raise the light, powder the skin, and shoot the lit frame again",
            "nothing for the plate: so small a glint stays, and is soon retouched",
        );
    let place = Some(pair.full(window));
    Some(pair.reason(Fault::GlintOnPerson, measured, place, told))
}

/// Where gear or its shadow leaves the picture within the flash's light.
///
/// Under gear nothing is seen of the light: a stretch of border counts as a whole when the light reaches
/// it anywhere, for the plate must be relit along all of it.
fn cut_pool(pair: &Pair<'_>) -> Option<Reason> {
    let over = &pair.over;
    let size = over.labels.size();
    let ambient = over.gain[1].ln();
    let stretches = connected_blobs(&Plane::from_fn(size, |x, y| {
        let at_border = x == 0 || y == 0 || x + 1 == size.columns || y + 1 == size.rows;
        at_border && !*over.sky.at(x, y) && over.labels.at(x, y).is_removed()
    }));
    let mut in_light = vec![false; stretches.count + 1];
    let pool = over.pool[1].as_slice();
    for (&number, &pool) in stretches.numbers.as_slice().iter().zip(pool) {
        in_light[number as usize] |= number > 0 && pool - ambient > CUT_POOL;
    }
    let cut = stretches.numbers.map(|&n| in_light[n as usize]);
    let (window, count) = places::extent(&cut)?;
    let measured = Measured {
        value: 100.0 * count as f64 / size.long_side() as f64,
        limit: 100.0 * MOST_CUT,
        unit: Unit::Percent,
    };
    let what = format!(
        "the border cuts the flash's light where gear is to go, along {:.0} % of the long side",
        measured.value
    );
    let told = Told::of(Shot::LitFrame, what)
        .at_most(Bearing::Doubtful)
        .advise(
            "frame a little wider, or flag the light off the border, and shoot both again",
            "look at this border once it is cleaned; frame a little wider from now on",
        );
    let place = Some(pair.full(window));
    Some(pair.reason(Fault::PoolCut, measured, place, told))
}

#[cfg(test)]
mod tests;
