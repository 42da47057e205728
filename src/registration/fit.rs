//! One map through the tiles that agree, and no more of a map than they support.
//!
//! Iteratively reweighted Gauss-Newton with Tukey's biweight, the cut-off tightened step by step
//! (Blake & Zisserman, "Visual Reconstruction", 1987, graduated non-convexity); the model by an
//! information criterion on truncated residuals (Torr, "An Assessment of Information Criteria for
//! Motion Model Selection", 1997, with Schwarz's penalty).

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, SMatrix, SVector, Vector2};

use serde::{Deserialize, Serialize};

use super::tiles::TileMatch;
use crate::numeric::robust::{biweight, median};
use crate::scene::{Homography, Point, Size};

/// How much of a map the tiles support; each contains the ones before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Model {
    /// Nothing moved: every pixel stays.
    Identity,
    /// Two numbers.
    Shift,
    /// Shift, rotation about the optical axis, scale: four numbers.
    Similarity,
    /// A turn of the camera about any axis and a zoom, to first order: six numbers. It cannot shear,
    /// as a drifting sky over still ground would have it. For coarse copies only.
    Turn,
    /// Any turn of the camera: eight numbers.
    Homography,
}

/// Residuals beyond as many deviations count as something that moved by itself.
const CUTOFF_DEVIATIONS: f64 = 3.0;
/// Reweighted steps at each cut-off.
const STEPS_A_CUTOFF: usize = 4;
/// What a camera's map may differ from a similarity, in parts of the half frame: keeps directions
/// that no tile determines from running away.
const PRIOR_DEVIATION: f64 = 0.02;
/// A tile for each free number is too few: as many are needed, since some are wrong by chance.
const TILES_A_PARAMETER: usize = 3;
/// Finest deviation between tiles that is believed, pixels: interpolation and compression do not
/// allow better.
pub(super) const FINEST_DEVIATION_PX: f64 = 0.02;

impl Model {
    /// What the evidence on full-size tiles chooses among.
    const CHOICES: [Self; 4] = [
        Self::Identity,
        Self::Shift,
        Self::Similarity,
        Self::Homography,
    ];

    /// Free numbers.
    pub fn parameters(self) -> usize {
        match self {
            Self::Identity => 0,
            Self::Shift => 2,
            Self::Similarity => 4,
            Self::Turn => 6,
            Self::Homography => 8,
        }
    }

    /// The free numbers' share of the eight entries of a homography (row-major, last entry 1).
    fn basis(self) -> SMatrix<f64, 8, 8> {
        let mut basis = SMatrix::zeros();
        let entries: &[(usize, usize, f64)] = match self {
            Self::Identity => &[],
            Self::Shift => &[(2, 0, 1.0), (5, 1, 1.0)],
            Self::Similarity => &[
                (2, 0, 1.0),
                (5, 1, 1.0),
                (0, 2, 1.0),
                (4, 2, 1.0),
                (1, 3, 1.0),
                (3, 3, -1.0),
            ],
            Self::Turn => &[
                (2, 0, 1.0),
                (5, 1, 1.0),
                (0, 2, 1.0),
                (4, 2, 1.0),
                (1, 3, 1.0),
                (3, 3, -1.0),
                (6, 4, 1.0),
                (7, 5, 1.0),
            ],
            Self::Homography => return SMatrix::identity(),
        };
        for &(row, column, value) in entries {
            basis[(row, column)] = value;
        }
        basis
    }
}

/// Pixels to coordinates of about -1 to 1, so that all numbers of a map weigh alike. Source:
/// Hartley, "In Defense of the Eight-Point Algorithm", 1997.
#[derive(Debug, Clone, Copy)]
pub(super) struct Normalisation {
    centre: Point,
    half: f64,
}

impl Normalisation {
    pub(super) fn of(size: Size) -> Self {
        Self {
            centre: Point {
                x: (size.columns as f64 - 1.0) / 2.0,
                y: (size.rows as f64 - 1.0) / 2.0,
            },
            half: size.long_side() as f64 / 2.0,
        }
    }

    fn to_normal(self) -> Matrix3<f64> {
        let (s, c) = (1.0 / self.half, self.centre);
        Matrix3::new(s, 0.0, -c.x * s, 0.0, s, -c.y * s, 0.0, 0.0, 1.0)
    }

    fn to_pixels(self) -> Matrix3<f64> {
        let (s, c) = (self.half, self.centre);
        Matrix3::new(s, 0.0, c.x, 0.0, s, c.y, 0.0, 0.0, 1.0)
    }

    fn normal(self, p: Point) -> Vector2<f64> {
        Vector2::new(p.x - self.centre.x, p.y - self.centre.y) / self.half
    }
}

/// Residual of a tile: where it was found less where the map sends it.
pub(super) fn residual(map: &Homography, tile: &TileMatch) -> Vector2<f64> {
    let sent = map.apply(tile.plate);
    Vector2::new(tile.lit.x - sent.x, tile.lit.y - sent.y)
}

/// Squared residual in units of its own variance, with `deviation` pixels for what the model leaves.
fn squared_deviations(residual: &Vector2<f64>, tile: &TileMatch, deviation: f64) -> f64 {
    let information = information(tile, deviation);
    residual.dot(&(information * residual))
}

fn information(tile: &TileMatch, deviation: f64) -> Matrix2<f64> {
    (tile.covariance + Matrix2::identity() * deviation.powi(2))
        .try_inverse()
        .unwrap_or_else(Matrix2::zeros)
}

/// Weight 0 to 1 of a tile under a map.
pub(super) fn weight(map: &Homography, tile: &TileMatch, deviation: f64) -> f64 {
    let m2 = squared_deviations(&residual(map, tile), tile, deviation);
    biweight(m2 / CUTOFF_DEVIATIONS.powi(2))
}

/// Fits `model` to the tiles that agree with it, starting from `start`; `deviations` are the
/// model's own errors in pixels from the first cut-off to the last. `None` without a solution.
pub(super) fn fit(
    tiles: &[TileMatch],
    model: Model,
    frame: Normalisation,
    start: &Homography,
    deviations: &[f64],
) -> Option<Homography> {
    if model == Model::Identity {
        return Some(Homography::identity());
    }
    let mut map = *start;
    let mut free = free_numbers(&map, model, frame)?;
    for &deviation in deviations {
        for _ in 0..STEPS_A_CUTOFF {
            free = step(tiles, model, frame, &map, &free, deviation)?;
            map = map_of(&free, model, frame)?;
        }
    }
    Some(map)
}

/// The model's free numbers that come nearest to `map`.
fn free_numbers(map: &Homography, model: Model, frame: Normalisation) -> Option<SVector<f64, 8>> {
    let normal = Homography::from_matrix(frame.to_normal() * map.matrix() * frame.to_pixels())?;
    let rows = normal.to_rows();
    let identity = Homography::identity().to_rows();
    let entries = SVector::<f64, 8>::from_fn(|i, _| rows[i] - identity[i]);
    let basis = model.basis();
    let mut nearest = basis.transpose() * entries;
    for (i, column) in basis.column_iter().enumerate() {
        nearest[i] /= column.norm_squared().max(1.0);
    }
    Some(nearest)
}

fn map_of(free: &SVector<f64, 8>, model: Model, frame: Normalisation) -> Option<Homography> {
    Homography::from_matrix(frame.to_pixels() * normal_map(free, model) * frame.to_normal())
}

fn normal_map(free: &SVector<f64, 8>, model: Model) -> Matrix3<f64> {
    let e = model.basis() * free;
    Matrix3::new(
        1.0 + e[0],
        e[1],
        e[2],
        e[3],
        1.0 + e[4],
        e[5],
        e[6],
        e[7],
        1.0,
    )
}

/// One Gauss-Newton step with the weights of `map`.
fn step(
    tiles: &[TileMatch],
    model: Model,
    frame: Normalisation,
    map: &Homography,
    free: &SVector<f64, 8>,
    deviation: f64,
) -> Option<SVector<f64, 8>> {
    let basis = model.basis();
    let normal_map = normal_map(free, model);
    let mut left = SMatrix::<f64, 8, 8>::zeros();
    let mut right = SVector::<f64, 8>::zeros();
    for tile in tiles {
        let weight = weight(map, tile, deviation);
        if weight == 0.0 {
            continue;
        }
        let p = frame.normal(tile.plate);
        let w = normal_map[(2, 0)] * p.x + normal_map[(2, 1)] * p.y + 1.0;
        let q = (normal_map * nalgebra::Vector3::new(p.x, p.y, 1.0)).xy() / w;
        #[rustfmt::skip]
        let derivative = SMatrix::<f64, 2, 8>::from_row_slice(&[
            p.x, p.y, 1.0, 0.0, 0.0, 0.0, -p.x * q.x, -p.y * q.x,
            0.0, 0.0, 0.0, p.x, p.y, 1.0, -p.x * q.y, -p.y * q.y,
        ]) / w;
        let design = derivative * basis;
        let information = information(tile, deviation) * (weight * frame.half.powi(2));
        let weighted = design.transpose() * information;
        left += weighted * design;
        right += weighted * (frame.normal(tile.lit) - q);
    }
    if matches!(model, Model::Turn | Model::Homography) {
        let prior = basis.transpose() * prior() * basis;
        left += prior;
        right -= prior * free;
    }
    let k = model.parameters();
    let left = DMatrix::from_fn(k, k, |r, c| left[(r, c)]);
    let right = DVector::from_fn(k, |r, _| right[r]);
    let delta = left.cholesky()?.solve(&right);
    let mut next = *free;
    for (next, delta) in next.iter_mut().zip(delta.iter()) {
        *next += delta;
    }
    next.iter().all(|v| v.is_finite()).then_some(next)
}

/// Weak preference for similarities: the entries' stretch, shear and perspective are near 0.
fn prior() -> SMatrix<f64, 8, 8> {
    #[rustfmt::skip]
    let unlike = SMatrix::<f64, 4, 8>::from_row_slice(&[
        1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0,
        0.0, 1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0,
    ]);
    unlike.transpose() * unlike / PRIOR_DEVIATION.powi(2)
}

/// Standard deviation of the residuals that agree with `map`, a coordinate, pixels: from their
/// median, which for a normal law in the plane lies at 1.177 deviations.
pub(super) fn spread(tiles: &[TileMatch], map: &Homography, deviation: f64) -> f64 {
    let mut lengths: Vec<f64> = tiles
        .iter()
        .filter(|tile| weight(map, tile, deviation) > 0.0)
        .map(|tile| residual(map, tile).norm())
        .collect();
    median(&mut lengths).unwrap_or(0.0) / 1.177
}

/// Chooses the model by evidence; `best` is the fitted homography, `deviation` its spread.
pub(super) fn choose(
    tiles: &[TileMatch],
    frame: Normalisation,
    best: &Homography,
    deviations: &[f64],
) -> (Model, Homography) {
    let finest = deviations.last().copied().unwrap_or(1.0);
    let deviation = spread(tiles, best, finest).clamp(FINEST_DEVIATION_PX, finest);
    let observations = (2 * tiles.len()).max(2) as f64;
    let cost = |model: Model, map: &Homography| {
        let misfit: f64 = tiles
            .iter()
            .map(|tile| squared_deviations(&residual(map, tile), tile, deviation))
            .map(|m2| m2.min(CUTOFF_DEVIATIONS.powi(2)))
            .sum();
        misfit + model.parameters() as f64 * observations.ln()
    };
    Model::CHOICES
        .into_iter()
        .filter(|model| model.parameters() * TILES_A_PARAMETER <= tiles.len())
        .filter_map(|model| {
            let map = fit(tiles, model, frame, best, deviations)?;
            Some((cost(model, &map), model, map))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map_or((Model::Homography, *best), |(_, model, map)| (model, map))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size {
        columns: 900,
        rows: 600,
    };

    /// A grid of exact tiles, a third of them moved by themselves.
    fn tiles(map: &Homography) -> Vec<TileMatch> {
        (0..150)
            .map(|i| {
                let plate = Point {
                    x: 30.0 + 58.0 * f64::from(i % 15),
                    y: 30.0 + 58.0 * f64::from(i / 15),
                };
                let mut lit = map.apply(plate);
                if i % 3 == 0 {
                    lit.x += 1.5 + 0.02 * f64::from(i);
                }
                TileMatch {
                    plate,
                    lit,
                    covariance: Matrix2::identity() * 0.01_f64.powi(2),
                }
            })
            .collect()
    }

    #[test]
    fn the_plainest_model_that_fits_is_chosen() {
        let frame = Normalisation::of(SIZE);
        let deviations = [1.0, 0.3, 0.1];
        let similar = Homography::from_rows([1.001, -0.01, 2.0, 0.01, 1.001, 3.0, 0.0, 0.0, 1.0]);
        let bent = Homography::from_rows([1.003, 0.0, 0.4, 0.002, 0.998, -0.6, 3e-6, -5e-6, 1.0]);
        for (truth, model) in [
            (Homography::identity(), Model::Identity),
            (Homography::shift(0.3, -0.2), Model::Shift),
            (similar.unwrap(), Model::Similarity),
            (bent.unwrap(), Model::Homography),
        ] {
            let tiles = tiles(&truth);
            let best = fit(&tiles, Model::Homography, frame, &truth, &deviations).unwrap();
            let (chosen, map) = choose(&tiles, frame, &best, &deviations);
            assert_eq!(chosen, model);
            let corner = Point { x: 899.0, y: 599.0 };
            let (a, b) = (map.apply(corner), truth.apply(corner));
            assert!(
                (a.x - b.x).hypot(a.y - b.y) < 1e-3,
                "{model:?}: {a:?} {b:?}"
            );
        }
    }

    #[test]
    fn too_few_tiles_allow_no_homography() {
        let bent = Homography::from_rows([1.0, 0.0, 0.5, 0.0, 1.0, 0.0, 3e-5, 0.0, 1.0]).unwrap();
        let frame = Normalisation::of(SIZE);
        let (model, _) = choose(&tiles(&bent)[..20], frame, &bent, &[1.0, 0.3]);
        assert!(model < Model::Homography);
    }
}
