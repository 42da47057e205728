//! Several planes side by side: the values of one pixel lie together, so that sums along rows run in
//! vectors too, and several planes cost little more than one.

use crate::scene::Window;
use crate::vectors::vectorised;

/// `N` values a pixel over a window of a picture.
#[derive(Debug, Clone)]
pub struct Bundle<const N: usize> {
    window: Window,
    values: Vec<[f32; N]>,
}

/// Rows whose running sums are taken together: each addition waits for the one before in its row.
const TOGETHER: usize = 2;

impl<const N: usize> Bundle<N> {
    /// Over `window`, whose rows `fill` writes one after the other, given each row's number.
    pub fn from_rows(window: Window, mut fill: impl FnMut(usize, &mut [[f32; N]])) -> Self {
        let mut values = vec![[0.0f32; N]; window.size().area()];
        let rows = values.chunks_exact_mut(window.columns().max(1));
        for (y, row) in (window.top..window.bottom).zip(rows) {
            fill(y, row);
        }
        Self { window, values }
    }

    /// The values of the picture's pixel at column `x`, row `y`.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> &[f32; N] {
        let (x, y) = (x - self.window.left, y - self.window.top);
        &self.values[y * self.window.columns() + x]
    }

    /// The values along `columns` of a row of the picture.
    #[inline]
    pub fn run(&self, y: usize, columns: std::ops::Range<usize>) -> &[[f32; N]] {
        let first = (y - self.window.top) * self.window.columns();
        let left = self.window.left;
        &self.values[first + columns.start - left..first + columns.end - left]
    }

    /// Means over squares of `2·radius + 1` pixels around the pixels of `part`, by running sums;
    /// what lies beyond the bundle's window repeats its border.
    ///
    /// The values are those of [`super::filter::box_mean`].
    #[must_use]
    pub fn box_means(&self, radius: usize, part: Window) -> Self {
        let own = self.window;
        let rows =
            own.top.max(part.top.saturating_sub(radius))..own.bottom.min(part.bottom + radius);
        let across = self.means_along(radius, part, rows.clone());
        let columns = part.columns();
        let share = 1.0 / (2 * radius + 1) as f32;
        let mut values = vec![[0.0f32; N]; part.size().area()];
        let mut sums = vec![[0.0f64; N]; columns];
        // The row `off` below the one `radius` above `y`.
        let row = |y: usize, off: usize| {
            let y = (y + off).saturating_sub(radius);
            let at = y.clamp(rows.start, rows.end - 1) - rows.start;
            across[at * columns..][..columns].as_flattened()
        };
        vectorised(
            #[inline(always)]
            || {
                let sums = sums.as_flattened_mut();
                for off in 0..2 * radius {
                    for (sum, &v) in sums.iter_mut().zip(row(part.top, off)) {
                        *sum += f64::from(v);
                    }
                }
                let out = values.chunks_exact_mut(columns.max(1));
                for (y, out) in (part.top..part.bottom).zip(out) {
                    let both = row(y, 2 * radius).iter().zip(row(y, 0));
                    let out = sums.iter_mut().zip(out.as_flattened_mut());
                    for ((sum, out), (&new, &old)) in out.zip(both) {
                        *sum += f64::from(new);
                        *out = *sum as f32 * share;
                        *sum -= f64::from(old);
                    }
                }
            },
        );
        Self {
            window: part,
            values,
        }
    }

    /// Means along `rows` over `2·radius + 1` values around the columns of `part`.
    fn means_along(
        &self,
        radius: usize,
        part: Window,
        rows: std::ops::Range<usize>,
    ) -> Vec<[f32; N]> {
        let columns = part.columns();
        let mut out = vec![[0.0f32; N]; rows.len() * columns];
        let mut padded = [const { Vec::new() }; TOGETHER];
        for (first, out) in rows
            .clone()
            .step_by(TOGETHER)
            .zip(out.chunks_mut(TOGETHER * columns))
        {
            for (k, padded) in padded.iter_mut().enumerate() {
                self.pad((first + k).min(rows.end - 1), radius, part, padded);
            }
            vectorised(
                #[inline(always)]
                || means_of_rows(&padded, radius, out),
            );
        }
        out
    }

    /// A row's values around the columns of `part`, `radius` more on either side.
    fn pad(&self, y: usize, radius: usize, part: Window, out: &mut Vec<[f32; N]>) {
        let own = self.window;
        let left = own.left.max(part.left.saturating_sub(radius));
        let right = own.right.min(part.right + radius);
        out.clear();
        let first = *self.at(left, y);
        let last = *self.at(right - 1, y);
        // Columns that a window reaches beyond the border; it may begin left of the picture.
        out.resize(left + radius - part.left, first);
        out.extend_from_slice(self.run(y, left..right));
        out.resize(part.columns() + 2 * radius, last);
    }
}

/// Running means over `2·radius + 1` values of padded rows; `out` holds as many rows as are wanted.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn means_of_rows<const N: usize>(
    rows: &[Vec<[f32; N]>; TOGETHER],
    radius: usize,
    out: &mut [[f32; N]],
) {
    let share = 1.0 / (2 * radius + 1) as f32;
    let columns = rows[0].len() - 2 * radius;
    let mut sums = [[0.0f64; N]; TOGETHER];
    for (sums, row) in sums.iter_mut().zip(rows) {
        for values in &row[..2 * radius] {
            for (sum, &v) in sums.iter_mut().zip(values) {
                *sum += f64::from(v);
            }
        }
    }
    let step = |sums: &mut [f64; N], out: &mut [f32; N], new: &[f32; N], old: &[f32; N]| {
        for n in 0..N {
            sums[n] += f64::from(new[n]);
        }
        for n in 0..N {
            out[n] = sums[n] as f32 * share;
        }
        for n in 0..N {
            sums[n] -= f64::from(old[n]);
        }
    };
    if out.len() < TOGETHER * columns {
        for ((row, sums), out) in rows
            .iter()
            .zip(&mut sums)
            .zip(out.chunks_exact_mut(columns))
        {
            for (x, out) in out.iter_mut().enumerate() {
                step(sums, out, &row[x + 2 * radius], &row[x]);
            }
        }
        return;
    }
    let (above, below) = out.split_at_mut(columns);
    let [first, second] = &mut sums;
    let entering = rows.each_ref().map(|row| &row[2 * radius..][..columns]);
    let leaving = rows.each_ref().map(|row| &row[..columns]);
    for (x, (above, below)) in above.iter_mut().zip(below).enumerate() {
        step(first, above, &entering[0][x], &leaving[0][x]);
        step(second, below, &entering[1][x], &leaving[1][x]);
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "copies are exact")]
mod tests {
    use super::*;
    use crate::numeric::filter::box_mean;
    use crate::scene::{Plane, Size};

    fn plane(size: Size, seed: usize) -> Plane<f32> {
        Plane::from_fn(size, |x, y| {
            let mixed = ((x * 73 + y * 151 + seed) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            100.0 * (mixed >> 40) as f32 / (1 << 24) as f32 - 20.0
        })
    }

    /// Bits, not values.
    #[test]
    fn each_plane_gets_the_means_it_would_get_alone() {
        let whole = Window {
            left: 0,
            top: 0,
            right: 47,
            bottom: 39,
        };
        let planes: [Plane<f32>; 8] = std::array::from_fn(|n| plane(whole.size(), 1000 * n));
        let bundle = Bundle::<8>::from_rows(whole, |y, row| {
            for (x, row) in row.iter_mut().enumerate() {
                *row = planes.each_ref().map(|plane| *plane.at(x, y));
            }
        });
        let inside = Window {
            left: 5,
            top: 9,
            right: 30,
            bottom: 38,
        };
        for radius in [1, 2, 8, 20] {
            let alone = planes.each_ref().map(|plane| box_mean(plane, radius));
            for part in [whole, inside] {
                let means = bundle.box_means(radius, part);
                for (x, y) in (part.top..part.bottom)
                    .flat_map(|y| (part.left..part.right).map(move |x| (x, y)))
                {
                    let bits = means.at(x, y).map(f32::to_bits);
                    let expected = alone.each_ref().map(|plane| plane.at(x, y).to_bits());
                    assert_eq!(bits, expected, "{x}, {y} at {radius}");
                }
            }
        }
    }

    #[test]
    fn a_window_of_a_picture_knows_its_pixels() {
        let window = Window {
            left: 3,
            top: 2,
            right: 9,
            bottom: 7,
        };
        let bundle = Bundle::<1>::from_rows(window, |y, row| {
            for (x, value) in row.iter_mut().enumerate() {
                *value = [(100 * y + x + 3) as f32];
            }
        });
        assert_eq!(bundle.at(8, 6), &[608.0]);
        assert_eq!(bundle.run(4, 5..7), &[[405.0], [406.0]]);
        // The corner repeats: rows 2, 2, 3 and columns 3, 3, 4.
        let means = bundle.box_means(1, window);
        assert!((means.at(3, 2)[0] - 710.0 / 3.0).abs() < 1e-3);
    }
}
