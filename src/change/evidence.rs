//! The planes of evidence.

use rayon::prelude::*;

use crate::lighting::{FLARE, LightingChange};
use crate::numeric::elementary::exp;
use crate::numeric::filter::{CONVOLVED_ROWS, GaussianStrip, StripBuffers};
use crate::numeric::spans::Spans;
use crate::scene::{Perceived, Plane, SceneLinear, Size, lab_from_linear};
use crate::vectors::vectorised;

use super::tolerant_difference;

/// Blur before frames are compared as seen, px: takes out sensor noise; a difference that survives
/// it can be seen.
const SEEN_BLUR: f32 = 1.2;

/// Displacement that is forgiven, px: sub-pixel parallax and what registration leaves.
pub const FORGIVEN_SHIFT: usize = 1;

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
}

/// The lit frame under the light of the plate, as far as that light is smooth.
pub fn unlit(lit: &SceneLinear, pool: &[Plane<f32>; 3]) -> SceneLinear {
    let channels = std::array::from_fn(|c| lit.channels[c].zip(&pool[c], |&p, &r| under(p, -r)));
    SceneLinear { channels }
}

/// A picture as seen from a normal distance: blurred by [`SEEN_BLUR`], then CIELAB.
pub fn as_seen(picture: &SceneLinear, to_xyz: &[[f32; 3]; 3]) -> Perceived {
    let read = |c: usize, y: usize, row: &mut [f32]| {
        row.copy_from_slice(picture.channels[c].row(y));
    };
    seen(picture.size(), to_xyz, None, read)
}

/// The plate under the light of the lit frame, as far as that light is smooth, [`as_seen`].
pub fn relit_as_seen(
    plate: &SceneLinear,
    pool: &[Plane<f32>; 3],
    to_xyz: &[[f32; 3]; 3],
) -> Perceived {
    seen(plate.size(), to_xyz, None, relit_rows(plate, pool))
}

/// The same where it is `asked` for; elsewhere it may be black.
pub fn relit_as_seen_near(
    plate: &SceneLinear,
    pool: &[Plane<f32>; 3],
    to_xyz: &[[f32; 3]; 3],
    asked: &Spans,
) -> Perceived {
    seen(plate.size(), to_xyz, Some(asked), relit_rows(plate, pool))
}

fn relit_rows<'a>(
    plate: &'a SceneLinear,
    pool: &'a [Plane<f32>; 3],
) -> impl Fn(usize, usize, &mut [f32]) + Sync + Send + 'a {
    #[inline(always)]
    |c, y, row| {
        let pairs = plate.channels[c].row(y).iter().zip(pool[c].row(y));
        for (out, (&p, &r)) in row.iter_mut().zip(pairs) {
            *out = under(p, r);
        }
    }
}

/// The light of a surface under a log-ratio more.
#[inline]
fn under(light: f32, log_ratio: f32) -> f32 {
    ((light + FLARE) * exp(log_ratio) - FLARE).max(0.0)
}

/// A picture, whose rows `read` writes by channel, as seen; strips that nobody asked for stay 0.
fn seen(
    size: Size,
    to_xyz: &[[f32; 3]; 3],
    asked: Option<&Spans>,
    read: impl Fn(usize, usize, &mut [f32]) + Sync + Send,
) -> Perceived {
    let blur = GaussianStrip::new(SEEN_BLUR, size);
    let buffers = || (StripBuffers::default(), [const { Vec::new() }; 3]);
    Perceived::from_strips(size, CONVOLVED_ROWS, buffers, |buffers, first, lab| {
        let rows = first..first + lab[0].len() / size.columns;
        if asked.is_some_and(|asked| rows.into_iter().all(|y| asked.row(y).is_empty())) {
            for values in lab {
                values.fill(0.0);
            }
            return;
        }
        let (buffers, light): (&mut StripBuffers, &mut [Vec<f32>; 3]) =
            (&mut buffers.0, &mut buffers.1);
        for (c, light) in light.iter_mut().enumerate() {
            light.resize(lab[0].len(), 0.0);
            blur.blur(
                first,
                #[inline(always)]
                |y, row| read(c, y, row),
                buffers,
                light,
            );
        }
        lab_from_linear(light.each_ref().map(Vec::as_slice), to_xyz, lab);
    })
}

/// Gathers the evidence. `lit_seen` is the lit frame [`as_seen`], `plate` is aligned, its sky
/// carried along the drift; `to_xyz` belongs to the files' primaries.
pub fn gather_evidence(
    lit_seen: Perceived,
    plate: &SceneLinear,
    light: &LightingChange,
    to_xyz: &[[f32; 3]; 3],
) -> Evidence {
    let relit_seen = relit_as_seen(plate, &light.pool, to_xyz);
    let difference = tolerant_difference(&lit_seen, &relit_seen, FORGIVEN_SHIFT);
    let excess = mean_excess(light);
    Evidence {
        lit_seen,
        relit_seen,
        difference,
        excess,
    }
}

fn mean_excess(light: &LightingChange) -> Plane<f32> {
    let mut out = Plane::unset(light.pool[0].size());
    let columns = out.columns().max(1);
    out.as_mut_slice()
        .par_chunks_exact_mut(columns)
        .enumerate()
        .for_each(|(y, out)| {
            let ratio = light.log_ratio.each_ref().map(|plane| plane.row(y));
            let pool = light.pool.each_ref().map(|plane| plane.row(y));
            let mean = |[r, g, b]: [&[f32]; 3], x: usize| (r[x] + g[x] + b[x]) / 3.0;
            vectorised(
                #[inline(always)]
                || {
                    let (ratio, pool) = (ratio.map(|r| &r[..columns]), pool.map(|p| &p[..columns]));
                    for (x, out) in out[..columns].iter_mut().enumerate() {
                        *out = mean(ratio, x) - mean(pool, x);
                    }
                },
            );
        });
    out
}
