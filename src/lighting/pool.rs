//! The smooth part of the ratio: flash pool and ambient shift.

use rayon::prelude::*;

use super::Agreement;
use crate::numeric::filter::{block_mean, block_mean_of, box_mean, enlarge, gaussian};
use crate::numeric::pull_push;
use crate::scene::{Plane, Size};

/// Side of the cells in which the ratio is first read, px.
const CELL: usize = 8;

/// Structure agreement that a cell needs to be believed fully.
const SURE_AGREEMENT: f32 = 0.85;

/// Structure agreement below which a cell says nothing.
const NO_AGREEMENT: f32 = 0.5;

/// Texture (standard deviation of ln light) that makes an agreement evidence rather than luck.
const SURE_TEXTURE: f32 = 0.06;

/// Weight of a cell that has nothing to compare: it may be wall or the face of a black box.
const FLAT_WEIGHT: f32 = 0.08;

/// A flat cell is believed while its ratio is within this of its wide surroundings, ln units
/// (a third of a stop); light that falls off does not jump by more between neighbours.
const FLAT_TOLERANCE: f32 = 0.25;

/// Reach of the wide surroundings, as a share of the long side: wider than half a large modifier.
const WIDE_REACH: f32 = 0.2;

/// Final smoothing of the pool, in cells: light of a softbox has no finer structure of its own.
const POOL_SIGMA_CELLS: f32 = 1.5;

/// Ambient level: this quantile of the sure cells' ratios; flash only ever adds to it.
const AMBIENT_QUANTILE: f32 = 0.2;

/// The pool may dip below the ambient's level by this, ln units (2 %): what the level is known to.
/// What lies deeper is no light that was added, but a shadow, however soft.
const AMBIENT_DIP: f32 = 0.02;

/// A cell that lies this much deeper, ln units, is shadow and says nothing of the light around it.
const SHADOW_DIP: f32 = 0.04;

/// A cell is left out from this share of what stands there or is shaded: its rim blurs in.
const SHADED_SHARE: f32 = 0.05;

/// Means of nothing, as sums in single precision leave them.
const NO_SHARE: f32 = 1e-4;

/// Share of sky above which a cell counts as nothing but sky.
const ALL_SKY: f32 = 0.99;

/// The pool at full working size, and the ambient gain under it.
pub(super) struct Pool {
    pub(super) planes: [Plane<f32>; 3],
    pub(super) ambient_gain: [f32; 3],
    pub(super) cells: PoolCells,
}

/// The ratio as it is read in cells: enough to carry the pool anew once it is known what stands in
/// the light. A sixteenth of a plane.
#[derive(Debug, Clone)]
pub struct PoolCells {
    ratio: [Plane<f32>; 3],
    /// What each cell of ground is believed.
    weight: Plane<f32>,
    /// The ratio a channel that no ground lies below without a shadow.
    least: [f32; 3],
    /// The sky's ratio a channel.
    of_sky: [f32; 3],
}

struct Cells {
    ratio: [Plane<f32>; 3],
    weight: Plane<f32>,
    sky_share: Plane<f32>,
}

pub(super) fn flash_pool(
    log_ratio: &[Plane<f32>; 3],
    agreement: &Agreement,
    sky: &Plane<bool>,
    usable: &Plane<bool>,
) -> Pool {
    let cells = read_cells(log_ratio, agreement, sky, usable);
    let of_ground = ground_level(&cells);
    let ambient = sky_level(&cells).unwrap_or(of_ground);
    // Ambient light that rose says nothing of the ground that no flash reached.
    let least = of_ground.map(|level| level.min(0.0) - AMBIENT_DIP);
    let believed = believed_weight(&cells);
    let weight = believed.zip(&lit_weight(&cells, least), |w, l| w * l);
    let cells = PoolCells {
        ratio: cells.ratio,
        weight,
        least,
        of_sky: ambient,
    };
    Pool {
        planes: cells.carried(&believed, sky),
        ambient_gain: ambient.map(f32::exp),
        cells,
    }
}

impl PoolCells {
    /// Side of a cell, px.
    pub const SIDE: usize = CELL;

    /// The pool a channel as the ground shows it that is not `shaded`: carried on under what stands
    /// there and through its shadows. `sky` is the plate's.
    pub fn without(&self, shaded: &Plane<bool>, sky: &Plane<bool>) -> [Plane<f32>; 3] {
        self.carried(&self.weight_without(shaded, 0), sky)
    }

    /// The mean of its channels in cells, as the ground shows it that is not within `margin` cells of
    /// anything `shaded`.
    pub fn mean_without(&self, shaded: &Plane<bool>, margin: usize) -> Plane<f32> {
        let weight = self.weight_without(shaded, margin);
        let [r, g, b] = std::array::from_fn(|c| self.smooth(c, &weight));
        r.zip(&g, |r, g| r + g).zip(&b, |sum, b| (sum + b) / 3.0)
    }

    fn weight_without(&self, shaded: &Plane<bool>, margin: usize) -> Plane<f32> {
        let share = block_mean_of(shaded.size(), CELL, |y, out| {
            for (out, &is) in out.iter_mut().zip(shaded.row(y)) {
                *out = f32::from(is);
            }
        });
        let is_near = box_mean(&share.map(|&s| f32::from(s > SHADED_SHARE)), margin);
        let open = |w: &f32, near: &f32| if *near > NO_SHARE { 0.0 } else { *w };
        self.weight.zip(&is_near, open)
    }

    fn smooth(&self, channel: usize, weight: &Plane<f32>) -> Plane<f32> {
        let filled = pull_push::fill(&self.ratio[channel], weight);
        gaussian(&filled, POOL_SIGMA_CELLS).map(|&v| v.max(self.least[channel]))
    }

    fn carried(&self, weight: &Plane<f32>, sky: &Plane<bool>) -> [Plane<f32>; 3] {
        std::array::from_fn(|c| {
            let mut out = enlarge(&self.smooth(c, weight), CELL, sky.size());
            out.as_mut_slice()
                .par_iter_mut()
                .zip(sky.as_slice())
                .for_each(|(v, &is_sky)| {
                    if is_sky {
                        *v = self.of_sky[c];
                    }
                });
            out
        })
    }
}

fn read_cells(
    log_ratio: &[Plane<f32>; 3],
    agreement: &Agreement,
    sky: &Plane<bool>,
    usable: &Plane<bool>,
) -> Cells {
    let weight = Plane::from_fn(sky.size(), |x, y| {
        if *sky.at(x, y) || !*usable.at(x, y) {
            return 0.0;
        }
        let agree = agreement.fine.at(x, y).min(*agreement.coarse.at(x, y));
        let sure = ((agree - NO_AGREEMENT) / (SURE_AGREEMENT - NO_AGREEMENT)).clamp(0.0, 1.0);
        let texture = (agreement.plate_texture.at(x, y) / SURE_TEXTURE).min(1.0);
        sure * sure * (FLAT_WEIGHT + (1.0 - FLAT_WEIGHT) * texture * texture)
    });
    let mean_weight = block_mean(&weight, CELL);
    let of_ground = |ratio| weighted_block_mean(ratio, |y| weight.row(y), &mean_weight);
    Cells {
        ratio: log_ratio.each_ref().map(of_ground),
        weight: mean_weight,
        sky_share: block_mean_of(sky.size(), CELL, |y, out| {
            for (out, &is_sky) in out.iter_mut().zip(sky.row(y)) {
                *out = f32::from(is_sky);
            }
        }),
    }
    .with_sky_ratio(log_ratio, sky)
}

/// Means of the cells, each pixel by its weight, whose mean over each cell is known.
fn weighted_block_mean<'w, W: Into<f32> + Copy + 'w>(
    values: &Plane<f32>,
    weight: impl Fn(usize) -> &'w [W] + Sync,
    mean_weight: &Plane<f32>,
) -> Plane<f32> {
    let product = block_mean_of(values.size(), CELL, |y, out| {
        for (out, (v, &w)) in out.iter_mut().zip(values.row(y).iter().zip(weight(y))) {
            *out = v * w.into();
        }
    });
    product.zip(mean_weight, |p, w| if *w > 1e-6 { p / w } else { 0.0 })
}

impl Cells {
    /// Cells that are all sky carry the sky's ratio, for [`sky_level`].
    fn with_sky_ratio(mut self, log_ratio: &[Plane<f32>; 3], sky: &Plane<bool>) -> Self {
        if self
            .sky_share
            .as_slice()
            .iter()
            .all(|&share| share <= ALL_SKY)
        {
            return self;
        }
        for (ratio, log_ratio) in self.ratio.iter_mut().zip(log_ratio) {
            let of_sky = weighted_block_mean(log_ratio, |y| sky.row(y), &self.sky_share);
            for ((r, s), share) in ratio
                .as_mut_slice()
                .iter_mut()
                .zip(of_sky.as_slice())
                .zip(self.sky_share.as_slice())
            {
                if *share > ALL_SKY {
                    *r = *s;
                }
            }
        }
        self
    }
}

/// Median ratio of the cells that are all sky; `None` where there are too few.
fn sky_level(cells: &Cells) -> Option<[f32; 3]> {
    const MIN_CELLS: usize = 30;
    let inside: Vec<usize> = (0..cells.weight.size().area())
        .filter(|&i| cells.sky_share.as_slice()[i] > ALL_SKY)
        .collect();
    (inside.len() >= MIN_CELLS).then(|| {
        std::array::from_fn(|c| {
            let values = inside
                .iter()
                .map(|&i| cells.ratio[c].as_slice()[i])
                .collect();
            quantile(values, 0.5)
        })
    })
}

/// Weights of the ground's cells: textured ones as they are, flat ones only while they agree with
/// what their wide surroundings say.
fn believed_weight(cells: &Cells) -> Plane<f32> {
    let size = cells.weight.size();
    let reach = (WIDE_REACH * size.long_side() as f32) as usize;
    let level = mean_ratio(cells);
    let wide = wide_median(&level, &cells.weight, reach.max(2));
    Plane::from_fn(size, |x, y| {
        let weight = *cells.weight.at(x, y);
        let off = (level.at(x, y) - wide.at(x, y)) / FLAT_TOLERANCE;
        let sure = (weight - FLAT_WEIGHT).max(0.0);
        let flat = weight.min(FLAT_WEIGHT) / (1.0 + off * off * off * off);
        sure + flat
    })
}

/// What of a cell is no shadow: nothing where its ratio lies well below the ambient's level.
fn lit_weight(cells: &Cells, least: [f32; 3]) -> Plane<f32> {
    let least = least.iter().sum::<f32>() / 3.0;
    mean_ratio(cells).map(|&level| (1.0 - (least - level) / SHADOW_DIP).clamp(0.0, 1.0))
}

fn mean_ratio(cells: &Cells) -> Plane<f32> {
    let [r, g, b] = &cells.ratio;
    r.zip(g, |r, g| r + g).zip(b, |s, b| (s + b) / 3.0)
}

/// Weighted median over a square of `2·reach + 1` cells, every other cell, at every fourth cell.
///
/// All cells are sorted once; those of a square come in that order out of a set of bits.
fn wide_median(values: &Plane<f32>, weight: &Plane<f32>, reach: usize) -> Plane<f32> {
    enlarge(&square_medians(values, weight, reach), STEP, values.size())
}

/// Squares' medians are taken so far apart, cells.
const STEP: usize = 4;

fn square_medians(values: &Plane<f32>, weight: &Plane<f32>, reach: usize) -> Plane<f32> {
    let size = values.size();
    let coarse = Size {
        columns: size.columns.div_ceil(STEP),
        rows: size.rows.div_ceil(STEP),
    };
    let (value, weight) = (values.as_slice(), weight.as_slice());
    let mut sorted: Vec<usize> = (0..size.area()).filter(|&i| weight[i] > 0.0).collect();
    sorted.sort_by(|&a, &b| value[a].total_cmp(&value[b]));
    let mut rank_of = vec![None; size.area()];
    for (rank, &cell) in sorted.iter().enumerate() {
        rank_of[cell] = Some(rank);
    }
    Plane::from_fn(coarse, |cx, cy| {
        let (x, y) = (cx * STEP + STEP / 2, cy * STEP + STEP / 2);
        let across = x.saturating_sub(reach)..(x + reach + 1).min(size.columns);
        let mut found = vec![0u64; sorted.len().div_ceil(64)];
        for row in (y.saturating_sub(reach)..(y + reach + 1).min(size.rows)).step_by(2) {
            for column in across.clone().step_by(2) {
                if let Some(rank) = rank_of[row * size.columns + column] {
                    found[rank / 64] |= 1 << (rank % 64);
                }
            }
        }
        let rising = || ones(&found).map(|rank| sorted[rank]);
        let half = 0.5 * rising().map(|cell| weight[cell]).sum::<f32>();
        let mut sum = 0.0;
        for cell in rising() {
            sum += weight[cell];
            if sum >= half {
                return value[cell];
            }
        }
        0.0
    })
}

/// Where the ones of a set of bits are, rising.
fn ones(words: &[u64]) -> impl Iterator<Item = usize> {
    words.iter().enumerate().flat_map(|(place, &word)| {
        let rest = std::iter::successors(Some(word), |rest| Some(rest & rest.wrapping_sub(1)));
        let rest = rest.take_while(|&rest| rest != 0);
        rest.map(move |rest| 64 * place + rest.trailing_zeros() as usize)
    })
}

/// The low end of the ground's ln gains a channel: where least flash arrives.
fn ground_level(cells: &Cells) -> [f32; 3] {
    std::array::from_fn(|c| {
        let sure: Vec<f32> = cells.ratio[c]
            .as_slice()
            .iter()
            .zip(cells.weight.as_slice())
            .filter(|&(_, &w)| w > 0.3)
            .map(|(&v, _)| v)
            .collect();
        quantile(sure, AMBIENT_QUANTILE)
    })
}

fn quantile(mut values: Vec<f32>, share: f32) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let place = ((values.len() - 1) as f32 * share) as usize;
    *values.select_nth_unstable_by(place, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::super::separate_light;
    use super::{STEP, ones, square_medians};
    use crate::scene::drawn::{gravel, grey};
    use crate::scene::{Plane, Size};

    /// A textured floor under even light, and the same with a soft shadow of half the light's depth
    /// in the middle: it agrees in structure with the plate, but no light casts less.
    #[test]
    fn the_pool_does_not_follow_a_soft_shadow() {
        let size = Size {
            columns: 480,
            rows: 320,
        };
        let floor = gravel(size);
        let shaded = Plane::from_fn(size, |x, y| {
            let (u, v) = ((x as f32 - 240.0) / 35.0, (y as f32 - 160.0) / 35.0);
            floor.at(x, y) * (1.0 - 0.5 * (-(u * u + v * v)).exp())
        });
        let [lit, plate] = [shaded, floor].map(grey);
        let (sky, usable) = (Plane::filled(size, false), Plane::filled(size, true));
        let light = separate_light(&lit, &plate, &sky, &usable);
        assert!(*light.pool[1].at(240, 160) > -0.05);
        assert!(*light.log_ratio[1].at(240, 160) < -0.4);
    }

    /// A floor under a flash pool that falls off from left to right, its middle in a shadow with the
    /// plate's structure: with the shadow told, the pool runs on through it.
    #[test]
    fn the_pool_runs_on_through_a_shadow_that_is_known() {
        let size = Size {
            columns: 480,
            rows: 320,
        };
        let floor = gravel(size);
        let fall_off = |x: usize| 1.6 - 0.4 * x as f32 / 480.0;
        let is_shaded = |x: usize, y: usize| (180..300).contains(&x) && (100..220).contains(&y);
        let lit = Plane::from_fn(size, |x, y| {
            let share = if is_shaded(x, y) { 0.8 } else { 1.0 };
            floor.at(x, y) * fall_off(x) * share
        });
        let [lit, plate] = [lit, floor].map(grey);
        let (sky, usable) = (Plane::filled(size, false), Plane::filled(size, true));
        let light = separate_light(&lit, &plate, &sky, &usable);
        let expected = fall_off(240).ln();
        assert!(*light.pool[1].at(240, 160) < expected - 0.15);
        let shaded = Plane::from_fn(size, is_shaded);
        let told = light.cells.without(&shaded, &sky);
        assert!((told[1].at(240, 160) - expected).abs() < 0.04);
    }

    #[test]
    fn ones_are_found_in_order() {
        let words = [0u64, 1 | 1 << 63, 0, 6];
        assert!(ones(&words).eq([64, 127, 193, 194]));
    }

    fn window(at: usize, reach: usize, end: usize) -> impl Iterator<Item = usize> + Clone {
        (at.saturating_sub(reach)..(at + reach + 1).min(end)).step_by(2)
    }

    fn weighted_median(mut found: Vec<(f32, f32)>) -> f32 {
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        let half = 0.5 * found.iter().map(|f| f.1).sum::<f32>();
        let mut sum = 0.0;
        let is_middle = |f: &&(f32, f32)| {
            sum += f.1;
            sum >= half
        };
        found.iter().find(is_middle).map_or(0.0, |f| f.0)
    }

    /// Against a sort of each square's cells.
    #[test]
    fn medians_are_those_of_their_plain_twin() {
        let size = Size {
            columns: 29,
            rows: 22,
        };
        let mixed = |x: usize, y: usize, part: u64| {
            let mixed = (x * 7919 + y * 104_729) as u64 + part;
            (mixed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40) % 11
        };
        let values = Plane::from_fn(size, |x, y| mixed(x, y, 1) as f32 - 5.0);
        let weight = Plane::from_fn(size, |x, y| mixed(x, y, 2).saturating_sub(4) as f32 * 0.13);
        let reach = 6;
        let got = square_medians(&values, &weight, reach);
        for (cx, cy) in (0..got.rows()).flat_map(|cy| (0..got.columns()).map(move |cx| (cx, cy))) {
            let rows = window(cy * STEP + STEP / 2, reach, size.rows);
            let columns = window(cx * STEP + STEP / 2, reach, size.columns);
            let cells = rows.flat_map(|y| columns.clone().map(move |x| (x, y)));
            let found = cells.map(|(x, y)| (*values.at(x, y), *weight.at(x, y)));
            let twin = weighted_median(found.filter(|f| f.1 > 0.0).collect());
            assert!((got.at(cx, cy) - twin).abs() < f32::EPSILON);
        }
    }
}
