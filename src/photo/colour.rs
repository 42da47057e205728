//! ICC profile to [`Encoding`]: the profile's own curves, and its primaries seen under D65.

use std::sync::Arc;

use moxcms::{ColorProfile, DataColorSpace, ToneReprCurve};
use nalgebra::Matrix3;

use super::PhotoWarning;
use crate::scene::{ChannelLayout, Encoding, ToneCurve};

/// Bradford, D65 to the D50 of the profile connection space (ICC.1:2022 annex E; the figures as
/// colour-science 0.4.7 computes them).
const D50_FROM_D65: [f64; 9] = [
    1.047_929_8,
    0.022_946_9,
    -0.050_192_3,
    0.029_627_8,
    0.990_434_4,
    -0.017_073_8,
    -0.009_243_0,
    0.015_055_2,
    0.751_874_3,
];

/// Primaries that span less than this of XYZ are no colour space to work in.
const MIN_DETERMINANT: f64 = 1e-6;

/// The encoding of a file with `codes` code values a sample. Without a profile, or with one that
/// has no curves and matrix, sRGB is assumed; the latter comes with a warning.
pub(super) fn encoding(
    icc: Option<&[u8]>,
    layout: ChannelLayout,
    codes: usize,
) -> (Encoding, Option<PhotoWarning>) {
    let Some(icc) = icc else {
        return (Encoding::srgb(codes), None);
    };
    match from_profile(icc, layout, codes) {
        Ok(encoding) => (encoding, None),
        Err(warning) => (Encoding::srgb(codes), Some(warning)),
    }
}

fn from_profile(icc: &[u8], layout: ChannelLayout, codes: usize) -> Result<Encoding, PhotoWarning> {
    let unusable = |why: &str| PhotoWarning::UnusableProfile(why.to_owned());
    let profile = ColorProfile::new_from_slice(icc).map_err(|_| unusable("it cannot be parsed"))?;
    match (profile.color_space, layout.colours()) {
        (DataColorSpace::Rgb, _) => from_rgb_profile(&profile, codes),
        (DataColorSpace::Gray, 1) => {
            let trc = profile.gray_trc.as_ref().ok_or(PhotoWarning::LutProfile)?;
            let curve = Arc::new(tone_curve(trc, codes)?);
            Ok(Encoding {
                curves: [curve.clone(), curve.clone(), curve],
                ..Encoding::srgb(codes)
            })
        }
        (DataColorSpace::Gray, _) => Err(unusable("it is for grey pictures")),
        _ => Err(unusable("it is not for RGB")),
    }
}

fn from_rgb_profile(profile: &ColorProfile, codes: usize) -> Result<Encoding, PhotoWarning> {
    let (Some(red), Some(green), Some(blue)) =
        (&profile.red_trc, &profile.green_trc, &profile.blue_trc)
    else {
        return Err(PhotoWarning::LutProfile);
    };
    let to_d50 = Matrix3::from_row_slice(profile.colorant_matrix().v.as_flattened());
    let determinant = to_d50.determinant();
    if !determinant.is_finite() || determinant.abs() < MIN_DETERMINANT {
        return Err(PhotoWarning::LutProfile);
    }
    let to_d65 = Matrix3::from_row_slice(&D50_FROM_D65)
        .try_inverse()
        .expect("Bradford's matrix is regular")
        * to_d50;
    let red_curve = Arc::new(tone_curve(red, codes)?);
    let curve_like = |trc: &ToneReprCurve| {
        if trc == red {
            Ok(red_curve.clone())
        } else {
            tone_curve(trc, codes).map(Arc::new)
        }
    };
    Ok(Encoding {
        curves: [red_curve.clone(), curve_like(green)?, curve_like(blue)?],
        to_xyz: std::array::from_fn(|row| std::array::from_fn(|c| to_d65[(row, c)] as f32)),
    })
}

fn tone_curve(trc: &ToneReprCurve, codes: usize) -> Result<ToneCurve, PhotoWarning> {
    let evaluator = trc
        .make_linear_evaluator()
        .map_err(|_| PhotoWarning::UnusableProfile("its curve cannot be read".to_owned()))?;
    let light = |v: f64| f64::from(evaluator.evaluate_value(v as f32));
    if light(1.0) <= light(0.0) {
        let why = "its curve does not rise".to_owned();
        return Err(PhotoWarning::UnusableProfile(why));
    }
    Ok(ToneCurve::from_fn(codes, light))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::XYZ_FROM_SRGB;

    fn read(profile: &ColorProfile, layout: ChannelLayout) -> (Encoding, Option<PhotoWarning>) {
        encoding(Some(&profile.encode().unwrap()), layout, 65_536)
    }

    fn assert_close(found: [[f32; 3]; 3], expected: [[f32; 3]; 3], tolerance: f32) {
        for (found, expected) in found.as_flattened().iter().zip(expected.as_flattened()) {
            assert!((found - expected).abs() < tolerance, "{found} {expected}");
        }
    }

    /// ICC profiles store 16 fractional bits, hence the tolerance of a few 1e-5.
    #[test]
    fn an_srgb_profile_is_the_srgb_of_the_standard() {
        let (found, warning) = read(&ColorProfile::new_srgb(), ChannelLayout::Rgb);
        assert_eq!(warning, None);
        assert_close(found.to_xyz, XYZ_FROM_SRGB, 3e-4);
        let srgb = ToneCurve::srgb(65_536);
        for code in (0..65_536).step_by(97) {
            let (got, expected) = (found.curves[0].decode(code), srgb.decode(code));
            assert!((got - expected).abs() < 5e-5, "{code}: {got} {expected}");
        }
    }

    /// Adobe RGB (1998) color image encoding, version 2005-05, 4.3.1.1 and 4.3.4.2: gamma
    /// 563/256 and the matrix to XYZ (D65).
    #[test]
    fn a_wide_gamut_profile_keeps_its_gamma_and_primaries() {
        let (found, warning) = read(&ColorProfile::new_adobe_rgb(), ChannelLayout::Rgb);
        assert_eq!(warning, None);
        let published = [
            [0.576_67, 0.185_56, 0.188_23],
            [0.297_34, 0.627_36, 0.075_29],
            [0.027_03, 0.070_69, 0.991_34],
        ];
        assert_close(found.to_xyz, published, 5e-4);
        let half = found.curves[1].decode(32_768);
        assert!((half - 0.5f32.powf(563.0 / 256.0)).abs() < 1e-4, "{half}");
    }

    #[test]
    fn a_grey_profile_serves_grey_files_only() {
        let grey = ColorProfile::new_gray_with_gamma(1.8);
        let (found, warning) = read(&grey, ChannelLayout::Grey);
        assert_eq!(warning, None);
        assert!((found.curves[0].decode(32_768) - 0.5f32.powf(1.8)).abs() < 2e-3);
        assert!(read(&grey, ChannelLayout::Rgb).1.is_some());
    }

    #[test]
    fn a_lut_profile_and_rubbish_fall_back_to_srgb_and_say_so() {
        let lab = ColorProfile::new_lab().encode();
        if let Ok(lab) = lab {
            let (found, warning) = encoding(Some(&lab), ChannelLayout::Rgb, 256);
            assert!(warning.is_some());
            assert_eq!(found, Encoding::srgb(256));
        }
        let (found, warning) = encoding(Some(b"rubbish"), ChannelLayout::Rgb, 256);
        assert!(matches!(warning, Some(PhotoWarning::UnusableProfile(_))));
        assert_eq!(found, Encoding::srgb(256));
    }
}
