//! Grids upon grids, and the solver that works on them.

use super::grid::{Grid, TASK_ROWS, stored};
use crate::numeric::spans::Run;
use crate::scene::recycled;
use crate::vectors::vectorised;

use rayon::prelude::*;

/// Dampings of the sweeps before and after each coarse correction: inverse roots of the Chebyshev
/// polynomial of degree 4 on 1/10..2. Coarser grids see waves below a quarter of the Jacobi-scaled
/// Laplacian's spectrum (0..2) only (Briggs et al., ch. 4); surfaces of a few pixels' width
/// between edges need the smoother to reach lower than that.
const DAMPINGS: [f32; 4] = [0.518_75, 0.707_44, 1.456_77, 5.803_40];

/// Damping on the coarsest grid, where every frequency counts.
const COARSEST_DAMPING: f32 = 0.8;

/// Sweeps on the coarsest grid.
const COARSEST_SWEEPS: usize = 40;

/// One grid's equations with right sides and solutions for `N` values a pixel.
pub(super) struct Level<const N: usize> {
    pub(super) grid: Grid,
    pub(super) right_side: [Vec<f32>; N],
    pub(super) solution: [Vec<f32>; N],
    pub(super) other: [Vec<f32>; N],
}

impl<const N: usize> Level<N> {
    pub(super) fn new(grid: Grid) -> Self {
        let zeros = || std::array::from_fn(|_| recycled::zeroed(grid.hold.len()));
        let (right_side, solution, other) = (zeros(), zeros(), zeros());
        Self {
            grid,
            right_side,
            solution,
            other,
        }
    }

    fn smooth(&mut self, damping: f32) {
        let Self {
            grid,
            right_side,
            solution,
            other,
        } = self;
        each_run(
            grid,
            other,
            #[inline(always)]
            |(y, run), c, out| {
                grid.sweep(y, run, damping, [&solution[c], &right_side[c]], out);
            },
        );
        std::mem::swap(solution, other);
    }

    /// A sweep from zero needs no neighbours.
    fn smooth_from_zero(&mut self, damping: f32) {
        let Self {
            grid,
            right_side,
            solution,
            ..
        } = self;
        each_run(
            grid,
            solution,
            #[inline(always)]
            |(y, run), c, out| {
                let at = grid.range(y, run);
                let values = right_side[c][at.clone()].iter().zip(&grid.inverse[at]);
                for (out, (r, inverse)) in out.iter_mut().zip(values) {
                    *out = damping * r * inverse;
                }
            },
        );
    }

    /// Hands the residual to the coarser grid's right side.
    fn gather_residual(&self, coarse: &mut Level<N>) {
        self.gather(
            coarse,
            #[inline(always)]
            |(y, run), c, sum| {
                let sides = [&self.solution[c], &self.right_side[c]].map(Vec::as_slice);
                self.grid.add_residual(y, run, sides, sum);
            },
        );
    }

    /// Hands the right side itself to the coarser grid.
    fn gather_right_side(&self, coarse: &mut Level<N>) {
        self.gather(
            coarse,
            #[inline(always)]
            |(y, run), c, sum| {
                let values = &self.right_side[c][self.grid.range(y, run)];
                for (sum, value) in sum.iter_mut().zip(values) {
                    *sum += value;
                }
            },
        );
    }

    /// Sets the coarser grid's right side: what `add` adds along a run of a plane, in cells of 2x2.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn gather(&self, coarse: &mut Level<N>, add: impl Fn((usize, Run), usize, &mut [f32]) + Sync) {
        let columns = coarse.grid.stride();
        let Level {
            grid, right_side, ..
        } = coarse;
        each_rows(
            grid,
            right_side,
            #[inline(always)]
            |y, out| {
                let mut sum = vec![0.0f32; 2 * columns];
                for (c, out) in out.iter_mut().enumerate() {
                    sum.fill(0.0);
                    for fine in 2 * y..(2 * y + 2).min(self.grid.rows()) {
                        for &run in self.grid.spans.row(fine) {
                            add((fine, run), c, &mut sum[run.from..run.to]);
                        }
                    }
                    add_pairs(&sum, grid.spans.row(y), out);
                }
            },
        );
    }

    /// Takes the left side of the solution off the right side.
    fn leave_residual(&mut self) {
        let Self {
            grid,
            right_side,
            solution,
            other,
        } = self;
        for other in other.iter_mut() {
            other.fill(0.0);
        }
        each_run(
            grid,
            other,
            #[inline(always)]
            |(y, run), c, out| grid.add_residual(y, run, [&solution[c], &right_side[c]], out),
        );
        std::mem::swap(right_side, other);
    }

    /// Adds the coarser grid's solution to this one's.
    fn add_correction(&mut self, coarse: &Level<N>) {
        let Self { grid, solution, .. } = self;
        let columns = grid.spans.size().columns;
        each_rows(
            grid,
            solution,
            #[inline(always)]
            |y, out| {
                for run in coarse.grid.spans.row(y / 2) {
                    let from = coarse.grid.range(y / 2, *run);
                    for (c, out) in out.iter_mut().enumerate() {
                        let fine = stored(Run {
                            from: 2 * run.from,
                            to: (2 * run.to).min(columns),
                        });
                        for (pair, value) in out[fine]
                            .chunks_mut(2)
                            .zip(&coarse.solution[c][from.clone()])
                        {
                            for fine in pair {
                                *fine += value;
                            }
                        }
                    }
                }
            },
        );
    }
}

/// Runs `work` on each run of each of `planes`, in parallel: its row and columns, the plane's number, and
/// the values there.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn each_run<const N: usize>(
    grid: &Grid,
    planes: &mut [Vec<f32>; N],
    work: impl Fn((usize, Run), usize, &mut [f32]) + Sync,
) {
    each_rows(
        grid,
        planes,
        #[inline(always)]
        |y, out| {
            for &run in grid.spans.row(y) {
                for (c, out) in out.iter_mut().enumerate() {
                    work((y, run), c, &mut out[stored(run)]);
                }
            }
        },
    );
}

/// Runs `work` on each row of `planes` (with its column of zeros in front), in parallel.
fn each_rows<const N: usize>(
    grid: &Grid,
    planes: &mut [Vec<f32>; N],
    work: impl Fn(usize, &mut [&mut [f32]; N]) + Sync,
) {
    let stride = grid.stride();
    let rows = grid.rows();
    let mut parts = planes
        .each_mut()
        .map(|p| p[stride..].chunks_mut(stride * TASK_ROWS));
    let mut tasks: Vec<[&mut [f32]; N]> = (0..rows.div_ceil(TASK_ROWS))
        .map(|_| {
            parts
                .each_mut()
                .map(|p| p.next().expect("a part for every sixteen rows"))
        })
        .collect();
    let run = |(t, task): (usize, &mut [&mut [f32]; N])| {
        vectorised(
            #[inline(always)]
            || {
                for y in t * TASK_ROWS..((t + 1) * TASK_ROWS).min(rows) {
                    let from = (y - t * TASK_ROWS) * stride;
                    let mut row = task.each_mut().map(|p| &mut p[from..from + stride]);
                    work(y, &mut row);
                }
            },
        );
    };
    if grid.is_small {
        tasks.iter_mut().enumerate().for_each(run);
    } else {
        tasks.par_iter_mut().enumerate().for_each(run);
    }
}

/// Pairs of `fine` added up along the runs of a coarse row, which has a column of padding in front.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn add_pairs(fine: &[f32], runs: &[Run], out: &mut [f32]) {
    for run in runs {
        let pairs = fine[2 * run.from..2 * run.to].chunks_exact(2);
        for (out, pair) in out[stored(*run)].iter_mut().zip(pairs) {
            *out = pair[0] + pair[1];
        }
    }
}

/// From the coarsest grid up, each grid started with the coarser one's solution. The right sides
/// are left as they were handed down.
pub(super) fn full_descent<const N: usize>(levels: &mut [Level<N>]) {
    for k in 1..levels.len() {
        let (fine, coarse) = levels.split_at_mut(k);
        fine[k - 1].gather_right_side(&mut coarse[0]);
    }
    for k in (0..levels.len()).rev() {
        if k + 1 < levels.len() {
            let (fine, coarse) = levels.split_at_mut(k + 1);
            for solution in &mut fine[k].solution {
                solution.fill(0.0);
            }
            fine[k].add_correction(&coarse[0]);
        }
        for damping in DAMPINGS.into_iter().chain(DAMPINGS) {
            levels[k].smooth(damping);
        }
    }
}

/// Solves for the finest right side, from zero, about.
fn v_cycle<const N: usize>(levels: &mut [Level<N>]) {
    let Some((finest, rest)) = levels.split_first_mut() else {
        return;
    };
    let Some(coarse) = rest.first_mut() else {
        finest.smooth_from_zero(COARSEST_DAMPING);
        for _ in 1..COARSEST_SWEEPS {
            finest.smooth(COARSEST_DAMPING);
        }
        return;
    };
    let (first, others) = DAMPINGS.split_first().expect("some dampings are listed");
    finest.smooth_from_zero(*first);
    for damping in others {
        finest.smooth(*damping);
    }
    finest.gather_residual(coarse);
    v_cycle(rest);
    finest.add_correction(&rest[0]);
    for damping in DAMPINGS.into_iter().rev() {
        finest.smooth(damping);
    }
}

/// Conjugate gradients from the finest level's solution, a V-cycle as preconditioner (Saad,
/// "Iterative Methods for Sparse Linear Systems", 2nd ed. 2003, algorithm 9.1), for each of the
/// `N` problems.
pub(super) fn conjugate_gradients<const N: usize>(
    levels: &mut [Level<N>],
    steps: usize,
) -> [Vec<f32>; N] {
    let mut solution = levels[0].solution.clone();
    let mut direction = solution.each_ref().map(|s| recycled::zeroed(s.len()));
    levels[0].leave_residual();
    let mut last = [0.0f64; N];
    for step in 0..steps {
        v_cycle(levels);
        let Level {
            grid,
            right_side: residual,
            solution: correction,
            other: image,
        } = &mut levels[0];
        let size = grid.dots(residual, correction);
        let keep: [f32; N] = std::array::from_fn(|c| {
            if step > 0 {
                ratio(size[c], last[c])
            } else {
                0.0
            }
        });
        last = size;
        each_run(
            grid,
            &mut direction,
            #[inline(always)]
            |(y, run), c, out| {
                let correction = &correction[c][grid.range(y, run)];
                for (out, z) in out.iter_mut().zip(correction) {
                    *out = z + keep[c] * *out;
                }
            },
        );
        each_run(
            grid,
            image,
            #[inline(always)]
            |(y, run), c, out| grid.apply(y, run, &direction[c], out),
        );
        let curvature = grid.dots(&direction, image);
        let length: [f32; N] = std::array::from_fn(|c| ratio(size[c], curvature[c]));
        let advance = |planes: &mut [Vec<f32>; N], along: &[Vec<f32>; N], sign: f32| {
            each_run(
                grid,
                planes,
                #[inline(always)]
                |(y, run), c, out| {
                    for (out, d) in out.iter_mut().zip(&along[c][grid.range(y, run)]) {
                        *out += sign * length[c] * d;
                    }
                },
            );
        };
        advance(&mut solution, &direction, 1.0);
        if step + 1 < steps {
            advance(residual, image, -1.0);
        }
    }
    solution
}

/// `a / b`, 0 when there is nothing left to divide.
fn ratio(a: f64, b: f64) -> f32 {
    if b > 0.0 { (a / b) as f32 } else { 0.0 }
}
