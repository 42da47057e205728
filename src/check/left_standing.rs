//! A stand that was left where it stood while its box was taken off.
//!
//! It is the same in both frames, so no change tells of it. But a box that hangs in the air with a thin
//! upright line below it, in both frames alike, was held by that line.

use super::{Fault, Measured, Pair, Reason, Shot, Told, Unit};
use crate::region::{Stands, connected_blobs};
use crate::scene::{Label, Plane, Size, Window};

/// Smallest box, share of the picture.
const LEAST_BOX: f64 = 0.003;
/// Lowest rows of a box in which a stand may begin, share of its height.
const LOWEST: f64 = 0.12;
/// Columns beside them that are tried too, px of the small copy.
const BESIDE: usize = 4;
/// Widths of a stand that are looked for, px of the small copy: half of it and some to spare.
const REACHES: [usize; 2] = [4, 8];
/// Least step of lightness (CIELAB) on both sides of a line: half of what tells black from mid grey
/// through haze.
const LEAST_STEP: f32 = 6.0;
/// A line may be lost for so many rows, px of the small copy: a knuckle, a cable.
const LONGEST_GAP: usize = 6;
/// A line of this share of the picture's height is a stand: the legs alone are less.
const LEAST_STAND: f64 = 0.1;
/// The same below a box that reaches over a border: what holds it may be out of the picture, and so more
/// than half as much again is asked of a line below what is seen of it.
const LEAST_STAND_AT_BORDER: f64 = 0.16;

pub(super) fn reasons(pair: &Pair<'_>) -> Vec<Reason> {
    let over = &pair.over;
    let size = over.labels.size();
    let gear = over.regions.numbers.zip(&over.labels, |&n, &label| {
        let stands = n > 0 && pair.stands[n as usize - 1] == Stands::InLit;
        n > 0 && label != Label::Person && (label == Label::Gear || stands)
    });
    let lightness = [&over.lit_seen.lightness, &over.plate_seen.lightness];
    let longest = boxes(&gear)
        .into_iter()
        .filter_map(|place| {
            let least = least_stand(&place, size);
            Some((line_below(lightness, &gear, (place, least))?, least))
        })
        .max_by_key(|(line, _)| line.rows());
    longest
        .map(|(line, least)| told(pair, line, least))
        .into_iter()
        .collect()
}

/// Large blobs that do not touch the picture's lower border, below which nothing is to be seen. What
/// reaches over another border may still have its stand in the picture.
fn boxes(gear: &Plane<bool>) -> Vec<Window> {
    let size = gear.size();
    let blobs = connected_blobs(gear);
    let none = Window {
        left: size.columns,
        top: size.rows,
        right: 0,
        bottom: 0,
    };
    let mut found = vec![(none, 0usize); blobs.count];
    for y in 0..size.rows {
        for (x, &n) in blobs.numbers.row(y).iter().enumerate() {
            if n > 0 {
                let (w, area) = &mut found[n as usize - 1];
                *w = Window {
                    left: w.left.min(x),
                    top: w.top.min(y),
                    right: w.right.max(x + 1),
                    bottom: w.bottom.max(y + 1),
                };
                *area += 1;
            }
        }
    }
    let least = (LEAST_BOX * size.area() as f64) as usize;
    let large = found
        .into_iter()
        .filter(|(w, area)| *area > least && w.bottom + 1 < size.rows);
    large.map(|(w, _)| w).collect()
}

/// The longest upright line that begins at the box's lower end and is the same in both frames.
fn line_below(
    lightness: [&Plane<f32>; 2],
    gear: &Plane<bool>,
    (place, least): (Window, usize),
) -> Option<Window> {
    let size = gear.size();
    let low = place.bottom - ((LOWEST * place.rows() as f64) as usize).clamp(1, place.rows());
    let columns =
        (place.left..place.right).filter(|&x| (low..place.bottom).any(|y| *gear.at(x, y)));
    let (first, last) = (columns.clone().min()?, columns.max()?);
    let starts = first.saturating_sub(BESIDE)..(last + BESIDE + 1).min(size.columns);
    let lines = starts.filter_map(|x| {
        let sign = Sign::at(lightness, x, place.bottom + 1)?;
        let down = follow(lightness, sign, (x, place.bottom + 1), Way::Down);
        let up = follow([lightness[1]; 2], sign, (x, place.bottom), Way::Up);
        // What goes on above the box belongs to the scene.
        let is_stand = down.rows() >= least && up.rows() < place.rows();
        is_stand.then_some(down)
    });
    lines.max_by_key(Window::rows)
}

/// Rows that a stand below a box takes at least.
fn least_stand(place: &Window, size: Size) -> usize {
    let share = if place.left <= 1 || place.top <= 1 || place.right + 1 >= size.columns {
        LEAST_STAND_AT_BORDER
    } else {
        LEAST_STAND
    };
    (share * size.rows as f64) as usize
}

/// Is a line darker or lighter than what is beside it?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sign {
    Darker,
    Lighter,
}

impl Sign {
    /// Of a line through a place in both frames.
    fn at(lightness: [&Plane<f32>; 2], x: usize, y: usize) -> Option<Self> {
        [Self::Darker, Self::Lighter]
            .into_iter()
            .find(|sign| sign.holds(lightness, x, y))
    }

    fn holds(self, lightness: [&Plane<f32>; 2], x: usize, y: usize) -> bool {
        let size = lightness[0].size();
        y < size.rows
            && lightness.iter().all(|plane| {
                let row = plane.row(y);
                REACHES.iter().any(|&reach| {
                    let sides = (x.checked_sub(reach), row.get(x + reach));
                    let (Some(left), Some(&right)) = sides else {
                        return false;
                    };
                    let steps = [row[left] - row[x], right - row[x]];
                    steps.into_iter().all(|step| match self {
                        Self::Darker => step > LEAST_STEP,
                        Self::Lighter => step < -LEAST_STEP,
                    })
                })
            })
    }
}

/// Where a line goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Down,
    Up,
}

/// Follows a line row by row, a column aside at most.
fn follow(
    lightness: [&Plane<f32>; 2],
    sign: Sign,
    (start, from): (usize, usize),
    way: Way,
) -> Window {
    let Size { columns, rows } = lightness[0].size();
    let mut line = Window {
        left: start,
        top: from,
        right: start + 1,
        bottom: from,
    };
    let (mut x, mut y, mut gap) = (start, from, 0);
    while y < rows && gap <= LONGEST_GAP {
        let near = [x, x.saturating_sub(1), (x + 1).min(columns - 1)];
        if let Some(found) = near.into_iter().find(|&x| sign.holds(lightness, x, y)) {
            (x, gap) = (found, 0);
            line.left = line.left.min(x);
            line.right = line.right.max(x + 1);
            line.top = line.top.min(y);
            line.bottom = line.bottom.max(y + 1);
        } else {
            gap += 1;
        }
        y = match way {
            Way::Down => y + 1,
            Way::Up if y == 0 => break,
            Way::Up => y - 1,
        };
    }
    line
}

fn told(pair: &Pair<'_>, line: Window, least: usize) -> Reason {
    let factor = pair.lit.factor() as f64;
    let measured = Measured {
        value: line.rows() as f64 * factor,
        limit: least as f64 * factor,
        unit: Unit::Px,
    };
    let what = format!(
        "the plate still shows a stand, {:.0} px of it, below where the light was",
        measured.value
    );
    // A line that is a stand at all is long enough to spoil.
    let now = "carry the stand out of the picture too and shoot the plate again";
    let told = Told::of(Shot::Plate, what).advise(now, "");
    pair.reason(Fault::StandLeft, measured, Some(pair.full(line)), told)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size {
        columns: 300,
        rows: 200,
    };

    /// A wall with a dark line in some rows.
    fn wall(line: std::ops::Range<usize>) -> Plane<f32> {
        Plane::from_fn(SIZE, |x, y| {
            let on_line = line.contains(&y) && (149..=151).contains(&x);
            if on_line { 20.0 } else { 60.0 }
        })
    }

    fn found(lit: &Plane<f32>, plate: &Plane<f32>) -> Option<Window> {
        below(120..180, lit, plate)
    }

    /// Below a box that takes some columns.
    fn below(
        box_columns: std::ops::Range<usize>,
        lit: &Plane<f32>,
        plate: &Plane<f32>,
    ) -> Option<Window> {
        let gear = Plane::from_fn(SIZE, |x, y| {
            box_columns.contains(&x) && (20..80).contains(&y)
        });
        let places = boxes(&gear);
        assert_eq!(places.len(), 1);
        let least = least_stand(&places[0], SIZE);
        line_below([lit, plate], &gear, (places[0], least))
    }

    #[test]
    fn a_line_below_a_box_in_both_frames_is_a_stand() {
        let both = wall(80..160);
        let line = found(&both, &both).unwrap();
        assert!((75..=80).contains(&line.rows()), "{line:?}");
    }

    #[test]
    fn a_box_that_reaches_over_the_side_asks_for_a_longer_line() {
        let (short, long) = (wall(80..106), wall(80..160));
        assert!(found(&short, &short).is_some());
        assert_eq!(below(120..300, &short, &short), None);
        assert!(below(120..300, &long, &long).is_some());
    }

    #[test]
    fn a_box_on_the_lower_border_has_nothing_below_it() {
        let gear = Plane::from_fn(SIZE, |x, y| (120..180).contains(&x) && y >= 100);
        assert!(boxes(&gear).is_empty());
    }

    #[test]
    fn a_mast_that_goes_on_above_and_a_stand_that_is_gone_are_none() {
        let mast = wall(0..160);
        assert_eq!(found(&mast, &mast), None);
        assert_eq!(found(&wall(80..160), &wall(0..0)), None);
        let short = wall(80..90);
        assert_eq!(found(&short, &short), None);
    }
}
