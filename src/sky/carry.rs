//! Carrying the plate's sky along its drift.

use rayon::prelude::*;

use crate::numeric::filter::gaussian;
use crate::numeric::mixture::{MIXED_REACH, Mixture};
use crate::numeric::pull_push;
use crate::numeric::spans::{Run, Spans};
use crate::scene::{Plane, Point, SceneLinear, Size};

use super::Drift;

/// Blur of the sky's mask, px: a pixel is sky all around where it stays full.
const RIM_SIGMA: f32 = 1.0;

/// Blurred, the mask is full from here on.
const FULL: f32 = 0.995;

/// The colour of what stands before the sky is looked for this far, px.
const GROUND_REACH: usize = 4;

/// How the light of a registered plate changes when its sky moves to where the lit frame's is.
///
/// A pixel at the edge of a leaf shows part leaf, part sky: it gains that part of what the sky
/// gains, or each leaf would keep a halo of the sky that was behind it.
#[derive(Debug, Clone)]
pub struct SkyChange {
    near: Spans,
    /// What the pixels of `near` gain, by row.
    rows: Vec<Vec<Gain>>,
}

/// What a pixel gains.
#[derive(Debug, Clone, Copy)]
struct Gain {
    /// Were it nothing but sky; scene-linear.
    light: [f32; 3],
    /// How much sky it is.
    share: Mixture,
}

/// A [`SkyChange`] as planes, to be enlarged.
#[derive(Debug)]
pub struct SkyChangePlanes {
    /// What pure sky gains a channel, scene-linear, and the share of sky in a pixel: a factor for
    /// each channel's light, and what is added.
    planes: [Plane<f32>; 7],
}

impl SkyChangePlanes {
    /// The planes, all of one size.
    pub fn planes(&self) -> &[Plane<f32>; 7] {
        &self.planes
    }

    /// Light of a pixel, scene-linear, once its sky was carried along; `values` are those of the
    /// planes there.
    #[inline]
    pub fn carried(light: [f32; 3], values: [f32; 7]) -> [f32; 3] {
        let [r, g, b, slope_r, slope_g, slope_b, offset] = values;
        let share = Mixture {
            slope: [slope_r, slope_g, slope_b],
            offset,
        };
        let gain = Gain {
            light: [r, g, b],
            share,
        };
        gain.on(light)
    }
}

impl Gain {
    #[inline]
    fn on(self, light: [f32; 3]) -> [f32; 3] {
        let share = self.share.share(light);
        std::array::from_fn(|c| (light[c] + share * self.light[c]).max(0.0))
    }
}

impl SkyChange {
    /// Of a registered plate with open sky where `sky` says; none where nothing moved.
    ///
    /// What the drift brings in from behind roofs or from outside the frame is filled smoothly from
    /// the sky around. Holds two pictures.
    #[must_use]
    pub fn of(plate: &SceneLinear, sky: &Plane<bool>, drift: &Drift) -> Option<Self> {
        if drift.motion == Drift::none().motion {
            return None;
        }
        let back = drift.motion.inverse()?;
        let weight = sky.map(|&s| if s { 1.0f32 } else { 0.0 });
        // Only pixels that are sky all around may lend their colour: rims are mixed with leaf or roof.
        let inner = gaussian(&weight, RIM_SIGMA).map(|&w| f32::from(u8::from(w > FULL)));
        let layers: [Plane<f32>; 3] =
            std::array::from_fn(|c| pull_push::fill(&plate.channels[c], &inner));
        let near = Spans::of_mask(sky).grown(MIXED_REACH);
        let mixtures = Mixtures::of(plate, &layers, (sky, &near));
        let gain = |x: usize, y: usize| {
            let from = back.apply(Point {
                x: x as f64,
                y: y as f64,
            });
            let moved = bilinear(&layers, from);
            let light = std::array::from_fn(|c| moved[c] - layers[c].at(x, y));
            let share = if *inner.at(x, y) > 0.0 {
                Mixture::fixed(1.0)
            } else {
                mixtures.at(x, y)
            };
            Gain { light, share }
        };
        let rows = (0..sky.rows()).into_par_iter().map(|y| {
            let along = |run: &Run| run.from..run.to;
            let columns = near.row(y).iter().flat_map(along);
            columns.map(|x| gain(x, y)).collect()
        });
        let rows = rows.collect();
        Some(Self { near, rows })
    }

    /// Carries the sky of the plate that this was worked out for.
    pub fn apply(&self, plate: &mut SceneLinear) {
        plate.for_each_row(|y, [red, green, blue]| {
            for (x, gain) in self.along(y) {
                let light = gain.on([red[x], green[x], blue[x]]);
                [red[x], green[x], blue[x]] = light;
            }
        });
    }

    /// As planes that are 0 where nothing changes.
    #[must_use]
    pub fn planes(&self) -> SkyChangePlanes {
        let size = self.near.size();
        let mut planes: [Plane<f32>; 7] = std::array::from_fn(|_| Plane::filled(size, 0.0));
        for y in 0..size.rows {
            for (x, Gain { light, share }) in self.along(y) {
                let values = light.into_iter().chain(share.slope).chain([share.offset]);
                for (plane, value) in planes.iter_mut().zip(values) {
                    plane.set(x, y, value);
                }
            }
        }
        SkyChangePlanes { planes }
    }

    fn along(&self, y: usize) -> impl Iterator<Item = (usize, Gain)> {
        let columns = self.near.row(y).iter().flat_map(|run| run.from..run.to);
        columns.zip(self.rows[y].iter().copied())
    }
}

/// How pixels at the sky's rim are mixed.
struct Mixtures<'a> {
    plate: &'a SceneLinear,
    layers: &'a [Plane<f32>; 3],
    sky: &'a Plane<bool>,
    /// Squared distance of light to the sky behind; below 0 where there is sky or nothing is asked.
    apart: Plane<f32>,
}

impl<'a> Mixtures<'a> {
    fn of(
        plate: &'a SceneLinear,
        layers: &'a [Plane<f32>; 3],
        (sky, near): (&'a Plane<bool>, &Spans),
    ) -> Self {
        let mut apart = Plane::filled(sky.size(), -1.0f32);
        near.grown(GROUND_REACH).fill(&mut apart, |y, run, out| {
            for (x, out) in (run.from..run.to).zip(out) {
                if !*sky.at(x, y) {
                    let pairs = plate.channels.iter().zip(layers);
                    *out = pairs.map(|(v, s)| (v.at(x, y) - s.at(x, y)).powi(2)).sum();
                }
            }
        });
        Self {
            plate,
            layers,
            sky,
            apart,
        }
    }

    /// Between the sky behind and what is least like it around.
    fn at(&self, x: usize, y: usize) -> Mixture {
        let unknown = if *self.sky.at(x, y) {
            Mixture::fixed(1.0)
        } else {
            Mixture::fixed(0.0)
        };
        let Some((gx, gy)) = self.ground_near(x, y) else {
            return unknown;
        };
        let ground = self.plate.channels.each_ref().map(|c| *c.at(gx, gy));
        let behind = self.layers.each_ref().map(|c| *c.at(x, y));
        Mixture::between(ground, behind).unwrap_or(unknown)
    }

    fn ground_near(&self, x: usize, y: usize) -> Option<(usize, usize)> {
        let Size { columns, rows } = self.apart.size();
        let from = x.saturating_sub(GROUND_REACH);
        let to = (x + GROUND_REACH + 1).min(columns);
        let (mut most, mut found) = (0.0f32, None);
        for gy in y.saturating_sub(GROUND_REACH)..(y + GROUND_REACH + 1).min(rows) {
            for (gx, &apart) in (from..to).zip(&self.apart.row(gy)[from..to]) {
                if apart > most {
                    (most, found) = (apart, Some((gx, gy)));
                }
            }
        }
        found
    }
}

/// Bilinear values; places outside take the nearest border's.
fn bilinear(planes: &[Plane<f32>; 3], at: Point) -> [f32; 3] {
    let (columns, rows) = (planes[0].columns(), planes[0].rows());
    let x = at.x.clamp(0.0, (columns - 1) as f64);
    let y = at.y.clamp(0.0, (rows - 1) as f64);
    let (l, t) = (x as usize, y as usize);
    let (r, b) = ((l + 1).min(columns - 1), (t + 1).min(rows - 1));
    let (u, v) = ((x - l as f64) as f32, (y - t as f64) as f32);
    planes.each_ref().map(|plane| {
        let (above, below) = (plane.row(t), plane.row(b));
        let up = above[l] + u * (above[r] - above[l]);
        let down = below[l] + u * (below[r] - below[l]);
        up + v * (down - up)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Homography;

    const SIZE: Size = Size {
        columns: 120,
        rows: 60,
    };
    const LEAF: [f32; 3] = [0.03, 0.06, 0.02];
    /// Columns of a leaf; the one before it is half leaf, half sky.
    const LEAF_FROM: usize = 60;
    const LEAF_TO: usize = 66;

    /// A sky that brightens to the right, a step a column.
    fn sky_light(x: f32) -> [f32; 3] {
        [0.2, 0.35, 0.6].map(|v| v * (1.0 + 0.01 * x))
    }

    /// A leaf before that sky, which was moved so many columns.
    fn leaf_before_sky(moved: f32) -> SceneLinear {
        let channels = std::array::from_fn(|c| {
            Plane::from_fn(SIZE, |x, _| {
                let sky = sky_light(x as f32 - moved)[c];
                match x {
                    LEAF_FROM..LEAF_TO => LEAF[c],
                    x if x + 1 == LEAF_FROM => 0.5 * (LEAF[c] + sky),
                    _ => sky,
                }
            })
        });
        SceneLinear { channels }
    }

    fn open_sky() -> Plane<bool> {
        Plane::from_fn(SIZE, |x, _| !(LEAF_FROM - 1..LEAF_TO).contains(&x))
    }

    fn change() -> SkyChange {
        let drift = Drift {
            motion: Homography::shift(10.0, 0.0),
            ..Drift::none()
        };
        SkyChange::of(&leaf_before_sky(0.0), &open_sky(), &drift).expect("it moved")
    }

    #[test]
    fn sky_leaf_and_what_is_mixed_of_both_are_as_before_the_moved_sky() {
        let (mut carried, wanted) = (leaf_before_sky(0.0), leaf_before_sky(10.0));
        change().apply(&mut carried);
        for x in 20..100 {
            for c in 0..3 {
                let (is, wanted) = (
                    *carried.channels[c].at(x, 30),
                    *wanted.channels[c].at(x, 30),
                );
                assert!((is / wanted - 1.0).abs() < 0.02, "{x} {c}: {is} {wanted}");
            }
        }
    }

    #[test]
    fn planes_say_the_same() {
        let (plate, change) = (leaf_before_sky(0.0), change());
        let mut carried = plate.clone();
        change.apply(&mut carried);
        let planes = change.planes();
        for x in 0..SIZE.columns {
            let light = plate.channels.each_ref().map(|c| *c.at(x, 20));
            let values = planes.planes().each_ref().map(|p| *p.at(x, 20));
            let wanted = carried.channels.each_ref().map(|c| *c.at(x, 20));
            let carried = SkyChangePlanes::carried(light, values);
            assert_eq!(carried.map(f32::to_bits), wanted.map(f32::to_bits));
        }
    }

    #[test]
    fn a_sky_that_stands_still_changes_nothing() {
        let change = SkyChange::of(&leaf_before_sky(0.0), &open_sky(), &Drift::none());
        assert!(change.is_none());
    }
}
