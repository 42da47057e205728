//! Puts one cleaned frame on the disk: the picture and its mask.

use std::path::Path;

use super::args::MaskDepth;
use super::plan::Target;
use crate::photo::{
    self, Existing, Format, Metadata, PhotoError, PhotoErrorKind, PhotoWarning, StoredAs,
};
use crate::pipeline::CleanedFrame;
use crate::scene::{ChannelLayout, CodeValues, Plane, Samples};

/// What the writer needs to know of a lit frame once its samples are used up.
#[derive(Debug)]
pub(super) struct LitFacts {
    pub(super) metadata: Metadata,
    pub(super) format: Format,
    pub(super) stored: StoredAs,
}

/// Was anything replaced?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Change {
    None,
    Some,
}

pub(super) fn change(mask: &Plane<u16>) -> Change {
    if mask.as_slice().iter().all(|&share| share == 0) {
        Change::None
    } else {
        Change::Some
    }
}

/// Writes picture and mask; hands back what could not be kept.
///
/// Where nothing was replaced and the format stays, the lit frame's file is copied byte for byte:
/// a JPEG loses nothing by being encoded again.
pub(super) fn write(
    lit: &Path,
    facts: &LitFacts,
    cleaned: CleanedFrame,
    target: &Target,
    (depth, existing): (MaskDepth, Existing),
) -> Result<Vec<PhotoWarning>, PhotoError> {
    let untouched = change(&cleaned.mask) == Change::None;
    let mask = mask_samples(&cleaned.mask, depth);
    let same_file = facts.format == target.format && facts.stored == StoredAs::Upright;
    let warnings = if untouched && same_file {
        let bytes = std::fs::read(lit).map_err(|e| PhotoError {
            path: lit.to_owned(),
            action: "read",
            kind: PhotoErrorKind::Io(e),
        })?;
        photo::store(&target.merged, &bytes, existing)?;
        Vec::new()
    } else {
        let format = target.format;
        photo::write(
            &target.merged,
            cleaned.merged,
            &facts.metadata,
            format,
            existing,
        )?
    };
    photo::write(
        &target.mask,
        mask,
        &Metadata::default(),
        Format::Png,
        existing,
    )?;
    Ok(warnings)
}

/// The mask as a grey picture. 0 says "untouched" at any depth: a share that is not 0 stays above.
fn mask_samples(mask: &Plane<u16>, depth: MaskDepth) -> Samples {
    let values = match depth {
        MaskDepth::Eight => CodeValues::Eight(
            mask.map(|&share| eight_bit_share(share))
                .as_slice()
                .to_vec(),
        ),
        MaskDepth::Sixteen => CodeValues::Sixteen(mask.as_slice().to_vec()),
    };
    Samples {
        size: mask.size(),
        layout: ChannelLayout::Grey,
        values,
    }
}

fn eight_bit_share(share: u16) -> u8 {
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
}
