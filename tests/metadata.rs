//! What travels with the pixels goes through every format, and the pixels themselves are exact.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod pictures;

use std::io::Cursor;

use derig::photo::{self, Format, Metadata, Resolution, ResolutionUnit};
use derig::scene::{ChannelLayout, CodeValues, Size};
use exif::experimental::Writer;
use exif::{In, Tag, Value};
use img_parts::jpeg::{Jpeg, JpegSegment};
use img_parts::{Bytes, ImageICC};

use pictures::{
    FORMATS, ascii, encoded, exif_block, field, independent_exif, picture, read, small,
};

const LAYOUTS: [ChannelLayout; 4] = [
    ChannelLayout::Grey,
    ChannelLayout::GreyAlpha,
    ChannelLayout::Rgb,
    ChannelLayout::Rgba,
];

#[test]
fn lossless_formats_give_every_sample_back() {
    let size = Size {
        columns: 37,
        rows: 23,
    };
    for layout in LAYOUTS {
        for bits in [8, 16] {
            for format in [Format::Png, Format::Tiff] {
                let samples = picture(size, layout, bits);
                let file = encoded(samples.clone(), &Metadata::default(), format);
                let photo = read(file);
                assert_eq!(photo.samples, samples, "{layout:?} {bits} {format}");
                assert_eq!(photo.format, format);
                assert_eq!(photo.encoding.curves[0].codes(), 1 << bits);
            }
        }
    }
}

#[test]
fn tables_and_sampling_of_a_jpeg_are_kept() {
    for (quality, sampling) in [
        (82, jpeg_encoder::SamplingFactor::F_2_2),
        (91, jpeg_encoder::SamplingFactor::F_2_1),
        (97, jpeg_encoder::SamplingFactor::F_1_1),
    ] {
        let mut file = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut file, quality);
        encoder.set_sampling_factor(sampling);
        let values: Vec<u8> = (0..64 * 48 * 3).map(|i| (i / 61 % 256) as u8).collect();
        encoder
            .encode(&values, 64, 48, jpeg_encoder::ColorType::Rgb)
            .unwrap();
        let tables = |file: &[u8]| -> Vec<Bytes> {
            let jpeg = Jpeg::from_bytes(Bytes::copy_from_slice(file)).unwrap();
            let wanted = |s: &&JpegSegment| matches!(s.marker(), 0xdb | 0xc0);
            jpeg.segments()
                .iter()
                .filter(wanted)
                .map(|s| s.contents().clone())
                .collect()
        };
        let photo = read(file.clone());
        let again = encoded(photo.samples, &photo.metadata, Format::Jpeg);
        assert_eq!(tables(&file), tables(&again), "quality {quality}");
    }
}

#[test]
fn a_jpeg_encoded_again_stays_within_rounding() {
    let lit = include_bytes!("../samples/boatyard/lit-1.jpg").to_vec();
    let first = read(lit);
    let again = read(encoded(
        first.samples.clone(),
        &first.metadata,
        Format::Jpeg,
    ));
    let (CodeValues::Eight(a), CodeValues::Eight(b)) =
        (&first.samples.values, &again.samples.values)
    else {
        panic!("JPEG is 8 bits");
    };
    let steps: Vec<u8> = a.iter().zip(b).map(|(a, b)| a.abs_diff(*b)).collect();
    let mean = steps.iter().map(|&d| f64::from(d)).sum::<f64>() / steps.len() as f64;
    // The same tables: what is left is rounding to whole code values before and after the DCT.
    assert!(mean < 0.5, "mean step {mean}");
    assert!(
        steps.iter().all(|&d| d <= 8),
        "largest step {:?}",
        steps.iter().max()
    );
}

/// ICC.1:2022 B.4: at most 65 519 profile bytes a JPEG segment.
#[test]
fn a_profile_of_any_size_is_kept_byte_for_byte() {
    let adobe = moxcms::ColorProfile::new_adobe_rgb().encode().unwrap();
    let large: Vec<u8> = (0..200_000usize).map(|i| ((i * i) >> 3) as u8).collect();
    for format in FORMATS {
        for profile in [&adobe, &large] {
            let metadata = Metadata {
                icc: Some(profile.clone()),
                ..Metadata::default()
            };
            let file = encoded(small(), &metadata, format);
            let photo = read(file.clone());
            assert_eq!(photo.metadata.icc.as_ref(), Some(profile), "{format}");
            assert_eq!(photo.warnings.is_empty(), profile == &adobe);
        }
    }
    let metadata = Metadata {
        icc: Some(large.clone()),
        ..Metadata::default()
    };
    let jpeg = Jpeg::from_bytes(encoded(small(), &metadata, Format::Jpeg).into()).unwrap();
    let parts: Vec<_> = jpeg
        .segments_by_marker(0xe2)
        .filter(|s| s.contents().starts_with(b"ICC_PROFILE\0"))
        .collect();
    assert_eq!(parts.len(), 4);
    assert!(parts.iter().all(|s| s.contents().len() <= 14 + 65_519));
    assert_eq!(jpeg.icc_profile().unwrap(), large);
}

#[test]
fn a_profile_decides_how_samples_stand_for_light() {
    let adobe = moxcms::ColorProfile::new_adobe_rgb().encode().unwrap();
    let metadata = Metadata {
        icc: Some(adobe),
        ..Metadata::default()
    };
    let photo = read(encoded(small(), &metadata, Format::Png));
    let light = photo.encoding.curves[0].decode(128);
    assert!(
        (light - (128.0f32 / 255.0).powf(563.0 / 256.0)).abs() < 1e-3,
        "{light}"
    );
}

/// Tag numbers after CIPA DC-008 (EXIF 2.32).
#[test]
fn camera_facts_are_read_and_kept_in_every_format() {
    let size = small().size;
    for format in FORMATS {
        let metadata = Metadata {
            exif: Some(exif_block(1, size)),
            ..Metadata::default()
        };
        let photo = read(encoded(small(), &metadata, format));
        let camera = &photo.camera;
        assert_eq!(camera.make.as_deref(), Some("Halden"), "{format}");
        assert_eq!(camera.model.as_deref(), Some("HX-7"));
        assert_eq!(camera.exposure_time, Some(1.0 / 160.0));
        assert_eq!(camera.f_number, Some(5.6));
        assert_eq!(camera.iso, Some(400));
        assert_eq!(camera.focal_length, Some(19.9));
        assert_eq!(camera.flash_fired, Some(true));
        assert_eq!(
            camera.date_time_original.as_deref(),
            Some("2026:06:14 15:12:48")
        );
        assert_eq!(camera.lens.as_deref(), Some("20 mm"));

        let file = encoded(photo.samples, &photo.metadata, format);
        let exif = independent_exif(&file);
        let by_number = |number: u16| {
            let found = exif
                .fields()
                .find(|f| f.ifd_num == In::PRIMARY && f.tag.number() == number);
            found.map(|f| f.value.clone())
        };
        let rational_of = |number| match by_number(number) {
            Some(Value::Rational(v)) => (v[0].num, v[0].denom),
            other => panic!("{number}: {other:?}"),
        };
        assert_eq!(rational_of(33_434), (1, 160), "{format}");
        assert_eq!(rational_of(33_437), (56, 10));
        assert_eq!(rational_of(37_386), (199, 10));
        assert_eq!(by_number(34_855).unwrap().get_uint(0), Some(400));
        assert_eq!(by_number(37_385).unwrap().get_uint(0), Some(15));
        let Some(Value::Undefined(note, _)) = by_number(37_500) else {
            panic!("the maker note is kept");
        };
        assert_eq!(note, (0..=255).collect::<Vec<u8>>());
        assert!(exif.get_field(Tag::GPSLatitudeRef, In::PRIMARY).is_some());
        assert!(
            exif.get_field(Tag::InteroperabilityIndex, In::PRIMARY)
                .is_some()
        );
    }
}

#[test]
fn exif_is_byte_for_byte_where_the_container_holds_it_whole() {
    let block = exif_block(1, small().size);
    for format in [Format::Jpeg, Format::Png] {
        let metadata = Metadata {
            exif: Some(block.clone()),
            ..Metadata::default()
        };
        let photo = read(encoded(small(), &metadata, format));
        assert_eq!(photo.metadata.exif.as_ref(), Some(&block), "{format}");
    }
}

#[test]
fn facts_survive_a_change_of_format() {
    let metadata = Metadata {
        exif: Some(exif_block(1, small().size)),
        ..Metadata::default()
    };
    let jpeg = read(encoded(small(), &metadata, Format::Jpeg));
    let tiff = read(encoded(jpeg.samples.clone(), &jpeg.metadata, Format::Tiff));
    let png = read(encoded(tiff.samples.clone(), &tiff.metadata, Format::Png));
    assert_eq!(tiff.camera, jpeg.camera);
    assert_eq!(png.camera, jpeg.camera);
    assert_eq!(png.samples, jpeg.samples);
}

#[test]
fn xmp_is_kept_in_every_format() {
    let xmp = br#"<x:xmpmeta xmlns:x="adobe:ns:meta/"><r rating="4"/></x:xmpmeta>"#.to_vec();
    for format in FORMATS {
        let metadata = Metadata {
            xmp: Some(xmp.clone()),
            ..Metadata::default()
        };
        let photo = read(encoded(small(), &metadata, format));
        assert_eq!(photo.metadata.xmp.as_ref(), Some(&xmp), "{format}");
        let again = read(encoded(photo.samples, &photo.metadata, format));
        assert_eq!(again.metadata.xmp.as_ref(), Some(&xmp), "{format}");
    }
}

#[test]
fn resolution_is_kept_in_every_format() {
    let inch = Resolution {
        x: 300.0,
        y: 300.0,
        unit: ResolutionUnit::Inch,
    };
    let centimetre = Resolution {
        x: 118.0,
        y: 120.0,
        unit: ResolutionUnit::Centimetre,
    };
    for format in FORMATS {
        for resolution in [inch, centimetre] {
            let metadata = Metadata {
                resolution: Some(resolution),
                ..Metadata::default()
            };
            let photo = read(encoded(small(), &metadata, format));
            let found = photo
                .metadata
                .resolution
                .unwrap()
                .counted_in(resolution.unit);
            // PNG counts whole pixels a metre: 300 an inch come back as 299.9994.
            assert!((found.x - resolution.x).abs() < 0.01, "{format} {found:?}");
            assert!((found.y - resolution.y).abs() < 0.01, "{format} {found:?}");
            let again = read(encoded(photo.samples, &photo.metadata, format));
            assert_eq!(
                again.metadata.resolution, photo.metadata.resolution,
                "{format}"
            );
        }
    }
}

#[test]
fn comments_and_captions_of_a_jpeg_are_kept() {
    let mut jpeg =
        Jpeg::from_bytes(encoded(small(), &Metadata::default(), Format::Jpeg).into()).unwrap();
    let caption = Bytes::from_static(b"a caption block\0with binary \x04\x04 in it");
    let extra = [
        JpegSegment::new_with_contents(0xfe, Bytes::from_static(b"third roll")),
        JpegSegment::new_with_contents(0xed, caption),
    ];
    jpeg.segments_mut().splice(1..1, extra.clone());
    let photo = read(jpeg.encoder().bytes().to_vec());
    let out = encoded(photo.samples, &photo.metadata, Format::Jpeg);
    let out = Jpeg::from_bytes(out.into()).unwrap();
    for segment in extra {
        assert!(out.segments().contains(&segment), "{segment:?}");
    }
}

#[test]
fn exif_beyond_a_jpeg_segment_loses_its_largest_values_only() {
    let fields = [
        field(Tag::Make, ascii("Halden")),
        field(Tag::MakerNote, Value::Undefined(vec![7; 70_000], 0)),
    ];
    let mut writer = Writer::new();
    for f in &fields {
        writer.push_field(f);
    }
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, true).unwrap();
    let metadata = Metadata {
        exif: Some(block.into_inner()),
        ..Metadata::default()
    };
    let mut out = Cursor::new(Vec::new());
    let lost = photo::encode(&mut out, small(), &metadata, Format::Jpeg).unwrap();
    assert_eq!(lost.len(), 1);
    assert_eq!(
        read(out.into_inner()).camera.make.as_deref(),
        Some("Halden")
    );
}
