//! Writing the patch into the lit frame's samples.

use rayon::prelude::*;

use super::Relight;
use crate::lighting::FLARE;
use crate::numeric::elementary::exp;
use crate::numeric::enlarge::RowEnlarger;
use crate::numeric::spans::Spans;
use crate::scene::{
    ChannelLayout, CodeValues, Encoding, Plane, Samples, SceneLinear, Size, ToneCurve, Window,
};
use crate::vectors::vectorised;

/// Shares below this are nothing: half a step of an 8-bit mask.
const LEAST_SHARE: f32 = 0.002;

/// Untouched columns fewer than this are resampled with their neighbours: it costs less than
/// another window.
const LEAST_GAP: usize = 48;

/// Rows that are worked on at once.
const STRIP_ROWS: usize = 32;

/// What is needed to fill the mask at full size.
pub struct Patch<'a> {
    /// Aligned plate at full size for a window, its sky carried along; scene-linear. Only the pixels
    /// of the spans, in the window's pixels, are looked at.
    pub plate_window: &'a (dyn Fn(Window, &Spans) -> SceneLinear + Sync),
    /// Gain of the plate, working copy.
    pub relight: &'a Relight,
    /// Share of the plate, working copy.
    pub share: &'a Plane<f32>,
    /// Full pixels a working pixel, both ways.
    pub factor: usize,
}

impl std::fmt::Debug for Patch<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Patch")
            .field("factor", &self.factor)
            .finish_non_exhaustive()
    }
}

/// Merges: the lit frame's samples with the relit plate in the mask, and the mask at full size.
///
/// Samples whose mask is 0 stay the lit frame's. Alpha is never touched. Works in place, in strips
/// of [`STRIP_ROWS`] rows cut to the mask; holds the mask beside the samples.
pub fn composite(
    mut lit: Samples,
    encoding: &Encoding,
    patch: &Patch<'_>,
) -> (Samples, Plane<u16>) {
    let mut mask = Plane::filled(lit.size, 0u16);
    let merge = Merge {
        size: lit.size,
        layout: lit.layout,
        encoding,
        patch,
        enlarger: RowEnlarger::new(patch.share.size(), patch.factor, lit.size.columns),
    };
    match &mut lit.values {
        CodeValues::Eight(v) => merge.fill(v, &mut mask, |code| code.min(255) as u8),
        CodeValues::Sixteen(v) => merge.fill(v, &mut mask, |code| code),
    }
    (lit, mask)
}

/// A share as the full-size mask says it: 0 only where nothing is taken.
pub fn mask_value(share: f32) -> u16 {
    if share < LEAST_SHARE {
        0
    } else {
        ((share * 65_535.0 + 0.5) as u16).max(1)
    }
}

struct Merge<'a> {
    size: Size,
    layout: ChannelLayout,
    encoding: &'a Encoding,
    patch: &'a Patch<'a>,
    enlarger: RowEnlarger,
}

impl Merge<'_> {
    fn fill<T: Copy + Into<u16> + Send>(
        &self,
        values: &mut [T],
        mask: &mut Plane<u16>,
        as_stored: impl Fn(u16) -> T + Sync,
    ) {
        let columns = self.size.columns;
        values
            .par_chunks_mut(columns * self.layout.count() * STRIP_ROWS)
            .zip(mask.as_mut_slice().par_chunks_mut(columns * STRIP_ROWS))
            .enumerate()
            .for_each(|(n, (values, mask))| {
                self.fill_strip(n * STRIP_ROWS, values, mask, &as_stored);
            });
    }

    fn fill_strip<T: Copy + Into<u16>>(
        &self,
        top: usize,
        values: &mut [T],
        mask: &mut [u16],
        as_stored: &impl Fn(u16) -> T,
    ) {
        let columns = self.size.columns;
        let rows = mask.len() / columns;
        let Some((first, last)) = self.touched_at_most(top, rows) else {
            return;
        };
        let mut shares = vec![0.0f32; mask.len()];
        let mut enlarged = self
            .enlarger
            .rows_from(self.patch.share, first, last - first);
        for (y, shares) in shares.chunks_exact_mut(columns).enumerate() {
            enlarged.row(top + y, &mut shares[first..last]);
        }
        for (left, right) in touched_columns(&shares, columns, (first, last)) {
            let window = Window {
                left,
                top,
                right,
                bottom: top + rows,
            };
            let taken = Spans::of(window.size(), |x, y| {
                shares[y * columns + left + x] >= LEAST_SHARE
            });
            let plate = (self.patch.plate_window)(window, &taken);
            let mut enlarged = self.patch.relight.log_gain.each_ref().map(|log_gain| {
                let columns = right - left;
                self.enlarger.rows_from(log_gain, left, columns)
            });
            let mut gain = vec![0.0f32; right - left];
            let mut light = vec![0.0f32; right - left];
            for y in 0..rows {
                let row = y * columns + left..y * columns + right;
                let shares = &shares[row.clone()];
                if shares.iter().all(|&s| s < LEAST_SHARE) {
                    continue;
                }
                for (mask, &share) in mask[row.clone()].iter_mut().zip(shares) {
                    *mask = mask_value(share);
                }
                let count = self.layout.count();
                let values = &mut values[row.start * count..row.end * count];
                for (c, enlarged) in enlarged.iter_mut().enumerate().take(self.layout.colours()) {
                    enlarged.row(top + y, &mut gain);
                    let row = MergedRow {
                        shares,
                        plate: plate.channels[c].row(y),
                        gain: &gain,
                        curve: &self.encoding.curves[c],
                    };
                    row.merge_into(values, (c, count), &mut light, as_stored);
                }
            }
        }
    }

    /// First and last column, exclusive, outside which nothing of the strip is merged: looked up
    /// on the working copy.
    fn touched_at_most(&self, top: usize, rows: usize) -> Option<(usize, usize)> {
        let (share, factor) = (self.patch.share, self.patch.factor);
        let (first, _) = self.enlarger.rows_at(top);
        let (_, last) = self.enlarger.rows_at(top + rows - 1);
        let mut found: Option<(usize, usize)> = None;
        for y in first..=last {
            let row = share.row(y);
            let Some(first) = row.iter().position(|&s| s >= LEAST_SHARE) else {
                continue;
            };
            let last = row.iter().rposition(|&s| s >= LEAST_SHARE).unwrap_or(first);
            found = Some(found.map_or((first, last), |(a, b)| (a.min(first), b.max(last))));
        }
        // A working pixel has a say in the full pixels of its neighbours; the last one stands for
        // what is left over at the border.
        found.map(|(first, last)| {
            let columns = self.size.columns;
            let right = if last + 2 >= share.columns() {
                columns
            } else {
                (last + 2) * factor
            };
            (first.saturating_sub(1) * factor, right.min(columns))
        })
    }
}

/// Part of a row of one channel.
struct MergedRow<'a> {
    shares: &'a [f32],
    plate: &'a [f32],
    gain: &'a [f32],
    curve: &'a ToneCurve,
}

impl MergedRow<'_> {
    /// Into channel `c` of `count` of the values; `light` is room to work in.
    fn merge_into<T: Copy + Into<u16>>(
        &self,
        values: &mut [T],
        (c, count): (usize, usize),
        light: &mut [f32],
        as_stored: &impl Fn(u16) -> T,
    ) {
        for (light, pixel) in light.iter_mut().zip(values.chunks_exact(count)) {
            *light = self.curve.decode(pixel[c].into() as usize);
        }
        vectorised(
            #[inline(always)]
            || {
                let n = light.len();
                let (shares, plate) = (&self.shares[..n], &self.plate[..n]);
                let gain = &self.gain[..n];
                for (x, light) in light.iter_mut().enumerate() {
                    let relit = (plate[x] + FLARE) * exp(gain[x]) - FLARE;
                    *light += shares[x] * (relit - *light);
                }
            },
        );
        let merged = light.iter().zip(self.shares);
        for (pixel, (&light, &share)) in values.chunks_exact_mut(count).zip(merged) {
            if share >= LEAST_SHARE {
                pixel[c] = as_stored(self.curve.encode(light));
            }
        }
    }
}

/// Columns `from..to` of a strip, within `first..last`, in which something is to be merged; parts
/// close together as one.
fn touched_columns(
    shares: &[f32],
    columns: usize,
    (first, last): (usize, usize),
) -> Vec<(usize, usize)> {
    let mut touched = vec![false; last - first];
    for row in shares.chunks_exact(columns) {
        for (touched, &share) in touched.iter_mut().zip(&row[first..last]) {
            *touched |= share >= LEAST_SHARE;
        }
    }
    let mut parts: Vec<(usize, usize)> = Vec::new();
    for x in (first..last).filter(|&x| touched[x - first]) {
        match parts.last_mut() {
            Some(last) if x < last.1 + LEAST_GAP => last.1 = x + 1,
            _ => parts.push((x, x + 1)),
        }
    }
    parts
}
