//! Masks and marks that were painted in an editor.

use super::layers::{Parts, patch};
use super::openraster_read::LayerBack;
use crate::photo::{Format, Photo};
use crate::scene::{ChannelLayout, Plane, Samples, Size};

/// Codes of one pixel's channels may differ by this share of white and still be grey: editors
/// convert between profiles.
const GREY_TOLERANCE: f64 = 0.02;

/// Why a painted picture is no mask.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PaintedError {
    /// Of the frame's shape, but not of its size.
    #[error("it is {found}, {} the frame's {frame}", ratio(*.found, *.frame))]
    Scaled {
        /// Of the painted picture.
        found: Size,
        /// Of the lit frame.
        frame: Size,
    },
    /// Of another shape.
    #[error("it is {found}, the frame {frame}")]
    OtherSize {
        /// Of the painted picture.
        found: Size,
        /// Of the lit frame.
        frame: Size,
    },
    /// Saved with losses.
    #[error("it is a JPEG, which changes values all over the picture")]
    Lossy,
    /// Not grey.
    #[error("it is coloured, at {x},{y} for one")]
    Coloured {
        /// Column of a coloured pixel.
        x: usize,
        /// Row.
        y: usize,
    },
}

fn ratio(found: Size, frame: Size) -> String {
    if found.columns > frame.columns {
        format!("{} times", found.columns / frame.columns)
    } else {
        format!("1/{} of", frame.columns / found.columns.max(1))
    }
}

impl PaintedError {
    /// The way out, shown as `hint: …`.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Scaled { .. } | Self::OtherSize { .. } => {
                "paint on the mask as it was handed over, and save it at that size, uncropped"
            }
            Self::Lossy => "save it as PNG or TIFF",
            Self::Coloured { .. } => {
                "save it as a grey picture: white where it holds, black elsewhere"
            }
        }
    }
}

/// Shares 0..65 535 that a painted grey picture says, of a frame's extent: grey times alpha.
///
/// # Errors
/// [`PaintedError`] when it is of another size, JPEG or coloured.
pub fn shares_of(photo: &Photo, frame: Size) -> Result<Plane<u16>, PaintedError> {
    let samples = &photo.samples;
    check_size(samples.size, frame)?;
    if photo.format == Format::Jpeg {
        return Err(PaintedError::Lossy);
    }
    if let Some((x, y)) = coloured(samples) {
        return Err(PaintedError::Coloured { x, y });
    }
    // 65 535 = 255 x 257.
    let scale = if samples.bits() == 8 { 257 } else { 1 };
    let alpha = match samples.layout {
        ChannelLayout::GreyAlpha => Some(1),
        ChannelLayout::Rgba => Some(3),
        ChannelLayout::Grey | ChannelLayout::Rgb => None,
    };
    Ok(Plane::from_fn(frame, |x, y| {
        let grey = u32::from(samples.code(x, y, 0) * scale);
        let cover = alpha.map_or(65_535, |c| u32::from(samples.code(x, y, c) * scale));
        ((grey * cover + 32_767) / 65_535) as u16
    }))
}

fn check_size(found: Size, frame: Size) -> Result<(), PaintedError> {
    if found == frame {
        return Ok(());
    }
    let is_multiple = |large: Size, small: Size| {
        small.area() > 0
            && large.columns.is_multiple_of(small.columns)
            && large.rows.is_multiple_of(small.rows)
            && large.columns / small.columns == large.rows / small.rows
    };
    if is_multiple(found, frame) || is_multiple(frame, found) {
        Err(PaintedError::Scaled { found, frame })
    } else {
        Err(PaintedError::OtherSize { found, frame })
    }
}

fn coloured(samples: &Samples) -> Option<(usize, usize)> {
    if samples.layout.colours() < 3 {
        return None;
    }
    let tolerance = (GREY_TOLERANCE * if samples.bits() == 8 { 255.0 } else { 65_535.0 }) as u16;
    let spread = |x: usize, y: usize| {
        let codes = [0, 1, 2].map(|c| samples.code(x, y, c));
        codes.iter().max().copied().unwrap_or(0) - codes.iter().min().copied().unwrap_or(0)
    };
    let places =
        (0..samples.size.rows).flat_map(|y| (0..samples.size.columns).map(move |x| (x, y)));
    let mut places = places;
    places.find(|&(x, y)| spread(x, y) > tolerance)
}

/// The mask that painted shares mean, given the one that was handed over: where both say the same at
/// the coarser of the depths they were stored at, the handed-over one with all its digits.
pub fn mask_from_painted(painted: &Plane<u16>, before: &Plane<u16>, bits: u8) -> Plane<u16> {
    painted.zip(before, |&painted, &before| {
        let unchanged = if bits == 8 {
            super::layers::eight_bit_share(painted) == super::layers::eight_bit_share(before)
        } else {
            painted == before
        };
        if unchanged { before } else { painted }
    })
}

/// Takes over what was painted onto the patch itself: where its colour is no longer the one that was
/// handed over, the merge becomes what the editor shows, patch over lit frame.
///
/// `before` is the frame as it was handed over. A colour counts as painted when what it changes in
/// the picture is more than a step of 8 bits: editors round.
pub fn painted_over(merged: &mut Samples, before: &Parts<'_>, layer: &LayerBack) {
    let handed_over = patch(before);
    let picture = &layer.photo.samples;
    let size = merged.size;
    if layer.place != [0, 0] || picture.size != size || picture.layout != handed_over.layout {
        return;
    }
    let cover = layer.coverage(size);
    let scale = |bits: u8| if bits == 8 { 257.0 } else { 1.0 };
    let (from, to) = (scale(picture.bits()), scale(merged.bits()));
    let colours = merged.layout.colours();
    for y in 0..size.rows {
        for x in 0..size.columns {
            let alpha = f64::from(*cover.at(x, y)) / 65_535.0;
            if alpha == 0.0 {
                continue;
            }
            let pairs: Vec<_> = (0..colours)
                .map(|c| {
                    let was = f64::from(handed_over.code(x, y, c)) * to;
                    (was, f64::from(picture.code(x, y, c)) * from)
                })
                .collect();
            let is_painted = pairs
                .iter()
                .any(|(was, is)| (was - is).abs() * alpha > 1.5 * 257.0);
            // Nothing was handed over there, and nothing painted: the plate is asked for.
            let is_bare = pairs.iter().all(|(_, is)| *is == 0.0);
            if !is_painted || is_bare {
                continue;
            }
            for (c, (_, colour)) in pairs.into_iter().enumerate() {
                let lit = f64::from(before.lit.code(x, y, c)) * to;
                let code = (lit + alpha * (colour - lit)) / to;
                merged.set_code(x, y, c, code.round() as u16);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Size = Size {
        columns: 60,
        rows: 40,
    };

    #[test]
    fn a_multiple_or_fraction_is_refused_in_words() {
        let told = |columns, rows| {
            let found = Size { columns, rows };
            check_size(found, FRAME).unwrap_err().to_string()
        };
        assert_eq!(told(30, 20), "it is 30x20, 1/2 of the frame's 60x40");
        assert_eq!(told(180, 120), "it is 180x120, 3 times the frame's 60x40");
        assert_eq!(told(60, 41), "it is 60x41, the frame 60x40");
        assert!(check_size(FRAME, FRAME).is_ok());
    }

    #[test]
    fn unpainted_shares_keep_the_digits_that_8_bits_lose() {
        let before = Plane::from_fn(FRAME, |x, y| (x * 1_000 + y) as u16);
        let stored = before.map(|&s| u16::from(super::super::layers::eight_bit_share(s)) * 257);
        assert_eq!(mask_from_painted(&stored, &before, 8), before);
        let mut painted = stored.clone();
        painted.set(3, 3, 65_535);
        let mask = mask_from_painted(&painted, &before, 8);
        assert_eq!(*mask.at(3, 3), 65_535);
        assert_eq!(
            mask.as_slice()
                .iter()
                .zip(before.as_slice())
                .filter(|(a, b)| a != b)
                .count(),
            1
        );
    }
}
