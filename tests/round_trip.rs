//! What travels with the pixels comes through `derig clean` and `derig redo`, read back by the EXIF
//! crate and by container readers, not through ours.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod pictures;
mod shoot;

use std::collections::BTreeMap;
use std::path::Path;

use derig::photo::{self, Existing, Format, Metadata, ReadLimits};
use derig::scene::CodeValues;
use exif::{Exif, In, Tag, Value};
use img_parts::ImageICC;
use img_parts::jpeg::Jpeg;

use pictures::{exif_block, independent_exif};
use shoot::{Shoot, read, said, sample};

const XMP: &[u8] =
    br#"<x:xmpmeta xmlns:x="adobe:ns:meta/"><r rating="4" label="keeper"/></x:xmpmeta>"#;

/// Tags that may differ: how the pixels lie, how many there are, who wrote the file.
const MAY_DIFFER: [Tag; 6] = [
    Tag::Orientation,
    Tag::ImageWidth,
    Tag::ImageLength,
    Tag::PixelXDimension,
    Tag::PixelYDimension,
    Tag::Software,
];

/// Where and how a TIFF file keeps its pixels (TIFF 6.0): not about the picture.
const OF_THE_CONTAINER: [u16; 14] = [
    0x00fe, 0x0102, 0x0103, 0x0106, 0x0111, 0x0115, 0x0116, 0x0117, 0x011c, 0x013d, 0x0152, 0x0153,
    0x02bc, 0x8773,
];

/// Every tag of the main picture with its value as text.
fn tags(exif: &Exif) -> BTreeMap<(u16, String), String> {
    exif.fields()
        .filter(|f| f.ifd_num == In::PRIMARY && !MAY_DIFFER.contains(&f.tag))
        .filter(|f| !OF_THE_CONTAINER.contains(&f.tag.number()))
        .map(|f| {
            let value = match &f.value {
                // Beside the bytes it tells where they lay in the file.
                Value::Undefined(bytes, _) => format!("{bytes:?}"),
                other => format!("{other:?}"),
            };
            ((f.tag.number(), f.tag.to_string()), value)
        })
        .collect()
}

/// The sample shoot in another format, with everything that can travel.
fn shoot_with(format: Format, bits: u8, icc: &[u8]) -> Shoot {
    let shoot = Shoot::new();
    for name in ["plate", "lit-1"] {
        let mut samples = read(&sample(&format!("{name}.jpg")));
        let metadata = Metadata {
            icc: Some(icc.to_vec()),
            exif: Some(exif_block(1, samples.size)),
            xmp: Some(XMP.to_vec()),
            ..Metadata::default()
        };
        if let (16, CodeValues::Eight(codes)) = (bits, &samples.values) {
            samples.values =
                CodeValues::Sixteen(codes.iter().map(|&c| u16::from(c) * 257).collect());
        }
        let path = shoot.path(&format!("{name}.{}", format.extension()));
        photo::write(&path, samples, &metadata, format, Existing::Replace).unwrap();
    }
    shoot
}

fn independent(path: &Path) -> Exif {
    independent_exif(&std::fs::read(path).unwrap())
}

#[test]
fn profile_exif_and_xmp_come_through_clean_and_redo() {
    let icc = moxcms::ColorProfile::new_adobe_rgb().encode().unwrap();
    for (format, bits) in [(Format::Tiff, 16), (Format::Png, 16), (Format::Jpeg, 8)] {
        let shoot = shoot_with(format, bits, &icc);
        let name = format!("lit-1.{}", format.extension());
        let plate = format!("plate.{}", format.extension());
        let output = shoot.derig(&["clean", &name, "-p", &plate, "-o", "out"]);
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        let output = shoot.derig(&["redo", "out/report.json", "-o", "again"]);
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        let before = independent(&shoot.path(&name));
        assert!(tags(&before).len() > 12, "{format}");
        for out in ["out", "again"] {
            let path = shoot.path(out).join(&name);
            let photo = photo::read(&path, &ReadLimits::default()).unwrap();
            assert_eq!(photo.format, format);
            assert_eq!(photo.samples.bits(), bits);
            assert!(
                photo.metadata.icc.as_ref() == Some(&icc),
                "{format} {out}: profile"
            );
            assert_eq!(photo.metadata.xmp.as_deref(), Some(XMP), "{format} {out}");
            assert_eq!(tags(&independent(&path)), tags(&before), "{format} {out}");
        }
    }
}

/// ICC.1:2022 B.4: a profile beyond 65 519 bytes is split over segments.
#[test]
fn a_large_profile_comes_through_a_jpeg() {
    let large: Vec<u8> = (0..180_000usize).map(|i| ((i * i) >> 3) as u8).collect();
    let shoot = shoot_with(Format::Jpeg, 8, &large);
    let output = shoot.derig(&["clean", "lit-1.jpg", "-p", "plate.jpg", "-o", "out"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let bytes = std::fs::read(shoot.path("out/lit-1.jpg")).unwrap();
    let jpeg = Jpeg::from_bytes(bytes.into()).unwrap();
    assert!(jpeg.icc_profile().unwrap() == large);
}

/// Files of the crate kamadak-exif: JPEG, PNG and TIFF with EXIF.
#[test]
fn open_files_keep_their_tags() {
    for name in ["exif.jpg", "exif.png", "exif.tif", "yaminabe.tif"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/data")
            .join(name);
        let bytes = std::fs::read(path).unwrap();
        let before = independent_exif(&bytes);
        assert!(!tags(&before).is_empty(), "{name}");
        let photo = photo::read_bytes(bytes, &ReadLimits::default()).unwrap();
        let mut out = std::io::Cursor::new(Vec::new());
        photo::encode(&mut out, photo.samples, &photo.metadata, photo.format).unwrap();
        let (after, before) = (tags(&independent_exif(out.get_ref())), tags(&before));
        for (tag, value) in &before {
            assert_eq!(after.get(tag), Some(value), "{name}: {tag:?}");
        }
        // TIFF 6.0 asks for resolution and its unit in both directions; one file tells one.
        let added = after.keys().filter(|tag| !before.contains_key(tag));
        let added: Vec<u16> = added.map(|(number, _)| *number).collect();
        let resolution = [0x011a, 0x011b, 0x0128];
        assert!(
            added.iter().all(|n| resolution.contains(n)),
            "{name}: {added:?}"
        );
    }
}
