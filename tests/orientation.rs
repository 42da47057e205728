//! Whatever way the camera was held, the output stands upright and says so.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod pictures;

use std::io::Cursor;

use derig::photo::{self, Format, Metadata};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};
use exif::experimental::Writer;
use exif::{Field, In, Tag, Value};

use pictures::{FORMATS, ascii, encoded, exif_block, field, independent_exif, read, small, whole};

/// All eight values of tag 0x0112 (CIPA DC-008, 4.6.5), in every format: upright pixels, tag 1,
/// pixel dimensions as the pixels are.
#[test]
fn every_orientation_comes_out_upright() {
    let (columns, rows) = (48, 32);
    // Four quadrants of plain grey, so that JPEG's loss does not blur what is where.
    let upright = |x: usize, y: usize| {
        [40u8, 100, 160, 220][usize::from(x >= columns / 2) + 2 * usize::from(y >= rows / 2)]
    };
    for orientation in 1..=8u16 {
        let swapped = orientation >= 5;
        let stored_size = if swapped {
            Size {
                columns: rows,
                rows: columns,
            }
        } else {
            Size { columns, rows }
        };
        // Where the standard says the stored row 0 and column 0 lie in the upright picture.
        let place = |column: usize, row: usize| {
            let (c, r) = (column, row);
            match orientation {
                1 => (c, r),
                2 => (columns - 1 - c, r),
                3 => (columns - 1 - c, rows - 1 - r),
                4 => (c, rows - 1 - r),
                5 => (r, c),
                6 => (columns - 1 - r, c),
                7 => (columns - 1 - r, rows - 1 - c),
                _ => (r, rows - 1 - c),
            }
        };
        let stored: Vec<u8> = (0..stored_size.area())
            .map(|i| place(i % stored_size.columns, i / stored_size.columns))
            .map(|(x, y)| upright(x, y))
            .collect();
        let xmp = format!("<a tiff:Orientation=\"{orientation}\"/>").into_bytes();
        for format in FORMATS {
            let samples = Samples {
                size: stored_size,
                layout: ChannelLayout::Grey,
                values: CodeValues::Eight(stored.clone()),
            };
            let metadata = Metadata {
                exif: Some(exif_block(orientation, stored_size)),
                xmp: Some(xmp.clone()),
                ..Metadata::default()
            };
            let file = encoded(samples, &metadata, format);
            let path = tempfile::Builder::new().tempfile().unwrap();
            std::fs::write(path.path(), &file).unwrap();
            let probe = photo::probe(path.path()).unwrap();
            assert_eq!(probe.size, Size { columns, rows }, "{format} {orientation}");
            assert_eq!(probe.camera.as_deref(), Some("Halden HX-7"));

            let photo = read(file);
            assert_eq!(
                photo.samples.size,
                Size { columns, rows },
                "{format} {orientation}"
            );
            for (x, y) in [
                (3, 3),
                (columns - 4, 3),
                (3, rows - 4),
                (columns - 4, rows - 4),
            ] {
                let got = photo.samples.code(x, y, 0);
                let expected = u16::from(upright(x, y));
                assert!(
                    got.abs_diff(expected) <= 2,
                    "{format} {orientation} at {x},{y}: {got}"
                );
            }
            let out = encoded(photo.samples, &photo.metadata, format);
            let exif = independent_exif(&out);
            assert_eq!(
                whole(&exif, Tag::Orientation),
                Some(1),
                "{format} {orientation}"
            );
            assert_eq!(whole(&exif, Tag::PixelXDimension), Some(columns as u32));
            assert_eq!(whole(&exif, Tag::PixelYDimension), Some(rows as u32));
            assert_eq!(photo.metadata.xmp.unwrap(), b"<a tiff:Orientation=\"1\"/>");
        }
    }
}

/// The output must not show the gear in its preview: the EXIF directory after the first is cut off.
#[test]
fn the_preview_inside_exif_is_left_out() {
    let mut writer = Writer::new();
    let fields = [
        field(Tag::Make, ascii("Halden")),
        Field {
            tag: Tag::Compression,
            ifd_num: In::THUMBNAIL,
            value: Value::Short(vec![6]),
        },
    ];
    for f in &fields {
        writer.push_field(f);
    }
    writer.set_jpeg(b"\xff\xd8preview\xff\xd9", In::THUMBNAIL);
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, false).unwrap();
    let metadata = Metadata {
        exif: Some(block.into_inner()),
        ..Metadata::default()
    };
    let file = encoded(small(), &metadata, Format::Jpeg);
    assert!(
        independent_exif(&file)
            .fields()
            .any(|f| f.ifd_num == In::THUMBNAIL)
    );
    let photo = read(file);
    let out = encoded(photo.samples, &photo.metadata, Format::Jpeg);
    assert!(
        independent_exif(&out)
            .fields()
            .all(|f| f.ifd_num == In::PRIMARY)
    );
}
