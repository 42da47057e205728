//! Pictures of a page, on drawn frames.

use super::super::places::{MAX_PLACES, PLACE};
use super::super::regions::Pieces;
use super::*;
use crate::photo::{ReadLimits, read_bytes};
use crate::report::Box2;
use crate::scene::{ChannelLayout, Encoding, Label};

const SIZE: Size = Size {
    columns: 1500,
    rows: 1000,
};

/// Grain that no coder makes small.
fn grain(seed: usize) -> Samples {
    let code = |i: usize| ((i + seed).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 29) as u8;
    Samples {
        size: SIZE,
        layout: ChannelLayout::Rgb,
        values: CodeValues::Eight((0..3 * SIZE.area()).map(code).collect()),
    }
}

fn mask() -> Plane<u16> {
    Plane::from_fn(SIZE, |x, y| match (x, y) {
        (700..760, 300..700) => 30_000,
        _ => 0,
    })
}

fn work(place: Box2) -> HandWork {
    HandWork {
        place,
        reason: "a seam may show".to_owned(),
        confidence: 0.5,
    }
}

fn decoded(picture: &Picture) -> Samples {
    let Picture::Here(jpeg) = picture else {
        panic!("nothing was written yet");
    };
    read_bytes(jpeg.clone(), &ReadLimits::default())
        .unwrap()
        .samples
}

fn pictures(hand_work: &[HandWork]) -> Pictures {
    let (lit, merged, mask) = (grain(0), grain(99), mask());
    let numbers = mask.map(|&share| u32::from(share > 0));
    let shown = Shown {
        lit: &lit,
        encoding: &Encoding::srgb(256),
        merged: &merged,
        mask: &mask,
        pieces: Some(Pieces {
            numbers: &numbers,
            labels: &[Label::Gear],
            factor: 1,
        }),
    };
    Pictures::of(&shown, hand_work).unwrap()
}

#[test]
fn even_pure_grain_fits_the_budget() {
    let everywhere = work(Box2 {
        x: 0,
        y: 0,
        width: SIZE.columns,
        height: SIZE.rows,
    });
    let made = pictures(&vec![everywhere; 5]);
    assert!(
        made.page_bytes() <= MAX_FRAME_BYTES,
        "{}",
        made.page_bytes()
    );
    assert!((1..=MAX_PLACES).contains(&made.places.len()));
    assert_eq!(decoded(&made.before).size, made.size);
}

#[test]
fn the_cleaned_picture_is_flat_where_nothing_was_replaced() {
    let made = pictures(&[]);
    let after = made.after.as_ref().unwrap();
    let picture = decoded(&after.picture);
    assert_eq!(picture.size, made.size);
    let part = after.part;
    for corner in [(part.left, part.top), (part.right, part.bottom)] {
        assert_eq!(corner.0 % BLOCK + corner.1 % BLOCK, 0, "{part:?}");
    }
    assert!(part.left * made.scale <= 700 && part.right * made.scale >= 760);
    let row: Vec<u16> = (0..50).map(|x| picture.code(x, 20, 0)).collect();
    assert!(
        row.iter().all(|code| code.abs_diff(128) <= 1),
        "{row:?} {part:?} {:?}",
        made.size
    );
}

#[test]
fn a_place_is_the_frame_itself_pixel_by_pixel() {
    let made = pictures(&[work(Box2 {
        x: 600,
        y: 200,
        width: 400,
        height: 200,
    })]);
    let place = &made.places[0];
    assert_eq!((place.cut.width, place.cut.height), (288, 216));
    let [left, right] = [place.cut.x, place.cut.x + place.cut.width];
    assert!(left <= 700 && right >= 760, "{place:?}");
    assert_eq!(decoded(&place.before).size, PLACE);
}

#[test]
fn what_is_seen_already_is_not_shown_again() {
    let at = |x: usize, y: usize| {
        work(Box2 {
            x,
            y,
            width: 20,
            height: 20,
        })
    };
    let made = pictures(&[at(100, 100), at(120, 110), at(900, 700)]);
    let told: Vec<usize> = made.places.iter().map(|p| p.told.place.x).collect();
    assert_eq!(told[0], 100);
    assert!(!told.contains(&120), "{told:?}");
}

#[test]
fn a_frame_smaller_than_a_place_is_shown_whole() {
    let size = Size {
        columns: 90,
        rows: 40,
    };
    let lit = Samples {
        size,
        layout: ChannelLayout::Grey,
        values: CodeValues::Sixteen(vec![30_000; size.area()]),
    };
    let mask = Plane::filled(size, 0);
    let shown = Shown {
        lit: &lit,
        encoding: &Encoding::srgb(65_536),
        merged: &lit,
        mask: &mask,
        pieces: None,
    };
    let far = Box2 {
        x: 80,
        y: 30,
        width: 10,
        height: 10,
    };
    let made = Pictures::of(&shown, &[work(far)]).unwrap();
    assert_eq!(made.after, None);
    assert_eq!(made.size, size);
    assert_eq!(
        made.places[0].cut,
        Box2 {
            x: 0,
            y: 0,
            width: 90,
            height: 40
        }
    );
}
