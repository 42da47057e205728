//! The membrane of the log-ratio.

use rayon::prelude::*;

use super::sky_colours::SkyColours;
use super::skyline::SkyShares;
use crate::lighting::FLARE;
use crate::numeric::elementary::{exp, ln};
use crate::numeric::filter::gaussian_within;
use crate::numeric::membrane::Membrane;
use crate::numeric::spans::Spans;
use crate::scene::{Perceived, Plane, SceneLinear, Window, difference};

/// Window in which the ratio of a still surface is taken, sigma in px.
const RATIO_SIGMA: f32 = 2.0;

/// Window where things sway, sigma in px: wider than leaves move.
const SWAY_SIGMA: f32 = 8.0;

/// Coarse agreement at and above which a surface counts as still, and below which as swaying.
const STILL_AGREEMENT: (f32, f32) = (0.85, 0.5);

/// Where all sways the ratio may lie this far off the pool's prediction, ln units (six tenths of a stop), and where
/// little does, so much farther: what leaves and sky share of a window is not the same in two frames, and
/// says nothing of the light.
const SWAY_LIMIT: f32 = 0.4;

/// Difference of neighbouring plate pixels (CIE94) that makes an edge of a surface.
const EDGE_DIFFERENCE: f32 = 4.0;

/// Conductance that is left across the hardest edge: light on neighbouring surfaces is related.
const LEAK: f32 = 0.02;

/// How firmly the membrane is held where the lit frame is kept.
const RIM_HOLD: f32 = 4.0;

/// How firmly it is held to the pool's prediction in the hole: rim values rule within some
/// 1 / sqrt(hold) = 220 px, the flash pool's fall-off beyond.
const POOL_HOLD: f32 = 2e-5;

/// The same of the sky: that a cloud stands elsewhere at the rim says nothing of the light farther on
/// than some 1 / sqrt(hold) = 60 px.
const SKY_HOLD: f32 = 3e-4;

/// Rim pixels farther from the hole than this say nothing new, px.
const RIM_WIDTH: usize = 40;

/// Held pixels are solved for this far from the hole, px: with [`RIM_HOLD`] a value's say falls to
/// a sixth a pixel, so that a thousandth is left of what lies beyond.
const HELD_RIM: usize = 4;

/// Values are worked out this far around the mask, px: it is enlarged bilinearly.
const MASK_MARGIN: usize = 2;

/// Share of the plate below which the lit frame is kept as it is.
const KEPT_SHARE: f32 = 0.01;

/// Steps of the membrane's solver: what is left is below a hundredth of a just noticeable step in
/// the mean, below one at the worst.
const STEPS: usize = 3;

/// What relighting is worked out from; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct RelightInputs<'a> {
    /// The lit frame.
    pub lit: &'a SceneLinear,
    /// The aligned plate, its sky carried along.
    pub plate: &'a SceneLinear,
    /// The relit plate as seen, for its edges.
    pub plate_seen: &'a Perceived,
    /// Coarse structure agreement.
    pub agreement: &'a Plane<f32>,
    /// Smooth prediction of the log-ratio a channel.
    pub pool: &'a [Plane<f32>; 3],
    /// Open sky of the plate.
    pub sky: &'a Plane<bool>,
    /// Where the lit frame shows open sky, too: what stands before it says nothing of its light.
    pub lit_sky: &'a Plane<bool>,
    /// Share of the plate in the merge.
    pub share: &'a Plane<f32>,
    /// Pixels whose lit value says nothing of the background: the person.
    pub keep: &'a Plane<bool>,
    /// Pixels that say nothing of the light in a shadow of gear beside them: another shadow's.
    pub shaded: &'a Plane<bool>,
}

impl RelightInputs<'_> {
    /// Does the lit frame stay at this pixel, and show the background in its own light?
    fn is_kept(&self, i: usize) -> bool {
        let is_hidden = self.keep.as_slice()[i] || self.shaded.as_slice()[i];
        self.share.as_slice()[i] < KEPT_SHARE && !is_hidden
    }
}

/// Log-ratio lit / plate a channel over the working copy; meaningful where the mask is.
#[derive(Debug, Clone)]
pub struct Relight {
    /// `ln` of the factor by which `plate + FLARE` is multiplied.
    pub log_gain: [Plane<f32>; 3],
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Layer {
    Ground,
    Sky,
}

/// Works out by how much the plate is to be lightened or darkened in the mask.
///
/// Solves in one window around each cluster of holes, along the holes and their rims, clusters in
/// parallel. Holds about 40 floats a pixel of the windows.
pub fn relight(inputs: &RelightInputs<'_>) -> Relight {
    relit_surfaces(inputs).over(inputs.pool.clone())
}

/// The log-ratio in the mask, a surface at a time; to be laid over the pool.
#[derive(Debug)]
pub struct RelitSurfaces {
    layers: [SolvedLayer; 2],
    sky_shares: SkyShares,
}

#[derive(Debug)]
struct SolvedLayer {
    layer: Layer,
    clusters: Vec<Cluster>,
    /// One a cluster, in its window.
    solutions: Vec<[Plane<f32>; 3]>,
}

impl RelitSurfaces {
    /// Over the pool that they were worked out with: [`relight`] without a second copy of it.
    pub fn over(self, pool: [Plane<f32>; 3]) -> Relight {
        let mut log_gain = pool;
        for solved in self.layers {
            for (cluster, solution) in solved.clusters.iter().zip(&solved.solutions) {
                cluster.blend(solution, &mut log_gain, |channel, x, y| {
                    match solved.layer {
                        Layer::Ground => 1.0,
                        Layer::Sky => self.sky_shares.at(x, y)[channel],
                    }
                });
            }
        }
        Relight { log_gain }
    }
}

/// The first half of [`relight`], which only reads.
pub fn relit_surfaces(inputs: &RelightInputs<'_>) -> RelitSurfaces {
    let size = inputs.share.size();
    let hole = Spans::of(size, |x, y| *inputs.share.at(x, y) > 0.0).grown(MASK_MARGIN);
    let sky_shares = SkyShares::of(inputs.plate, inputs.sky, hole.clone());
    let colours = SkyColours::of(inputs.lit, inputs.lit_sky, |i| inputs.is_kept(i));
    let layers = [Layer::Ground, Layer::Sky].map(|layer| {
        let wanted = hole.filtered(|x, y| match layer {
            Layer::Ground => !*inputs.sky.at(x, y),
            Layer::Sky => sky_shares.at(x, y).iter().any(|&share| share > 0.0),
        });
        let clusters = clusters(&wanted);
        let solve = |cluster: &Cluster| {
            let mut solution = solve_layer(inputs, cluster, layer);
            if let (Layer::Sky, Some(colours)) = (layer, &colours) {
                cluster.limit(&mut solution, colours, inputs);
            }
            solution
        };
        let solutions = clusters.par_iter().map(solve).collect();
        SolvedLayer {
            layer,
            clusters,
            solutions,
        }
    });
    RelitSurfaces { layers, sky_shares }
}

/// Holes whose rims meet.
#[derive(Debug)]
struct Cluster {
    window: Window,
    /// Pixels that have a say, in the window.
    domain: Spans,
    /// Pixels whose value is asked for, in the window.
    wanted: Spans,
}

impl Cluster {
    /// Mixes the solution's share of the light into `out`, where it is asked for.
    fn blend(
        &self,
        solution: &[Plane<f32>; 3],
        out: &mut [Plane<f32>; 3],
        share: impl Fn(usize, usize, usize) -> f32,
    ) {
        let Window { left, top, .. } = self.window;
        for (channel, (out, solution)) in out.iter_mut().zip(solution).enumerate() {
            for y in 0..self.window.rows() {
                for x in self.wanted.row(y).iter().flat_map(|r| r.from..r.to) {
                    let share = share(channel, left + x, top + y);
                    let solved = *solution.at(x, y);
                    let mixed = if share < 1.0 {
                        let before = *out.at(left + x, top + y);
                        ln((1.0 - share) * exp(before) + share * exp(solved))
                    } else {
                        solved
                    };
                    out.set(left + x, top + y, mixed);
                }
            }
        }
    }

    /// Keeps the solution to what gives the plate's open sky a colour of the sky.
    fn limit(
        &self,
        solution: &mut [Plane<f32>; 3],
        colours: &SkyColours,
        inputs: &RelightInputs<'_>,
    ) {
        let Window { left, top, .. } = self.window;
        for y in 0..self.window.rows() {
            for x in self.wanted.row(y).iter().flat_map(|r| r.from..r.to) {
                // Mixed with a leaf or a roof, a pixel has other colours.
                if !*inputs.sky.at(left + x, top + y) {
                    continue;
                }
                let light = inputs.plate.channels.each_ref();
                let light = light.map(|c| *c.at(left + x, top + y));
                let solved = solution.each_ref().map(|s| *s.at(x, y));
                let allowed = colours.allowed(light, solved);
                for (plane, value) in solution.iter_mut().zip(allowed) {
                    plane.set(x, y, value);
                }
            }
        }
    }
}

/// Tiles around the pixels wanted, grown by the rim, in clusters of those that overlap.
fn clusters(wanted: &Spans) -> Vec<Cluster> {
    const TILE: usize = 32;
    let size = wanted.size();
    let mut groups: Vec<Vec<Window>> = Vec::new();
    for top in (0..size.rows).step_by(TILE) {
        let bottom = (top + TILE).min(size.rows);
        let runs = || (top..bottom).flat_map(|y| wanted.row(y));
        for left in (0..size.columns).step_by(TILE) {
            let right = (left + TILE).min(size.columns);
            if runs().any(|r| r.from < right && left < r.to) {
                let tile = Window {
                    left,
                    top,
                    right,
                    bottom,
                }
                .grown(RIM_WIDTH, size);
                let (mut joined, apart): (Vec<_>, Vec<_>) = groups
                    .into_iter()
                    .partition(|g| g.iter().any(|w| overlap(w, &tile)));
                groups = apart;
                groups.push(joined.drain(..).flatten().chain([tile]).collect());
            }
        }
    }
    groups.iter().map(|tiles| cluster(tiles, wanted)).collect()
}

fn overlap(a: &Window, b: &Window) -> bool {
    a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom
}

fn cluster(tiles: &[Window], wanted: &Spans) -> Cluster {
    let window = tiles.iter().skip(1).fold(tiles[0], |w, t| Window {
        left: w.left.min(t.left),
        top: w.top.min(t.top),
        right: w.right.max(t.right),
        bottom: w.bottom.max(t.bottom),
    });
    let inner: Vec<Window> = tiles
        .iter()
        .map(|t| Window {
            left: t.left - window.left,
            top: t.top - window.top,
            right: t.right - window.left,
            bottom: t.bottom - window.top,
        })
        .collect();
    let domain = Spans::of_windows(window.size(), &inner);
    // Pixels of another cluster may lie in the window, but not in the domain.
    let wanted = domain.intersection(&wanted.within(window));
    Cluster {
        window,
        domain,
        wanted,
    }
}

fn solve_layer(inputs: &RelightInputs<'_>, cluster: &Cluster, layer: Layer) -> [Plane<f32>; 3] {
    let window = cluster.window;
    let size = window.size();
    let at = |x: usize, y: usize| (window.left + x, window.top + y);
    let valid = cluster.domain.filled(|y, run, out| {
        for (x, out) in (run.from..run.to).zip(out) {
            let (fx, fy) = at(x, y);
            let in_layer = match layer {
                Layer::Ground => !*inputs.sky.at(fx, fy),
                Layer::Sky => *inputs.lit_sky.at(fx, fy),
            };
            let known = inputs.is_kept(fy * inputs.share.columns() + fx);
            *out = f32::from(u8::from(in_layer && known));
        }
    });
    // Firmly held pixels deep in the rim say nothing to the hole.
    let hole = cluster.domain.filtered(|x, y| *valid.at(x, y) <= 0.0);
    let active = cluster.domain.intersection(&hole.grown(HELD_RIM));
    let data = rim_ratio(inputs, cluster, &valid, &active, layer);
    let in_hole = match layer {
        Layer::Ground => POOL_HOLD,
        Layer::Sky => SKY_HOLD,
    };
    let hold = valid.map(|&v| if v > 0.0 { RIM_HOLD } else { in_hole });
    let conductance = |dx: usize, dy: usize| {
        active.filled(|y, run, out| {
            for (x, out) in (run.from..run.to).zip(out) {
                let (nx, ny) = (x + dx, y + dy);
                if nx >= size.columns || ny >= size.rows {
                    continue;
                }
                if layer == Layer::Sky {
                    *out = 1.0;
                    continue;
                }
                let columns = inputs.lit.size().columns;
                let index = |(fx, fy): (usize, usize)| fy * columns + fx;
                let step = difference(
                    inputs.plate_seen.at_index(index(at(x, y))),
                    inputs.plate_seen.at_index(index(at(nx, ny))),
                )
                .0 / EDGE_DIFFERENCE;
                *out = LEAK + (1.0 - LEAK) * exp(-step * step);
            }
        })
    };
    let (right, down) = (conductance(1, 0), conductance(0, 1));
    Membrane {
        domain: active,
        right,
        down,
        hold,
    }
    .solve(&data, STEPS)
}

/// The log-ratio as the rim's surfaces show it: ratio of local means, of one layer, over a window
/// that is wider where things sway; elsewhere the pool's prediction.
fn rim_ratio(
    inputs: &RelightInputs<'_>,
    cluster: &Cluster,
    valid: &Plane<f32>,
    active: &Spans,
    layer: Layer,
) -> [Plane<f32>; 3] {
    let Window { left, top, .. } = cluster.window;
    let row = |plane: &'_ Plane<f32>, x: usize, y: usize| *plane.at(left + x, top + y);
    let rim = active.filtered(|x, y| *valid.at(x, y) > 0.0);
    let of_layer = |plane: &Plane<f32>| {
        cluster.domain.filled(|y, run, out| {
            let values = &plane.row(top + y)[left + run.from..left + run.to];
            for (out, (p, v)) in out
                .iter_mut()
                .zip(values.iter().zip(&valid.row(y)[run.from..]))
            {
                *out = p * v;
            }
        })
    };
    let weights = [RATIO_SIGMA, SWAY_SIGMA].map(|sigma| gaussian_within(valid, sigma, &rim));
    std::array::from_fn(|c| {
        let (lit, plate) = (
            of_layer(&inputs.lit.channels[c]),
            of_layer(&inputs.plate.channels[c]),
        );
        let ratio = |sigma: f32, weight: &Plane<f32>| {
            let (lit, plate) = (
                gaussian_within(&lit, sigma, &rim),
                gaussian_within(&plate, sigma, &rim),
            );
            local_ratio(&lit, &plate, weight, &rim)
        };
        let fine = ratio(RATIO_SIGMA, &weights[0]);
        let wide = match layer {
            Layer::Ground => Some(ratio(SWAY_SIGMA, &weights[1])),
            Layer::Sky => None,
        };
        active.filled(|y, run, out| {
            for (x, out) in (run.from..run.to).zip(out) {
                let pool = row(&inputs.pool[c], x, y);
                if *valid.at(x, y) <= 0.0 {
                    *out = pool;
                    continue;
                }
                let (still, sway) = STILL_AGREEMENT;
                let agreement = row(inputs.agreement, x, y);
                let t = ((still - agreement) / (still - sway)).clamp(0.0, 1.0);
                let fine = *fine.at(x, y);
                *out = wide.as_ref().map_or(fine, |wide| {
                    let ratio = fine + t * (wide.at(x, y) - fine);
                    let limit = SWAY_LIMIT / (t * t).max(f32::EPSILON);
                    pool + (ratio - pool).clamp(-limit, limit)
                });
            }
        })
    })
}

/// Ratio of local means along `rim`, from sums of light and of weights.
fn local_ratio(
    lit: &Plane<f32>,
    plate: &Plane<f32>,
    weight: &Plane<f32>,
    rim: &Spans,
) -> Plane<f32> {
    rim.filled(|y, run, out| {
        let (lit, plate) = (&lit.row(y)[run.from..], &plate.row(y)[run.from..]);
        for (k, (out, w)) in out.iter_mut().zip(&weight.row(y)[run.from..]).enumerate() {
            let floor = FLARE * w + 1e-9;
            *out = ln((lit[k].max(0.0) + floor) / (plate[k].max(0.0) + floor));
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;
    use crate::scene::drawn::grey;

    /// Leaves round a hole show thrice the plate's light, for the sky shines through them now: where nothing
    /// agrees that is not believed, where all does it is light.
    #[test]
    fn what_sways_says_little_of_the_light() {
        let size = Size {
            columns: 200,
            rows: 120,
        };
        let even = |value: f32| Plane::filled(size, value);
        let [lit, plate] = [0.3, 0.1].map(|light| grey(even(light)));
        let plate_seen = Perceived {
            lightness: even(38.0),
            a: even(0.0),
            b: even(0.0),
        };
        let nowhere = Plane::filled(size, false);
        let is_hole = |x: usize, y: usize| (90..110).contains(&x) && (50..70).contains(&y);
        let share = Plane::from_fn(size, |x, y| f32::from(u8::from(is_hole(x, y))));
        let pool = [(); 3].map(|()| even(0.0));
        let gain = |agreement: f32| {
            let relit = relight(&RelightInputs {
                lit: &lit,
                plate: &plate,
                plate_seen: &plate_seen,
                agreement: &even(agreement),
                pool: &pool,
                sky: &nowhere,
                lit_sky: &nowhere,
                share: &share,
                keep: &nowhere,
                shaded: &nowhere,
            });
            *relit.log_gain[1].at(100, 60)
        };
        let measured = ((0.3 + FLARE) / (0.1 + FLARE)).ln();
        assert!((gain(1.0) - measured).abs() < 0.05, "{}", gain(1.0));
        assert!(
            (0.3..SWAY_LIMIT + 0.01).contains(&gain(0.0)),
            "{}",
            gain(0.0)
        );
    }
}
