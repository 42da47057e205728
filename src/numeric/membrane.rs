//! A membrane stretched through a hole, with edges that it does not cross.
//!
//! Solves `min Σ g·(u_i - u_j)² + Σ s_i·(u_i - d_i)²` over neighbouring pixels `i, j` for three
//! values a pixel at once: a screened Poisson problem with varying conductance `g`, by multigrid
//! (Briggs, Henson & McCormick, "A Multigrid Tutorial", 2nd ed. 2000): a full descent for the
//! start, then V-cycles with damped Jacobi smoothing on cell-centred grids.

use rayon::prelude::*;

use crate::scene::{Plane, Size};

/// Damping of the Jacobi smoother; 4/5 is best for the five-point Laplacian (Briggs et al., ch. 2).
const DAMPING: f32 = 0.8;

/// Smoothing sweeps before and after each coarse correction.
const SWEEPS: usize = 4;

/// Sweeps on the coarsest grid.
const COARSEST_SWEEPS: usize = 60;

/// Grids are coarsened while their shorter side is longer than this.
const COARSEST_SIDE: usize = 4;

/// Rows a task.
const TASK_ROWS: usize = 16;

/// What is to be solved; all planes have one size.
#[derive(Debug, Clone)]
pub struct Membrane {
    /// Conductance between a pixel and its right neighbour; 0 cuts.
    pub right: Plane<f32>,
    /// Conductance between a pixel and the one below.
    pub down: Plane<f32>,
    /// How firmly a pixel is held to its datum; 0 leaves it free.
    pub hold: Plane<f32>,
}

struct Level {
    size: Size,
    right: Vec<f32>,
    down: Vec<f32>,
    hold: Vec<f32>,
    /// 1 / (sum of conductances + hold), 0 for a pixel that hangs on nothing.
    inverse: Vec<f32>,
}

impl Membrane {
    /// Solves for the data given, in `cycles` V-cycles (3 leave less than a per cent of the error
    /// of the start). Pixels that hang on nothing keep 0. Holds some 16 floats a pixel.
    #[must_use]
    pub fn solve(&self, data: &Plane<[f32; 3]>, cycles: usize) -> Plane<[f32; 3]> {
        let levels = self.levels();
        let held: Vec<[f32; 3]> = data
            .as_slice()
            .par_iter()
            .zip(self.hold.as_slice())
            .map(|(d, &s)| d.map(|v| v * s))
            .collect();
        let mut solution = full_descent(&levels, &held);
        for _ in 0..cycles {
            v_cycle(&levels, &mut solution, &held);
        }
        Plane::from_vec(self.hold.size(), solution)
    }

    fn levels(&self) -> Vec<Level> {
        let mut levels = vec![Level::new(
            self.hold.size(),
            self.right.as_slice().to_vec(),
            self.down.as_slice().to_vec(),
            self.hold.as_slice().to_vec(),
        )];
        while let Some(last) = levels.last()
            && last.size.columns.min(last.size.rows) > COARSEST_SIDE
        {
            let coarser = last.coarser();
            levels.push(coarser);
        }
        levels
    }
}

impl Level {
    fn new(size: Size, right: Vec<f32>, down: Vec<f32>, hold: Vec<f32>) -> Self {
        let inverse = (0..size.area())
            .into_par_iter()
            .map(|i| {
                let (x, y) = (i % size.columns, i / size.columns);
                let mut sum = hold[i];
                if x + 1 < size.columns {
                    sum += right[i];
                }
                if x > 0 {
                    sum += right[i - 1];
                }
                if y + 1 < size.rows {
                    sum += down[i];
                }
                if y > 0 {
                    sum += down[i - size.columns];
                }
                if sum > 1e-12 { 1.0 / sum } else { 0.0 }
            })
            .collect();
        Self {
            size,
            right,
            down,
            hold,
            inverse,
        }
    }

    /// Cells of 2x2: holds add up; two conductances side by side over twice the way make one of
    /// their mean.
    fn coarser(&self) -> Self {
        let size = Size {
            columns: self.size.columns.div_ceil(2),
            rows: self.size.rows.div_ceil(2),
        };
        let at = |plane: &[f32], x: usize, y: usize| {
            if x < self.size.columns && y < self.size.rows {
                plane[y * self.size.columns + x]
            } else {
                0.0
            }
        };
        let each = |f: &(dyn Fn(usize, usize) -> f32 + Sync)| -> Vec<f32> {
            (0..size.area())
                .into_par_iter()
                .map(|i| f(2 * (i % size.columns), 2 * (i / size.columns)))
                .collect()
        };
        let hold = each(&|x, y| {
            let h = &self.hold;
            at(h, x, y) + at(h, x + 1, y) + at(h, x, y + 1) + at(h, x + 1, y + 1)
        });
        let right = each(&|x, y| 0.5 * (at(&self.right, x + 1, y) + at(&self.right, x + 1, y + 1)));
        let down = each(&|x, y| 0.5 * (at(&self.down, x, y + 1) + at(&self.down, x + 1, y + 1)));
        Self::new(size, right, down, hold)
    }

    /// Sum of the neighbours, weighted by conductance.
    fn neighbours(&self, u: &[[f32; 3]], x: usize, i: usize) -> [f32; 3] {
        let mut sum = [0.0f32; 3];
        let mut add = |g: f32, v: &[f32; 3]| {
            for (s, v) in sum.iter_mut().zip(v) {
                *s += g * v;
            }
        };
        let columns = self.size.columns;
        if x + 1 < columns {
            add(self.right[i], &u[i + 1]);
        }
        if x > 0 {
            add(self.right[i - 1], &u[i - 1]);
        }
        if i + columns < u.len() {
            add(self.down[i], &u[i + columns]);
        }
        if i >= columns {
            add(self.down[i - columns], &u[i - columns]);
        }
        sum
    }

    fn smooth(&self, u: &mut Vec<[f32; 3]>, right_side: &[[f32; 3]], sweeps: usize) {
        let mut next = vec![[0.0f32; 3]; u.len()];
        for _ in 0..sweeps {
            let columns = self.size.columns;
            next.par_chunks_mut(columns * TASK_ROWS)
                .enumerate()
                .for_each(|(t, out)| {
                    for (k, out) in out.iter_mut().enumerate() {
                        let i = t * columns * TASK_ROWS + k;
                        let sum = self.neighbours(u, i % columns, i);
                        let inverse = self.inverse[i];
                        for c in 0..3 {
                            let target = inverse * (sum[c] + right_side[i][c]);
                            out[c] = u[i][c] + DAMPING * (target - u[i][c]);
                        }
                        if inverse == 0.0 {
                            *out = [0.0; 3];
                        }
                    }
                });
            std::mem::swap(u, &mut next);
        }
    }

    fn residual(&self, u: &[[f32; 3]], right_side: &[[f32; 3]]) -> Vec<[f32; 3]> {
        (0..u.len())
            .into_par_iter()
            .with_min_len(self.size.columns)
            .map(|i| {
                if self.inverse[i] == 0.0 {
                    return [0.0; 3];
                }
                let sum = self.neighbours(u, i % self.size.columns, i);
                std::array::from_fn(|c| right_side[i][c] + sum[c] - u[i][c] / self.inverse[i])
            })
            .collect()
    }

    fn gather(&self, fine: &[[f32; 3]], coarse: &Level) -> Vec<[f32; 3]> {
        let at = |x: usize, y: usize| {
            if x < self.size.columns && y < self.size.rows {
                fine[y * self.size.columns + x]
            } else {
                [0.0; 3]
            }
        };
        (0..coarse.size.area())
            .into_par_iter()
            .map(|i| {
                let (x, y) = (2 * (i % coarse.size.columns), 2 * (i / coarse.size.columns));
                let cells = [at(x, y), at(x + 1, y), at(x, y + 1), at(x + 1, y + 1)];
                std::array::from_fn(|c| cells.iter().map(|v| v[c]).sum())
            })
            .collect()
    }

    fn spread(&self, coarse: &[[f32; 3]], coarse_size: Size) -> Vec<[f32; 3]> {
        (0..self.size.area())
            .into_par_iter()
            .map(|i| {
                let (x, y) = (i % self.size.columns, i / self.size.columns);
                coarse[y / 2 * coarse_size.columns + x / 2]
            })
            .collect()
    }
}

fn full_descent(levels: &[Level], right_side: &[[f32; 3]]) -> Vec<[f32; 3]> {
    let Some((finest, rest)) = levels.split_first() else {
        return Vec::new();
    };
    let mut solution = match rest.first() {
        None => vec![[0.0; 3]; finest.size.area()],
        Some(coarse) => {
            let below = full_descent(rest, &finest.gather(right_side, coarse));
            finest.spread(&below, coarse.size)
        }
    };
    let sweeps = if rest.is_empty() {
        COARSEST_SWEEPS
    } else {
        2 * SWEEPS
    };
    finest.smooth(&mut solution, right_side, sweeps);
    solution
}

fn v_cycle(levels: &[Level], solution: &mut Vec<[f32; 3]>, right_side: &[[f32; 3]]) {
    let Some((finest, rest)) = levels.split_first() else {
        return;
    };
    let Some(coarse) = rest.first() else {
        finest.smooth(solution, right_side, COARSEST_SWEEPS);
        return;
    };
    finest.smooth(solution, right_side, SWEEPS);
    let residual = finest.gather(&finest.residual(solution, right_side), coarse);
    let mut correction = vec![[0.0; 3]; coarse.size.area()];
    v_cycle(rest, &mut correction, &residual);
    let spread = finest.spread(&correction, coarse.size);
    solution.par_iter_mut().zip(&spread).for_each(|(s, c)| {
        for (s, c) in s.iter_mut().zip(c) {
            *s += c;
        }
    });
    finest.smooth(solution, right_side, SWEEPS);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame_problem(
        size: Size,
        edge: impl Fn(usize, usize) -> f32 + Sync,
    ) -> (Membrane, Plane<[f32; 3]>) {
        let on_rim =
            |x: usize, y: usize| x == 0 || y == 0 || x + 1 == size.columns || y + 1 == size.rows;
        let membrane = Membrane {
            right: Plane::filled(size, 1.0),
            down: Plane::filled(size, 1.0),
            hold: Plane::from_fn(size, |x, y| if on_rim(x, y) { 1e4 } else { 0.0 }),
        };
        let data = Plane::from_fn(size, |x, y| {
            if on_rim(x, y) {
                [edge(x, y); 3]
            } else {
                [0.0; 3]
            }
        });
        (membrane, data)
    }

    /// Laplace's equation on a rectangle by separation of variables: with sin(pi x / a) on one
    /// side and 0 on the others, u = sin(pi x / a) sinh(pi y / a) / sinh(pi b / a); for the
    /// five-point grid the rate in y solves cosh(k) = 2 - cos(pi / a) (textbook result).
    #[test]
    fn the_membrane_on_a_rectangle_is_the_closed_form() {
        let size = Size {
            columns: 65,
            rows: 49,
        };
        let (a, b) = (64.0f32, 48.0f32);
        let side = |x: usize| (std::f32::consts::PI * x as f32 / a).sin();
        let (membrane, data) =
            frame_problem(size, |x, y| if y + 1 == size.rows { side(x) } else { 0.0 });
        let got = membrane.solve(&data, 12);
        let k = (2.0 - (std::f32::consts::PI / a).cos()).acosh();
        for (x, y) in [(32, 24), (10, 40), (50, 10), (32, 46)] {
            let exact = side(x) * (k * y as f32).sinh() / (k * b).sinh();
            assert!(
                (got.at(x, y)[0] - exact).abs() < 2e-3,
                "{x} {y}: {} {exact}",
                got.at(x, y)[0]
            );
        }
    }

    #[test]
    fn a_linear_rim_gives_a_linear_membrane() {
        let size = Size {
            columns: 40,
            rows: 33,
        };
        let (membrane, data) = frame_problem(size, |x, y| 0.1 * x as f32 - 0.05 * y as f32);
        let got = membrane.solve(&data, 12);
        assert!((got.at(20, 16)[1] - (2.0 - 0.8)).abs() < 3e-3);
    }

    #[test]
    fn a_cut_keeps_two_surfaces_apart() {
        let size = Size {
            columns: 40,
            rows: 30,
        };
        let (mut membrane, data) = frame_problem(size, |x, _| if x < 20 { 1.0 } else { -1.0 });
        for y in 0..size.rows {
            membrane.right.set(19, y, 0.0);
        }
        let got = membrane.solve(&data, 12);
        assert!((got.at(19, 15)[0] - 1.0).abs() < 5e-3 && (got.at(20, 15)[0] + 1.0).abs() < 5e-3);
    }
}
