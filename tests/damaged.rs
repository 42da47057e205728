//! Damaged, cut short, huge and foreign files: an error that names what is wrong, never a panic.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

use std::io::Cursor;
use std::path::Path;

use derig::photo::{self, Format, Metadata, PhotoErrorKind, PhotoWarning, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

const FORMATS: [Format; 3] = [Format::Jpeg, Format::Png, Format::Tiff];

fn file(format: Format) -> Vec<u8> {
    let size = Size {
        columns: 96,
        rows: 64,
    };
    let value = |i: usize| (i.wrapping_mul(2_654_435_761) >> 11) as u8;
    let samples = Samples {
        size,
        layout: ChannelLayout::Rgb,
        values: CodeValues::Eight((0..size.area() * 3).map(value).collect()),
    };
    let mut out = Cursor::new(Vec::new());
    photo::encode(&mut out, samples, &Metadata::default(), format).unwrap();
    out.into_inner()
}

fn error(bytes: Vec<u8>) -> PhotoErrorKind {
    match photo::read_bytes(bytes, &ReadLimits::default()) {
        Ok(photo) => panic!("read as {:?}", photo.samples.size),
        Err(error) => error,
    }
}

#[test]
fn a_file_cut_at_any_sixteenth_is_refused() {
    for format in FORMATS {
        let whole = file(format);
        for sixteenth in 0..16 {
            let part = whole[..whole.len() * sixteenth / 16].to_vec();
            let error = error(part);
            let told = error.to_string();
            assert!(!told.is_empty(), "{format} {sixteenth}/16");
            if sixteenth > 8 && format != Format::Tiff {
                assert!(
                    matches!(error, PhotoErrorKind::Truncated),
                    "{format} {sixteenth}/16: {told}"
                );
            }
        }
    }
}

#[test]
fn no_flipped_byte_makes_reading_panic() {
    for format in FORMATS {
        let whole = file(format);
        let step = (whole.len() / 400).max(1);
        for at in (0..whole.len())
            .step_by(step)
            .chain(0..whole.len().min(700))
        {
            for value in [0x00, 0xff, whole[at] ^ 0x80] {
                let mut bytes = whole.clone();
                bytes[at] = value;
                // Either outcome is right: much of a file may change without harm to its form.
                let _ = photo::read_bytes(bytes, &ReadLimits::default());
            }
        }
    }
}

#[test]
fn an_empty_file_and_text_are_no_pictures() {
    assert!(matches!(error(Vec::new()), PhotoErrorKind::Empty));
    let text = error(b"three lit frames and a plate".to_vec());
    assert_eq!(
        text.to_string(),
        "it is not a JPEG, PNG or TIFF picture: it looks like text"
    );
}

#[test]
fn a_wrong_extension_is_read_by_content_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame.jpg");
    std::fs::write(&path, file(Format::Png)).unwrap();
    let photo = photo::read(&path, &ReadLimits::default()).unwrap();
    assert_eq!(photo.format, Format::Png);
    assert_eq!(photo.warnings, [PhotoWarning::OtherThanNamed(Format::Png)]);
}

#[test]
fn a_missing_file_is_named() {
    let path = Path::new("nowhere/plate.jpg");
    let error = photo::read(path, &ReadLimits::default()).unwrap_err();
    assert_eq!(error.to_string(), "cannot read `nowhere/plate.jpg`");
    assert!(error.hint().is_some());
}

/// PNG header that claims the extent; the chunk check sum is right, so only the extent is wrong.
fn png_of(columns: u32, rows: u32) -> Vec<u8> {
    let header = [columns.to_be_bytes(), rows.to_be_bytes()].concat();
    let header = [&header[..], &[8, 2, 0, 0, 0]].concat();
    let chunk = img_parts::png::PngChunk::new(*b"IHDR", header.into());
    let mut png = img_parts::png::Png::from_bytes(file(Format::Png).into()).unwrap();
    png.chunks_mut()[0] = chunk;
    png.encoder().bytes().to_vec()
}

#[test]
fn a_huge_header_is_refused_before_memory_is_taken() {
    assert!(matches!(
        error(png_of(100_000, 100_000)),
        PhotoErrorKind::TooLarge { .. }
    ));
    let mut jpeg = file(Format::Jpeg);
    let frame_header = jpeg.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    jpeg[frame_header + 5..frame_header + 9].copy_from_slice(&[0xff, 0xff, 0xff, 0xff]);
    assert!(matches!(error(jpeg), PhotoErrorKind::TooLarge { .. }));
}

#[test]
fn no_pixels_are_no_picture() {
    assert!(matches!(error(png_of(0, 64)), PhotoErrorKind::NoPixels(_)));
    let mut jpeg = file(Format::Jpeg);
    let frame_header = jpeg.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    jpeg[frame_header + 5..frame_header + 9].copy_from_slice(&[0, 64, 0, 0]);
    assert!(matches!(error(jpeg), PhotoErrorKind::NoPixels(_)));
}

#[test]
fn a_memory_limit_is_kept() {
    let limits = ReadLimits {
        max_bytes: 10_000,
        ..ReadLimits::default()
    };
    for format in FORMATS {
        let error = photo::read_bytes(file(format), &limits).unwrap_err();
        assert!(
            matches!(error, PhotoErrorKind::TooMuchMemory { .. }),
            "{format}: {error}"
        );
    }
}

#[test]
fn cmyk_is_refused_by_name() {
    let mut jpeg = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut jpeg, 90);
    encoder
        .encode(&[90; 16 * 16 * 4], 16, 16, jpeg_encoder::ColorType::Cmyk)
        .unwrap();
    assert!(matches!(error(jpeg), PhotoErrorKind::Cmyk));

    let mut tiff = Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut tiff)
        .unwrap()
        .write_image::<tiff::encoder::colortype::CMYK8>(4, 4, &[9; 64])
        .unwrap();
    assert!(matches!(error(tiff.into_inner()), PhotoErrorKind::Cmyk));
}

#[test]
fn floating_point_is_refused_by_name() {
    let mut tiff = Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut tiff)
        .unwrap()
        .write_image::<tiff::encoder::colortype::RGB32Float>(2, 2, &[f32::NAN; 12])
        .unwrap();
    let told = error(tiff.into_inner()).to_string();
    assert_eq!(told, "it holds floating-point samples");
}

#[test]
fn a_palette_is_expanded_and_a_second_page_is_told() {
    let mut png = Vec::new();
    let mut encoder = png::Encoder::new(&mut png, 2, 1);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::One);
    encoder.set_palette(vec![1, 2, 3, 250, 251, 252]);
    encoder
        .write_header()
        .unwrap()
        .write_image_data(&[0b0100_0000])
        .unwrap();
    let photo = photo::read_bytes(png, &ReadLimits::default()).unwrap();
    assert_eq!(
        photo.samples.values,
        CodeValues::Eight(vec![1, 2, 3, 250, 251, 252])
    );

    let mut tiff = Cursor::new(Vec::new());
    let mut encoder = tiff::encoder::TiffEncoder::new(&mut tiff).unwrap();
    for grey in [7, 9] {
        encoder
            .write_image::<tiff::encoder::colortype::Gray8>(2, 2, &[grey; 4])
            .unwrap();
    }
    let photo = photo::read_bytes(tiff.into_inner(), &ReadLimits::default()).unwrap();
    assert_eq!(photo.samples.values, CodeValues::Eight(vec![7; 4]));
    assert_eq!(photo.warnings, [PhotoWarning::MorePictures]);
}

#[test]
fn an_unfinished_output_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wide.jpg");
    let size = Size {
        columns: 70_000,
        rows: 1,
    };
    let samples = Samples {
        size,
        layout: ChannelLayout::Grey,
        values: CodeValues::Eight(vec![0; size.area()]),
    };
    let error = photo::write(
        &path,
        samples,
        &Metadata::default(),
        Format::Jpeg,
        photo::Existing::Keep,
    )
    .unwrap_err();
    assert!(matches!(
        error.kind,
        PhotoErrorKind::TooLargeForFormat { .. }
    ));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// A JPEG may code each channel in a scan of its own (T.81, A.2.2). Where the channels differ in size
/// our decoder got the colours wrong and said nothing: better no picture than a green one.
#[test]
fn channels_in_scans_of_their_own_are_read_right_or_refused() {
    let size = Size {
        columns: 96,
        rows: 64,
    };
    let grey = vec![120u8; 3 * size.area()];
    for sampling in [
        SamplingFactor::F_1_1,
        SamplingFactor::F_2_1,
        SamplingFactor::F_2_2,
    ] {
        let mut file = Vec::new();
        let mut encoder = Encoder::new(&mut file, 90);
        encoder.set_sampling_factor(sampling);
        // Tables fitted to the picture: this encoder then writes a scan a channel.
        encoder.set_optimized_huffman_tables(true);
        let (columns, rows) = (size.columns as u16, size.rows as u16);
        encoder
            .encode(&grey, columns, rows, ColorType::Rgb)
            .unwrap();
        if sampling == SamplingFactor::F_1_1 {
            let read = photo::read_bytes(file, &ReadLimits::default()).unwrap();
            assert!((0..3).all(|c| read.samples.code(50, 50, c) == 120));
        } else {
            assert!(matches!(error(file), PhotoErrorKind::Unsupported { .. }));
        }
    }
}

/// Found by fuzzing: a TIFF whose first samples are those two letters was taken for a raw file.
#[test]
fn a_tiff_may_begin_with_any_samples() {
    for first in [*b"CR\x02\0", *b"CR  ", *b"II*\0", [0xff; 4]] {
        let mut grey = vec![90u8; 60];
        grey[..4].copy_from_slice(&first);
        // Header, samples, directory: the order in which many programs write.
        let mut tiff = [&b"II*\0"[..], &68u32.to_le_bytes(), &grey].concat();
        let entries = [
            (256u16, 10u32),
            (257, 6),
            (258, 8),
            (259, 1),
            (262, 1),
            (273, 8),
            (277, 1),
            (278, 6),
            (279, 60),
        ];
        tiff.extend((entries.len() as u16).to_le_bytes());
        for (tag, value) in entries {
            // One LONG.
            tiff.extend(
                [
                    &tag.to_le_bytes()[..],
                    &4u16.to_le_bytes(),
                    &1u32.to_le_bytes(),
                ]
                .concat(),
            );
            tiff.extend(value.to_le_bytes());
        }
        tiff.extend(0u32.to_le_bytes());
        let photo = photo::read_bytes(tiff, &ReadLimits::default()).unwrap();
        assert_eq!(photo.samples.values, CodeValues::Eight(grey));
    }
}
