//! A person is in one place.
//!
//! A length of pole among leaves may look like a sleeve, a cable like an arm. But people do not come
//! in small pieces far from the rest of them.

use super::{Classified, Probabilities};
use crate::region::{LooseBlobs, Regions};
use crate::scene::{Label, Window};

/// Gaps up to this, px of the working copy, do not part a person: a strap, a pole in front.
const GAP: usize = 8;

/// A blob of at least this share of the largest person is a person, too: somebody farther off.
const WHOLE_SHARE: f32 = 0.15;

/// Below this share of the largest person a blob is a part of somebody, or nobody: a hand and a
/// forearm are 5 % of a body's surface (rule of nines for burns, from memory).
const PART_SHARE: f32 = 0.06;

/// A part is within this share of the person's larger extent: an arm's reach is half the height.
const REACH: f32 = 0.5;

/// Decides anew, with the person out of the question, what counts as the person far from any.
pub(super) fn decide_strays_anew(classified: &mut Classified, regions: &Regions) {
    let counts_as_person = |x: usize, y: usize| {
        let number = *regions.numbers.at(x, y) as usize;
        number > 0 && classified.labels[number - 1] == Label::Person
    };
    let blobs = LooseBlobs::of(regions.numbers.size(), GAP, counts_as_person);
    let mut people = vec![Blob::default(); blobs.count() + 1];
    for (x, y, number, _) in blobs.cells() {
        people[number].reach_to(x, y);
    }
    for (index, piece) in regions.pieces.iter().enumerate() {
        if classified.labels[index] == Label::Person
            && let Some((x, y)) = any_pixel(regions, index, piece.window)
        {
            let share = classified.probabilities[index].of(Label::Person);
            people[blobs.number_at(x, y)].area += share * piece.area as f32;
        }
    }
    let strays = strays(&people[1..]);
    if !strays.contains(&true) {
        return;
    }
    for (index, piece) in regions.pieces.iter().enumerate() {
        if classified.labels[index] != Label::Person {
            continue;
        }
        let Some((x, y)) = any_pixel(regions, index, piece.window) else {
            continue;
        };
        let blob = blobs.number_at(x, y);
        if blob > 0 && strays[blob - 1] {
            classified.labels[index] = without_person(classified.probabilities[index]).decision();
        }
    }
}

fn without_person(mut probabilities: Probabilities) -> Probabilities {
    probabilities.0[Label::Person.index() as usize] = 0.0;
    probabilities.normalised()
}

fn any_pixel(regions: &Regions, piece: usize, window: Window) -> Option<(usize, usize)> {
    let number = piece as u32 + 1;
    (window.top..window.bottom)
        .flat_map(|y| (window.left..window.right).map(move |x| (x, y)))
        .find(|&(x, y)| *regions.numbers.at(x, y) == number)
}

/// What counts as the person in one place; extents in cells.
#[derive(Debug, Clone, Default)]
struct Blob {
    /// Px that are the person's, each piece's by its probability: in doubt much is called the person.
    area: f32,
    window: Option<Window>,
}

impl Blob {
    fn reach_to(&mut self, x: usize, y: usize) {
        let window = self.window.get_or_insert(Window {
            left: x,
            top: y,
            right: x + 1,
            bottom: y + 1,
        });
        window.left = window.left.min(x);
        window.top = window.top.min(y);
        window.right = window.right.max(x + 1);
        window.bottom = window.bottom.max(y + 1);
    }

    fn is_within_reach_of(&self, person: &Self) -> bool {
        let (Some(a), Some(b)) = (self.window, person.window) else {
            return true;
        };
        let gap = |low: usize, high: usize| low.saturating_sub(high);
        let across = gap(a.left, b.right).max(gap(b.left, a.right));
        let down = gap(a.top, b.bottom).max(gap(b.top, a.bottom));
        let reach = REACH * b.columns().max(b.rows()) as f32;
        (across as f32).hypot(down as f32) <= reach
    }
}

fn strays(blobs: &[Blob]) -> Vec<bool> {
    let largest = blobs.iter().map(|b| b.area).fold(0.0, f32::max);
    let is_whole = |blob: &&Blob| blob.area >= WHOLE_SHARE * largest;
    blobs
        .iter()
        .map(|blob| {
            let is_part = blob.area < PART_SHARE * largest;
            let mut people = blobs.iter().filter(is_whole);
            is_part && !people.any(|person| blob.is_within_reach_of(person))
        })
        .collect()
}
