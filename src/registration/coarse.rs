//! A first guess of the map, good to a few pixels: by corners, and by phase correlation where
//! there are too few.

use nalgebra::Matrix2;
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rustfft::{FftPlanner, num_complex::Complex64};

use super::features::{Appearance, Corner};
use super::fit::{Model, Normalisation, fit};
use super::tiles::TileMatch;
use crate::scene::{Homography, Plane, Point};

/// Farthest a corner may go between the frames, in parts of the long side: a hand-held shift of
/// 5 % and a turn of 3 degrees (2.6 % at the ends) with some to spare.
const FARTHEST_SHARE: f64 = 0.1;
/// A match must be better than the second best by this factor in squared distance. Source: Lowe,
/// "Distinctive Image Features from Scale-Invariant Keypoints", 2004, section 7.1 (0.8 squared,
/// loosened, as the search is confined).
const SECOND_BEST_FACTOR: f32 = 0.8;
/// Largest squared distance of two unit descriptors that may still be one corner.
const FARTHEST_DESCRIPTOR: f32 = 0.7;
/// Corners within as many pixels of the corner level are one and the same.
const SAME_CORNER_PX: f64 = 5.0;
/// Pairs drawn: with 10 % right matches one good pair in 1000 is missed with odds below 1e-4.
const DRAWS: usize = 1000;
/// Matches within this distance of a similarity agree with it, pixels of the corner level; a turn
/// of the camera by the farthest allowed bends a wide lens's frame by about as much.
const AGREE_PX: f64 = 6.0;
/// Largest change of scale and largest turn of a believable pair, parts (3 degrees are 0.052).
const FARTHEST_TURN: f64 = 0.08;
/// Deviation of a corner's place, pixels of the corner level.
const CORNER_DEVIATION_PX: f64 = 0.7;
/// Seed of the draws: a setting of the method, so that the same input gives the same output.
const SEED: u64 = 0x005e_ed0f_de21_6000;

/// Guesses worth trying, in pixels of level 0, the plainest first.
pub(super) fn guesses(plate: &Appearance, lit: &Appearance) -> Vec<Homography> {
    let mut guesses = vec![Homography::identity()];
    guesses.extend(by_phase(plate, lit));
    guesses.extend(by_corners(plate, lit));
    guesses
}

fn by_corners(plate: &Appearance, lit: &Appearance) -> Option<Homography> {
    let size = plate.levels[plate.corner_level].size();
    let reach = FARTHEST_SHARE * size.long_side() as f64;
    let matches = mutual_matches(&plate.corners, &lit.corners, reach);
    let start = consensus(&matches, reach)?;
    let frame = Normalisation::of(size);
    let similar = fit(&matches, Model::Similarity, frame, &start, &[2.0, 1.0])?;
    let map = fit(&matches, Model::Turn, frame, &similar, &[2.0, 1.0]).unwrap_or(similar);
    Some(map.reduced(1.0 / f64::from(1_u32 << plate.corner_level)))
}

/// Pairs of corners that are each other's best.
fn mutual_matches(plate: &[Corner], lit: &[Corner], reach: f64) -> Vec<TileMatch> {
    let there: Vec<Option<usize>> = best_matches(plate, lit, reach);
    let back: Vec<Option<usize>> = best_matches(lit, plate, reach);
    there
        .iter()
        .enumerate()
        .filter_map(|(from, &to)| {
            let to = to?;
            (back[to] == Some(from)).then(|| TileMatch {
                plate: plate[from].at,
                lit: lit[to].at,
                covariance: Matrix2::identity() * CORNER_DEVIATION_PX.powi(2),
            })
        })
        .collect()
}

fn best_matches(from: &[Corner], to: &[Corner], reach: f64) -> Vec<Option<usize>> {
    use rayon::prelude::*;
    from.par_iter()
        .map(|corner| {
            let near: Vec<(f32, usize)> = to
                .iter()
                .enumerate()
                .filter(|(_, other)| squared_distance(corner.at, other.at) < reach * reach)
                .map(|(i, other)| (descriptor_distance(corner, other), i))
                .collect();
            let &(best, i) = near.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
            let second = near
                .iter()
                .filter(|(_, other)| {
                    squared_distance(to[i].at, to[*other].at) > SAME_CORNER_PX.powi(2)
                })
                .map(|(d, _)| *d)
                .fold(f32::INFINITY, f32::min);
            (best < FARTHEST_DESCRIPTOR && best < SECOND_BEST_FACTOR * second).then_some(i)
        })
        .collect()
}

fn squared_distance(a: Point, b: Point) -> f64 {
    (a.x - b.x).powi(2) + (a.y - b.y).powi(2)
}

fn descriptor_distance(a: &Corner, b: &Corner) -> f32 {
    a.descriptor
        .iter()
        .zip(&b.descriptor)
        .map(|(a, b)| (a - b) * (a - b))
        .sum()
}

/// The similarity through two matches that most others agree with. Source: Fischler & Bolles,
/// "Random Sample Consensus", 1981.
fn consensus(matches: &[TileMatch], reach: f64) -> Option<Homography> {
    if matches.len() < 3 {
        return None;
    }
    let mut random = Xoshiro256PlusPlus::seed_from_u64(SEED);
    let mut best: Option<(f64, Homography)> = None;
    for _ in 0..DRAWS {
        let first = random.gen_range(0..matches.len());
        let second = random.gen_range(0..matches.len());
        let Some(map) = similarity_through(&matches[first], &matches[second], reach) else {
            continue;
        };
        let agreement: f64 = matches
            .iter()
            .map(|m| squared_distance(map.apply(m.plate), m.lit) / AGREE_PX.powi(2))
            .map(|d2| (1.0 - d2).max(0.0))
            .sum();
        if best.as_ref().is_none_or(|(most, _)| agreement > *most) {
            best = Some((agreement, map));
        }
    }
    best.map(|(_, map)| map)
}

fn similarity_through(a: &TileMatch, b: &TileMatch, reach: f64) -> Option<Homography> {
    let (px, py) = (b.plate.x - a.plate.x, b.plate.y - a.plate.y);
    let (qx, qy) = (b.lit.x - a.lit.x, b.lit.y - a.lit.y);
    let length = px * px + py * py;
    if length < reach * reach {
        return None;
    }
    let cos = (px * qx + py * qy) / length;
    let sin = (px * qy - py * qx) / length;
    if (cos - 1.0).hypot(sin) > FARTHEST_TURN {
        return None;
    }
    let dx = a.lit.x - cos * a.plate.x + sin * a.plate.y;
    let dy = a.lit.y - sin * a.plate.x - cos * a.plate.y;
    Homography::from_rows([cos, -sin, dx, sin, cos, dy, 0.0, 0.0, 1.0])
}

/// The shift at the peak of the phase correlation of the coarsest level. Source: Kuglin & Hines,
/// "The Phase Correlation Image Alignment Method", 1975.
fn by_phase(plate: &Appearance, lit: &Appearance) -> Option<Homography> {
    let (plate_level, lit_level) = (plate.levels.last()?, lit.levels.last()?);
    let (columns, rows) = (plate_level.columns(), plate_level.rows());
    let mut planner = FftPlanner::new();
    let mut transform = |level: &Plane<f32>| {
        let mut values = windowed(level);
        transform_both_ways(&mut planner, &mut values, columns, rows);
        values
    };
    let of_plate = transform(plate_level);
    let of_lit = transform(lit_level);
    let mut cross: Vec<Complex64> = of_plate
        .iter()
        .zip(&of_lit)
        .map(|(p, l)| {
            // The inverse transform is the forward one of the conjugate, and a real result needs
            // no second conjugation.
            let product = p.conj() * l;
            (product / product.norm().max(1e-12)).conj()
        })
        .collect();
    transform_both_ways(&mut planner, &mut cross, columns, rows);
    let reach = FARTHEST_SHARE * columns.max(rows) as f64;
    let (_, dx, dy) = cross
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let (x, y) = (signed(i % columns, columns), signed(i / columns, rows));
            (v.re, x, y)
        })
        .filter(|&(_, x, y)| x.hypot(y) <= reach)
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let scale = f64::from(1_u32 << (plate.levels.len() - 1));
    Some(Homography::shift(dx * scale, dy * scale))
}

fn signed(index: usize, extent: usize) -> f64 {
    let index = index as f64;
    if index > extent as f64 / 2.0 {
        index - extent as f64
    } else {
        index
    }
}

/// Less its mean, faded out towards the borders (Hann), so that borders are no edges.
fn windowed(level: &Plane<f32>) -> Vec<Complex64> {
    let (columns, rows) = (level.columns(), level.rows());
    let mean =
        level.as_slice().iter().map(|&v| f64::from(v)).sum::<f64>() / (columns * rows) as f64;
    let fade = |i: usize, extent: usize| {
        (std::f64::consts::PI * (i as f64 + 0.5) / extent as f64)
            .sin()
            .powi(2)
    };
    level
        .as_slice()
        .iter()
        .enumerate()
        .map(|(i, &v)| {
            let weight = fade(i % columns, columns) * fade(i / columns, rows);
            Complex64::new((f64::from(v) - mean) * weight, 0.0)
        })
        .collect()
}

/// Forward transform along rows, then along columns.
fn transform_both_ways(
    planner: &mut FftPlanner<f64>,
    values: &mut [Complex64],
    columns: usize,
    rows: usize,
) {
    planner.plan_fft_forward(columns).process(values);
    let along_columns = planner.plan_fft_forward(rows);
    let mut column = vec![Complex64::default(); rows];
    for x in 0..columns {
        for (y, v) in column.iter_mut().enumerate() {
            *v = values[y * columns + x];
        }
        along_columns.process(&mut column);
        for (y, v) in column.iter().enumerate() {
            values[y * columns + x] = *v;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    fn appearance(level: Plane<f32>) -> Appearance {
        Appearance {
            levels: vec![level],
            corner_level: 0,
            corners: Vec::new(),
        }
    }

    #[test]
    fn phase_correlation_finds_a_shift_without_corners() {
        let size = Size {
            columns: 120,
            rows: 90,
        };
        let mut random = Xoshiro256PlusPlus::seed_from_u64(1);
        let grain: Vec<f32> = (0..200 * 200)
            .map(|_| random.gen_range(-1.0..1.0))
            .collect();
        let view = |dx: usize, dy: usize| {
            appearance(Plane::from_fn(size, |x, y| grain[(y + dy) * 200 + x + dx]))
        };
        let found = by_phase(&view(20, 20), &view(15, 23)).unwrap();
        assert_eq!(found, Homography::shift(5.0, -3.0));
    }

    #[test]
    fn a_consensus_is_found_among_two_thirds_of_wrong_matches() {
        let map = Homography::from_rows([0.999, -0.03, 12.0, 0.03, 0.999, -7.0, 0.0, 0.0, 1.0]);
        let map = map.unwrap();
        let mut random = Xoshiro256PlusPlus::seed_from_u64(2);
        let matches: Vec<TileMatch> = (0..90)
            .map(|i| {
                let plate = Point {
                    x: random.gen_range(0.0..900.0),
                    y: random.gen_range(0.0..600.0),
                };
                let mut lit = map.apply(plate);
                if i % 3 != 0 {
                    lit.x += random.gen_range(-80.0..80.0);
                    lit.y += random.gen_range(-80.0..80.0);
                }
                TileMatch {
                    plate,
                    lit,
                    covariance: Matrix2::identity(),
                }
            })
            .collect();
        let found = consensus(&matches, 90.0).unwrap();
        let corner = Point { x: 900.0, y: 600.0 };
        assert!(squared_distance(found.apply(corner), map.apply(corner)) < 1.0);
    }
}
