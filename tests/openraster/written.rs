//! What we write.

use std::io::{Cursor, Read};

use derig::handover::{self, LayerKind, Parts, Visibility};
use derig::photo::{Metadata, Resolution, ResolutionUnit};
use derig::scene::{ChannelLayout, CodeValues, Encoding, Plane, Samples, Size};
use png::chunk::ChunkType;
use zip::{CompressionMethod, ZipArchive};

use super::{independent, pictures, read};

const SIZE: Size = Size {
    columns: 600,
    rows: 37,
};

pub(super) struct Frame {
    lit: Samples,
    plate: Samples,
    mask: Plane<u16>,
    bits: u8,
}

impl Frame {
    fn of(layout: ChannelLayout, bits: u8) -> Self {
        let lit = pictures::picture(SIZE, layout, bits);
        let mut plate = lit.clone();
        match &mut plate.values {
            CodeValues::Eight(v) => v.reverse(),
            CodeValues::Sixteen(v) => v.reverse(),
        }
        let mask = Plane::from_fn(SIZE, |x, _| match x {
            0..200 => 0,
            200..300 => (x as u16 - 199) * 600,
            _ => u16::MAX,
        });
        Self {
            lit,
            plate,
            mask,
            bits,
        }
    }

    fn parts(&self) -> Parts<'_> {
        Parts {
            lit: &self.lit,
            merged: &self.plate,
            mask: &self.mask,
            aligned_plate: Some(&self.plate),
            relit_plate: Some(&self.plate),
        }
    }

    pub(super) fn written(&self, metadata: &Metadata) -> Vec<u8> {
        let mut file = Cursor::new(Vec::new());
        let encoding = Encoding::srgb(1 << self.bits);
        handover::write(&mut file, &self.parts(), metadata, &encoding).unwrap();
        file.into_inner()
    }
}

pub(super) fn rgb(bits: u8) -> Frame {
    Frame::of(ChannelLayout::Rgb, bits)
}

fn archive(file: &[u8]) -> ZipArchive<Cursor<&[u8]>> {
    ZipArchive::new(Cursor::new(file)).unwrap()
}

fn bytes_of(file: &[u8], name: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut archive = archive(file);
    archive
        .by_name(name)
        .unwrap()
        .read_to_end(&mut bytes)
        .unwrap();
    bytes
}

fn png_info(bytes: &[u8]) -> png::Info<'static> {
    let reader = png::Decoder::new(Cursor::new(bytes)).read_info().unwrap();
    reader.info().clone()
}

fn pngs(file: &[u8]) -> Vec<(String, Vec<u8>)> {
    let names: Vec<_> = archive(file)
        .file_names()
        .map(|n| n.unwrap().to_string())
        .collect();
    let pngs = names.into_iter().filter(|n| n.contains(".png"));
    pngs.map(|n| (n.clone(), bytes_of(file, &n))).collect()
}

#[test]
fn the_first_entry_is_the_stored_mimetype_without_a_newline() {
    let file = rgb(8).written(&Metadata::default());
    let mut archive = archive(&file);
    let mut first = archive.by_index(0).unwrap();
    assert_eq!(first.name().unwrap(), "mimetype");
    assert_eq!(first.header_start(), 0);
    assert_eq!(first.compression(), CompressionMethod::Stored);
    let mut said = String::new();
    first.read_to_string(&mut said).unwrap();
    assert_eq!(said, "image/openraster");
    // What `file` and desktops look at: bytes 30.. of the archive.
    assert_eq!(&file[30..54], b"mimetypeimage/openraster");
}

#[test]
fn all_that_is_required_is_there() {
    let file = rgb(8).written(&Metadata::default());
    let archive = archive(&file);
    for name in [
        "mimetype",
        "stack.xml",
        "mergedimage.png",
        "Thumbnails/thumbnail.png",
        "data/patch.png",
        "data/lit-frame.png",
        "data/aligned-plate.png",
    ] {
        assert!(archive.index_for_name(name).is_some(), "{name} is missing");
    }
    assert_eq!(archive.len(), 7, "and nothing else");
}

#[test]
fn the_stack_has_its_version_its_size_and_the_top_layer_first() {
    let metadata = Metadata {
        resolution: Some(Resolution {
            x: 300.0,
            y: 300.0,
            unit: ResolutionUnit::Inch,
        }),
        ..Metadata::default()
    };
    let file = rgb(8).written(&metadata);
    let text = String::from_utf8(bytes_of(&file, "stack.xml")).unwrap();
    let document = roxmltree::Document::parse(&text).unwrap();
    let image = document.root_element();
    assert_eq!(image.tag_name().name(), "image");
    for (name, value) in [
        ("version", "0.0.3"),
        ("w", "600"),
        ("h", "37"),
        ("xres", "300"),
    ] {
        assert_eq!(image.attribute(name), Some(value), "{name}");
    }
    let stack = image.first_element_child().unwrap();
    let layers: Vec<_> = stack
        .children()
        .filter(|n| n.has_tag_name("layer"))
        .map(|n| {
            let of = |name| n.attribute(name).unwrap();
            assert_eq!(
                (of("x"), of("y"), of("composite-op")),
                ("0", "0", "svg:src-over")
            );
            let opacity: f64 = of("opacity").parse().unwrap();
            assert!((opacity - 1.0).abs() < f64::EPSILON);
            (of("name"), of("visibility"), of("src"))
        })
        .collect();
    assert_eq!(
        layers,
        [
            ("patch", "visible", "data/patch.png"),
            ("lit frame", "visible", "data/lit-frame.png"),
            ("aligned plate", "hidden", "data/aligned-plate.png"),
        ]
    );
}

#[test]
fn every_picture_is_not_interlaced_and_has_the_depth_of_the_input() {
    for bits in [8, 16] {
        let file = rgb(bits).written(&Metadata::default());
        for (name, bytes) in pngs(&file) {
            let info = png_info(&bytes);
            assert!(!info.interlaced, "{name}");
            let small = name == "Thumbnails/thumbnail.png";
            let expected = if small { 8 } else { bits };
            assert_eq!(info.bit_depth as u8, expected, "{name}");
            if !small {
                assert_eq!((info.width, info.height), (600, 37), "{name}");
            }
        }
    }
}

#[test]
fn every_picture_says_how_its_colours_are_meant() {
    let chunk = |bytes: &[u8], kind: ChunkType| {
        img_parts::png::Png::from_bytes(bytes.to_vec().into())
            .unwrap()
            .chunk_by_type(kind.0)
            .is_some()
    };
    for (name, bytes) in pngs(&rgb(8).written(&Metadata::default())) {
        assert!(chunk(&bytes, png::chunk::sRGB), "{name}");
        assert!(!chunk(&bytes, png::chunk::iCCP), "{name}");
    }
    let profile = moxcms::ColorProfile::new_display_p3().encode().unwrap();
    let metadata = Metadata {
        icc: Some(profile.clone()),
        exif: Some(pictures::exif_block(1, SIZE)),
        ..Metadata::default()
    };
    for (name, bytes) in pngs(&rgb(16).written(&metadata)) {
        let info = png_info(&bytes);
        if name == "Thumbnails/thumbnail.png" {
            assert!(chunk(&bytes, png::chunk::sRGB), "{name}");
        } else {
            assert_eq!(info.icc_profile.as_deref(), Some(&profile[..]), "{name}");
            assert!(!chunk(&bytes, png::chunk::sRGB), "{name}: not both");
        }
        assert!(info.exif_metadata.is_none(), "{name}");
    }
}

#[test]
fn the_thumbnail_is_256_pixels_at_most() {
    let file = rgb(16).written(&Metadata::default());
    let info = png_info(&bytes_of(&file, "Thumbnails/thumbnail.png"));
    assert!(info.width <= 256 && info.height <= 256, "{info:?}");
    assert!(info.width >= 128, "{info:?}");
}

#[test]
fn our_reader_hands_back_every_sample() {
    let cases = [
        (ChannelLayout::Rgb, 8),
        (ChannelLayout::Rgb, 16),
        (ChannelLayout::Rgba, 16),
        (ChannelLayout::Grey, 8),
        (ChannelLayout::GreyAlpha, 16),
    ];
    for (layout, bits) in cases {
        let frame = Frame::of(layout, bits);
        let back = read(&frame.written(&Metadata::default())).unwrap();
        assert_eq!(back.size, SIZE);
        assert_eq!(back.layers.len(), 3);
        let samples = |kind| &back.layer(kind).unwrap().photo.samples;
        assert!(*samples(LayerKind::Lit) == frame.lit, "{layout:?} {bits}");
        assert!(*samples(LayerKind::AlignedPlate) == frame.plate);
        assert!(*samples(LayerKind::Patch) == handover::patch(&frame.parts()));
        let hidden = &back.layer(LayerKind::AlignedPlate).unwrap();
        assert_eq!(hidden.visibility, Visibility::Hidden);
        assert!(hidden.coverage(SIZE).as_slice().iter().all(|&v| v == 0));
    }
}

#[test]
fn an_unpainted_mask_comes_back_bit_by_bit() {
    let frame = rgb(16);
    let back = read(&frame.written(&Metadata::default())).unwrap();
    assert!(back.mask().unwrap() == frame.mask);
}

#[test]
fn the_same_frame_gives_the_same_bytes() {
    let frame = rgb(8);
    let metadata = Metadata::default();
    assert!(frame.written(&metadata) == frame.written(&metadata));
}

/// PyPI `pyora`, a reader that nobody here made.
#[test]
fn another_reader_sees_the_same_layers() {
    let frame = rgb(8);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame.ora");
    std::fs::write(&path, frame.written(&Metadata::default())).unwrap();
    let script = "
import sys
from pyora import Project
project = Project.load(sys.argv[1])
print(project.dimensions)
for layer in project.children:
    print(layer.name, layer.visible, layer.opacity)
    with open(f'{sys.argv[2]}/{layer.name}', 'wb') as out:
        out.write(layer.get_image_data(raw=True).convert('RGBA').tobytes())
";
    let Some(output) = independent::python("pyora", script, &[&path, folder.path()]) else {
        return;
    };
    let said = String::from_utf8(output.stdout).unwrap();
    // The order of its list is that reader's own affair.
    let mut lines: Vec<_> = said.lines().collect();
    lines.sort_unstable();
    let expected = [
        "(600, 37)",
        "aligned plate False 1.0",
        "lit frame True 1.0",
        "patch True 1.0",
    ];
    assert_eq!(lines, expected);
    for (name, samples) in [
        ("patch", &handover::patch(&frame.parts())),
        ("lit frame", &frame.lit),
        ("aligned plate", &frame.plate),
    ] {
        let seen = std::fs::read(folder.path().join(name)).unwrap();
        assert!(seen == rgba(samples), "{name}");
    }
}

fn rgba(samples: &Samples) -> Vec<u8> {
    let CodeValues::Eight(values) = &samples.values else {
        panic!("8 bits are asked for")
    };
    match samples.layout {
        ChannelLayout::Rgba => values.clone(),
        _ => values
            .chunks_exact(3)
            .flat_map(|rgb| [rgb, &[255]].concat())
            .collect(),
    }
}
