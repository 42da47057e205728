//! What stands in one of two pictures alone: things, put together of pieces.

use std::collections::VecDeque;

use super::comparison::{Begun, Known, SmallLit};
use super::examined::Found;
use super::{CleanError, Clock, Examined, Lie, SetUp, Silent};
use crate::classify::{Classified, classify};
use crate::region::{Regions, Stands, connected_blobs, stands};
use crate::registration::Registration;
use crate::scene::{Label, Perceived, Plane};
use crate::sky::Drift;

/// A thing in the plate is looked into from this share of the picture on: somebody a fifth as high as it.
/// What is smaller and dark before leaves, as a stand is, may seem to be the plate's.
const LARGE_THING: f32 = 0.003;

/// Share of its pixels, by probability, that must be somebody, gear or the shadow of either in the picture
/// that it stands in: people set into the plates of the development scenes had .80 and more, or lost
/// nothing by being missed; a box before leaves, of the training scenes, had .64 ..
const MOSTLY_A_THING: f32 = 0.7;

/// .. and of somebody or their shadow alone: a dark box before bright leaves looks like a thing from both
/// sides, but not like a person.
const SOMEBODY: f32 = 0.25;

/// A piece without surroundings of its own to tell by (the middle of a person) stands where those beside
/// it do, as long as it looks like somebody, gear, or the shadow of either.
fn spread(mut stands: Vec<Stands>, regions: &Regions, labels: &[Label]) -> Vec<Stands> {
    let told = |&piece: &usize| stands[piece] != Stands::Nowhere;
    let mut queue: VecDeque<usize> = (0..stands.len()).filter(told).collect();
    while let Some(piece) = queue.pop_front() {
        for beside in &regions.pieces[piece].neighbours {
            if stands[beside.piece] == Stands::Nowhere && is_thing(labels[beside.piece]) {
                stands[beside.piece] = stands[piece];
                queue.push_back(beside.piece);
            }
        }
    }
    stands
}

fn is_thing(label: Label) -> bool {
    label.is_person() || matches!(label, Label::Gear | Label::GearShadow)
}

/// The pixels that stand there, without blobs of less than this share of the picture: blob numbers from
/// 1, and how many.
fn things(
    (regions, stands): (&Regions, &[Stands]),
    there: Stands,
    least_share: f32,
) -> (Plane<u32>, usize) {
    let is_there = |n: &u32| *n > 0 && stands[*n as usize - 1] == there;
    let blobs = connected_blobs(&regions.numbers.map(is_there));
    let mut areas = vec![0usize; blobs.count + 1];
    for &blob in blobs.numbers.as_slice() {
        areas[blob as usize] += 1;
    }
    let least = least_share * blobs.numbers.size().area() as f32;
    let mut count = 0;
    let renumbered = areas.iter().enumerate().map(|(blob, &area)| {
        let is_large = blob > 0 && area as f32 > least;
        count += usize::from(is_large);
        if is_large { count as u32 } else { 0 }
    });
    let renumbered: Vec<u32> = renumbered.collect();
    (blobs.numbers.map(|&b| renumbered[b as usize]), count)
}

/// Which pieces lie in a thing.
fn pieces_in(things: &Plane<u32>, regions: &Regions) -> Vec<bool> {
    let mut inside = vec![false; regions.pieces.len()];
    let places = regions.numbers.as_slice().iter().zip(things.as_slice());
    for (&number, _) in places.filter(|(_, thing)| **thing > 0) {
        inside[number as usize - 1] = true;
    }
    inside
}

/// A lit frame's pieces, and what they were cut from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cut<'a> {
    pub(super) regions: &'a Regions,
    pub(super) classified: &'a Classified,
    pub(super) lit_seen: &'a Perceived,
    pub(super) found: &'a Found,
    /// Of the lit frame's encoding.
    pub(super) to_xyz: &'a [[f32; 3]; 3],
}

impl Cut<'_> {
    /// Which pieces lie in things of at least `least_share` of the picture that stand in the lit frame
    /// alone.
    pub(super) fn standing_in_lit(&self, least_share: f32) -> Vec<bool> {
        let (things, _) = things((self.regions, &self.stands()), Stands::InLit, least_share);
        pieces_in(&things, self.regions)
    }

    /// Which lie in somebody who stands in the plate alone; `None` where nobody does. What such pieces hide
    /// is as still from pose to pose as gear; so who seems to stand there is looked at once more with lit
    /// frame and plate the other way round, where it is a person before the lit frame's background.
    fn of_somebody_in_plate(&self) -> Option<Vec<bool>> {
        let (things, count) = things((self.regions, &self.stands()), Stands::InPlate, LARGE_THING);
        let inside = pieces_in(&things, self.regions);
        let labels = self.classified.labels.iter();
        if !labels
            .zip(inside)
            .any(|(l, inside)| inside && l.is_removed())
        {
            return None;
        }
        let reversed = self.the_other_way_round().ok()?;
        let shares = shares_of_things((&things, count), &reversed);
        let is_one = |n: u32| {
            let Share { thing, person } = shares[n as usize];
            n > 0 && thing > MOSTLY_A_THING && person > SOMEBODY
        };
        let things = things.map(|&n| if is_one(n) { n } else { 0 });
        Some(pieces_in(&things, self.regions))
    }

    /// Of each piece, where it stands.
    fn stands(&self) -> Vec<Stands> {
        let told = stands(self.regions, self.lit_seen, &self.found.relit_seen);
        spread(told, self.regions, &self.classified.labels)
    }

    /// The plate as the frame, the lit frame as its plate.
    fn the_other_way_round(&self) -> Result<Examined, CleanError> {
        let Self { found, to_xyz, .. } = *self;
        // Nothing is merged.
        let factor = 1;
        let beside = SetUp::of_working_copy(found.lit.clone(), factor);
        let mut clock = Clock::new(&Silent);
        let lie = Lie {
            registration: Registration::aligned_before(),
            drift: Drift::none(),
            factor,
        };
        let known = Known {
            lie: &lie,
            sky: Some(&found.sky.mask),
        };
        let small = SmallLit {
            small: found.plate.clone(),
            to_xyz,
        };
        let compared = beside.compare(&beside.plates[0], small, Some(known), &mut clock)?;
        let begun = Begun::Compared(Box::new(compared), to_xyz);
        beside.examine_timed(0, begun, &mut clock)
    }

    /// The labels without what stands in the plate: there the lit frame is as it should be.
    pub(super) fn labels_without_plates_people(&self) -> Vec<Label> {
        let mut labels = self.classified.labels.clone();
        let Some(in_plate) = self.of_somebody_in_plate() else {
            return labels;
        };
        for (label, _) in labels.iter_mut().zip(in_plate).filter(|piece| piece.1) {
            if label.is_removed() {
                *label = Label::Other;
            }
        }
        labels
    }
}

/// How much of a thing is somebody, gear, or the shadow of either, and how much is somebody or theirs.
#[derive(Debug, Clone, Copy, Default)]
struct Share {
    thing: f32,
    person: f32,
}

/// Of each thing, by its number.
fn shares_of_things((things, count): (&Plane<u32>, usize), reversed: &Examined) -> Vec<Share> {
    let classified = classify(&reversed.regions, reversed.known);
    let mut sums = vec![(Share::default(), 0usize); count + 1];
    let numbers = reversed.regions.numbers.as_slice();
    for (&thing, &number) in things.as_slice().iter().zip(numbers) {
        let (sum, area) = &mut sums[thing as usize];
        *area += 1;
        if number > 0 {
            let p = &classified.probabilities[number as usize - 1];
            sum.thing += p.removed() + p.person();
            sum.person += p.person();
        }
    }
    let share = |&(sum, area): &(Share, usize)| Share {
        thing: sum.thing / area.max(1) as f32,
        person: sum.person / area.max(1) as f32,
    };
    sums.iter().map(share).collect()
}
