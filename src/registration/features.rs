//! What a frame shows that light does not change: log-luminance at several sizes, and its corners.

use rayon::prelude::*;

use super::tiles::{Tile, Tiling, tiles_of};
use crate::numeric::gradient::corner_strength;
use crate::numeric::pyramid::{pyramid, smoothed};
use crate::scene::{Plane, Point, SceneLinear};

/// Light added before the logarithm (1.0 = white): about the noise of the shadows of a camera file,
/// so that noise has much the same height in shadows and highlights afterwards.
const LOG_FLOOR_LINEAR: f32 = 0.01;
/// The coarsest level's long side in pixels: 5 % of the width are still some ten pixels on it.
const COARSEST_LONG_SIDE: usize = 300;
/// Corners are sought on the first level whose long side is at most this many pixels: coarse enough
/// to be quick and free of noise, fine enough for hundreds of corners.
const CORNER_LONG_SIDE: usize = 1200;
/// Radius of the square in which a corner's strength is summed, in pixels of its level.
const CORNER_RADIUS: usize = 3;
/// At most one corner in each cell of this many pixels a side, so that corners cover the frame.
const CORNER_CELL: usize = 14;
/// Least strength of a corner, in squared log-luminance steps a pixel: twice what noise of 1 % makes.
const CORNER_LEAST_STRENGTH: f32 = 2e-5;
/// Strongest corners kept.
const CORNER_LIMIT: usize = 1500;
/// Samples a side of a corner's descriptor.
const DESCRIPTOR_SIDE: usize = 8;
/// Distance of a descriptor's samples in pixels of the next coarser level.
const DESCRIPTOR_SPACING: f64 = 2.0;

/// A corner and what its neighbourhood looks like.
#[derive(Debug, Clone)]
pub(super) struct Corner {
    /// Where, in pixels of the corner level.
    pub at: Point,
    /// Mean smaller eigenvalue of the gradient moments.
    pub strength: f32,
    /// 8x8 samples of log-luminance from the next coarser level, mean 0, norm 1. Source: Brown,
    /// Szeliski & Winder, "Multi-Image Matching Using Multi-Scale Oriented Patches", 2005, section
    /// 4; not turned upright, as frames of one set-up differ by a few degrees only.
    pub descriptor: [f32; DESCRIPTOR_SIDE * DESCRIPTOR_SIDE],
}

/// Side of the tiles that the map is fitted to, pixels of their level: small enough to lie on one
/// surface, large enough to hold texture and to be found some pixels away.
const SIDE: usize = 32;
/// Side of the tiles that parallax is read from: narrower than most things in a scene.
const SMALL_SIDE: usize = 16;

/// Log-luminance at several sizes and corners: what is computed of either frame.
#[derive(Debug, Clone)]
pub(super) struct Appearance {
    /// Smoothed log-luminance; each level half as large as the one before.
    pub levels: Vec<Plane<f32>>,
    /// The level that the corners' places are in.
    pub corner_level: usize,
    /// Corners, the strongest first.
    pub corners: Vec<Corner>,
}

/// The plate's share of a registration: computed once, used for every lit frame.
///
/// Holds about 5.5 bytes a pixel of the working copy.
#[derive(Debug, Clone)]
pub struct Features {
    pub(super) appearance: Appearance,
    /// Textured tiles of each level.
    pub(super) tiles: Vec<Vec<Tile<SIDE>>>,
    /// Small tiles of the finest level, for what is finer than the map.
    pub(super) small_tiles: Vec<Tile<SMALL_SIDE>>,
}

/// Computes the plate's share of every registration against it.
///
/// `plate` is a working copy in scene-linear light, some 800 to 2400 pixels on its long side.
pub fn describe(plate: &SceneLinear) -> Features {
    let appearance = Appearance::of(plate);
    let tiles = appearance
        .levels
        .iter()
        .enumerate()
        .map(|(level, picture)| {
            let tiling = if level == 0 {
                Tiling::SideBySide
            } else {
                Tiling::Overlapping
            };
            tiles_of(picture, tiling)
        })
        .collect();
    let small_tiles = tiles_of(&appearance.levels[0], Tiling::SideBySide);
    Features {
        appearance,
        tiles,
        small_tiles,
    }
}

impl Appearance {
    /// Of a frame in scene-linear light.
    pub(super) fn of(picture: &SceneLinear) -> Self {
        let base = smoothed(&log_luminance(picture));
        let levels = pyramid(base, COARSEST_LONG_SIDE);
        let corner_level = levels
            .iter()
            .position(|l| l.size().long_side() <= CORNER_LONG_SIDE)
            .unwrap_or(levels.len() - 1)
            .min(levels.len().saturating_sub(2));
        let corners = corners_of(&levels, corner_level);
        Self {
            levels,
            corner_level,
            corners,
        }
    }
}

/// Natural logarithm of the luminance of ITU-R BT.709, with a floor.
fn log_luminance(picture: &SceneLinear) -> Plane<f32> {
    let columns = picture.size().columns.max(1);
    let mut out = Plane::unset(picture.size());
    out.as_mut_slice()
        .par_chunks_exact_mut(columns)
        .enumerate()
        .for_each(|(y, out)| {
            let [red, green, blue] = picture.channels.each_ref().map(|channel| channel.row(y));
            for (out, ((r, g), b)) in out.iter_mut().zip(red.iter().zip(green).zip(blue)) {
                let luminance = 0.2126 * r + 0.7152 * g + 0.0722 * b;
                *out = (luminance.max(0.0) + LOG_FLOOR_LINEAR).ln();
            }
        });
    out
}

fn corners_of(levels: &[Plane<f32>], level: usize) -> Vec<Corner> {
    let Some(coarser) = levels.get(level + 1) else {
        return Vec::new();
    };
    let strength = corner_strength(&levels[level], CORNER_RADIUS);
    let mut corners: Vec<Corner> = strongest_a_cell(&strength)
        .into_par_iter()
        .filter_map(|(x, y)| {
            let at = Point {
                x: x as f64,
                y: y as f64,
            };
            Some(Corner {
                at,
                strength: *strength.at(x, y),
                descriptor: descriptor(coarser, at)?,
            })
        })
        .collect();
    corners.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    corners.truncate(CORNER_LIMIT);
    corners
}

/// Places that are strong enough, the strongest of their cell, and no weaker than their neighbours.
fn strongest_a_cell(strength: &Plane<f32>) -> Vec<(usize, usize)> {
    let size = strength.size();
    let mut places = Vec::new();
    for top in (1..size.rows.saturating_sub(CORNER_CELL)).step_by(CORNER_CELL) {
        for left in (1..size.columns.saturating_sub(CORNER_CELL)).step_by(CORNER_CELL) {
            let mut best = (CORNER_LEAST_STRENGTH, None);
            for y in top..top + CORNER_CELL {
                for (x, &v) in (left..).zip(&strength.row(y)[left..left + CORNER_CELL]) {
                    if v > best.0 {
                        best = (v, Some((x, y)));
                    }
                }
            }
            places.extend(best.1.filter(|&(x, y)| is_peak(strength, x, y)));
        }
    }
    places
}

fn is_peak(strength: &Plane<f32>, x: usize, y: usize) -> bool {
    let here = *strength.at(x, y);
    (y - 1..=y + 1).all(|y| strength.row(y)[x - 1..=x + 1].iter().all(|&v| v <= here))
}

fn descriptor(coarser: &Plane<f32>, at: Point) -> Option<[f32; DESCRIPTOR_SIDE * DESCRIPTOR_SIDE]> {
    let half = 0.5 * (DESCRIPTOR_SIDE - 1) as f64 * DESCRIPTOR_SPACING;
    let left = (at.x - 0.5) / 2.0 - half;
    let top = (at.y - 0.5) / 2.0 - half;
    let fits = left >= 0.0
        && top >= 0.0
        && left + 2.0 * half < (coarser.columns() - 1) as f64
        && top + 2.0 * half < (coarser.rows() - 1) as f64;
    if !fits {
        return None;
    }
    let mut samples: [f32; DESCRIPTOR_SIDE * DESCRIPTOR_SIDE] = std::array::from_fn(|i| {
        let x = left + (i % DESCRIPTOR_SIDE) as f64 * DESCRIPTOR_SPACING;
        let y = top + (i / DESCRIPTOR_SIDE) as f64 * DESCRIPTOR_SPACING;
        bilinear(coarser, x, y)
    });
    let mean = samples.iter().sum::<f32>() / samples.len() as f32;
    for v in &mut samples {
        *v -= mean;
    }
    let norm = samples.iter().map(|v| v * v).sum::<f32>().sqrt();
    (norm > 0.0).then(|| samples.map(|v| v / norm))
}

fn bilinear(plane: &Plane<f32>, x: f64, y: f64) -> f32 {
    let (column, row) = (x as usize, y as usize);
    let (fx, fy) = ((x - column as f64) as f32, (y - row as f64) as f32);
    let upper = &plane.row(row)[column..column + 2];
    let lower = &plane.row(row + 1)[column..column + 2];
    let above = upper[0] + fx * (upper[1] - upper[0]);
    let below = lower[0] + fx * (lower[1] - lower[0]);
    above + fy * (below - above)
}
