//! The layers of a cleaned frame.

use std::borrow::Cow;
use std::io::Write;

use rayon::prelude::*;

use crate::photo::{PhotoErrorKind, Resolution, RowsOf, write_png_rows};
use crate::scene::{ChannelLayout, CodeValues, Plane, Samples, Size};

/// Without a relit plate the patch's colour is worked back out of the merge; below this share of
/// plate that would blow the rounding of the codes up more than four times.
const LEAST_SHARE_WORKED_BACK: f32 = 0.25;

/// A layer's part in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LayerKind {
    /// Relit plate with the mask as its alpha.
    Patch,
    /// The lit frame as it was.
    Lit,
    /// The plate laid over the lit frame, its own light kept.
    AlignedPlate,
}

impl LayerKind {
    /// Name in the editor's list of layers.
    pub fn name(self) -> &'static str {
        match self {
            Self::Patch => "patch",
            Self::Lit => "lit frame",
            Self::AlignedPlate => "aligned plate",
        }
    }

    /// Path of its picture within the file.
    pub fn source(self) -> &'static str {
        match self {
            Self::Patch => "data/patch.png",
            Self::Lit => "data/lit-frame.png",
            Self::AlignedPlate => "data/aligned-plate.png",
        }
    }
}

/// Does a layer show?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Visibility {
    /// Yes.
    Visible,
    /// It is there to paint from.
    Hidden,
}

/// One layer, as large as the lit frame.
#[derive(Debug, Clone)]
pub struct Layer<'a> {
    /// Its part.
    pub kind: LayerKind,
    /// Its picture.
    pub samples: Cow<'a, Samples>,
    /// Does it show?
    pub visibility: Visibility,
}

/// A cleaned frame and what it was made of; all of one extent, colours and depth.
#[derive(Debug, Clone, Copy)]
pub struct Parts<'a> {
    /// The lit frame.
    pub lit: &'a Samples,
    /// The merge.
    pub merged: &'a Samples,
    /// Share of the plate, 0 keep lit .. 65 535 take plate.
    pub mask: &'a Plane<u16>,
    /// The plate under the registration.
    pub aligned_plate: Option<&'a Samples>,
    /// The aligned plate in the lit frame's light and grain.
    pub relit_plate: Option<&'a Samples>,
}

impl<'a> Parts<'a> {
    /// Extent of all layers.
    pub fn size(&self) -> Size {
        self.lit.size
    }

    /// The layers, the top one first.
    pub fn layers(&self) -> Vec<Layer<'a>> {
        let layer = |kind, samples, visibility| Layer {
            kind,
            samples,
            visibility,
        };
        let plate = self.aligned_plate.map(|plate| {
            let plate = Cow::Borrowed(plate);
            layer(LayerKind::AlignedPlate, plate, Visibility::Hidden)
        });
        let patch = Cow::Owned(patch(self));
        let lit = Cow::Borrowed(self.lit);
        [
            layer(LayerKind::Patch, patch, Visibility::Visible),
            layer(LayerKind::Lit, lit, Visibility::Visible),
        ]
        .into_iter()
        .chain(plate)
        .collect()
    }
}

/// The patch: the relit plate's colour, the mask as alpha (straight, not multiplied in), black
/// where nothing is taken. Of the lit frame's depth, with an alpha channel.
///
/// Without a relit plate its colour is worked back out of merge and lit frame, so that the patch
/// laid over the lit frame shows the merge: C = L + (M - L) / share (Porter & Duff 1984, `over`).
///
/// # Panics
/// When the parts differ in extent or depth: a broken caller.
pub fn patch(parts: &Parts<'_>) -> Samples {
    let colour = parts.relit_plate.unwrap_or(parts.merged);
    assert_eq!(
        colour.size,
        parts.mask.size(),
        "parts of one frame have one extent"
    );
    let layout = match parts.lit.layout {
        ChannelLayout::Grey | ChannelLayout::GreyAlpha => ChannelLayout::GreyAlpha,
        ChannelLayout::Rgb | ChannelLayout::Rgba => ChannelLayout::Rgba,
    };
    let steps = [parts.lit.layout.count(), colour.layout.count()];
    let colours = parts.lit.layout.colours();
    let works_back = parts.relit_plate.is_none();
    let values = match (&parts.lit.values, &colour.values) {
        (CodeValues::Eight(lit), CodeValues::Eight(colour)) => {
            let pixels = Pixels {
                lit,
                colour,
                steps,
                colours,
                works_back,
            };
            CodeValues::Eight(pixels.patched(parts.mask, eight_bit_share, 255.0, |v| v as u8))
        }
        (CodeValues::Sixteen(lit), CodeValues::Sixteen(colour)) => {
            let pixels = Pixels {
                lit,
                colour,
                steps,
                colours,
                works_back,
            };
            CodeValues::Sixteen(pixels.patched(parts.mask, |v| v, 65_535.0, |v| v as u16))
        }
        _ => panic!("parts of one frame have one depth"),
    };
    Samples {
        size: parts.lit.size,
        layout,
        values,
    }
}

struct Pixels<'a, T> {
    lit: &'a [T],
    colour: &'a [T],
    /// Samples a pixel of `lit` and `colour`.
    steps: [usize; 2],
    /// Samples a pixel that carry light.
    colours: usize,
    works_back: bool,
}

impl<T: Copy + Default + Into<f32> + Send + Sync> Pixels<'_, T> {
    fn patched(
        &self,
        mask: &Plane<u16>,
        alpha: impl Fn(u16) -> T + Sync,
        full: f32,
        rounded: impl Fn(f32) -> T + Sync,
    ) -> Vec<T> {
        let [lit_step, step] = self.steps;
        let colours = self.colours;
        let mut out = vec![T::default(); mask.size().area() * (colours + 1)];
        let columns = mask.columns().max(1);
        out.par_chunks_mut(columns * (colours + 1))
            .zip(mask.as_slice().par_chunks(columns))
            .enumerate()
            .for_each(|(y, (out, mask))| {
                let taken = mask.iter().enumerate().filter(|(_, share)| **share > 0);
                for (x, &share) in taken {
                    let at = y * columns + x;
                    let pixel = &mut out[x * (colours + 1)..(x + 1) * (colours + 1)];
                    let alpha = alpha(share);
                    let share = (alpha.into() / full).max(LEAST_SHARE_WORKED_BACK);
                    for (c, out) in pixel[..colours].iter_mut().enumerate() {
                        let colour = self.colour[at * step + c];
                        *out = if self.works_back {
                            let lit: f32 = self.lit[at * lit_step + c].into();
                            let code = lit + (colour.into() - lit) / share;
                            rounded((code + 0.5).clamp(0.0, full))
                        } else {
                            colour
                        };
                    }
                    pixel[colours] = alpha;
                }
            });
        out
    }
}

/// The mask as a grey picture of 8 or 16 `bits`: white where the plate shows. 0 says "untouched"
/// at any depth: a share that is not 0 stays above.
pub fn mask_picture(mask: Plane<u16>, bits: u8) -> Samples {
    let size = mask.size();
    let values = if bits == 8 {
        CodeValues::Eight(mask.map(|&share| eight_bit_share(share)).into_vec())
    } else {
        CodeValues::Sixteen(mask.into_vec())
    };
    Samples {
        size,
        layout: ChannelLayout::Grey,
        values,
    }
}

/// [`mask_picture`] as PNG, with what the lit frame says of its resolution.
///
/// # Errors
/// [`PhotoErrorKind`] when `out` cannot be written.
pub fn write_mask_png(
    out: &mut impl Write,
    mask: &Plane<u16>,
    bits: u8,
    resolution: Option<Resolution>,
) -> Result<(), PhotoErrorKind> {
    let rows = RowsOf {
        size: mask.size(),
        layout: ChannelLayout::Grey,
        bits,
    };
    write_png_rows(out, rows, resolution, |y, row| {
        let shares = mask.row(y);
        if bits == 8 {
            for (out, &share) in row.iter_mut().zip(shares) {
                *out = eight_bit_share(share);
            }
        } else {
            for (out, share) in row.as_chunks_mut::<2>().0.iter_mut().zip(shares) {
                *out = share.to_be_bytes();
            }
        }
    })
}

pub(super) fn eight_bit_share(share: u16) -> u8 {
    // 65 535 = 255 x 257.
    let rounded = (u32::from(share) + 128) / 257;
    if share > 0 { rounded.max(1) as u8 } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_an_untouched_pixel_is_black_in_the_mask() {
        assert_eq!(eight_bit_share(0), 0);
        assert_eq!(eight_bit_share(1), 1);
        assert_eq!(eight_bit_share(128), 1);
        assert_eq!(eight_bit_share(32_896), 128);
        assert_eq!(eight_bit_share(65_535), 255);
        assert!((1..=u16::MAX).all(|share| eight_bit_share(share) > 0));
    }

    const SIZE: Size = Size {
        columns: 64,
        rows: 48,
    };

    fn picture(code: impl Fn(usize) -> u16) -> Samples {
        Samples {
            size: SIZE,
            layout: ChannelLayout::Rgb,
            values: CodeValues::Sixteen((0..3 * SIZE.area()).map(code).collect()),
        }
    }

    /// A mask that rises along the rows, a merge blended with it.
    fn parts() -> (Samples, Samples, Samples, Plane<u16>) {
        let lit = picture(|i| 20_000 + (i * 37 % 4_000) as u16);
        let plate = picture(|i| 21_000 + (i * 53 % 3_000) as u16);
        let mask = Plane::from_fn(SIZE, |x, _| (x * 65_535 / 63) as u16);
        let mut merged = lit.clone();
        for y in 0..SIZE.rows {
            for x in 0..SIZE.columns {
                let share = f64::from(*mask.at(x, y)) / 65_535.0;
                for c in 0..3 {
                    let (from, to) = (lit.code(x, y, c), plate.code(x, y, c));
                    let code = f64::from(from) + share * (f64::from(to) - f64::from(from));
                    merged.set_code(x, y, c, code.round() as u16);
                }
            }
        }
        (lit, plate, merged, mask)
    }

    /// Porter & Duff 1984: `over`, colours not multiplied with alpha.
    fn over(top: &Samples, bottom: &Samples, x: usize, y: usize, c: usize) -> f64 {
        let alpha = f64::from(top.code(x, y, 3)) / 65_535.0;
        let (top, bottom) = (top.code(x, y, c), bottom.code(x, y, c));
        alpha * f64::from(top) + (1.0 - alpha) * f64::from(bottom)
    }

    #[test]
    fn the_patch_over_the_lit_frame_is_the_merge() {
        let (lit, plate, merged, mask) = parts();
        let mut parts = Parts {
            lit: &lit,
            merged: &merged,
            mask: &mask,
            aligned_plate: None,
            relit_plate: Some(&plate),
        };
        let given = patch(&parts);
        parts.relit_plate = None;
        let worked_back = patch(&parts);
        for (x, y, c) in (0..64).flat_map(|x| [(x, 3, 0), (x, 17, 1), (x, 40, 2)]) {
            let truth = f64::from(merged.code(x, y, c));
            assert!((over(&given, &lit, x, y, c) - truth).abs() <= 1.0);
            // Below a quarter of plate the worked-back colour is held near the lit frame's: off by
            // at most a sixteenth of the difference (the maximum of a - 4a² is at a = 1/8).
            let difference = f64::from(plate.code(x, y, c)) - f64::from(lit.code(x, y, c));
            let off = (over(&worked_back, &lit, x, y, c) - truth).abs();
            assert!(off <= difference.abs() / 16.0 + 1.5, "{x}: {off}");
        }
    }

    #[test]
    fn the_patch_is_empty_where_nothing_is_taken() {
        let (lit, plate, merged, mask) = parts();
        let parts = Parts {
            lit: &lit,
            merged: &merged,
            mask: &mask,
            aligned_plate: Some(&plate),
            relit_plate: Some(&plate),
        };
        let patch = patch(&parts);
        assert_eq!(patch.layout, ChannelLayout::Rgba);
        assert!((0..4).all(|c| patch.code(0, 9, c) == 0));
        assert!((0..3).all(|c| patch.code(63, 9, c) == plate.code(63, 9, c)));
        assert_eq!(patch.code(63, 9, 3), u16::MAX);
        let kinds: Vec<_> = parts
            .layers()
            .iter()
            .map(|l| (l.kind, l.visibility))
            .collect();
        assert_eq!(
            kinds,
            [
                (LayerKind::Patch, Visibility::Visible),
                (LayerKind::Lit, Visibility::Visible),
                (LayerKind::AlignedPlate, Visibility::Hidden),
            ]
        );
    }
}
