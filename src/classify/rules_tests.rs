//! The rules behind the forests, on pieces drawn by hand.

use super::lone::take_back_lone;
use super::places::Places;
use super::strays::decide_strays_anew;
use super::support::{demand_support, shadow_shows, take_back_doubtful};
use super::{Classified, Probabilities, adopt};
use crate::region::{Neighbour, Piece, PieceFeatures, Regions};
use crate::scene::{Label, Plane, Size, Window};

const SIZE: Size = Size {
    columns: 900,
    rows: 600,
};

struct Drawn {
    place: [usize; 4],
    features: PieceFeatures,
    probabilities: Probabilities,
}

/// A box `[left, top, width, height]` of a class, with its probability; what is left is other.
fn drawn(place: [usize; 4], label: Label, probability: f32, features: PieceFeatures) -> Drawn {
    let mut all = [0.0; 8];
    all[label.index() as usize] = probability;
    all[Label::Other.index() as usize] += 1.0 - probability;
    Drawn {
        place,
        features,
        probabilities: Probabilities(all),
    }
}

fn scene(drawn: &[Drawn]) -> (Regions, Classified) {
    let mut numbers = Plane::filled(SIZE, 0u32);
    let mut pieces = Vec::new();
    for (k, d) in drawn.iter().enumerate() {
        let [left, top, width, height] = d.place;
        for y in top..top + height {
            for x in left..left + width {
                numbers.set(x, y, k as u32 + 1);
            }
        }
        pieces.push(Piece {
            features: d.features,
            area: width * height,
            window: Window {
                left,
                top,
                right: left + width,
                bottom: top + height,
            },
            neighbours: Vec::new(),
        });
    }
    let probabilities: Vec<Probabilities> = drawn.iter().map(|d| d.probabilities).collect();
    let labels = probabilities.iter().map(Probabilities::decision).collect();
    let classified = Classified {
        probabilities,
        labels,
    };
    (Regions { numbers, pieces }, classified)
}

fn supported(drawn: &[Drawn]) -> Vec<Label> {
    let (regions, mut classified) = scene(drawn);
    demand_support(&mut classified, &regions);
    classified.labels
}

fn adopted(drawn: &[Drawn]) -> Vec<Label> {
    let (regions, mut classified) = scene(drawn);
    let own = classified.probabilities.clone();
    adopt::adopt(&mut classified, &own, (&regions, &Places::of(&regions)));
    classified.labels
}

fn still() -> PieceFeatures {
    PieceFeatures {
        still: 0.95,
        difference: 12.0,
        ..PieceFeatures::default()
    }
}

fn stand() -> Drawn {
    drawn([100, 100, 20, 400], Label::Gear, 0.9, still())
}

#[test]
fn a_boom_may_be_wide_and_a_bird_is_neither_tall_nor_wide() {
    let boom = drawn([300, 200, 200, 12], Label::Gear, 0.8, still());
    let bird = drawn([600, 50, 25, 20], Label::Gear, 0.7, still());
    assert_eq!(supported(&[boom, bird]), [Label::Gear, Label::Other]);
}

#[test]
fn gear_needs_some_part_beyond_doubt() {
    let doubtful = drawn([100, 100, 20, 400], Label::Gear, 0.45, still());
    let (regions, mut classified) = scene(&[doubtful]);
    classified.labels[0] = Label::Gear;
    demand_support(&mut classified, &regions);
    assert_eq!(classified.labels, [Label::Other]);
}

#[test]
fn a_frame_with_gear_shows_some_of_it_beyond_doubt() {
    let faint = || drawn([300, 200, 200, 12], Label::Gear, 0.6, still());
    assert_eq!(supported(&[faint()]), [Label::Other]);
    assert_eq!(supported(&[stand(), faint()]), [Label::Gear, Label::Gear]);
}

#[test]
fn a_second_head_counts_only_where_other_gear_stands() {
    let head = || drawn([600, 200, 30, 30], Label::Gear, 0.95, still());
    assert_eq!(supported(&[head()]), [Label::Other]);
    assert_eq!(supported(&[stand(), head()]), [Label::Gear, Label::Gear]);
}

#[test]
fn sky_of_a_colour_of_its_own_is_no_gear_and_a_clipped_front_is() {
    let sky = |lightness: f32, blue: f32, clipped: f32| PieceFeatures {
        lit_sky: 1.0,
        plate_sky: 1.0,
        lit_lightness: lightness,
        lit_b: blue,
        lit_clipped: clipped,
        ..still()
    };
    let blue = drawn(
        [300, 100, 100, 100],
        Label::Gear,
        0.8,
        sky(65.0, -24.0, 0.0),
    );
    let front = drawn([120, 100, 100, 100], Label::Gear, 0.8, sky(100.0, 0.0, 1.0));
    let labels = supported(&[stand(), blue, front]);
    assert_eq!(labels, [Label::Gear, Label::Other, Label::Gear]);
}

#[test]
fn faint_shadows_count_only_below_the_ambient() {
    let shadow = |above_ambient: f32, difference: f32| PieceFeatures {
        above_ambient,
        difference,
        excess: -0.15,
        inner_agreement: 0.95,
        ..PieceFeatures::default()
    };
    assert!(!shadow_shows(&shadow(0.0, 2.5)));
    assert!(shadow_shows(&shadow(-0.3, 2.5)));
    assert!(shadow_shows(&shadow(0.0, 6.0)));
}

#[test]
fn what_stays_with_another_structure_is_the_doing_of_gear_that_stands() {
    let reflection = || {
        let features = PieceFeatures {
            inner_agreement: 0.2,
            ..still()
        };
        drawn([500, 300, 40, 40], Label::Glint, 0.4, features)
    };
    assert_eq!(adopted(&[reflection()]), [Label::Other]);
    assert_eq!(
        adopted(&[stand(), reflection()]),
        [Label::Gear, Label::Glint]
    );
}

/// A person, and a length of pole that looks like a sleeve `apart` px from it.
fn sleeve_or_pole(apart: usize, width: usize, person: f32) -> Label {
    let none = PieceFeatures::default();
    let mut sleeve = drawn([200 + apart, 200, width, 120], Label::Person, person, none);
    sleeve.probabilities.0[Label::Gear.index() as usize] = 0.95 - person;
    sleeve.probabilities.0[Label::Other.index() as usize] = 0.05;
    let person = drawn([100, 200, 100, 300], Label::Person, 0.9, none);
    let (regions, mut classified) = scene(&[person, sleeve]);
    decide_strays_anew(&mut classified, &regions);
    assert_eq!(classified.labels[0], Label::Person);
    classified.labels[1]
}

#[test]
fn a_sleeve_far_from_anybody_is_a_pole() {
    assert_eq!(sleeve_or_pole(300, 8, 0.6), Label::Gear);
}

#[test]
fn a_sleeve_within_an_arms_reach_stays_with_the_person() {
    assert_eq!(sleeve_or_pole(60, 8, 0.6), Label::Person);
}

#[test]
fn what_hardly_looks_like_a_person_is_none_far_from_anybody() {
    // A tenth of the person in size: somebody's part if it is one at all.
    assert_eq!(sleeve_or_pole(300, 24, 0.9), Label::Person);
    assert_eq!(sleeve_or_pole(300, 24, 0.25), Label::Gear);
    assert_eq!(sleeve_or_pole(60, 24, 0.25), Label::Person);
}

/// What the second piece, handed on as a shadow, is taken for once doubtful ones were taken back.
fn once_doubted(drawn: &[Drawn], neighbours: Vec<Neighbour>) -> Label {
    let (mut regions, mut classified) = scene(drawn);
    regions.pieces[1].neighbours = neighbours;
    classified.labels[1] = Label::GearShadow;
    take_back_doubtful(&mut classified, &regions);
    classified.labels[1]
}

#[test]
fn a_lone_dark_piece_without_the_plates_texture_is_no_shadow() {
    let dark = |inner_agreement: f32, sway: f32, probability: f32| {
        let features = PieceFeatures {
            inner_agreement,
            sway,
            excess: -0.3,
            ..still()
        };
        let dark = drawn([130, 420, 60, 30], Label::GearShadow, probability, features);
        once_doubted(&[stand(), dark], Vec::new())
    };
    assert_eq!(dark(0.9, 1.0, 0.6), Label::GearShadow);
    assert_eq!(dark(0.2, 4.0, 0.6), Label::Other);
    assert_eq!(dark(0.2, 4.0, 0.9), Label::GearShadow);
    // Half agreeing, it is no shadow where its tones are the plate's from nearby.
    assert_eq!(dark(0.7, 1.0, 0.6), Label::Other);
    assert_eq!(dark(0.7, 4.0, 0.6), Label::GearShadow);
}

#[test]
fn beside_gear_a_dark_piece_needs_no_texture() {
    let features = PieceFeatures {
        inner_agreement: 0.2,
        excess: -0.3,
        ..still()
    };
    let dark = drawn([120, 420, 60, 30], Label::GearShadow, 0.6, features);
    let beside = vec![Neighbour { piece: 0, rim: 30 }];
    assert_eq!(once_doubted(&[stand(), dark], beside), Label::GearShadow);
}

/// What a dark spot on the ground is taken for, with a row of `others` that changed by themselves below.
fn spot_among(others: usize, spot: [usize; 4], neighbours: Vec<Neighbour>) -> Label {
    let dark = drawn(spot, Label::GearShadow, 0.6, still());
    let moved = (0..others).map(|k| drawn([130 + 12 * k, 440, 9, 9], Label::Other, 0.9, still()));
    let all: Vec<Drawn> = [stand(), dark].into_iter().chain(moved).collect();
    let (mut regions, mut classified) = scene(&all);
    regions.pieces[1].neighbours = neighbours;
    take_back_lone(&mut classified, (&regions, &Places::of(&regions)));
    classified.labels[1]
}

#[test]
fn a_dark_spot_among_many_that_moved_moved_too() {
    let spot = [150, 420, 12, 12];
    assert_eq!(spot_among(0, spot, Vec::new()), Label::GearShadow);
    assert_eq!(spot_among(1, spot, Vec::new()), Label::GearShadow);
    assert_eq!(spot_among(5, spot, Vec::new()), Label::Other);
    // Beside what goes, and as large as a shadow that can be told by its form, it is one.
    let beside = vec![Neighbour { piece: 0, rim: 12 }];
    assert_eq!(spot_among(5, spot, beside), Label::GearShadow);
    assert_eq!(
        spot_among(5, [150, 420, 20, 12], Vec::new()),
        Label::GearShadow
    );
}

#[test]
fn what_hardly_looks_like_a_shadow_is_none_unless_it_is_deep() {
    let dark = |probability: f32, excess: f32, agreement_coarse: f32| {
        let features = PieceFeatures {
            inner_agreement: 0.9,
            agreement_coarse,
            excess,
            ..still()
        };
        let dark = drawn([120, 420, 60, 30], Label::GearShadow, probability, features);
        let unlike = drawn([120, 450, 60, 30], Label::Other, 0.9, still());
        let beside = [0, 2].map(|piece| Neighbour { piece, rim: 30 });
        once_doubted(&[stand(), dark, unlike], beside.to_vec())
    };
    assert_eq!(dark(0.3, -0.2, 0.3), Label::Other);
    assert_eq!(dark(0.3, -0.4, 0.3), Label::GearShadow);
    assert_eq!(dark(0.5, -0.2, 0.3), Label::GearShadow);
    // On the plate's own surface.
    assert_eq!(dark(0.3, -0.2, 0.9), Label::GearShadow);
}

#[test]
fn a_faint_piece_amid_what_goes_goes_too() {
    let features = PieceFeatures {
        excess: -0.2,
        ..still()
    };
    let dark = drawn([120, 420, 60, 30], Label::GearShadow, 0.3, features);
    let amid = vec![Neighbour { piece: 0, rim: 60 }];
    assert_eq!(once_doubted(&[stand(), dark], amid), Label::GearShadow);
}

#[test]
fn what_stays_sky_is_no_part_of_gear() {
    let beside = |sky: f32| {
        let features = PieceFeatures {
            plate_sky: sky,
            lit_sky: sky,
            ..still()
        };
        let part = drawn([124, 100, 20, 60], Label::Gear, 0.4, features);
        adopted(&[stand(), part])[1]
    };
    assert_eq!(beside(0.2), Label::Gear);
    assert_eq!(beside(1.0), Label::Other);
}
