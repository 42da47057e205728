//! The sky's own motion between two frames.
//!
//! Clouds at one height that move together are a plane that shifts: between two frames from one
//! camera their motion is a homography (Hartley & Zisserman 2004, section 13.1). It is found by
//! an exhaustive search for the shift on a small copy, then by Gauss-Newton steps with robust
//! weights on finer ones (Baker & Matthews, "Lucas-Kanade 20 Years On", 2004, forward additive).

use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::numeric::filter::{block_mean, block_mean_of, gaussian};
use crate::scene::{Homography, Perceived, Plane, Point};

/// Reductions of the working copy on which drift is looked for, coarse to fine.
const LEVELS: [usize; 3] = [16, 8, 4];

/// Largest shift looked for, as a share of the frame's width.
const MAX_SHIFT_SHARE: f32 = 0.14;

/// Widest structure that is compared, sigma in reduced px: wider is vignetting and gradient.
const BAND_SIGMA: f32 = 10.0;

/// Steps a level; the fit stops earlier when it stands still.
const MAX_STEPS: usize = 12;

/// Weight of CIELAB b beside lightness: blue against white is what tells clouds.
const B_WEIGHT: f32 = 1.0;

/// A block is sky when this share of its pixels is.
const SKY_SHARE: f32 = 0.95;

/// Least sky for an estimate, in blocks of the finest level.
const MIN_BLOCKS: usize = 300;

/// A motion must better the correlation by this to be believed.
const MIN_GAIN: f32 = 0.01;

/// Correlation that a shift must gain a block of its length: between equals the shorter is likelier.
const SHIFT_PENALTY: f32 = 0.004;

/// Unknowns that are fitted: shift, turn, scale, shear. The projective two need more sky than a
/// wide frame shows above its horizon, and clouds that change their shape mislead them.
const UNKNOWNS: usize = 6;

/// Damping that holds an unknown where it is.
const FIXED: f64 = 1e12;

/// Residuals above this many median deviations lose their say.
const TUKEY: f32 = 4.0;

/// How the sky moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// Plate pixel to lit pixel, for the sky alone, in working pixels.
    pub motion: Homography,
    /// Correlation of the clouds under the motion, -1..1.
    pub correlation: f32,
    /// The same had the sky stood still.
    pub standing: f32,
}

impl Drift {
    /// A sky that stands still.
    pub fn none() -> Self {
        Self {
            motion: Homography::identity(),
            correlation: 0.0,
            standing: 0.0,
        }
    }

    /// Shift at a point, working px.
    pub fn shift_at(&self, point: Point) -> (f64, f64) {
        let moved = self.motion.apply(point);
        (moved.x - point.x, moved.y - point.y)
    }
}

/// One reduced copy: band-passed lightness and b, and where it is sky.
struct Level {
    bands: [Plane<f32>; 2],
    sky: Plane<bool>,
}

/// Sky share, and lightness and b times it, as means of blocks.
struct Blocks {
    weight: Plane<f32>,
    products: [Plane<f32>; 2],
}

impl Blocks {
    fn new(seen: &Perceived, sky: &Plane<bool>, factor: usize) -> Self {
        let product = |plane: &Plane<f32>| {
            block_mean_of(sky.size(), factor, |y, out| {
                let pairs = plane.row(y).iter().zip(sky.row(y));
                for (out, (&v, &s)) in out.iter_mut().zip(pairs) {
                    *out = if s { v } else { 0.0 };
                }
            })
        };
        let share = block_mean_of(sky.size(), factor, |y, out| {
            for (out, &s) in out.iter_mut().zip(sky.row(y)) {
                *out = f32::from(s);
            }
        });
        Self {
            weight: share,
            products: [product(&seen.lightness), product(&seen.b)],
        }
    }

    fn reduced(&self, factor: usize) -> Self {
        Self {
            weight: block_mean(&self.weight, factor),
            products: self.products.each_ref().map(|p| block_mean(p, factor)),
        }
    }
}

impl Level {
    fn new(blocks: &Blocks) -> Self {
        let weight = &blocks.weight;
        let norm = gaussian(weight, BAND_SIGMA);
        let band = |product: &Plane<f32>| {
            let mean = product.zip(weight, |&p, &w| if w > 0.0 { p / w } else { 0.0 });
            let wide = gaussian(&mean.zip(weight, |m, w| m * w), BAND_SIGMA);
            let wide = wide.zip(&norm, |&v, &n| if n > 1e-3 { v / n } else { 0.0 });
            mean.zip(&wide, |m, w| m - w)
        };
        let [lightness, b] = &blocks.products;
        Self {
            bands: [band(lightness), band(b).map(|b| B_WEIGHT * b)],
            sky: weight.map(|&w| w > SKY_SHARE),
        }
    }

    /// Bilinear value and gradient of one band; `None` off the sky.
    fn sample(&self, band: usize, x: f64, y: f64) -> Option<(f32, f32, f32)> {
        let plane = &self.bands[band];
        let (left, top) = (x.floor(), y.floor());
        if left < 0.0 || top < 0.0 {
            return None;
        }
        let (l, t) = (left as usize, top as usize);
        if l + 1 >= plane.columns() || t + 1 >= plane.rows() {
            return None;
        }
        let is_sky = *self.sky.at(l, t)
            && *self.sky.at(l + 1, t)
            && *self.sky.at(l, t + 1)
            && *self.sky.at(l + 1, t + 1);
        if !is_sky {
            return None;
        }
        let (u, v) = ((x - left) as f32, (y - top) as f32);
        let (a, b) = (*plane.at(l, t), *plane.at(l + 1, t));
        let (c, d) = (*plane.at(l, t + 1), *plane.at(l + 1, t + 1));
        let (up, down) = (a + u * (b - a), c + u * (d - c));
        let gx = (b - a) + v * ((d - c) - (b - a));
        Some((up + v * (down - up), gx, down - up))
    }
}

/// Estimates how the sky moved from the plate to the lit frame.
///
/// Both frames are registered and as seen; the masks say where each shows open sky.
pub fn estimate_drift(lit: (&Perceived, &Plane<bool>), plate: (&Perceived, &Plane<bool>)) -> Drift {
    let mut motion = Homography::identity();
    let mut result = Drift::none();
    let finest = LEVELS[LEVELS.len() - 1];
    let (lit, plate) = (
        Blocks::new(lit.0, lit.1, finest),
        Blocks::new(plate.0, plate.1, finest),
    );
    for (number, factor) in LEVELS.into_iter().enumerate() {
        let lit_level = Level::new(&lit.reduced(factor / finest));
        let plate_level = Level::new(&plate.reduced(factor / finest));
        if number == 0 {
            motion = best_shift(&lit_level, &plate_level);
        } else {
            let scale = LEVELS[number - 1] as f64 / factor as f64;
            motion = motion.reduced(1.0 / scale);
        }
        motion = refine(&lit_level, &plate_level, motion);
        if factor == LEVELS[LEVELS.len() - 1] {
            let carried = correlation(&lit_level, &plate_level, &motion).unwrap_or(0.0);
            let standing =
                correlation(&lit_level, &plate_level, &Homography::identity()).unwrap_or(0.0);
            let motion = motion.reduced(1.0 / factor as f64);
            result = if carried > standing + MIN_GAIN {
                Drift {
                    motion,
                    correlation: carried,
                    standing,
                }
            } else {
                Drift {
                    correlation: standing,
                    standing,
                    ..Drift::none()
                }
            };
        }
    }
    result
}

fn best_shift(lit: &Level, plate: &Level) -> Homography {
    let columns = lit.sky.columns();
    let reach = ((columns as f32 * MAX_SHIFT_SHARE) as i64).max(1);
    let best_of_row = |dy: i64| {
        let mut best = (f32::INFINITY, 0i64, 0i64);
        for dx in -reach..=reach {
            let Some(cost) = shift_cost(lit, plate, dx, dy) else {
                continue;
            };
            let cost = cost + SHIFT_PENALTY * ((dx * dx + dy * dy) as f32).sqrt();
            if cost < best.0 {
                best = (cost, dx, dy);
            }
        }
        best
    };
    let rows: Vec<_> = (-reach / 2..=reach / 2)
        .into_par_iter()
        .map(best_of_row)
        .collect();
    let best = rows.into_iter().fold((f32::INFINITY, 0, 0), |best, row| {
        if row.0 < best.0 { row } else { best }
    });
    Homography::shift(best.1 as f64, best.2 as f64)
}

/// 1 - correlation of the bands over the sky that both show; `None` where too little overlaps.
fn shift_cost(lit: &Level, plate: &Level, dx: i64, dy: i64) -> Option<f32> {
    let size = lit.sky.size();
    let mut sums = Correlation::default();
    let mut count = 0usize;
    let (rows, columns) = (size.rows as i64, size.columns as i64);
    let overlap = dx.max(0)..(columns + dx).min(columns);
    for y in dy.max(0)..(rows + dy).min(rows) {
        let (lit_sky, plate_sky) = (lit.sky.row(y as usize), plate.sky.row((y - dy) as usize));
        for x in overlap.clone() {
            let (here, there) = (x as usize, (x - dx) as usize);
            if lit_sky[here] && plate_sky[there] {
                for (a, b) in lit.bands.iter().zip(&plate.bands) {
                    sums.add(a.row(y as usize)[here], b.row((y - dy) as usize)[there]);
                }
                count += 1;
            }
        }
    }
    let available = lit.sky.as_slice().iter().filter(|&&s| s).count();
    (count * 2 > available && count > 10).then(|| 1.0 - sums.coefficient())
}

/// Sums for a correlation about zero: the bands have no mean.
#[derive(Default)]
struct Correlation {
    one_one: f32,
    one_other: f32,
    other_other: f32,
}

impl Correlation {
    fn add(&mut self, one: f32, other: f32) {
        self.one_one += one * one;
        self.one_other += one * other;
        self.other_other += other * other;
    }

    fn coefficient(&self) -> f32 {
        self.one_other / (self.one_one * self.other_other).sqrt().max(1e-6)
    }
}

/// One pixel's part in the fit: residual and its derivatives.
struct Equation {
    residual: f32,
    row: SVector<f64, 8>,
}

fn refine(lit: &Level, plate: &Level, start: Homography) -> Homography {
    let Some(mut back) = start.inverse() else {
        return start;
    };
    let mut last = f32::INFINITY;
    let mut best = back;
    for _ in 0..MAX_STEPS {
        let equations = equations(lit, plate, &back);
        if equations.len() < 40 * UNKNOWNS {
            break;
        }
        let mut sizes: Vec<f32> = equations.iter().map(|e| e.residual.abs()).collect();
        let middle = sizes.len() / 2;
        let typical = (*sizes.select_nth_unstable_by(middle, f32::total_cmp).1 * 1.48).max(0.05);
        if typical >= last * 0.999 {
            break;
        }
        (last, best) = (typical, back);
        let Some(step) = solve(&equations, TUKEY * typical) else {
            break;
        };
        let Some(next) = stepped(&back, &step, lit.sky.columns() as f64) else {
            break;
        };
        back = next;
    }
    best.inverse().unwrap_or(start)
}

fn equations(lit: &Level, plate: &Level, back: &Homography) -> Vec<Equation> {
    let size = lit.sky.size();
    let scale = size.columns as f64;
    let mut out = Vec::new();
    for y in 0..size.rows {
        for x in 0..size.columns {
            if !*lit.sky.at(x, y) {
                continue;
            }
            let at = back.apply(Point {
                x: x as f64,
                y: y as f64,
            });
            let (u, v) = (x as f64 / scale, y as f64 / scale);
            for band in 0..2 {
                let Some((value, gx, gy)) = plate.sample(band, at.x, at.y) else {
                    continue;
                };
                let residual = lit.bands[band].at(x, y) - value;
                let (gx, gy) = (f64::from(gx), f64::from(gy));
                let radial = -(gx * at.x + gy * at.y) / scale;
                out.push(Equation {
                    residual,
                    row: SVector::from([
                        gx * u,
                        gx * v,
                        gx,
                        gy * u,
                        gy * v,
                        gy,
                        radial * u * scale,
                        radial * v * scale,
                    ]),
                });
            }
        }
    }
    out
}

fn solve(equations: &[Equation], reach: f32) -> Option<SVector<f64, 8>> {
    let mut normal = SMatrix::<f64, 8, 8>::zeros();
    let mut right = SVector::<f64, 8>::zeros();
    for e in equations {
        let t = e.residual / reach;
        if t.abs() >= 1.0 {
            continue;
        }
        let weight = f64::from((1.0 - t * t).powi(2));
        normal += weight * e.row * e.row.transpose();
        right += weight * f64::from(e.residual) * e.row;
    }
    let damping = 1e-4 * normal.diagonal().sum() / 8.0;
    for i in 0..8 {
        normal[(i, i)] += if i < UNKNOWNS { damping } else { FIXED };
    }
    normal.cholesky().map(|c| c.solve(&right))
}

fn stepped(back: &Homography, step: &SVector<f64, 8>, scale: f64) -> Option<Homography> {
    let mut m = *back.matrix();
    m[(0, 0)] += step[0] / scale;
    m[(0, 1)] += step[1] / scale;
    m[(0, 2)] += step[2];
    m[(1, 0)] += step[3] / scale;
    m[(1, 1)] += step[4] / scale;
    m[(1, 2)] += step[5];
    m[(2, 0)] += step[6] / scale;
    m[(2, 1)] += step[7] / scale;
    Homography::from_matrix(m)
}

/// Correlation of the bands under a motion; `None` where too little sky is shared.
fn correlation(lit: &Level, plate: &Level, motion: &Homography) -> Option<f32> {
    let back = motion.inverse()?;
    let mut sums = Correlation::default();
    let mut count = 0;
    for y in 0..lit.sky.rows() {
        for x in 0..lit.sky.columns() {
            if !*lit.sky.at(x, y) {
                continue;
            }
            let at = back.apply(Point {
                x: x as f64,
                y: y as f64,
            });
            for band in 0..2 {
                if let Some((value, _, _)) = plate.sample(band, at.x, at.y) {
                    sums.add(*lit.bands[band].at(x, y), value);
                    count += 1;
                }
            }
        }
    }
    (count >= 2 * MIN_BLOCKS).then(|| sums.coefficient())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    fn clouds(dx: f32, dy: f32) -> Perceived {
        let size = Size {
            columns: 640,
            rows: 320,
        };
        let value = |x: usize, y: usize| {
            let (x, y) = (x as f32 - dx, y as f32 - dy);
            (x * 0.031).sin() * (y * 0.043 + x * 0.011).cos() + 0.6 * (x * 0.07 + y * 0.05).sin()
        };
        Perceived {
            lightness: Plane::from_fn(size, |x, y| 70.0 + 8.0 * value(x, y)),
            a: Plane::filled(size, 0.0),
            b: Plane::from_fn(size, |x, y| -15.0 + 9.0 * value(x, y)),
        }
    }

    #[test]
    fn a_known_drift_is_found_to_a_pixel() {
        let all = Plane::filled(
            Size {
                columns: 640,
                rows: 320,
            },
            true,
        );
        let (plate, lit) = (clouds(0.0, 0.0), clouds(37.0, -9.0));
        let drift = estimate_drift((&lit, &all), (&plate, &all));
        let (dx, dy) = drift.shift_at(Point { x: 320.0, y: 160.0 });
        assert!(
            (dx - 37.0).abs() < 1.0 && (dy + 9.0).abs() < 1.0,
            "{dx} {dy}"
        );
    }
}
