//! Mishaps of the lit frame: gear, shadow and glints on the person, a border through the light.

use derig::scene::{CodeValues, Label, Plane, Samples, Size};

use super::{Shots, code_of, codes, columns_of, extent, from_codes, linear, open_sky, paste};
use derig::numeric::filter::gaussian;

/// Light that is left on the person in the gear's shadow: a flash two stops above the ambient light is
/// gone, and what is around throws some of it back.
const SHADOWED: f64 = 0.3;
/// Penumbra of that shadow, share of the width.
const PENUMBRA: f64 = 0.004;
/// Flash on the ground beside the person from which its shadow is seen there: half a stop.
const SEEN_FLASH: f64 = 1.41;
/// A glint's share of the person; five of them.
const GLINT: f64 = 0.0017;

/// Share of the person that the light hides: a shoulder.
const HIDDEN: f64 = 0.03;
/// Height at which it does, share of the person's from above.
const CHEST: f64 = 0.3;
/// Light beside the modifier, in ambient light: a flash that doubles the ambient light at the person
/// gives four times as much at half the distance (inverse square), and half of that goes forward.
const POOL: f64 = 3.0;

/// The light once more, carried aside and down until it hides a shoulder.
pub(super) fn gear_before_person(shots: &Shots) -> Option<Samples> {
    let (gear, person) = (extent(shots, Label::Gear)?, extent(shots, Label::Person)?);
    let size = shots.labels.size();
    let is = |label: Label, x: i64, y: i64| {
        let inside = (0..size.columns as i64).contains(&x) && (0..size.rows as i64).contains(&y);
        inside && *shots.labels.at(x as usize, y as usize) == label
    };
    let places = |label: Label| -> Vec<(i64, i64)> {
        let all = (0..size.area()).map(|i| ((i % size.columns) as i64, (i / size.columns) as i64));
        all.filter(|&(x, y)| is(label, x, y)).collect()
    };
    let (of_gear, of_person) = (places(Label::Gear), places(Label::Person));
    let chest = person.2 as f64 + CHEST * (person.3 - person.2) as f64;
    let down = chest as i64 - widest_row(shots, Label::Gear) as i64;
    let middle = |(left, right, ..): (usize, usize, usize, usize)| usize::midpoint(left, right);
    let (first, towards) = if middle(gear) < middle(person) {
        (person.0 as i64 - gear.1 as i64, 1)
    } else {
        (person.1 as i64 - gear.0 as i64, -1)
    };
    let stride = towards * (size.columns as i64 / 300).max(1);
    let hides = |step: &i64| {
        let hidden = of_gear
            .iter()
            .filter(|(x, y)| is(Label::Person, x + step, y + down));
        hidden.count() as f64 >= HIDDEN * of_person.len() as f64
    };
    let step = (0..300).map(|k| first + k * stride).find(hides)?;
    let mut lit = shots.lit.clone();
    paste(&mut lit, shots, (step, down), |l, _| l == Label::Gear);
    Some(lit)
}

/// The row in which most pixels carry a label.
fn widest_row(shots: &Shots, label: Label) -> usize {
    let count = |y: &usize| {
        let row = shots.labels.row(*y);
        row.iter().filter(|l| **l == label).count()
    };
    (0..shots.labels.rows()).max_by_key(count).unwrap_or(0)
}

/// A band of shadow from below the gear to the person's far side, an eighth of the person high: no flash
/// there, which leaves the ground as the plate shows it. `None` where the flash hardly reaches it.
pub(super) fn shadow_across_person(shots: &Shots) -> Option<Samples> {
    let gear = extent(shots, Label::Gear)?;
    let (left, right, top, bottom) = extent(shots, Label::Person)?;
    let middle = usize::midpoint(gear.0, gear.1);
    let across = left.min(middle)..right.max(middle);
    let height = (bottom - top) / 8;
    let down = bottom.saturating_sub(2 * height)..bottom.saturating_sub(height);
    let size = shots.labels.size();
    let band = Plane::from_fn(size, |x, y| {
        f32::from(u8::from(across.contains(&x) && down.contains(&y)))
    });
    let band = gaussian(&band, (PENUMBRA * size.columns as f64) as f32);
    let (lit, plate) = (codes(&shots.lit), codes(&shots.plate));
    let flash = |x: usize, y: usize| {
        let at = 3 * (y * size.columns + x) + 1;
        linear(lit[at]) / linear(plate[at]).max(1e-3)
    };
    let ground = (0..size.area()).map(|i| (i % size.columns, i / size.columns));
    let beside = ground.filter(|&(x, y)| {
        let near = x + (right - left) > left && x < right + (right - left);
        near && *band.at(x, y) > 0.5 && *shots.labels.at(x, y) == Label::Other
    });
    let mut beside: Vec<f64> = beside.map(|(x, y)| flash(x, y)).collect();
    beside.sort_by(f64::total_cmp);
    if *beside.get(beside.len() / 2)? < SEEN_FLASH {
        return None;
    }
    Some(scaled_by(&shots.lit, |x, y| {
        let left = match *shots.labels.at(x, y) {
            Label::Gear => 1.0,
            Label::Person => SHADOWED,
            _ => (1.0 / flash(x, y)).clamp(SHADOWED, 1.0),
        };
        let share = f64::from(*band.at(x, y));
        share * left + (1.0 - share)
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

/// Both frames without what lies on the far side of the modifier's middle, seen from the person, and the
/// flash's light on all that is near the new border, fading over half of what is cut of it. `None` where it
/// is cut against the sky, which no flash lightens.
pub(super) fn cut_through_gear(shots: &Shots) -> Option<Shots> {
    let person = extent(shots, Label::Gear).and(extent(shots, Label::Person))?;
    let columns = shots.lit.size.columns;
    let of_gear = |x: usize| {
        let rows = (0..shots.lit.size.rows).filter(move |&y| *shots.labels.at(x, y) == Label::Gear);
        rows.collect::<Vec<usize>>()
    };
    let column = (0..columns).max_by_key(|&x| of_gear(x).len())?;
    let cut = of_gear(column);
    let sky = open_sky(&shots.plate);
    let is_open = |y: &&usize| sky.as_ref().is_some_and(|sky| *sky.at(column, **y));
    if 2 * cut.iter().filter(is_open).count() > cut.len() {
        return None;
    }
    let row = cut[cut.len() / 2];
    let part = if column < usize::midpoint(person.0, person.1) {
        column..columns
    } else {
        0..column
    };
    let size = Size {
        columns: part.len(),
        rows: shots.lit.size.rows,
    };
    // Wider, it would be another exposure for the whole picture.
    let reach = cut.len() as f64 / 2.0;
    let lit = scaled_by(&shots.lit, |x, y| {
        if matches!(
            *shots.labels.at(x, y),
            Label::Gear | Label::Person | Label::Sky
        ) {
            return 1.0;
        }
        let (dx, dy) = (x as f64 - column as f64, y as f64 - row as f64);
        1.0 + (POOL - 1.0) * (-(dx * dx + dy * dy) / (2.0 * reach * reach)).exp()
    });
    Some(Shots {
        lit: columns_of(&lit, part.clone()),
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
    scaled_by(samples, |x, y| if wanted(x, y) { gain } else { 1.0 })
}

/// Light times a gain of its own in each place; codes stay where that is 1.
fn scaled_by(samples: &Samples, gain: impl Fn(usize, usize) -> f64) -> Samples {
    let mut after = from_codes(samples.size, samples, codes(samples).to_vec());
    let CodeValues::Eight(to) = &mut after.values else {
        return after;
    };
    let columns = samples.size.columns;
    for (i, pixel) in to.chunks_exact_mut(3).enumerate() {
        let gain = gain(i % columns, i / columns);
        for code in pixel {
            *code = code_of(gain * linear(*code));
        }
    }
    after
}
