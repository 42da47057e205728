//! Registration on scenes whose true homography is known.

use std::error::Error;
use std::path::Path;

use derig::registration::{describe, register};
use derig::scene::{Homography, Point, Size};

use crate::scenes;

/// Points a side of the grid over which the distance to the truth is taken.
const GRID: usize = 20;

/// Registers every lit frame of a set with its plate and prints how far the homography is off.
///
/// The truth holds for far points: near the ground a knocked tripod's parallax is real, and the
/// residual field takes it up.
pub fn print(set: &Path) -> Result<(), Box<dyn Error>> {
    for folder in scenes::folders(set)? {
        let scene = scenes::read(&folder)?;
        let truths = scenes::homographies(&folder)?;
        let plate = scene.plate.samples.reduced(&scene.plate.encoding, 1);
        let features = describe(&plate);
        for (index, (lit, truth)) in scene.lit.iter().zip(&truths).enumerate() {
            let name = format!("{} {}", scene.name, index + 1);
            match register(&features, &lit.samples.reduced(&lit.encoding, 1)) {
                Ok(found) => println!(
                    "{name}: off {:.3} px rms, {:?}, {} tiles, residual {:.3} px, field {}",
                    off(&found.homography, truth, plate.size()),
                    found.model,
                    found.tiles,
                    found.residual_px,
                    if found.field.is_some() { "yes" } else { "no" },
                ),
                Err(refusal) => println!("{name}: refused, {refusal}"),
            }
        }
    }
    Ok(())
}

/// Root mean square distance of two homographies over a grid of the frame, px.
fn off(found: &Homography, truth: &Homography, size: Size) -> f64 {
    let along = |i: usize, length: usize| (length - 1) as f64 * i as f64 / (GRID - 1) as f64;
    let squares = (0..GRID * GRID).map(|i| {
        let at = Point {
            x: along(i % GRID, size.columns),
            y: along(i / GRID, size.rows),
        };
        let (a, b) = (found.apply(at), truth.apply(at));
        (a.x - b.x).powi(2) + (a.y - b.y).powi(2)
    });
    (squares.sum::<f64>() / (GRID * GRID) as f64).sqrt()
}
