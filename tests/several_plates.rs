//! Plates that hide something themselves: somebody who walks through one, the light left in another.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod altered;

use std::path::Path;

use derig::pipeline::{CleanError, Frame, OtherPlate, SetUp, Silent};
use derig::scene::{CodeValues, Encoding, Samples};

use altered::{Mishap, Shots};

const SAMPLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/boatyard");

const GREENHOUSE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/greenhouse");

/// Code values of 8 bits that are seen side by side, whatever the colour.
const SEEN: u32 = 24;

fn shots(number: usize) -> Shots {
    Shots::read(Path::new(SAMPLE), number)
}

fn frame(samples: &Samples) -> Frame {
    Frame {
        samples: samples.clone(),
        encoding: Encoding::srgb(256),
    }
}

/// Pixels in which two pictures visibly differ.
fn differ(one: &Samples, other: &Samples) -> Vec<bool> {
    let size = one.size;
    let differs = |at: usize| {
        let (x, y) = (at % size.columns, at / size.columns);
        let step = |c| u32::from(one.code(x, y, c)).abs_diff(u32::from(other.code(x, y, c)));
        (0..3).any(|c| step(c) > SEEN)
    };
    (0..size.area()).map(differs).collect()
}

fn cleaned(plates: &[&Samples], lit: &Samples) -> (Samples, SetUp) {
    let plates = plates.iter().map(|plate| frame(plate)).collect();
    let set_up = SetUp::new(plates).unwrap();
    let merged = set_up.clean(0, &frame(lit), &Silent).unwrap().merged;
    (merged, set_up)
}

/// Who walks through the plate stays there, with another plate or without one.
#[test]
fn somebody_in_the_plate_is_not_painted_into_the_frame() {
    let (one, two) = (shots(1), shots(2));
    let passed = Mishap::PersonLeft.happens_to(&two).unwrap().plate;
    let walker = differ(&passed, &one.plate);
    let in_walker = |merged: &Samples| {
        let bad = differ(merged, &one.lit);
        bad.iter()
            .zip(&walker)
            .filter(|(bad, there)| **bad && **there)
            .count()
    };
    let whole = walker.iter().filter(|there| **there).count();
    let (merged, set_up) = cleaned(&[&passed, &one.plate], &one.lit);
    let [OtherPlate::Gave(share)] = set_up.other_plates() else {
        panic!("{:?}", set_up.other_plates());
    };
    let walkers = whole as f64 / walker.len() as f64;
    assert!(
        (0.7 * walkers..6.0 * walkers).contains(share),
        "{share} of {walkers}"
    );
    let (good, _) = cleaned(&[&one.plate], &one.lit);
    let (told, least) = (in_walker(&merged), in_walker(&good));
    assert!(
        10 * told.saturating_sub(least) < whole,
        "{told} and {least} of {whole}"
    );
}

/// The same with no other plate, two poses: what somebody hides in the plate is as still as gear.
#[test]
fn somebody_in_the_only_plate_is_let_be() {
    let [one, two] = [1, 2].map(|number| Shots::read(Path::new(GREENHOUSE), number));
    let passed = Mishap::PersonLeft.happens_to(&two).unwrap().plate;
    let walker = differ(&passed, &one.plate);
    let mut set_up = SetUp::new(vec![frame(&passed)]).unwrap();
    let lit = [&one, &two].map(|shots| frame(&shots.lit));
    for (index, lit) in lit.iter().enumerate() {
        set_up.observe(index, lit).unwrap();
    }
    let merged = set_up.clean(0, &lit[0], &Silent).unwrap().merged;
    let bad = differ(&merged, &one.lit);
    let in_walker = bad
        .iter()
        .zip(&walker)
        .filter(|(bad, there)| **bad && **there);
    let (painted, whole) = (
        in_walker.count(),
        walker.iter().filter(|there| **there).count(),
    );
    assert!(20 * painted < whole, "{painted} of {whole}");
}

#[test]
fn a_plate_that_cannot_be_laid_over_the_first_is_left_out() {
    let one = shots(1);
    let CodeValues::Eight(values) = &one.plate.values else {
        panic!("the sample has 8 bits");
    };
    let elsewhere = Samples {
        values: CodeValues::Eight(values.iter().rev().copied().collect()),
        ..one.plate.clone()
    };
    let set_up = SetUp::new(vec![frame(&one.plate), frame(&elsewhere)]).unwrap();
    let told = set_up.other_plates();
    assert!(
        matches!(told, [OtherPlate::LeftOut(CleanError::NotAligned { .. })]),
        "{told:?}"
    );
    let same = SetUp::new(vec![frame(&one.plate), frame(&one.plate)]).unwrap();
    assert_eq!(
        same.other_plates(),
        [OtherPlate::LeftOut(CleanError::SamePicture)]
    );
    let alone = SetUp::new(vec![frame(&one.plate)]).unwrap();
    let with = set_up.clean(0, &frame(&one.lit), &Silent).unwrap();
    let without = alone.clean(0, &frame(&one.lit), &Silent).unwrap();
    assert_eq!(with.merged, without.merged);
}
