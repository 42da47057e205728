//! Smoothing and reduction by two.
//!
//! Source: Burt & Adelson, "The Laplacian Pyramid as a Compact Image Code", 1983, section II.

use rayon::prelude::*;

use crate::scene::{Plane, Size};

/// Smooths by the binomial kernel 1-2-1 along rows and columns (a standard deviation of 0.71
/// pixels); borders are repeated. Holds one plane beside the input.
pub fn smoothed(plane: &Plane<f32>) -> Plane<f32> {
    let Size { columns, rows } = plane.size();
    let mut out = Plane::unset(plane.size());
    out.as_mut_slice()
        .par_chunks_exact_mut(columns.max(1))
        .enumerate()
        .for_each_init(
            || vec![0.0_f32; columns],
            |vertical, (y, out)| {
                let above = plane.row(y.saturating_sub(1));
                let here = plane.row(y);
                let below = plane.row((y + 1).min(rows - 1));
                for (v, ((a, h), b)) in vertical.iter_mut().zip(above.iter().zip(here).zip(below)) {
                    *v = 0.25 * (a + b) + 0.5 * h;
                }
                let last = columns - 1;
                out[0] = 0.75 * vertical[0] + 0.25 * vertical[1.min(last)];
                out[last] = 0.75 * vertical[last] + 0.25 * vertical[last.saturating_sub(1)];
                for (out, w) in out[1.min(last)..last].iter_mut().zip(vertical.windows(3)) {
                    *out = 0.25 * (w[0] + w[2]) + 0.5 * w[1];
                }
            },
        );
    out
}

/// Reduces by two in both directions by averaging 2x2 pixels; an odd last row or column is dropped.
pub fn halved(plane: &Plane<f32>) -> Plane<f32> {
    let size = Size {
        columns: (plane.columns() / 2).max(1),
        rows: (plane.rows() / 2).max(1),
    };
    let mut out = Plane::unset(size);
    out.as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .for_each(|(y, out)| {
            let upper = plane.row((2 * y).min(plane.rows() - 1));
            let lower = plane.row((2 * y + 1).min(plane.rows() - 1));
            for (out, (u, l)) in out.iter_mut().zip(upper.chunks(2).zip(lower.chunks(2))) {
                *out = 0.25 * (u[0] + u[u.len() - 1] + l[0] + l[l.len() - 1]);
            }
        });
    out
}

/// `base` and its halvings, down to the first whose long side is at most `smallest` pixels.
pub fn pyramid(base: Plane<f32>, smallest: usize) -> Vec<Plane<f32>> {
    let mut levels = vec![base];
    while let Some(last) = levels.last()
        && last.size().long_side() > smallest
    {
        let next = halved(last);
        levels.push(next);
    }
    levels
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "the values compared are exact")]
mod tests {
    use super::*;

    const SMALL: Size = Size {
        columns: 5,
        rows: 4,
    };

    #[test]
    fn smoothing_spreads_a_point_by_the_binomial_weights() {
        let mut point = Plane::filled(SMALL, 0.0);
        point.set(2, 1, 16.0);
        let smooth = smoothed(&point);
        assert_eq!(smooth.row(0), [0.0, 1.0, 2.0, 1.0, 0.0]);
        assert_eq!(smooth.row(1), [0.0, 2.0, 4.0, 2.0, 0.0]);
    }

    #[test]
    fn smoothing_and_halving_leave_a_flat_plane_flat() {
        for columns in 1..6 {
            let flat = Plane::filled(Size { columns, rows: 3 }, 0.5);
            assert!(smoothed(&flat).as_slice().iter().all(|&v| v == 0.5));
            assert!(halved(&flat).as_slice().iter().all(|&v| v == 0.5));
        }
    }

    #[test]
    fn a_pyramid_ends_at_the_size_asked_for() {
        let levels = pyramid(
            Plane::filled(
                Size {
                    columns: 100,
                    rows: 60,
                },
                1.0,
            ),
            30,
        );
        let sides: Vec<usize> = levels.iter().map(|l| l.size().long_side()).collect();
        assert_eq!(sides, [100, 50, 25]);
    }
}
