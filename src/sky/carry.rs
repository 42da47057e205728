//! Carrying the plate's sky along its drift.

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
pub fn carry_sky(plate: &SceneLinear, sky: &Plane<bool>, drift: &Drift) -> SceneLinear {
    let Some(back) = drift.motion.inverse() else {
        return plate.clone();
    };
    let size = plate.size();
    let weight = sky.map(|&s| if s { 1.0f32 } else { 0.0 });
    // Only pixels that are sky all around may lend their colour: rims are mixed with leaf or roof.
    let inner = gaussian(&weight, RIM_SIGMA).map(|&w| if w > 0.995 { 1.0f32 } else { 0.0 });
    let share = gaussian(&inner, RIM_SIGMA).map(|&w| (2.0 * w - 1.0).clamp(0.0, 1.0));
    let share = share.zip(&inner, |s, i| s * i);
    let channels = std::array::from_fn(|c| {
        let layer = pull_push::fill(&plate.channels[c], &inner);
        Plane::from_fn(size, |x, y| {
            let here = *plate.channels[c].at(x, y);
            let share = *share.at(x, y);
            if share <= 0.0 {
                return here;
            }
            let from = back.apply(Point {
                x: x as f64,
                y: y as f64,
            });
            here + share * (bilinear(&layer, from) - here)
        })
    });
    SceneLinear { channels }
}

/// Bilinear value; places outside take the nearest border's.
fn bilinear(plane: &Plane<f32>, at: Point) -> f32 {
    let x = at.x.clamp(0.0, (plane.columns() - 1) as f64);
    let y = at.y.clamp(0.0, (plane.rows() - 1) as f64);
    let (l, t) = (x as usize, y as usize);
    let (r, b) = (
        (l + 1).min(plane.columns() - 1),
        (t + 1).min(plane.rows() - 1),
    );
    let (u, v) = ((x - l as f64) as f32, (y - t as f64) as f32);
    let up = plane.at(l, t) + u * (plane.at(r, t) - plane.at(l, t));
    let down = plane.at(l, b) + u * (plane.at(r, b) - plane.at(l, b));
    up + v * (down - up)
}
