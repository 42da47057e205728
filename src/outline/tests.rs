use super::*;
use crate::classify::{Node, Probabilities, Tree};
use crate::follow::tests::{SIZE, chance};
use crate::numeric::filter::gaussian;
use crate::region::{FEATURE_COUNT, Piece, PieceFeatures};
use crate::scene::difference;

/// Leaves of some 10 px in greens from dark to light, sky between a quarter of them; CIELAB. Another
/// `seed` is the same tree a breath of wind later.
fn leaf(x: usize, y: usize, seed: usize) -> [f32; 3] {
    // Rows of leaves hang at different places.
    let (row, lean) = (y / 7, y % 7);
    let column = (x + lean + (10.0 * chance(row, 7, seed)) as usize) / 10;
    let tone = chance(column, row, seed);
    if tone < 0.25 {
        return [82.0, -2.0, -12.0];
    }
    let vein = 16.0 * chance(x / 3, y / 3, seed + 9);
    [
        8.0 + 30.0 * (tone - 0.25) + vein,
        -4.0 - 12.0 * tone,
        6.0 + 18.0 * tone,
    ]
}

/// A picture as seen: blurred as the comparison blurs it.
fn seen(colour: impl Fn(usize, usize) -> [f32; 3] + Sync) -> Perceived {
    let plane = |c: usize| gaussian(&Plane::from_fn(SIZE, |x, y| colour(x, y)[c]), 1.2);
    Perceived {
        lightness: plane(0),
        a: plane(1),
        b: plane(2),
    }
}

/// A box that enters from the top before leaves.
fn is_box(x: usize, y: usize) -> bool {
    (200..340).contains(&x) && y < 220
}

/// Beside the box, cut wrongly: dark leaves that went with it.
fn is_torn_out(x: usize, y: usize) -> bool {
    (340..380).contains(&x) && (60..130).contains(&y) && leaf(x, y, 1)[0] < 35.0
}

/// The lower part of the box, cut wrongly: it stayed with the leaves.
fn is_left_behind(x: usize, y: usize) -> bool {
    is_box(x, y) && (190..220).contains(&y)
}

struct Mended {
    /// Share of the leaves torn out that was given back.
    given_back: f32,
    /// Share of what was left behind that was taken.
    taken: f32,
    /// Share of the box's rest that was lost.
    lost: f32,
    /// Share of the leaves within 60 px that was taken.
    spoiled: f32,
}

/// Mends a cut that is wrong both ways; what is left behind counts as `rest`.
fn mended(rest: Label, model: &PixelModel) -> Mended {
    let lit = seen(|x, y| {
        if is_box(x, y) {
            [12.0 + chance(x, y, 3), 0.5, -1.0]
        } else {
            leaf(x, y, 1)
        }
    });
    let plate = seen(|x, y| leaf(x, y, 2));
    let numbers = Plane::from_fn(SIZE, |x, y| {
        let is_first = (is_box(x, y) && !is_left_behind(x, y)) || is_torn_out(x, y);
        match (is_first, is_left_behind(x, y)) {
            (true, _) => 1u32,
            (_, true) => 2,
            _ => 3,
        }
    });
    let labels = vec![Label::Gear, rest, Label::Sway];
    let pieces = (1..=3u32).map(|number| Piece {
        features: PieceFeatures::from_row(&[0.0; FEATURE_COUNT]),
        area: numbers.as_slice().iter().filter(|&&n| n == number).count(),
        window: Window {
            left: 0,
            top: 0,
            right: SIZE.columns,
            bottom: SIZE.rows,
        },
        neighbours: Vec::new(),
    });
    let mut regions = Regions {
        pieces: pieces.collect(),
        numbers,
    };
    let probabilities = labels.iter().map(|label| {
        let mut p = Probabilities([0.0; 8]);
        p.0[label.index() as usize] = 1.0;
        p
    });
    let mut classified = Classified {
        probabilities: probabilities.collect(),
        labels: labels.clone(),
    };
    let apart = Plane::from_fn(SIZE, |x, y| {
        let i = y * SIZE.columns + x;
        difference(lit.at_index(i), plate.at_index(i)).0
    });
    let inputs = OutlineInputs {
        lit_seen: &lit,
        plate_seen: &plate,
        difference: &apart,
    };
    mend_outline_with(model, &mut regions, &mut classified, &inputs);
    let gear = gear_of(&regions, &classified);
    let share = |of: &dyn Fn(usize, usize) -> bool, wanted: bool| {
        let places = (0..SIZE.area()).map(|i| (i % SIZE.columns, i / SIZE.columns));
        let (mut hits, mut all) = (0.0f32, 0.0f32);
        for (x, y) in places.filter(|&(x, y)| of(x, y)) {
            all += 1.0;
            hits += f32::from(u8::from(*gear.at(x, y) == wanted));
        }
        hits / all
    };
    let is_beside = |x: usize, y: usize| {
        let near = (140..400).contains(&x) && y < 280;
        near && !is_box(x, y) && !is_torn_out(x, y)
    };
    Mended {
        given_back: share(&is_torn_out, false),
        taken: share(&is_left_behind, true),
        lost: share(&|x, y| is_box(x, y) && !is_left_behind(x, y), false),
        spoiled: share(&is_beside, true),
    }
}

/// Gives back what is rough inside, takes nothing.
fn by_roughness() -> PixelModel {
    let number = |name: &str| PIXEL_FEATURE_NAMES.iter().position(|n| *n == name);
    let spread = number("spread_4").unwrap() as u16;
    let tree = Tree(vec![
        Node::Split(spread, 5.0, 1, 2),
        Node::Leaf(0.0),
        Node::Leaf(1.0),
    ]);
    PixelModel {
        inside: vec![tree],
        beside: vec![Tree(vec![Node::Leaf(0.0)])],
        ..PixelModel::built_in()
    }
}

#[test]
fn the_rest_of_a_box_comes_along() {
    let mended = mended(Label::Sway, &PixelModel::built_in());
    assert!(mended.taken > 0.9, "taken {}", mended.taken);
    assert!(mended.lost < 0.01, "lost {}", mended.lost);
    assert!(mended.spoiled < 0.01, "spoiled {}", mended.spoiled);
}

#[test]
fn what_is_rough_goes_back_where_the_model_says_so() {
    let mended = mended(Label::Sway, &by_roughness());
    assert!(mended.given_back > 0.4, "given back {}", mended.given_back);
    assert!(mended.taken <= 0.0, "taken {}", mended.taken);
    assert!(mended.lost < 0.01, "lost {}", mended.lost);
}

#[test]
fn nothing_is_taken_from_the_person() {
    assert!(mended(Label::Person, &PixelModel::built_in()).taken <= 0.0);
}
