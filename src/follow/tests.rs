use super::*;
use crate::classify::Probabilities;
use crate::region::{FEATURE_COUNT, Piece, PieceFeatures};
use crate::scene::Window;

pub(crate) const SIZE: Size = Size {
    columns: 600,
    rows: 400,
};

/// A number in 0..1 that has nothing to do with its neighbours'.
pub(crate) fn chance(x: usize, y: usize, seed: usize) -> f32 {
    let mut state = 0u64;
    for part in [x, y, seed] {
        state = (state ^ part as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        state ^= state >> 29;
        state = state.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        state ^= state >> 32;
    }
    (state & 0xffff) as f32 / 65_535.0
}

/// Leaves of 6 px, from dark to light, with veins and rims; another `seed` is the same tree a breath of wind later.
pub(crate) fn leaves(x: usize, y: usize, seed: usize) -> f32 {
    6.0 + 32.0 * chance(x / 6, y / 6, seed) + 16.0 * chance(x, y, seed + 50)
}

pub(crate) fn seen(lightness: impl Fn(usize, usize) -> f32 + Sync) -> Perceived {
    Perceived {
        lightness: Plane::from_fn(SIZE, lightness),
        a: Plane::filled(SIZE, 0.0),
        b: Plane::filled(SIZE, 0.0),
    }
}

/// Gear of an even dark tone before leaves.
fn before_leaves(is_gear: impl Fn(usize, usize) -> bool + Sync, seed: usize) -> Perceived {
    seen(|x, y| {
        if is_gear(x, y) {
            14.0 + chance(x, y, 3)
        } else {
            leaves(x, y, seed)
        }
    })
}

fn is_box(x: usize, y: usize) -> bool {
    (260..340).contains(&x) && y < 100
}

fn is_pole(x: usize, y: usize) -> bool {
    (297..301).contains(&x) && (100..390).contains(&y)
}

/// Everything changed: piece 1 is the box, piece 2 the leaves with whatever is before them.
fn found(lit: &Perceived, plate: &Perceived, person: Option<Window>) -> Plane<bool> {
    let numbers = Plane::from_fn(SIZE, |x, y| {
        let is_person = person
            .is_some_and(|w| (w.left..w.right).contains(&x) && (w.top..w.bottom).contains(&y));
        match (is_box(x, y), is_person) {
            (true, _) => 1u32,
            (_, true) => 3,
            _ => 2,
        }
    });
    let piece = |area| Piece {
        features: PieceFeatures::from_row(&[0.0; FEATURE_COUNT]),
        area,
        window: Window {
            left: 0,
            top: 0,
            right: SIZE.columns,
            bottom: SIZE.rows,
        },
        neighbours: Vec::new(),
    };
    let areas = [1, 2, 3].map(|n| numbers.as_slice().iter().filter(|&&k| k == n).count());
    let labels = vec![Label::Gear, Label::Sway, Label::Person];
    let probabilities = labels.iter().map(|l| {
        let mut p = Probabilities([0.0; 8]);
        p.0[l.index() as usize] = 1.0;
        p
    });
    let mut classified = Classified {
        probabilities: probabilities.collect(),
        labels: labels.clone(),
    };
    let mut regions = Regions {
        numbers,
        pieces: areas.into_iter().map(piece).collect(),
    };
    follow_gear(
        &mut regions,
        &mut classified,
        &FollowInputs {
            sky: &Plane::filled(SIZE, false),
            lit_seen: lit,
            plate_seen: plate,
        },
    );
    for (i, piece) in regions.pieces.iter().enumerate() {
        let count = regions
            .numbers
            .as_slice()
            .iter()
            .filter(|&&n| n as usize == i + 1)
            .count();
        assert_eq!(piece.area, count, "areas follow the pixels");
    }
    regions.numbers.map(|&n| n > 3)
}

#[test]
fn a_pole_before_leaves_is_followed_to_its_end() {
    let lit = before_leaves(|x, y| is_box(x, y) || is_pole(x, y), 1);
    let plate = seen(|x, y| leaves(x, y, 2));
    let taken = found(&lit, &plate, None);
    let on_pole = |y: usize| (297..301).all(|x| *taken.at(x, y));
    let followed = (104..390).filter(|&y| on_pole(y)).count();
    assert!(followed > 270, "{followed} of 286 rows");
    let far = |x: usize| !(292..306).contains(&x);
    let astray = (0..SIZE.area()).filter(|&i| taken.as_slice()[i] && far(i % SIZE.columns));
    assert_eq!(astray.count(), 0);
}

#[test]
fn leaves_alone_lead_nowhere() {
    for seed in 0..5 {
        let lit = before_leaves(is_box, 10 + seed);
        let plate = seen(|x, y| leaves(x, y, 20 + seed));
        let taken = found(&lit, &plate, None);
        let count = taken.as_slice().iter().filter(|t| **t).count();
        assert_eq!(count, 0, "seed {seed}");
    }
}

/// Calm ground with a leg of 2 px that leaves the box: too short and too thin for its tone to tell alone.
fn on_ground(is_gear: impl Fn(usize, usize) -> bool + Sync, seed: usize) -> Perceived {
    seen(|x, y| {
        let ground = 40.0 + 4.0 * chance(x / 6, y / 6, 1) + 2.0 * chance(x, y, seed);
        if is_gear(x, y) { 24.0 } else { ground }
    })
}

#[test]
fn a_thin_leg_on_calm_ground_is_followed() {
    let is_leg = |x: usize, y: usize| (100..160).contains(&y) && (x == 200 + y || x == 201 + y);
    let lit = on_ground(|x, y| is_box(x, y) || is_leg(x, y), 2);
    let plate = on_ground(|_, _| false, 3);
    let taken = found(&lit, &plate, None);
    let followed = (104..156).filter(|&y| *taken.at(200 + y, y)).count();
    assert!(followed > 45, "{followed} of 52 rows");
}

#[test]
fn a_trunk_that_the_plate_shows_too_is_left() {
    let lit = before_leaves(|x, y| is_box(x, y) || is_pole(x, y), 1);
    let plate = before_leaves(is_pole, 2);
    let taken = found(&lit, &plate, None);
    let count = taken.as_slice().iter().filter(|t| **t).count();
    assert_eq!(count, 0);
}

#[test]
fn the_person_ends_it() {
    let lit = before_leaves(|x, y| is_box(x, y) || is_pole(x, y), 1);
    let plate = seen(|x, y| leaves(x, y, 2));
    let person = Window {
        left: 280,
        top: 250,
        right: 330,
        bottom: 400,
    };
    let taken = found(&lit, &plate, Some(person));
    assert!((110..240).any(|y| *taken.at(299, y)));
    assert!((0..SIZE.area()).all(|i| i / SIZE.columns < 250 || !taken.as_slice()[i]));
}

#[test]
fn a_flat_face_goes_on_over_texture_and_no_farther() {
    let corner = |x: usize, y: usize| (340..380).contains(&x) && y < 80;
    let lit = before_leaves(|x, y| is_box(x, y) || corner(x, y), 1);
    let plate = seen(|x, y| leaves(x, y, 2));
    let taken = found(&lit, &plate, None);
    let inside = (0..80 * 40)
        .filter(|i| *taken.at(340 + i % 40, i / 40))
        .count();
    // Its rim is left to the mask, which grows anyway.
    assert!(inside > 2000, "{inside} of 3200");
    let outside = (0..SIZE.area()).filter(|&i| {
        let (x, y) = (i % SIZE.columns, i / SIZE.columns);
        taken.as_slice()[i] && !(338..383).contains(&x) && y < 83
    });
    assert_eq!(outside.count(), 0);
}

const WALL: f32 = 55.0;

/// A wall below leaves that hang before its upper part, and what stands before the wall.
fn wall_below_leaves(stands: impl Fn(usize, usize) -> bool + Sync, seed: usize) -> Perceived {
    seen(|x, y| match (is_box(x, y), stands(x, y)) {
        (true, _) => 14.0 + chance(x, y, 3),
        _ if y < 180 => leaves(x, y, seed),
        (_, true) => 22.0 + chance(x, y, 3),
        _ => WALL + chance(x, y, seed),
    })
}

/// The plate of it.
fn bare_wall() -> Perceived {
    seen(|x, y| match y {
        0..180 => leaves(x, y, 2),
        _ => WALL + chance(x, y, 2),
    })
}

/// Rows of the wall in which two of three pixels at a column were taken.
fn rows_taken(taken: &Plane<bool>, column: usize) -> usize {
    let is_taken = |y: usize| (column..column + 3).filter(|&x| *taken.at(x, y)).count() >= 2;
    (180..390).filter(|&y| is_taken(y)).count()
}

#[test]
fn a_cable_whose_beginning_is_hidden_is_led_back_to_its_head() {
    let cable = |x: usize, _: usize| (320..323).contains(&x);
    let lit = wall_below_leaves(cable, 1);
    let taken = found(&lit, &bare_wall(), None);
    let rows = rows_taken(&taken, 320);
    assert!(rows > 195, "{rows} of 210 rows");
    // The gap, too, near the straight line to the box.
    let bridged = (104..180).filter(|&y| (314..329).any(|x| *taken.at(x, y)));
    assert!(bridged.count() > 70);
}

#[test]
fn a_line_that_leads_to_no_gear_is_left() {
    let cable = |x: usize, _: usize| (80..83).contains(&x);
    let lit = wall_below_leaves(cable, 1);
    assert_eq!(rows_taken(&found(&lit, &bare_wall(), None), 80), 0);
}

#[test]
fn joints_of_boards_are_no_cables() {
    // The boards' joints lie in light in the plate, in shade in the lit frame.
    let joint = |x: usize, _: usize| x % 40 < 3 && x > 200;
    let lit = wall_below_leaves(joint, 1);
    let taken = found(&lit, &bare_wall(), None);
    // Two of them lie below the box.
    assert_eq!([280, 320].map(|column| rows_taken(&taken, column)), [0, 0]);
}

/// Rows bridged of a bright strip before which a pole shows in that tone, a pole found above and below.
fn rows_across_a_bright_strip(tone: f32) -> usize {
    let strip = 230..262;
    let background = |x: usize, y: usize, seed: usize| {
        let tone = if strip.contains(&y) { 90.0 } else { WALL };
        tone + chance(x, y, seed)
    };
    let lit = seen(|x, y| match is_pole(x, y) {
        true if strip.contains(&y) => tone + chance(x, y, 3),
        true => 14.0 + chance(x, y, 3),
        false => background(x, y, 1),
    });
    let plate = seen(|x, y| background(x, y, 2));
    let nowhere = Plane::filled(SIZE, false);
    let inputs = FollowInputs {
        sky: &nowhere,
        lit_seen: &lit,
        plate_seen: &plate,
    };
    let found = Plane::from_fn(SIZE, |x, y| is_pole(x, y) && !strip.contains(&y));
    let field = Field {
        seen: &inputs,
        labels: found.map(|&is| if is { Label::Gear } else { Label::Other }),
        changed: Plane::from_fn(SIZE, is_pole),
        person: nowhere.clone(),
        fresh: found,
    };
    let pictures = Pictures::of(&inputs);
    let looker = Looker::of(&field, &pictures);
    let large = slender::beginnings(&field);
    let gaps = link::gaps(&looker, &slender::seeds(&field, &large), &large);
    let bridged: Vec<usize> = gaps.iter().flat_map(|gap| gap.pixels(SIZE)).collect();
    let is_bridged = |y: &usize| {
        [298, 299]
            .iter()
            .any(|x| bridged.contains(&(y * SIZE.columns + x)))
    };
    strip.clone().filter(is_bridged).count()
}

#[test]
fn what_the_lens_hardly_resolves_is_followed_before_a_bright_strip() {
    // Nearer to the strip's tone than to its own.
    assert!(rows_across_a_bright_strip(70.0) > 28);
    assert_eq!(rows_across_a_bright_strip(90.0), 0);
}

#[test]
fn a_pole_is_followed_across_a_wheel_of_its_own_tone() {
    let wheel = |y: usize| (220..300).contains(&y);
    let scene = |pole: bool, seed: usize| {
        seen(move |x, y| match (is_box(x, y), pole && is_pole(x, y)) {
            (true, _) | (_, true) => 14.0 + chance(x, y, 3),
            _ if wheel(y) => 15.0 + chance(x, y, seed),
            _ => WALL + chance(x, y, seed),
        })
    };
    let taken = found(&scene(true, 1), &scene(false, 2), None);
    let middle = |y: usize| *taken.at(298, y) || *taken.at(299, y);
    let followed = (104..390).filter(|&y| middle(y)).count();
    assert!(followed > 275, "{followed} of 286 rows");
}
