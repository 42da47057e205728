//! Small copies for looking at, and JPEGs of them.

use jpeg_encoder::{ChromaSubsamplingMethod, ColorType, Encoder, SamplingFactor};
use rayon::prelude::*;

use crate::scene::{
    ChannelLayout, CodeValues, Encoding, Samples, SceneLinear, Size, XYZ_FROM_SRGB,
    srgb_from_linear,
};
use nalgebra::Matrix3;

/// Steps of the table from linear light to 8-bit sRGB: some 250 a code, and it still fits the cache.
const TABLE_STEPS: usize = 65_536;

/// A copy whose longer side is at most `max_side` pixels: 8 bits, RGB, sRGB (IEC 61966-2-1), averaged
/// in scene-linear light. What lies outside of sRGB is cut; alpha is left out.
///
/// Holds 12 bytes a pixel of the copy beside the copy.
pub fn screen_copy(samples: &Samples, encoding: &Encoding, max_side: usize) -> Samples {
    let factor = samples.size.long_side().div_ceil(max_side.max(1)).max(1);
    let light = samples.reduced(encoding, factor);
    let to_srgb = srgb_from_file(&encoding.to_xyz);
    let table = table();
    let values = pixels(&light, &to_srgb, &table);
    Samples {
        size: light.size(),
        layout: ChannelLayout::Rgb,
        values: CodeValues::Eight(values),
    }
}

/// A small JPEG of an 8-bit RGB copy: progressive, chroma at half size, no metadata.
///
/// `quality` is 1 to 100 (scaled tables of T.81 annex K). `None` for a copy that JPEG cannot hold: no
/// 8-bit RGB, or a side above 65 535.
pub fn screen_jpeg(copy: &Samples, quality: u8) -> Option<Vec<u8>> {
    let CodeValues::Eight(values) = &copy.values else {
        return None;
    };
    let side = |side: usize| u16::try_from(side).ok();
    let (columns, rows) = (side(copy.size.columns)?, side(copy.size.rows)?);
    if copy.layout != ChannelLayout::Rgb {
        return None;
    }
    let mut jpeg = Vec::new();
    let mut encoder = Encoder::new(&mut jpeg, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.set_chroma_subsampling_method(ChromaSubsamplingMethod::Average);
    encoder.set_progressive(true);
    encoder.set_optimized_huffman_tables(true);
    encoder.encode(values, columns, rows, ColorType::Rgb).ok()?;
    Some(jpeg)
}

fn srgb_from_file(to_xyz: &[[f32; 3]; 3]) -> [[f32; 3]; 3] {
    let matrix = |rows: &[[f32; 3]; 3]| Matrix3::from_fn(|r, c| f64::from(rows[r][c]));
    let from_xyz = matrix(&XYZ_FROM_SRGB)
        .try_inverse()
        .expect("the matrix of IEC 61966-2-1 is regular");
    let product = from_xyz * matrix(to_xyz);
    std::array::from_fn(|r| std::array::from_fn(|c| product[(r, c)] as f32))
}

/// sRGB codes by the square root of linear light, which spends its steps where the eye does.
fn table() -> Vec<u8> {
    (0..=TABLE_STEPS)
        .map(|step| (step as f64 / TABLE_STEPS as f64).powi(2))
        .map(|light| (255.0 * srgb_from_linear(light)).round() as u8)
        .collect()
}

fn pixels(light: &SceneLinear, to_srgb: &[[f32; 3]; 3], table: &[u8]) -> Vec<u8> {
    let Size { columns, rows } = light.size();
    let mut values = vec![0; 3 * columns * rows];
    values
        .par_chunks_exact_mut(3 * columns)
        .enumerate()
        .for_each(|(y, row)| {
            let [red, green, blue] = &light.channels;
            let (red, green, blue) = (red.row(y), green.row(y), blue.row(y));
            for (x, pixel) in row.chunks_exact_mut(3).enumerate() {
                for (m, code) in to_srgb.iter().zip(pixel) {
                    let light = m[0] * red[x] + m[1] * green[x] + m[2] * blue[x];
                    let step = light.clamp(0.0, 1.0).sqrt() * TABLE_STEPS as f32;
                    *code = table[step.round() as usize];
                }
            }
        });
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(size: Size, values: Vec<u8>) -> Samples {
        Samples {
            size,
            layout: ChannelLayout::Rgb,
            values: CodeValues::Eight(values),
        }
    }

    #[test]
    fn a_small_srgb_picture_comes_back_as_it_was() {
        let values: Vec<u8> = (0..=255).flat_map(|v| [v, 255 - v, v / 2]).collect();
        let size = Size {
            columns: 16,
            rows: 16,
        };
        let copy = screen_copy(&of(size, values.clone()), &Encoding::srgb(256), 16);
        let CodeValues::Eight(copied) = copy.values else {
            panic!("8 bits are asked for");
        };
        for (copied, value) in copied.iter().zip(&values) {
            assert!(copied.abs_diff(*value) <= 1, "{copied} {value}");
        }
    }

    /// Half black, half white is half the light: 188 in sRGB (IEC 61966-2-1), not 128.
    #[test]
    fn light_is_averaged_not_codes() {
        let size = Size {
            columns: 2,
            rows: 2,
        };
        let board = [0, 255, 255, 0].map(|v| [v; 3]).concat();
        let copy = screen_copy(&of(size, board), &Encoding::srgb(256), 1);
        assert_eq!(copy.values, CodeValues::Eight(vec![188; 3]));
    }

    #[test]
    fn the_copy_is_never_larger_than_asked() {
        for side in [255, 256, 257, 511, 513] {
            let size = Size {
                columns: side,
                rows: 3,
            };
            let copy = screen_copy(&of(size, vec![7; 9 * side]), &Encoding::srgb(256), 256);
            assert!(
                copy.size.long_side() <= 256 && copy.size.rows >= 1,
                "{side}"
            );
        }
    }
}
