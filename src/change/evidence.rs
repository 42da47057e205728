//! The planes of evidence.

use crate::lighting::{FLARE, LightingChange};
use crate::numeric::elementary::{exp, ln};
use crate::numeric::filter::{gaussian, gradient_length, max_3x3};
use crate::scene::{Perceived, Plane, SceneLinear};

use super::tolerant_difference;

/// Blur before frames are compared as seen, px: takes out sensor noise; a difference that survives
/// it can be seen.
const SEEN_BLUR: f32 = 1.2;

/// Displacement that is forgiven, px: sub-pixel parallax and what registration leaves.
const FORGIVEN_SHIFT: usize = 1;

/// Blur before edges are taken, px.
const EDGE_BLUR: f32 = 0.8;

/// Evidence of change between a lit frame and the plate, per working pixel.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// Lit frame as seen.
    pub lit_seen: Perceived,
    /// Plate under the pool and the ambient shift, as seen.
    pub relit_seen: Perceived,
    /// Difference between the two (CIE94), a pixel of displacement forgiven.
    pub difference: Plane<f32>,
    /// Mean ln ratio over the channels above (+) or below (-) the pool.
    pub excess: Plane<f32>,
    /// Gradient of ln luminance in the lit frame that the plate does not have nearby.
    pub new_edge: Plane<f32>,
    /// Gradient of ln luminance of the plate, largest of the 3x3 neighbourhood.
    pub plate_edge: Plane<f32>,
    /// Gradient of ln luminance in the plate that the lit frame does not have nearby.
    pub lost_edge: Plane<f32>,
}

/// The plate under the light of the lit frame, as far as that light is smooth.
pub fn relit(plate: &SceneLinear, pool: &[Plane<f32>; 3]) -> SceneLinear {
    let channels = std::array::from_fn(|c| {
        plate.channels[c].zip(&pool[c], |&p, &r| ((p + FLARE) * exp(r) - FLARE).max(0.0))
    });
    SceneLinear { channels }
}

/// A picture as seen from a normal distance: blurred by [`SEEN_BLUR`], then CIELAB.
pub fn as_seen(picture: &SceneLinear, to_xyz: &[[f32; 3]; 3]) -> Perceived {
    let blurred = SceneLinear {
        channels: std::array::from_fn(|c| gaussian(&picture.channels[c], SEEN_BLUR)),
    };
    Perceived::from_linear(&blurred, to_xyz)
}

/// Gathers the evidence. `plate` is aligned, its sky carried along the drift; `to_xyz` belongs to
/// the files' primaries.
pub fn gather_evidence(
    lit: &SceneLinear,
    plate: &SceneLinear,
    light: &LightingChange,
    to_xyz: &[[f32; 3]; 3],
) -> Evidence {
    let lit_seen = as_seen(lit, to_xyz);
    let relit_seen = as_seen(&relit(plate, &light.pool), to_xyz);
    let difference = tolerant_difference(&lit_seen, &relit_seen, FORGIVEN_SHIFT);
    let excess = mean_excess(light);
    let edges = |picture: &SceneLinear| {
        let log = picture.luminance().map(|y| ln(y.max(0.0) + FLARE));
        gradient_length(&gaussian(&log, EDGE_BLUR))
    };
    let (lit_edges, plate_edges) = (edges(lit), edges(plate));
    let beyond = |a: &Plane<f32>, b: &Plane<f32>| a.zip(&max_3x3(b), |a, b| (a - b).max(0.0));
    Evidence {
        new_edge: beyond(&lit_edges, &plate_edges),
        lost_edge: beyond(&plate_edges, &lit_edges),
        plate_edge: max_3x3(&plate_edges),
        lit_seen,
        relit_seen,
        difference,
        excess,
    }
}

fn mean_excess(light: &LightingChange) -> Plane<f32> {
    let [r, g, b] = &light.log_ratio;
    let ratio = r.zip(g, |r, g| r + g).zip(b, |s, b| (s + b) / 3.0);
    let [r, g, b] = &light.pool;
    let pool = r.zip(g, |r, g| r + g).zip(b, |s, b| (s + b) / 3.0);
    ratio.zip(&pool, |r, p| r - p)
}
