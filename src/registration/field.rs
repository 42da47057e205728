//! What the map leaves over where the tiles agree on it: parallax of a camera that moved by
//! millimetres, focus breathing.
//!
//! A tensor product of uniform cubic B-splines, fitted by penalised least squares (Eilers & Marx,
//! "Flexible Smoothing with B-splines and Penalties", 1996). Weights are robust both on the tiles,
//! so that what moved by itself doesn't pull, and on the bends, so that the field may break where
//! near things stand before far ones (weak plate: Blake & Zisserman, "Visual Reconstruction", 1987).

mod system;

use nalgebra::{Matrix2, Vector2};

use serde::{Deserialize, Serialize};

use super::fit::residual;
use super::record::FieldRecord;
use super::tiles::TileMatch;
use crate::scene::{Homography, Point, Size};
use crate::vectors::vectorised;
use system::System;

/// Cells of the broad field in pixels: one and a half of the tiles it is fitted to.
const BROAD_CELL_PX: f64 = 48.0;
/// The refined field's cells are smaller by this factor.
const REFINEMENT: f64 = 2.0;
/// Tiles farther from the map than this moved by themselves, pixels.
const FARTHEST_PX: f64 = 8.0;
/// Deviation of a tile that the field need not follow, pixels: tiles that tell their place better
/// weigh no more.
const EVEN_DEVIATION_PX: f64 = 0.05;
/// Weight of squared second differences of neighbouring coefficients, in exact tiles: stiff enough
/// that a tile must be borne out by its neighbours.
const BROAD_STIFFNESS: f64 = 0.3;
/// The same for the refined field, whose cells hold more tiles than free numbers by far.
const REFINED_STIFFNESS: f64 = 0.04;
/// Bends beyond this many pixels a cell are breaks, from the first fit to the last.
const BREAKS_PX: [f64; 4] = [8.0, 1.0, 0.3, 0.1];
/// Weight of the coefficients themselves: far from any tile the field fades to zero.
const PULL_TO_ZERO: f64 = 1e-4;
/// Deviations in pixels that tiles may have from the field, from the first fit to the last.
const DEVIATIONS_PX: [f64; 4] = [1.5, 0.6, 0.25, 0.12];
/// Reweighted fits at each cut-off.
const STEPS_A_CUTOFF: usize = 2;
/// Tiles beyond this many deviations don't count.
const CUTOFF_DEVIATIONS: f64 = 3.0;
/// Fewest tiles a field is fitted to.
const LEAST_TILES: usize = 40;
/// Mean squared deviations of a tile that its own uncertainty explains: 2, one a coordinate, and
/// some for uncertainties that are estimates themselves.
const EXPLAINED_BY_NOISE: f64 = 2.5;
/// A field is kept if it lessens the misfit of tiles it was not fitted to below this share.
const WORTHWHILE_SHARE: f64 = 0.99;

/// Smooth displacement on top of a homography, in pixels of the lit frame, at places of the lit
/// frame: a plate point is seen at `q` where `q = homography(plate point) + displacement(q)`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(into = "FieldRecord", try_from = "FieldRecord")]
pub struct ResidualField {
    /// Place of the first knot, pixels.
    pub(super) origin: f64,
    /// Distance of knots, pixels.
    pub(super) cell: f64,
    pub(super) columns: usize,
    pub(super) rows: usize,
    /// Coefficients, rows end to end, pixels.
    pub(super) coefficients: Vec<Vector2<f64>>,
    /// Resistance against bends, in exact tiles.
    pub(super) stiffness: f64,
}

/// Where a tile lies and how far the map misses it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    lit: Point,
    displacement: Vector2<f64>,
    /// Of the displacement, squared pixels: along an edge it is hardly known.
    covariance: Matrix2<f64>,
}

impl Sample {
    /// Inverse of the covariance, with `deviation` pixels for what the field need not follow.
    fn information(&self, deviation: f64) -> Matrix2<f64> {
        (self.covariance + Matrix2::identity() * deviation.powi(2))
            .try_inverse()
            .unwrap_or_else(Matrix2::zeros)
    }
}

/// The tiles' residuals under `map`.
pub(super) fn samples(map: &Homography, tiles: &[TileMatch]) -> Vec<Sample> {
    tiles
        .iter()
        .map(|tile| Sample {
            lit: tile.lit,
            displacement: residual(map, tile),
            covariance: tile.covariance,
        })
        .filter(|sample| sample.displacement.norm() < FARTHEST_PX)
        .collect()
}

/// Places that are looked at side by side, so that their sums become vectors.
const TOGETHER: usize = 8;

/// A coordinate of each of them, pixels.
type Side = [f64; TOGETHER];

/// The four weights of a uniform cubic B-spline at `t` (0 to 1) within a cell.
#[inline]
fn spline_weights(t: f64) -> [f64; 4] {
    let u = 1.0 - t;
    [
        u * u * u / 6.0,
        (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0,
        (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
        t * t * t / 6.0,
    ]
}

impl ResidualField {
    /// No displacement, with the broad field's knots.
    pub(super) fn broad(size: Size) -> Self {
        Self::zero(size, BROAD_CELL_PX, BROAD_STIFFNESS)
    }

    fn with_denser_knots(&self, size: Size) -> Self {
        let mut finer = Self::zero(size, self.cell / REFINEMENT, REFINED_STIFFNESS);
        for index in 0..finer.coefficients.len() {
            // A smooth function's coefficients are near its values at the knots.
            let knot = |i: usize| finer.origin + (i as f64 - 1.0) * finer.cell;
            let here = self.at(Point {
                x: knot(index % finer.columns),
                y: knot(index / finer.columns),
            });
            finer.coefficients[index] = Vector2::new(here.x, here.y);
        }
        finer
    }

    fn zero(size: Size, cell: f64, stiffness: f64) -> Self {
        let knots = |extent: usize| (extent as f64 / cell).ceil() as usize + 3;
        let (columns, rows) = (knots(size.columns), knots(size.rows));
        Self {
            origin: -0.5,
            cell,
            columns,
            rows,
            coefficients: vec![Vector2::zeros(); columns * rows],
            stiffness,
        }
    }

    /// Displacement at a place of the lit frame, pixels.
    pub fn at(&self, lit: Point) -> Point {
        let (column, across) = self.cell_of(lit.x, self.columns);
        let (row, down) = self.cell_of(lit.y, self.rows);
        let mut sum = Vector2::zeros();
        for (r, down) in down.into_iter().enumerate() {
            let from = (row + r) * self.columns + column;
            for (coefficient, across) in self.coefficients[from..from + 4].iter().zip(across) {
                sum += coefficient * (down * across);
            }
        }
        Point { x: sum.x, y: sum.y }
    }

    /// Takes the displacement off places of the lit frame that all lie in one row of it.
    pub(super) fn taken_off_row(&self, places: &mut [Point]) {
        let Some(first) = places.first() else {
            return;
        };
        let (row, down) = self.cell_of(first.y, self.rows);
        let along: Vec<Vector2<f64>> = (0..self.columns)
            .map(|c| {
                (0..4)
                    .map(|r| self.coefficients[(row + r) * self.columns + c] * down[r])
                    .sum()
            })
            .collect();
        vectorised(
            #[inline(always)]
            || {
                for places in places.chunks_mut(TOGETHER) {
                    let mut x = [0.0; TOGETHER];
                    for (x, place) in x.iter_mut().zip(places.iter()) {
                        *x = place.x;
                    }
                    let (columns, across) = self.cells_of(&x, self.columns);
                    let (mut dx, mut dy) = ([0.0; TOGETHER], [0.0; TOGETHER]);
                    for (c, across) in across.iter().enumerate() {
                        for k in 0..TOGETHER {
                            let coefficient = along[columns[k] as usize + c];
                            dx[k] += coefficient.x * across[k];
                            dy[k] += coefficient.y * across[k];
                        }
                    }
                    for (k, place) in places.iter_mut().enumerate() {
                        place.x -= dx[k];
                        place.y -= dy[k];
                    }
                }
            },
        );
    }

    /// Where a point is seen that the homography sends to `sent`.
    pub fn seen_at(&self, sent: Point) -> Point {
        let mut seen = sent;
        // The field is smooth: its slope is far below 1, and two rounds settle it.
        for _ in 0..2 {
            let d = self.at(seen);
            seen = Point {
                x: sent.x + d.x,
                y: sent.y + d.y,
            };
        }
        seen
    }

    /// [`ResidualField::seen_at`] of many places.
    pub(super) fn see(&self, places: &mut [Point]) {
        vectorised(
            #[inline(always)]
            || {
                for sent in places.chunks_mut(TOGETHER) {
                    let mut x = [0.0; TOGETHER];
                    let mut y = [0.0; TOGETHER];
                    for (k, place) in sent.iter().enumerate() {
                        (x[k], y[k]) = (place.x, place.y);
                    }
                    for _ in 0..2 {
                        let (dx, dy) = self.at_all(&x, &y);
                        for (k, place) in sent.iter().enumerate() {
                            (x[k], y[k]) = (place.x + dx[k], place.y + dy[k]);
                        }
                    }
                    for (k, place) in sent.iter_mut().enumerate() {
                        (place.x, place.y) = (x[k], y[k]);
                    }
                }
            },
        );
    }

    /// [`ResidualField::at`] of some places side by side.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn at_all(&self, x: &Side, y: &Side) -> (Side, Side) {
        let (columns, across) = self.cells_of(x, self.columns);
        let (rows, down) = self.cells_of(y, self.rows);
        let (mut dx, mut dy) = ([0.0; TOGETHER], [0.0; TOGETHER]);
        for (r, down) in down.iter().enumerate() {
            for (c, across) in across.iter().enumerate() {
                for k in 0..TOGETHER {
                    let from = (rows[k] as usize + r) * self.columns + columns[k] as usize + c;
                    let coefficient = self.coefficients[from];
                    let weight = down[k] * across[k];
                    dx[k] += coefficient.x * weight;
                    dy[k] += coefficient.y * weight;
                }
            }
        }
        (dx, dy)
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn cells_of(&self, places: &Side, knots: usize) -> ([u32; TOGETHER], [Side; 4]) {
        let cells = (knots - 3) as f64;
        let mut first = [0; TOGETHER];
        let mut weights = [[0.0; TOGETHER]; 4];
        for k in 0..TOGETHER {
            let at = ((places[k] - self.origin) / self.cell).clamp(0.0, cells);
            let whole = at.floor().min(cells - 1.0);
            first[k] = whole as u32;
            let here = spline_weights(at - whole);
            for (weights, here) in weights.iter_mut().zip(here) {
                weights[k] = here;
            }
        }
        (first, weights)
    }

    fn sum(&self, support: &Support) -> Vector2<f64> {
        support
            .iter()
            .map(|&(index, weight)| self.coefficients[index] * weight)
            .sum()
    }

    /// Coefficients that reach a place, with their weights; outside the frame those of its border.
    fn support(&self, lit: Point) -> Support {
        let (column, across) = self.cell_of(lit.x, self.columns);
        let (row, down) = self.cell_of(lit.y, self.rows);
        std::array::from_fn(|i| {
            let (r, c) = (i / 4, i % 4);
            ((row + r) * self.columns + column + c, down[r] * across[c])
        })
    }

    fn cell_of(&self, place: f64, knots: usize) -> (usize, [f64; 4]) {
        let cells = (knots - 3) as f64;
        let at = ((place - self.origin) / self.cell).clamp(0.0, cells);
        let whole = at.floor().min(cells - 1.0);
        (whole as usize, spline_weights(at - whole))
    }

    /// The same field for frames `factor` times as large.
    pub(super) fn scaled(&self, factor: f64) -> Self {
        Self {
            origin: (self.origin + 0.5) * factor - 0.5,
            cell: self.cell * factor,
            coefficients: self.coefficients.iter().map(|c| c * factor).collect(),
            ..self.clone()
        }
    }

    /// Fits a field to the samples, starting from `start` and with its knots; `None` where that
    /// would not be worthwhile, judged by tiles that a fit has not seen.
    pub(super) fn fitted(start: &Self, samples: &[Sample]) -> Option<Self> {
        if samples.len() < LEAST_TILES {
            return None;
        }
        let half = |wanted: usize| -> Vec<Sample> {
            let of_parity = samples.iter().enumerate().filter(|(i, _)| i % 2 == wanted);
            of_parity.map(|(_, sample)| *sample).collect()
        };
        let (even, odd) = (half(0), half(1));
        let fit = |seen: &[Sample]| start.clone().fit(seen, &DEVIATIONS_PX);
        let (field, (from_even, from_odd)) =
            rayon::join(|| fit(samples), || rayon::join(|| fit(&even), || fit(&odd)));
        let misfit = |field: &Self, unseen: &[Sample]| -> f64 {
            unseen.iter().map(|sample| field.misfit(sample)).sum()
        };
        let before = misfit(start, samples);
        let after = misfit(&from_even, &odd) + misfit(&from_odd, &even);
        let is_noise = before < EXPLAINED_BY_NOISE * samples.len() as f64;
        (!is_noise && after < WORTHWHILE_SHARE * before).then_some(field)
    }

    /// A field with denser knots, fitted to the samples from this one on.
    pub(super) fn refined(&self, size: Size, samples: &[Sample]) -> Self {
        self.with_denser_knots(size)
            .fit(samples, &DEVIATIONS_PX[1..])
    }

    /// Fits the field to the samples, whatever comes of it.
    pub(super) fn guessed(self, samples: &[Sample]) -> Self {
        self.fit(samples, &DEVIATIONS_PX)
    }

    /// Truncated squared deviations of a sample from the field.
    fn misfit(&self, sample: &Sample) -> f64 {
        let apart = sample.displacement - self.sum(&self.support(sample.lit));
        let m2 = apart.dot(&(sample.information(EVEN_DEVIATION_PX) * apart));
        m2.min(CUTOFF_DEVIATIONS.powi(2))
    }

    fn fit(mut self, samples: &[Sample], deviations: &[f64]) -> Self {
        let supports: Vec<Support> = samples.iter().map(|s| self.support(s.lit)).collect();
        let breaks = &BREAKS_PX[BREAKS_PX.len() - deviations.len()..];
        for (&deviation, &break_at) in deviations.iter().zip(breaks) {
            for _ in 0..STEPS_A_CUTOFF {
                let system = System::of(&self, samples, &supports, deviation, break_at);
                system.solve(&mut self.coefficients);
            }
        }
        self
    }

    /// Triples of neighbouring coefficients along rows and columns.
    fn triples(&self) -> impl Iterator<Item = [usize; 3]> + '_ {
        (0..self.coefficients.len()).flat_map(|here| {
            let (column, row) = (here % self.columns, here / self.columns);
            let along = (column + 2 < self.columns).then_some(1);
            let down = (row + 2 < self.rows).then_some(self.columns);
            [along, down]
                .into_iter()
                .flatten()
                .map(move |step| [here, here + step, here + 2 * step])
        })
    }
}

/// The coefficients that reach a place, with their weights.
type Support = [(usize, f64); 16];
