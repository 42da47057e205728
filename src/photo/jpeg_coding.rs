//! How a JPEG was coded, so that the output is coded no worse (ITU-T T.81, annex B).

use img_parts::jpeg::Jpeg;
use jpeg_encoder::SamplingFactor;

use crate::scene::Size;

/// Quantisation tables in natural order and chroma sampling of a JPEG file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct JpegCoding {
    pub(super) luma: Box<[u16; 64]>,
    pub(super) chroma: Box<[u16; 64]>,
    pub(super) sampling: Sampling,
}

/// Luma samples for one chroma sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sampling {
    pub(super) horizontal: u8,
    pub(super) vertical: u8,
}

impl Sampling {
    /// As many chroma samples as luma samples.
    pub(super) const NONE: Self = Self {
        horizontal: 1,
        vertical: 1,
    };

    /// The same where the encoder has it; anything unusual is written without subsampling.
    pub(super) fn supported(self) -> Self {
        match (self.horizontal, self.vertical) {
            (1 | 2, 1 | 2) => self,
            _ => Self::NONE,
        }
    }

    /// The encoder's name for it.
    pub(super) fn factor(self) -> SamplingFactor {
        match (self.horizontal, self.vertical) {
            (2, 1) => SamplingFactor::F_2_1,
            (1, 2) => SamplingFactor::F_1_2,
            (2, 2) => SamplingFactor::F_2_2,
            _ => SamplingFactor::F_1_1,
        }
    }

    /// Extent of a minimum coded unit, samples (A.2.4).
    pub(super) fn mcu(self) -> Size {
        Size {
            columns: 8 * self.horizontal as usize,
            rows: 8 * self.vertical as usize,
        }
    }
}

/// Start of scan.
const SOS: u8 = 0xda;

/// Figure A.6 of T.81: natural position of each zigzag position.
#[rustfmt::skip]
const NATURAL_FROM_ZIGZAG: [usize; 64] = [
    0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5,
    12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
    35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51,
    58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
];

const DQT: u8 = 0xdb;
/// Largest step of a baseline table (8 bits).
const MAX_BASELINE_STEP: u16 = 255;

/// One component of the frame header.
struct Component {
    horizontal: u8,
    vertical: u8,
    table: u8,
}

/// The coding of a file; `None` when its headers are incomplete.
pub(super) fn coding(jpeg: &Jpeg) -> Option<JpegCoding> {
    let components = components(jpeg)?;
    let luma = table(jpeg, components.first()?.table)?;
    let Some(first_chroma) = components.get(1) else {
        return Some(JpegCoding {
            chroma: luma.clone(),
            luma,
            sampling: Sampling::NONE,
        });
    };
    let mut chroma = table(jpeg, first_chroma.table)?;
    for component in &components[2..] {
        // The encoder has one chroma table: the finer step of the two serves both.
        for (step, other) in chroma.iter_mut().zip(*table(jpeg, component.table)?) {
            *step = (*step).min(other);
        }
    }
    let ratio = |luma: u8, chroma: u8| luma.checked_div(chroma).unwrap_or(1);
    let sampling = components[1..]
        .iter()
        .map(|c| Sampling {
            horizontal: ratio(components[0].horizontal, c.horizontal),
            vertical: ratio(components[0].vertical, c.vertical),
        })
        .reduce(|a, b| Sampling {
            horizontal: a.horizontal.min(b.horizontal),
            vertical: a.vertical.min(b.vertical),
        })?;
    Some(JpegCoding {
        luma,
        chroma,
        sampling,
    })
}

/// Contents of the frame header (any SOF).
pub(super) fn frame_header(jpeg: &Jpeg) -> Option<(u8, &[u8])> {
    jpeg.segments()
        .iter()
        .find(|s| is_frame_header(s.marker()))
        .map(|s| (s.marker(), s.contents().as_ref()))
}

/// Are channels of different sizes coded in scans of their own, without being progressive?
///
/// zune-jpeg 0.5, the decoder behind `image` 0.25, hands over wrong colours for these.
pub(super) fn has_uneven_single_scans(jpeg: &Jpeg) -> bool {
    let Some((0xc0 | 0xc1, _)) = frame_header(jpeg) else {
        return false;
    };
    let components = components(jpeg).unwrap_or_default();
    let extent = |c: &Component| (c.horizontal, c.vertical);
    let uneven = components
        .windows(2)
        .any(|pair| extent(&pair[0]) != extent(&pair[1]));
    let mut scans = jpeg.segments_by_marker(SOS);
    let interleaved = |contents: &[u8]| {
        contents
            .first()
            .is_some_and(|&n| usize::from(n) == components.len())
    };
    uneven && scans.any(|scan| !interleaved(scan.contents()))
}

/// T.81 table B.1: SOF0 to SOF15 without DHT, JPG and DAC.
pub(super) fn is_frame_header(marker: u8) -> bool {
    matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc)
}

fn components(jpeg: &Jpeg) -> Option<Vec<Component>> {
    let (_, header) = frame_header(jpeg)?;
    let count = *header.get(5)? as usize;
    (0..count)
        .map(|i| {
            let [_, sampling, table] = *header.get(6 + 3 * i..9 + 3 * i)? else {
                return None;
            };
            Some(Component {
                horizontal: sampling >> 4,
                vertical: sampling & 15,
                table,
            })
        })
        .collect()
}

fn table(jpeg: &Jpeg, wanted: u8) -> Option<Box<[u16; 64]>> {
    let mut found = None;
    for segment in jpeg.segments_by_marker(DQT) {
        let mut rest: &[u8] = segment.contents();
        while let Some((&head, values)) = rest.split_first() {
            let wide = head >> 4 != 0;
            let length = if wide { 128 } else { 64 };
            let (values, after) = values.split_at_checked(length)?;
            rest = after;
            if head & 15 == wanted {
                found = Some(Box::new(natural_order(values)));
            }
        }
    }
    found
}

/// From 64 steps of one byte or of two.
fn natural_order(zigzag: &[u8]) -> [u16; 64] {
    let wide = zigzag.len() > 64;
    let mut table = [1; 64];
    for (i, &place) in NATURAL_FROM_ZIGZAG.iter().enumerate() {
        let step = if wide {
            u16::from_be_bytes([zigzag[2 * i], zigzag[2 * i + 1]])
        } else {
            u16::from(zigzag[i])
        };
        table[place] = step.clamp(1, MAX_BASELINE_STEP);
    }
    table
}
