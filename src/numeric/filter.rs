//! Separable filters on planes; borders repeat the last value.
//!
//! Rows run in parallel and every sum is taken in one fixed order, so that the result does not
//! depend on the number of threads.

mod blocks;

pub use blocks::{block_mean, block_mean_of, enlarge};

use rayon::prelude::*;

use super::spans::Spans;
use crate::scene::{Plane, Size};
use crate::vectors::vectorised;
use blocks::place_between;

/// Gaussians up to this sigma use the sampled kernel, wider ones three box filters
/// (error below 3 % of the kernel's peak; Wells, "Efficient Synthesis of Gaussian Filters by
/// Cascaded Uniform Filters", 1986).
const SAMPLED_KERNEL_MAX_SIGMA: f32 = 4.0;

/// The sampled kernel ends at this many sigmas (weight beyond: 0.3 %).
const KERNEL_REACH_SIGMAS: f32 = 3.0;

/// Rows a task of the running-sum filters.
const STRIP_ROWS: usize = 64;

/// Gaussian blur of standard deviation `sigma` pixels.
#[must_use]
pub fn gaussian(plane: &Plane<f32>, sigma: f32) -> Plane<f32> {
    if sigma <= 0.0 {
        return plane.clone();
    }
    if sigma <= SAMPLED_KERNEL_MAX_SIGMA {
        return convolve_separable(plane, &sampled_gaussian(sigma));
    }
    let radius = box_radius(sigma);
    box_mean(&box_mean(&box_mean(plane, radius), radius), radius)
}

/// Three boxes of radius r have variance 3·((2r+1)²-1)/12.
fn box_radius(sigma: f32) -> usize {
    (((4.0 * sigma * sigma + 1.0).sqrt() - 1.0) / 2.0).round() as usize
}

/// The same along `asked` only, 0 elsewhere: cheap where little is asked for.
#[must_use]
pub fn gaussian_within(plane: &Plane<f32>, sigma: f32, asked: &Spans) -> Plane<f32> {
    if sigma > LEAST_REDUCED_SIGMA {
        return reduced_gaussian_within(plane, sigma, asked);
    }
    if sigma > SAMPLED_KERNEL_MAX_SIGMA {
        let all = gaussian(plane, sigma);
        return asked.filled(|y, run, out| out.copy_from_slice(&all.row(y)[run.from..run.to]));
    }
    let kernel = sampled_gaussian(sigma);
    let reach = kernel.len() / 2;
    let last = plane.rows() - 1;
    let across = asked.grown(reach).filled(|y, run, out| {
        let row = plane.row(y);
        if run.from >= reach && run.to + reach <= row.len() {
            vectorised(
                #[inline(always)]
                || convolve_run(&kernel, out, |tap| &row[run.from - reach + tap..]),
            );
            return;
        }
        let padded = padded(row, reach);
        vectorised(
            #[inline(always)]
            || convolve_run(&kernel, out, |tap| &padded[run.from + tap..]),
        );
    });
    asked.filled(|y, run, out| {
        vectorised(
            #[inline(always)]
            || {
                convolve_run(&kernel, out, |tap| {
                    &across.row((y + tap).saturating_sub(reach).min(last))[run.from..]
                });
            },
        );
    })
}

/// Wide Gaussians along few pixels work on a copy reduced by [`REDUCTION`] from this sigma on: its
/// own sigma is then well above a pixel (Burt, "Fast Filter Transforms for Image Processing", 1981).
const LEAST_REDUCED_SIGMA: f32 = 6.0;

const REDUCTION: usize = 4;

/// Variance that block means of four and bilinear enlargement add, px²: 15/12, and 16/6 in the mean.
const REDUCTION_VARIANCE: f32 = 3.92;

fn reduced_gaussian_within(plane: &Plane<f32>, sigma: f32, asked: &Spans) -> Plane<f32> {
    // As wide as the three boxes of [`gaussian`], whose radius is a whole number.
    let side = (2 * box_radius(sigma) + 1) as f32;
    let own = (0.25 * (side * side - 1.0) - REDUCTION_VARIANCE).sqrt() / REDUCTION as f32;
    let small = convolve_separable(&block_mean(plane, REDUCTION), &sampled_gaussian(own));
    let across: Vec<_> = (0..plane.columns())
        .map(|x| place_between(x, REDUCTION, small.columns()))
        .collect();
    asked.filled(|y, run, out| {
        let (top, bottom, v) = place_between(y, REDUCTION, small.rows());
        let (above, below) = (small.row(top), small.row(bottom));
        for (&(l, r, u), out) in across[run.from..run.to].iter().zip(out) {
            let up = above[l] + u * (above[r] - above[l]);
            let down = below[l] + u * (below[r] - below[l]);
            *out = up + v * (down - up);
        }
    })
}

fn sampled_gaussian(sigma: f32) -> Vec<f32> {
    let reach = (KERNEL_REACH_SIGMAS * sigma).ceil() as i32;
    let weights: Vec<f32> = (-reach..=reach)
        .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
        .collect();
    let total: f32 = weights.iter().sum();
    weights.into_iter().map(|w| w / total).collect()
}

/// Convolution with one odd symmetric kernel along rows, then along columns, in strips whose
/// intermediate rows stay in the cache.
#[must_use]
pub fn convolve_separable(plane: &Plane<f32>, kernel: &[f32]) -> Plane<f32> {
    let size = plane.size();
    let mut out = Plane::unset(size);
    out.as_mut_slice()
        .par_chunks_mut(CONVOLVED_ROWS * size.columns)
        .enumerate()
        .for_each_init(StripBuffers::default, |buffers, (strip, out)| {
            let read = |y: usize, row: &mut [f32]| row.copy_from_slice(plane.row(y));
            convolve_strip(kernel, size, strip * CONVOLVED_ROWS, read, buffers, out);
        });
    out
}

/// Rows a task of [`convolve_separable`].
pub const CONVOLVED_ROWS: usize = 32;

/// What [`GaussianStrip::blur`] works in; to be used again.
#[derive(Debug, Default)]
pub struct StripBuffers {
    row: Vec<f32>,
    across: Vec<f32>,
}

/// [`gaussian`] a strip at a time, for values that never fill a plane.
#[derive(Debug, Clone)]
pub struct GaussianStrip {
    kernel: Vec<f32>,
    size: Size,
}

impl GaussianStrip {
    /// For pictures of extent `size`. `sigma` is at most [`SAMPLED_KERNEL_MAX_SIGMA`] pixels.
    pub fn new(sigma: f32, size: Size) -> Self {
        Self {
            kernel: sampled_gaussian(sigma),
            size,
        }
    }

    /// The blurred rows from `first` on, as many as `out` holds; `read` writes a row of the picture.
    pub fn blur(
        &self,
        first: usize,
        read: impl FnMut(usize, &mut [f32]),
        buffers: &mut StripBuffers,
        out: &mut [f32],
    ) {
        convolve_strip(&self.kernel, self.size, first, read, buffers, out);
    }
}

fn convolve_strip(
    kernel: &[f32],
    size: Size,
    first: usize,
    mut read: impl FnMut(usize, &mut [f32]),
    buffers: &mut StripBuffers,
    out: &mut [f32],
) {
    let columns = size.columns;
    let reach = kernel.len() / 2;
    let rows = out.len() / columns;
    let StripBuffers { row, across } = buffers;
    row.resize(columns + 2 * reach, 0.0);
    across.resize((rows + 2 * reach) * columns, 0.0);
    vectorised(
        #[inline(always)]
        || {
            for (i, across) in across.chunks_exact_mut(columns).enumerate() {
                let y = (first + i).saturating_sub(reach).min(size.rows - 1);
                read(y, &mut row[reach..reach + columns]);
                let (left, right) = (row[reach], row[reach + columns - 1]);
                row[..reach].fill(left);
                row[reach + columns..].fill(right);
                convolve_run(kernel, across, |tap| &row[tap..]);
            }
            for (i, out) in out.chunks_exact_mut(columns).enumerate() {
                convolve_run(kernel, out, |tap| &across[(i + tap) * columns..]);
            }
        },
    );
}

/// Weighted sum of the taps' values, which start at the slices that `values` names; sixteen sums
/// at a time stay in registers.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn convolve_run<'a>(kernel: &[f32], out: &mut [f32], values: impl Fn(usize) -> &'a [f32]) {
    const LANES: usize = 16;
    let (groups, rest) = out.as_chunks_mut::<LANES>();
    let whole = groups.len() * LANES;
    for (g, out) in groups.iter_mut().enumerate() {
        let mut sums = [0.0f32; LANES];
        for (tap, &weight) in kernel.iter().enumerate() {
            let values = &values(tap)[g * LANES..(g + 1) * LANES];
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += weight * value;
            }
        }
        *out = sums;
    }
    rest.fill(0.0);
    for (tap, &weight) in kernel.iter().enumerate() {
        for (out, value) in rest.iter_mut().zip(&values(tap)[whole..]) {
            *out += weight * value;
        }
    }
}

/// A row with its ends repeated `reach` times, into `out`.
fn pad(row: &[f32], reach: usize, out: &mut Vec<f32>) {
    out.clear();
    out.resize(reach, row[0]);
    out.extend_from_slice(row);
    out.resize(row.len() + 2 * reach, row[row.len() - 1]);
}

fn padded(row: &[f32], reach: usize) -> Vec<f32> {
    let mut out = Vec::with_capacity(row.len() + 2 * reach);
    out.resize(reach, row[0]);
    out.extend_from_slice(row);
    out.resize(row.len() + 2 * reach, row[row.len() - 1]);
    out
}

/// Means of nothing, as sums in single precision leave them.
const NO_SHARE: f32 = 1e-6;

/// A mask grown by a square of `reach` pixels each way.
pub fn dilated(mask: &Plane<bool>, reach: usize) -> Plane<bool> {
    let share = box_mean(&mask.map(|&m| f32::from(m)), reach);
    share.map(|&s| s > NO_SHARE)
}

/// Mean over a square of `2·radius + 1` pixels, by running sums, in strips whose intermediate rows
/// stay near.
#[must_use]
pub fn box_mean(plane: &Plane<f32>, radius: usize) -> Plane<f32> {
    if radius == 0 {
        return plane.clone();
    }
    let size = plane.size();
    let share = 1.0 / (2 * radius + 1) as f32;
    // Rows above and below a strip are summed up for it alone: few beside its own.
    let strip_rows = STRIP_ROWS.max(4 * radius);
    let mut out = Plane::unset(size);
    out.as_mut_slice()
        .par_chunks_mut(strip_rows * size.columns)
        .enumerate()
        .for_each_init(BoxBuffers::default, |buffers, (strip, out)| {
            let rows = out.len() / size.columns;
            let first = strip * strip_rows;
            let BoxBuffers {
                rows: padded,
                across,
                sums,
            } = buffers;
            across.resize((rows + 2 * radius) * size.columns, 0.0);
            let groups = across.chunks_mut(TOGETHER * size.columns);
            for (g, group) in groups.enumerate() {
                for (i, padded) in padded.iter_mut().enumerate() {
                    let y = (first + g * TOGETHER + i).saturating_sub(radius);
                    pad(plane.row(y.min(size.rows - 1)), radius, padded);
                }
                means_along(padded, radius, group);
            }
            sums.clear();
            sums.resize(size.columns, 0.0);
            vectorised(
                #[inline(always)]
                || {
                    for row in across.chunks_exact(size.columns).take(2 * radius) {
                        for (sum, &v) in sums.iter_mut().zip(row) {
                            *sum += f64::from(v);
                        }
                    }
                    for (i, out) in out.chunks_exact_mut(size.columns).enumerate() {
                        let entering = &across[(i + 2 * radius) * size.columns..];
                        let leaving = &across[i * size.columns..];
                        let both = entering.iter().zip(leaving);
                        for ((sum, out), (&new, &old)) in sums.iter_mut().zip(out).zip(both) {
                            *sum += f64::from(new);
                            *out = *sum as f32 * share;
                            *sum -= f64::from(old);
                        }
                    }
                },
            );
        });
    out
}

/// Rows whose running sums are taken together: each addition waits for the one before in its row.
const TOGETHER: usize = 8;

#[derive(Default)]
struct BoxBuffers {
    rows: [Vec<f32>; TOGETHER],
    across: Vec<f32>,
    sums: Vec<f64>,
}

/// Running means over `2·radius + 1` values of padded rows; `out` holds as many rows as are wanted.
fn means_along(rows: &[Vec<f32>; TOGETHER], radius: usize, out: &mut [f32]) {
    let width = 2 * radius + 1;
    let share = 1.0 / width as f32;
    let columns = rows[0].len() - 2 * radius;
    let mut sums = rows
        .each_ref()
        .map(|row| row[..2 * radius].iter().map(|&v| f64::from(v)).sum::<f64>());
    if out.len() < TOGETHER * columns {
        for ((row, sum), out) in rows.iter().zip(sums).zip(out.chunks_exact_mut(columns)) {
            let mut sum = sum;
            for (out, (&old, &new)) in out.iter_mut().zip(row.iter().zip(&row[2 * radius..])) {
                sum += f64::from(new);
                *out = sum as f32 * share;
                sum -= f64::from(old);
            }
        }
        return;
    }
    let entering = rows.each_ref().map(|row| &row[2 * radius..][..columns]);
    let leaving = rows.each_ref().map(|row| &row[..columns]);
    let mut parts = out.chunks_exact_mut(columns);
    let out: [&mut [f32]; TOGETHER] =
        std::array::from_fn(|_| parts.next().expect("there are rows for all of them"));
    for x in 0..columns {
        for k in 0..TOGETHER {
            sums[k] += f64::from(entering[k][x]);
            out[k][x] = sums[k] as f32 * share;
            sums[k] -= f64::from(leaving[k][x]);
        }
    }
}

/// The largest of each value and its neighbours to the left and right.
pub fn max_row_3(row: &[f32], out: &mut [f32]) {
    let last = row.len() - 1;
    out[0] = row[0].max(row[1.min(last)]);
    out[last] = row[last.saturating_sub(1)].max(row[last]);
    vectorised(
        #[inline(always)]
        || {
            for (out, near) in out[1.min(last)..last].iter_mut().zip(row.windows(3)) {
                *out = near[0].max(near[1]).max(near[2]);
            }
        },
    );
}

/// Length of the central-difference gradient along a row, per pixel, from the rows above it, here,
/// and below.
pub fn gradient_row([above, row, below]: [&[f32]; 3], out: &mut [f32]) {
    let last = row.len() - 1;
    let length = |dx: f32, dy: f32| 0.5 * (dx * dx + dy * dy).sqrt();
    out[0] = length(row[1.min(last)] - row[0], below[0] - above[0]);
    out[last] = length(
        row[last] - row[last.saturating_sub(1)],
        below[last] - above[last],
    );
    let inside = 1.min(last)..last;
    vectorised(
        #[inline(always)]
        || {
            let across = row.windows(3);
            let down = above[inside.clone()].iter().zip(&below[inside.clone()]);
            for (out, (across, (a, b))) in out[inside].iter_mut().zip(across.zip(down)) {
                *out = length(across[2] - across[0], b - a);
            }
        },
    );
}

#[cfg(test)]
mod tests;
