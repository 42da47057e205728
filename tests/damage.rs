//! Thousands of damaged files over formats and depths: cut, flipped, swapped, blown up. No panic, no
//! hang, an error for each that names it. `damage_command.rs` puts them through the command; `damaged.rs`
//! says what each kind of damage is called.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "the number of files is what this test is for"
)]

mod pictures;

use std::io::Write as _;
use std::time::{Duration, Instant};

use derig::photo::{self, Format, Metadata, PhotoErrorKind, PhotoWarning, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues};

use pictures::damaged::{SIZE, damaged, whole_files};
use pictures::elsewhere::palette_tiff;
use pictures::{encoded, exif_block, picture};

/// No file may take longer.
const PATIENCE: Duration = Duration::from_secs(5);
#[test]
fn thousands_of_damaged_files_make_no_panic_and_no_hang() {
    let limits = ReadLimits {
        max_bytes: 64 << 20,
        ..ReadLimits::default()
    };
    let folder = tempfile::tempdir().unwrap();
    let (mut files, mut refused, mut slowest) = (0, 0, Duration::ZERO);
    for (kind, format, whole) in whole_files() {
        let read = photo::read_bytes(whole.clone(), &limits);
        assert!(read.is_ok(), "{kind}: {:?}", read.err());
        for (what, bytes) in damaged(&whole) {
            let path = folder
                .path()
                .join(format!("{files}.{}", format.extension()));
            std::fs::write(&path, bytes).unwrap();
            let start = Instant::now();
            let read = photo::read(&path, &limits);
            let took = start.elapsed();
            slowest = slowest.max(took);
            assert!(took < PATIENCE, "{kind}, {what}: {took:?}");
            match read {
                Ok(photo) => {
                    let bytes = photo.samples.size.area() * photo.samples.layout.count();
                    assert!(bytes <= 64 << 20, "{kind}, {what}");
                }
                Err(error) => {
                    refused += 1;
                    let named = format!("cannot read `{}`", path.display());
                    assert_eq!(error.to_string(), named, "{kind}, {what}");
                    let broke = matches!(error.kind, PhotoErrorKind::DecoderBrokeDown);
                    assert!(!broke, "{kind}, {what}: a decoder panicked");
                    assert!(!error.kind.to_string().is_empty(), "{kind}, {what}");
                }
            }
            std::fs::remove_file(&path).unwrap();
            files += 1;
        }
    }
    println!("{files} damaged files, {refused} refused, the slowest {slowest:?}");
    assert!(files >= 3000 && refused > files / 4, "{files} {refused}");
}

/// Every kind of file under every other name: content counts, and a picture's name that is wrong is told.
#[test]
fn every_wrong_extension_is_read_by_content_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut files = 0;
    for (kind, format, whole) in whole_files() {
        let right = photo::read_bytes(whole.clone(), &ReadLimits::default()).unwrap();
        for extension in ["jpg", "JPEG", "png", "tif", "TIFF", "txt", "html", ""] {
            let path = folder.path().join("frame").with_extension(extension);
            std::fs::write(&path, &whole).unwrap();
            let read = photo::read(&path, &ReadLimits::default()).unwrap();
            assert!(read.samples == right.samples, "{kind} as {extension}");
            let told = read
                .warnings
                .contains(&PhotoWarning::OtherThanNamed(format));
            let fits = format.is_named_by(&path);
            assert_eq!(told, !fits, "{kind} as `{extension}`");
            std::fs::remove_file(&path).unwrap();
            files += 1;
        }
    }
    println!("{files} files under other names");
    assert!(files > 200, "{files}");
}

#[test]
fn palettes_of_tiff_files_are_refused_by_name() {
    for bits in [1, 4, 8] {
        let read = photo::read_bytes(palette_tiff(bits), &ReadLimits::default());
        let told = read.err().map(|e| e.to_string());
        assert_eq!(told.as_deref(), Some("it holds colours of a palette"));
    }
}

/// A PNG whose profile unpacks to 400 MB.
#[test]
fn a_profile_that_is_a_bomb_takes_neither_time_nor_the_frame() {
    let plain = encoded(
        picture(SIZE, ChannelLayout::Rgb, 8),
        &Metadata::default(),
        Format::Png,
    );
    let mut png = img_parts::png::Png::from_bytes(plain.into()).unwrap();
    let mut packed = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
    for _ in 0..400 {
        packed.write_all(&vec![0; 1 << 20]).unwrap();
    }
    let packed = packed.finish().unwrap();
    let contents = [&b"bomb\0\0"[..], &packed].concat();
    let chunk = img_parts::png::PngChunk::new(*b"iCCP", contents.into());
    png.chunks_mut().insert(1, chunk);
    let start = Instant::now();
    let read = photo::read_bytes(png.encoder().bytes().to_vec(), &ReadLimits::default());
    assert!(start.elapsed() < PATIENCE, "{:?}", start.elapsed());
    if let Ok(photo) = read {
        assert!(photo.metadata.icc.is_none_or(|icc| icc.len() < 100 << 20));
    }
}

#[test]
fn a_chain_of_directories_that_bites_its_tail_ends() {
    let whole = encoded(
        picture(SIZE, ChannelLayout::Rgb, 8),
        &Metadata::default(),
        Format::Tiff,
    );
    let first = u32::from_le_bytes(whole[4..8].try_into().unwrap()) as usize;
    let count = u16::from_le_bytes(whole[first..first + 2].try_into().unwrap()) as usize;
    let next = first + 2 + 12 * count;
    let mut cyclic = whole.clone();
    cyclic[next..next + 4].copy_from_slice(&(first as u32).to_le_bytes());
    let start = Instant::now();
    let _ = photo::read_bytes(cyclic, &ReadLimits::default());
    assert!(start.elapsed() < PATIENCE);
    // The same inside EXIF: the EXIF directory's entry points at the first one again.
    let mut block = exif_block(1, SIZE);
    let pointer = block
        .windows(2)
        .position(|w| w == [0x87, 0x69] || w == [0x69, 0x87])
        .unwrap();
    let place = pointer + 8;
    let first: [u8; 4] = block[4..8].try_into().unwrap();
    block[place..place + 4].copy_from_slice(&first);
    let metadata = Metadata {
        exif: Some(block),
        ..Metadata::default()
    };
    for format in [Format::Jpeg, Format::Png] {
        let file = encoded(picture(SIZE, ChannelLayout::Rgb, 8), &metadata, format);
        let start = Instant::now();
        assert!(
            photo::read_bytes(file, &ReadLimits::default()).is_ok(),
            "{format}"
        );
        assert!(start.elapsed() < PATIENCE);
    }
}

#[test]
fn an_animated_picture_is_read_as_its_first_and_told() {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 2, 2);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_animated(2, 0).unwrap();
    let mut writer = encoder.write_header().unwrap();
    for grey in [7, 9] {
        writer.write_image_data(&[grey; 4]).unwrap();
    }
    writer.finish().unwrap();
    let photo = photo::read_bytes(bytes, &ReadLimits::default()).unwrap();
    assert_eq!(photo.samples.values, CodeValues::Eight(vec![7; 4]));
    assert_eq!(photo.warnings, [PhotoWarning::MorePictures]);
}

/// Headers that tell of more pixels, samples, strips or bits than there are, or than anybody has memory
/// for.
#[test]
fn huge_numbers_in_a_tiff_are_refused_before_memory_is_taken() {
    const TAGS: [(u16, &str); 8] = [
        (256, "width"),
        (257, "length"),
        (258, "bits"),
        (273, "offsets"),
        (277, "samples"),
        (278, "rows a strip"),
        (279, "byte counts"),
        (282, "resolution"),
    ];
    let whole = encoded(
        picture(SIZE, ChannelLayout::Rgb, 16),
        &Metadata::default(),
        Format::Tiff,
    );
    let first = u32::from_le_bytes(whole[4..8].try_into().unwrap()) as usize;
    let count = u16::from_le_bytes(whole[first..first + 2].try_into().unwrap()) as usize;
    let mut files = 0;
    for entry in (0..count).map(|i| first + 2 + 12 * i) {
        let tag = u16::from_le_bytes(whole[entry..entry + 2].try_into().unwrap());
        let Some((_, name)) = TAGS.iter().find(|(t, _)| *t == tag) else {
            continue;
        };
        // The count of values, then value or offset.
        for field in [4, 8] {
            for value in [0u32, 0x7fff, 0xffff, 0x1_0000, 0x7fff_ffff, 0xffff_ffff] {
                let mut bytes = whole.clone();
                bytes[entry + field..entry + field + 4].copy_from_slice(&value.to_le_bytes());
                let start = Instant::now();
                let read = photo::read_bytes(bytes, &ReadLimits::default());
                assert!(start.elapsed() < PATIENCE, "{name} {value:#x}");
                if let Ok(photo) = read {
                    assert!(photo.samples.size.area() <= 1 << 20, "{name} {value:#x}");
                }
                files += 1;
            }
        }
    }
    println!("{files} TIFF files with numbers that are too large");
    assert!(files >= 80, "{files}");
}

/// Profiles and tags that say the absurd never make a picture unreadable, and what is read is written.
#[test]
fn absurd_profiles_and_tags_leave_the_picture_as_it_is() {
    let icc = moxcms::ColorProfile::new_display_p3().encode().unwrap();
    let exif = exif_block(6, SIZE);
    let at = |bytes: &[u8], place: usize, value: u32| {
        let mut bytes = bytes.to_vec();
        bytes[place..place + 4].copy_from_slice(&value.to_be_bytes());
        bytes
    };
    let mut cases: Vec<(String, Metadata)> = Vec::new();
    let mut add =
        |what: String, icc: Option<Vec<u8>>, exif: Option<Vec<u8>>, xmp: Option<Vec<u8>>| {
            let rest = Metadata::default();
            cases.push((
                what,
                Metadata {
                    icc,
                    exif,
                    xmp,
                    ..rest
                },
            ));
        };
    for value in [0, 1, 0x7fff_ffff, 0xffff_ffff] {
        // Size, number of tags, first tag's offset and size.
        for place in [0, 128, 136, 140] {
            add(
                format!("ICC {place} {value:#x}"),
                Some(at(&icc, place, value)),
                None,
                None,
            );
        }
        // First directory, its count and first entries; wherever the byte order puts them.
        for place in [4, 8, 10, 14, 18, 26] {
            add(
                format!("EXIF {place} {value:#x}"),
                None,
                Some(at(&exif, place, value)),
                None,
            );
        }
    }
    for length in [0, 1, 3, 127, 128, 131, 200] {
        add(
            format!("ICC of {length}"),
            Some(icc[..length].to_vec()),
            None,
            None,
        );
        add(
            format!("EXIF of {length}"),
            None,
            Some(exif[..length.min(exif.len())].to_vec()),
            None,
        );
    }
    let deep = "<a>".repeat(200_000).into_bytes();
    let entities =
        b"<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'><!ENTITY b '&a;&a;&a;&a;&a;&a;&a;&a;'>]><x>&b;</x>";
    for (what, xmp) in [
        ("nothing", Vec::new()),
        ("zeros", vec![0; 60_000]),
        ("no UTF-8", vec![0xff; 1000]),
        ("deep", deep),
        ("entities", entities.to_vec()),
        ("large", vec![b' '; 4 << 20]),
        ("half a tag", b"<x:xmpmeta tiff:Orientation=\"".to_vec()),
    ] {
        add(format!("XMP {what}"), None, None, Some(xmp));
    }
    let mut files = 0;
    for format in pictures::FORMATS {
        for (what, metadata) in &cases {
            let mut out = std::io::Cursor::new(Vec::new());
            let samples = picture(SIZE, ChannelLayout::Rgb, 8);
            let start = Instant::now();
            // What a format cannot hold is told when it is written.
            if photo::encode(&mut out, samples, metadata, format).is_err() {
                continue;
            }
            let read = photo::read_bytes(out.into_inner(), &ReadLimits::default());
            let read = read.unwrap_or_else(|e| panic!("{format}, {what}: {e}"));
            assert_eq!(read.samples.size.area(), SIZE.area(), "{format}, {what}");
            let mut again = std::io::Cursor::new(Vec::new());
            photo::encode(&mut again, read.samples, &read.metadata, format)
                .unwrap_or_else(|e| panic!("{format}, {what}: {e}"));
            assert!(start.elapsed() < PATIENCE, "{format}, {what}");
            files += 1;
        }
    }
    println!("{files} files with absurd profiles and tags");
    assert!(files > 120, "{files}");
}
