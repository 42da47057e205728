//! Aligns small tiles of the plate with the lit frame, each for itself.
//!
//! A tile is moved (its shape follows the map found so far) until the lit frame's log-luminance is
//! best explained as `gain · plate + offset + slope`: the gain and the slope take up what flash and
//! shadow did to the tile as a whole. The normal matrix belongs to the plate alone and is computed
//! once. Source: Baker & Matthews, "Lucas-Kanade 20 Years On: A Unifying Framework", 2004 (inverse
//! compositional step), and part 3, 2003 (linear appearance variation).

use nalgebra::{Matrix2, Matrix6, Vector2, Vector6};
use rayon::prelude::*;

use crate::numeric::interpolation::{KernelTable, cubic_convolution};
use crate::scene::{Plane, Point};
use crate::vectors::vectorised;

/// Sums run in as many lanes, so that they become vectors.
const LANES: usize = 8;
/// Tiles overlap on small levels, so that about this many cover the long side.
const TILES_ALONG: usize = 20;
/// Noise in log-luminance that a tile's texture is weighed against when tiles are chosen.
const NOMINAL_NOISE: f64 = 0.02;
/// Tiles whose place the texture tells less well than this, in pixels of the level, are left out.
const WORST_DEVIATION_PX: f64 = 0.25;
/// Smoothing correlates the noise of neighbours: as many pixels count as one, in variance.
const NOISE_CORRELATION: f64 = 2.5;
/// Steps of a tile's alignment at most.
const STEP_LIMIT: usize = 8;
/// An alignment ends when a step is shorter, in pixels of the level.
const STEP_END_PX: f64 = 0.005;
/// Longest single step, in pixels of the level: the texture is only known to be linear nearby.
const STEP_LONGEST_PX: f64 = 1.5;
/// Least share of the lit tile's variance that the plate must explain.
const LEAST_EXPLAINED: f64 = 0.5;
/// After two steps a tile that explains less will not come to it.
const HOPELESS: f64 = 0.2;
/// A tile whose shape the map changes by less, in pixels at its border, is sampled unchanged: what
/// it is off by on one side it is off by the other way on the other.
const STRAIGHT_PX: f64 = 0.03;
/// Contrast may fall or rise as much under flash, haze or in shadow.
const GAIN_RANGE: std::ops::Range<f64> = 0.3..3.0;

/// A textured place of the plate, `SIDE` pixels of its level a side, a multiple of [`LANES`].
#[derive(Debug, Clone)]
pub(super) struct Tile<const SIDE: usize> {
    /// First column.
    left: usize,
    /// First row.
    top: usize,
    /// Mean of the plate over the tile.
    mean: f32,
    /// Inverse of the normal matrix of the six columns: gradient along x and y, plate, 1, x, y.
    inverse: Matrix6<f64>,
}

/// Where a tile was found.
#[derive(Debug, Clone, Copy)]
pub(super) struct TileMatch {
    /// Its centre in the plate, in pixels of the level.
    pub plate: Point,
    /// The same scene point in the lit frame.
    pub lit: Point,
    /// Of `lit`, from the texture and what the fit left unexplained; squared pixels.
    pub covariance: Matrix2<f64>,
}

/// How tiles lie on a level.
#[derive(Debug, Clone, Copy)]
pub(super) enum Tiling {
    /// No pixel in two tiles: what one tile says is news to its neighbours.
    SideBySide,
    /// On small levels a pixel is in up to four tiles, so that they are enough.
    Overlapping,
}

/// The textured tiles of one level of the plate.
pub(super) fn tiles_of<const SIDE: usize>(level: &Plane<f32>, tiling: Tiling) -> Vec<Tile<SIDE>> {
    let stride = match tiling {
        Tiling::SideBySide => SIDE,
        Tiling::Overlapping => (level.size().long_side() / TILES_ALONG).clamp(SIDE / 2, SIDE),
    };
    let firsts = |extent: usize| (1..extent.saturating_sub(SIDE)).step_by(stride);
    let places: Vec<(usize, usize)> = firsts(level.rows())
        .flat_map(|top| firsts(level.columns()).map(move |left| (left, top)))
        .collect();
    places
        .into_par_iter()
        .filter_map(|(left, top)| {
            vectorised(
                #[inline(always)]
                || Tile::at(level, left, top),
            )
        })
        .collect()
}

/// Aligns every tile with `lit`, starting from where `guess` sends it; tiles that leave the frame,
/// end farther than `reach` pixels from the guess, or don't look alike are left out.
pub(super) fn align<const SIDE: usize>(
    tiles: &[Tile<SIDE>],
    plate: &Plane<f32>,
    lit: &Plane<f32>,
    guess: impl Fn(Point) -> Point + Sync,
    reach: f64,
) -> Vec<TileMatch> {
    let kernel = KernelTable::<4>::from_kernel(cubic_convolution);
    tiles
        .par_iter()
        .map_init(
            || vec![0.0_f32; SIDE * SIDE],
            |samples, tile| {
                let search = Search {
                    plate,
                    lit,
                    kernel: &kernel,
                };
                vectorised(
                    #[inline(always)]
                    || search.align(tile, &guess, reach, samples),
                )
            },
        )
        .flatten_iter()
        .collect()
}

/// One row of a tile's linear system: gradient along x and y, plate less its mean, place along x.
struct SystemRow<const SIDE: usize> {
    dx: [f32; SIDE],
    dy: [f32; SIDE],
    plate: [f32; SIDE],
    x: [f32; SIDE],
}

impl<const SIDE: usize> Tile<SIDE> {
    /// Pixels a tile.
    const AREA: usize = SIDE * SIDE;
    /// Distance of the tile's centre from its first pixel.
    const MIDDLE: f64 = (SIDE as f64 - 1.0) / 2.0;

    /// Place along a side, -1 to 1.
    fn place(i: usize) -> f32 {
        ((i as f64 - Self::MIDDLE) / Self::MIDDLE) as f32
    }

    fn centre(&self) -> Point {
        Point {
            x: self.left as f64 + Self::MIDDLE,
            y: self.top as f64 + Self::MIDDLE,
        }
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn at(level: &Plane<f32>, left: usize, top: usize) -> Option<Self> {
        let mean = (top..top + SIDE)
            .map(|row| level.row(row)[left..left + SIDE].iter().sum::<f32>())
            .sum::<f32>()
            / Self::AREA as f32;
        let mut tile = Self {
            left,
            top,
            mean,
            inverse: Matrix6::zeros(),
        };
        let mut normal = Matrix6::<f64>::zeros();
        for row in 0..SIDE {
            let SystemRow { dx, dy, plate, x } =
                tile.system_row(level.as_slice(), level.columns(), row);
            let columns = [
                &dx,
                &dy,
                &plate,
                &[1.0; SIDE],
                &x,
                &[Self::place(row); SIDE],
            ];
            for (a, first) in columns.iter().enumerate() {
                for (b, second) in columns.iter().enumerate().skip(a) {
                    normal[(a, b)] += f64::from(dot(first, second));
                }
            }
        }
        normal.fill_lower_triangle_with_upper_triangle();
        tile.inverse = normal.cholesky()?.inverse();
        let variance = tile.inverse[(0, 0)].max(tile.inverse[(1, 1)]);
        let deviation = (variance * NOISE_CORRELATION).sqrt() * NOMINAL_NOISE;
        (deviation < WORST_DEVIATION_PX).then_some(tile)
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn system_row(&self, level: &[f32], columns: usize, row: usize) -> SystemRow<SIDE> {
        let from = (self.top + row) * columns + self.left;
        let above = &level[from - columns..][..SIDE];
        let here = &level[from - 1..][..SIDE + 2];
        let below = &level[from + columns..][..SIDE];
        let mut out = SystemRow {
            dx: [0.0; SIDE],
            dy: [0.0; SIDE],
            plate: [0.0; SIDE],
            x: [0.0; SIDE],
        };
        for i in 0..SIDE {
            out.dx[i] = 0.5 * (here[i + 2] - here[i]);
            out.dy[i] = 0.5 * (below[i] - above[i]);
            out.plate[i] = here[i + 1] - self.mean;
            out.x[i] = Self::place(i);
        }
        out
    }
}

/// Dot product of two rows, in lanes.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn dot<const SIDE: usize>(a: &[f32; SIDE], b: &[f32; SIDE]) -> f32 {
    let mut lanes = [0.0_f32; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for (lane, (a, b)) in lanes.iter_mut().zip(a.iter().zip(b)) {
            *lane += a * b;
        }
    }
    lanes.iter().sum()
}

struct Search<'a> {
    plate: &'a Plane<f32>,
    lit: &'a Plane<f32>,
    kernel: &'a KernelTable<4>,
}

impl Search<'_> {
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn align<const SIDE: usize>(
        &self,
        tile: &Tile<SIDE>,
        guess: &impl Fn(Point) -> Point,
        reach: f64,
        samples: &mut [f32],
    ) -> Option<TileMatch> {
        let plate = tile.centre();
        let start = guess(plate);
        let shape = shape_of(guess, plate, Tile::<SIDE>::MIDDLE);
        let mut moved = Vector2::zeros();
        for step in 0..STEP_LIMIT {
            let centre = Point {
                x: start.x + moved.x,
                y: start.y + moved.y,
            };
            self.sample::<SIDE>(centre, &shape, samples)?;
            let fit = self.explain(tile, samples);
            if !GAIN_RANGE.contains(&fit.gain) || (step >= 2 && fit.explained_share < HOPELESS) {
                return None;
            }
            let mut delta = shape * (fit.slope / -fit.gain);
            let length = delta.norm();
            if length > STEP_LONGEST_PX {
                delta *= STEP_LONGEST_PX / length;
            }
            moved += delta;
            if moved.norm() > reach {
                return None;
            }
            if length < STEP_END_PX || (step == STEP_LIMIT - 1 && length < 10.0 * STEP_END_PX) {
                let spread = fit.unexplained * NOISE_CORRELATION / fit.gain.powi(2);
                let covariance = tile.inverse.fixed_view::<2, 2>(0, 0) * spread;
                return (fit.explained_share > LEAST_EXPLAINED).then_some(TileMatch {
                    plate,
                    lit: Point {
                        x: start.x + moved.x,
                        y: start.y + moved.y,
                    },
                    covariance: shape * covariance * shape.transpose(),
                });
            }
        }
        None
    }

    /// Samples the lit frame where the tile lies if its centre is at `centre`; `None` outside.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn sample<const SIDE: usize>(
        &self,
        centre: Point,
        shape: &Matrix2<f64>,
        out: &mut [f32],
    ) -> Option<()> {
        let middle = Tile::<SIDE>::MIDDLE;
        let extent = (shape.abs() * Vector2::repeat(middle)).add_scalar(2.0);
        let (columns, rows) = (self.lit.columns(), self.lit.rows());
        let inside = centre.x >= extent.x
            && centre.y >= extent.y
            && centre.x + extent.x + 1.0 < columns as f64
            && centre.y + extent.y + 1.0 < rows as f64;
        if !inside {
            return None;
        }
        let bent = (shape - Matrix2::identity()).abs().max() * middle;
        if bent < STRAIGHT_PX {
            self.sample_straight::<SIDE>(centre, out);
        } else {
            self.sample_bent::<SIDE>(centre, shape, out);
        }
        Some(())
    }

    /// The tile keeps its shape: one set of weights along rows, one along columns.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn sample_straight<const SIDE: usize>(&self, centre: Point, out: &mut [f32]) {
        let (x, y) = (
            centre.x - Tile::<SIDE>::MIDDLE,
            centre.y - Tile::<SIDE>::MIDDLE,
        );
        let (left, top) = (x as usize, y as usize);
        let across = self.kernel.at((x - left as f64) as f32);
        let down = self.kernel.at((y - top as f64) as f32);
        let (lit, columns) = (self.lit.as_slice(), self.lit.columns());
        out.fill(0.0);
        for row in 0..SIDE + 3 {
            let from = &lit[(top + row - 1) * columns + left - 1..][..SIDE + 3];
            let mut along = [0.0_f32; SIDE];
            for i in 0..SIDE {
                along[i] = (across[0] * from[i] + across[1] * from[i + 1])
                    + (across[2] * from[i + 2] + across[3] * from[i + 3]);
            }
            for (tap, weight) in down.iter().enumerate() {
                let Some(place) = row.checked_sub(tap).filter(|place| *place < SIDE) else {
                    continue;
                };
                let out = &mut out[place * SIDE..][..SIDE];
                for i in 0..SIDE {
                    out[i] += weight * along[i];
                }
            }
        }
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn sample_bent<const SIDE: usize>(&self, centre: Point, shape: &Matrix2<f64>, out: &mut [f32]) {
        let middle = Tile::<SIDE>::MIDDLE;
        let (lit, columns) = (self.lit.as_slice(), self.lit.columns());
        let (step_x, step_y) = (shape.m11 as f32, shape.m21 as f32);
        for (row, out) in out.chunks_exact_mut(SIDE).enumerate() {
            let v = row as f64 - middle;
            let x = centre.x - shape.m11 * middle + shape.m12 * v;
            let y = centre.y - shape.m21 * middle + shape.m22 * v;
            // Whole parts apart, so that f32 keeps the fractions exact enough; one less, so that
            // the fractions stay positive and truncating is rounding down.
            let (base_x, base_y) = (x as usize - 1, y as usize - 1);
            let (from_x, from_y) = ((x - base_x as f64) as f32, (y - base_y as f64) as f32);
            for (i, out) in out.iter_mut().enumerate() {
                let at_x = from_x + step_x * i as f32;
                let at_y = from_y + step_y * i as f32;
                let (whole_x, whole_y) = (at_x as usize, at_y as usize);
                let across = self.kernel.at(at_x - whole_x as f32);
                let down = self.kernel.at(at_y - whole_y as f32);
                let first = (base_y + whole_y - 1) * columns + base_x + whole_x - 1;
                let mut lanes = [0.0_f32; 4];
                for (tap, weight) in down.iter().enumerate() {
                    let row = &lit[first + tap * columns..][..4];
                    for lane in 0..4 {
                        lanes[lane] += weight * row[lane];
                    }
                }
                *out = (lanes[0] * across[0] + lanes[2] * across[2])
                    + (lanes[1] * across[1] + lanes[3] * across[3]);
            }
        }
    }

    /// Least-squares fit of the samples by the tile's columns.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn explain<const SIDE: usize>(&self, tile: &Tile<SIDE>, samples: &mut [f32]) -> Explanation {
        let area = Tile::<SIDE>::AREA as f64;
        let mean = samples.iter().sum::<f32>() / area as f32;
        for v in samples.iter_mut() {
            *v -= mean;
        }
        let mut right = Vector6::<f64>::zeros();
        let mut total = 0.0;
        let (plate, columns) = (self.plate.as_slice(), self.plate.columns());
        for (row, samples) in samples.chunks_exact(SIDE).enumerate() {
            let samples: &[f32; SIDE] = samples.try_into().expect("a chunk of SIDE samples");
            let system = tile.system_row(plate, columns, row);
            let sum = dot(&[1.0; SIDE], samples);
            let sums = [
                dot(&system.dx, samples),
                dot(&system.dy, samples),
                dot(&system.plate, samples),
                sum,
                dot(&system.x, samples),
                sum * Tile::<SIDE>::place(row),
            ];
            for (r, sum) in right.iter_mut().zip(sums) {
                *r += f64::from(sum);
            }
            total += f64::from(dot(samples, samples));
        }
        let solution = tile.inverse * right;
        let unexplained = (total - solution.dot(&right)).max(0.0);
        // What offset and slope explain by themselves is shading, not likeness.
        let ramp = right[4].powi(2) + right[5].powi(2);
        // Mean square of a place along the side, -1 to 1.
        let ramp_norm = area * (SIDE as f64 + 1.0) / (3.0 * (SIDE as f64 - 1.0));
        let variation = (total - ramp / ramp_norm).max(f64::MIN_POSITIVE);
        Explanation {
            slope: Vector2::new(solution[0], solution[1]),
            gain: solution[2],
            unexplained: unexplained / (area - 6.0),
            explained_share: 1.0 - unexplained / variation,
        }
    }
}

struct Explanation {
    /// Factors of the plate's gradient: minus gain times the displacement.
    slope: Vector2<f64>,
    gain: f64,
    /// Variance left, a pixel.
    unexplained: f64,
    explained_share: f64,
}

/// The map's linear part over a tile that reaches `middle` pixels from `centre`.
fn shape_of(map: &impl Fn(Point) -> Point, centre: Point, middle: f64) -> Matrix2<f64> {
    let at = |dx: f64, dy: f64| {
        let q = map(Point {
            x: centre.x + dx,
            y: centre.y + dy,
        });
        Vector2::new(q.x, q.y)
    };
    Matrix2::from_columns(&[
        (at(middle, 0.0) - at(-middle, 0.0)) / (2.0 * middle),
        (at(0.0, middle) - at(0.0, -middle)) / (2.0 * middle),
    ])
}
