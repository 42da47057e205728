//! Which of two frames a piece of change stands in.
//!
//! A piece of change is in the frame whose surroundings it does not belong to: where gear stands in the
//! lit frame, the plate runs on from what is around; where somebody stands in the plate, the lit frame
//! does. Both are told by how far a pixel lies from the unchanged pixels around it, in their own
//! standard deviations: leaves differ from leaves by one, a black box on a wall by ten.

use super::{Piece, Regions};
use crate::numeric::filter::box_mean;
use crate::scene::{Perceived, Plane};

/// Reach of the surroundings, px of the working copy: wider than a stand, narrower than a person.
const SURROUNDINGS: usize = 32;

/// Share of that window that must be unchanged to tell anything.
const LEAST_UNCHANGED: f32 = 0.08;

/// Deviation that even a wall has, CIELAB units: what is hardly seen side by side.
const LEAST_DEVIATION: f32 = 3.0;

/// A thing lies this many standard deviations farther off in the plate than in the lit frame: the 5 %
/// level of a normal distribution.
const FARTHER_OFF: f64 = 2.0;

/// Share of a piece that must have surroundings.
const LEAST_TOLD: f64 = 0.3;

/// Structure agreement below which a surface is not the same one.
const OTHER_SURFACE: f32 = 0.6;

/// CIE94 from which a thing is seen: 2 is not seen side by side.
const SEEN: f32 = 4.0;

/// Share of open sky from which a piece of the plate is sky: clouds stand nowhere.
const OPEN: f32 = 0.5;

/// Smallest piece, px of the working copy.
const LEAST_PIECE: usize = 40;

/// Squared deviations of a frame from its unchanged surroundings; negative where there are none.
fn deviation(seen: &Perceived, unchanged: &Plane<f32>) -> Plane<f32> {
    let share = box_mean(unchanged, SURROUNDINGS);
    let mut squared = Plane::filled(seen.size(), 0.0f32);
    for channel in [&seen.lightness, &seen.a, &seen.b] {
        let mean = box_mean(&channel.zip(unchanged, |v, u| v * u), SURROUNDINGS);
        let square = box_mean(&channel.zip(unchanged, |v, u| v * v * u), SURROUNDINGS);
        let sums = mean.as_slice().iter().zip(square.as_slice());
        let here = channel.as_slice().iter().zip(share.as_slice());
        let out = squared.as_mut_slice().iter_mut();
        for ((out, (&value, &share)), (&mean, &square)) in out.zip(here).zip(sums) {
            let share = share.max(f32::EPSILON);
            let mean = mean / share;
            let variance = (square / share - mean * mean).max(0.0) + LEAST_DEVIATION.powi(2);
            *out += (value - mean).powi(2) / variance;
        }
    }
    squared.zip(&share, |&d, &share| {
        if share < LEAST_UNCHANGED {
            -1.0
        } else {
            d.sqrt()
        }
    })
}

/// By how much each piece lies farther from its surroundings in the plate than in the lit frame,
/// standard deviations; none where it has no surroundings.
fn farther_in_plate(regions: &Regions, seen: [&Perceived; 2]) -> Vec<Option<f64>> {
    let numbers = &regions.numbers;
    let unchanged = numbers.map(|&n| if n == 0 { 1.0f32 } else { 0.0 });
    let (lit, plate) = rayon::join(
        || deviation(seen[0], &unchanged),
        || deviation(seen[1], &unchanged),
    );
    let mut sums = vec![(0.0f64, 0usize); regions.pieces.len()];
    let deviations = lit.as_slice().iter().zip(plate.as_slice());
    for (&number, (&lit, &plate)) in numbers.as_slice().iter().zip(deviations) {
        if number > 0 && lit >= 0.0 {
            let (sum, count) = &mut sums[number as usize - 1];
            *sum += f64::from(plate - lit);
            *count += 1;
        }
    }
    let pieces = regions.pieces.iter().zip(sums);
    pieces
        .map(|(piece, (sum, count))| {
            let told = count as f64 > LEAST_TOLD * piece.area as f64;
            told.then(|| sum / count as f64)
        })
        .collect()
}

/// In which of the two frames a piece of change stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stands {
    /// In the plate: the lit frame runs on from what is around.
    InPlate,
    /// In the lit frame: the plate does.
    InLit,
    /// In neither for sure: light, leaves, clouds.
    Nowhere,
}

/// Of each piece, by its index. `lit_seen` and `plate_seen` are what the pieces were cut from: the lit
/// frame, and the plate relit. Holds some ten planes.
pub fn stands(regions: &Regions, lit_seen: &Perceived, plate_seen: &Perceived) -> Vec<Stands> {
    let farther = farther_in_plate(regions, [lit_seen, plate_seen]);
    let pieces = regions.pieces.iter().zip(farther);
    pieces
        .map(|(piece, farther)| {
            let open = piece.features.plate_sky >= OPEN;
            match farther {
                Some(_) if !is_covered(piece) => Stands::Nowhere,
                Some(f) if f > FARTHER_OFF && !open => Stands::InPlate,
                Some(f) if f < -FARTHER_OFF => Stands::InLit,
                _ => Stands::Nowhere,
            }
        })
        .collect()
}

/// Is it another surface in the two frames?
fn is_covered(piece: &Piece) -> bool {
    let f = &piece.features;
    piece.area >= LEAST_PIECE && f.agreement_coarse < OTHER_SURFACE && f.difference > SEEN
}
