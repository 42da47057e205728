//! The flat face of a box, followed into pieces that the texture behind it took with it.

use std::collections::{BTreeMap, VecDeque};

use super::Field;
use crate::numeric::filter::box_mean;
use crate::region::connected_blobs;
use crate::scene::{Label, Plane, difference};

/// Window that must be flat, px each way.
const WINDOW: usize = 2;
/// Standard deviation of lightness (CIELAB) up to which it is: cloth and paint, never leaves.
const FLAT: f32 = 2.0;
/// The same of the plate from which something with texture is covered there: leaves, grass, brick.
const TEXTURED: f32 = 5.0;
/// Neighbours of one face differ by less than this (CIE94).
const SAME_SURFACE: f32 = 3.0;
/// And all of it from where it was found by less than this.
const SAME_THING: f32 = 8.0;

/// Pixels onto which gear goes on: flat ones of its own tone where the plate has texture. A list of
/// indices for each blob.
pub(super) fn grow(field: &Field<'_>) -> Vec<Vec<usize>> {
    let size = field.size();
    let lit = field.seen.lit_seen;
    let lit_deviation = deviation(&lit.lightness);
    let plate_deviation = deviation(&field.seen.plate_seen.lightness);
    let is_flat = |i: usize| lit_deviation.as_slice()[i] < FLAT;
    let may_enter = |i: usize| {
        field.changed.as_slice()[i]
            && field.is_open(i)
            && !field.seen.sky.as_slice()[i]
            && is_flat(i)
            && plate_deviation.as_slice()[i] > TEXTURED
    };
    let mut taken = Plane::filled(size, false);
    let mut queue: VecDeque<(usize, usize)> = (0..size.area())
        .filter(|&i| field.labels.as_slice()[i] == Label::Gear && is_flat(i))
        .map(|i| (i, i))
        .collect();
    while let Some((i, origin)) = queue.pop_front() {
        let (x, y) = (i % size.columns, i / size.columns);
        let near = [
            (x > 0).then(|| i - 1),
            (x + 1 < size.columns).then(|| i + 1),
            (y > 0).then(|| i - size.columns),
            (y + 1 < size.rows).then(|| i + size.columns),
        ];
        for j in near.into_iter().flatten() {
            let apart = |k: usize| difference(lit.at_index(k), lit.at_index(j)).0;
            let is_new = !taken.as_slice()[j] && may_enter(j);
            if is_new && apart(i) < SAME_SURFACE && apart(origin) < SAME_THING {
                taken.as_mut_slice()[j] = true;
                queue.push_back((j, origin));
            }
        }
    }
    by_blob(&taken)
}

fn by_blob(taken: &Plane<bool>) -> Vec<Vec<usize>> {
    let blobs = connected_blobs(taken);
    let mut found = BTreeMap::<u32, Vec<usize>>::new();
    for (i, &number) in blobs.numbers.as_slice().iter().enumerate() {
        if number > 0 {
            found.entry(number).or_default().push(i);
        }
    }
    found.into_values().collect()
}

fn deviation(plane: &Plane<f32>) -> Plane<f32> {
    let mean = box_mean(plane, WINDOW);
    let square = box_mean(&plane.map(|v| v * v), WINDOW);
    mean.zip(&square, |m, s| (s - m * m).max(0.0).sqrt())
}
