//! Writing the patch into the lit frame's samples.

use rayon::prelude::*;

use super::Relight;
use crate::lighting::FLARE;
use crate::numeric::elementary::exp;
use crate::numeric::enlarge::RowEnlarger;
use crate::scene::{CodeValues, Encoding, Plane, Samples, SceneLinear, Window};

/// Shares below this are nothing: half a step of an 8-bit mask.
const LEAST_SHARE: f32 = 0.002;

/// Untouched columns fewer than this are resampled with their neighbours: it costs less than
/// another window.
const LEAST_GAP: usize = 48;

/// Rows that are worked on at once.
const STRIP_ROWS: usize = 32;

/// What is needed to fill the mask at full size.
pub struct Patch<'a> {
    /// Aligned plate at full size for a window, its sky carried along; scene-linear.
    pub plate_window: &'a (dyn Fn(Window) -> SceneLinear + Sync),
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
/// Samples whose mask is 0 are copies of the lit frame's. Alpha is never touched. Works in strips
/// of [`STRIP_ROWS`] rows cut to the mask; holds one copy of the samples and the mask.
pub fn composite(lit: &Samples, encoding: &Encoding, patch: &Patch<'_>) -> (Samples, Plane<u16>) {
    let size = lit.size;
    let mut merged = lit.clone();
    let mut mask = Plane::filled(size, 0u16);
    let stride = size.columns * lit.layout.count();
    let strips: Vec<usize> = (0..size.rows).step_by(STRIP_ROWS).collect();
    match &mut merged.values {
        CodeValues::Eight(values) => values
            .par_chunks_mut(stride * STRIP_ROWS)
            .zip(
                mask.as_mut_slice()
                    .par_chunks_mut(size.columns * STRIP_ROWS),
            )
            .zip(strips)
            .for_each(|((values, mask), top)| {
                let strip = Strip {
                    lit,
                    encoding,
                    patch,
                    top,
                };
                strip.fill(mask, |at, code| values[at] = code.min(255) as u8);
            }),
        CodeValues::Sixteen(values) => values
            .par_chunks_mut(stride * STRIP_ROWS)
            .zip(
                mask.as_mut_slice()
                    .par_chunks_mut(size.columns * STRIP_ROWS),
            )
            .zip(strips)
            .for_each(|((values, mask), top)| {
                let strip = Strip {
                    lit,
                    encoding,
                    patch,
                    top,
                };
                strip.fill(mask, |at, code| values[at] = code);
            }),
    }
    (merged, mask)
}

/// A share as the full-size mask says it: 0 only where nothing is taken.
pub fn mask_value(share: f32) -> u16 {
    if share < LEAST_SHARE {
        0
    } else {
        ((share * 65_535.0 + 0.5) as u16).max(1)
    }
}

struct Strip<'a> {
    lit: &'a Samples,
    encoding: &'a Encoding,
    patch: &'a Patch<'a>,
    top: usize,
}

impl Strip<'_> {
    fn fill(&self, mask: &mut [u16], mut put: impl FnMut(usize, u16)) {
        let columns = self.lit.size.columns;
        let rows = mask.len() / columns;
        let enlarger = RowEnlarger::new(self.patch.share.size(), self.patch.factor, columns);
        let mut shares = vec![0.0f32; mask.len()];
        for (y, shares) in shares.chunks_exact_mut(columns).enumerate() {
            enlarger.row(self.patch.share, self.top + y, shares);
        }
        for (left, right) in touched_columns(&shares, columns) {
            let window = Window {
                left,
                top: self.top,
                right,
                bottom: self.top + rows,
            };
            let plate = (self.patch.plate_window)(window);
            let mut gain = vec![0.0f32; right - left];
            for y in 0..rows {
                let row = y * columns..(y + 1) * columns;
                let shares = &shares[row.clone()][left..right];
                if shares.iter().all(|&s| s < LEAST_SHARE) {
                    continue;
                }
                for (mask, &share) in mask[row][left..right].iter_mut().zip(shares) {
                    *mask = mask_value(share);
                }
                for c in 0..self.lit.layout.colours() {
                    let log_gain = &self.patch.relight.log_gain[c];
                    enlarger.row_from(log_gain, self.top + y, left, &mut gain);
                    let plate = plate.channels[c].row(y);
                    self.merge_row(
                        Row {
                            y,
                            left,
                            channel: c,
                        },
                        shares,
                        plate,
                        &gain,
                        &mut put,
                    );
                }
            }
        }
    }

    fn merge_row(
        &self,
        row: Row,
        shares: &[f32],
        plate: &[f32],
        gain: &[f32],
        put: &mut impl FnMut(usize, u16),
    ) {
        let Row { y, left, channel } = row;
        let curve = &self.encoding.curves[channel];
        let count = self.lit.layout.count();
        for (k, (&share, (&from, &gain))) in shares.iter().zip(plate.iter().zip(gain)).enumerate() {
            if share < LEAST_SHARE {
                continue;
            }
            let x = left + k;
            let relit = (from + FLARE) * exp(gain) - FLARE;
            let kept = curve.decode(self.lit.code(x, self.top + y, channel) as usize);
            let light = kept + share * (relit - kept);
            put(
                (y * self.lit.size.columns + x) * count + channel,
                curve.encode(light),
            );
        }
    }
}

/// Part of a row of one channel, in the strip.
#[derive(Clone, Copy)]
struct Row {
    y: usize,
    left: usize,
    channel: usize,
}

/// Columns `from..to` of a strip in which something is to be merged; parts close together as one.
fn touched_columns(shares: &[f32], columns: usize) -> Vec<(usize, usize)> {
    let mut touched = vec![false; columns];
    for row in shares.chunks_exact(columns) {
        for (touched, &share) in touched.iter_mut().zip(row) {
            *touched |= share >= LEAST_SHARE;
        }
    }
    let mut parts: Vec<(usize, usize)> = Vec::new();
    for x in (0..columns).filter(|&x| touched[x]) {
        match parts.last_mut() {
            Some(last) if x < last.1 + LEAST_GAP => last.1 = x + 1,
            _ => parts.push((x, x + 1)),
        }
    }
    parts
}
