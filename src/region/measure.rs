//! Measuring the pieces.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::extent::Extent;
use super::probe::{Probe, VALUES, Value, Values};
use super::surroundings::{add_blobs, add_distances, add_surroundings, join_neighbours};
use super::{Observed, Piece, PieceFeatures, Regions};
use crate::change::{Edges, edges};
use crate::numeric::segmentation::Pieces;
use crate::scene::Size;

/// Gradient of ln luminance a pixel from which the plate has an edge: a step of some 10 %.
const PLATE_EDGE: f32 = 0.04;

/// Structure weaker than this is not seen: variance of ln light of a 2 % step (about one just
/// noticeable difference of lightness).
const UNSEEN_STRUCTURE: f64 = 0.0004;

/// Rows summed up at once. Fixed, so that sums don't depend on the number of threads.
const STRIP_ROWS: usize = 32;

/// Shared rim in px by the numbers of two adjoining pieces, the smaller first; 0 is what did not
/// change.
pub(super) type SharedRims = BTreeMap<(u32, u32), u32>;

/// Measures each piece, first by itself, then beside the others.
pub(super) fn measure(observed: &Observed<'_>, pieces: Pieces) -> Regions {
    let size = pieces.numbers.size();
    let numbers = pieces.numbers.as_slice();
    let probe = Probe::new(observed, numbers);
    let strips: Vec<Strip> = (0..size.rows.div_ceil(STRIP_ROWS))
        .into_par_iter()
        .map_init(
            || vec![NOWHERE; pieces.count + 1],
            |places, k| Strip::measure(&probe, &pieces, k * STRIP_ROWS, places),
        )
        .collect();
    drop(probe);
    let (sums, shared) = add_up(strips, pieces.count);
    let mut out: Vec<Piece> = sums
        .iter()
        .map(|sums| Piece {
            features: own_features(sums, size),
            area: sums.extent.area,
            window: sums.extent.window(),
            neighbours: Vec::new(),
        })
        .collect();
    let unchanged_rim = join_neighbours(&mut out, &shared);
    add_surroundings(&mut out, &unchanged_rim);
    add_blobs(&mut out, &pieces.numbers, size);
    let extents: Vec<Extent> = sums.iter().map(|s| s.extent).collect();
    add_distances(&mut out, &extents, size);
    super::hull::add_moving_hulls(&mut out, &pieces.numbers);
    Regions {
        numbers: pieces.numbers,
        pieces: out,
    }
}

/// Sums over the pixels of one piece.
#[derive(Debug, Clone)]
struct Sums {
    extent: Extent,
    values: Values<f64>,
    rim: Rim,
    agreements: Vec<f32>,
}

/// Sums along a piece's rim, and its pixels.
#[derive(Debug, Clone, Copy, Default)]
struct Rim {
    new_edge: f64,
    lost_edge: f64,
    plate_edge: f64,
    length: usize,
}

impl Sums {
    fn new() -> Self {
        Self {
            extent: Extent::default(),
            values: [0.0; VALUES],
            rim: Rim::default(),
            agreements: Vec::new(),
        }
    }

    fn add(&mut self, values: &Values<f32>) {
        for (sum, &v) in self.values.iter_mut().zip(values) {
            *sum += f64::from(v);
        }
        self.agreements
            .push(values[Value::AgreementCoarse as usize]);
    }

    fn add_rim(&mut self, edges: &Edges, i: usize) {
        self.rim.new_edge += f64::from(edges.new[i]);
        self.rim.lost_edge += f64::from(edges.lost[i]);
        self.rim.plate_edge += f64::from(u8::from(edges.plate[i] > PLATE_EDGE));
        self.rim.length += 1;
    }

    fn join(&mut self, other: Self) {
        self.extent.join(&other.extent);
        for (sum, v) in self.values.iter_mut().zip(other.values) {
            *sum += v;
        }
        self.rim.new_edge += other.rim.new_edge;
        self.rim.lost_edge += other.rim.lost_edge;
        self.rim.plate_edge += other.rim.plate_edge;
        self.rim.length += other.rim.length;
        self.agreements.extend(other.agreements);
    }

    fn mean(&self, value: Value) -> f32 {
        self.precise_mean(value) as f32
    }

    fn precise_mean(&self, value: Value) -> f64 {
        self.values[value as usize] / self.extent.area.max(1) as f64
    }

    /// Mean product of two values less the product of their means.
    fn covariance(&self, product: Value, a: Value, b: Value) -> f64 {
        self.precise_mean(product) - self.precise_mean(a) * self.precise_mean(b)
    }

    /// Standard deviation.
    fn spread(&self, square: Value, mean: Value) -> f32 {
        self.covariance(square, mean, mean).max(0.0).sqrt() as f32
    }
}

/// Correlation of lit frame and plate over the pixels of a piece, steadied by
/// [`UNSEEN_STRUCTURE`]: nothing to compare counts as agreement.
fn inner_agreement(s: &Sums) -> f32 {
    let lit = s.covariance(Value::LitLogSquared, Value::LitLog, Value::LitLog);
    let plate = s.covariance(Value::PlateLogSquared, Value::PlateLog, Value::PlateLog);
    let both = s.covariance(Value::LogProduct, Value::LitLog, Value::PlateLog);
    let steady = |variance: f64| variance.max(0.0) + UNSEEN_STRUCTURE;
    ((both + UNSEEN_STRUCTURE) / (steady(lit) * steady(plate)).sqrt()) as f32
}

/// Place of a piece that a strip has not met.
const NOWHERE: u32 = u32::MAX;

/// What a strip of rows adds to the pieces that it meets.
struct Strip {
    /// Piece numbers and their sums, in the order in which they were met.
    sums: Vec<(u32, Sums)>,
    /// Pairs of adjoining pieces, rising, and how many steps lead from one to the other.
    meetings: Vec<((u32, u32), u32)>,
}

impl Strip {
    /// `places` tells where each piece's sums are, by number; it comes and goes with [`NOWHERE`] for
    /// all of them.
    fn measure(probe: &Probe<'_>, pieces: &Pieces, top: usize, places: &mut [u32]) -> Self {
        let size = pieces.numbers.size();
        let numbers = pieces.numbers.as_slice();
        let mut strip = Self {
            sums: Vec::new(),
            meetings: Vec::new(),
        };
        let rows = top..(top + STRIP_ROWS).min(size.rows);
        let first = top * size.columns;
        if numbers[first..rows.end * size.columns]
            .iter()
            .all(|&n| n == 0)
        {
            return strip;
        }
        let edges = edges(probe.observed.lit, probe.observed.plate, rows.clone());
        let mut steps = Vec::new();
        for y in rows {
            for x in 0..size.columns {
                let i = y * size.columns + x;
                let n = numbers[i];
                if n == 0 {
                    continue;
                }
                let place = &mut places[n as usize];
                if *place == NOWHERE {
                    *place = strip.sums.len() as u32;
                    strip.sums.push((n, Sums::new()));
                }
                let sums = &mut strip.sums[*place as usize].1;
                sums.extent.add(x, y);
                let in_strip = i - first;
                sums.add(&probe.values(i, [edges.new[in_strip], edges.lost[in_strip]]));
                if meet_neighbours(numbers, size, (x, y), &mut steps) {
                    sums.add_rim(&edges, in_strip);
                }
            }
        }
        for (n, _) in &strip.sums {
            places[*n as usize] = NOWHERE;
        }
        steps.sort_unstable();
        let pairs = steps.chunk_by(|a, b| a == b);
        strip.meetings = pairs.map(|same| (same[0], same.len() as u32)).collect();
        strip
    }
}

/// Notes the pieces (and what did not change) beside a pixel; whether there are any.
fn meet_neighbours(
    numbers: &[u32],
    size: Size,
    (x, y): (usize, usize),
    meetings: &mut Vec<(u32, u32)>,
) -> bool {
    let i = y * size.columns + x;
    let n = numbers[i];
    let mut on_rim = false;
    let mut meet = |j: usize| {
        let other = numbers[j];
        on_rim |= other != n;
        // Two pieces meet from both sides, and are counted from one.
        if other == 0 {
            meetings.push((0, n));
        } else if n < other {
            meetings.push((n, other));
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
    on_rim
}

/// The sums of each piece, and the rims that pieces share.
fn add_up(strips: Vec<Strip>, count: usize) -> (Vec<Sums>, SharedRims) {
    let mut sums = vec![Sums::new(); count];
    let mut shared = SharedRims::new();
    for strip in strips {
        for (n, part) in strip.sums {
            sums[n as usize - 1].join(part);
        }
        for (pair, steps) in strip.meetings {
            *shared.entry(pair).or_default() += steps;
        }
    }
    (sums, shared)
}

fn own_features(s: &Sums, size: Size) -> PieceFeatures {
    let long = size.long_side() as f32;
    let extent = &s.extent;
    let area = extent.area as f32;
    let window = extent.window();
    let centre = extent.centre();
    let rim_mean = |sum: f64| (sum / s.rim.length.max(1) as f64) as f32;
    let flag = |b: bool| f32::from(u8::from(b));
    let mut agreements = s.agreements.clone();
    let low = agreements.len() / 10;
    let low = *agreements.select_nth_unstable_by(low, f32::total_cmp).1;
    PieceFeatures {
        area: (area / size.area() as f32).log10(),
        off_centre: (centre.x as f32 / size.columns as f32 - 0.5).abs(),
        height_in_frame: centre.y as f32 / size.rows as f32,
        touches_top: flag(extent.top == 0),
        touches_side: flag(extent.left == 0 || extent.right + 1 == size.columns),
        touches_bottom: flag(extent.bottom + 1 == size.rows),
        box_width: window.columns() as f32 / long,
        box_height: window.rows() as f32 / long,
        fill: area / window.size().area() as f32,
        thickness: 1000.0 * 2.0 * area / s.rim.length.max(1) as f32 / long,
        difference: s.mean(Value::Difference),
        excess: s.mean(Value::Excess),
        excess_spread: s.spread(Value::ExcessSquared, Value::Excess),
        excess_red: s.mean(Value::Redder),
        excess_blue: s.mean(Value::Bluer),
        lit_lightness: s.mean(Value::LitLightness),
        lit_a: s.mean(Value::LitA),
        lit_b: s.mean(Value::LitB),
        lit_spread: s.spread(Value::LitLightnessSquared, Value::LitLightness),
        lit_clipped: s.mean(Value::Clipped),
        plate_lightness: s.mean(Value::PlateLightness),
        plate_a: s.mean(Value::PlateA),
        plate_b: s.mean(Value::PlateB),
        agreement_fine: s.mean(Value::AgreementFine),
        agreement_coarse: s.mean(Value::AgreementCoarse),
        agreement_low: low,
        plate_texture: s.mean(Value::PlateTexture),
        lit_texture: s.mean(Value::LitTexture),
        rim_new_edge: rim_mean(s.rim.new_edge),
        rim_lost_edge: rim_mean(s.rim.lost_edge),
        inner_new_edge: s.mean(Value::NewEdge),
        inner_lost_edge: s.mean(Value::LostEdge),
        plate_sky: s.mean(Value::PlateSky),
        lit_sky: s.mean(Value::LitSky),
        sway: s.mean(Value::NearestTone),
        skin: s.mean(Value::Skin),
        still: s.mean(Value::Still),
        returns: s.mean(Value::Returns),
        above_ambient: s.mean(Value::Level),
        ratio_colour: s.mean(Value::RatioColour),
        rim_plate_edge: rim_mean(s.rim.plate_edge),
        inner_agreement: inner_agreement(s),
        inner_texture: s.spread(Value::PlateLogSquared, Value::PlateLog),
        ..PieceFeatures::default()
    }
}
