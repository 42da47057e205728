//! Differences that forgive a small displacement.

use rayon::prelude::*;

use crate::numeric::spans::{Run, Spans};
use crate::scene::{Perceived, Plane, chroma, difference2};
use crate::vectors::vectorised;

/// Below this difference (CIE94) no displacement is tried: nothing to see.
const GOOD_ENOUGH: f32 = 0.5;

/// Pixels of a row that are looked at together: displacements are tried where one of them differs.
const GROUP: usize = 32;

/// Smallest difference (CIE94) of each pixel of `one` to the pixels of `other` displaced by up to
/// `reach` pixels in steps of `reach` (nine places): half a pixel of parallax is not visible.
#[must_use]
pub fn tolerant_difference(one: &Perceived, other: &Perceived, reach: usize) -> Plane<f32> {
    tolerant(one, other, &[reach], None)
}

/// The same where it is `asked` for, the smallest for all `reaches`; elsewhere it may be 0.
#[must_use]
pub fn tolerant_difference_near(
    one: &Perceived,
    other: &Perceived,
    reaches: &[usize],
    asked: &Spans,
) -> Plane<f32> {
    tolerant(one, other, reaches, Some(asked))
}

fn tolerant(
    one: &Perceived,
    other: &Perceived,
    reaches: &[usize],
    asked: Option<&Spans>,
) -> Plane<f32> {
    let size = one.size();
    let all = [Run {
        from: 0,
        to: size.columns,
    }];
    let mut out = match asked {
        Some(_) => Plane::filled(size, 0.0f32),
        None => Plane::unset(size),
    };
    out.as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .for_each_init(
            || Buffers::new(reaches),
            |buffers, (y, out)| {
                let runs = asked.map_or(&all[..], |asked| asked.row(y));
                if runs.is_empty() {
                    return;
                }
                vectorised(
                    #[inline(always)]
                    || {
                        buffers.read((one, other), y);
                        let mut done = 0;
                        for run in runs {
                            // Whole groups, none of them twice.
                            let first = (run.from / GROUP * GROUP).max(done);
                            done = run.to.next_multiple_of(GROUP).min(size.columns);
                            for from in (first..done).step_by(GROUP) {
                                let to = (from + GROUP).min(size.columns);
                                buffers.compare_group(from, &mut out[from..to]);
                            }
                        }
                    },
                );
            },
        );
    out
}

/// Smallest difference (CIE94) of each pixel of `one` to the pixels of `other` displaced by up to
/// `reach` pixels in steps of `step`. Worked out around the pixels, by index, that are `asked` for;
/// elsewhere it may be 0.
#[must_use]
pub fn nearest_difference(
    one: &Perceived,
    other: &Perceived,
    (reach, step): (usize, usize),
    asked: impl Fn(usize) -> bool + Sync,
) -> Plane<f32> {
    let size = one.size();
    let mut out = Plane::filled(size, 0.0f32);
    out.as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .for_each_init(
            || (Row::default(), Row::default()),
            |(here, there), (y, out)| {
                let is_asked = |group: usize| {
                    let from = group * GROUP;
                    (from..(from + GROUP).min(size.columns)).any(|x| asked(y * size.columns + x))
                };
                let groups: Vec<usize> = (0..size.columns.div_ceil(GROUP))
                    .filter(|&g| is_asked(g))
                    .collect();
                if groups.is_empty() {
                    return;
                }
                vectorised(
                    #[inline(always)]
                    || {
                        here.read(one, y, 0);
                        for (n, dy) in (0..=2 * reach).step_by(step).enumerate() {
                            there.read(
                                other,
                                (y + dy).saturating_sub(reach).min(size.rows - 1),
                                reach,
                            );
                            for &group in &groups {
                                let from = group * GROUP;
                                let to = (from + GROUP).min(size.columns);
                                let best = &mut out[from..to];
                                if n == 0 {
                                    best.fill(f32::INFINITY);
                                }
                                for shift in (0..=2 * reach).step_by(step) {
                                    compare_min(here, from, there, from + shift, best);
                                }
                            }
                        }
                        for out in out.iter_mut() {
                            *out = out.sqrt();
                        }
                    },
                );
            },
        );
    out
}

/// Rows under comparison.
struct Buffers<'a> {
    reaches: &'a [usize],
    /// Repeated at the ends of the rows that are compared with.
    margin: usize,
    here: Row,
    there: Row,
    /// Those above and below by each reach.
    around: Vec<[Row; 2]>,
    best: Vec<f32>,
}

impl<'a> Buffers<'a> {
    fn new(reaches: &'a [usize]) -> Self {
        Self {
            reaches,
            margin: reaches.iter().copied().max().unwrap_or(0),
            here: Row::default(),
            there: Row::default(),
            around: reaches.iter().map(|_| Default::default()).collect(),
            best: vec![0.0; GROUP],
        }
    }

    /// Reads what row `y` is worked out from.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn read(&mut self, (one, other): (&Perceived, &Perceived), y: usize) {
        let last = one.size().rows - 1;
        self.here.read(one, y, 0);
        self.there.read(other, y, self.margin);
        for ([above, below], reach) in self.around.iter_mut().zip(self.reaches) {
            above.read(other, y.saturating_sub(*reach), self.margin);
            below.read(other, (y + reach).min(last), self.margin);
        }
    }

    /// The smallest differences of a group of pixels, from pixel `from` on.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn compare_group(&mut self, from: usize, out: &mut [f32]) {
        const ENOUGH: f32 = GOOD_ENOUGH * GOOD_ENOUGH;
        let at = from + self.margin;
        compare(&self.here, from, &self.there, at, out);
        if out.iter().any(|&d| d > ENOUGH) {
            let best = &mut self.best[..out.len()];
            best.copy_from_slice(out);
            for ([above, below], reach) in self.around.iter().zip(self.reaches) {
                for row in [above, &self.there, below] {
                    for at in [at - reach, at, at + reach] {
                        compare_min(&self.here, from, row, at, best);
                    }
                }
            }
            for (out, &best) in out.iter_mut().zip(best.iter()) {
                *out = if *out > ENOUGH { best } else { *out };
            }
        }
        for out in out.iter_mut() {
            *out = out.sqrt();
        }
    }
}

/// One row of CIELAB and its chroma.
#[derive(Default)]
struct Row {
    lab: [Vec<f32>; 3],
    chroma: Vec<f32>,
}

impl Row {
    /// Reads a row, its ends repeated `margin` times.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn read(&mut self, picture: &Perceived, y: usize, margin: usize) {
        let planes = [&picture.lightness, &picture.a, &picture.b];
        for (out, plane) in self.lab.iter_mut().zip(planes) {
            let row = plane.row(y);
            out.clear();
            out.resize(margin, row[0]);
            out.extend_from_slice(row);
            out.resize(row.len() + 2 * margin, row[row.len() - 1]);
        }
        let [_, a, b] = &self.lab;
        self.chroma.resize(a.len(), 0.0);
        for (out, (&a, &b)) in self.chroma.iter_mut().zip(a.iter().zip(b)) {
            *out = chroma([0.0, a, b]);
        }
    }

    /// `length` pixels from `from` on: lightness, a, b, chroma.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn part(&self, from: usize, length: usize) -> [&[f32]; 4] {
        let [l, a, b] = &self.lab;
        [l, a, b, &self.chroma].map(|v| &v[from..from + length])
    }
}

/// Squared differences of the pixels from `from` on to those of `there` from `at` on.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn compare(here: &Row, from: usize, there: &Row, at: usize, out: &mut [f32]) {
    let ([l, a, b, c], [m, d, e, f]) = (here.part(from, out.len()), there.part(at, out.len()));
    for (k, out) in out.iter_mut().enumerate() {
        *out = difference2([l[k], a[k], b[k]], [m[k], d[k], e[k]], [c[k], f[k]]);
    }
}

/// The same, the smaller of it and what is there already.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn compare_min(here: &Row, from: usize, there: &Row, at: usize, best: &mut [f32]) {
    let ([l, a, b, c], [m, d, e, f]) = (here.part(from, best.len()), there.part(at, best.len()));
    for (k, best) in best.iter_mut().enumerate() {
        let new = difference2([l[k], a[k], b[k]], [m[k], d[k], e[k]], [c[k], f[k]]);
        *best = if new < *best { new } else { *best };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{Size, difference};

    fn picture(phase: usize) -> Perceived {
        let size = Size {
            columns: 71,
            rows: 9,
        };
        let value = |k: usize| {
            Plane::from_fn(size, move |x, y| {
                ((x * 7 + y * 13 + k * 5 + phase) % 23) as f32 * 0.7
            })
        };
        Perceived {
            lightness: value(0),
            a: value(1),
            b: value(2),
        }
    }

    #[test]
    fn it_equals_its_plain_twin() {
        let (one, other) = (picture(0), picture(3));
        let all = Spans::of(one.size(), |_, _| true);
        let [near, far] = [1, 3].map(|reach| tolerant_difference(&one, &other, reach));
        let both = tolerant_difference_near(&one, &other, &[1, 3], &all);
        assert_eq!(both, near.zip(&far, |a, b| a.min(*b)));
        for (got, r) in [(near, 1i64), (far, 3)] {
            for y in 0..9i64 {
                for x in 0..71i64 {
                    let here = one.at_index((y * 71 + x) as usize);
                    let to = |dx: i64, dy: i64| {
                        let (px, py) = ((x + dx).clamp(0, 70), (y + dy).clamp(0, 8));
                        difference(here, other.at_index((py * 71 + px) as usize)).0
                    };
                    let mut best = to(0, 0);
                    if best > GOOD_ENOUGH {
                        for (dx, dy) in [-r, 0, r]
                            .into_iter()
                            .flat_map(|a| [-r, 0, r].map(|b| (a, b)))
                        {
                            best = best.min(to(dx, dy));
                        }
                    }
                    assert!((got.at(x as usize, y as usize) - best).abs() < 1e-5);
                }
            }
        }
    }
}
