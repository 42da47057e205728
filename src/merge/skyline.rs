//! Where ground meets sky: how much of a pixel's light is the sky's.
//!
//! A pixel at the edge of a leaf shows part leaf, part sky. Flash lightens the leaf and not the
//! sky: multiplied by the leaf's gain, its share of sky would shine as a bright rim.

use crate::numeric::mixture::{MIXED_REACH, Mixture};
use crate::numeric::spans::{Run, Spans};
use crate::scene::{Plane, SceneLinear};

/// Colours of pure sky and pure ground are looked for this far, px.
const PURE_REACH: usize = 4;

/// Shares of the sky in the light of the pixels of some places.
#[derive(Debug)]
pub(super) struct SkyShares {
    places: Spans,
    /// A pixel's shares, a channel, 0..1, in row order.
    shares: Vec<[f32; 3]>,
    /// Where each run's shares begin, by row.
    starts: Vec<Vec<usize>>,
}

impl SkyShares {
    /// `plate` is the aligned plate, `sky` its open sky.
    pub(super) fn of(plate: &SceneLinear, sky: &Plane<bool>, places: Spans) -> Self {
        let mut shares = Vec::with_capacity(places.area());
        let starts = (0..sky.rows()).map(|y| {
            let along = |run: &Run| {
                let start = shares.len();
                shares.extend((run.from..run.to).map(|x| {
                    if *sky.at(x, y) {
                        [1.0; 3]
                    } else if any_sky(sky, x, y) {
                        mixed(plate, sky, x, y)
                    } else {
                        [0.0; 3]
                    }
                }));
                start
            };
            places.row(y).iter().map(along).collect()
        });
        let starts = starts.collect();
        Self {
            places,
            shares,
            starts,
        }
    }

    /// A pixel's shares, a channel; 0 outside the places.
    pub(super) fn at(&self, x: usize, y: usize) -> [f32; 3] {
        let runs = self.places.row(y);
        let after = runs.partition_point(|run| run.from <= x);
        match after.checked_sub(1).map(|k| (runs[k], self.starts[y][k])) {
            Some((run, start)) if x < run.to => self.shares[start + x - run.from],
            _ => [0.0; 3],
        }
    }
}

fn around(
    sky: &Plane<bool>,
    x: usize,
    y: usize,
    reach: usize,
) -> impl Iterator<Item = (usize, usize)> {
    let size = sky.size();
    let columns = x.saturating_sub(reach)..(x + reach + 1).min(size.columns);
    let rows = y.saturating_sub(reach)..(y + reach + 1).min(size.rows);
    rows.flat_map(move |row| columns.clone().map(move |column| (column, row)))
}

fn any_sky(sky: &Plane<bool>, x: usize, y: usize) -> bool {
    around(sky, x, y, MIXED_REACH).any(|(x, y)| *sky.at(x, y))
}

/// The pixel as a mixture of the sky around and of what is least like it around.
fn mixed(plate: &SceneLinear, sky: &Plane<bool>, x: usize, y: usize) -> [f32; 3] {
    let light = |x: usize, y: usize| -> [f32; 3] {
        std::array::from_fn(|c| plate.channels[c].at(x, y).max(0.0))
    };
    let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
    for (x, y) in around(sky, x, y, PURE_REACH).filter(|&(x, y)| *sky.at(x, y)) {
        let v = light(x, y);
        sum = std::array::from_fn(|c| sum[c] + v[c]);
        count += 1.0;
    }
    let pure_sky = sum.map(|s| s / count.max(1.0));
    let apart = |v: [f32; 3]| -> f32 { (0..3).map(|c| (v[c] - pure_sky[c]).powi(2)).sum() };
    let ground = around(sky, x, y, PURE_REACH)
        .filter(|&(x, y)| !*sky.at(x, y))
        .map(|(x, y)| light(x, y))
        .max_by(|a, b| apart(*a).total_cmp(&apart(*b)))
        .unwrap_or(pure_sky);
    let here = light(x, y);
    let Some(mixture) = Mixture::between(ground, pure_sky) else {
        return [0.0; 3];
    };
    let share = mixture.share(here);
    std::array::from_fn(|c| (share * pure_sky[c] / here[c].max(1e-6)).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    #[test]
    fn half_a_leaf_is_half_sky() {
        let size = Size {
            columns: 16,
            rows: 1,
        };
        let (sky_light, leaf) = (0.8f32, 0.05f32);
        let value = |x: usize| match x {
            0..8 => sky_light,
            8 => 0.5 * (sky_light + leaf),
            _ => leaf,
        };
        let plane = Plane::from_fn(size, |x, _| value(x));
        let plate = SceneLinear {
            channels: [plane.clone(), plane.clone(), plane],
        };
        let sky = Plane::from_fn(size, |x, _| x < 8);
        let places = Spans::of(size, |_, _| true);
        let shares = SkyShares::of(&plate, &sky, places);
        // Half the area is sky: 0.4 of the pixel's light of 0.425.
        assert!((shares.at(8, 0)[0] - 0.4 / 0.425).abs() < 1e-4);
        assert!(shares.at(4, 0)[0] > 0.999 && shares.at(12, 0)[0] < 1e-6);
    }
}
