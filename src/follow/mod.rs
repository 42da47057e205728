//! Stage 6b: gear followed beyond the pieces in which it was found.
//!
//! A pole behind leaves is cut into pieces that are half leaf, a cable before a hedge is lost in its
//! texture, the corner of a box among branches goes with the branches: piece by piece nobody could
//! tell. But gear goes on: a pole or cable keeps its course, width and tone from step to step, a box
//! its flat face, while what moves by itself does not. What is followed is cut out as pieces of its own.

mod flat;
mod lines;
mod link;
mod looks;
mod slender;
mod strokes;
mod surroundings;
#[cfg(test)]
pub(crate) mod tests;
mod weigh;

use rayon::prelude::*;

use looks::{Looker, Pictures};

use crate::classify::{Classified, Probabilities};
use crate::region::{LooseBlobs, Piece, Regions};
use crate::scene::{Label, Perceived, Plane, Size};

/// What following reads beside the pieces; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct FollowInputs<'a> {
    /// Open sky of the plate, in lit-frame pixels.
    pub sky: &'a Plane<bool>,
    /// The lit frame as seen.
    pub lit_seen: &'a Perceived,
    /// The relit plate as seen.
    pub plate_seen: &'a Perceived,
}

/// How often what was followed is followed on from.
const ROUNDS: usize = 2;

/// Probability of the person from which nothing is followed onto a piece.
const PERSON_DOUBT: f32 = 0.3;

/// Smallest piece of a person's shadow that bars the way, px of the working copy: smaller ones are
/// lengths of cable as often.
const SHADOW: usize = 60;

/// Such a piece bars no way either that touches what stands still and lies farther than this from anything
/// that moves, share of the frame's long side: the leg of a stand, taken for the shadow of nobody.
const FAR_FROM_PEOPLE: f32 = 0.1;

/// Probability of gear in what was followed. Of the pixels followed on the training and development
/// scenes, from pieces judged by models that had not seen the scene, 84 % were to go; nine tenths
/// of the rest hung on one scene's pipe that was called gear before.
const FOLLOWED: f32 = 0.9;

fn followed() -> Probabilities {
    Probabilities::either(Label::Gear, FOLLOWED)
}

/// The frame as the parts of this stage see it.
struct Field<'a> {
    seen: &'a FollowInputs<'a>,
    labels: Plane<Label>,
    /// Does the pixel belong to a piece of change?
    changed: Plane<bool>,
    /// Where a person is or may be.
    person: Plane<bool>,
    /// Gear that nothing was followed from yet.
    fresh: Plane<bool>,
}

impl Field<'_> {
    fn size(&self) -> Size {
        self.labels.size()
    }

    fn is_person(&self, i: usize) -> bool {
        self.person.as_slice()[i]
    }

    /// May gear be followed onto this pixel, and is that news?
    fn is_open(&self, i: usize) -> bool {
        !self.labels.as_slice()[i].is_removed() && !self.is_person(i)
    }

    /// Makes pixels gear; those for which that is news.
    fn take(&mut self, pixels: &[usize]) -> Vec<usize> {
        let new = pixels
            .iter()
            .copied()
            .filter(|&i| self.is_open(i))
            .collect();
        for &i in pixels {
            self.labels.as_mut_slice()[i] = Label::Gear;
            self.fresh.as_mut_slice()[i] = true;
        }
        new
    }
}

/// Follows the gear that was found to where it ends, and cuts what was followed out of the pieces it
/// was in, as gear. Holds six planes.
pub fn follow_gear(regions: &mut Regions, classified: &mut Classified, seen: &FollowInputs<'_>) {
    if !classified.labels.contains(&Label::Gear) {
        return;
    }
    let mut field = field(regions, classified, seen);
    let grown = flat::grow(&field);
    for pixels in &grown {
        classified.cut_out(regions, &field.take(pixels), (Label::Gear, followed()));
    }
    if !field.fresh.as_slice().contains(&true) {
        return;
    }
    let pictures = Pictures::of(seen);
    for _ in 0..ROUNDS {
        follow_on(&mut field, &pictures, (regions, classified));
    }
    if take_strokes(&mut field, &pictures, (regions, classified)) {
        follow_on(&mut field, &pictures, (regions, classified));
    }
    close_gaps(&mut field, &pictures, (regions, classified));
}

type Decided<'a> = (&'a mut Regions, &'a mut Classified);

/// Follows what is slender from the gear that nothing was followed from yet.
fn follow_on(field: &mut Field<'_>, pictures: &Pictures<'_>, (regions, classified): Decided<'_>) {
    if !field.fresh.as_slice().contains(&true) {
        return;
    }
    let seeds = slender::seeds(field, &slender::beginnings(field));
    let courses = slender::trace(field, pictures, &seeds);
    field.fresh = Plane::filled(field.size(), false);
    for pixels in &courses {
        classified.cut_out(regions, &field.take(pixels), (Label::Gear, followed()));
    }
}

/// Takes the strokes that lead to gear, or to one that does. Were there any?
fn take_strokes(
    field: &mut Field<'_>,
    pictures: &Pictures<'_>,
    (regions, classified): Decided<'_>,
) -> bool {
    let mut strokes = strokes::find(&Looker::of(field, pictures));
    let found = strokes.len();
    for _ in 0..ROUNDS {
        if strokes.is_empty() {
            break;
        }
        let looker = Looker::of(field, pictures);
        let large = slender::beginnings(field);
        let gaps = strokes.par_iter().map(|s| s.with_gap(&looker, &large));
        let mut gaps = gaps.collect::<Vec<_>>().into_iter();
        let mut led = Vec::new();
        strokes.retain(|_| {
            let with_gap = gaps.next().expect("there is one for each stroke");
            let is_led = with_gap.is_some();
            led.extend(with_gap);
            !is_led
        });
        // What led nowhere leads nowhere still.
        if led.is_empty() {
            break;
        }
        for pixels in &led {
            classified.cut_out(regions, &field.take(pixels), (Label::Gear, followed()));
        }
    }
    strokes.len() < found
}

/// Takes the gaps between gear and gear that goes on beyond them.
fn close_gaps(field: &mut Field<'_>, pictures: &Pictures<'_>, (regions, classified): Decided<'_>) {
    field.fresh = field.labels.map(|l| *l == Label::Gear);
    let large = slender::beginnings(field);
    let seeds = slender::seeds(field, &large);
    let looker = Looker::of(field, pictures);
    let gaps: Vec<Vec<usize>> = link::gaps(&looker, &seeds, &large)
        .iter()
        .map(|gap| gap.pixels_off_people(&looker))
        .collect();
    for pixels in &gaps {
        classified.cut_out(regions, &field.take(pixels), (Label::Gear, followed()));
    }
}

fn field<'a>(regions: &Regions, classified: &Classified, seen: &'a FollowInputs<'a>) -> Field<'a> {
    let labels = crate::classify::label_plane(regions, &classified.labels);
    let person = regions.numbers.map(|&n| {
        n > 0 && {
            let i = n as usize - 1;
            let may_be = classified.probabilities[i].of(Label::Person) > PERSON_DOUBT;
            match classified.labels[i] {
                Label::Person => true,
                Label::PersonShadow => may_be || is_somebodys_shadow(&regions.pieces[i]),
                _ => may_be,
            }
        }
    });
    Field {
        seen,
        fresh: labels.map(|l| *l == Label::Gear),
        labels,
        changed: regions.numbers.map(|&n| n > 0),
        person,
    }
}

/// Does a piece that was taken for a person's shadow bar the way?
fn is_somebodys_shadow(piece: &Piece) -> bool {
    let f = &piece.features;
    let is_nobodys = f.to_standing == 0.0 && f.to_moving > FAR_FROM_PEOPLE;
    piece.area >= SHADOW && !is_nobodys
}

/// Gear in blobs that take `least` of the frame; gaps up to `gap` px do not part a blob.
fn large_gear(labels: &Plane<Label>, gap: usize, least: f32) -> Plane<bool> {
    let size = labels.size();
    let blobs = LooseBlobs::of(size, gap, |x, y| *labels.at(x, y) == Label::Gear);
    let mut areas = vec![0usize; blobs.count() + 1];
    for (_, _, number, pixels) in blobs.cells() {
        areas[number] += pixels;
    }
    let least = (least * size.area() as f32) as usize;
    Plane::from_fn(size, |x, y| {
        *labels.at(x, y) == Label::Gear && areas[blobs.number_at(x, y)] >= least
    })
}
