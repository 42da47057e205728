//! What pieces are to each other: neighbours, blobs, and distances to large things.

use rayon::prelude::*;

use super::blobs::connected_blobs;
use super::extent::Extent;
use super::measure::SharedRims;
use super::{Neighbour, Piece, PieceFeatures};
use crate::scene::{Plane, Point, Size, Window};

/// A standing or moving thing counts as large from this share of the frame on.
const LARGE_SHARE: f32 = 0.0015;

/// Distance that stands for farther away and for nothing there, in long sides of the frame.
const MAX_DISTANCE: f32 = 1.0;

/// Coarse agreement below which something stands in front of the plate's surface.
const COVERED_AGREEMENT: f32 = 0.6;

/// Tells adjoining pieces of each other; gives back the rim that each shares with unchanged
/// surroundings, by piece number.
pub(super) fn join_neighbours(out: &mut [Piece], shared: &SharedRims) -> Vec<u32> {
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

/// Tells each piece of its neighbours' features, weighted by the rim shared.
pub(super) fn add_surroundings(pieces: &mut [Piece], unchanged_rim: &[u32]) {
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

/// Tells each piece of the connected blob of pieces that it is part of.
pub(super) fn add_blobs(pieces: &mut [Piece], numbers: &Plane<u32>, size: Size) {
    let blobs = connected_blobs(&numbers.map(|&n| n > 0));
    let mut blob_of = vec![0usize; pieces.len()];
    for (&n, &b) in numbers.as_slice().iter().zip(blobs.numbers.as_slice()) {
        if n > 0 {
            blob_of[n as usize - 1] = b as usize;
        }
    }
    let mut sums: Vec<Option<Blob>> = vec![None; blobs.count + 1];
    for (piece, &b) in pieces.iter().zip(&blob_of) {
        sums[b]
            .get_or_insert_with(|| Blob::around(piece))
            .add(piece);
    }
    let flag = |b: bool| f32::from(u8::from(b));
    let long = size.long_side() as f32;
    for (piece, &b) in pieces.iter_mut().zip(&blob_of) {
        let Some(blob) = &sums[b] else { continue };
        let window = blob.window;
        let f = &mut piece.features;
        f.blob_area = (blob.area as f32 / size.area() as f32).log10();
        f.blob_width = window.columns() as f32 / long;
        f.blob_height = window.rows() as f32 / long;
        f.blob_touches_top = flag(window.top == 0);
        f.blob_touches_side = flag(window.left == 0 || window.right == size.columns);
        f.blob_touches_bottom = flag(window.bottom == size.rows);
        f.blob_off_centre = (blob.mean(blob.x) / size.columns as f32 - 0.5).abs();
        f.blob_still = blob.mean(blob.still);
        f.blob_returns = blob.mean(blob.returns);
        f.blob_agreement = blob.mean(blob.agreement);
    }
}

/// A connected blob of pieces: its box, and sums weighted by the pieces' areas.
#[derive(Debug, Clone)]
struct Blob {
    area: usize,
    window: Window,
    x: f64,
    still: f64,
    returns: f64,
    agreement: f64,
}

impl Blob {
    fn around(piece: &Piece) -> Self {
        Self {
            area: 0,
            window: piece.window,
            x: 0.0,
            still: 0.0,
            returns: 0.0,
            agreement: 0.0,
        }
    }

    fn add(&mut self, piece: &Piece) {
        let area = piece.area as f64;
        let window = piece.window;
        self.area += piece.area;
        self.window = Window {
            left: self.window.left.min(window.left),
            top: self.window.top.min(window.top),
            right: self.window.right.max(window.right),
            bottom: self.window.bottom.max(window.bottom),
        };
        self.x += area * (window.left + window.right) as f64 / 2.0;
        self.still += area * f64::from(piece.features.still);
        self.returns += area * f64::from(piece.features.returns);
        self.agreement += area * f64::from(piece.features.agreement_coarse);
    }

    fn mean(&self, sum: f64) -> f32 {
        (sum / self.area as f64) as f32
    }
}

/// Distances of each piece's centre to the boxes of large things that stand still or move.
pub(super) fn add_distances(pieces: &mut [Piece], extents: &[Extent], size: Size) {
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
    let nearest = |centre: Point, others: &[Window]| {
        others
            .iter()
            .map(|o| {
                let dx = (o.left as f64 - centre.x)
                    .max(centre.x - o.right as f64)
                    .max(0.0);
                let dy = (o.top as f64 - centre.y)
                    .max(centre.y - o.bottom as f64)
                    .max(0.0);
                (dx * dx + dy * dy).sqrt() as f32 / long
            })
            .fold(MAX_DISTANCE, f32::min)
    };
    pieces
        .par_iter_mut()
        .zip(extents)
        .for_each(|(piece, extent)| {
            let centre = extent.centre();
            piece.features.to_standing = nearest(centre, &standing);
            piece.features.to_moving = nearest(centre, &moving);
        });
}
