//! What stands still from pose to pose.

use crate::change::{relit_as_seen_near, tolerant_difference_near};
use crate::numeric::filter::gaussian;
use crate::numeric::spans::Spans;
use crate::scene::{Perceived, Plane, SceneLinear};

/// Another lit frame of the set-up in this frame's pixels, brought back to the plate's light.
#[derive(Debug, Clone)]
pub struct Companion {
    /// The frame divided by its own pool: as it would look under the plate's light.
    pub in_plate_light: SceneLinear,
    /// Whether the camera stood still for it.
    pub camera: Camera,
}

/// How firmly the camera stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Camera {
    /// Not a pixel moved.
    OnTripod,
    /// Knocked or hand-held: gear close to the camera shifts against the background (parallax).
    Moved,
}

/// Parallax that near gear may show between two poses of a camera that moved, px.
const GEAR_PARALLAX: usize = 3;

/// Pixels this far around those asked for have a say in their stillness: the blurs of what is seen
/// and of the stillness itself (four each), and the displacement that is forgiven.
pub const REACH: usize = 4 + GEAR_PARALLAX + 4;

/// Stillness per working pixel.
#[derive(Debug, Clone)]
pub struct Stillness {
    /// Share of the companions that show the same thing here, soft, 0..1.
    pub still: Plane<f32>,
    /// Share of the companions that show the plate here, soft, 0..1.
    pub returns: Plane<f32>,
}

/// Differences (CIE94) that count half: above what noise and compression leave, below a change of
/// surface.
const HALF_DIFFERENCE: f32 = 3.0;

/// Stillness is smoothed by this, px: single pixels agree by chance.
const STILLNESS_BLUR: f32 = 1.2;

/// Compares a lit frame with the others of its set-up; `None` without companions.
///
/// `lit_seen` and `relit_seen` are this frame and the relit plate as seen, `pool` this frame's.
/// Companions need to show `near` only: the pixels asked for and [`REACH`] around them; elsewhere the
/// result means nothing.
/// One pass over the companions; memory does not depend on their number (seven planes).
pub fn observe_stillness<'a>(
    lit_seen: &Perceived,
    relit_seen: &Perceived,
    (pool, near): (&[Plane<f32>; 3], &Spans),
    companions: impl Iterator<Item = Companion> + 'a,
    to_xyz: &[[f32; 3]; 3],
) -> Option<Stillness> {
    let size = lit_seen.size();
    let mut still = Plane::filled(size, 0.0f32);
    let mut returns = Plane::filled(size, 0.0f32);
    let mut count = 0usize;
    for companion in companions {
        let seen = relit_as_seen_near(&companion.in_plate_light, pool, to_xyz, near);
        let reaches: &[usize] = match companion.camera {
            Camera::OnTripod => &[1],
            Camera::Moved => &[1, GEAR_PARALLAX],
        };
        let unlike = tolerant_difference_near(lit_seen, &seen, reaches, near);
        add_soft(&mut still, &unlike, near);
        drop(unlike);
        let changed = tolerant_difference_near(&seen, relit_seen, &[1], near);
        add_soft(&mut returns, &changed, near);
        count += 1;
    }
    if count == 0 {
        return None;
    }
    let share = 1.0 / count as f32;
    let mean = |sum: &Plane<f32>| gaussian(&sum.map(|v| v * share), STILLNESS_BLUR);
    Some(Stillness {
        still: mean(&still),
        returns: mean(&returns),
    })
}

fn add_soft(sum: &mut Plane<f32>, difference: &Plane<f32>, near: &Spans) {
    near.fill(sum, |y, run, sum| {
        for (sum, d) in sum.iter_mut().zip(&difference.row(y)[run.from..]) {
            let t = d / HALF_DIFFERENCE;
            *sum += 1.0 / (1.0 + t * t);
        }
    });
}
