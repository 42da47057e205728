//! Carrying the plate's sky along its drift.

use rayon::prelude::*;

use crate::numeric::filter::gaussian;
use crate::numeric::pull_push;
use crate::scene::{Plane, Point, SceneLinear};

use super::Drift;

/// The carried sky gives way to the plate as it is over this blur of the sky's rim, px: mixed
/// pixels of leaves and roofs keep their own sky.
const RIM_SIGMA: f32 = 1.0;

/// The plate with its sky moved to where the lit frame's sky is.
///
/// `plate` is registered, `sky` says where it shows open sky. What the drift brings in from behind
/// roofs or from outside the frame is filled smoothly from the sky around. Holds two pictures.
pub fn carry_sky(mut plate: SceneLinear, sky: &Plane<bool>, drift: &Drift) -> SceneLinear {
    let Some(back) = drift.motion.inverse() else {
        return plate;
    };
    let size = plate.size();
    let weight = sky.map(|&s| if s { 1.0f32 } else { 0.0 });
    // Only pixels that are sky all around may lend their colour: rims are mixed with leaf or roof.
    let inner = gaussian(&weight, RIM_SIGMA).map(|&w| if w > 0.995 { 1.0f32 } else { 0.0 });
    let share = gaussian(&inner, RIM_SIGMA).map(|&w| (2.0 * w - 1.0).clamp(0.0, 1.0));
    let share = share.zip(&inner, |s, i| s * i);
    let layers: [Plane<f32>; 3] =
        std::array::from_fn(|c| pull_push::fill(&plate.channels[c], &inner));
    let [red, green, blue] = &mut plate.channels;
    red.as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .zip(green.as_mut_slice().par_chunks_exact_mut(size.columns))
        .zip(blue.as_mut_slice().par_chunks_exact_mut(size.columns))
        .enumerate()
        .for_each(|(y, ((red, green), blue))| {
            for (x, &share) in share.row(y).iter().enumerate() {
                if share > 0.0 {
                    let from = back.apply(Point {
                        x: x as f64,
                        y: y as f64,
                    });
                    let sky = bilinear(&layers, from);
                    for (value, sky) in [&mut red[x], &mut green[x], &mut blue[x]]
                        .into_iter()
                        .zip(sky)
                    {
                        *value += share * (sky - *value);
                    }
                }
            }
        });
    plate
}

/// Bilinear values; places outside take the nearest border's.
fn bilinear(planes: &[Plane<f32>; 3], at: Point) -> [f32; 3] {
    let (columns, rows) = (planes[0].columns(), planes[0].rows());
    let x = at.x.clamp(0.0, (columns - 1) as f64);
    let y = at.y.clamp(0.0, (rows - 1) as f64);
    let (l, t) = (x as usize, y as usize);
    let (r, b) = ((l + 1).min(columns - 1), (t + 1).min(rows - 1));
    let (u, v) = ((x - l as f64) as f32, (y - t as f64) as f32);
    planes.each_ref().map(|plane| {
        let (above, below) = (plane.row(t), plane.row(b));
        let up = above[l] + u * (above[r] - above[l]);
        let down = below[l] + u * (below[r] - below[l]);
        up + v * (down - up)
    })
}
