//! Small pictures and EXIF blocks for the tests of the file layer.

#![allow(dead_code, reason = "each test binary uses a part of it")]

pub(crate) mod damaged;
pub(crate) mod elsewhere;

use std::io::Cursor;

use derig::photo::{self, Format, Metadata, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};
use exif::experimental::Writer;
use exif::{Exif, Field, In, Rational, Tag, Value};

pub(crate) const FORMATS: [Format; 3] = [Format::Jpeg, Format::Png, Format::Tiff];

/// A picture whose every sample differs from its neighbours.
pub(crate) fn picture(size: Size, layout: ChannelLayout, bits: u8) -> Samples {
    let count = size.area() * layout.count();
    let value = |i: usize| (i * 40_503 + 977) as u16;
    Samples {
        size,
        layout,
        values: match bits {
            8 => CodeValues::Eight((0..count).map(|i| (value(i) >> 8) as u8).collect()),
            _ => CodeValues::Sixteen((0..count).map(value).collect()),
        },
    }
}

pub(crate) fn small() -> Samples {
    picture(
        Size {
            columns: 37,
            rows: 23,
        },
        ChannelLayout::Rgb,
        8,
    )
}

pub(crate) fn encoded(samples: Samples, metadata: &Metadata, format: Format) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    photo::encode(&mut out, samples, metadata, format).unwrap();
    out.into_inner()
}

pub(crate) fn read(bytes: Vec<u8>) -> photo::Photo {
    photo::read_bytes(bytes, &ReadLimits::default()).unwrap()
}

pub(crate) fn field(tag: Tag, value: Value) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    }
}

pub(crate) fn ascii(text: &str) -> Value {
    Value::Ascii(vec![text.as_bytes().to_vec()])
}

pub(crate) fn rational(num: u32, denom: u32) -> Value {
    Value::Rational(vec![Rational { num, denom }])
}

/// A camera's EXIF with the given orientation, as a block.
pub(crate) fn exif_block(orientation: u16, size: Size) -> Vec<u8> {
    let fields = [
        field(Tag::Make, ascii("Halden")),
        field(Tag::Model, ascii("HX-7")),
        field(Tag::Orientation, Value::Short(vec![orientation])),
        field(Tag::XResolution, rational(240, 1)),
        field(Tag::YResolution, rational(240, 1)),
        field(Tag::ResolutionUnit, Value::Short(vec![2])),
        field(Tag::ExposureTime, rational(1, 160)),
        field(Tag::FNumber, rational(56, 10)),
        field(Tag::PhotographicSensitivity, Value::Short(vec![400])),
        field(Tag::DateTimeOriginal, ascii("2026:06:14 15:12:48")),
        field(Tag::Flash, Value::Short(vec![0x0f])),
        field(Tag::FocalLength, rational(199, 10)),
        field(Tag::MakerNote, Value::Undefined((0..=255).collect(), 0)),
        field(Tag::PixelXDimension, Value::Long(vec![size.columns as u32])),
        field(Tag::PixelYDimension, Value::Long(vec![size.rows as u32])),
        field(Tag::LensModel, ascii("20 mm")),
        field(Tag::GPSLatitudeRef, ascii("N")),
        field(Tag::InteroperabilityIndex, ascii("R98")),
    ];
    let mut writer = Writer::new();
    for f in &fields {
        writer.push_field(f);
    }
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, true).unwrap();
    block.into_inner()
}

/// Read by the EXIF crate's own container reader, not through ours.
pub(crate) fn independent_exif(file: &[u8]) -> Exif {
    exif::Reader::new()
        .read_from_container(&mut Cursor::new(file))
        .unwrap()
}

pub(crate) fn whole(exif: &Exif, tag: Tag) -> Option<u32> {
    exif.get_field(tag, In::PRIMARY)?.value.get_uint(0)
}
