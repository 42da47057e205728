//! How a file's code values stand for light.

use std::sync::Arc;

/// One channel's transfer curve: code value to scene-linear light, as a table over every code.
///
/// A table is exact: decoding then encoding a code value gives the same code value back.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneCurve {
    /// Scene-linear light of each code value; strictly rising; 256 or 65 536 entries.
    to_linear: Vec<f32>,
    /// Light half-way between neighbouring codes: below `halfway[i]`, code `i` is the nearest.
    halfway: Vec<f32>,
    /// First code worth trying for light `v`, by `sqrt(v)`: keeps encoding at a few comparisons.
    first_guess: Vec<u16>,
}

/// Steps of the table that gives encoding its first guess.
const GUESS_STEPS: usize = 1024;

impl ToneCurve {
    /// From a function on 0..1 that rises; `codes` is 256 or 65 536.
    /// Where neighbouring codes give the same light (a flat foot), the light is nudged upwards by
    /// the least step of f32, so that the table can be inverted.
    pub fn from_fn(codes: usize, to_linear: impl Fn(f64) -> f64) -> Self {
        let mut table = Vec::with_capacity(codes);
        let mut last = f32::NEG_INFINITY;
        for code in 0..codes {
            let light = to_linear(code as f64 / (codes - 1) as f64) as f32;
            let light = if light.is_finite() { light } else { last };
            last = if light > last { light } else { last.next_up() };
            table.push(last);
        }
        Self::from_table(table)
    }

    fn from_table(to_linear: Vec<f32>) -> Self {
        let halfway: Vec<f32> = to_linear.windows(2).map(|w| 0.5 * (w[0] + w[1])).collect();
        let first_guess = (0..=GUESS_STEPS)
            .map(|step| {
                let light = (step as f32 / GUESS_STEPS as f32).powi(2);
                halfway.partition_point(|&h| h <= light) as u16
            })
            .collect();
        Self {
            to_linear,
            halfway,
            first_guess,
        }
    }

    /// IEC 61966-2-1:1999, the curve of sRGB.
    pub fn srgb(codes: usize) -> Self {
        Self::from_fn(codes, linear_from_srgb)
    }

    /// Scene-linear light of a code value.
    pub fn decode(&self, code: usize) -> f32 {
        self.to_linear[code.min(self.to_linear.len() - 1)]
    }

    /// All of the table.
    pub fn table(&self) -> &[f32] {
        &self.to_linear
    }

    /// The code value whose light is nearest.
    pub fn encode(&self, light: f32) -> u16 {
        let step = light.clamp(0.0, 1.0).sqrt() * GUESS_STEPS as f32;
        let low = self.first_guess[step as usize] as usize;
        let high = self.first_guess[(step as usize + 1).min(GUESS_STEPS)] as usize;
        if high <= low + 1 {
            // Nearly everywhere at 8 bits, and cheaper than a search whose length varies.
            let halfway = self.halfway.get(low).copied().unwrap_or(f32::INFINITY);
            return (low + usize::from(high > low && halfway <= light)) as u16;
        }
        let range = &self.halfway[low..high];
        (low + range.partition_point(|&h| h <= light)) as u16
    }

    /// Number of code values.
    pub fn codes(&self) -> usize {
        self.to_linear.len()
    }
}

/// Decoding half of IEC 61966-2-1:1999 on 0..1.
pub fn linear_from_srgb(v: f64) -> f64 {
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

/// Encoding half of IEC 61966-2-1:1999 on 0..1.
pub fn srgb_from_linear(v: f64) -> f64 {
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

/// Linear sRGB to CIE XYZ (D65, Y of white = 1), IEC 61966-2-1:1999.
pub const XYZ_FROM_SRGB: [[f32; 3]; 3] = [
    [0.412_456_4, 0.357_576_1, 0.180_437_5],
    [0.212_672_9, 0.715_152_2, 0.072_175_0],
    [0.019_333_9, 0.119_192, 0.950_304_1],
];

/// A file's colour encoding: a curve a channel and where its primaries lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Encoding {
    /// Red, green, blue (three times the same for grey files).
    pub curves: [Arc<ToneCurve>; 3],
    /// Linear RGB of the file to CIE XYZ relative to D65.
    pub to_xyz: [[f32; 3]; 3],
}

impl Encoding {
    /// sRGB for files of 8 or 16 bits a sample.
    pub fn srgb(codes: usize) -> Self {
        let curve = Arc::new(ToneCurve::srgb(codes));
        Self {
            curves: [curve.clone(), curve.clone(), curve],
            to_xyz: XYZ_FROM_SRGB,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_value_survives_the_round_trip() {
        for codes in [256, 65_536] {
            let curve = ToneCurve::srgb(codes);
            for code in 0..codes {
                assert_eq!(
                    curve.encode(curve.decode(code)) as usize,
                    code,
                    "of {codes}"
                );
            }
        }
    }

    /// IEC 61966-2-1:1999, code values to linear light (values as listed in the project's check table).
    #[test]
    fn the_curve_is_that_of_the_standard() {
        let curve = ToneCurve::srgb(256);
        for (code, light) in [
            (10, 0.003_035),
            (11, 0.003_347),
            (128, 0.215_861),
            (188, 0.502_886),
            (255, 1.0),
        ] {
            assert!((curve.decode(code) - light).abs() < 1e-6, "code {code}");
        }
        // Ready-made 16-bit tables are known to have been built with another standard's gamma.
        assert!((ToneCurve::srgb(65_536).decode(1000) - 0.001_181).abs() < 1e-6);
        assert!((srgb_from_linear(0.18) * 255.0 - 117.646).abs() < 1e-3);
        assert!((srgb_from_linear(0.5) * 255.0 - 187.516).abs() < 1e-3);
    }

    #[test]
    fn light_beyond_the_range_takes_the_last_code() {
        let curve = ToneCurve::srgb(256);
        assert_eq!((curve.encode(-0.5), curve.encode(7.0)), (0, 255));
    }
}
