//! Mishaps of the lit frame: gear, shadow and glints on the person, a border through the light.

use derig::scene::{CodeValues, Label, Plane, Samples, Size};

use super::{Shots, code_of, codes, columns_of, extent, from_codes, linear, paste};

/// Light that is left in the gear's shadow: a flash two stops above the ambient light is gone.
const SHADOWED: f64 = 0.3;
/// A glint's share of the person; five of them.
const GLINT: f64 = 0.0017;

/// Share of the width by which the light overlaps the person.
const OVERLAP: f64 = 0.012;
/// Light of the flash where the border is to cut it, in ambient light: a stop more.
const POOL: f64 = 2.0;

/// The light once more, its far side just before the person's near one.
pub(super) fn gear_before_person(shots: &Shots) -> Option<Samples> {
    let gear = extent(shots, Label::Gear)?;
    let person = extent(shots, Label::Person)?;
    let middle = |(left, right, ..): (usize, usize, usize, usize)| usize::midpoint(left, right);
    let overlap = (OVERLAP * shots.lit.size.columns as f64) as i64;
    let step = if middle(gear) < middle(person) {
        person.0 as i64 + overlap - gear.1 as i64
    } else {
        person.1 as i64 - overlap - gear.0 as i64
    };
    let mut lit = shots.lit.clone();
    paste(&mut lit, shots, (step, 0), |l, _| l == Label::Gear);
    Some(lit)
}

/// A band of shadow from the gear's foot to the person's far side, a tenth of the person high.
pub(super) fn shadow_across_person(shots: &Shots) -> Option<Samples> {
    let gear = extent(shots, Label::Gear)?;
    let (left, right, top, bottom) = extent(shots, Label::Person)?;
    let middle = usize::midpoint(gear.0, gear.1);
    let across = left.min(middle)..right.max(middle);
    let height = (bottom - top) / 8;
    let down = bottom.saturating_sub(2 * height)..bottom.saturating_sub(height);
    Some(scaled(&shots.lit, SHADOWED, |x, y| {
        across.contains(&x) && down.contains(&y) && *shots.labels.at(x, y) != Label::Gear
    }))
}

/// Five white spots side by side in the upper eighth of the person.
pub(super) fn glints_on_face(shots: &Shots) -> Option<Samples> {
    let (_, _, top, bottom) = extent(shots, Label::Person)?;
    let size = shots.labels.size();
    let is_person = |x: usize, y: usize| *shots.labels.at(x, y) == Label::Person;
    let area = shots
        .labels
        .as_slice()
        .iter()
        .filter(|l| **l == Label::Person);
    let radius = (GLINT * area.count() as f64 / std::f64::consts::PI).sqrt();
    let y = top + (bottom - top) / 12;
    let row: Vec<usize> = (0..size.columns).filter(|&x| is_person(x, y)).collect();
    let middle = row.iter().sum::<usize>() as f64 / row.len().max(1) as f64;
    let spots = [-6.0, -3.0, 0.0, 3.0, 6.0].map(|step| (middle + step * radius, y as f64));
    Some(scaled(&shots.lit, 1000.0, |x, y| {
        let near = |&(cx, cy): &(f64, f64)| (x as f64 - cx).hypot(y as f64 - cy) <= radius;
        is_person(x, y) && spots.iter().any(near)
    }))
}

/// Both frames without what lies on the far side of the light's middle, seen from the person, and flash
/// light on all that is within a gear's height of the new border.
pub(super) fn cut_through_gear(shots: &Shots) -> Option<Shots> {
    let gear = extent(shots, Label::Gear)?;
    let person = extent(shots, Label::Person)?;
    let middle = usize::midpoint(gear.0, gear.1);
    let columns = shots.lit.size.columns;
    let part = if middle < usize::midpoint(person.0, person.1) {
        middle..columns
    } else {
        0..middle
    };
    let size = Size {
        columns: part.len(),
        rows: shots.lit.size.rows,
    };
    let reach = gear.3 - gear.2;
    let is_lit = |x: usize, y: usize| {
        let label = *shots.labels.at(x, y);
        let kept = label == Label::Gear || label == Label::Person;
        x.abs_diff(middle) < reach && (gear.2..=gear.3).contains(&y) && !kept
    };
    Some(Shots {
        lit: columns_of(&scaled(&shots.lit, POOL, is_lit), part.clone()),
        plate: columns_of(&shots.plate, part.clone()),
        labels: Plane::from_fn(size, |x, y| *shots.labels.at(part.start + x, y)),
    })
}

/// White where it is wanted.
pub(super) fn white_where(samples: &Samples, wanted: &Plane<bool>) -> Samples {
    scaled(samples, 1000.0, |x, y| *wanted.at(x, y))
}

/// Light times a gain in some places.
fn scaled(samples: &Samples, gain: f64, wanted: impl Fn(usize, usize) -> bool) -> Samples {
    let mut after = from_codes(samples.size, samples, codes(samples).to_vec());
    let CodeValues::Eight(to) = &mut after.values else {
        return after;
    };
    let columns = samples.size.columns;
    for (i, pixel) in to.chunks_exact_mut(3).enumerate() {
        if wanted(i % columns, i / columns) {
            for code in pixel {
                *code = code_of(gain * linear(*code));
            }
        }
    }
    after
}
