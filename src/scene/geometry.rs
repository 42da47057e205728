//! Points, sizes and the plane projective map between two frames.

use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use crate::vectors::vectorised;

/// A place in a frame; pixel centres are at integers.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Point {
    /// Column, growing to the right.
    pub x: f64,
    /// Row, growing downwards.
    pub y: f64,
}

/// Extent of a frame in pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Size {
    /// Width.
    pub columns: usize,
    /// Height.
    pub rows: usize,
}

impl Size {
    /// Number of pixels.
    pub fn area(self) -> usize {
        self.columns * self.rows
    }

    /// The longer side in pixels.
    pub fn long_side(self) -> usize {
        self.columns.max(self.rows)
    }
}

impl std::fmt::Display for Size {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}x{}", self.columns, self.rows)
    }
}

/// A rectangle of whole pixels: rows `top..bottom`, columns `left..right`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// One past the last column.
    pub right: usize,
    /// One past the last row.
    pub bottom: usize,
}

impl Window {
    /// Windows of `side` by `side` pixels that cover a frame row by row, cut at its right and lower
    /// borders.
    pub fn tiles(frame: Size, side: usize) -> impl Iterator<Item = Self> {
        (0..frame.rows).step_by(side).flat_map(move |top| {
            (0..frame.columns).step_by(side).map(move |left| Self {
                left,
                top,
                right: (left + side).min(frame.columns),
                bottom: (top + side).min(frame.rows),
            })
        })
    }

    /// Width in pixels.
    pub fn columns(&self) -> usize {
        self.right - self.left
    }

    /// Height in pixels.
    pub fn rows(&self) -> usize {
        self.bottom - self.top
    }

    /// Extent of the window.
    pub fn size(&self) -> Size {
        Size {
            columns: self.columns(),
            rows: self.rows(),
        }
    }

    /// The window grown by `margin` pixels on every side, cut at the borders of `within`.
    #[must_use]
    pub fn grown(&self, margin: usize, within: Size) -> Self {
        Self {
            left: self.left.saturating_sub(margin),
            top: self.top.saturating_sub(margin),
            right: (self.right + margin).min(within.columns),
            bottom: (self.bottom + margin).min(within.rows),
        }
    }
}

/// 3x3 projective map, row-major, f64: plate pixel to lit pixel, pixel centres at integers.
///
/// Source: Hartley & Zisserman, "Multiple View Geometry", 2nd ed. 2004, section 2.3.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(into = "[f64; 9]", try_from = "[f64; 9]")]
pub struct Homography(Matrix3<f64>);

impl From<Homography> for [f64; 9] {
    fn from(map: Homography) -> Self {
        map.to_rows()
    }
}

/// Nine numbers that no camera's map has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the map cannot be inverted")]
pub struct SingularMap;

impl TryFrom<[f64; 9]> for Homography {
    type Error = SingularMap;

    fn try_from(rows: [f64; 9]) -> Result<Self, SingularMap> {
        Self::from_rows(rows).ok_or(SingularMap)
    }
}

impl Homography {
    /// The map that leaves every pixel where it is.
    pub fn identity() -> Self {
        Self(Matrix3::identity())
    }

    /// A pure shift by `dx` columns and `dy` rows.
    pub fn shift(dx: f64, dy: f64) -> Self {
        Self(Matrix3::new(1.0, 0.0, dx, 0.0, 1.0, dy, 0.0, 0.0, 1.0))
    }

    /// From nine numbers in row-major order, scaled so that the last one is 1.
    /// `None` when the map cannot be inverted or holds a number that is not finite.
    pub fn from_rows(values: [f64; 9]) -> Option<Self> {
        Self::from_matrix(Matrix3::from_row_slice(&values))
    }

    /// From a matrix, scaled so that the last entry is 1; `None` when it cannot be inverted.
    pub fn from_matrix(matrix: Matrix3<f64>) -> Option<Self> {
        let scaled = matrix / matrix[(2, 2)];
        let is_sound = scaled.iter().all(|v| v.is_finite()) && scaled.determinant().abs() > 1e-9;
        is_sound.then_some(Self(scaled))
    }

    /// The nine numbers, row-major.
    pub fn to_rows(&self) -> [f64; 9] {
        let m = &self.0;
        [
            m.m11, m.m12, m.m13, m.m21, m.m22, m.m23, m.m31, m.m32, m.m33,
        ]
    }

    /// The matrix itself.
    pub fn matrix(&self) -> &Matrix3<f64> {
        &self.0
    }

    /// Where `point` goes.
    pub fn apply(&self, point: Point) -> Point {
        let q = self.0 * Vector3::new(point.x, point.y, 1.0);
        Point {
            x: q.x / q.z,
            y: q.y / q.z,
        }
    }

    /// Where all of the `points` go, as [`Homography::apply`] has it to the bit: many at once.
    pub fn apply_all(&self, points: &mut [Point]) {
        let [a, b, c, d, e, f, g, h, i] = self.to_rows();
        vectorised(
            #[inline(always)]
            || {
                for point in points {
                    let (x, y) = (point.x, point.y);
                    let z = g * x + h * y + i;
                    point.x = (a * x + b * y + c) / z;
                    point.y = (d * x + e * y + f) / z;
                }
            },
        );
    }

    /// The map back; `None` only for a map that was singular to begin with.
    pub fn inverse(&self) -> Option<Self> {
        self.0.try_inverse().and_then(Self::from_matrix)
    }

    /// First `self`, then `next`.
    pub fn then(&self, next: &Self) -> Option<Self> {
        Self::from_matrix(next.0 * self.0)
    }

    /// The same map for frames reduced `factor` times in both directions by box averaging
    /// (`factor` below 1 enlarges). The centre of a reduced pixel lies at `factor·i + (factor-1)/2`.
    #[must_use]
    pub fn reduced(&self, factor: f64) -> Self {
        let offset = (factor - 1.0) / 2.0;
        let up = Matrix3::new(factor, 0.0, offset, 0.0, factor, offset, 0.0, 0.0, 1.0);
        let down = Matrix3::new(
            1.0 / factor,
            0.0,
            -offset / factor,
            0.0,
            1.0 / factor,
            -offset / factor,
            0.0,
            0.0,
            1.0,
        );
        Self::from_matrix(down * self.0 * up).unwrap_or_else(Self::identity)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_homography_and_its_inverse_meet_at_the_start() {
        let there =
            Homography::from_rows([1.01, 0.02, 5.0, -0.01, 0.99, -3.0, 1e-5, -2e-5, 1.0]).unwrap();
        let point = Point { x: 123.0, y: 456.0 };
        let back = there.inverse().unwrap().apply(there.apply(point));
        assert!((back.x - point.x).abs() < 1e-9 && (back.y - point.y).abs() < 1e-9);
    }

    /// Bits, not values.
    #[test]
    fn many_points_go_where_each_would_alone() {
        let map =
            Homography::from_rows([1.01, 0.02, 5.3, -0.013, 0.99, -3.7, 1e-5, -2e-5, 1.0]).unwrap();
        let points: Vec<Point> = (0..203)
            .map(|k| Point {
                x: f64::from(k) * 17.37,
                y: f64::from(k % 13) * 91.1,
            })
            .collect();
        let mut all = points.clone();
        map.apply_all(&mut all);
        let bits = |p: &Point| (p.x.to_bits(), p.y.to_bits());
        assert!(
            all.iter()
                .map(bits)
                .eq(points.iter().map(|&p| bits(&map.apply(p))))
        );
    }

    #[test]
    fn reducing_a_shift_divides_it() {
        let reduced = Homography::shift(6.0, -3.0).reduced(3.0);
        let moved = reduced.apply(Point { x: 10.0, y: 10.0 });
        assert!((moved.x - 12.0).abs() < 1e-9 && (moved.y - 9.0).abs() < 1e-9);
    }

    #[test]
    fn reducing_keeps_the_place_of_a_scene_point() {
        let full = Homography::from_rows([1.002, 0.001, 4.0, -0.001, 0.998, 2.0, 1e-6, 2e-6, 1.0])
            .unwrap();
        let small = full.reduced(3.0);
        let place = full.apply(Point { x: 301.0, y: 601.0 });
        let seen = small.apply(Point { x: 100.0, y: 200.0 });
        assert!((seen.x - (place.x - 1.0) / 3.0).abs() < 1e-9);
        assert!((seen.y - (place.y - 1.0) / 3.0).abs() < 1e-9);
    }
}
