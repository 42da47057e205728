//! One grid's equations.

use std::ops::Range;

use rayon::prelude::*;

use super::Membrane;
use crate::numeric::spans::{Run, Spans};
use crate::scene::{Plane, Size, recycled};

/// Share of two conductances side by side that a cell gets: the way between centres is twice as
/// long.
const STRETCH: f32 = 0.5;

/// Below this many pixels a sweep takes less time than waking another thread.
const SMALL_AREA: usize = 12_000;

/// Rows a task.
pub(super) const TASK_ROWS: usize = 16;

/// One grid's equations. Values are stored with a column of zeros between rows and a row of zeros
/// above and below, so that every pixel of the plane has four neighbours.
pub(super) struct Grid {
    pub(super) spans: Spans,
    pub(super) right: Vec<f32>,
    pub(super) down: Vec<f32>,
    pub(super) hold: Vec<f32>,
    /// Sum of conductances and hold.
    pub(super) diagonal: Vec<f32>,
    /// 1 / diagonal, 0 for a pixel that hangs on nothing.
    pub(super) inverse: Vec<f32>,
    /// Not worth sharing among threads.
    pub(super) is_small: bool,
}

impl Grid {
    pub(super) fn finest(membrane: &Membrane) -> Self {
        let spans = membrane.domain.clone();
        assert_eq!(
            spans.size(),
            membrane.hold.size(),
            "a domain lies in its planes"
        );
        let stride = spans.size().columns + 1;
        let inside = padded(&spans, |_, _, out| out.fill(1.0));
        // Conductance to a pixel outside the domain is cut.
        let towards = |plane: &Plane<f32>, step: usize| {
            padded(&spans, |y, run, out| {
                let there = &inside[range(stride, y, run).start + step..];
                for ((out, g), there) in out.iter_mut().zip(&plane.row(y)[run.from..]).zip(there) {
                    *out = g * there;
                }
            })
        };
        let (right, down) = (towards(&membrane.right, 1), towards(&membrane.down, stride));
        let hold = padded(&spans, |y, run, out| {
            out.copy_from_slice(&membrane.hold.row(y)[run.from..run.to]);
        });
        Self::new(spans, right, down, hold)
    }

    pub(super) fn new(spans: Spans, right: Vec<f32>, down: Vec<f32>, hold: Vec<f32>) -> Self {
        let stride = spans.size().columns + 1;
        let diagonal = padded(&spans, |y, run, out| {
            let at = range(stride, y, run);
            for (out, i) in out.iter_mut().zip(at) {
                *out = hold[i] + right[i] + right[i - 1] + down[i] + down[i - stride];
            }
        });
        let inverse = padded(&spans, |y, run, out| {
            for (out, &d) in out.iter_mut().zip(&diagonal[range(stride, y, run)]) {
                *out = if d > 1e-12 { 1.0 / d } else { 0.0 };
            }
        });
        let is_small = spans.area() < SMALL_AREA;
        Self {
            spans,
            right,
            down,
            hold,
            diagonal,
            inverse,
            is_small,
        }
    }

    pub(super) fn stride(&self) -> usize {
        self.spans.size().columns + 1
    }

    pub(super) fn rows(&self) -> usize {
        self.spans.size().rows
    }

    pub(super) fn range(&self, y: usize, run: Run) -> Range<usize> {
        range(self.stride(), y, run)
    }

    /// Cells of 2x2: holds add up, and so do two conductances side by side, less [`STRETCH`].
    pub(super) fn coarser(&self) -> Self {
        let spans = self.spans.halved();
        let stride = self.stride();
        // Offsets of the fine cells to be added, from the first of the four; the padding is 0.
        let sum = |plane: &[f32], share: f32, steps: &[usize]| {
            padded(&spans, |y, run, out| {
                let first = range(
                    stride,
                    2 * y,
                    Run {
                        from: 2 * run.from,
                        to: 2 * run.to,
                    },
                )
                .start;
                for (k, out) in out.iter_mut().enumerate() {
                    *out = share * steps.iter().map(|s| plane[first + 2 * k + s]).sum::<f32>();
                }
            })
        };
        let hold = sum(&self.hold, 1.0, &[0, 1, stride, stride + 1]);
        let right = sum(&self.right, STRETCH, &[1, stride + 1]);
        let down = sum(&self.down, STRETCH, &[stride, stride + 1]);
        Self::new(spans, right, down, hold)
    }

    /// One damped Jacobi sweep along a run.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    pub(super) fn sweep(
        &self,
        y: usize,
        run: Run,
        damping: f32,
        [u, right_side]: [&[f32]; 2],
        out: &mut [f32],
    ) {
        let at = self.range(y, run);
        let n = out.len();
        let flow = self.flow(u, &at);
        let (here, inverse) = (&u[at.clone()][..n], &self.inverse[at.clone()][..n]);
        let right_side = &right_side[at][..n];
        for k in 0..n {
            let target = inverse[k] * (flow.at(k) + right_side[k]);
            out[k] = here[k] + damping * (target - here[k]);
        }
    }

    /// The equations' left side along a run.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    pub(super) fn apply(&self, y: usize, run: Run, u: &[f32], out: &mut [f32]) {
        let at = self.range(y, run);
        let n = out.len();
        let flow = self.flow(u, &at);
        let (here, diagonal) = (&u[at.clone()][..n], &self.diagonal[at][..n]);
        for k in 0..n {
            out[k] = diagonal[k] * here[k] - flow.at(k);
        }
    }

    /// Inner products; rows are added up in order, whatever the number of threads.
    pub(super) fn dots<const N: usize>(&self, a: &[Vec<f32>; N], b: &[Vec<f32>; N]) -> [f64; N] {
        std::array::from_fn(|c| {
            let row = |y: usize| -> f64 {
                let along = |run: &Run| {
                    let at = self.range(y, *run);
                    dot(&a[c][at.clone()], &b[c][at])
                };
                self.spans.row(y).iter().map(along).sum()
            };
            let rows: Vec<f64> = (0..self.rows())
                .into_par_iter()
                .with_min_len(TASK_ROWS)
                .map(row)
                .collect();
            rows.iter().sum()
        })
    }

    /// Adds what is left of the right side along a run.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    pub(super) fn add_residual(
        &self,
        y: usize,
        run: Run,
        [u, right_side]: [&[f32]; 2],
        out: &mut [f32],
    ) {
        let at = self.range(y, run);
        let n = out.len();
        let flow = self.flow(u, &at);
        let (here, diagonal) = (&u[at.clone()][..n], &self.diagonal[at.clone()][..n]);
        let right_side = &right_side[at][..n];
        for k in 0..n {
            out[k] += right_side[k] + flow.at(k) - diagonal[k] * here[k];
        }
    }

    /// What flows into the pixels of a run from their neighbours.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn flow<'a>(&'a self, u: &'a [f32], at: &Range<usize>) -> Flow<'a> {
        let n = at.len();
        let part = |plane: &'a [f32], from: usize| &plane[from..from + n];
        let stride = self.stride();
        Flow {
            conductances: [
                part(&self.right, at.start),
                part(&self.right, at.start - 1),
                part(&self.down, at.start),
                part(&self.down, at.start - stride),
            ],
            values: [
                part(u, at.start + 1),
                part(u, at.start - 1),
                part(u, at.start + stride),
                part(u, at.start - stride),
            ],
        }
    }
}

/// Conductances to, and values of, the four neighbours along a run.
struct Flow<'a> {
    conductances: [&'a [f32]; 4],
    values: [&'a [f32]; 4],
}

impl Flow<'_> {
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn at(&self, k: usize) -> f32 {
        let ([right, left, down, up], [r, l, d, u]) = (self.conductances, self.values);
        (right[k] * r[k] + left[k] * l[k]) + (down[k] * d[k] + up[k] * u[k])
    }
}

/// Inner product, in four sums side by side.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut sums = [0.0f64; 4];
    let (fours_a, rest_a) = a.as_chunks::<4>();
    let (fours_b, rest_b) = b.as_chunks::<4>();
    for (a, b) in fours_a.iter().zip(fours_b) {
        for k in 0..4 {
            sums[k] += f64::from(a[k]) * f64::from(b[k]);
        }
    }
    let rest: f64 = rest_a
        .iter()
        .zip(rest_b)
        .map(|(a, b)| f64::from(*a) * f64::from(*b))
        .sum();
    sums.iter().sum::<f64>() + rest
}

/// Where a run's values lie in their row, after its column of padding.
pub(super) fn stored(run: Run) -> Range<usize> {
    Range {
        start: run.from + 1,
        end: run.to + 1,
    }
}

/// Where a run's values are stored.
pub(super) fn range(stride: usize, y: usize, run: Run) -> Range<usize> {
    let row = (y + 1) * stride + 1;
    row + run.from..row + run.to
}

/// Values stored with padding, 0 but for the spans.
pub(super) fn padded(spans: &Spans, fill: impl Fn(usize, Run, &mut [f32]) + Sync) -> Vec<f32> {
    let Size { columns, rows } = spans.size();
    let stride = columns + 1;
    let mut out = recycled::zeroed::<f32>((rows + 2) * stride + 1);
    out[stride..]
        .par_chunks_exact_mut(stride)
        .take(rows)
        .enumerate()
        .for_each(|(y, row)| {
            for &run in spans.row(y) {
                fill(y, run, &mut row[stored(run)]);
            }
        });
    out
}
