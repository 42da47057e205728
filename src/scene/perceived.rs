//! A picture as seen: CIELAB planes and the difference between two of them.

use rayon::prelude::*;

use super::{DeltaE, Plane, SceneLinear, Size};
use crate::vectors::vectorised;

/// White point D65, Y = 1 (IEC 61966-2-1:1999).
const WHITE_D65: [f32; 3] = [0.950_47, 1.0, 1.088_83];

/// Below this share of white CIELAB's curve is a straight line (CIE 15:2004, section 8.2.1).
const LAB_LINEAR_BELOW: f32 = 216.0 / 24389.0;

/// CIELAB (D65), rows x columns: `L` 0..100, `a` and `b` in the usual units; planar f32.
#[derive(Debug, Clone, PartialEq)]
pub struct Perceived {
    /// Lightness.
    pub lightness: Plane<f32>,
    /// Green to red.
    pub a: Plane<f32>,
    /// Blue to yellow.
    pub b: Plane<f32>,
}

impl Perceived {
    /// From scene-linear light; `to_xyz` takes the file's linear RGB to XYZ relative to D65.
    pub fn from_linear(picture: &SceneLinear, to_xyz: &[[f32; 3]; 3]) -> Self {
        Self::from_strips(
            picture.size(),
            1,
            || (),
            |(), y, lab| {
                let rows = picture.channels.each_ref().map(|channel| channel.row(y));
                lab_from_linear(rows, to_xyz, lab);
            },
        )
    }

    /// From strips of `rows` rows that `fill` writes, given the first row and the parts of the
    /// three planes, every value of them; `buffers` makes what it works in.
    pub fn from_strips<B>(
        size: Size,
        rows: usize,
        buffers: impl Fn() -> B + Sync + Send,
        fill: impl Fn(&mut B, usize, [&mut [f32]; 3]) + Sync + Send,
    ) -> Self {
        let mut out = Self {
            lightness: Plane::unset(size),
            a: Plane::unset(size),
            b: Plane::unset(size),
        };
        let strip = (rows * size.columns).max(1);
        out.lightness
            .as_mut_slice()
            .par_chunks_mut(strip)
            .zip(out.a.as_mut_slice().par_chunks_mut(strip))
            .zip(out.b.as_mut_slice().par_chunks_mut(strip))
            .enumerate()
            .for_each_init(buffers, |buffers, (n, ((lightness, a), b))| {
                fill(buffers, n * rows, [lightness, a, b]);
            });
        out
    }

    /// Extent in pixels.
    #[inline]
    pub fn size(&self) -> Size {
        self.lightness.size()
    }

    /// `[L, a, b]` at an index in row-major order.
    #[inline]
    pub fn at_index(&self, index: usize) -> [f32; 3] {
        [
            self.lightness.as_slice()[index],
            self.a.as_slice()[index],
            self.b.as_slice()[index],
        ]
    }
}

/// CIELAB of light, value by value: red, green and blue to lightness, a and b.
pub fn lab_from_linear(
    light: [&[f32]; 3],
    to_xyz: &[[f32; 3]; 3],
    [lightness, a, b]: [&mut [f32]; 3],
) {
    vectorised(
        #[inline(always)]
        || {
            curve_row(light, &to_xyz[0], WHITE_D65[0], a);
            curve_row(light, &to_xyz[1], WHITE_D65[1], lightness);
            curve_row(light, &to_xyz[2], WHITE_D65[2], b);
            for ((l, a), b) in lightness.iter_mut().zip(a).zip(b) {
                let (fx, fy, fz) = (*a, *l, *b);
                *l = 116.0 * fy - 16.0;
                *a = 500.0 * (fx - fy);
                *b = 200.0 * (fy - fz);
            }
        },
    );
}

/// CIELAB's curve of one of X, Y and Z over the white's, along a row.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn curve_row([red, green, blue]: [&[f32]; 3], weights: &[f32; 3], white: f32, out: &mut [f32]) {
    let n = out.len();
    let (red, green, blue) = (&red[..n], &green[..n], &blue[..n]);
    for x in 0..n {
        let light = weights[0] * red[x] + weights[1] * green[x] + weights[2] * blue[x];
        out[x] = lab_curve(light / white);
    }
}

/// CIELAB's compressive curve, with a fast cube root (relative error below 2e-6).
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn lab_curve(t: f32) -> f32 {
    let cube = cube_root(t.max(LAB_LINEAR_BELOW));
    let line = t * (841.0 / 108.0) + 4.0 / 29.0;
    if t > LAB_LINEAR_BELOW { cube } else { line }
}

/// Cube root of a positive number by two steps of Halley's method from a guess on the exponent.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn cube_root(v: f32) -> f32 {
    // Dividing the bits of an IEEE 754 number by three divides its exponent by three.
    let mut root = f32::from_bits(v.to_bits() / 3 + 0x2a51_4067);
    for _ in 0..2 {
        let cube = root * root * root;
        root *= (cube + 2.0 * v) / (2.0 * cube + v);
    }
    root
}

/// Colour difference of two CIELAB colours after CIE 116-1995 (CIE94, graphic arts weights).
///
/// For the small differences that decide between visible and not it stays within about a tenth of
/// CIEDE2000 at a fraction of the cost; reports and tests use CIEDE2000 itself.
#[inline]
pub fn difference(one: [f32; 3], other: [f32; 3]) -> DeltaE {
    let chromas = [one, other].map(chroma);
    DeltaE(difference2(one, other, chromas).sqrt())
}

/// CIELAB chroma.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
pub fn chroma(lab: [f32; 3]) -> f32 {
    (lab[1] * lab[1] + lab[2] * lab[2]).sqrt()
}

/// Square of the [`difference`] of two colours whose chromas are known: what a search for the
/// smallest difference compares.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
pub fn difference2(one: [f32; 3], other: [f32; 3], chromas: [f32; 2]) -> f32 {
    let (dl, da, db) = (one[0] - other[0], one[1] - other[1], one[2] - other[2]);
    let mean_chroma = (chromas[0] * chromas[1]).sqrt();
    let dc = chromas[0] - chromas[1];
    let dh2 = (da * da + db * db - dc * dc).max(0.0);
    let (sc, sh) = (1.0 + 0.045 * mean_chroma, 1.0 + 0.015 * mean_chroma);
    dl * dl + dc * dc / (sc * sc) + dh2 / (sh * sh)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::XYZ_FROM_SRGB;

    /// scikit-image's rgb2lab (D65, 2 degrees), as listed in the project's check table.
    #[test]
    fn primaries_have_their_published_lab_values() {
        let published = [
            ([1.0, 0.0, 0.0], [53.2406, 80.0923, 67.2028]),
            ([0.0, 1.0, 0.0], [87.7351, -86.1830, 83.1797]),
            ([0.0, 0.0, 1.0], [32.2957, 79.1856, -107.8573]),
        ];
        for (rgb, lab) in published {
            let mut picture = SceneLinear::filled(
                Size {
                    columns: 1,
                    rows: 1,
                },
                0.0,
            );
            for (c, v) in rgb.into_iter().enumerate() {
                picture.channels[c].set(0, 0, v);
            }
            let got = Perceived::from_linear(&picture, &XYZ_FROM_SRGB).at_index(0);
            for k in 0..3 {
                assert!((got[k] - lab[k]).abs() < 0.02, "{rgb:?}: {got:?}");
            }
        }
    }

    #[test]
    fn the_fast_cube_root_is_close() {
        for i in 1..2000 {
            let v = i as f32 * 0.001;
            assert!((cube_root(v) / v.cbrt() - 1.0).abs() < 2e-6, "{v}");
        }
    }
}
