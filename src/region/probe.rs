//! What is read at each pixel of a piece.

use super::Observed;
use crate::change::{Evidence, nearest_difference};
use crate::numeric::elementary::ln;
use crate::scene::Plane;

/// Code values from here on are clipped, scene-linear.
const CLIPPED_LIGHT: f32 = 0.95;

/// Reach of the search for the same tone and its steps, px.
const SWAY_REACH: (usize, usize) = (4, 2);

/// What is read at each pixel and averaged over a piece.
#[derive(Debug, Clone, Copy)]
#[repr(usize)]
pub(super) enum Value {
    /// Visible difference (CIE94).
    Difference,
    /// Excess of light (ln).
    Excess,
    /// Its square.
    ExcessSquared,
    /// Ratio of red beside green, pool taken off (ln).
    Redder,
    /// Ratio of blue beside green, pool taken off (ln).
    Bluer,
    /// Lit frame's lightness.
    LitLightness,
    /// Lit frame's a.
    LitA,
    /// Lit frame's b.
    LitB,
    /// Its lightness squared.
    LitLightnessSquared,
    /// Whether clipped.
    Clipped,
    /// Relit plate's lightness.
    PlateLightness,
    /// Relit plate's a.
    PlateA,
    /// Coarse structure agreement.
    AgreementCoarse,
    /// Relit plate's b.
    PlateB,
    /// Fine structure agreement.
    AgreementFine,
    /// Plate's texture.
    PlateTexture,
    /// Lit frame's texture.
    LitTexture,
    /// New edges.
    NewEdge,
    /// Lost edges.
    LostEdge,
    /// Sky in the plate.
    PlateSky,
    /// The sky's colours in the lit frame.
    LitSky,
    /// Smallest difference to the relit plate's tones around.
    NearestTone,
    /// Tones of skin.
    Skin,
    /// Stillness.
    Still,
    /// Whether the plate returns in other poses.
    Returns,
    /// Ratio above the ambient gain, mean of the channels (ln).
    Level,
    /// Largest departure of a channel from it (ln).
    RatioColour,
    /// Lit frame's light (ln).
    LitLog,
    /// Its square.
    LitLogSquared,
    /// Relit plate's light (ln).
    PlateLog,
    /// Its square.
    PlateLogSquared,
    /// Product of the two.
    LogProduct,
}

/// Number of values read at each pixel.
pub(super) const VALUES: usize = Value::LogProduct as usize + 1;

/// The values of one pixel, or their sums, in the order of [`Value`].
pub(super) type Values<T> = [T; VALUES];

/// Reads the per-pixel values.
pub(super) struct Probe<'a> {
    pub(super) observed: &'a Observed<'a>,
    /// Smallest difference to the relit plate's tones around, where there are pieces.
    nearest_tone: Plane<f32>,
    /// ln of the ambient gain a channel.
    ambient: [f32; 3],
}

impl<'a> Probe<'a> {
    pub(super) fn new(observed: &'a Observed<'a>, numbers: &[u32]) -> Self {
        let Evidence {
            lit_seen,
            relit_seen,
            ..
        } = observed.evidence;
        let nearest_tone = nearest_difference(lit_seen, relit_seen, SWAY_REACH, |i| numbers[i] > 0);
        Self {
            observed,
            nearest_tone,
            ambient: observed.light.gain.map(|gain| gain.max(1e-3).ln()),
        }
    }

    /// The values of pixel `i`, which must belong to a piece, with its new and its lost edge.
    pub(super) fn values(&self, i: usize, [new_edge, lost_edge]: [f32; 2]) -> Values<f32> {
        let o = self.observed;
        let e = o.evidence;
        let ratio = |c: usize| o.light.log_ratio[c].as_slice()[i] - o.light.pool[c].as_slice()[i];
        let lit = e.lit_seen.at_index(i);
        let plate = e.relit_seen.at_index(i);
        let excess = e.excess.as_slice()[i];
        let clipped = o.lit.at_index(i).into_iter().fold(0.0f32, f32::max) >= CLIPPED_LIGHT;
        let (still, returns) = o.stillness.map_or((0.0, 0.0), |s| {
            (s.still.as_slice()[i], s.returns.as_slice()[i])
        });
        let lit_sky = o.sky.fits_loosely(lit);
        let total: [f32; 3] =
            std::array::from_fn(|c| o.light.log_ratio[c].as_slice()[i] - self.ambient[c]);
        let level = (total[0] + total[1] + total[2]) / 3.0;
        let colour = total.iter().map(|t| (t - level).abs()).fold(0.0, f32::max);
        let (lit_log, plate_log) = (log_light(lit[0]), log_light(plate[0]));
        [
            e.difference.as_slice()[i],
            excess,
            excess * excess,
            ratio(0) - ratio(1),
            ratio(2) - ratio(1),
            lit[0],
            lit[1],
            lit[2],
            lit[0] * lit[0],
            f32::from(u8::from(clipped)),
            plate[0],
            plate[1],
            o.light.agreement.coarse.as_slice()[i],
            plate[2],
            o.light.agreement.fine.as_slice()[i],
            o.light.agreement.plate_texture.as_slice()[i],
            o.light.agreement.lit_texture.as_slice()[i],
            new_edge,
            lost_edge,
            f32::from(u8::from(o.sky.mask.as_slice()[i])),
            f32::from(u8::from(lit_sky)),
            self.nearest_tone.as_slice()[i],
            f32::from(u8::from(is_skin(lit))),
            still,
            returns,
            level,
            colour,
            lit_log,
            lit_log * lit_log,
            plate_log,
            plate_log * plate_log,
            lit_log * plate_log,
        ]
    }
}

/// ln luminance of a CIE lightness, white = 0; its black end, below 1 % of white, stays finite.
fn log_light(lightness: f32) -> f32 {
    3.0 * ln((lightness + 16.0) / 116.0)
}

/// Hues of skin of any depth lie between red and yellow at moderate chroma (from memory; the
/// published clusters in CIELAB agree on a hue of roughly 25 to 75 degrees).
fn is_skin(lab: [f32; 3]) -> bool {
    let chroma = (lab[1] * lab[1] + lab[2] * lab[2]).sqrt();
    let is_tinted = (8.0..45.0).contains(&chroma) && lab[0] > 15.0;
    // The dearest last.
    is_tinted && (20.0..75.0).contains(&lab[2].atan2(lab[1]).to_degrees())
}
