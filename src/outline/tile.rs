//! A tile of the frame and what is told of all its pixels: where gear is, where it is smooth, how far
//! that is.

use super::features::Sources;
use super::lines::SmoothestLines;
use crate::numeric::bundle::Bundle;
use crate::scene::{Perceived, Plane, Size, Window};
use crate::vectors::vectorised;

/// Side of the tiles that are measured at a time, px: what a tile holds stays near the processor.
pub(super) const TILE: usize = 192;

/// What a tile reads beyond its rim, px: the reach of the widest window and a line's half length.
pub(super) const MARGIN: usize = 40;

/// Spread of colour over a 9 x 9 window up to which gear counts as flat: cloth, paint and metal, with
/// noise and a slow gradient; leaves and grass have three times as much.
const FLAT_SPREAD: f32 = 4.0;

/// Spread of lightness along a line up to which gear counts as smooth: the length of a pole or strut.
const SMOOTH_LINE: f32 = 2.0;

/// Farther than this no distance is told, px.
const FAR: f32 = MARGIN as f32;

/// Nearer to smooth gear than this a pixel is its rim and needs no measuring, px: the blur of the
/// frames as seen, and half the window that tells smoothness.
const RIM: f32 = 2.0;

/// A tile with [`MARGIN`] around it. All but `around` is in pixels of the two together.
pub(super) struct Tile {
    /// Where in the frame it lies, with its margin.
    pub(super) around: Window,
    /// The tile alone.
    pub(super) inner: Window,
    /// The lit frame, as [`read_colours`] has it.
    pub(super) lit: Bundle<8>,
    /// [`spread`] over 9 x 9 pixels of it.
    pub(super) spread_4: Plane<f32>,
    pub(super) gear: Plane<bool>,
    /// Gear that is smooth along a line at least.
    pub(super) smooth: Plane<bool>,
    /// To the nearest smooth gear, and to the nearest that is smooth all around, px.
    pub(super) distances: Plane<[f32; 2]>,
    /// Of the lit frame's lightness.
    pub(super) lines: SmoothestLines,
}

impl Tile {
    /// Nothing where there is no gear.
    pub(super) fn read(sources: &Sources<'_>, tile: Window) -> Option<Self> {
        let around = tile.grown(MARGIN, sources.gear.size());
        let size = around.size();
        let gear = Plane::from_fn(size, |x, y| {
            *sources.gear.at(around.left + x, around.top + y)
        });
        if !gear.as_slice().contains(&true) {
            return None;
        }
        let lit = read_colours(sources.lit_seen, around);
        let means = lit.box_means(4, whole(size));
        let spread_4 = Plane::from_fn(size, |x, y| spread(means.at(x, y)));
        drop(means);
        let flat = gear.zip(&spread_4, |&g, &s| g && s < FLAT_SPREAD);
        let mut lines = SmoothestLines::through(size, |x, y| lit.at(x, y)[0]);
        let mut smooth = flat.clone();
        for (y, x) in (0..size.rows).flat_map(|y| (0..size.columns).map(move |x| (y, x))) {
            if *gear.at(x, y) && !*flat.at(x, y) {
                smooth.set(x, y, lines.at(x, y) < SMOOTH_LINE);
            }
        }
        Some(Self {
            around,
            inner: Window {
                left: tile.left - around.left,
                top: tile.top - around.top,
                right: tile.right - around.left,
                bottom: tile.bottom - around.top,
            },
            lit,
            spread_4,
            distances: distances_to(&smooth, &flat),
            gear,
            smooth,
            lines,
        })
    }

    /// The tile alone: is there gear within [`MARGIN`] rows and columns of a pixel?
    pub(super) fn near_gear(&self) -> Plane<bool> {
        let Self { inner, gear, .. } = self;
        let size = gear.size();
        let mut out = Plane::filled(inner.size(), false);
        // Gear in each column, from MARGIN above a row to MARGIN below.
        let mut counts = vec![0u16; size.columns];
        let mut next = 0;
        for y in inner.top..inner.bottom {
            while next < (y + MARGIN + 1).min(size.rows) {
                for (count, &gear) in counts.iter_mut().zip(gear.row(next)) {
                    *count += u16::from(gear);
                }
                next += 1;
            }
            if let Some(left) = y.checked_sub(MARGIN + 1) {
                for (count, &gear) in counts.iter_mut().zip(gear.row(left)) {
                    *count -= u16::from(gear);
                }
            }
            // The nearest column with gear so far; from the left, then from the right.
            let out = out.row_mut(y - inner.top);
            let mut nearest = None;
            for (x, &count) in counts.iter().enumerate().take(inner.right) {
                nearest = if count > 0 { Some(x) } else { nearest };
                if x >= inner.left {
                    out[x - inner.left] = nearest.is_some_and(|at| x - at <= MARGIN);
                }
            }
            let mut nearest = None;
            for (x, &count) in counts.iter().enumerate().skip(inner.left).rev() {
                nearest = if count > 0 { Some(x) } else { nearest };
                if x < inner.right {
                    out[x - inner.left] |= nearest.is_some_and(|at| at - x <= MARGIN);
                }
            }
        }
        out
    }

    /// Is a pixel farther than [`RIM`] from smooth gear?
    pub(super) fn is_off_rim(&self, x: usize, y: usize) -> bool {
        self.distances.at(x, y)[0] > RIM
    }
}

fn whole(size: Size) -> Window {
    Window {
        left: 0,
        top: 0,
        right: size.columns,
        bottom: size.rows,
    }
}

/// Lightness, a and b of a window of a picture, then their squares; in the window's pixels.
pub(super) fn read_colours(picture: &Perceived, window: Window) -> Bundle<8> {
    let columns = window.left..window.right;
    Bundle::from_rows(whole(window.size()), |y, row| {
        let [lightness, a, b] = [&picture.lightness, &picture.a, &picture.b]
            .map(|plane| &plane.row(window.top + y)[columns.clone()]);
        for (out, ((&l, &a), &b)) in row.iter_mut().zip(lightness.iter().zip(a).zip(b)) {
            *out = [l, a, b, l * l, a * a, b * b, 0.0, 0.0];
        }
    })
}

/// Standard deviation of colour, from the means of what [`read_colours`] has.
#[inline]
pub(super) fn spread(&[l, a, b, l_squared, a_squared, b_squared, ..]: &[f32; 8]) -> f32 {
    let variance = |mean: f32, squared: f32| (squared - mean * mean).max(0.0);
    (variance(l, l_squared) + variance(a, a_squared) + variance(b, b_squared)).sqrt()
}

pub(super) fn share(is: bool) -> f32 {
    if is { 1.0 } else { 0.0 }
}

/// Distances to the nearest pixel of each mask, px, by two passes with steps to all eight neighbours.
fn distances_to(one: &Plane<bool>, other: &Plane<bool>) -> Plane<[f32; 2]> {
    let from = |&is: &bool| if is { 0.0 } else { FAR };
    let mut out = one.zip(other, |one, other| [from(one), from(other)]);
    let columns = out.columns();
    let rows = out.as_mut_slice();
    for y in 0..one.rows() {
        let (done, row) = rows.split_at_mut(y * columns);
        let row = &mut row[..columns];
        vectorised(
            #[inline(always)]
            || {
                if y > 0 {
                    step_down(&done[(y - 1) * columns..], row);
                }
                let mut last = [FAR; 2];
                for value in row {
                    last = nearer(*value, last, 1.0);
                    *value = last;
                }
            },
        );
    }
    for y in (0..one.rows()).rev() {
        let (row, done) = rows[y * columns..].split_at_mut(columns);
        vectorised(
            #[inline(always)]
            || {
                if !done.is_empty() {
                    step_down(&done[..columns], row);
                }
                let mut last = [FAR; 2];
                for value in row.iter_mut().rev() {
                    last = nearer(*value, last, 1.0);
                    *value = last;
                }
            },
        );
    }
    out
}

/// Steps from a row's pixels straight and aslant to the next row.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn step_down(from: &[[f32; 2]], to: &mut [[f32; 2]]) {
    /// Length of a step along a diagonal.
    const DIAGONAL: f32 = std::f32::consts::SQRT_2;
    let columns = to.len();
    for (to, from) in to.iter_mut().zip(from) {
        *to = nearer(*to, *from, 1.0);
    }
    for (to, from) in to[1..].iter_mut().zip(from) {
        *to = nearer(*to, *from, DIAGONAL);
    }
    for (to, from) in to.iter_mut().zip(&from[1..columns]) {
        *to = nearer(*to, *from, DIAGONAL);
    }
}

#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn nearer([one, other]: [f32; 2], from: [f32; 2], length: f32) -> [f32; 2] {
    [one.min(from[0] + length), other.min(from[1] + length)]
}
