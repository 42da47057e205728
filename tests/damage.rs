//! Thousands of damaged files over formats and depths: cut, flipped, swapped, blown up. No panic, no
//! hang, a message for each; through the command a smaller number: the file named, the exit code right.
//!
//! `damaged.rs` says what each kind of damage is called; here the number counts.

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
use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use derig::photo::{self, Format, Metadata, PhotoErrorKind, PhotoWarning, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};

use pictures::{encoded, exif_block, picture};

/// No file may take longer.
const PATIENCE: Duration = Duration::from_secs(5);
const SIZE: Size = Size {
    columns: 61,
    rows: 43,
};

/// Whole files of every format and depth, with all metadata.
fn whole_files() -> Vec<(String, Format, Vec<u8>)> {
    let mut files = Vec::new();
    let kinds = [
        (ChannelLayout::Grey, 8),
        (ChannelLayout::Rgb, 8),
        (ChannelLayout::Rgba, 8),
        (ChannelLayout::Grey, 16),
        (ChannelLayout::Rgb, 16),
        (ChannelLayout::Rgba, 16),
    ];
    let metadata = Metadata {
        icc: Some(moxcms::ColorProfile::new_display_p3().encode().unwrap()),
        exif: Some(exif_block(6, SIZE)),
        xmp: Some(b"<x:xmpmeta xmlns:x='adobe:ns:meta/' tiff:Orientation=\"6\"/>".to_vec()),
        ..Metadata::default()
    };
    for format in pictures::FORMATS {
        for (layout, bits) in kinds {
            let has_alpha = layout == ChannelLayout::Rgba;
            if format == Format::Jpeg && (bits == 16 || has_alpha) {
                continue;
            }
            let bytes = encoded(picture(SIZE, layout, bits), &metadata, format);
            files.push((format!("{format} {layout:?} {bits}"), format, bytes));
        }
    }
    files
}

/// A small generator, so that the files are the same on every machine (Steele, Lea & Flood,
/// "Fast splittable pseudorandom number generators", 2014).
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }
}

/// Every damaged copy of a whole file: what was done, and the bytes.
fn damaged(whole: &[u8]) -> Vec<(String, Vec<u8>)> {
    let mut copies = Vec::new();
    for part in 0..64 {
        let bytes = whole[..whole.len() * part / 64].to_vec();
        copies.push((format!("cut at {part}/64"), bytes));
    }
    for at in 0..whole.len().min(160) {
        for value in [0x00, 0xff, whole[at] ^ 0x01, whole[at] ^ 0x80] {
            let mut bytes = whole.to_vec();
            bytes[at] = value;
            copies.push((format!("byte {at} is {value:#04x}"), bytes));
        }
    }
    let mut draw = Draw(whole.len() as u64);
    for number in 0..120 {
        let mut bytes = whole.to_vec();
        let what = match number % 4 {
            0 => {
                for _ in 0..8 {
                    let at = draw.below(bytes.len());
                    bytes[at] = draw.next() as u8;
                }
                "eight bytes drawn anew"
            }
            1 => {
                let (from, to) = (draw.below(bytes.len()), draw.below(bytes.len()));
                bytes[from.min(to)..from.max(to)].fill(0);
                "zeros in the middle"
            }
            2 => {
                let at = draw.below(bytes.len());
                bytes.drain(at..(at + 1 + draw.below(64)).min(whole.len()));
                "bytes lost"
            }
            _ => {
                let at = draw.below(bytes.len().saturating_sub(8));
                let end = at + 4;
                bytes[at..end].copy_from_slice(&[0xff, 0xff, 0xff, 0x7f]);
                "a huge number"
            }
        };
        copies.push((format!("{what} ({number})"), bytes));
    }
    copies
}

#[test]
fn thousands_of_damaged_files_make_no_panic_and_no_hang() {
    let limits = ReadLimits {
        max_bytes: 64 << 20,
        ..ReadLimits::default()
    };
    let folder = tempfile::tempdir().unwrap();
    let (mut files, mut refused, mut slowest) = (0, 0, Duration::ZERO);
    for (kind, format, whole) in whole_files() {
        assert!(photo::read_bytes(whole.clone(), &limits).is_ok(), "{kind}");
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

/// Every damaged file that cannot be read, through the command, beside a frame that can: each is named,
/// none has an output, the good one is handed over.
#[test]
fn the_command_names_every_damaged_file() {
    let (mut told_of, mut runs) = (0, 0);
    for (kind, format, whole) in whole_files() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let mut names = Vec::new();
        for (number, (_, bytes)) in damaged(&whole).into_iter().enumerate() {
            let name = format!("{number}.{}", format.extension());
            std::fs::write(at(&name), bytes).unwrap();
            // Headers that tell another extent are turned away before anything is read.
            let other = photo::probe(&at(&name)).is_ok_and(|probe| probe.size != SIZE);
            if other || photo::read(&at(&name), &ReadLimits::default()).is_ok() {
                std::fs::remove_file(at(&name)).unwrap();
            } else {
                names.push(name);
            }
        }
        let good = format!("good.{}", format.extension());
        std::fs::write(at(&good), &whole).unwrap();
        let mut plate = picture(SIZE, ChannelLayout::Rgb, 8);
        if let CodeValues::Eight(codes) = &mut plate.values {
            codes
                .iter_mut()
                .for_each(|code| *code = code.saturating_add(1));
        }
        let plate = encoded(plate, &Metadata::default(), Format::Png);
        std::fs::write(at("plate.png"), plate).unwrap();
        let mut args = vec!["clean", "--plate", "plate.png", "--out", "out", "--quiet"];
        args.push(&good);
        args.extend(names.iter().map(String::as_str));
        let start = Instant::now();
        let output = derig(folder.path(), &args);
        assert!(start.elapsed() < PATIENCE * names.len() as u32, "{kind}");
        let told = said(&output);
        assert_eq!(output.status.code(), Some(1), "{kind}: {told}");
        assert!(!told.contains("panicked"), "{kind}: {told}");
        for name in &names {
            let lines = told
                .lines()
                .filter(|l| *l == format!("error: cannot read `{name}`"));
            assert_eq!(lines.count(), 1, "{kind}: {name}:\n{told}");
            assert!(!at("out").join(name).exists(), "{kind}: {name}");
        }
        told_of += names.len();
        runs += 1;
    }
    println!("{told_of} damaged files named by {runs} runs of the command");
    assert!(told_of >= 3000, "{told_of}");
}

fn derig(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_derig"))
        .current_dir(folder)
        .args(args)
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Through the command: damaged beyond reading, under the names of pictures.
#[test]
fn the_command_names_the_damaged_file_and_hands_over_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let mut lit = Vec::new();
    // Of the plate's extent: another one is refused before anything is read.
    let size = Size {
        columns: 900,
        rows: 600,
    };
    for (format, bits) in [
        (Format::Jpeg, 8),
        (Format::Png, 8),
        (Format::Png, 16),
        (Format::Tiff, 8),
        (Format::Tiff, 16),
    ] {
        let whole = picture(size, ChannelLayout::Rgb, bits);
        let whole = encoded(whole, &Metadata::default(), format);
        for part in [0, 1, 20, 40, 63] {
            let name = format!("{format}-{bits}-{part}.{}", format.extension());
            std::fs::write(at(&name), &whole[..whole.len() * part / 64]).unwrap();
            lit.push(name);
        }
    }
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/boatyard");
    for name in ["lit-1.jpg", "plate.jpg"] {
        std::fs::copy(samples.join(name), at(name)).unwrap();
    }
    let mut args = vec!["clean", "lit-1.jpg"];
    args.extend(lit.iter().map(String::as_str));
    args.extend([
        "--plate",
        "plate.jpg",
        "--out",
        "out",
        "--redo-data",
        "none",
    ]);
    let output = derig(folder.path(), &args);
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(!told.contains("panicked"), "{told}");
    for name in &lit {
        assert!(
            told.contains(&format!("cannot read `{name}`")),
            "{name}:\n{told}"
        );
        assert!(!at("out").join(name).exists(), "{name}");
    }
    assert!(at("out/lit-1.jpg").exists());
    let output = derig(
        folder.path(),
        &["clean", "lit-1.jpg", "--plate", &lit[2], "--out", "o"],
    );
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains(&lit[2]), "{}", said(&output));
}

#[test]
fn a_bomb_is_refused_under_the_limit_that_was_set() {
    let folder = tempfile::tempdir().unwrap();
    let size = Size {
        columns: 8000,
        rows: 6000,
    };
    let grey = Samples {
        size,
        layout: ChannelLayout::Rgb,
        values: CodeValues::Eight(vec![0; 3 * size.area()]),
    };
    // 144 MB of black in a small file.
    let bomb = encoded(grey, &Metadata::default(), Format::Png);
    assert!(bomb.len() < 2 << 20, "{}", bomb.len());
    for name in ["lit.png", "plate.png"] {
        std::fs::write(folder.path().join(name), &bomb).unwrap();
    }
    let args = ["clean", "lit.png", "--plate", "plate.png", "--out", "out"];
    let output = derig(
        folder.path(),
        &[&args[..], &["--max-memory", "100"]].concat(),
    );
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(
        told.contains("plate.png") && told.contains("would need 144 MB, 100 MB"),
        "{told}"
    );
    let output = derig(folder.path(), &[&args[..], &["--max-memory", "0"]].concat());
    assert_eq!(output.status.code(), Some(2));
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
fn frames_of_one_pixel_and_of_one_row_are_told_of_and_harm_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let sizes = [(1, 1), (1, 30_000), (30_000, 1), (3, 2), (17, 5)];
    for (columns, rows) in sizes {
        let size = Size { columns, rows };
        let out = format!("out-{columns}x{rows}");
        for (name, turn) in [("lit.png", 1u8), ("plate.png", 2)] {
            let mut samples = picture(size, ChannelLayout::Rgb, 8);
            if let CodeValues::Eight(v) = &mut samples.values {
                for v in v.iter_mut() {
                    *v = v.wrapping_mul(turn);
                }
            }
            let bytes = encoded(samples, &Metadata::default(), Format::Png);
            std::fs::write(folder.path().join(name), bytes).unwrap();
        }
        for args in [
            vec!["clean", "lit.png", "--plate", "plate.png", "--out", &out],
            vec!["check", "lit.png", "--plate", "plate.png"],
            vec!["clean", "lit.png", "plate.png", "--out", &out],
        ] {
            let start = Instant::now();
            let output = derig(folder.path(), &args);
            let told = said(&output);
            assert!(
                !told.contains("panicked"),
                "{columns}x{rows} {args:?}:\n{told}"
            );
            assert!(
                output.status.code().is_some_and(|c| c < 6),
                "{columns}x{rows} {args:?}"
            );
            assert!(start.elapsed() < 4 * PATIENCE, "{columns}x{rows} {args:?}");
        }
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

/// 144 MB of black in each format; the process may not take more than a quarter of a gigabyte beyond what
/// it takes with nothing to do.
#[cfg(target_os = "linux")]
#[test]
fn bombs_of_every_format_stay_under_the_limit_that_was_set() {
    let folder = tempfile::tempdir().unwrap();
    let size = Size {
        columns: 8000,
        rows: 6000,
    };
    let small = encoded(
        picture(SIZE, ChannelLayout::Rgb, 8),
        &Metadata::default(),
        Format::Png,
    );
    std::fs::write(folder.path().join("small.png"), small).unwrap();
    for format in pictures::FORMATS {
        let black = Samples {
            size,
            layout: ChannelLayout::Rgb,
            values: CodeValues::Eight(vec![0; 3 * size.area()]),
        };
        let name = format!("bomb.{}", format.extension());
        let bomb = encoded(black, &Metadata::default(), format);
        std::fs::write(folder.path().join(&name), bomb).unwrap();
        for args in [
            vec!["clean", "small.png", "--plate", &name, "--out", "out"],
            vec!["clean", &name, "--plate", "small.png", "--out", "out"],
            vec!["check", "small.png", "--plate", &name],
            vec!["clean", &name, "small.png", "--out", "out"],
        ] {
            let output = Command::new("sh")
                .args([
                    "-c",
                    "ulimit -v 800000; exec \"$0\" --max-memory 100 \"$@\"",
                ])
                .arg(env!("CARGO_BIN_EXE_derig"))
                .args(&args)
                .env("RAYON_NUM_THREADS", "2")
                .env("MALLOC_ARENA_MAX", "2")
                .current_dir(folder.path())
                .output()
                .unwrap();
            let told = said(&output);
            let code = output.status.code();
            assert!(
                code.is_some_and(|c| (1..=5).contains(&c)),
                "{args:?}: {code:?} {told}"
            );
            assert!(
                told.contains(&name) && !told.contains("panicked"),
                "{args:?}: {told}"
            );
            assert!(!told.contains("memory allocation"), "{args:?}: {told}");
        }
        std::fs::remove_file(folder.path().join(&name)).unwrap();
    }
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

/// As one lit frame among others: floating point is refused by name, a second page is told of.
#[test]
fn the_command_tells_of_floating_point_and_of_further_pages() {
    use tiff::encoder::colortype::{Gray32Float, Gray64Float, RGB8, RGB32Float};
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/boatyard");
    for name in ["lit-1.jpg", "plate.jpg"] {
        std::fs::copy(samples.join(name), at(name)).unwrap();
    }
    let (columns, rows) = (900, 600);
    let area = (columns * rows) as usize;
    let tiff = |name: &str, fill: &dyn Fn(&mut tiff::encoder::TiffEncoder<std::fs::File>)| {
        let file = std::fs::File::create(at(name)).unwrap();
        fill(&mut tiff::encoder::TiffEncoder::new(file).unwrap());
    };
    let odd = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 0.5];
    let floats: Vec<f32> = (0..3 * area).map(|i| odd[i % 4]).collect();
    let doubles: Vec<f64> = floats.iter().map(|&v| f64::from(v)).collect();
    tiff("rgb.tif", &|to| {
        to.write_image::<RGB32Float>(columns, rows, &floats)
            .unwrap()
    });
    tiff("grey.tif", &|to| {
        to.write_image::<Gray32Float>(columns, rows, &floats[..area])
            .unwrap()
    });
    tiff("double.tif", &|to| {
        to.write_image::<Gray64Float>(columns, rows, &doubles[..area])
            .unwrap()
    });
    let lit = photo::read(&at("lit-1.jpg"), &ReadLimits::default())
        .unwrap()
        .samples;
    let CodeValues::Eight(codes) = &lit.values else {
        panic!("JPEG is 8 bits");
    };
    tiff("pages.tif", &|to| {
        to.write_image::<RGB8>(columns, rows, codes).unwrap();
        to.write_image::<RGB8>(2, 2, &[9; 12]).unwrap();
    });
    let file = std::fs::File::create(at("moves.png")).unwrap();
    let mut encoder = png::Encoder::new(file, columns, rows);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_animated(2, 0).unwrap();
    let mut writer = encoder.write_header().unwrap();
    for _ in 0..2 {
        writer.write_image_data(codes).unwrap();
    }
    writer.finish().unwrap();
    let args = [
        "clean",
        "rgb.tif",
        "grey.tif",
        "double.tif",
        "pages.tif",
        "moves.png",
    ];
    let rest = ["--plate", "plate.jpg", "--out", "out"];
    let output = derig(folder.path(), &[&args[..], &rest].concat());
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    for name in ["rgb.tif", "grey.tif", "double.tif"] {
        assert!(told.contains(&format!("cannot read `{name}`")), "{told}");
        assert!(!at("out").join(name).exists());
    }
    assert_eq!(
        told.matches("it holds floating-point samples").count(),
        3,
        "{told}"
    );
    for name in ["pages.tif", "moves.png"] {
        let warned = told.lines().any(|l| {
            l.starts_with("warning:") && l.contains(name) && l.contains("more than one picture")
        });
        assert!(warned && at("out").join(name).exists(), "{name}: {told}");
    }
}
