//! A membrane stretched through a hole, with edges that it does not cross.
//!
//! Solves `min Σ g·(u_i - u_j)² + Σ s_i·(u_i - d_i)²` over neighbouring pixels `i, j` of a domain,
//! for several values a pixel at once: a screened Poisson problem with varying conductance `g`. The
//! start comes from a full multigrid descent on cell-centred grids (Briggs, Henson & McCormick, "A
//! Multigrid Tutorial", 2nd ed. 2000), the rest from conjugate gradients with a V-cycle as
//! preconditioner, which edges that cells do not follow cannot upset. The smoother is damped Jacobi with the
//! dampings of a Chebyshev polynomial (Adams, Brezina, Hu & Tuminaro, "Parallel Multigrid
//! Smoothing: Polynomial versus Gauss-Seidel", 2003): as good a sweep as a red-black one, in
//! straight loops. Work is done along the runs of the domain only.

use std::ops::Range;

use rayon::prelude::*;

use super::spans::{Run, Spans};
use crate::scene::{Plane, Size};

/// Dampings of the sweeps before and after each coarse correction: inverse roots of the Chebyshev
/// polynomial of degree 4 on 1/10..2. Coarser grids see waves below a quarter of the Jacobi-scaled
/// Laplacian's spectrum (0..2) only (Briggs et al., ch. 4); surfaces of a few pixels' width
/// between edges need the smoother to reach lower than that.
const DAMPINGS: [f32; 4] = [0.518_75, 0.707_44, 1.456_77, 5.803_40];

/// Damping on the coarsest grid, where every frequency counts.
const COARSEST_DAMPING: f32 = 0.8;

/// Sweeps on the coarsest grid.
const COARSEST_SWEEPS: usize = 40;

/// Share of two conductances side by side that a cell gets: the way between their centres
/// is twice as long.
const STRETCH: f32 = 0.5;

/// Grids are coarsened while their longer side is longer than this.
const COARSEST_SIDE: usize = 4;

/// Rows a task.
const TASK_ROWS: usize = 16;

/// What is to be solved; all planes and the domain have one size.
#[derive(Debug, Clone)]
pub struct Membrane {
    /// Pixels that take part; nothing flows over the domain's rim.
    pub domain: Spans,
    /// Conductance between a pixel and its right neighbour; 0 cuts.
    pub right: Plane<f32>,
    /// Conductance between a pixel and the one below.
    pub down: Plane<f32>,
    /// How firmly a pixel is held to its datum; 0 leaves it free.
    pub hold: Plane<f32>,
}

impl Membrane {
    /// Solves for the data given, in `steps` steps after the full descent.
    /// Pixels outside the domain and those that hang on nothing are 0. Holds some `8 + 4·N` floats
    /// a pixel.
    ///
    /// # Panics
    /// When the planes' extents differ from the domain's: a broken caller.
    #[must_use]
    pub fn solve<const N: usize>(&self, data: &[Plane<f32>; N], steps: usize) -> [Plane<f32>; N] {
        let mut levels = self.levels::<N>();
        let finest = &mut levels[0];
        for (right_side, data) in finest.right_side.iter_mut().zip(data) {
            *right_side = padded(&self.domain, |y, run, out| {
                let values = data.row(y)[run.from..].iter().zip(&self.hold.row(y)[run.from..]);
                for (out, (d, s)) in out.iter_mut().zip(values) {
                    *out = d * s;
                }
            });
        }
        full_descent(&mut levels);
        let solution = conjugate_gradients(&mut levels, steps);
        let finest = &levels[0];
        std::array::from_fn(|c| {
            self.domain.filled(|y, run, out| {
                let at = finest.grid.range(y, run);
                let values = solution[c][at.clone()].iter().zip(&finest.grid.inverse[at]);
                for (out, (&u, &inverse)) in out.iter_mut().zip(values) {
                    *out = if inverse > 0.0 { u } else { 0.0 };
                }
            })
        })
    }

    fn levels<const N: usize>(&self) -> Vec<Level<N>> {
        let mut levels = vec![Level::new(Grid::finest(self))];
        while let Some(last) = levels.last()
            && last.grid.spans.size().long_side() > COARSEST_SIDE
        {
            let coarser = last.grid.coarser();
            levels.push(Level::new(coarser));
        }
        levels
    }
}

/// One grid's equations. Values are stored with a column of zeros between rows and a row of zeros
/// above and below, so that every pixel of the plane has four neighbours.
struct Grid {
    spans: Spans,
    right: Vec<f32>,
    down: Vec<f32>,
    hold: Vec<f32>,
    /// Sum of conductances and hold.
    diagonal: Vec<f32>,
    /// 1 / diagonal, 0 for a pixel that hangs on nothing.
    inverse: Vec<f32>,
}

/// One grid's equations with right sides and solutions for `N` values a pixel.
struct Level<const N: usize> {
    grid: Grid,
    right_side: [Vec<f32>; N],
    solution: [Vec<f32>; N],
    other: [Vec<f32>; N],
}

impl<const N: usize> Level<N> {
    fn new(grid: Grid) -> Self {
        let zeros = || std::array::from_fn(|_| vec![0.0f32; grid.hold.len()]);
        let (right_side, solution, other) = (zeros(), zeros(), zeros());
        Self { grid, right_side, solution, other }
    }

    fn smooth(&mut self, damping: f32) {
        let Self { grid, right_side, solution, other } = self;
        each_rows(grid, other, |y, out| {
            for &run in grid.spans.row(y) {
                for c in 0..N {
                    grid.sweep(y, run, damping, [&solution[c], &right_side[c]], &mut out[c][1 + run.from..1 + run.to]);
                }
            }
        });
        std::mem::swap(solution, other);
    }

    /// A sweep from zero needs no neighbours.
    fn smooth_from_zero(&mut self, damping: f32) {
        let Self { grid, right_side, solution, .. } = self;
        each_rows(grid, solution, |y, out| {
            for &run in grid.spans.row(y) {
                let at = grid.range(y, run);
                for c in 0..N {
                    let values = right_side[c][at.clone()].iter().zip(&grid.inverse[at.clone()]);
                    let out = &mut out[c][1 + run.from..1 + run.to];
                    for (out, (r, inverse)) in out.iter_mut().zip(values) {
                        *out = damping * r * inverse;
                    }
                }
            }
        });
    }

    /// Hands the residual to the coarser grid's right side, cells of 2x2 added up.
    fn gather_residual(&self, coarse: &mut Level<N>) {
        let columns = coarse.grid.stride();
        let Level { grid, right_side, .. } = coarse;
        each_rows(grid, right_side, |y, out| {
            let mut sum = vec![0.0f32; 2 * columns];
            for c in 0..N {
                sum.fill(0.0);
                for fine in 2 * y..(2 * y + 2).min(self.grid.rows()) {
                    for &run in self.grid.spans.row(fine) {
                        let sum = &mut sum[run.from..run.to];
                        self.grid.add_residual(fine, run, [&self.solution[c], &self.right_side[c]], sum);
                    }
                }
                add_pairs(&sum, grid.spans.row(y), out[c]);
            }
        });
    }

    /// Takes the left side of the solution off the right side.
    fn leave_residual(&mut self) {
        let Self { grid, right_side, solution, other } = self;
        for other in other.iter_mut() {
            other.fill(0.0);
        }
        each_rows(grid, other, |y, out| {
            for &run in grid.spans.row(y) {
                for c in 0..N {
                    let out = &mut out[c][1 + run.from..1 + run.to];
                    grid.add_residual(y, run, [&solution[c], &right_side[c]], out);
                }
            }
        });
        std::mem::swap(right_side, other);
    }

    /// Hands the right side itself to the coarser grid.
    fn gather_right_side(&self, coarse: &mut Level<N>) {
        let columns = coarse.grid.stride();
        let Level { grid, right_side, .. } = coarse;
        each_rows(grid, right_side, |y, out| {
            let mut sum = vec![0.0f32; 2 * columns];
            for c in 0..N {
                sum.fill(0.0);
                for fine in 2 * y..(2 * y + 2).min(self.grid.rows()) {
                    for &run in self.grid.spans.row(fine) {
                        let values = &self.right_side[c][self.grid.range(fine, run)];
                        for (sum, value) in sum[run.from..run.to].iter_mut().zip(values) {
                            *sum += value;
                        }
                    }
                }
                add_pairs(&sum, grid.spans.row(y), out[c]);
            }
        });
    }

    /// Adds the coarser grid's solution to this one's.
    fn add_correction(&mut self, coarse: &Level<N>) {
        let Self { grid, solution, .. } = self;
        let columns = grid.spans.size().columns;
        each_rows(grid, solution, |y, out| {
            for run in coarse.grid.spans.row(y / 2) {
                let from = coarse.grid.range(y / 2, *run);
                for c in 0..N {
                    let fine = &mut out[c][1 + 2 * run.from..1 + (2 * run.to).min(columns)];
                    for (pair, value) in fine.chunks_mut(2).zip(&coarse.solution[c][from.clone()]) {
                        for fine in pair {
                            *fine += value;
                        }
                    }
                }
            }
        });
    }
}

/// Runs `work` on each row of `planes` (with its column of zeros in front), in parallel.
fn each_rows<const N: usize>(
    grid: &Grid,
    planes: &mut [Vec<f32>; N],
    work: impl Fn(usize, &mut [&mut [f32]; N]) + Sync,
) {
    let stride = grid.stride();
    let rows = grid.rows();
    let mut parts = planes.each_mut().map(|p| p[stride..].chunks_mut(stride * TASK_ROWS));
    let mut tasks: Vec<[&mut [f32]; N]> = (0..rows.div_ceil(TASK_ROWS))
        .map(|_| parts.each_mut().map(|p| p.next().expect("a part for every sixteen rows")))
        .collect();
    let run = |(t, task): (usize, &mut [&mut [f32]; N])| {
        for y in t * TASK_ROWS..((t + 1) * TASK_ROWS).min(rows) {
            let from = (y - t * TASK_ROWS) * stride;
            let mut row = task.each_mut().map(|p| &mut p[from..from + stride]);
            work(y, &mut row);
        }
    };
    if tasks.len() == 1 {
        run((0, &mut tasks[0]));
    } else {
        tasks.par_iter_mut().enumerate().for_each(run);
    }
}

/// Pairs of `fine` added up along the runs of a coarse row, which has a column of padding in front.
fn add_pairs(fine: &[f32], runs: &[Run], out: &mut [f32]) {
    for run in runs {
        let pairs = fine[2 * run.from..2 * run.to].chunks_exact(2);
        for (out, pair) in out[1 + run.from..1 + run.to].iter_mut().zip(pairs) {
            *out = pair[0] + pair[1];
        }
    }
}

impl Grid {
    fn finest(membrane: &Membrane) -> Self {
        let spans = membrane.domain.clone();
        assert_eq!(spans.size(), membrane.hold.size(), "a domain lies in its planes");
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

    fn new(spans: Spans, right: Vec<f32>, down: Vec<f32>, hold: Vec<f32>) -> Self {
        let stride = spans.size().columns + 1;
        let diagonal = padded(&spans, |y, run, out| {
            let at = range(stride, y, run);
            for (out, i) in out.iter_mut().zip(at) {
                *out = hold[i] + right[i] + right[i - 1] + down[i] + down[i - stride];
            }
        });
        let inverse = diagonal.iter().map(|&d| if d > 1e-12 { 1.0 / d } else { 0.0 }).collect();
        Self { spans, right, down, hold, diagonal, inverse }
    }

    fn stride(&self) -> usize {
        self.spans.size().columns + 1
    }

    fn rows(&self) -> usize {
        self.spans.size().rows
    }

    fn range(&self, y: usize, run: Run) -> Range<usize> {
        range(self.stride(), y, run)
    }

    /// Cells of 2x2: holds add up, and so do two conductances side by side, less [`STRETCH`].
    fn coarser(&self) -> Self {
        let spans = self.spans.halved();
        let stride = self.stride();
        // Offsets of the fine cells to be added, from the first of the four; the padding is 0.
        let sum = |plane: &[f32], share: f32, steps: &[usize]| {
            padded(&spans, |y, run, out| {
                let first = range(stride, 2 * y, Run { from: 2 * run.from, to: 2 * run.to }).start;
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
    fn sweep(&self, y: usize, run: Run, damping: f32, [u, right_side]: [&[f32]; 2], out: &mut [f32]) {
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
    fn apply(&self, y: usize, run: Run, u: &[f32], out: &mut [f32]) {
        let at = self.range(y, run);
        let n = out.len();
        let flow = self.flow(u, &at);
        let (here, diagonal) = (&u[at.clone()][..n], &self.diagonal[at][..n]);
        for k in 0..n {
            out[k] = diagonal[k] * here[k] - flow.at(k);
        }
    }

    /// Inner products; rows are added up in order, whatever the number of threads.
    fn dots<const N: usize>(&self, a: &[Vec<f32>; N], b: &[Vec<f32>; N]) -> [f64; N] {
        std::array::from_fn(|c| {
            let row = |y: usize| -> f64 {
                let along = |run: &Run| {
                    let at = self.range(y, *run);
                    dot(&a[c][at.clone()], &b[c][at])
                };
                self.spans.row(y).iter().map(along).sum()
            };
            let rows: Vec<f64> =
                (0..self.rows()).into_par_iter().with_min_len(TASK_ROWS).map(row).collect();
            rows.iter().sum()
        })
    }

    /// Adds what is left of the right side along a run.
    fn add_residual(&self, y: usize, run: Run, [u, right_side]: [&[f32]; 2], out: &mut [f32]) {
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
    let rest: f64 = rest_a.iter().zip(rest_b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum();
    sums.iter().sum::<f64>() + rest
}

/// Where a run's values are stored.
fn range(stride: usize, y: usize, run: Run) -> Range<usize> {
    let row = (y + 1) * stride + 1;
    row + run.from..row + run.to
}

/// Values stored with padding, 0 but for the spans.
fn padded(spans: &Spans, fill: impl Fn(usize, Run, &mut [f32]) + Sync) -> Vec<f32> {
    let Size { columns, rows } = spans.size();
    let stride = columns + 1;
    let mut out = vec![0.0f32; (rows + 2) * stride + 1];
    out[stride..].par_chunks_exact_mut(stride).take(rows).enumerate().for_each(|(y, row)| {
        for &run in spans.row(y) {
            fill(y, run, &mut row[1 + run.from..1 + run.to]);
        }
    });
    out
}

/// From the coarsest grid up, each grid started with the coarser one's solution. The right sides
/// are left as they were handed down.
fn full_descent<const N: usize>(levels: &mut [Level<N>]) {
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
    let Some((finest, rest)) = levels.split_first_mut() else { return };
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
fn conjugate_gradients<const N: usize>(levels: &mut [Level<N>], steps: usize) -> [Vec<f32>; N] {
    let mut solution = levels[0].solution.clone();
    let mut direction = solution.each_ref().map(|s| vec![0.0f32; s.len()]);
    levels[0].leave_residual();
    let mut last = [0.0f64; N];
    for step in 0..steps {
        v_cycle(levels);
        let Level { grid, right_side: residual, solution: correction, other: image } = &mut levels[0];
        let size = grid.dots(residual, correction);
        let keep: [f32; N] =
            std::array::from_fn(|c| if step > 0 { ratio(size[c], last[c]) } else { 0.0 });
        last = size;
        each_rows(grid, &mut direction, |y, out| {
            for &run in grid.spans.row(y) {
                let at = grid.range(y, run);
                for c in 0..N {
                    let out = &mut out[c][1 + run.from..1 + run.to];
                    for (out, z) in out.iter_mut().zip(&correction[c][at.clone()]) {
                        *out = z + keep[c] * *out;
                    }
                }
            }
        });
        each_rows(grid, image, |y, out| {
            for &run in grid.spans.row(y) {
                for c in 0..N {
                    grid.apply(y, run, &direction[c], &mut out[c][1 + run.from..1 + run.to]);
                }
            }
        });
        let curvature = grid.dots(&direction, image);
        let length: [f32; N] = std::array::from_fn(|c| ratio(size[c], curvature[c]));
        let advance = |planes: &mut [Vec<f32>; N], along: &[Vec<f32>; N], sign: f32| {
            each_rows(grid, planes, |y, out| {
                for &run in grid.spans.row(y) {
                    let at = grid.range(y, run);
                    for c in 0..N {
                        let out = &mut out[c][1 + run.from..1 + run.to];
                        for (out, d) in out.iter_mut().zip(&along[c][at.clone()]) {
                            *out += sign * length[c] * d;
                        }
                    }
                }
            });
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

#[cfg(test)]
mod tests {
    use super::*;

    fn frame_problem(size: Size, edge: impl Fn(usize, usize) -> f32 + Sync) -> (Membrane, Plane<f32>) {
        let on_rim = |x: usize, y: usize| {
            x == 0 || y == 0 || x + 1 == size.columns || y + 1 == size.rows
        };
        let membrane = Membrane {
            domain: Spans::of(size, |_, _| true),
            right: Plane::filled(size, 1.0),
            down: Plane::filled(size, 1.0),
            hold: Plane::from_fn(size, |x, y| if on_rim(x, y) { 1e4 } else { 0.0 }),
        };
        let data = Plane::from_fn(size, |x, y| if on_rim(x, y) { edge(x, y) } else { 0.0 });
        (membrane, data)
    }

    /// Laplace's equation on a rectangle by separation of variables: with sin(pi x / a) on one
    /// side and 0 on the others, u = sin(pi x / a) sinh(pi y / a) / sinh(pi b / a); for the
    /// five-point grid the rate in y solves cosh(k) = 2 - cos(pi / a) (textbook result).
    #[test]
    fn the_membrane_on_a_rectangle_is_the_closed_form() {
        let size = Size { columns: 65, rows: 49 };
        let (a, b) = (64.0f32, 48.0f32);
        let side = |x: usize| (std::f32::consts::PI * x as f32 / a).sin();
        let (membrane, data) = frame_problem(size, |x, y| if y + 1 == size.rows { side(x) } else { 0.0 });
        let [got] = membrane.solve(&[data], 12);
        let k = (2.0 - (std::f32::consts::PI / a).cos()).acosh();
        for (x, y) in [(32, 24), (10, 40), (50, 10), (32, 46)] {
            let exact = side(x) * (k * y as f32).sinh() / (k * b).sinh();
            assert!((got.at(x, y) - exact).abs() < 2e-3, "{x} {y}: {} {exact}", got.at(x, y));
        }
    }

    #[test]
    fn a_linear_rim_gives_a_linear_membrane() {
        let size = Size { columns: 40, rows: 33 };
        let (membrane, data) = frame_problem(size, |x, y| 0.1 * x as f32 - 0.05 * y as f32);
        let [got] = membrane.solve(&[data], 12);
        assert!((got.at(20, 16) - (2.0 - 0.8)).abs() < 3e-3);
    }

    #[test]
    fn a_cut_keeps_two_surfaces_apart() {
        let size = Size { columns: 40, rows: 30 };
        let (mut membrane, data) = frame_problem(size, |x, _| if x < 20 { 1.0 } else { -1.0 });
        for y in 0..size.rows {
            membrane.right.set(19, y, 0.0);
        }
        let [got] = membrane.solve(&[data], 12);
        assert!((got.at(19, 15) - 1.0).abs() < 5e-3 && (got.at(20, 15) + 1.0).abs() < 5e-3);
    }
}
