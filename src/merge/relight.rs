//! The membrane of the log-ratio.

use crate::lighting::FLARE;
use crate::numeric::filter::gaussian;
use crate::numeric::membrane::Membrane;
use crate::scene::{Perceived, Plane, SceneLinear, Window, difference};

/// Window in which the ratio of a still surface is taken, sigma in px.
const RATIO_SIGMA: f32 = 2.0;

/// Window where things sway, sigma in px: wider than leaves move.
const SWAY_SIGMA: f32 = 8.0;

/// Coarse agreement at and above which a surface counts as still, and below which as swaying.
const STILL_AGREEMENT: (f32, f32) = (0.85, 0.5);

/// Difference of neighbouring plate pixels (CIE94) that makes an edge of a surface.
const EDGE_DIFFERENCE: f32 = 4.0;

/// Conductance that is left across the hardest edge: light on neighbouring surfaces is related.
const LEAK: f32 = 0.02;

/// How firmly the membrane is held where the lit frame is kept.
const RIM_HOLD: f32 = 4.0;

/// How firmly it is held to the pool's prediction in the hole: rim values rule within some
/// 1 / sqrt(hold) = 220 px, the flash pool's fall-off beyond.
const POOL_HOLD: f32 = 2e-5;

/// Rim pixels farther from the hole than this say nothing new, px.
const RIM_WIDTH: usize = 40;

/// V-cycles of the membrane.
const CYCLES: usize = 3;

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
    /// Share of the plate in the merge.
    pub share: &'a Plane<f32>,
    /// Pixels whose lit value says nothing of the background: the person.
    pub keep: &'a Plane<bool>,
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
/// Solves in one window around each cluster of holes. Holds about 30 floats a pixel of the window.
pub fn relight(inputs: &RelightInputs<'_>) -> Relight {
    let mut out = Relight {
        log_gain: inputs.pool.clone(),
    };
    for window in windows(inputs.share) {
        let ground = solve_layer(inputs, window, Layer::Ground);
        let has_sky = rows_of(window).any(|(x, y)| *inputs.sky.at(x, y));
        let sky = has_sky.then(|| solve_layer(inputs, window, Layer::Sky));
        let in_sky = Plane::from_fn(window.size(), |x, y| {
            f32::from(u8::from(*inputs.sky.at(window.left + x, window.top + y)))
        });
        let sky_share = gaussian(&in_sky, 0.8);
        for y in 0..window.rows() {
            for x in 0..window.columns() {
                let (fx, fy) = (window.left + x, window.top + y);
                let below = ground.at(x, y);
                let above = sky.as_ref().map_or(below, |s| s.at(x, y));
                let t = *sky_share.at(x, y);
                for c in 0..3 {
                    out.log_gain[c].set(fx, fy, below[c] + t * (above[c] - below[c]));
                }
            }
        }
    }
    out
}

fn rows_of(window: Window) -> impl Iterator<Item = (usize, usize)> {
    (window.top..window.bottom).flat_map(move |y| (window.left..window.right).map(move |x| (x, y)))
}

/// Windows around the holes, grown by the rim; overlapping ones joined.
fn windows(share: &Plane<f32>) -> Vec<Window> {
    const TILE: usize = 32;
    let size = share.size();
    let mut found: Vec<Window> = Vec::new();
    for top in (0..size.rows).step_by(TILE) {
        for left in (0..size.columns).step_by(TILE) {
            let tile = Window {
                left,
                top,
                right: (left + TILE).min(size.columns),
                bottom: (top + TILE).min(size.rows),
            };
            if rows_of(tile).any(|(x, y)| *share.at(x, y) > 0.0) {
                found.push(tile.grown(RIM_WIDTH, size));
            }
        }
    }
    join_overlapping(found)
}

fn join_overlapping(mut windows: Vec<Window>) -> Vec<Window> {
    loop {
        let mut joined: Vec<Window> = Vec::new();
        let before = windows.len();
        for w in windows {
            let meets = |o: &Window| {
                w.left < o.right && o.left < w.right && w.top < o.bottom && o.top < w.bottom
            };
            match joined.iter_mut().find(|o| meets(o)) {
                Some(o) => {
                    *o = Window {
                        left: o.left.min(w.left),
                        top: o.top.min(w.top),
                        right: o.right.max(w.right),
                        bottom: o.bottom.max(w.bottom),
                    };
                }
                None => joined.push(w),
            }
        }
        if joined.len() == before {
            return joined;
        }
        windows = joined;
    }
}

fn solve_layer(inputs: &RelightInputs<'_>, window: Window, layer: Layer) -> Plane<[f32; 3]> {
    let size = window.size();
    let at = |x: usize, y: usize| (window.left + x, window.top + y);
    let valid = Plane::from_fn(size, |x, y| {
        let (fx, fy) = at(x, y);
        let in_layer = *inputs.sky.at(fx, fy) == (layer == Layer::Sky);
        let known = *inputs.share.at(fx, fy) < 0.01 && !*inputs.keep.at(fx, fy);
        f32::from(u8::from(in_layer && known))
    });
    let data = rim_ratio(inputs, window, &valid, layer);
    let hold = valid.map(|&v| if v > 0.0 { RIM_HOLD } else { POOL_HOLD });
    let conductance = |dx: usize, dy: usize| {
        Plane::from_fn(size, |x, y| {
            let (nx, ny) = (x + dx, y + dy);
            if nx >= size.columns || ny >= size.rows {
                return 0.0;
            }
            if layer == Layer::Sky {
                return 1.0;
            }
            let columns = inputs.lit.size().columns;
            let index = |(fx, fy): (usize, usize)| fy * columns + fx;
            let step = difference(
                inputs.plate_seen.at_index(index(at(x, y))),
                inputs.plate_seen.at_index(index(at(nx, ny))),
            )
            .0 / EDGE_DIFFERENCE;
            LEAK + (1.0 - LEAK) * (-step * step).exp()
        })
    };
    let membrane = Membrane {
        right: conductance(1, 0),
        down: conductance(0, 1),
        hold,
    };
    membrane.solve(&data, CYCLES)
}

/// The log-ratio as the rim's surfaces show it: ratio of local means, of one layer, over a window
/// that is wider where things sway; elsewhere the pool's prediction.
fn rim_ratio(
    inputs: &RelightInputs<'_>,
    window: Window,
    valid: &Plane<f32>,
    layer: Layer,
) -> Plane<[f32; 3]> {
    let size = window.size();
    let cut = |plane: &Plane<f32>| {
        Plane::from_fn(size, |x, y| *plane.at(window.left + x, window.top + y))
    };
    let ratios: Vec<[Plane<f32>; 2]> = (0..3)
        .map(|c| {
            let lit = cut(&inputs.lit.channels[c]).zip(valid, |l, v| l * v);
            let plate = cut(&inputs.plate.channels[c]).zip(valid, |p, v| p * v);
            [RATIO_SIGMA, SWAY_SIGMA].map(|sigma| local_ratio(&lit, &plate, valid, sigma))
        })
        .collect();
    let pool: [Plane<f32>; 3] = std::array::from_fn(|c| cut(&inputs.pool[c]));
    let agreement = cut(inputs.agreement);
    Plane::from_fn(size, |x, y| {
        if *valid.at(x, y) <= 0.0 {
            return std::array::from_fn(|c| *pool[c].at(x, y));
        }
        let (still, sway) = STILL_AGREEMENT;
        let t = ((still - agreement.at(x, y)) / (still - sway)).clamp(0.0, 1.0);
        let t = if layer == Layer::Sky { 0.0 } else { t };
        std::array::from_fn(|c| {
            let (fine, wide) = (*ratios[c][0].at(x, y), *ratios[c][1].at(x, y));
            fine + t * (wide - fine)
        })
    })
}

fn local_ratio(lit: &Plane<f32>, plate: &Plane<f32>, valid: &Plane<f32>, sigma: f32) -> Plane<f32> {
    let (lit, plate) = (gaussian(lit, sigma), gaussian(plate, sigma));
    let weight = gaussian(valid, sigma);
    let floor = weight.map(|w| FLARE * w + 1e-9);
    let lit = lit.zip(&floor, |l, f| l.max(0.0) + f);
    let plate = plate.zip(&floor, |p, f| p.max(0.0) + f);
    lit.zip(&plate, |l, p| (l / p).ln())
}
