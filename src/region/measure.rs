//! Cutting the change into pieces and measuring them.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::{PieceFeatures, Stillness};
use crate::change::{Evidence, nearest_difference};
use crate::lighting::LightingChange;
use crate::numeric::filter::box_mean;
use crate::numeric::segmentation::{Granularity, Pieces, cut};
use crate::scene::{Plane, SceneLinear, Size, Window, difference};
use crate::sky::SkyLayer;

/// A difference below this (CIE94) is not seen even side by side, and is no change.
const SEEN_DIFFERENCE: f32 = 2.0;

/// A change must exceed the noise of the blurred frames by this many sigmas.
const NOISE_SIGMAS: f32 = 4.0;

/// The comparison's blur lowers the noise to this share (a Gaussian of 1.2 px: 1 / (2·sqrt(pi)·1.2)).
const BLUR_NOISE_SHARE: f32 = 0.235;

/// Granularity of the cut in CIE94 units times pixels: pieces of 100 px merge across 1 unit.
const CUT_SCALE: f32 = 100.0;

/// Smallest piece in px of the working copy.
const MIN_PIECE: u32 = 16;

/// Change smaller than this in px, alone in unchanged surroundings, is not measured.
const MIN_BLOB: usize = 9;

/// Weight of a step of the excess (ln units) beside a step of colour (CIE94) in the cut.
const EXCESS_WEIGHT: f32 = 10.0;

/// Weight of a step of stillness (0..1) beside a step of colour (CIE94) in the cut.
const STILLNESS_WEIGHT: f32 = 12.0;

/// Code values from here on are clipped, scene-linear.
const CLIPPED_LIGHT: f32 = 0.95;

/// Reach of the search for the same tone and its steps, px.
const SWAY_REACH: (usize, usize) = (4, 2);

/// A standing or moving thing counts as large from this share of the frame on.
const LARGE_SHARE: f32 = 0.0015;

/// Gradient of ln luminance a pixel from which the plate has an edge: a step of some 10 %.
const PLATE_EDGE: f32 = 0.04;

/// Coarse agreement below which something stands in front of the plate's surface.
const COVERED_AGREEMENT: f32 = 0.6;

/// Everything known of a frame before its pieces are cut.
#[derive(Debug, Clone, Copy)]
pub struct Observed<'a> {
    /// The lit frame.
    pub lit: &'a SceneLinear,
    /// Light.
    pub light: &'a LightingChange,
    /// Evidence of change.
    pub evidence: &'a Evidence,
    /// Where the plate shows the lit frame's place at all, short of the last few pixels.
    pub usable: &'a Plane<bool>,
    /// The plate's sky.
    pub sky: &'a SkyLayer,
    /// Stillness, when other poses were seen.
    pub stillness: Option<&'a Stillness>,
}

/// A piece that shares some rim.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Neighbour {
    /// Index of the other piece.
    pub piece: usize,
    /// Shared rim, px.
    pub rim: u32,
}

/// One piece of change.
#[derive(Debug, Clone)]
pub struct Piece {
    /// What was measured.
    pub features: PieceFeatures,
    /// Extent in px of the working copy.
    pub area: usize,
    /// Box in px of the working copy.
    pub window: Window,
    /// Adjoining pieces, by index.
    pub neighbours: Vec<Neighbour>,
}

/// All pieces of change in a frame.
#[derive(Debug, Clone)]
pub struct Regions {
    /// Piece number from 1 a pixel; 0 where nothing changed visibly.
    pub numbers: Plane<u32>,
    /// The pieces; number `n` is at index `n - 1`.
    pub pieces: Vec<Piece>,
}

/// Cuts what visibly changed into pieces and measures each.
pub fn cut_regions(observed: &Observed<'_>) -> Regions {
    let changed = changed_pixels(observed);
    let seen = &observed.evidence.lit_seen;
    let excess = observed.evidence.excess.as_slice();
    let pieces = cut(
        &changed,
        Granularity {
            scale: CUT_SCALE,
            min_area: MIN_PIECE,
        },
        |i, j| {
            let colour = difference(seen.at_index(i), seen.at_index(j)).0;
            let light = EXCESS_WEIGHT * (excess[i] - excess[j]).abs();
            let pose = observed.stillness.map_or(0.0, |s| {
                let step = |p: &Plane<f32>| (p.as_slice()[i] - p.as_slice()[j]).abs();
                STILLNESS_WEIGHT * step(&s.still).max(step(&s.returns))
            });
            colour.max(light).max(pose)
        },
    );
    measure(observed, pieces)
}

fn changed_pixels(observed: &Observed<'_>) -> Plane<bool> {
    let evidence = observed.evidence;
    let noise = &observed.light.noise;
    let raw = evidence
        .difference
        .zip(&evidence.lit_seen.lightness, |&d, &lightness| {
            let y = ((lightness + 16.0) / 116.0).max(0.1).powi(3);
            let per_light = 116.0 / 3.0 * y.powf(-2.0 / 3.0);
            let sigma = noise.sigma(y) * BLUR_NOISE_SHARE * std::f32::consts::SQRT_2 * per_light;
            d > SEEN_DIFFERENCE.max(NOISE_SIGMAS * sigma)
        });
    // Where the plate shows nothing, nothing can be said.
    let raw = raw.zip(observed.usable, |&c, &u| c && u);
    // Holes of single pixels closed, specks of single pixels dropped.
    let share = box_mean(&raw.map(|&c| if c { 1.0 } else { 0.0 }), 1);
    let closed = raw.zip(&share, |&c, &s| if c { s > 0.2 } else { s > 0.5 });
    without_small_blobs(&closed)
}

fn without_small_blobs(mask: &Plane<bool>) -> Plane<bool> {
    let blobs = connected(mask);
    let mut areas = vec![0usize; blobs.count + 1];
    for &n in blobs.numbers.as_slice() {
        areas[n as usize] += 1;
    }
    blobs
        .numbers
        .map(|&n| n > 0 && areas[n as usize] >= MIN_BLOB)
}

/// Connected blobs (eight neighbours), numbered from 1.
pub fn connected_blobs(mask: &Plane<bool>) -> Pieces {
    connected(mask)
}

pub(super) fn connected(mask: &Plane<bool>) -> Pieces {
    let size = mask.size();
    let bytes = mask.map(|&m| if m { 255u8 } else { 0 });
    let picture = image::GrayImage::from_raw(
        size.columns as u32,
        size.rows as u32,
        bytes.as_slice().to_vec(),
    )
    .expect("a plane holds rows x columns bytes");
    let numbers = imageproc::region_labelling::connected_components(
        &picture,
        imageproc::region_labelling::Connectivity::Eight,
        image::Luma([0]),
    );
    let numbers: Vec<u32> = numbers.into_raw();
    let count = numbers.iter().copied().max().unwrap_or(0) as usize;
    Pieces {
        numbers: Plane::from_vec(size, numbers),
        count,
    }
}

/// Sums over the pixels of one piece or blob.
#[derive(Debug, Clone)]
struct Sums {
    area: usize,
    perimeter: usize,
    x: f64,
    left: usize,
    top: usize,
    right: usize,
    bottom: usize,
    y: f64,
    values: [f64; VALUES],
    agreements: Vec<f32>,
}

/// Per-pixel values that are averaged over a piece, in this order.
const VALUES: usize = 27;

impl Sums {
    fn new() -> Self {
        Self {
            area: 0,
            perimeter: 0,
            x: 0.0,
            y: 0.0,
            left: usize::MAX,
            top: usize::MAX,
            right: 0,
            bottom: 0,
            values: [0.0; VALUES],
            agreements: Vec::new(),
        }
    }

    fn mean(&self, value: usize) -> f32 {
        (self.values[value] / self.area.max(1) as f64) as f32
    }

    fn window(&self) -> Window {
        Window {
            left: self.left,
            top: self.top,
            right: self.right + 1,
            bottom: self.bottom + 1,
        }
    }
}

fn measure(observed: &Observed<'_>, pieces: Pieces) -> Regions {
    let size = pieces.numbers.size();
    let mut sums = vec![Sums::new(); pieces.count + 1];
    let mut rims = vec![Rim::default(); pieces.count + 1];
    let mut shared: BTreeMap<(u32, u32), u32> = BTreeMap::new();
    let numbers = pieces.numbers.as_slice();
    let probe = Probe::new(observed, numbers);
    // Strips of rows are probed in parallel and added up in order: sums don't depend on threads.
    let mut probed: Vec<Vec<[f32; VALUES]>> = Vec::new();
    for y in 0..size.rows {
        if y % PROBED_ROWS == 0 {
            let strip = y..(y + PROBED_ROWS).min(size.rows);
            strip
                .into_par_iter()
                .map(|y| probe.row(y, numbers))
                .collect_into_vec(&mut probed);
        }
        let mut values_of_row = probed[y % PROBED_ROWS].iter();
        for x in 0..size.columns {
            let i = y * size.columns + x;
            let n = numbers[i];
            if n == 0 {
                continue;
            }
            let values = values_of_row
                .next()
                .expect("every pixel of a piece was probed");
            let s = &mut sums[n as usize];
            s.area += 1;
            s.x += x as f64;
            s.y += y as f64;
            s.left = s.left.min(x);
            s.right = s.right.max(x);
            s.top = s.top.min(y);
            s.bottom = s.bottom.max(y);
            for (sum, &v) in s.values.iter_mut().zip(values) {
                *sum += f64::from(v);
            }
            s.agreements.push(values[12]);
            let mut on_rim = false;
            let mut meet = |j: usize| {
                if numbers[j] != n {
                    on_rim = true;
                    if numbers[j] == 0 || n < numbers[j] {
                        let key = if numbers[j] == 0 {
                            (0, n)
                        } else {
                            (n, numbers[j])
                        };
                        *shared.entry(key).or_default() += 1;
                    }
                }
            };
            if x > 0 {
                meet(i - 1);
            }
            if x + 1 < size.columns {
                meet(i + 1);
            }
            if y > 0 {
                meet(i - size.columns);
            }
            if y + 1 < size.rows {
                meet(i + size.columns);
            }
            if on_rim {
                s.perimeter += 1;
                let rim = &mut rims[n as usize];
                rim.0 += f64::from(observed.evidence.new_edge.as_slice()[i]);
                rim.1 += f64::from(observed.evidence.lost_edge.as_slice()[i]);
                rim.2 += f64::from(u8::from(
                    observed.evidence.plate_edge.as_slice()[i] > PLATE_EDGE,
                ));
                rim.3 += 1;
            }
        }
    }
    let mut out: Vec<Piece> = (1..=pieces.count)
        .map(|n| Piece {
            features: own_features(&sums[n], rims[n], size),
            area: sums[n].area,
            window: sums[n].window(),
            neighbours: Vec::new(),
        })
        .collect();
    let unchanged_rim = join_neighbours(&mut out, &shared);
    add_surroundings(&mut out, &unchanged_rim);
    add_blobs(&mut out, &pieces.numbers, size);
    add_distances(&mut out, &sums, size);
    super::hull::add_moving_hulls(&mut out, &pieces.numbers);
    Regions {
        numbers: pieces.numbers,
        pieces: out,
    }
}

/// Tells adjoining pieces of each other; gives back the rim that each shares with unchanged
/// surroundings, by piece number.
fn join_neighbours(out: &mut [Piece], shared: &BTreeMap<(u32, u32), u32>) -> Vec<u32> {
    let mut unchanged_rim = vec![0u32; out.len() + 1];
    for (&(a, b), &rim) in shared {
        if a == 0 {
            unchanged_rim[b as usize] = rim;
            continue;
        }
        out[a as usize - 1].neighbours.push(Neighbour {
            piece: b as usize - 1,
            rim,
        });
        out[b as usize - 1].neighbours.push(Neighbour {
            piece: a as usize - 1,
            rim,
        });
    }
    unchanged_rim
}

/// Along a piece's rim: sums of new edge, lost edge and plate edges, and the number of pixels.
#[derive(Debug, Clone, Copy, Default)]
struct Rim(f64, f64, f64, usize);

/// Rows probed at once.
const PROBED_ROWS: usize = 64;

/// Reads the per-pixel values.
struct Probe<'a> {
    observed: &'a Observed<'a>,
    size: Size,
    /// Smallest difference to the relit plate's tones around, where there are pieces.
    nearest_tone: Plane<f32>,
}

impl<'a> Probe<'a> {
    fn new(observed: &'a Observed<'a>, numbers: &[u32]) -> Self {
        let Evidence {
            lit_seen,
            relit_seen,
            ..
        } = observed.evidence;
        let nearest_tone = nearest_difference(lit_seen, relit_seen, SWAY_REACH, |i| numbers[i] > 0);
        Self {
            observed,
            size: observed.lit.size(),
            nearest_tone,
        }
    }

    /// The values of a row's pixels that belong to pieces.
    fn row(&self, y: usize, numbers: &[u32]) -> Vec<[f32; VALUES]> {
        let from = y * self.size.columns;
        (from..from + self.size.columns)
            .filter(|&i| numbers[i] > 0)
            .map(|i| self.values(i))
            .collect()
    }

    fn values(&self, i: usize) -> [f32; VALUES] {
        let o = self.observed;
        let e = o.evidence;
        let ratio = |c: usize| o.light.log_ratio[c].as_slice()[i] - o.light.pool[c].as_slice()[i];
        let lit = e.lit_seen.at_index(i);
        let plate = e.relit_seen.at_index(i);
        let excess = e.excess.as_slice()[i];
        let clipped = o.lit.at_index(i).into_iter().fold(0.0f32, f32::max) >= CLIPPED_LIGHT;
        let (still, returns) = o.stillness.map_or((0.0, 0.0), |s| {
            (s.still.as_slice()[i], s.returns.as_slice()[i])
        });
        let lit_sky = o.sky.fits_loosely(lit);
        let total: [f32; 3] = std::array::from_fn(|c| {
            o.light.log_ratio[c].as_slice()[i] - o.light.gain[c].max(1e-3).ln()
        });
        let level = (total[0] + total[1] + total[2]) / 3.0;
        let colour = total.iter().map(|t| (t - level).abs()).fold(0.0, f32::max);
        [
            e.difference.as_slice()[i],
            excess,
            excess * excess,
            ratio(0) - ratio(1),
            ratio(2) - ratio(1),
            lit[0],
            lit[1],
            lit[2],
            lit[0] * lit[0],
            f32::from(u8::from(clipped)),
            plate[0],
            plate[1],
            o.light.agreement.coarse.as_slice()[i],
            plate[2],
            o.light.agreement.fine.as_slice()[i],
            o.light.agreement.plate_texture.as_slice()[i],
            o.light.agreement.lit_texture.as_slice()[i],
            e.new_edge.as_slice()[i],
            e.lost_edge.as_slice()[i],
            f32::from(u8::from(o.sky.mask.as_slice()[i])),
            f32::from(u8::from(lit_sky)),
            self.nearest_tone.as_slice()[i],
            f32::from(u8::from(is_skin(lit))),
            still,
            returns,
            level,
            colour,
        ]
    }
}

/// Hues of skin of any depth lie between red and yellow at moderate chroma (from memory; the
/// published clusters in CIELAB agree on a hue of roughly 25 to 75 degrees).
fn is_skin(lab: [f32; 3]) -> bool {
    let chroma = (lab[1] * lab[1] + lab[2] * lab[2]).sqrt();
    let hue = lab[2].atan2(lab[1]).to_degrees();
    (20.0..75.0).contains(&hue) && (8.0..45.0).contains(&chroma) && lab[0] > 15.0
}

fn own_features(s: &Sums, rim: Rim, size: Size) -> PieceFeatures {
    let long = size.long_side() as f32;
    let area = s.area as f32;
    let window = s.window();
    let spread = |square: usize, mean: usize| {
        (s.mean(square) - s.mean(mean) * s.mean(mean))
            .max(0.0)
            .sqrt()
    };
    let rim_mean = |sum: f64| (sum / rim.3.max(1) as f64) as f32;
    let flag = |b: bool| f32::from(u8::from(b));
    let mut agreements = s.agreements.clone();
    let low = agreements.len() / 10;
    let low = *agreements.select_nth_unstable_by(low, f32::total_cmp).1;
    PieceFeatures {
        area: (area / size.area() as f32).log10(),
        off_centre: ((s.x / s.area as f64) as f32 / size.columns as f32 - 0.5).abs(),
        height_in_frame: (s.y / s.area as f64) as f32 / size.rows as f32,
        touches_top: flag(s.top == 0),
        touches_side: flag(s.left == 0 || s.right + 1 == size.columns),
        touches_bottom: flag(s.bottom + 1 == size.rows),
        box_width: window.columns() as f32 / long,
        box_height: window.rows() as f32 / long,
        fill: area / window.size().area() as f32,
        thickness: 1000.0 * 2.0 * area / s.perimeter.max(1) as f32 / long,
        difference: s.mean(0),
        excess: s.mean(1),
        excess_spread: spread(2, 1),
        excess_red: s.mean(3),
        excess_blue: s.mean(4),
        lit_lightness: s.mean(5),
        lit_a: s.mean(6),
        lit_b: s.mean(7),
        lit_spread: spread(8, 5),
        lit_clipped: s.mean(9),
        plate_lightness: s.mean(10),
        plate_a: s.mean(11),
        plate_b: s.mean(13),
        agreement_fine: s.mean(14),
        agreement_coarse: s.mean(12),
        agreement_low: low,
        plate_texture: s.mean(15),
        lit_texture: s.mean(16),
        rim_new_edge: rim_mean(rim.0),
        rim_lost_edge: rim_mean(rim.1),
        inner_new_edge: s.mean(17),
        inner_lost_edge: s.mean(18),
        plate_sky: s.mean(19),
        lit_sky: s.mean(20),
        sway: s.mean(21),
        skin: s.mean(22),
        still: s.mean(23),
        returns: s.mean(24),
        above_ambient: s.mean(25),
        ratio_colour: s.mean(26),
        rim_plate_edge: rim_mean(rim.2),
        ..PieceFeatures::default()
    }
}

fn add_surroundings(pieces: &mut [Piece], unchanged_rim: &[u32]) {
    let own: Vec<PieceFeatures> = pieces.iter().map(|p| p.features).collect();
    for (index, piece) in pieces.iter_mut().enumerate() {
        let free = unchanged_rim[index + 1] as f32;
        let touching: f32 = piece.neighbours.iter().map(|n| n.rim as f32).sum();
        let total = (free + touching).max(1.0);
        let mean = |of: &dyn Fn(&PieceFeatures) -> f32, unchanged: f32| {
            let sum: f32 = piece
                .neighbours
                .iter()
                .map(|n| n.rim as f32 * of(&own[n.piece]))
                .sum();
            (sum + free * unchanged) / total
        };
        let f = piece.features;
        piece.features.near_difference = mean(&|f| f.difference, 0.0);
        piece.features.near_excess = mean(&|f| f.excess, 0.0);
        piece.features.near_agreement = mean(&|f| f.agreement_coarse, 1.0);
        piece.features.near_lightness = mean(&|f| f.lit_lightness, f.plate_lightness);
        piece.features.near_unchanged = free / total;
        piece.features.near_still = mean(&|f| f.still, 0.5);
        piece.features.near_returns = mean(&|f| f.returns, 0.5);
    }
}

fn add_blobs(pieces: &mut [Piece], numbers: &Plane<u32>, size: Size) {
    let blobs = connected(&numbers.map(|&n| n > 0));
    let mut blob_of = vec![0usize; pieces.len()];
    for (&n, &b) in numbers.as_slice().iter().zip(blobs.numbers.as_slice()) {
        if n > 0 {
            blob_of[n as usize - 1] = b as usize;
        }
    }
    let mut sums = vec![Sums::new(); blobs.count + 1];
    for (piece, &b) in pieces.iter().zip(&blob_of) {
        let s = &mut sums[b];
        let area = piece.area as f64;
        s.area += piece.area;
        s.x += area * (piece.window.left + piece.window.right) as f64 / 2.0;
        s.left = s.left.min(piece.window.left);
        s.right = s.right.max(piece.window.right - 1);
        s.top = s.top.min(piece.window.top);
        s.bottom = s.bottom.max(piece.window.bottom - 1);
        let f = &piece.features;
        for (sum, v) in s
            .values
            .iter_mut()
            .zip([f.still, f.returns, f.agreement_coarse])
        {
            *sum += area * f64::from(v);
        }
    }
    let flag = |b: bool| f32::from(u8::from(b));
    let long = size.long_side() as f32;
    for (piece, &b) in pieces.iter_mut().zip(&blob_of) {
        let s = &sums[b];
        let f = &mut piece.features;
        f.blob_area = (s.area as f32 / size.area() as f32).log10();
        f.blob_width = s.window().columns() as f32 / long;
        f.blob_height = s.window().rows() as f32 / long;
        f.blob_touches_top = flag(s.top == 0);
        f.blob_touches_side = flag(s.left == 0 || s.right + 1 == size.columns);
        f.blob_touches_bottom = flag(s.bottom + 1 == size.rows);
        f.blob_off_centre = ((s.x / s.area as f64) as f32 / size.columns as f32 - 0.5).abs();
        f.blob_still = s.mean(0);
        f.blob_returns = s.mean(1);
        f.blob_agreement = s.mean(2);
    }
}

/// Distances to large things that stand still or move, box to box.
fn add_distances(pieces: &mut [Piece], sums: &[Sums], size: Size) {
    /// A blob of pieces this large, in all, is a thing and not a coincidence.
    const MAX_DISTANCE: f32 = 1.0;
    let long = size.long_side() as f32;
    let min_area = LARGE_SHARE * size.area() as f32;
    let covered = |p: &Piece| p.features.agreement_coarse < COVERED_AGREEMENT;
    let pick = |wanted: &dyn Fn(&PieceFeatures) -> bool| -> Vec<Window> {
        pieces
            .iter()
            .filter(|p| p.area as f32 > 0.2 * min_area && covered(p) && wanted(&p.features))
            .map(|p| p.window)
            .collect()
    };
    let standing = pick(&|f| f.still > 0.7 && f.returns < 0.4);
    let moving = pick(&|f| f.still < 0.4 && f.plate_sky * f.lit_sky < 0.5);
    let nearest = |window: &Window, centre: (f64, f64), others: &[Window]| {
        let _ = window;
        others
            .iter()
            .map(|o| {
                let dx = (o.left as f64 - centre.0)
                    .max(centre.0 - o.right as f64)
                    .max(0.0);
                let dy = (o.top as f64 - centre.1)
                    .max(centre.1 - o.bottom as f64)
                    .max(0.0);
                (dx * dx + dy * dy).sqrt() as f32 / long
            })
            .fold(MAX_DISTANCE, f32::min)
    };
    let distances: Vec<(f32, f32)> = pieces
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let s = &sums[i + 1];
            let centre = (s.x / s.area as f64, s.y / s.area as f64);
            (
                nearest(&p.window, centre, &standing),
                nearest(&p.window, centre, &moving),
            )
        })
        .collect();
    for (piece, (to_standing, to_moving)) in pieces.iter_mut().zip(distances) {
        piece.features.to_standing = to_standing;
        piece.features.to_moving = to_moving;
    }
}
