//! The plate's tones around a place, and how much likelier a colour is the gear's than theirs.

use crate::scene::{Perceived, Plane, Size};

/// Side of the cells that tones are gathered in, px.
const CELL: usize = 6;

/// Cells around a cell that count as its surroundings, each way.
const REACH: usize = 1;

/// Standard deviations of one thing's colour along its length: lightness, a and b (CIELAB units).
/// A pole under a flash fades slowly; its tone is followed, so this is what one step leaves.
const SPREAD: [f32; 3] = [3.0, 2.0, 2.0];

/// The most that one look can say for or against, ln units: a leaf may hide any part.
const MOST: f32 = 3.0;

/// A normal distribution of a colour.
#[derive(Debug, Clone, Copy, Default)]
struct Tone {
    mean: [f32; 3],
    /// 1 / variance.
    precision: [f32; 3],
    /// `ln` of the product of the variances over that of the thing's own.
    log_variance: f32,
}

/// Tones of the plate by place.
pub(super) struct Surroundings {
    tones: Plane<Tone>,
}

impl Surroundings {
    pub(super) fn of(plate: &Perceived) -> Self {
        let size = plate.size();
        let grid = Size {
            columns: size.columns.div_ceil(CELL),
            rows: size.rows.div_ceil(CELL),
        };
        let mut sums = Plane::filled(grid, [0.0f32; 7]);
        for y in 0..size.rows {
            for x in 0..size.columns {
                let colour = plate.at_index(y * size.columns + x);
                let sum = &mut sums.row_mut(y / CELL)[x / CELL];
                for c in 0..3 {
                    sum[c] += colour[c];
                    sum[3 + c] += colour[c] * colour[c];
                }
                sum[6] += 1.0;
            }
        }
        let tones = Plane::from_fn(grid, |x, y| {
            let mut sum = [0.0f32; 7];
            for v in y.saturating_sub(REACH)..(y + REACH + 1).min(grid.rows) {
                for u in x.saturating_sub(REACH)..(x + REACH + 1).min(grid.columns) {
                    for (sum, part) in sum.iter_mut().zip(sums.at(u, v)) {
                        *sum += part;
                    }
                }
            }
            let mut tone = Tone::default();
            for c in 0..3 {
                let mean = sum[c] / sum[6];
                let spread = SPREAD[c] * SPREAD[c];
                tone.mean[c] = mean;
                let variance = (sum[3 + c] / sum[6] - mean * mean).max(0.0) + spread;
                tone.precision[c] = 1.0 / variance;
                tone.log_variance += (variance / spread).ln();
            }
            tone
        });
        Self { tones }
    }

    /// `ln` of how much likelier a colour at a place is that of the thing than that of the plate's
    /// surroundings, normal distributions both; at most three either way.
    #[inline]
    pub(super) fn evidence(
        &self,
        (x, y): (usize, usize),
        colour: [f32; 3],
        thing: [f32; 3],
    ) -> f32 {
        let tone = self.tones.at(x / CELL, y / CELL);
        let mut twice = tone.log_variance;
        for c in 0..3 {
            let own = (colour[c] - thing[c]) / SPREAD[c];
            let other = colour[c] - tone.mean[c];
            twice += other * other * tone.precision[c] - own * own;
        }
        (0.5 * twice).clamp(-MOST, MOST)
    }
}
