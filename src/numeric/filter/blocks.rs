//! Planes reduced to the means of their blocks, and enlarged again.

use rayon::prelude::*;

use super::CONVOLVED_ROWS;
use crate::scene::{Plane, Size};
use crate::vectors::vectorised;

/// Mean of `factor` x `factor` blocks; blocks at the right and lower border may be smaller.
#[must_use]
pub fn block_mean(plane: &Plane<f32>, factor: usize) -> Plane<f32> {
    if factor <= 1 {
        return plane.clone();
    }
    let mut out = Plane::filled(small_size(plane.size(), factor), 0.0f32);
    let columns = out.columns();
    out.as_mut_slice()
        .par_chunks_exact_mut(columns)
        .enumerate()
        .for_each(|(y, out)| {
            let rows = y * factor..((y + 1) * factor).min(plane.rows());
            let share = 1.0 / rows.len() as f32;
            for row in rows {
                add_row(plane.row(row), factor, share, out);
            }
        });
    out
}

/// [`block_mean`] of values that never fill a plane: `read` writes a row of them.
#[must_use]
pub fn block_mean_of(
    size: Size,
    factor: usize,
    read: impl Fn(usize, &mut [f32]) + Sync,
) -> Plane<f32> {
    let mut out = Plane::filled(small_size(size, factor), 0.0f32);
    let columns = out.columns();
    out.as_mut_slice()
        .par_chunks_exact_mut(columns)
        .enumerate()
        .for_each_init(
            || vec![0.0f32; size.columns],
            |values, (y, out)| {
                let rows = y * factor..((y + 1) * factor).min(size.rows);
                let share = 1.0 / rows.len() as f32;
                for row in rows {
                    read(row, values);
                    add_row(values, factor, share, out);
                }
            },
        );
    out
}

fn small_size(size: Size, factor: usize) -> Size {
    Size {
        columns: size.columns.div_ceil(factor),
        rows: size.rows.div_ceil(factor),
    }
}

fn add_row(row: &[f32], factor: usize, share: f32, out: &mut [f32]) {
    match factor {
        2 => add_block_means::<2>(row, share, out),
        4 => add_block_means::<4>(row, share, out),
        8 => add_block_means::<8>(row, share, out),
        _ => {
            for (out, block) in out.iter_mut().zip(row.chunks(factor)) {
                *out += share * block.iter().sum::<f32>() / block.len() as f32;
            }
        }
    }
}

fn add_block_means<const N: usize>(row: &[f32], share: f32, out: &mut [f32]) {
    let (blocks, rest) = row.as_chunks::<N>();
    let scale = share / N as f32;
    for (out, block) in out.iter_mut().zip(blocks) {
        *out += scale * block.iter().sum::<f32>();
    }
    if let (Some(out), false) = (out.get_mut(blocks.len()), rest.is_empty()) {
        *out += share * rest.iter().sum::<f32>() / rest.len() as f32;
    }
}

/// Bilinear enlargement of a plane made by [`block_mean`] with the same `factor`.
#[must_use]
pub fn enlarge(small: &Plane<f32>, factor: usize, size: Size) -> Plane<f32> {
    let at = |i: usize, limit: usize| place_between(i, factor, limit);
    let across: Vec<_> = (0..size.columns).map(|x| at(x, small.columns())).collect();
    let widen = |row: usize, out: &mut Widened| {
        let row_values = small.row(row);
        out.row = Some(row);
        out.values.clear();
        out.values.extend(
            across
                .iter()
                .map(|&(l, r, u)| row_values[l] + u * (row_values[r] - row_values[l])),
        );
    };
    let mut out = Plane::unset(size);
    out.as_mut_slice()
        .par_chunks_mut(CONVOLVED_ROWS * size.columns)
        .enumerate()
        .for_each_init(<[Widened; 2]>::default, |[above, below], (strip, out)| {
            let first = strip * CONVOLVED_ROWS;
            for (y, out) in (first..).zip(out.chunks_exact_mut(size.columns)) {
                let (top, bottom, v) = at(y, small.rows());
                // Each row of the small plane is widened once for all that lie beside it.
                if above.row != Some(top) {
                    std::mem::swap(above, below);
                }
                for (row, kept) in [(top, &mut *above), (bottom, &mut *below)] {
                    if kept.row != Some(row) {
                        widen(row, kept);
                    }
                }
                let both = above.values.iter().zip(&below.values);
                vectorised(
                    #[inline(always)]
                    || {
                        for (out, (up, down)) in out.iter_mut().zip(both) {
                            *out = up + v * (down - up);
                        }
                    },
                );
            }
        });
    out
}

/// A row of a small plane, interpolated to the columns of the large one.
#[derive(Default)]
struct Widened {
    row: Option<usize>,
    values: Vec<f32>,
}

/// Neighbouring blocks between whose centres a pixel lies, and how far it lies towards the second.
pub(super) fn place_between(i: usize, factor: usize, limit: usize) -> (usize, usize, f32) {
    let place = ((i as f32 + 0.5) / factor as f32 - 0.5).clamp(0.0, limit as f32 - 1.0);
    let low = (place as usize).min(limit.saturating_sub(2));
    (low, (low + 1).min(limit - 1), place - low as f32)
}
