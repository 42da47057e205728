//! Finding the sky in one frame.

use linfa::DatasetBase;
use linfa::traits::{Fit, Predict};
use linfa_clustering::GaussianMixtureModel;
use ndarray::Array2;
use rand::SeedableRng;
use rayon::prelude::*;
use std::collections::VecDeque;

use crate::numeric::filter::{block_mean, block_mean_of, gaussian};
use crate::scene::{Perceived, Plane, Point, SceneLinear, Size, difference};
use crate::vectors::vectorised;

/// Side of the blocks on which the sky is grown, px of the working copy.
pub(super) const BLOCK: usize = 4;

/// How willingly the sky grows from block to block.
#[derive(Debug, Clone, Copy)]
pub(super) struct Growth {
    /// Neighbouring blocks of one sky differ by less than this (CIE94).
    pub(super) max_step: f32,
    /// Largest standard deviation of lightness within a block.
    pub(super) max_texture: f32,
}

/// Tried in turn until what has grown looks like a sky: first as far as the rim of a sunlit cloud
/// allows (clouds are smooth at 4 px; leaves, bricks and grass are not), then ever more wary of
/// leaking into a smooth wall.
const GROWTHS: [Growth; 4] = [
    Growth {
        max_step: 7.0,
        max_texture: 2.2,
    },
    Growth {
        max_step: 4.5,
        max_texture: 1.5,
    },
    Growth {
        max_step: 3.0,
        max_texture: 1.0,
    },
    Growth {
        max_step: 2.0,
        max_texture: 0.7,
    },
];

/// Share of the frame, from below, that no sky reaches: there is ground under a portrait.
const GROUND_SHARE: f32 = 0.15;

/// A growth that takes this share of the ground has leaked.
const MAX_GROUND: f32 = 0.05;

/// A sky takes at least this share of the frame.
const MIN_SHARE: f32 = 0.01;

/// A sky that is not blue is lighter than the median of the rest by this factor.
const LIGHTER_THAN_REST: f32 = 1.45;

/// CIELAB b below this is blue.
const BLUE_B: f32 = -6.0;

/// This share of blue makes a smooth top of the frame a sky with clouds.
const BLUE_SHARE: f32 = 0.05;

/// Colours in the mixture: clear sky, haze, cloud top, cloud base, glow.
const MIXTURE_COLOURS: usize = 5;

/// Samples for the mixture.
const MIXTURE_SAMPLES: usize = 3000;

/// A pixel fits when its squared Mahalanobis distance to some colour of the mixture is below this
/// (chi-squared, 3 degrees of freedom: 0.1 % of true sky pixels lie beyond 16.3).
const MAX_MAHALANOBIS2: f32 = 16.3;

/// Narrowest spread of a colour of the mixture, CIELAB units: banding and compression.
const MIN_SPREAD: f32 = 1.2;

/// The sky of one frame.
#[derive(Debug, Clone)]
pub struct SkyLayer {
    /// Open sky, per working pixel.
    pub mask: Plane<bool>,
    /// Share of the frame, 0..1.
    pub share: f32,
    colours: Vec<SkyColour>,
}

#[derive(Debug, Clone)]
pub(super) struct SkyColour {
    mean: [f32; 3],
    inverse_covariance: [[f32; 3]; 3],
}

impl SkyLayer {
    /// A sky that was found before: where it is, without its colours.
    pub fn from_mask(mask: Plane<bool>) -> Self {
        let open = mask.as_slice().iter().filter(|&&s| s).count();
        Self {
            share: open as f32 / mask.size().area().max(1) as f32,
            mask,
            colours: Vec::new(),
        }
    }

    fn none(size: Size) -> Self {
        Self {
            mask: Plane::filled(size, false),
            share: 0.0,
            colours: Vec::new(),
        }
    }

    /// A sky whose colours are known, not yet where it is.
    pub(super) fn of_colours(colours: Vec<SkyColour>, size: Size) -> Self {
        Self {
            colours,
            ..Self::none(size)
        }
    }

    /// The same where `mask` says.
    pub(super) fn over(self, mask: Plane<bool>) -> Self {
        Self {
            colours: self.colours,
            ..Self::from_mask(mask)
        }
    }
}

/// Clouds of one sky change their brightness between frames: this much farther from the mixture a
/// colour still may be the same sky.
const LOOSE: f32 = 2.5;

impl SkyLayer {
    /// Could a CIELAB colour of another frame belong to this sky a little later?
    pub fn fits_loosely(&self, lab: [f32; 3]) -> bool {
        let limit = LOOSE * MAX_MAHALANOBIS2;
        self.colours.iter().any(|c| c.distance2(lab) < limit)
    }

    /// The same sky in another frame's pixels; `row` tells where in this frame the pixels of a row
    /// lie.
    #[must_use]
    pub fn moved(&self, row: impl Fn(usize, &mut Vec<Point>) + Sync) -> Self {
        let size = self.mask.size();
        let mut mask = Plane::filled(size, false);
        mask.as_mut_slice()
            .par_chunks_exact_mut(size.columns)
            .enumerate()
            .for_each_init(Vec::new, |places, (y, out)| {
                row(y, places);
                for (out, at) in out.iter_mut().zip(places.iter()) {
                    let column = (at.x + 0.5).clamp(0.0, (size.columns - 1) as f64) as usize;
                    let row = (at.y + 0.5).clamp(0.0, (size.rows - 1) as f64) as usize;
                    *out = *self.mask.at(column, row);
                }
            });
        Self {
            mask,
            share: self.share,
            colours: self.colours.clone(),
        }
    }

    /// The part of this sky that another, registered frame shows too; all of it where its colours
    /// are not known.
    pub fn seen_in(&self, other: &Perceived) -> Plane<bool> {
        if self.colours.is_empty() {
            return self.mask.clone();
        }
        let asked = |y: usize, out: &mut [bool]| out.copy_from_slice(self.mask.row(y));
        let Perceived { lightness, a, b } = other;
        self.within([lightness, a, b], LOOSE * MAX_MAHALANOBIS2, asked)
    }

    /// Those of the pixels `asked` for, which it marks in a row, whose squared Mahalanobis distance to
    /// some colour of this sky is below `limit`.
    fn within(
        &self,
        lab: [&Plane<f32>; 3],
        limit: f32,
        asked: impl Fn(usize, &mut [bool]) + Sync,
    ) -> Plane<bool> {
        let size = lab[0].size();
        let mut out = Plane::filled(size, false);
        out.as_mut_slice()
            .par_chunks_exact_mut(size.columns.max(1))
            .enumerate()
            .for_each_init(
                || vec![0.0f32; size.columns],
                |nearest, (y, out)| {
                    asked(y, out);
                    if !out.contains(&true) {
                        return;
                    }
                    let rows = lab.map(|plane| plane.row(y));
                    vectorised(
                        #[inline(always)]
                        || {
                            nearest.fill(f32::INFINITY);
                            for colour in &self.colours {
                                colour.nearer(rows, nearest);
                            }
                            for (out, &nearest) in out.iter_mut().zip(nearest.iter()) {
                                *out &= nearest < limit;
                            }
                        },
                    );
                },
            );
        out
    }
}

impl SkyColour {
    /// Lowers the squared Mahalanobis distances of a row's pixels where this colour is nearer.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn nearer(&self, lab: [&[f32]; 3], nearest: &mut [f32]) {
        let n = nearest.len();
        let ([l, a, b], m) = (lab.map(|row| &row[..n]), &self.inverse_covariance);
        for x in 0..n {
            let d = [
                l[x] - self.mean[0],
                a[x] - self.mean[1],
                b[x] - self.mean[2],
            ];
            let along = |i: usize| d[i] * (m[i][0] * d[0] + m[i][1] * d[1] + m[i][2] * d[2]);
            let own = along(0) + along(1) + along(2);
            nearest[x] = if own < nearest[x] { own } else { nearest[x] };
        }
    }

    fn distance2(&self, lab: [f32; 3]) -> f32 {
        let d: [f32; 3] = std::array::from_fn(|k| lab[k] - self.mean[k]);
        (0..3)
            .map(|i| {
                d[i] * (0..3)
                    .map(|j| self.inverse_covariance[i][j] * d[j])
                    .sum::<f32>()
            })
            .sum()
    }
}

/// Finds the sky of a frame, or none; no sky at all is a normal case.
///
/// `picture` is a working copy, `seen` the same as CIELAB. Holds five planes.
pub fn find_sky(picture: &SceneLinear, seen: &Perceived) -> SkyLayer {
    let size = picture.size();
    let (lab, texture) = blocks_of(seen);
    let grown = |growth| Blocks {
        sky: grow_from_top((&lab, &texture), growth),
        lab: lab.clone(),
    };
    let found = GROWTHS.into_iter().map(grown).find(is_plausible);
    let Some(grown) = found else {
        return SkyLayer::none(size);
    };
    let Some(colours) = fit_colours(&grown) else {
        return SkyLayer::none(size);
    };
    let layer = SkyLayer::of_colours(colours, size);
    let mask = classify(&layer, &grown, seen);
    layer.over(mask)
}

/// Mean CIELAB of blocks, and which of them are sky.
pub(super) struct Blocks {
    pub(super) lab: [Plane<f32>; 3],
    pub(super) sky: Plane<bool>,
}

/// Mean CIELAB of blocks, and the standard deviation of lightness in them.
pub(super) fn blocks_of(seen: &Perceived) -> ([Plane<f32>; 3], Plane<f32>) {
    let lab = [&seen.lightness, &seen.a, &seen.b].map(|p| block_mean(p, BLOCK));
    let square = block_mean_of(seen.size(), BLOCK, |y, out| {
        for (out, l) in out.iter_mut().zip(seen.lightness.row(y)) {
            *out = l * l;
        }
    });
    let texture = square.zip(&lab[0], |s, m| (s - m * m).max(0.0).sqrt());
    (lab, texture)
}

pub(super) fn grow_from_top(
    (lab, texture): (&[Plane<f32>; 3], &Plane<f32>),
    growth: Growth,
) -> Plane<bool> {
    let size = texture.size();
    let colour = |x: usize, y: usize| -> [f32; 3] { std::array::from_fn(|k| *lab[k].at(x, y)) };
    let smooth = |x: usize, y: usize| *texture.at(x, y) < growth.max_texture;
    let mut sky = Plane::filled(size, false);
    let mut queue = VecDeque::new();
    for x in 0..size.columns {
        if smooth(x, 0) {
            sky.set(x, 0, true);
            queue.push_back((x, 0));
        }
    }
    while let Some((x, y)) = queue.pop_front() {
        let here = colour(x, y);
        let near = [
            (x.wrapping_sub(1), y),
            (x + 1, y),
            (x, y.wrapping_sub(1)),
            (x, y + 1),
        ];
        for (nx, ny) in near {
            if nx < size.columns
                && ny < size.rows
                && !sky.at(nx, ny)
                && smooth(nx, ny)
                && difference(here, colour(nx, ny)).0 < growth.max_step
            {
                sky.set(nx, ny, true);
                queue.push_back((nx, ny));
            }
        }
    }
    sky
}

fn is_plausible(blocks: &Blocks) -> bool {
    let mut of_sky: Vec<f32> = Vec::new();
    let mut of_rest: Vec<f32> = Vec::new();
    let mut blue = 0usize;
    for (i, &sky) in blocks.sky.as_slice().iter().enumerate() {
        let light = blocks.lab[0].as_slice()[i];
        if sky {
            of_sky.push(light);
            blue += usize::from(blocks.lab[2].as_slice()[i] < BLUE_B);
        } else {
            of_rest.push(light);
        }
    }
    let total = of_sky.len() + of_rest.len();
    if touches_ground(&blocks.sky) {
        return false;
    }
    if (of_sky.len() as f32) < MIN_SHARE * total as f32 {
        return false;
    }
    let is_blue = blue as f32 > BLUE_SHARE * of_sky.len() as f32;
    is_blue || of_rest.is_empty() || median(of_sky) > LIGHTER_THAN_REST * median(of_rest)
}

fn touches_ground(sky: &Plane<bool>) -> bool {
    let first = (sky.rows() as f32 * (1.0 - GROUND_SHARE)) as usize;
    let ground = &sky.as_slice()[first * sky.columns()..];
    let taken = ground.iter().filter(|&&s| s).count();
    taken as f32 > MAX_GROUND * ground.len() as f32
}

fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

pub(super) fn fit_colours(blocks: &Blocks) -> Option<Vec<SkyColour>> {
    let inside: Vec<usize> = (0..blocks.sky.size().area())
        .filter(|&i| blocks.sky.as_slice()[i])
        .collect();
    let step = inside.len().div_ceil(MIXTURE_SAMPLES).max(1);
    let rows: Vec<[f64; 3]> = inside
        .iter()
        .step_by(step)
        .map(|&i| std::array::from_fn(|k| f64::from(blocks.lab[k].as_slice()[i])))
        .collect();
    let samples = Array2::from(rows);
    let data = DatasetBase::from(samples.clone());
    let rng = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(7);
    let model = GaussianMixtureModel::params_with_rng(MIXTURE_COLOURS, rng)
        .n_runs(1)
        .tolerance(1e-2)
        .max_n_iterations(40)
        .reg_covariance(1e-2)
        .fit(&data)
        .ok()?;
    let member = model.predict(&samples);
    let means = model.means();
    let covariances = model.covariances();
    let colours: Vec<SkyColour> = (0..MIXTURE_COLOURS)
        .filter(|&k| member.iter().filter(|&&m| m == k).count() * 200 > samples.nrows())
        .filter_map(|k| {
            let mut covariance = nalgebra::Matrix3::from_fn(|i, j| covariances[[k, i, j]]);
            for i in 0..3 {
                covariance[(i, i)] += f64::from(MIN_SPREAD * MIN_SPREAD);
            }
            let inverse = covariance.try_inverse()?;
            Some(SkyColour {
                mean: std::array::from_fn(|i| means[[k, i]] as f32),
                inverse_covariance: std::array::from_fn(|i| {
                    std::array::from_fn(|j| inverse[(i, j)] as f32)
                }),
            })
        })
        .collect();
    (!colours.is_empty()).then_some(colours)
}

/// Pixel by pixel: in or near the grown blocks what fits the mixture; farther away only gaps that
/// lie above the lowest sky of their neighbourhood.
fn classify(layer: &SkyLayer, blocks: &Blocks, seen: &Perceived) -> Plane<bool> {
    /// Gaps are looked for this far from grown sky, in blocks.
    const GAP_REACH: usize = 12;
    let grown = blocks.sky.map(|&s| if s { 1.0f32 } else { 0.0 });
    let near = crate::numeric::filter::box_mean(&grown, GAP_REACH);
    fitting(layer, seen, |y, out| {
        for (out, near) in out.chunks_mut(BLOCK).zip(near.row(y / BLOCK)) {
            out.fill(*near > 0.0);
        }
    })
}

/// Where the colours of `layer` fit, among the pixels of a row that are `asked` for.
pub(super) fn fitting(
    layer: &SkyLayer,
    seen: &Perceived,
    asked: impl Fn(usize, &mut [bool]) + Send + Sync,
) -> Plane<bool> {
    let smooth: [Plane<f32>; 3] = [&seen.lightness, &seen.a, &seen.b].map(|p| gaussian(p, 0.7));
    without_specks(&layer.within(smooth.each_ref(), MAX_MAHALANOBIS2, asked))
}

/// Takes away what has no 3x3 core: single pixels that happen to have a sky's colour.
fn without_specks(mask: &Plane<bool>) -> Plane<bool> {
    let share = crate::numeric::filter::box_mean(&mask.map(|&m| if m { 1.0 } else { 0.0 }), 1);
    mask.zip(&share, |&m, &s| m && s > 0.6)
}
