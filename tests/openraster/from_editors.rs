//! What editors hand back, and files that mean harm.

use std::io::{Cursor, Write};

use derig::handover::{self, HandedBack, Limits, OpenRasterError};
use derig::photo::{Metadata, ReadLimits};
use derig::scene::{ChannelLayout, Size};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use super::written::rgb;
use super::{pictures, read};

struct Made(ZipWriter<Cursor<Vec<u8>>>);

impl Made {
    fn new() -> Self {
        let mut made = Self(ZipWriter::new(Cursor::new(Vec::new())));
        made.put("mimetype", CompressionMethod::Stored, b"image/openraster");
        made
    }

    fn put(&mut self, name: &str, method: CompressionMethod, bytes: &[u8]) {
        let options = SimpleFileOptions::default().compression_method(method);
        self.0.start_file(name, options).unwrap();
        self.0.write_all(bytes).unwrap();
    }

    fn with(mut self, name: &str, bytes: &[u8]) -> Self {
        self.put(name, CompressionMethod::Deflated, bytes);
        self
    }

    fn stack(self, layers: &str) -> Self {
        let text = format!("<image version='0.0.3' w='4' h='3'><stack>{layers}</stack></image>");
        self.with("stack.xml", text.as_bytes())
    }

    fn read(self, limits: &Limits) -> Result<HandedBack, OpenRasterError> {
        handover::read(Cursor::new(self.0.finish().unwrap().into_inner()), limits)
    }
}

fn small_png(columns: usize, rows: usize) -> Vec<u8> {
    let picture = pictures::picture(Size { columns, rows }, ChannelLayout::Rgba, 8);
    pictures::encoded(picture, &Metadata::default(), derig::photo::Format::Png)
}

#[test]
fn a_layer_that_an_editor_cropped_or_moved_lands_where_it_belongs() {
    let png = small_png(2, 2);
    let back = Made::new()
        .stack("<layer name='patch' src='data/a.png' x='3' y='-1'/>")
        .with("data/a.png", &png)
        .read(&Limits::default())
        .unwrap();
    let layer = &back.layers[0];
    let mask = back.mask().unwrap();
    assert_eq!(
        mask.size(),
        Size {
            columns: 4,
            rows: 3
        }
    );
    let alpha = layer.photo.samples.code(0, 1, 3) * 257;
    assert!(alpha > 0, "the test needs something to see");
    assert_eq!(*mask.at(3, 0), alpha);
    let others = mask.as_slice().iter().enumerate().filter(|(i, _)| *i != 3);
    assert!(others.into_iter().all(|(_, &v)| v == 0));
}

#[test]
fn opacity_thins_the_mask_and_hiding_empties_it() {
    let png = small_png(4, 3);
    let mask = |attributes: &str| {
        Made::new()
            .stack(&format!(
                "<layer name='patch' src='data/a.png' {attributes}/>"
            ))
            .with("data/a.png", &png)
            .read(&Limits::default())
            .unwrap()
            .mask()
            .unwrap()
    };
    let (whole, half) = (mask(""), mask("opacity='0.5'"));
    for (whole, half) in whole.as_slice().iter().zip(half.as_slice()) {
        assert!((f64::from(*whole) / 2.0 - f64::from(*half)).abs() <= 0.5);
    }
    assert!(
        mask("visibility='hidden'")
            .as_slice()
            .iter()
            .all(|&v| v == 0)
    );
}

#[test]
fn paths_out_of_the_archive_are_refused() {
    for path in [
        "../../secret.png",
        "/etc/passwd",
        "C:\\secret.png",
        "data/../../a.png",
    ] {
        let refusal = Made::new()
            .stack(&format!("<layer name='a' src='{path}'/>"))
            .with(path, &small_png(4, 3))
            .read(&Limits::default())
            .unwrap_err();
        assert!(
            matches!(refusal, OpenRasterError::PathOutside { .. }),
            "{refusal}"
        );
    }
}

#[test]
fn bombs_are_refused_before_they_go_off() {
    // A megabyte of nothing packs into a kilobyte; the limit holds for what comes out.
    let limits = Limits {
        picture: ReadLimits {
            max_file_bytes: 100_000,
            ..ReadLimits::default()
        },
        ..Limits::default()
    };
    let refusal = Made::new()
        .stack("<layer name='a' src='data/a.png'/>")
        .with("data/a.png", &vec![0; 1 << 20])
        .read(&limits)
        .unwrap_err();
    assert!(
        matches!(refusal, OpenRasterError::TooMuch { .. }),
        "{refusal}"
    );

    let long = Made::new().with("stack.xml", &vec![b' '; 2 << 20]);
    assert!(matches!(
        long.read(&limits),
        Err(OpenRasterError::TooMuch { .. })
    ));

    let many = "<layer name='a' src='data/a.png'/>".repeat(101);
    let many = Made::new()
        .stack(&many)
        .with("data/a.png", &small_png(1, 1));
    let refusal = many.read(&Limits::default()).unwrap_err();
    assert!(
        matches!(refusal, OpenRasterError::TooMuch { .. }),
        "{refusal}"
    );

    let tight = Limits {
        max_bytes: 4 * 4 * 3 + 1,
        ..Limits::default()
    };
    let two = "<layer name='a' src='data/a.png'/><layer name='b' src='data/a.png'/>";
    let two = Made::new().stack(two).with("data/a.png", &small_png(4, 3));
    let refusal = two.read(&tight).unwrap_err();
    assert!(
        matches!(refusal, OpenRasterError::Layer { .. }),
        "{refusal}"
    );

    let huge = "<image w='4000000000' h='4000000000'><stack/></image>";
    let huge = Made::new().with("stack.xml", huge.as_bytes());
    let refusal = huge.read(&Limits::default()).unwrap_err();
    assert!(
        matches!(refusal, OpenRasterError::TooMuch { .. }),
        "{refusal}"
    );
}

#[test]
fn what_is_no_openraster_file_is_refused() {
    assert!(matches!(read(b""), Err(OpenRasterError::Archive(_))));
    assert!(matches!(
        read(&small_png(4, 3)),
        Err(OpenRasterError::Archive(_))
    ));
    let mut other = ZipWriter::new(Cursor::new(Vec::new()));
    other
        .start_file("stack.xml", SimpleFileOptions::default())
        .unwrap();
    let other = other.finish().unwrap().into_inner();
    assert!(matches!(read(&other), Err(OpenRasterError::NotOpenRaster)));
    let missing = Made::new().read(&Limits::default());
    assert!(matches!(missing, Err(OpenRasterError::Missing(_))));
    let no_picture = Made::new().stack("<layer name='a' src='data/a.png'/>");
    let refusal = no_picture.read(&Limits::default()).unwrap_err();
    assert!(matches!(refusal, OpenRasterError::Missing(_)), "{refusal}");
    let rubbish = Made::new()
        .stack("<layer name='a' src='data/a.png'/>")
        .with("data/a.png", b"no picture");
    let refusal = rubbish.read(&Limits::default()).unwrap_err();
    assert!(
        matches!(refusal, OpenRasterError::Layer { .. }),
        "{refusal}"
    );
}

#[test]
fn a_file_cut_anywhere_is_refused_without_panic() {
    let file = rgb(8).written(&Metadata::default());
    for sixteenth in 0..16 {
        let cut = &file[..file.len() * sixteenth / 16];
        assert!(read(cut).is_err(), "{sixteenth}/16");
    }
}
