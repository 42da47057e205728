//! The plate's tones around a place, and how strange a colour is among them.

use rayon::prelude::*;

use super::weigh::SPREAD;
use crate::scene::{Perceived, Plane, Size};
use crate::vectors::vectorised;

/// Side of the cells that tones are gathered in, px.
const CELL: usize = 6;

/// Cells around a cell that count as its surroundings, each way.
const REACH: usize = 1;

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
        sums.as_mut_slice()
            .par_chunks_exact_mut(grid.columns.max(1))
            .enumerate()
            .for_each(|(row, sums)| {
                for y in row * CELL..((row + 1) * CELL).min(size.rows) {
                    for (column, sum) in sums.iter_mut().enumerate() {
                        for x in column * CELL..((column + 1) * CELL).min(size.columns) {
                            let colour = plate.at_index(y * size.columns + x);
                            for c in 0..3 {
                                sum[c] += colour[c];
                                sum[3 + c] += colour[c] * colour[c];
                            }
                            sum[6] += 1.0;
                        }
                    }
                }
            });
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

    /// How strange each pixel's colour is there, compared with how strange a thing's own mean would
    /// be to the thing: twice the difference of the `ln` likelihoods.
    pub(super) fn strangeness(&self, seen: &Perceived) -> Plane<f32> {
        let columns = seen.size().columns;
        let mut out = Plane::unset(seen.size());
        out.as_mut_slice()
            .par_chunks_mut((CELL * columns).max(1))
            .enumerate()
            .for_each_init(Wide::default, |wide, (row, out)| {
                wide.read(self.tones.row(row), columns);
                for (y, out) in (row * CELL..).zip(out.chunks_exact_mut(columns)) {
                    let planes = [&seen.lightness, &seen.a, &seen.b];
                    wide.strangeness(planes.map(|plane| plane.row(y)), out);
                }
            });
        out
    }
}

/// A row of tones as wide as the pixels: mean and precision of each colour, and the variance's `ln`.
#[derive(Default)]
struct Wide {
    mean: [Vec<f32>; 3],
    precision: [Vec<f32>; 3],
    log_variance: Vec<f32>,
}

impl Wide {
    fn read(&mut self, tones: &[Tone], columns: usize) {
        let widen = |out: &mut Vec<f32>, of: &dyn Fn(&Tone) -> f32| {
            out.resize(columns, 0.0);
            for (cell, tone) in out.chunks_mut(CELL).zip(tones) {
                cell.fill(of(tone));
            }
        };
        for (c, out) in self.mean.iter_mut().enumerate() {
            widen(out, &|tone| tone.mean[c]);
        }
        for (c, out) in self.precision.iter_mut().enumerate() {
            widen(out, &|tone| tone.precision[c]);
        }
        widen(&mut self.log_variance, &|tone| tone.log_variance);
    }

    fn strangeness(&self, colours: [&[f32]; 3], out: &mut [f32]) {
        vectorised(
            #[inline(always)]
            || {
                let n = out.len();
                out.copy_from_slice(&self.log_variance[..n]);
                for (c, colours) in colours.into_iter().enumerate() {
                    let (mean, precision) = (&self.mean[c][..n], &self.precision[c][..n]);
                    let colours = &colours[..n];
                    for (x, out) in out.iter_mut().enumerate() {
                        let other = colours[x] - mean[x];
                        *out += other * other * precision[x];
                    }
                }
            },
        );
    }
}
