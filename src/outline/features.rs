//! What a pixel at or in gear and its surroundings look like, tile by tile.

use super::tile::{Tile, read_colours, share, spread};
use crate::numeric::bundle::Bundle;
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
    /// On which sides pixels are measured.
    pub(super) sides: &'a [Side],
}

impl Sources<'_> {
    fn difference_at(&self, tile: &Tile, x: usize, y: usize) -> f32 {
        *self
            .difference
            .at(tile.around.left + x, tile.around.top + y)
    }
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

/// Spread of colour over a 9 x 9 window from which something is rough.
const ROUGH_SPREAD: f32 = 6.0;

/// Reach of what is beside gear, px.
const BESIDE: usize = 20;

/// Reach of the gear whose tone a pixel is held against, px.
const TONE_REACH: usize = 30;

/// Measures the pixels of a tile that are near the outline of gear.
pub(super) fn measure_tile(sources: &Sources<'_>, tile: Window) -> Vec<Measured> {
    let Some(mut tile) = Tile::read(sources, tile) else {
        return Vec::new();
    };
    let mut wanted = Wanted::of(sources, &tile);
    let Some(part) = wanted.part() else {
        return Vec::new();
    };
    let spread_2 = wanted.add_lit(&mut tile, part);
    wanted.add_beside(&tile, &spread_2, part);
    wanted.add_tone(&tile, part);
    wanted.add_shares(&tile, part);
    let plate = read_colours(sources.plate_seen, tile.around);
    wanted.add_plate(&plate, part);
    wanted.add_change(sources, (&tile, &plate), part);
    wanted.add_wide_change((&tile, &plate), part);
    wanted.told(&tile, sources.gear.columns())
}

/// A pixel that is being measured, in the tile's pixels.
struct Measuring {
    x: usize,
    y: usize,
    side: Side,
    features: PixelFeatures,
}

/// The pixels of a tile that are near the outline of gear.
struct Wanted(Vec<Measuring>);

impl Wanted {
    fn of(sources: &Sources<'_>, tile: &Tile) -> Self {
        let is_near = tile.near_gear();
        let Window { left, top, .. } = tile.around;
        let inner = tile.inner;
        let side = |x: usize, y: usize| {
            if *tile.gear.at(x, y) {
                tile.is_off_rim(x, y).then_some(Side::Inside)
            } else {
                let is_open = *sources.open.at(left + x, top + y);
                (is_open && *is_near.at(x - inner.left, y - inner.top)).then_some(Side::Beside)
            }
        };
        let places =
            (inner.top..inner.bottom).flat_map(|y| (inner.left..inner.right).map(move |x| (x, y)));
        let features = PixelFeatures::default();
        let found = places.filter_map(|(x, y)| {
            let side = side(x, y).filter(|side| sources.sides.contains(side))?;
            Some(Measuring {
                x,
                y,
                side,
                features,
            })
        });
        Self(found.collect())
    }

    /// The smallest window that holds them all.
    fn part(&self) -> Option<Window> {
        let first = self.0.first()?;
        let around = Window {
            left: first.x,
            top: first.y,
            right: first.x + 1,
            bottom: first.y + 1,
        };
        Some(self.0.iter().fold(around, |window, pixel| Window {
            left: window.left.min(pixel.x),
            top: window.top.min(pixel.y),
            right: window.right.max(pixel.x + 1),
            bottom: window.bottom.max(pixel.y + 1),
        }))
    }

    fn each(&mut self, mut add: impl FnMut(&mut PixelFeatures, usize, usize)) {
        for Measuring { x, y, features, .. } in &mut self.0 {
            add(features, *x, *y);
        }
    }

    /// What the lit frame and gear's own shape say; spreads over 5 x 5 pixels around `part`.
    fn add_lit(&mut self, tile: &mut Tile, part: Window) -> Bundle<1> {
        let size = tile.gear.size();
        let near = part.grown(BESIDE, size);
        let means = tile.lit.box_means(2, near);
        let spread_2 = Bundle::from_rows(near, |y, row| {
            for (out, means) in row.iter_mut().zip(means.run(y, near.left..near.right)) {
                *out = [spread(means)];
            }
        });
        let [closest, widest] = [1, 8].map(|reach| tile.lit.box_means(reach, part));
        let Tile {
            lit,
            spread_4,
            distances,
            lines,
            ..
        } = tile;
        self.each(|f, x, y| {
            f.spread_1 = spread(closest.at(x, y));
            f.spread_2 = spread_2.at(x, y)[0];
            f.spread_4 = *spread_4.at(x, y);
            f.spread_8 = spread(widest.at(x, y));
            f.line_spread = lines.at(x, y);
            [f.smooth_distance, f.flat_distance] = *distances.at(x, y);
            let [lightness, a, b, ..] = *lit.at(x, y);
            f.lightness = lightness;
            f.chroma = a.hypot(b);
        });
        spread_2
    }

    /// What is no gear nearby.
    fn add_beside(&mut self, tile: &Tile, spread_2: &Bundle<1>, part: Window) {
        let near = part.grown(BESIDE, tile.gear.size());
        let sums = Bundle::<8>::from_rows(near, |y, row| {
            let columns = near.left..near.right;
            let lit = tile.lit.run(y, columns.clone());
            let spreads = spread_2
                .run(y, columns.clone())
                .iter()
                .zip(&tile.spread_4.row(y)[columns.clone()]);
            let gear = &tile.gear.row(y)[columns];
            for (((out, lit), ([spread_2], spread_4)), gear) in
                row.iter_mut().zip(lit).zip(spreads).zip(gear)
            {
                let weight = 1.0 - share(*gear);
                let [l, a, b, ..] = *lit;
                let values = [1.0, l, a, b, *spread_2, *spread_4, 0.0, 0.0];
                *out = values.map(|value| value * weight);
            }
        });
        let means = sums.box_means(BESIDE, part);
        self.each(|f, x, y| {
            let [weight, l, a, b, spread_2, spread_4, ..] = *means.at(x, y);
            let [l, a, b, spread_2, spread_4] =
                [l, a, b, spread_2, spread_4].map(|sum| weighted(sum, weight));
            let [lightness, own_a, own_b, ..] = *tile.lit.at(x, y);
            f.lightness_from_beside = lightness - l;
            f.a_from_beside = own_a - a;
            f.b_from_beside = own_b - b;
            f.spread_2_from_beside = f.spread_2 / (spread_2 + 0.5);
            f.spread_4_from_beside = f.spread_4 / (spread_4 + 0.5);
        });
    }

    /// The tone of smooth gear nearby.
    fn add_tone(&mut self, tile: &Tile, part: Window) {
        let near = part.grown(TONE_REACH, tile.gear.size());
        let sums = Bundle::<4>::from_rows(near, |y, row| {
            let lit = tile.lit.run(y, near.left..near.right);
            let smooth = &tile.smooth.row(y)[near.left..near.right];
            for ((out, lit), smooth) in row.iter_mut().zip(lit).zip(smooth) {
                let [l, a, b, ..] = *lit;
                *out = [1.0, l, a, b].map(|value| value * share(*smooth));
            }
        });
        let means = sums.box_means(TONE_REACH, part);
        self.each(|f, x, y| {
            let [weight, l, a, b] = *means.at(x, y);
            let [lightness, own_a, own_b, ..] = *tile.lit.at(x, y);
            f.lightness_from_gear = lightness - weighted(l, weight);
            f.a_from_gear = own_a - weighted(a, weight);
            f.b_from_gear = own_b - weighted(b, weight);
        });
    }

    /// How much gear and smooth gear there is around.
    fn add_shares(&mut self, tile: &Tile, part: Window) {
        let size = tile.gear.size();
        let mut add = |mask: &Plane<bool>, reach: usize, of: fn(&mut PixelFeatures) -> &mut f32| {
            let near = part.grown(reach, size);
            let shares = Plane::from_fn(near.size(), |x, y| {
                share(*mask.at(near.left + x, near.top + y))
            });
            let means = box_mean(&shares, reach);
            self.each(|f, x, y| *of(f) = *means.at(x - near.left, y - near.top));
        };
        add(&tile.gear, 4, |f| &mut f.gear_4);
        add(&tile.gear, 12, |f| &mut f.gear_12);
        add(&tile.smooth, 6, |f| &mut f.smooth_6);
        add(&tile.smooth, 16, |f| &mut f.smooth_16);
    }

    fn add_plate(&mut self, plate: &Bundle<8>, part: Window) {
        let mut add = |reach: usize, of: fn(&mut PixelFeatures) -> &mut f32| {
            let means = plate.box_means(reach, part);
            self.each(|f, x, y| *of(f) = spread(means.at(x, y)));
        };
        add(2, |f| &mut f.plate_spread_2);
        add(4, |f| &mut f.plate_spread_4);
        add(8, |f| &mut f.plate_spread_8);
    }

    /// What changed around.
    fn add_change(
        &mut self,
        sources: &Sources<'_>,
        (tile, plate): (&Tile, &Bundle<8>),
        part: Window,
    ) {
        /// Reach of the narrower windows.
        const REACH: usize = 4;
        let near = part.grown(REACH, tile.gear.size());
        let changes = changes(near, (tile, plate), |x, y| {
            sources.difference_at(tile, x, y)
        });
        let means = changes.box_means(REACH, part);
        self.each(|f, x, y| {
            f.difference = sources.difference_at(tile, x, y);
            [
                f.lightness_change_4,
                f.a_change_4,
                f.b_change_4,
                f.difference_4,
            ] = *means.at(x, y);
        });
    }

    /// What changed farther around, and what is rough there beside gear.
    fn add_wide_change(&mut self, (tile, plate): (&Tile, &Bundle<8>), part: Window) {
        /// Reach of the wider windows.
        const REACH: usize = 12;
        let near = part.grown(REACH, tile.gear.size());
        let rough_beside = |x: usize, y: usize| {
            share(*tile.spread_4.at(x, y) > ROUGH_SPREAD && !*tile.gear.at(x, y))
        };
        let means = changes(near, (tile, plate), rough_beside).box_means(REACH, part);
        self.each(|f, x, y| {
            [
                f.lightness_change_12,
                f.a_change_12,
                f.b_change_12,
                f.rough_beside_12,
            ] = *means.at(x, y);
        });
    }

    fn told(self, tile: &Tile, columns: usize) -> Vec<Measured> {
        let Window { left, top, .. } = tile.around;
        let measured = self.0.into_iter().map(|pixel| Measured {
            index: (top + pixel.y) * columns + left + pixel.x,
            side: pixel.side,
            features: pixel.features,
        });
        measured.collect()
    }
}

/// Changes of lightness and colour since the plate, and something else beside.
fn changes(
    window: Window,
    (tile, plate): (&Tile, &Bundle<8>),
    beside: impl Fn(usize, usize) -> f32,
) -> Bundle<4> {
    let columns = window.left..window.right;
    Bundle::from_rows(window, |y, row| {
        let lit = tile.lit.run(y, columns.clone());
        let plate = plate.run(y, columns.clone());
        for (x, ((out, lit), plate)) in columns.clone().zip(row.iter_mut().zip(lit).zip(plate)) {
            *out = [
                lit[0] - plate[0],
                lit[1] - plate[1],
                lit[2] - plate[2],
                beside(x, y),
            ];
        }
    })
}

/// Mean of what a weight counts, from the means of both; 0 where it counts nothing.
fn weighted(sum: f32, weight: f32) -> f32 {
    /// A weight below one pixel of the widest window is none.
    const LEAST: f32 = 1e-4;
    sum / weight.max(LEAST)
}
