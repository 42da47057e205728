//! Cutting what visibly changed into pieces.

use rayon::prelude::*;

use super::blobs::connected_blobs;
use super::measure::measure;
use super::{PieceFeatures, Stillness};
use crate::change::Evidence;
use crate::lighting::{LightingChange, NoiseModel};
use crate::numeric::segmentation::{Granularity, cut};
use crate::scene::{Plane, SceneLinear, Window, chroma, difference2};
use crate::sky::SkyLayer;

/// A difference below this (CIE94) is not seen even side by side, and is no change.
const SEEN_DIFFERENCE: f32 = 2.0;

/// A change must exceed the noise of the blurred frames by this many sigmas.
const NOISE_SIGMAS: f32 = 4.0;

/// The comparison's blur lowers the noise to this share (a Gaussian of 1.2 px: 1 / (2·sqrt(pi)·1.2)).
const BLUR_NOISE_SHARE: f32 = 0.235;

/// Granularity of the cut in CIE94 units times pixels: pieces of 100 px merge across 1 unit.
const CUT_SCALE: f32 = 100.0;

/// Smallest piece in px of the working copy.
const MIN_PIECE: u32 = 16;

/// A changed pixel is no speck with so many of the nine around and at it.
const LEAST_TOGETHER: u8 = 2;

/// Any other is a hole with so many around it: most of them.
const LEAST_AROUND: u8 = 5;

/// Change smaller than this in px, alone in unchanged surroundings, is not measured.
const MIN_BLOB: usize = 9;

/// Weight of a step of the excess (ln units) beside a step of colour (CIE94) in the cut.
const EXCESS_WEIGHT: f32 = 10.0;

/// Weight of a step of stillness (0..1) beside a step of colour (CIE94) in the cut.
const STILLNESS_WEIGHT: f32 = 12.0;

/// Everything known of a frame before its pieces are cut.
#[derive(Debug, Clone, Copy)]
pub struct Observed<'a> {
    /// The lit frame.
    pub lit: &'a SceneLinear,
    /// The aligned plate, its sky carried along.
    pub plate: &'a SceneLinear,
    /// Light.
    pub light: &'a LightingChange,
    /// Evidence of change.
    pub evidence: &'a Evidence,
    /// What [`changed_pixels`] finds.
    pub changed: &'a Plane<bool>,
    /// The plate's sky.
    pub sky: &'a SkyLayer,
    /// Stillness, when other poses were seen.
    pub stillness: Option<&'a Stillness>,
}

/// A piece that shares some rim.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Neighbour {
    /// Index of the other piece.
    pub piece: usize,
    /// Shared rim, px.
    pub rim: u32,
}

/// One piece of change.
#[derive(Debug, Clone)]
pub struct Piece {
    /// What was measured.
    pub features: PieceFeatures,
    /// Extent in px of the working copy.
    pub area: usize,
    /// Box in px of the working copy.
    pub window: Window,
    /// Adjoining pieces, by index.
    pub neighbours: Vec<Neighbour>,
}

/// All pieces of change in a frame.
#[derive(Debug, Clone)]
pub struct Regions {
    /// Piece number from 1 a pixel; 0 where nothing changed visibly.
    pub numbers: Plane<u32>,
    /// The pieces; number `n` is at index `n - 1`.
    pub pieces: Vec<Piece>,
}

/// Cuts what visibly changed into pieces and measures each.
pub fn cut_regions(observed: &Observed<'_>) -> Regions {
    let seen = &observed.evidence.lit_seen;
    let pieces = cut(
        observed.changed,
        Granularity {
            scale: CUT_SCALE,
            min_area: MIN_PIECE,
        },
        #[inline(always)]
        |i, j, out| {
            let lab = |at| [&seen.lightness, &seen.a, &seen.b].map(|p| part(p, at, out.len()));
            let ([l, a, b], [m, d, e]) = (lab(i), lab(j));
            let [own, other] = [i, j].map(|at| part(&observed.evidence.excess, at, out.len()));
            for (k, out) in out.iter_mut().enumerate() {
                let (one, other_lab) = ([l[k], a[k], b[k]], [m[k], d[k], e[k]]);
                let chromas = [chroma(one), chroma(other_lab)];
                let colour = difference2(one, other_lab, chromas).sqrt();
                *out = colour.max(EXCESS_WEIGHT * (own[k] - other[k]).abs());
            }
            if let Some(Stillness { still, returns }) = observed.stillness {
                for plane in [still, returns] {
                    let [own, other] = [i, j].map(|at| part(plane, at, out.len()));
                    for (k, out) in out.iter_mut().enumerate() {
                        *out = out.max(STILLNESS_WEIGHT * (own[k] - other[k]).abs());
                    }
                }
            }
        },
    );
    measure(observed, pieces)
}

/// So many values from an index on.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn part(plane: &Plane<f32>, at: usize, count: usize) -> &[f32] {
    &plane.as_slice()[at..at + count]
}

/// The pixels that are cut into pieces: they visibly changed, beyond the noise of the lit frame and
/// alone in no speck.
///
/// `usable` is where the plate shows the lit frame's place at all, short of the last few pixels.
pub fn changed_pixels(
    evidence: &Evidence,
    noise: &NoiseModel,
    usable: &Plane<bool>,
) -> Plane<bool> {
    let raw = evidence
        .difference
        .zip(&evidence.lit_seen.lightness, |&d, &lightness| {
            let sigma = || {
                let y = ((lightness + 16.0) / 116.0).max(0.1).powi(3);
                let per_light = 116.0 / 3.0 * y.powf(-2.0 / 3.0);
                noise.sigma(y) * BLUR_NOISE_SHARE * std::f32::consts::SQRT_2 * per_light
            };
            // The power is dear, and most pixels show nothing.
            d > SEEN_DIFFERENCE && d > NOISE_SIGMAS * sigma()
        });
    // Where the plate shows nothing, nothing can be said.
    let raw = raw.zip(usable, |&c, &u| c && u);
    without_small_blobs(&evened(&raw))
}

/// Holes of single pixels closed, specks of single pixels dropped. The border's pixels are repeated
/// beyond it.
fn evened(raw: &Plane<bool>) -> Plane<bool> {
    let (columns, rows) = (raw.columns(), raw.rows());
    let mut out = Plane::filled(raw.size(), false);
    out.as_mut_slice()
        .par_chunks_exact_mut(columns.max(1))
        .enumerate()
        .for_each_init(Vec::new, |down: &mut Vec<u8>, (y, out)| {
            let near = [y.saturating_sub(1), y, (y + 1).min(rows - 1)].map(|y| raw.row(y));
            let three = near[0].iter().zip(near[1]).zip(near[2]);
            down.clear();
            down.push(0);
            down.extend(three.map(|((a, b), c)| u8::from(*a) + u8::from(*b) + u8::from(*c)));
            down[0] = down[1];
            down.push(down[columns]);
            for (out, (&is, down)) in out.iter_mut().zip(near[1].iter().zip(down.windows(3))) {
                let count = down[0] + down[1] + down[2];
                *out = count >= if is { LEAST_TOGETHER } else { LEAST_AROUND };
            }
        });
    out
}

fn without_small_blobs(mask: &Plane<bool>) -> Plane<bool> {
    let blobs = connected_blobs(mask);
    let mut areas = vec![0usize; blobs.count + 1];
    for &n in blobs.numbers.as_slice() {
        areas[n as usize] += 1;
    }
    blobs
        .numbers
        .map(|&n| n > 0 && areas[n as usize] >= MIN_BLOB)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    #[test]
    fn specks_go_and_holes_close() {
        let size = Size {
            columns: 12,
            rows: 9,
        };
        let speck = |x: usize, y: usize| (x, y) == (2, 2);
        let block = |x: usize, y: usize| (6..11).contains(&x) && (3..8).contains(&y);
        let raw = Plane::from_fn(size, |x, y| speck(x, y) || block(x, y) && (x, y) != (8, 5));
        let even = evened(&raw);
        let expected = Plane::from_fn(size, block);
        assert_eq!(even, expected);
        // A pair stays, at the border too, where its pixels are repeated.
        let pair = Plane::from_fn(size, |x, y| (x, y) == (4, 4) || (x, y) == (5, 5));
        assert_eq!(evened(&pair), pair);
        let corner = Plane::from_fn(size, |x, y| (x, y) == (0, 0));
        assert_eq!(evened(&corner), corner);
    }
}
