//! A membrane stretched through a hole, with edges that it does not cross.
//!
//! Solves `min Σ g·(u_i - u_j)² + Σ s_i·(u_i - d_i)²` over neighbouring pixels `i, j` of a domain,
//! for several values a pixel at once: a screened Poisson problem with varying conductance `g`. The
//! start comes from a full multigrid descent on cell-centred grids (Briggs, Henson & others, "A
//! Multigrid Tutorial", 2nd ed. 2000), the rest from conjugate gradients with a V-cycle as
//! preconditioner, which edges that cells do not follow cannot upset. The smoother is damped
//! Jacobi with the dampings of a Chebyshev polynomial (Adams, Brezina, Hu and Tuminaro, "Parallel
//! Multigrid Smoothing: Polynomial versus Gauss-Seidel", 2003), in straight loops. Work is done
//! along the runs of the domain only.

mod grid;
mod multigrid;

use grid::{Grid, padded};
use multigrid::{Level, conjugate_gradients, full_descent};

use super::spans::Spans;
use crate::scene::Plane;

/// Grids are coarsened while their longer side is longer than this.
const COARSEST_SIDE: usize = 4;

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
    /// Solves for the data given, in `steps` steps after the full descent; each leaves a third of
    /// the error or less. Pixels outside the domain and those that hang on nothing are 0. Holds
    /// some `8 + 7·N` floats a pixel of the planes.
    ///
    /// # Panics
    /// When the planes' extents differ from the domain's: a broken caller.
    #[must_use]
    pub fn solve<const N: usize>(&self, data: &[Plane<f32>; N], steps: usize) -> [Plane<f32>; N] {
        let mut levels = self.levels::<N>();
        let finest = &mut levels[0];
        for (right_side, data) in finest.right_side.iter_mut().zip(data) {
            *right_side = padded(&self.domain, |y, run, out| {
                let values = data.row(y)[run.from..]
                    .iter()
                    .zip(&self.hold.row(y)[run.from..]);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    fn frame_problem(
        size: Size,
        edge: impl Fn(usize, usize) -> f32 + Sync,
    ) -> (Membrane, Plane<f32>) {
        let on_rim =
            |x: usize, y: usize| x == 0 || y == 0 || x + 1 == size.columns || y + 1 == size.rows;
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
        let size = Size {
            columns: 65,
            rows: 49,
        };
        let (a, b) = (64.0f32, 48.0f32);
        let side = |x: usize| (std::f32::consts::PI * x as f32 / a).sin();
        let (membrane, data) =
            frame_problem(size, |x, y| if y + 1 == size.rows { side(x) } else { 0.0 });
        let [got] = membrane.solve(&[data], 12);
        let k = (2.0 - (std::f32::consts::PI / a).cos()).acosh();
        for (x, y) in [(32, 24), (10, 40), (50, 10), (32, 46)] {
            let exact = side(x) * (k * y as f32).sinh() / (k * b).sinh();
            assert!(
                (got.at(x, y) - exact).abs() < 2e-3,
                "{x} {y}: {} {exact}",
                got.at(x, y)
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
        let [got] = membrane.solve(&[data], 12);
        assert!((got.at(20, 16) - (2.0 - 0.8)).abs() < 3e-3);
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
        let [got] = membrane.solve(&[data], 12);
        assert!((got.at(19, 15) - 1.0).abs() < 5e-3 && (got.at(20, 15) + 1.0).abs() < 5e-3);
    }
}
