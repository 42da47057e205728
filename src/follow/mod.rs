//! Stage 6b: gear followed beyond the pieces in which it was found.
//!
//! A pole behind leaves is cut into pieces that are half leaf, a cable before a hedge is lost in its
//! texture, the corner of a box among branches goes with the branches: piece by piece nobody could
//! tell. But gear goes on: a pole or cable keeps its course, width and tone from step to step, a box
//! its flat face, while what moves by itself does not. What is followed is cut out as pieces of its own.

mod flat;
mod looks;
mod slender;
mod surroundings;
#[cfg(test)]
mod tests;
mod weigh;

use looks::Pictures;

use crate::classify::{Classified, Probabilities};
use crate::region::{Piece, Regions, connected_blobs};
use crate::scene::{Label, Perceived, Plane, Size, Window};

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

/// Probability of gear in what was followed. Of the pixels followed on the training and development
/// scenes, from pieces judged by models that had not seen the scene, 84 % were to go; nine tenths
/// of the rest hung on one scene's pipe that was called gear before.
const FOLLOWED: f32 = 0.9;

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
        self.person.as_slice()[i] || self.labels.as_slice()[i].is_person()
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
        cut_out(&field.take(pixels), regions, classified);
    }
    let mut pictures = None;
    for _ in 0..ROUNDS {
        let seeds = slender::seeds(&field);
        if seeds.is_empty() {
            break;
        }
        let pictures = pictures.get_or_insert_with(|| Pictures::of(seen));
        let courses = slender::trace(&field, pictures, &seeds);
        field.fresh = Plane::filled(field.size(), false);
        for pixels in &courses {
            cut_out(&field.take(pixels), regions, classified);
        }
    }
}

fn field<'a>(regions: &Regions, classified: &Classified, seen: &'a FollowInputs<'a>) -> Field<'a> {
    let labels = crate::classify::label_plane(regions, &classified.labels);
    let person = regions.numbers.map(|&n| {
        n > 0 && {
            let i = n as usize - 1;
            let may_be = classified.probabilities[i].of(Label::Person) > PERSON_DOUBT;
            may_be || classified.labels[i] == Label::Person
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

/// Makes pixels a piece of gear of their own. It keeps what was measured of the piece that most of
/// it comes from.
fn cut_out(pixels: &[usize], regions: &mut Regions, classified: &mut Classified) {
    let Some(&first) = pixels.first() else {
        return;
    };
    let columns = regions.numbers.columns();
    let number = regions.pieces.len() as u32 + 1;
    let mut window = Window {
        left: first % columns,
        top: first / columns,
        right: first % columns + 1,
        bottom: first / columns + 1,
    };
    let mut from = std::collections::BTreeMap::<u32, usize>::new();
    for &i in pixels {
        let (x, y) = (i % columns, i / columns);
        window.left = window.left.min(x);
        window.top = window.top.min(y);
        window.right = window.right.max(x + 1);
        window.bottom = window.bottom.max(y + 1);
        let was = std::mem::replace(&mut regions.numbers.as_mut_slice()[i], number);
        if was > 0 {
            *from.entry(was).or_default() += 1;
            regions.pieces[was as usize - 1].area -= 1;
        }
    }
    let Some((&donor, _)) = from.iter().max_by_key(|(_, count)| **count) else {
        return give_back(pixels, regions);
    };
    let features = regions.pieces[donor as usize - 1].features;
    regions.pieces.push(Piece {
        features,
        area: pixels.len(),
        window,
        neighbours: Vec::new(),
    });
    let mut probabilities = Probabilities([0.0; 8]);
    probabilities.0[Label::Gear.index() as usize] = FOLLOWED;
    probabilities.0[Label::Other.index() as usize] = 1.0 - FOLLOWED;
    classified.probabilities.push(probabilities);
    classified.labels.push(Label::Gear);
}

/// Nothing of it had visibly changed: there is nothing to take out.
fn give_back(pixels: &[usize], regions: &mut Regions) {
    for &i in pixels {
        regions.numbers.as_mut_slice()[i] = 0;
    }
}

/// Gear in blobs that take `least` of the frame; gaps up to `gap` px do not part a blob.
fn large_gear(labels: &Plane<Label>, gap: usize, least: f32) -> Plane<bool> {
    let size = labels.size();
    let grid = Size {
        columns: size.columns.div_ceil(gap),
        rows: size.rows.div_ceil(gap),
    };
    let mut counts = Plane::filled(grid, 0usize);
    for y in 0..size.rows {
        let cells = counts.row_mut(y / gap);
        for (x, &label) in labels.row(y).iter().enumerate() {
            cells[x / gap] += usize::from(label == Label::Gear);
        }
    }
    let blobs = connected_blobs(&counts.map(|&c| c > 0));
    let mut areas = vec![0usize; blobs.count + 1];
    for (&number, &count) in blobs.numbers.as_slice().iter().zip(counts.as_slice()) {
        areas[number as usize] += count;
    }
    let least = (least * size.area() as f32) as usize;
    Plane::from_fn(size, |x, y| {
        let number = *blobs.numbers.at(x / gap, y / gap);
        *labels.at(x, y) == Label::Gear && areas[number as usize] >= least
    })
}
