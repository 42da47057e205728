//! How smooth a picture is along straight lines.

use crate::scene::{Plane, Size};
use crate::vectors::vectorised;

/// Directions of the lines.
const DIRECTIONS: usize = 16;

/// Points of a line, and the step between them, px: 21 px in all, longer than most leaves.
const POINTS: usize = 11;
const STEP: usize = 2;

/// What a line reaches each way, px.
const REACH: usize = (POINTS / 2) * STEP;

/// Pixels of a row that are looked at together.
const GROUP: usize = 16;

/// Steps along a straight line, px.
type Line = [(i32, i32); POINTS];

/// Straight lines through a pixel, evenly around.
fn lines() -> [Line; DIRECTIONS] {
    std::array::from_fn(|direction| {
        let angle = direction as f32 * std::f32::consts::PI / DIRECTIONS as f32;
        std::array::from_fn(|point| {
            let along = STEP as f32 * (point as f32 - (POINTS / 2) as f32);
            let [x, y] = [along * angle.cos(), along * angle.sin()];
            (x.round() as i32, y.round() as i32)
        })
    })
}

/// Standard deviations of a plane's values along the smoothest of the lines through a pixel, worked
/// out where they are asked for; borders repeat the last value.
#[derive(Debug)]
pub(super) struct SmoothestLines {
    /// Steps from a pixel's place in `padded`, less [`REACH`] rows and columns, to each point.
    steps: [[usize; POINTS]; DIRECTIONS],
    /// The plane with [`REACH`] pixels more around it, and room for the last group of a row.
    padded: Plane<f32>,
    /// What was looked at already, group by group.
    known: Plane<Option<[f32; GROUP]>>,
}

impl SmoothestLines {
    /// Of values over an extent.
    pub(super) fn through(size: Size, value: impl Fn(usize, usize) -> f32 + Sync) -> Self {
        let groups = Size {
            columns: size.columns.div_ceil(GROUP),
            rows: size.rows,
        };
        let padded = Size {
            columns: groups.columns * GROUP + 2 * REACH,
            rows: size.rows + 2 * REACH,
        };
        let inside = |i: usize, extent: usize| i.saturating_sub(REACH).min(extent - 1);
        let padded = Plane::from_fn(padded, |x, y| {
            value(inside(x, size.columns), inside(y, size.rows))
        });
        let step = |(dx, dy): (i32, i32)| {
            let [x, y] = [dx, dy].map(|d| (d + REACH as i32) as usize);
            y * padded.columns() + x
        };
        Self {
            steps: lines().map(|line| line.map(step)),
            padded,
            known: Plane::filled(groups, None),
        }
    }

    pub(super) fn at(&mut self, x: usize, y: usize) -> f32 {
        let group = x / GROUP;
        if let Some(spreads) = self.known.at(group, y) {
            return spreads[x % GROUP];
        }
        let spreads = vectorised(
            #[inline(always)]
            || self.group(group * GROUP, y),
        );
        self.known.set(group, y, Some(spreads));
        spreads[x % GROUP]
    }

    /// Of the pixels from `x` on.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn group(&self, x: usize, y: usize) -> [f32; GROUP] {
        let from = &self.padded.as_slice()[y * self.padded.columns() + x..];
        let mut least = [f32::INFINITY; GROUP];
        for line in &self.steps {
            let (mut sums, mut squares) = ([0.0f32; GROUP], [0.0f32; GROUP]);
            for &step in line {
                let values = &from[step..step + GROUP];
                for (k, &value) in values.iter().enumerate() {
                    sums[k] += value;
                    squares[k] += value * value;
                }
            }
            for (k, least) in least.iter_mut().enumerate() {
                let mean = sums[k] / POINTS as f32;
                *least = least.min(squares[k] / POINTS as f32 - mean * mean);
            }
        }
        least.map(|variance| variance.max(0.0).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bits, not values: pixel by pixel, point by point.
    #[test]
    fn groups_of_pixels_get_what_each_would_alone() {
        let size = Size {
            columns: 45,
            rows: 37,
        };
        let plane = Plane::from_fn(size, |x, y| ((x * 37 + y * 91) % 101) as f32 * 0.37);
        let alone = |x: usize, y: usize| {
            let of_line = |line: Line| {
                let (mut sum, mut squares) = (0.0f32, 0.0f32);
                for (dx, dy) in line {
                    let column = (x as i32 + dx).clamp(0, size.columns as i32 - 1);
                    let row = (y as i32 + dy).clamp(0, size.rows as i32 - 1);
                    let value = plane.at(column as usize, row as usize);
                    sum += value;
                    squares += value * value;
                }
                let mean = sum / POINTS as f32;
                squares / POINTS as f32 - mean * mean
            };
            let variances = lines().map(of_line);
            let least = variances.into_iter().fold(f32::INFINITY, f32::min);
            least.max(0.0).sqrt()
        };
        let mut found = SmoothestLines::through(size, |x, y| *plane.at(x, y));
        for (x, y) in [(0, 0), (44, 36), (44, 0), (31, 20), (32, 20), (3, 36)] {
            assert_eq!(found.at(x, y).to_bits(), alone(x, y).to_bits(), "{x}, {y}");
        }
        for y in 0..size.rows {
            for x in 0..size.columns {
                assert_eq!(found.at(x, y).to_bits(), alone(x, y).to_bits(), "{x}, {y}");
            }
        }
    }

    #[test]
    fn a_pole_is_smooth_along_itself() {
        let size = Size {
            columns: 60,
            rows: 60,
        };
        let is_pole = |x: usize| (28..32).contains(&x);
        let plane = Plane::from_fn(size, |x, y| {
            let mixed = ((x * 73 + y * 151) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            let texture = (mixed >> 40) as f32 / (1 << 24) as f32;
            if is_pole(x) {
                10.0
            } else {
                40.0 + 34.0 * texture
            }
        });
        let mut lines = SmoothestLines::through(size, |x, y| *plane.at(x, y));
        assert!(lines.at(30, 30) < 0.01);
        assert!(lines.at(10, 30) > 3.0);
    }
}
