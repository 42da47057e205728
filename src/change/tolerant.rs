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
    tolerant(one, other, reach, None)
}

/// The same where it is `asked` for; elsewhere it may be 0.
#[must_use]
pub fn tolerant_difference_near(
    one: &Perceived,
    other: &Perceived,
    reach: usize,
    asked: &Spans,
) -> Plane<f32> {
    tolerant(one, other, reach, Some(asked))
}

fn tolerant(one: &Perceived, other: &Perceived, reach: usize, asked: Option<&Spans>) -> Plane<f32> {
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
        .for_each_init(Buffers::default, |buffers, (y, out)| {
            let runs = asked.map_or(&all[..], |asked| asked.row(y));
            if runs.is_empty() {
                return;
            }
            vectorised(
                #[inline(always)]
                || {
                    buffers.here.read(one, y, 0);
                    let rows = [y.saturating_sub(reach), y, (y + reach).min(size.rows - 1)];
                    for (row, y) in buffers.there.iter_mut().zip(rows) {
                        row.read(other, y, reach);
                    }
                    let mut done = 0;
                    for run in runs {
                        // Whole groups, none of them twice.
                        let first = (run.from / GROUP * GROUP).max(done);
                        done = run.to.next_multiple_of(GROUP).min(size.columns);
                        for from in (first..done).step_by(GROUP) {
                            let to = (from + GROUP).min(size.columns);
                            buffers.compare_group(from, reach, &mut out[from..to]);
                        }
                    }
                },
            );
        });
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
#[derive(Default)]
struct Buffers {
    here: Row,
    there: [Row; 3],
    best: Vec<f32>,
}

impl Buffers {
    /// The smallest differences of a group of pixels, from pixel `from` on.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn compare_group(&mut self, from: usize, reach: usize, out: &mut [f32]) {
        const ENOUGH: f32 = GOOD_ENOUGH * GOOD_ENOUGH;
        let Self { here, there, best } = self;
        compare(here, from, &there[1], from + reach, out);
        if out.iter().any(|&d| d > ENOUGH) {
            best.resize(GROUP, 0.0);
            let best = &mut best[..out.len()];
            best.copy_from_slice(out);
            for row in there.iter() {
                for shift in [0, reach, 2 * reach] {
                    compare_min(here, from, row, from + shift, best);
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
        for reach in [1usize, 3] {
            let got = tolerant_difference(&one, &other, reach);
            let r = reach as i64;
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
