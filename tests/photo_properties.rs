//! What holds for any picture and any way it is stored: samples come back as they were, and the way
//! the camera was held changes no upright pixel.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod pictures;
mod shoot;

use derig::photo::{Format, Metadata};
use derig::pipeline::{Frame, SetUp, Silent};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use pictures::{encoded, exif_block, picture, read};

const SEED: RngSeed = RngSeed::Fixed(2026);

/// Where the stored pixel lies in the upright picture of extent `size` (tag 0x0112: CIPA DC-008, 4.6.5).
fn place(orientation: u16, size: Size, (c, r): (usize, usize)) -> (usize, usize) {
    let (right, bottom) = (size.columns - 1, size.rows - 1);
    match orientation {
        1 => (c, r),
        2 => (right - c, r),
        3 => (right - c, bottom - r),
        4 => (c, bottom - r),
        5 => (r, c),
        6 => (right - r, c),
        7 => (right - r, bottom - c),
        _ => (r, bottom - c),
    }
}

/// An upright picture as a camera stores it that was held another way.
fn turned(upright: &Samples, orientation: u16) -> Samples {
    let Size { columns, rows } = upright.size;
    let size = if orientation >= 5 {
        Size {
            columns: rows,
            rows: columns,
        }
    } else {
        upright.size
    };
    let channels = upright.layout.count();
    let places = (0..size.area()).map(|i| {
        let (x, y) = place(
            orientation,
            upright.size,
            (i % size.columns, i / size.columns),
        );
        channels * (y * columns + x)
    });
    Samples {
        size,
        layout: upright.layout,
        values: match &upright.values {
            CodeValues::Eight(v) => CodeValues::Eight(
                places
                    .flat_map(|at| v[at..at + channels].to_vec())
                    .collect(),
            ),
            CodeValues::Sixteen(v) => CodeValues::Sixteen(
                places
                    .flat_map(|at| v[at..at + channels].to_vec())
                    .collect(),
            ),
        },
    }
}

fn held(upright: &Samples, orientation: u16, format: Format) -> Vec<u8> {
    let stored = turned(upright, orientation);
    let metadata = Metadata {
        exif: Some(exif_block(orientation, stored.size)),
        ..Metadata::default()
    };
    encoded(stored, &metadata, format)
}

fn layouts() -> impl Strategy<Value = ChannelLayout> {
    prop_oneof![
        Just(ChannelLayout::Grey),
        Just(ChannelLayout::GreyAlpha),
        Just(ChannelLayout::Rgb),
        Just(ChannelLayout::Rgba),
    ]
}

fn lossless() -> impl Strategy<Value = Format> {
    prop_oneof![Just(Format::Png), Just(Format::Tiff)]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, rng_seed: SEED, ..ProptestConfig::default() })]

    #[test]
    fn every_sample_comes_back(
        columns in 1..70usize, rows in 1..70usize, layout in layouts(),
        bits in prop_oneof![Just(8u8), Just(16)], format in lossless(),
    ) {
        let samples = picture(Size { columns, rows }, layout, bits);
        let back = read(encoded(samples.clone(), &Metadata::default(), format));
        prop_assert!(back.samples == samples, "{format} {layout:?} {bits} {columns}x{rows}");
    }

    #[test]
    fn the_way_a_camera_was_held_changes_no_upright_pixel(
        columns in 1..50usize, rows in 1..50usize, layout in layouts(),
        bits in prop_oneof![Just(8u8), Just(16)], format in lossless(),
        one in 1..=8u16, other in 1..=8u16,
    ) {
        let upright = picture(Size { columns, rows }, layout, bits);
        for orientation in [one, other] {
            let back = read(held(&upright, orientation, format));
            prop_assert!(back.samples == upright, "{format} {orientation} {columns}x{rows}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 6, rng_seed: SEED, ..ProptestConfig::default() })]

    /// The whole way: plate and lit frame held in any two ways clean to the same upright pixels.
    #[test]
    fn swapped_orientation_tags_clean_to_the_same_pixels(
        plate_held in 1..=8u16, lit_held in 1..=8u16, format in lossless(),
    ) {
        let frame = |name: &str, orientation: u16| {
            let upright = shoot::read(&shoot::sample(name));
            let photo = read(held(&upright, orientation, format));
            Frame { samples: photo.samples, encoding: photo.encoding }
        };
        let cleaned = |plate: u16, lit: u16| {
            let set_up = SetUp::new(vec![frame("plate.jpg", plate)]).unwrap();
            set_up.clean(0, &frame("lit-1.jpg", lit), &Silent).unwrap()
        };
        let (upright, held) = (cleaned(1, 1), cleaned(plate_held, lit_held));
        prop_assert!(upright.merged == held.merged);
        prop_assert!(upright.mask == held.mask);
        prop_assert!(upright.mask.as_slice().iter().any(|&share| share > 0));
    }
}
