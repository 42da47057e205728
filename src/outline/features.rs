//! What a pixel at or in gear and its surroundings look like, tile by tile.

use crate::numeric::filter::box_mean;
use crate::scene::{Perceived, Plane, Window};

/// Declares the features once: struct, names and row.
macro_rules! pixel_features {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {
        /// What is measured of a pixel. Lightness, colours and differences are in CIELAB and CIE94
        /// units, distances in px of the working copy, shares 0..1; a number in a name is the reach
        /// of a square window, px each way. *Spread* is the standard deviation of colour there.
        #[derive(Debug, Clone, Copy, PartialEq, Default)]
        pub struct PixelFeatures {
            $($(#[$doc])* pub $name: f32,)+
        }

        /// Names of the features, in the order of [`PixelFeatures::to_row`].
        pub const PIXEL_FEATURE_NAMES: &[&str] = &[$(stringify!($name)),+];

        impl PixelFeatures {
            /// All features, in the order of [`PIXEL_FEATURE_NAMES`].
            pub fn to_row(&self) -> [f32; PIXEL_FEATURE_COUNT] {
                [$(self.$name),+]
            }
        }
    };
}

/// How many features there are.
pub const PIXEL_FEATURE_COUNT: usize = 33;

pixel_features! {
    /// Of the lit frame.
    spread_1,
    /// Of the lit frame.
    spread_2,
    /// Of the lit frame.
    spread_4,
    /// Of the lit frame.
    spread_8,
    /// Of the plate.
    plate_spread_2,
    /// Of the plate.
    plate_spread_4,
    /// Of the plate.
    plate_spread_8,
    /// Spread of lightness along the smoothest straight line through the pixel.
    line_spread,
    /// From the nearest smooth gear.
    smooth_distance,
    /// From the nearest gear that is smooth all around.
    flat_distance,
    /// Share of gear.
    gear_4,
    /// Share of gear.
    gear_12,
    /// Share of smooth gear.
    smooth_6,
    /// Share of smooth gear.
    smooth_16,
    /// Share of what is rough in the lit frame and no gear.
    rough_beside_12,
    /// Lightness above that of what is no gear nearby.
    lightness_from_beside,
    /// The same of green to red.
    a_from_beside,
    /// The same of blue to yellow.
    b_from_beside,
    /// Spread beside that of what is no gear nearby.
    spread_2_from_beside,
    /// The same, wider.
    spread_4_from_beside,
    /// From the relit plate.
    difference,
    /// From the relit plate, mean.
    difference_4,
    /// Mean change of lightness.
    lightness_change_4,
    /// Mean change of green to red.
    a_change_4,
    /// Mean change of blue to yellow.
    b_change_4,
    /// Mean change of lightness.
    lightness_change_12,
    /// Mean change of green to red.
    a_change_12,
    /// Mean change of blue to yellow.
    b_change_12,
    /// Lightness above that of smooth gear nearby.
    lightness_from_gear,
    /// The same of green to red.
    a_from_gear,
    /// The same of blue to yellow.
    b_from_gear,
    /// Lightness of the lit frame.
    lightness,
    /// Chroma of the lit frame.
    chroma,
}

/// Planes of the working copy that pixels are measured in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sources<'a> {
    pub(super) lit_seen: &'a Perceived,
    pub(super) plate_seen: &'a Perceived,
    pub(super) difference: &'a Plane<f32>,
    pub(super) gear: &'a Plane<bool>,
    /// What changed and is neither gear nor, for all that is known, the person.
    pub(super) open: &'a Plane<bool>,
}

/// On which side of gear's outline a pixel is taken to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// It counts as gear, and is not at the rim of something smooth.
    Inside,
    /// It is near gear and changed, and counts as something else.
    Beside,
}

/// A pixel near the outline of gear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Its index in the frame.
    pub index: usize,
    /// Where it is taken to be.
    pub side: Side,
    /// What it looks like.
    pub features: PixelFeatures,
}

/// Side of the tiles that are measured at a time, px: what a tile holds stays near the processor.
pub(super) const TILE: usize = 192;

/// What a tile reads beyond its rim, px: the reach of the widest window and a line's half length.
pub(super) const MARGIN: usize = 40;

/// Spread of colour over a 9 x 9 window up to which gear counts as flat: cloth, paint and metal, with
/// noise and a slow gradient; leaves and grass have three times as much.
const FLAT_SPREAD: f32 = 4.0;

/// Spread of lightness along a line up to which gear counts as smooth: the length of a pole or strut.
const SMOOTH_LINE: f32 = 2.0;

/// Spread of colour over a 9 x 9 window from which something is rough.
const ROUGH_SPREAD: f32 = 6.0;

/// Directions of the lines.
const DIRECTIONS: usize = 16;

/// Points of a line, and the step between them, px: 21 px in all, longer than most leaves.
const LINE_POINTS: usize = 11;
const LINE_STEP: f32 = 2.0;

/// Farther than this no distance is told, px.
const FAR: f32 = MARGIN as f32;

/// Nearer to smooth gear than this a pixel is its rim and needs no measuring, px: the blur of the
/// frames as seen, and half the window that tells smoothness.
pub(super) const RIM: f32 = 2.0;

/// A tile of the frame with its margin, measured.
struct Tile {
    lit: [Plane<f32>; 3],
    gear: Plane<f32>,
    smooth: Plane<f32>,
    smooth_distance: Plane<f32>,
    flat_distance: Plane<f32>,
    spreads: [Plane<f32>; 4],
    lines: [Line; DIRECTIONS],
}

/// Measures the pixels of a tile that are near the outline of gear.
pub(super) fn measure_tile(sources: &Sources<'_>, tile: Window) -> Vec<Measured> {
    let frame = sources.gear.size();
    let around = tile.grown(MARGIN, frame);
    let part = read_tile(sources, around);
    let near_gear = box_mean(&part.gear, MARGIN);
    let side = |x: usize, y: usize| {
        let (tx, ty) = (x - around.left, y - around.top);
        if *sources.gear.at(x, y) {
            (*part.smooth_distance.at(tx, ty) > RIM).then_some(Side::Inside)
        } else {
            (*sources.open.at(x, y) && *near_gear.at(tx, ty) > 0.0).then_some(Side::Beside)
        }
    };
    let wanted: Vec<(usize, usize, Side)> = (tile.top..tile.bottom)
        .flat_map(|y| (tile.left..tile.right).map(move |x| (x, y)))
        .filter_map(|(x, y)| side(x, y).map(|side| (x, y, side)))
        .collect();
    if wanted.is_empty() {
        return Vec::new();
    }
    let context = Context::of(sources, &part, around);
    wanted
        .into_iter()
        .map(|(x, y, side)| Measured {
            index: y * frame.columns + x,
            side,
            features: context.features(&part, x - around.left, y - around.top),
        })
        .collect()
}

fn cropped(plane: &Plane<f32>, window: Window) -> Plane<f32> {
    Plane::from_fn(window.size(), |x, y| {
        *plane.at(window.left + x, window.top + y)
    })
}

fn planes_of(picture: &Perceived, window: Window) -> [Plane<f32>; 3] {
    [&picture.lightness, &picture.a, &picture.b].map(|plane| cropped(plane, window))
}

/// Standard deviation of colour over a window.
fn spread(planes: &[Plane<f32>; 3], reach: usize) -> Plane<f32> {
    let [l, a, b] = planes.each_ref().map(|plane| {
        let mean = box_mean(plane, reach);
        let square = box_mean(&plane.map(|v| v * v), reach);
        mean.zip(&square, |m, s| (s - m * m).max(0.0))
    });
    l.zip(&a, |l, a| l + a).zip(&b, |s, b| (s + b).sqrt())
}

fn share(mask: &Plane<bool>) -> Plane<f32> {
    mask.map(|&m| if m { 1.0 } else { 0.0 })
}

fn read_tile(sources: &Sources<'_>, around: Window) -> Tile {
    let size = around.size();
    let lit = planes_of(sources.lit_seen, around);
    let spreads = [1, 2, 4, 8].map(|reach| spread(&lit, reach));
    let gear = Plane::from_fn(size, |x, y| {
        *sources.gear.at(around.left + x, around.top + y)
    });
    let flat = gear.zip(&spreads[2], |&g, &s| g && s < FLAT_SPREAD);
    let lines = lines();
    let smooth = Plane::from_fn(size, |x, y| {
        let is_smooth = || line_spread(&lit[0], (x, y), &lines) < SMOOTH_LINE;
        *flat.at(x, y) || (*gear.at(x, y) && is_smooth())
    });
    Tile {
        lit,
        gear: share(&gear),
        smooth_distance: distance_to(&smooth),
        smooth: share(&smooth),
        lines,
        flat_distance: distance_to(&flat),
        spreads,
    }
}

/// Steps along a straight line, px.
type Line = [(i32, i32); LINE_POINTS];

/// Straight lines through a pixel, evenly around.
fn lines() -> [Line; DIRECTIONS] {
    std::array::from_fn(|direction| {
        let angle = direction as f32 * std::f32::consts::PI / DIRECTIONS as f32;
        std::array::from_fn(|point| {
            let along = LINE_STEP * (point as f32 - (LINE_POINTS / 2) as f32);
            let [x, y] = [along * angle.cos(), along * angle.sin()];
            (x.round() as i32, y.round() as i32)
        })
    })
}

/// Standard deviation of lightness along the smoothest of the lines through a pixel.
fn line_spread(lightness: &Plane<f32>, (x, y): (usize, usize), lines: &[Line]) -> f32 {
    let last = |extent: usize| extent as i32 - 1;
    let (right, bottom) = (last(lightness.columns()), last(lightness.rows()));
    let mut least = f32::INFINITY;
    for line in lines {
        let (mut sum, mut squares) = (0.0f32, 0.0f32);
        for (dx, dy) in line {
            let column = (x as i32 + dx).clamp(0, right) as usize;
            let row = (y as i32 + dy).clamp(0, bottom) as usize;
            let value = lightness.at(column, row);
            sum += value;
            squares += value * value;
        }
        let mean = sum / LINE_POINTS as f32;
        least = least.min(squares / LINE_POINTS as f32 - mean * mean);
    }
    least.max(0.0).sqrt()
}

/// Distance to the nearest pixel of `mask`, px, by two passes with steps to all eight neighbours.
fn distance_to(mask: &Plane<bool>) -> Plane<f32> {
    /// Length of a step along a diagonal.
    const DIAGONAL: f32 = std::f32::consts::SQRT_2;
    let size = mask.size();
    let mut out = mask.map(|&m| if m { 0.0f32 } else { FAR });
    let mut relax = |x: usize, y: usize, steps: [(i32, i32, f32); 4]| {
        let mut best = *out.at(x, y);
        for (dx, dy, length) in steps {
            let (nx, ny) = (x as i32 + dx, y as i32 + dy);
            let inside = nx >= 0 && ny >= 0 && nx < size.columns as i32 && ny < size.rows as i32;
            if inside {
                best = best.min(out.at(nx as usize, ny as usize) + length);
            }
        }
        out.set(x, y, best);
    };
    let before = [
        (-1, 0, 1.0),
        (0, -1, 1.0),
        (-1, -1, DIAGONAL),
        (1, -1, DIAGONAL),
    ];
    let behind = before.map(|(dx, dy, length)| (-dx, -dy, length));
    for y in 0..size.rows {
        for x in 0..size.columns {
            relax(x, y, before);
        }
    }
    for y in (0..size.rows).rev() {
        for x in (0..size.columns).rev() {
            relax(x, y, behind);
        }
    }
    out
}

/// Planes of a tile's surroundings.
struct Context {
    plate_spreads: [Plane<f32>; 3],
    gear: [Plane<f32>; 2],
    smooth: [Plane<f32>; 2],
    rough_beside: Plane<f32>,
    beside: [Plane<f32>; 3],
    spreads_beside: [Plane<f32>; 2],
    of_gear: [Plane<f32>; 3],
    difference: Plane<f32>,
    difference_4: Plane<f32>,
    change_4: [Plane<f32>; 3],
    change_12: [Plane<f32>; 3],
}

/// Reach of what is beside gear, px.
const BESIDE: usize = 20;

/// Reach of the gear whose tone a pixel is held against, px.
const TONE_REACH: usize = 30;

impl Context {
    fn of(sources: &Sources<'_>, part: &Tile, around: Window) -> Self {
        let plate = planes_of(sources.plate_seen, around);
        let difference = cropped(sources.difference, around);
        let no_gear = part.gear.map(|g| 1.0 - g);
        let rough = part.spreads[2].zip(&no_gear, |&s, &n| if s > ROUGH_SPREAD { n } else { 0.0 });
        let change: [Plane<f32>; 3] =
            std::array::from_fn(|c| part.lit[c].zip(&plate[c], |l, p| l - p));
        Self {
            plate_spreads: [2, 4, 8].map(|reach| spread(&plate, reach)),
            gear: [4, 12].map(|reach| box_mean(&part.gear, reach)),
            smooth: [6, 16].map(|reach| box_mean(&part.smooth, reach)),
            rough_beside: box_mean(&rough, 12),
            beside: part.lit.each_ref().map(|l| mean_where(l, &no_gear, BESIDE)),
            spreads_beside: [1, 2].map(|i: usize| mean_where(&part.spreads[i], &no_gear, BESIDE)),
            of_gear: part
                .lit
                .each_ref()
                .map(|l| mean_where(l, &part.smooth, TONE_REACH)),
            difference_4: box_mean(&difference, 4),
            difference,
            change_4: change.each_ref().map(|c| box_mean(c, 4)),
            change_12: change.each_ref().map(|c| box_mean(c, 12)),
        }
    }

    fn features(&self, part: &Tile, x: usize, y: usize) -> PixelFeatures {
        let at = |plane: &Plane<f32>| *plane.at(x, y);
        let [lightness, a, b] = part.lit.each_ref().map(at);
        let ratio = |i: usize| at(&part.spreads[i + 1]) / (at(&self.spreads_beside[i]) + 0.5);
        PixelFeatures {
            spread_1: at(&part.spreads[0]),
            spread_2: at(&part.spreads[1]),
            spread_4: at(&part.spreads[2]),
            spread_8: at(&part.spreads[3]),
            plate_spread_2: at(&self.plate_spreads[0]),
            plate_spread_4: at(&self.plate_spreads[1]),
            plate_spread_8: at(&self.plate_spreads[2]),
            line_spread: line_spread(&part.lit[0], (x, y), &part.lines),
            smooth_distance: at(&part.smooth_distance),
            flat_distance: at(&part.flat_distance),
            gear_4: at(&self.gear[0]),
            gear_12: at(&self.gear[1]),
            smooth_6: at(&self.smooth[0]),
            smooth_16: at(&self.smooth[1]),
            rough_beside_12: at(&self.rough_beside),
            lightness_from_beside: lightness - at(&self.beside[0]),
            a_from_beside: a - at(&self.beside[1]),
            b_from_beside: b - at(&self.beside[2]),
            spread_2_from_beside: ratio(0),
            spread_4_from_beside: ratio(1),
            difference: at(&self.difference),
            difference_4: at(&self.difference_4),
            lightness_change_4: at(&self.change_4[0]),
            a_change_4: at(&self.change_4[1]),
            b_change_4: at(&self.change_4[2]),
            lightness_change_12: at(&self.change_12[0]),
            a_change_12: at(&self.change_12[1]),
            b_change_12: at(&self.change_12[2]),
            lightness_from_gear: lightness - at(&self.of_gear[0]),
            a_from_gear: a - at(&self.of_gear[1]),
            b_from_gear: b - at(&self.of_gear[2]),
            lightness,
            chroma: a.hypot(b),
        }
    }
}

/// Mean of `plane` over the pixels of a window that `weight` counts; 0 where there are none.
fn mean_where(plane: &Plane<f32>, weight: &Plane<f32>, reach: usize) -> Plane<f32> {
    /// A weight below one pixel of the widest window is none.
    const LEAST: f32 = 1e-4;
    let sum = box_mean(&plane.zip(weight, |v, w| v * w), reach);
    sum.zip(&box_mean(weight, reach), |s, w| s / w.max(LEAST))
}
