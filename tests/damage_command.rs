//! Damaged files through the command: the file is named, the exit code is right, the others are handed
//! over.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "the number of files is what this test is for"
)]

mod pictures;

use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use derig::photo::{self, Format, Metadata, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};

use pictures::damaged::{SIZE, UPRIGHT, damaged, whole_files};
use pictures::{encoded, picture};

/// No file may take longer.
const PATIENCE: Duration = Duration::from_secs(5);

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

/// Every damaged file that cannot be read, through the command, beside a frame that can: each is named,
/// none has an output, the good one is handed over.
#[test]
fn the_command_names_every_damaged_file() {
    let (mut told_of, mut runs) = (0, 0);
    for (kind, format, whole) in whole_files() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let mut names = Vec::new();
        // `damage.rs` reads all of them.
        for (number, (_, bytes)) in damaged(&whole).into_iter().enumerate().step_by(3) {
            let name = format!("{number}.{}", format.extension());
            std::fs::write(at(&name), bytes).unwrap();
            // Headers that tell another extent are turned away before anything is read.
            let other = photo::probe(&at(&name)).is_ok_and(|probe| probe.size != UPRIGHT);
            if other || photo::read(&at(&name), &ReadLimits::default()).is_ok() {
                std::fs::remove_file(at(&name)).unwrap();
            } else {
                names.push(name);
            }
        }
        let good = format!("good.{}", format.extension());
        std::fs::write(at(&good), &whole).unwrap();
        let mut plate = picture(UPRIGHT, ChannelLayout::Rgb, 8);
        if let CodeValues::Eight(codes) = &mut plate.values {
            for code in codes {
                *code = code.saturating_add(1);
            }
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
            .unwrap();
    });
    tiff("grey.tif", &|to| {
        to.write_image::<Gray32Float>(columns, rows, &floats[..area])
            .unwrap();
    });
    tiff("double.tif", &|to| {
        to.write_image::<Gray64Float>(columns, rows, &doubles[..area])
            .unwrap();
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

/// 4 x 4 grey pixels, in TIFF 6.0; `text` takes the place of a field or comes beside the others.
fn tiff_with_text(text: tiff::tags::Tag, count: u32) -> Vec<u8> {
    use tiff::tags::Tag;
    const FIELDS: usize = 9;
    let field = |tag: Tag, kind: u16, count: u32, value: u32| {
        let numbers = [tag.to_u16().to_le_bytes(), kind.to_le_bytes()].concat();
        (
            tag.to_u16(),
            [
                numbers,
                count.to_le_bytes().to_vec(),
                value.to_le_bytes().to_vec(),
            ]
            .concat(),
        )
    };
    let (short, long) = (3, 4);
    let mut fields = std::collections::BTreeMap::from([
        field(Tag::ImageWidth, short, 1, 4),
        field(Tag::ImageLength, short, 1, 4),
        field(Tag::BitsPerSample, short, 1, 8),
        field(Tag::Compression, short, 1, 1),
        field(Tag::PhotometricInterpretation, short, 1, 1),
        field(
            Tag::StripOffsets,
            long,
            1,
            8 + 2 + 12 * (FIELDS as u32 + 1) + 4,
        ),
        field(Tag::SamplesPerPixel, short, 1, 1),
        field(Tag::RowsPerStrip, short, 1, 4),
        field(Tag::StripByteCounts, long, 1, 16),
    ]);
    fields.extend([field(text, 2, count, 8)]);
    let mut file = b"II*\0\x08\0\0\0".to_vec();
    file.extend((fields.len() as u16).to_le_bytes());
    file.extend(fields.into_values().flatten());
    file.resize(8 + 2 + 12 * (FIELDS + 1) + 4, 0);
    file.extend((0..16).map(|v| v * 9));
    file
}

/// Found by fuzzing: the decoder wrote a line of its own, with a path of whoever built the program.
#[test]
fn a_text_longer_than_its_file_is_told_in_our_words_or_passed_over() {
    use tiff::tags::Tag;
    let numbers = [
        Tag::ImageWidth,
        Tag::BitsPerSample,
        Tag::StripOffsets,
        Tag::StripByteCounts,
        Tag::Orientation,
        Tag::SubIfd,
        Tag::IccProfile,
        Tag::Unknown(700),
    ];
    let texts = [Tag::Make, Tag::Model, Tag::Software, Tag::Unknown(65_000)];
    let folder = tempfile::tempdir().unwrap();
    let whole = tiff_with_text(Tag::Make, 4);
    std::fs::write(folder.path().join("plate.tif"), whole).unwrap();
    let mut names = Vec::new();
    for tag in numbers.iter().chain(&texts) {
        // More than the file has; more than the decoder reads of any text; all that a field can say.
        for count in [10_000, 300_000_000, u32::MAX] {
            let name = format!("{}-{count}.tif", tag.to_u16());
            std::fs::write(folder.path().join(&name), tiff_with_text(*tag, count)).unwrap();
            names.push(name);
        }
    }
    let files: Vec<&str> = names.iter().map(String::as_str).collect();
    let rest = ["--plate", "plate.tif", "--out", "out"];
    let output = derig(folder.path(), &[&["clean"], &files[..], &rest].concat());
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(!told.contains(".rs:"), "not in our words: {told}");
    let (with_numbers, with_texts) = names.split_at(3 * numbers.len());
    for name in with_numbers {
        assert!(
            told.contains(&format!("cannot read `{name}`")),
            "{name}: {told}"
        );
    }
    let so = told.matches("claims a text longer than the file").count();
    assert_eq!(so, with_numbers.len(), "{told}");
    for name in with_texts {
        assert!(
            !told.contains(&format!("cannot read `{name}`")),
            "{name}: {told}"
        );
    }
    println!("{} files with endless texts", names.len());
}
