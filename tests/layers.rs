//! What is handed over for an editor: every layer lies on the lit frame and is meant as it is.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use derig::handover::{self, LayerKind, Limits, Visibility};
use derig::photo::{self, Existing, Format, Metadata, Photo, ReadLimits};
use derig::pipeline::{Extra, Frame, SetUp, Silent};
use derig::scene::{CodeValues, Encoding, Samples};
use moxcms::ColorProfile;

use shoot::{Shoot, read, said, sample};

const ALL: &str = "aligned-plate,relit-plate,patch,labelled,openraster";

fn whole(path: &std::path::Path) -> Photo {
    photo::read(path, &ReadLimits::default()).unwrap()
}

/// The samples as 16-bit TIFFs with a wide profile.
fn sixteen_bit_shoot() -> (Shoot, Vec<u8>) {
    let shoot = Shoot::new();
    let icc = ColorProfile::new_adobe_rgb().encode().unwrap();
    let metadata = Metadata {
        icc: Some(icc.clone()),
        ..Metadata::default()
    };
    for name in ["plate", "lit-1"] {
        let mut samples = read(&sample(&format!("{name}.jpg")));
        let CodeValues::Eight(codes) = &samples.values else {
            panic!("JPEG is 8 bits");
        };
        // The low byte differs from sample to sample, so that a detour over 8 bits would show.
        let wide = codes
            .iter()
            .enumerate()
            .map(|(i, &c)| u16::from(c) << 8 | (i * 37 % 256) as u16);
        samples.values = CodeValues::Sixteen(wide.collect());
        let path = shoot.path(&format!("{name}.tif"));
        photo::write(&path, samples, &metadata, Format::Tiff, Existing::Keep).unwrap();
    }
    (shoot, icc)
}

#[test]
fn layers_of_a_16_bit_tiff_keep_depth_extent_and_profile() {
    let (shoot, icc) = sixteen_bit_shoot();
    let output = shoot.derig(&[
        "clean",
        "lit-1.tif",
        "-p",
        "plate.tif",
        "-o",
        "out",
        "--layers",
        ALL,
        "--mask-depth",
        "16",
        "--mask-format",
        "tiff",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let lit = whole(&shoot.path("lit-1.tif"));
    let merged = whole(&shoot.path("out/lit-1.tif")).samples;
    let layer = |name: &str| whole(&shoot.path(&format!("out/lit-1-{name}.tif")));
    for name in ["aligned-plate", "relit-plate", "patch"] {
        let layer = layer(name);
        assert_eq!(layer.samples.size, lit.samples.size, "{name}");
        assert_eq!(layer.samples.bits(), 16, "{name}");
        assert!(layer.metadata.icc.as_ref() == Some(&icc), "{name}");
        let low_bytes = match &layer.samples.values {
            CodeValues::Sixteen(v) => v.iter().filter(|&&v| v & 0xff != v >> 8).count(),
            CodeValues::Eight(_) => 0,
        };
        assert!(low_bytes > 1000, "{name} went through 8 bits");
    }
    let mask = layer("mask").samples;
    assert_eq!((mask.size, mask.bits()), (lit.samples.size, 16));
    let relit = layer("relit-plate").samples;
    let mut compared = 0;
    for y in 0..mask.size.rows {
        for x in (0..mask.size.columns).filter(|&x| mask.code(x, y, 0) == u16::MAX) {
            for c in 0..3 {
                // The merge goes from lit to relit light: one rounding of an f32 more.
                let off = merged.code(x, y, c).abs_diff(relit.code(x, y, c));
                assert!(off <= 2, "{off} at {x},{y}");
            }
            compared += 1;
        }
    }
    assert!(compared > 1000, "{compared}");
    let labelled = read(&shoot.path("out/lit-1-labelled.png"));
    assert_eq!(labelled.size.columns, mask.size.columns);
    assert!(labelled.size.rows > mask.size.rows, "the legend is below");

    let file = std::fs::File::open(shoot.path("out/lit-1.ora")).unwrap();
    let back = handover::read(file, &Limits::default()).unwrap();
    for (kind, file) in [
        (LayerKind::Lit, lit.samples),
        (LayerKind::Patch, layer("patch").samples),
        (LayerKind::AlignedPlate, layer("aligned-plate").samples),
    ] {
        let found = back.layer(kind).unwrap();
        assert!(
            found.photo.samples == file,
            "{kind:?} differs from its file"
        );
        assert!(found.photo.metadata.icc.as_ref() == Some(&icc), "{kind:?}");
    }
    let plate = back.layer(LayerKind::AlignedPlate).unwrap();
    assert_eq!(plate.visibility, Visibility::Hidden);
}

fn unmoved() -> (Samples, Samples) {
    let plate = read(&sample("plate.jpg"));
    let mut lit = plate.clone();
    for (x, y) in (200..260).flat_map(|x| (300..500).map(move |y| (x, y))) {
        for c in 0..3 {
            lit.set_code(x, y, c, 12);
        }
    }
    (plate, lit)
}

#[test]
fn a_plate_that_lies_right_already_is_handed_over_sample_by_sample() {
    let (plate, lit) = unmoved();
    let frame = |samples: &Samples| Frame {
        samples: samples.clone(),
        encoding: Encoding::srgb(256),
    };
    let set_up = SetUp::new(vec![frame(&plate)]).unwrap();
    let wanted = [Extra::AlignedPlate];
    let cleaned = set_up.clean_with(0, frame(&lit), &wanted, &Silent).unwrap();
    assert_eq!(cleaned.report.registration.model, "identity");
    let aligned = cleaned.extras.aligned_plate.unwrap();
    assert_eq!(aligned.layout, plate.layout);
    let (CodeValues::Eight(aligned), CodeValues::Eight(plate)) = (&aligned.values, &plate.values)
    else {
        panic!("8 bits in, 8 bits out");
    };
    // Open sky may have drifted by the estimate; nothing else may differ.
    let differing = aligned.iter().zip(plate).filter(|(a, b)| a != b).count();
    assert!(differing * 100 < plate.len() * 40, "{differing}");
    assert!(cleaned.extras.relit_plate.is_none() && cleaned.extras.labels.is_none());
}

#[test]
fn a_frame_that_is_let_go_meanwhile_is_cleaned_alike() {
    let frame = |photo: &Photo| Frame {
        samples: photo.samples.clone(),
        encoding: photo.encoding.clone(),
    };
    let [plate, lit] = ["plate.jpg", "lit-1.jpg"].map(|name| whole(&sample(name)));
    let [plate_coded, lit_coded] = [&plate, &lit].map(|photo| photo.coded.clone().unwrap());
    assert_eq!(lit_coded.samples(), lit.samples);
    let wanted = [Extra::AlignedPlate, Extra::RelitPlate, Extra::Decision];
    let set_up = || SetUp::new(vec![frame(&plate)]).unwrap();
    let kept = set_up()
        .clean_with(0, frame(&lit), &wanted, &Silent)
        .unwrap();
    let again = || [lit_coded.samples(), plate_coded.samples()];
    let let_go = set_up()
        .clean_only(frame(&lit), again, &wanted, &Silent)
        .unwrap();
    assert_eq!(let_go.merged, kept.merged);
    assert_eq!(let_go.mask, kept.mask);
    assert_eq!(let_go.extras.relit_plate, kept.extras.relit_plate);
    assert_eq!(let_go.extras.aligned_plate, kept.extras.aligned_plate);
}
