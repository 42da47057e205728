//! What lies within the hull of a moving thing.
//!
//! A person may hold something still from pose to pose, or wear a cloth of one tone: what lies
//! between the moving parts belongs to them.

use imageproc::geometry::convex_hull;
use imageproc::point::Point;

use super::Piece;
use super::blobs::connected_blobs;
use crate::scene::Plane;

/// Stillness below which a covered piece moves.
const MOVING_BELOW: f32 = 0.45;

/// Coarse structure agreement below which a piece covers the plate's surface.
const COVERED_BELOW: f32 = 0.5;

/// Visible difference from which a piece is a thing and not a leaf (CIE94).
const THING_DIFFERENCE: f32 = 6.0;

/// Least difference to every tone of the plate nearby (CIE94): leaves and grass stay below.
const UNLIKE_NEARBY: f32 = 5.0;

/// Sky in the plate and of the sky's colours still: a cloud, not a thing.
const CLOUD_SHARE: f32 = 0.5;

/// A moving thing takes at least this share of the frame.
const MIN_SHARE: f32 = 0.002;

/// Sets `in_moving_hull` of each piece. Without stillness (all 0 and returning 0) every covered
/// piece would move: the caller's classifier for that case does not use the feature.
pub(super) fn add_moving_hulls(pieces: &mut [Piece], numbers: &Plane<u32>) {
    let moving: Vec<bool> = pieces
        .iter()
        .map(|p| {
            let f = &p.features;
            f.still < MOVING_BELOW
                && f.agreement_coarse < COVERED_BELOW
                && f.difference > THING_DIFFERENCE
                && f.sway > UNLIKE_NEARBY
                && f.plate_sky * f.lit_sky < CLOUD_SHARE
        })
        .collect();
    let size = numbers.size();
    let blobs = connected_blobs(&numbers.map(|&n| n > 0 && moving[n as usize - 1]));
    let mut rims: Vec<Vec<Point<i32>>> = vec![Vec::new(); blobs.count + 1];
    let mut areas = vec![0usize; blobs.count + 1];
    for y in 0..size.rows {
        let row = blobs.numbers.row(y);
        for (x, &b) in row.iter().enumerate() {
            areas[b as usize] += 1;
            // The ends of each run of a row are enough for a hull.
            let ends = x == 0 || x + 1 == size.columns || row[x - 1] != b || row[x + 1] != b;
            if b > 0 && ends {
                rims[b as usize].push(Point::new(x as i32, y as i32));
            }
        }
    }
    let least = (MIN_SHARE * size.area() as f32) as usize;
    let mut inside = Plane::filled(size, false);
    for b in 1..=blobs.count {
        if areas[b] >= least {
            fill_hull(&mut inside, &convex_hull(rims[b].as_slice()));
        }
    }
    let mut counts = vec![0usize; pieces.len()];
    for (&n, &within) in numbers.as_slice().iter().zip(inside.as_slice()) {
        if n > 0 && within {
            counts[n as usize - 1] += 1;
        }
    }
    for (piece, count) in pieces.iter_mut().zip(counts) {
        piece.features.in_moving_hull = count as f32 / piece.area.max(1) as f32;
    }
}

/// Marks the pixels of a convex polygon, row by row.
fn fill_hull(inside: &mut Plane<bool>, corners: &[Point<i32>]) {
    if corners.len() < 3 {
        return;
    }
    let top = corners.iter().map(|p| p.y).min().unwrap_or(0);
    let bottom = corners.iter().map(|p| p.y).max().unwrap_or(-1);
    for y in top..=bottom {
        let (mut left, mut right) = (f32::INFINITY, f32::NEG_INFINITY);
        for (i, a) in corners.iter().enumerate() {
            let b = corners[(i + 1) % corners.len()];
            let (low, high) = if a.y <= b.y { (*a, b) } else { (b, *a) };
            if y < low.y || y > high.y {
                continue;
            }
            let span = (high.y - low.y).max(1) as f32;
            let x = low.x as f32 + (high.x - low.x) as f32 * (y - low.y) as f32 / span;
            left = left
                .min(x)
                .min(if low.y == high.y { high.x as f32 } else { x });
            right = right
                .max(x)
                .max(if low.y == high.y { high.x as f32 } else { x });
        }
        if left <= right {
            let last = inside.columns() - 1;
            for x in (left.max(0.0) as usize)..=(right.max(0.0) as usize).min(last) {
                inside.set(x, y as usize, true);
            }
        }
    }
}
