//! TIFF out (TIFF 6.0, uncompressed), with EXIF and GPS directories, XMP and profile.

use std::io::{Seek, Write};

use exif::{Context, Exif, Field, In, Value};
use tiff::encoder::colortype::{self, ColorType};
use tiff::encoder::{
    DirectoryEncoder, Rational, TiffEncoder, TiffKind, TiffKindBig, TiffKindStandard, TiffValue,
};
use tiff::tags::{ExtraSamples, ResolutionUnit as TiffUnit, Tag, Type};
use tiff::{Directory, TiffError, TiffResult};

use super::{
    Format, Metadata, PhotoErrorKind, PhotoWarning, Resolution, ResolutionUnit, exif_block,
};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

const TAG_XMP: u16 = 700;
const TAG_RESOLUTION: [u16; 3] = [282, 283, 296];
const TAG_GPS_IFD: u16 = 34_853;
const TAG_INTEROP_IFD: u16 = 40_965;
/// Above this, offsets of 32 bits might not reach the end: 4 GiB less room for metadata.
const MAX_CLASSIC_BYTES: usize = 4_000_000_000;
/// Denominator of resolutions that are no whole numbers.
const RESOLUTION_DENOMINATOR: f64 = 10_000.0;

/// Writes the picture; the offsets are of 64 bits only where 32 do not do.
pub(super) fn write(
    out: &mut (impl Write + Seek),
    picture: &Samples,
    metadata: &Metadata,
) -> Result<Vec<PhotoWarning>, PhotoErrorKind> {
    let bytes = picture.size.area() * picture.layout.count() * picture.bits() as usize / 8;
    if bytes > MAX_CLASSIC_BYTES {
        write_as::<_, TiffKindBig>(out, picture, metadata)
    } else {
        write_as::<_, TiffKindStandard>(out, picture, metadata)
    }
    .map_err(|e| match e {
        TiffError::IoError(e) => PhotoErrorKind::Io(e),
        other => PhotoErrorKind::Encode {
            format: Format::Tiff,
            what: other.to_string(),
        },
    })?;
    Ok(Vec::new())
}

fn write_as<W: Write + Seek, K: TiffKind>(
    out: &mut W,
    picture: &Samples,
    metadata: &Metadata,
) -> TiffResult<()>
where
    K::OffsetType: TiffValue,
{
    let mut encoder = TiffEncoder::<_, K>::new_generic(out)?;
    let exif = metadata.exif.clone().and_then(exif_block::parsed);
    let links = match &exif {
        Some(exif) => write_directories(&mut encoder, exif)?,
        None => Vec::new(),
    };
    let extras = Extras {
        metadata,
        exif: exif.as_ref(),
        links,
    };
    let (size, layout) = (picture.size, picture.layout);
    let grey = layout.colours() == 1;
    match &picture.values {
        CodeValues::Eight(v) if grey => {
            write_image::<_, colortype::Gray8, K>(&mut encoder, (size, layout), v, &extras)
        }
        CodeValues::Eight(v) => {
            write_image::<_, colortype::RGB8, K>(&mut encoder, (size, layout), v, &extras)
        }
        CodeValues::Sixteen(v) if grey => {
            write_image::<_, colortype::Gray16, K>(&mut encoder, (size, layout), v, &extras)
        }
        CodeValues::Sixteen(v) => {
            write_image::<_, colortype::RGB16, K>(&mut encoder, (size, layout), v, &extras)
        }
    }
}

/// What goes into the first directory beside the picture.
struct Extras<'a, O> {
    metadata: &'a Metadata,
    exif: Option<&'a Exif>,
    links: Vec<(u16, O)>,
}

fn write_image<W: Write + Seek, C: ColorType, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    (size, layout): (Size, ChannelLayout),
    values: &[C::Inner],
    extras: &Extras<'_, K::OffsetType>,
) -> TiffResult<()>
where
    [C::Inner]: TiffValue,
    K::OffsetType: TiffValue,
{
    let mut image = encoder.new_image::<C>(size.columns as u32, size.rows as u32)?;
    if layout.count() > layout.colours() {
        image.extra_samples(&[if extras.metadata.specific.alpha_is_associated {
            ExtraSamples::AssociatedAlpha
        } else {
            ExtraSamples::UnassociatedAlpha
        }])?;
    }
    write_extras(image.encoder(), extras)?;
    image.write_data(values)
}

fn write_extras<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    extras: &Extras<'_, K::OffsetType>,
) -> TiffResult<()>
where
    K::OffsetType: TiffValue,
{
    let mut has_resolution = false;
    for field in extras.exif.into_iter().flat_map(Exif::fields) {
        let tag = field.tag.number();
        if is_of(field, Context::Tiff) && !exif_block::is_structural(tag) {
            has_resolution |= TAG_RESOLUTION.contains(&tag);
            write_field(directory, field)?;
        }
    }
    for (tag, offset) in &extras.links {
        directory.write_tag(Tag::from_u16_exhaustive(*tag), offset)?;
    }
    if let (false, Some(resolution)) = (has_resolution, extras.metadata.resolution) {
        write_resolution(directory, resolution)?;
    }
    if let Some(xmp) = &extras.metadata.xmp {
        directory.write_tag(Tag::Unknown(TAG_XMP), &xmp[..])?;
    }
    if let Some(icc) = &extras.metadata.icc {
        write_bytes(directory, Tag::IccProfile, Type::UNDEFINED, icc)?;
    }
    Ok(())
}

fn write_resolution<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    resolution: Resolution,
) -> TiffResult<()> {
    let resolution = match resolution.unit {
        ResolutionUnit::Metre => resolution.counted_in(ResolutionUnit::Inch),
        _ => resolution,
    };
    let rational = |v: f64| {
        let d = if v.fract() == 0.0 {
            1.0
        } else {
            RESOLUTION_DENOMINATOR
        };
        Rational {
            n: (v * d).round() as u32,
            d: d as u32,
        }
    };
    directory.write_tag(Tag::XResolution, rational(resolution.x))?;
    directory.write_tag(Tag::YResolution, rational(resolution.y))?;
    let unit = match resolution.unit {
        ResolutionUnit::AspectOnly => TiffUnit::None,
        ResolutionUnit::Centimetre => TiffUnit::Centimeter,
        ResolutionUnit::Inch | ResolutionUnit::Metre => TiffUnit::Inch,
    };
    directory.write_tag(Tag::ResolutionUnit, unit)
}

fn is_of(field: &Field, context: Context) -> bool {
    field.ifd_num == In::PRIMARY && field.tag.context() == context
}

/// Interoperability, EXIF and GPS directories; hands back the links for the first directory.
fn write_directories<W: Write + Seek, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    exif: &Exif,
) -> TiffResult<Vec<(u16, K::OffsetType)>>
where
    K::OffsetType: TiffValue,
{
    let mut links = Vec::new();
    let interop = write_directory(encoder, exif, Context::Interop, None)?;
    let interop = interop.map(|offset| (TAG_INTEROP_IFD, offset));
    if let Some(offset) = write_directory(encoder, exif, Context::Exif, interop)? {
        links.push((Tag::ExifDirectory.to_u16(), offset));
    }
    if let Some(offset) = write_directory(encoder, exif, Context::Gps, None)? {
        links.push((TAG_GPS_IFD, offset));
    }
    Ok(links)
}

fn write_directory<W: Write + Seek, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    exif: &Exif,
    context: Context,
    link: Option<(u16, K::OffsetType)>,
) -> TiffResult<Option<K::OffsetType>>
where
    K::OffsetType: TiffValue,
{
    let fields: Vec<_> = exif.fields().filter(|f| is_of(f, context)).collect();
    if fields.is_empty() {
        return Ok(None);
    }
    let mut directory = encoder.extra_directory()?;
    for field in fields {
        write_field(&mut directory, field)?;
    }
    if let Some((tag, offset)) = link {
        directory.write_tag(Tag::from_u16_exhaustive(tag), offset)?;
    }
    Ok(Some(directory.finish_with_offsets()?.offset))
}

/// One field with its type and bytes as they were, in this machine's byte order.
fn write_field<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    field: &Field,
) -> TiffResult<()> {
    let (kind, bytes): (Type, Vec<u8>) = match &field.value {
        Value::Byte(v) => (Type::BYTE, v.clone()),
        Value::Ascii(v) => (
            Type::ASCII,
            v.iter().flat_map(|s| [s, &b"\0"[..]].concat()).collect(),
        ),
        Value::Short(v) => (
            Type::SHORT,
            v.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
        Value::Long(v) => (Type::LONG, v.iter().flat_map(|v| v.to_ne_bytes()).collect()),
        Value::Rational(v) => (
            Type::RATIONAL,
            v.iter()
                .flat_map(|r| [r.num, r.denom])
                .flat_map(u32::to_ne_bytes)
                .collect(),
        ),
        Value::SByte(v) => (
            Type::SBYTE,
            v.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
        Value::Undefined(v, _) => (Type::UNDEFINED, v.clone()),
        Value::SShort(v) => (
            Type::SSHORT,
            v.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
        Value::SLong(v) => (
            Type::SLONG,
            v.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
        Value::SRational(v) => (
            Type::SRATIONAL,
            v.iter()
                .flat_map(|r| [r.num, r.denom])
                .flat_map(i32::to_ne_bytes)
                .collect(),
        ),
        Value::Float(v) => (
            Type::FLOAT,
            v.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
        Value::Double(v) => (
            Type::DOUBLE,
            v.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
        Value::Unknown(..) => return Ok(()),
    };
    write_bytes(
        directory,
        Tag::from_u16_exhaustive(field.tag.number()),
        kind,
        &bytes,
    )
}

fn write_bytes<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    tag: Tag,
    kind: Type,
    bytes: &[u8],
) -> TiffResult<()> {
    let entry = directory.write_entry_bytes(kind, bytes)?;
    let mut written = Directory::empty();
    written.extend([(tag, entry)]);
    directory.extend_from(&written);
    Ok(())
}
