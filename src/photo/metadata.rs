//! What travels with the pixels.

use super::jpeg_coding::JpegCoding;

/// What resolution numbers count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ResolutionUnit {
    /// Only the shape of a pixel is told.
    AspectOnly,
    /// Pixels an inch.
    Inch,
    /// Pixels a centimetre.
    Centimetre,
    /// Pixels a metre.
    Metre,
}

/// Print resolution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolution {
    /// Pixels a unit along the rows.
    pub x: f64,
    /// Pixels a unit along the columns.
    pub y: f64,
    /// The unit.
    pub unit: ResolutionUnit,
}

/// Centimetres in an inch (exact, ISO 31-1).
const CM_PER_INCH: f64 = 2.54;

impl Resolution {
    fn per_inch(unit: ResolutionUnit) -> Option<f64> {
        match unit {
            ResolutionUnit::AspectOnly => None,
            ResolutionUnit::Inch => Some(1.0),
            ResolutionUnit::Centimetre => Some(CM_PER_INCH),
            ResolutionUnit::Metre => Some(CM_PER_INCH / 100.0),
        }
    }

    /// The same resolution counted in another unit; a bare pixel shape stays what it is.
    #[must_use]
    pub fn counted_in(self, unit: ResolutionUnit) -> Self {
        let (Some(from), Some(to)) = (Self::per_inch(self.unit), Self::per_inch(unit)) else {
            return self;
        };
        if self.unit == unit {
            return self;
        }
        Self {
            x: self.x * from / to,
            y: self.y * from / to,
            unit,
        }
    }

    pub(super) fn transposed(self) -> Self {
        Self {
            x: self.y,
            y: self.x,
            unit: self.unit,
        }
    }
}

/// A piece of a file that only its own format can hold, byte for byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Carried {
    /// Marker and contents of a JPEG segment.
    JpegSegment(u8, Vec<u8>),
    /// Type and contents of a PNG chunk.
    PngChunk([u8; 4], Vec<u8>),
}

/// Profile, EXIF, XMP and all else that goes from the input into the output.
///
/// The pixels it travels with are upright, so the orientation is 1 in all of it. The preview
/// picture inside EXIF shows the lit frame and is left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Metadata {
    /// ICC profile, byte for byte.
    pub icc: Option<Vec<u8>>,
    /// EXIF as a TIFF structure of its own, without `Exif\0\0`.
    pub exif: Option<Vec<u8>>,
    /// XMP packet.
    pub xmp: Option<Vec<u8>>,
    /// Print resolution as the container (not EXIF) tells it.
    pub resolution: Option<Resolution>,
    /// What only the input's own format can hold.
    pub specific: FormatSpecific,
}

impl Metadata {
    /// The same with a JPEG quality (1 to 100, scaled tables of T.81 annex K) of one's own in place of
    /// the input's tables; chroma at full size.
    #[must_use]
    pub fn with_jpeg_quality(mut self, quality: u8) -> Self {
        self.specific.jpeg_coding = None;
        self.specific.jpeg_quality = Some(quality.clamp(1, 100));
        self
    }

    /// What says how the samples are meant, and nothing else: the profile, or the chunk that says
    /// sRGB where there is none (PNG 3rd edition, 11.3.2.5), and the resolution. For layers.
    #[must_use]
    pub fn colours_only(&self) -> Self {
        let coded = |c: &&Carried| matches!(c, Carried::PngChunk(kind, _) if kind == b"cICP");
        let mut carried: Vec<_> = self
            .specific
            .carried
            .iter()
            .filter(coded)
            .cloned()
            .collect();
        if self.icc.is_none() {
            carried.push(Carried::PngChunk(*b"sRGB", vec![PERCEPTUAL_INTENT]));
        }
        Self {
            icc: self.icc.clone(),
            resolution: self.resolution,
            specific: FormatSpecific {
                carried,
                ..FormatSpecific::default()
            },
            ..Self::default()
        }
    }
}

/// What only the input's own format can hold; opaque, empty for a picture made here.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FormatSpecific {
    /// Tables and sampling of a JPEG input.
    pub(super) jpeg_coding: Option<JpegCoding>,
    /// Quality for a JPEG output that shall not be coded like its input.
    pub(super) jpeg_quality: Option<u8>,
    /// Everything else worth keeping.
    pub(super) carried: Vec<Carried>,
    /// Is the colour multiplied with alpha (TIFF `ExtraSamples` 1)?
    pub(super) alpha_is_associated: bool,
}

/// Rendering intent of the sRGB chunk: pictures.
const PERCEPTUAL_INTENT: u8 = 0;

const XMP_ORIENTATION: &[u8] = b"tiff:Orientation";

/// Sets every `tiff:Orientation` of an XMP packet to 1; attribute and element form.
pub(super) fn make_xmp_upright(xmp: &mut [u8]) {
    let mut at = 0;
    while let Some(found) = find(&xmp[at..], XMP_ORIENTATION) {
        at += found + XMP_ORIENTATION.len();
        let digit = match xmp.get(at..at + 3) {
            Some([b'=', b'"' | b'\'', _]) => at + 2,
            Some([b'>', ..]) => at + 1,
            _ => continue,
        };
        if xmp[digit].is_ascii_digit() {
            xmp[digit] = b'1';
        }
    }
}

fn find(haystack: &[u8], needle: &[u8]) -> Option<usize> {
    haystack.windows(needle.len()).position(|w| w == needle)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn xmp_orientation_becomes_one_in_both_spellings() {
        let mut xmp = b"<a tiff:Orientation=\"6\"/><tiff:Orientation>8</tiff:Orientation>".to_vec();
        make_xmp_upright(&mut xmp);
        assert_eq!(
            xmp,
            b"<a tiff:Orientation=\"1\"/><tiff:Orientation>1</tiff:Orientation>"
        );
    }

    #[test]
    fn three_hundred_an_inch_is_11811_a_metre() {
        let inch = Resolution {
            x: 300.0,
            y: 300.0,
            unit: ResolutionUnit::Inch,
        };
        let metre = inch.counted_in(ResolutionUnit::Metre);
        assert!((metre.x - 11_811.02).abs() < 0.01);
        assert!((metre.counted_in(ResolutionUnit::Inch).x - 300.0).abs() < 1e-9);
    }
}
