//! What stands in the plate and hides what the lit frame needs, and where the plate does not reach.
//!
//! Which of the two frames a piece of change stands in is told by its surroundings ([`crate::region::stands`]).

use super::{Bearing, Fault, Measured, Pair, Reason, Shot, Told, Unit, places};
use crate::mask::beyond_plate;
use crate::numeric::filter::box_mean;
use crate::pipeline::SetUp;
use crate::region::{Stands, connected_blobs};
use crate::scene::{Label, Plane};

/// Things smaller than this share of the picture are leaves.
const LEAST_THING: f64 = 0.0003;
/// A thing that spoils, share of the picture: a stand of 0.5 % of the width and 60 % of the height. What
/// is smaller may as well be a branch that swayed.
const MOST_THING: f64 = 0.003;
/// A thing as large as a person may cover all of a light, share of the picture.
const LARGE_THING: f64 = 0.01;
/// Masks reach this far beyond the gear, px of the small copy.
const MASK_REACH: usize = 6;
/// Probability from which what stands in the lit frame is the person and stays.
const SURELY_A_PERSON: f32 = 0.75;
/// Share of the probability of gear and person from which a thing is called a person.
const A_PERSON: f64 = 0.5;
/// The same below which it is called gear.
const GEAR: f64 = 0.05;
/// Share of the picture that gear may take where the plate does not reach.
const MOST_BEYOND: f64 = 0.003;

pub(super) fn reasons(pair: &Pair<'_>) -> Vec<Reason> {
    let mut reasons: Vec<Reason> = things(pair).into_iter().collect();
    reasons.extend(beyond(pair));
    reasons
}

/// What stands in the plate, all of it in one reason.
fn things(pair: &Pair<'_>) -> Option<Reason> {
    let over = &pair.over;
    let mask = over
        .regions
        .numbers
        .map(|&n| n > 0 && pair.stands[n as usize - 1] == Stands::InPlate);
    let mask = without_small(&mask);
    let (whole, area) = places::extent(&mask)?;
    let needed = needed(pair);
    let hides = mask.zip(&needed, |&m, &n| m && n);
    let hidden = places::extent(&hides);
    let share = area as f64 / mask.size().area() as f64;
    let measured = Measured {
        value: 100.0 * share,
        limit: 100.0 * MOST_THING,
        unit: Unit::Percent,
    };
    let who = who(pair, &mask);
    let what = if hidden.is_some() {
        format!(
            "{} in the plate ({:.2} % of the picture) where gear is to go",
            who.words(),
            measured.value
        )
    } else {
        format!(
            "{} in the plate, clear of what the lit frame needs",
            who.words()
        )
    };
    let now = match who {
        Who::Person => "ask them out of the picture and shoot the plate again",
        Who::Gear => "carry it 1 m farther out of the picture and shoot the plate again",
        Who::Either => "clear the place and shoot the plate again",
    };
    let told = Told::of(Shot::Plate, what);
    let told = if hidden.is_some() {
        told.advise(
            now,
            "look at this place in both: nothing if it is a branch or leaves",
        )
    } else {
        // Whoever covers all of the gear's place leaves nothing beside which it would be seen.
        let bearing = if share > LARGE_THING {
            Bearing::Doubtful
        } else {
            Bearing::Noted
        };
        told.at_least(bearing).at_most(bearing).advise(
            now,
            "nothing as long as no gear stands before that place in a lit frame",
        )
    };
    let place = Some(pair.full(whole));
    Some(pair.reason(Fault::StandsInPlate, measured, place, told))
}

/// Takes away blobs that are too small for a thing.
fn without_small(mask: &Plane<bool>) -> Plane<bool> {
    let blobs = connected_blobs(mask);
    let mut areas = vec![0usize; blobs.count + 1];
    for &number in blobs.numbers.as_slice() {
        areas[number as usize] += 1;
    }
    let least = (LEAST_THING * mask.size().area() as f64) as usize;
    blobs.numbers.map(|&n| n > 0 && areas[n as usize] > least)
}

/// Where the plate is needed: gear, shadow and glint of the lit frame, what else stands in it and is
/// not surely the person, and the mask's reach.
fn needed(pair: &Pair<'_>) -> Plane<bool> {
    let over = &pair.over;
    let by_piece: Vec<bool> = pair
        .stands
        .iter()
        .zip(&over.classified.labels)
        .zip(&over.classified.probabilities)
        .map(|((&stands, label), p)| {
            let in_lit = stands == Stands::InLit;
            label.is_removed() || in_lit && p.of(Label::Person) < SURELY_A_PERSON
        })
        .collect();
    let needed = over.regions.numbers.map(|&n| {
        let is_needed = n > 0 && by_piece[n as usize - 1];
        if is_needed { 1.0f32 } else { 0.0 }
    });
    box_mean(&needed, MASK_REACH).map(|&share| share > 0.0)
}

/// What a thing seems to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Who {
    Person,
    Gear,
    Either,
}

impl Who {
    fn words(self) -> &'static str {
        match self {
            Self::Person => "somebody stands",
            Self::Gear => "gear stands",
            Self::Either => "somebody or some gear stands",
        }
    }
}

/// Asks the classifier, with the lit frame as the plate's plate.
fn who(pair: &Pair<'_>, mask: &Plane<bool>) -> Who {
    let set_up = SetUp::new(vec![pair.lit.small.clone()]);
    let under = set_up.and_then(|set_up| set_up.overview(0, &pair.plate.small));
    let Ok(under) = under else {
        return Who::Either;
    };
    let (mut gear, mut person) = (0.0f64, 0.0f64);
    let numbers = under.regions.numbers.as_slice().iter();
    for (&number, _) in numbers.zip(mask.as_slice()).filter(|(_, m)| **m) {
        if let Some(i) = (number as usize).checked_sub(1) {
            let p = &under.classified.probabilities[i];
            gear += f64::from(p.of(Label::Gear));
            person += f64::from(p.of(Label::Person));
        }
    }
    match person / (gear + person).max(f64::EPSILON) {
        share if share > A_PERSON => Who::Person,
        share if share < GEAR && gear > 0.0 => Who::Gear,
        _ => Who::Either,
    }
}

/// Gear at a border that the plate does not show.
fn beyond(pair: &Pair<'_>) -> Option<Reason> {
    let over = &pair.over;
    let labels = beyond_plate(&over.labels, &over.usable, &over.lit_seen, &over.difference);
    let lost = labels.zip(&over.usable, |label, &usable| {
        !usable && *label == Label::Gear
    });
    let (window, count) = places::extent(&lost)?;
    let measured = Measured {
        value: 100.0 * count as f64 / lost.size().area() as f64,
        limit: 100.0 * MOST_BEYOND,
        unit: Unit::Percent,
    };
    let what = format!(
        "the plate does not reach the border behind gear ({:.2} % of the picture)",
        measured.value
    );
    let now = "frame as for the lit frame, a little wider if you must, and shoot the plate again";
    let noted = "look at this border once it is cleaned; frame a little wider for the next plate";
    let told = Told::of(Shot::Plate, what).advise(now, noted);
    let place = Some(pair.full(window));
    Some(pair.reason(Fault::PlateDoesNotReach, measured, place, told))
}
