//! Writing the patch into the lit frame's samples.

use rayon::prelude::*;

use super::Relight;
use crate::lighting::FLARE;
use crate::scene::{CodeValues, Encoding, Plane, Samples, SceneLinear, Window};

/// Shares below this are nothing: half a step of an 8-bit mask.
const LEAST_SHARE: f32 = 0.002;

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
        let shares: Vec<f32> = (0..mask.len())
            .map(|i| self.sample(self.patch.share, i % columns, self.top + i / columns))
            .collect();
        let touched = |x: usize| (0..rows).any(|y| shares[y * columns + x] >= LEAST_SHARE);
        let Some(left) = (0..columns).find(|&x| touched(x)) else {
            return;
        };
        let right = (0..columns)
            .rev()
            .find(|&x| touched(x))
            .map_or(left + 1, |x| x + 1);
        let window = Window {
            left,
            top: self.top,
            right,
            bottom: self.top + rows,
        };
        let plate = (self.patch.plate_window)(window);
        let colours = self.lit.layout.colours();
        let count = self.lit.layout.count();
        for y in 0..rows {
            for x in left..right {
                let share = shares[y * columns + x];
                if share < LEAST_SHARE {
                    continue;
                }
                mask[y * columns + x] = ((share * 65_535.0 + 0.5) as u16).max(1);
                for c in 0..colours {
                    let gain = self.sample(&self.patch.relight.log_gain[c], x, self.top + y);
                    let from = *plate.channels[c].at(x - left, y);
                    let relit = (from + FLARE) * gain.exp() - FLARE;
                    let curve = &self.encoding.curves[c];
                    let kept = curve.decode(self.lit.code(x, self.top + y, c) as usize);
                    let light = kept + share * (relit - kept);
                    put((y * columns + x) * count + c, curve.encode(light));
                }
            }
        }
    }

    /// Bilinear value of a working plane at a full-size pixel.
    fn sample(&self, plane: &Plane<f32>, x: usize, y: usize) -> f32 {
        let factor = self.patch.factor;
        if factor == 1 {
            return *plane.at(x.min(plane.columns() - 1), y.min(plane.rows() - 1));
        }
        let place = |i: usize, limit: usize| {
            let p = ((i as f32 + 0.5) / factor as f32 - 0.5).clamp(0.0, (limit - 1) as f32);
            let low = (p as usize).min(limit.saturating_sub(2));
            (low, (low + 1).min(limit - 1), p - low as f32)
        };
        let (l, r, u) = place(x, plane.columns());
        let (t, b, v) = place(y, plane.rows());
        let up = plane.at(l, t) + u * (plane.at(r, t) - plane.at(l, t));
        let down = plane.at(l, b) + u * (plane.at(r, b) - plane.at(l, b));
        up + v * (down - up)
    }
}
