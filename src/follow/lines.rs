//! Lines that the lit frame has and the plate has not, pixel by pixel.

use std::ops::Range;

use super::looks::{Look, Looker, Place, nearest};
use crate::scene::{Plane, Size};
use crate::vectors::vectorised;

/// Half of what a line is told from its sides by, px at [`crate::mask::REFERENCE_SIDE`], as all lengths
/// here: a cable's, a pole's.
const REACHES: [f32; 2] = [4.0, 9.0];
/// A line is looked at in places so far to either side along it.
const ALONG: f32 = 6.0;
/// A thing may lie so far aside of the straight way on which it is looked for.
pub(super) const ASIDE: [f32; 3] = [0.0, -2.0, 2.0];
/// Directions of lines that are told apart.
const DIRECTIONS: usize = 12;
/// A line is lighter or darker than both its sides by this (CIELAB lightness).
const STANDS_OUT: f32 = 3.0;
/// The plate shows at most so much of it.
const IN_PLATE: f32 = 0.5;

/// A beginning: where, and in which direction the line lies there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seed {
    pub(super) place: Place,
    pub(super) heading: f32,
    pub(super) strength: f32,
}

/// A column or row beyond the frame.
const BEYOND: u32 = u32::MAX;

/// Columns or rows of what is beside a pixel, left and right, for each line.
type Beside = [[u32; 2]; DIRECTIONS * REACHES.len()];

/// The lines that are tried at each pixel, and where what is beside them lies: that depends on the
/// pixel's column and on its row, and is asked for at each of them.
pub(super) struct Lines {
    /// From the first pixel, with the reach to either side.
    looks: [(Look, f32); DIRECTIONS * REACHES.len()],
    /// By the pixel's column.
    columns: Vec<Beside>,
    /// By its row.
    rows: Vec<Beside>,
    /// The same told as steps, where it can be.
    steps: [Steps; DIRECTIONS * REACHES.len()],
}

/// How far to either side of a pixel, in columns, what is beside a line lies.
struct Steps {
    /// To the left and to the right.
    columns: [isize; 2],
    /// Pixels whose sides lie so far away inside the frame ..
    inside: Range<usize>,
    /// .. but for those among them where a sum was rounded otherwise.
    odd: Vec<usize>,
}

impl Steps {
    /// From the columns of what is beside each pixel of a row.
    fn of(beside: impl Fn(usize) -> [u32; 2], columns: usize) -> Self {
        let middle = columns / 2;
        let steps = beside(middle).map(|at| at as isize - middle as isize);
        let least = steps[0].min(steps[1]).min(0);
        let most = steps[0].max(steps[1]).max(0);
        let inside = least.unsigned_abs()..columns.saturating_sub(most as usize);
        let is_odd = |&x: &usize| {
            let steps = steps.map(|step| (x as isize + step) as u32);
            beside(x) != steps
        };
        Self {
            columns: steps,
            odd: inside.clone().filter(is_odd).collect(),
            inside,
        }
    }
}

/// Pixels of a row that are looked at together.
const GROUP: usize = 32;

impl Lines {
    pub(super) fn of(looker: &Looker<'_>) -> Self {
        let step = std::f32::consts::PI / DIRECTIONS as f32;
        let origin = Place { x: 0.0, y: 0.0 };
        let looks = std::array::from_fn(|k| {
            let heading = (k / REACHES.len()) as f32 * step;
            let reach = REACHES[k % REACHES.len()] * looker.scale;
            (Look::new(origin, heading, 1.0), reach)
        });
        let beside = |place: Place, of: &dyn Fn(Place) -> Option<usize>| -> Beside {
            looks.map(|(look, reach): (Look, f32)| {
                let at = |across| of(look.from(place).at(0.0, across));
                [-reach, reach].map(|across| at(across).map_or(BEYOND, |i| i as u32))
            })
        };
        let Size { columns, rows } = looker.size;
        let column = |p: Place| nearest(p.x, columns);
        let row = |p: Place| nearest(p.y, rows);
        let of_column = |x: usize| {
            beside(
                Place {
                    x: x as f32,
                    y: 0.0,
                },
                &column,
            )
        };
        let of_row = |y: usize| {
            beside(
                Place {
                    x: 0.0,
                    y: y as f32,
                },
                &row,
            )
        };
        let of_columns: Vec<Beside> = (0..columns).map(of_column).collect();
        Self {
            looks,
            rows: (0..rows).map(of_row).collect(),
            steps: std::array::from_fn(|k| Steps::of(|x| of_columns[x][k], columns)),
            columns: of_columns,
        }
    }

    /// Which lines may show at the pixels of a row, a bit each: all but those that do not stand out
    /// from what is beside the pixel itself. Nothing is told of pixels that do not count.
    pub(super) fn likely(&self, looker: &Looker<'_>, y: usize) -> Vec<u32> {
        let (field, columns) = (looker.field, looker.size.columns);
        let first = y * columns;
        let counts = |x: usize| field.changed.as_slice()[first + x] && field.is_open(first + x);
        let ends = |group: usize| group * GROUP..((group + 1) * GROUP).min(columns);
        let groups: Vec<Range<usize>> = (0..columns.div_ceil(GROUP))
            .map(ends)
            .filter(|group| group.clone().any(counts))
            .collect();
        let mut likely = vec![0u32; columns];
        if groups.is_empty() {
            return likely;
        }
        let seen = field.seen;
        let pictures = [&seen.lit_seen.lightness, &seen.plate_seen.lightness];
        for (k, (steps, sides)) in self.steps.iter().zip(&self.rows[y]).enumerate() {
            if sides.contains(&BEYOND) {
                continue;
            }
            let bit = 1 << k;
            let rows = [y, sides[0] as usize, sides[1] as usize];
            let rows = pictures.map(|picture| rows.map(|y| picture.row(y)));
            vectorised(
                #[inline(always)]
                || {
                    for group in &groups {
                        let from = group.start.max(steps.inside.start);
                        let to = group.end.min(steps.inside.end);
                        if from < to {
                            let parts = rows.map(|rows| parts(rows, steps, from..to));
                            stand_out(parts, bit, &mut likely[from..to]);
                        }
                        for x in group.clone().filter(|x| !steps.inside.contains(x)) {
                            likely[x] |= bit;
                        }
                    }
                },
            );
            for &x in &steps.odd {
                likely[x] |= bit;
            }
        }
        likely
    }
}

/// Pixels, and what is beside them to the left and right, from those rows.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn parts<'a>(rows: [&'a [f32]; 3], steps: &Steps, run: Range<usize>) -> [&'a [f32]; 3] {
    let [left, right] = steps.columns;
    let by = |step: isize| (run.start as isize + step) as usize;
    let [own, beside_left, beside_right] = rows;
    [
        &own[run.clone()],
        &beside_left[by(left)..][..run.len()],
        &beside_right[by(right)..][..run.len()],
    ]
}

/// Sets a bit where the lit frame stands out and the plate does not, as [`shows`] has it.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn stand_out([lit, plate]: [[&[f32]; 3]; 2], bit: u32, out: &mut [u32]) {
    let n = out.len();
    let (lit, plate) = (lit.map(|part| &part[..n]), plate.map(|part| &part[..n]));
    for x in 0..n {
        let here = beyond_both(lit[0][x], lit[1][x], lit[2][x]);
        let there = beyond_both(plate[0][x], plate[1][x], plate[2][x]);
        out[x] |= if is_news(here, there) { bit } else { 0 };
    }
}

/// Does a line stand out here, and not there as well?
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
#[allow(
    clippy::needless_bitwise_bool,
    reason = "a branch would keep it from vectors"
)]
fn is_news(here: f32, there: f32) -> bool {
    let stands_out = here.abs() >= STANDS_OUT;
    let is_there = there * here.signum() > IN_PLATE * here.abs();
    stands_out & !is_there
}

/// The line at a pixel, if there is one that is news, among the `likely` ones of all directions, a
/// bit each.
pub(super) fn line_at(
    looker: &Looker<'_>,
    (lines, likely): (&Lines, u32),
    (x, y): (usize, usize),
) -> Option<Seed> {
    let field = looker.field;
    let columns = looker.size.columns;
    let i = y * columns + x;
    if likely == 0 || !field.changed.as_slice()[i] || !field.is_open(i) {
        return None;
    }
    let place = Place {
        x: x as f32,
        y: y as f32,
    };
    let (lit, plate) = (
        &field.seen.lit_seen.lightness,
        &field.seen.plate_seen.lightness,
    );
    let along = ALONG * looker.scale;
    let beside = lines.columns[x].iter().zip(&lines.rows[y]);
    let strengths = lines.looks.iter().zip(beside).enumerate();
    let strengths = strengths.filter(|&(k, _)| likely & (1 << k) != 0);
    let strengths = strengths.filter_map(|(_, ((look, reach), (u, v)))| {
        let [left, right] = [0, 1].map(|k| {
            let is_inside = u[k] != BEYOND && v[k] != BEYOND;
            is_inside.then(|| v[k] as usize * columns + u[k] as usize)
        });
        let (left, right) = (left?, right?);
        let of = |picture: &Plane<f32>| {
            let values = picture.as_slice();
            Some(beyond_both(values[i], values[left], values[right]))
        };
        let mut least = shows(|| of(lit), || of(plate))?;
        let line = look.from(place);
        for way in [-along, along] {
            let of = |picture: &Plane<f32>| stands_out(looker, picture, &line, (way, *reach));
            least = least.min(shows(|| of(lit), || of(plate))?);
        }
        Some((line, least))
    });
    let (line, strength) = strengths.max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Seed {
        place,
        heading: line.heading(),
        strength,
    })
}

/// Does a line show on the way along a look, up to so far aside, that the plate does not have?
pub(super) fn shows_along(looker: &Looker<'_>, look: &Look, way: f32) -> bool {
    let seen = looker.field.seen;
    let pictures = [&seen.lit_seen.lightness, &seen.plate_seen.lightness];
    let at = |aside: f32, reach: f32| {
        let line = look.beside(aside * looker.scale, look.width);
        let of = |picture| stands_out(looker, picture, &line, (way, reach * looker.scale));
        shows(|| of(pictures[0]), || of(pictures[1])).is_some()
    };
    let mut places = ASIDE.into_iter();
    places.any(|aside| REACHES.into_iter().any(|reach| at(aside, reach)))
}

/// By how much a line shows that the plate does not have, if there is one, from how it stands out in
/// both.
fn shows(lit: impl FnOnce() -> Option<f32>, plate: impl FnOnce() -> Option<f32>) -> Option<f32> {
    let here = lit()?;
    if here.abs() < STANDS_OUT {
        return None;
    }
    is_news(here, plate()?).then(|| here.abs())
}

/// By how much a line is lighter (+) or darker (-) than both its sides; 0 where it is neither.
fn stands_out(
    looker: &Looker<'_>,
    picture: &Plane<f32>,
    line: &Look,
    (way, reach): (f32, f32),
) -> Option<f32> {
    let value = |across: f32| {
        let (x, y) = line.at(way, across).pixel(looker.size)?;
        Some(*picture.at(x, y))
    };
    Some(beyond_both(value(0.0)?, value(-reach)?, value(reach)?))
}

#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn beyond_both(middle: f32, left: f32, right: f32) -> f32 {
    let (l, r) = (middle - left, middle - right);
    if l * r > 0.0 {
        l.signum() * l.abs().min(r.abs())
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::super::looks::Pictures;
    use super::super::tests::{SIZE, chance, leaves, seen};
    use super::super::{Field, FollowInputs};
    use super::*;
    use crate::scene::Label;

    /// Against all lines tried at all pixels, bit by bit: branches before leaves, at the borders too.
    #[test]
    fn lines_left_out_are_none() {
        let is_branch = |x: usize, y: usize| (x + 2 * y) % 97 < 4 || (3 * x + y) % 131 < 5;
        let lit = seen(|x, y| {
            if is_branch(x, y) {
                60.0 + chance(x, y, 3)
            } else {
                leaves(x, y, 1)
            }
        });
        let plate = seen(|x, y| leaves(x, y, 2));
        let nowhere = Plane::filled(SIZE, false);
        let inputs = FollowInputs {
            sky: &nowhere,
            lit_seen: &lit,
            plate_seen: &plate,
        };
        let field = Field {
            seen: &inputs,
            labels: Plane::filled(SIZE, Label::Other),
            changed: Plane::from_fn(SIZE, |x, y| chance(x / 40, y / 40, 9) < 0.7),
            person: nowhere.clone(),
            fresh: nowhere.clone(),
        };
        let pictures = Pictures::of(&inputs);
        let looker = Looker::of(&field, &pictures);
        let lines = Lines::of(&looker);
        let bits = |seed: Seed| (seed.heading.to_bits(), seed.strength.to_bits());
        let (mut found, mut tried) = (0, 0);
        for y in 0..SIZE.rows {
            let likely = lines.likely(&looker, y);
            for (x, &likely) in likely.iter().enumerate() {
                let [some, all] = [likely, u32::MAX]
                    .map(|likely| line_at(&looker, (&lines, likely), (x, y)).map(bits));
                assert_eq!(some, all, "{x}, {y}");
                found += usize::from(all.is_some());
                tried += likely.count_ones() as usize;
            }
        }
        assert!(found > 1000, "{found}");
        assert!(tried < SIZE.area() * DIRECTIONS, "{tried}");
    }
}
