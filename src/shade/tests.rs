use super::*;
use crate::classify::Probabilities;
use crate::lighting::separate_light;
use crate::region::{FEATURE_COUNT, Piece, PieceFeatures};
use crate::scene::{SceneLinear, Window};

const SIZE: Size = Size {
    columns: 640,
    rows: 400,
};

/// Column and row of the shadow's middle.
const MIDDLE: (f32, f32) = (320.0, 200.0);

fn distance(x: usize, y: usize) -> f32 {
    (x as f32 - MIDDLE.0).hypot(y as f32 - MIDDLE.1)
}

/// A floor of gravel, 0.2 to 0.4 of white.
fn floor() -> Plane<f32> {
    Plane::from_fn(SIZE, |x, y| {
        let mixed = ((x / 3) * 7919 + (y / 3) * 104_729) as u64;
        let mixed = mixed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
        0.2 + 0.2 * (mixed % 101) as f32 / 101.0
    })
}

/// CIELAB lightness of light as seen: blurred as it is before pictures are compared.
fn lightness_seen(light: &Plane<f32>) -> Plane<f32> {
    gaussian(light, 1.2).map(|&y| 116.0 * y.cbrt() - 16.0)
}

/// What is called gear's shadow of a floor under light that `shadow` takes a share of, where the
/// middle, 20 px around, was taken for `label` before.
fn followed(label: Label, shadow: impl Fn(usize, usize) -> f32 + Sync) -> Plane<Label> {
    let plate = floor();
    let lit = Plane::from_fn(SIZE, |x, y| plate.at(x, y) * (1.0 - shadow(x, y)));
    let [lit, plate] = [lit, plate].map(|p| SceneLinear {
        channels: [p.clone(), p.clone(), p],
    });
    let (sky, usable) = (Plane::filled(SIZE, false), Plane::filled(SIZE, true));
    let light = separate_light(&lit, &plate, &sky, &usable);
    let under_pool = plate.channels[1].zip(&light.pool[1], |p, r| p * r.exp());
    let [lightness, under_pool] = [&lit.channels[1], &under_pool].map(lightness_seen);
    let numbers = Plane::from_fn(SIZE, |x, y| u32::from(distance(x, y) < 20.0));
    let piece = Piece {
        features: PieceFeatures::from_row(&[0.0; FEATURE_COUNT]),
        area: 1256,
        window: Window {
            left: 300,
            top: 180,
            right: 340,
            bottom: 220,
        },
        neighbours: Vec::new(),
    };
    let mut regions = Regions {
        numbers,
        pieces: vec![piece],
    };
    let mut classified = Classified {
        probabilities: vec![Probabilities([0.125; 8])],
        labels: vec![label],
    };
    let none = Plane::filled(SIZE, 0.0);
    complete_shadows(
        &mut regions,
        &mut classified,
        &ShadeInputs {
            lit_seen: &Perceived {
                lightness,
                a: none.clone(),
                b: none.clone(),
            },
            ratio: &light.log_ratio[1],
            pool: &light.cells,
            plate_seen: &Perceived {
                lightness: under_pool,
                a: none.clone(),
                b: none.clone(),
            },
            sky: &sky,
            usable: &usable,
        },
    );
    label_plane(&regions, &classified.labels)
}

/// Takes a third of the light in the middle and less than a hundredth 170 px off.
fn soft(x: usize, y: usize) -> f32 {
    let r = distance(x, y) / 90.0;
    0.33 * (-r * r).exp()
}

fn count(labels: &Plane<Label>, label: Label, ring: std::ops::Range<f32>) -> (usize, usize) {
    let mut counts = (0, 0);
    for y in 0..SIZE.rows {
        for x in (0..SIZE.columns).filter(|&x| ring.contains(&distance(x, y))) {
            counts.0 += usize::from(*labels.at(x, y) == label);
            counts.1 += 1;
        }
    }
    counts
}

#[test]
fn a_soft_shadow_is_followed_to_its_end_and_no_farther() {
    let labels = followed(Label::GearShadow, soft);
    let (found, all) = count(&labels, Label::GearShadow, 20.0..55.0);
    assert!(found * 20 > all * 19, "{found} of {all}");
    let (beyond, _) = count(&labels, Label::GearShadow, 110.0..400.0);
    assert_eq!(beyond, 0);
}

#[test]
fn the_persons_soft_shadow_stays() {
    let labels = followed(Label::PersonShadow, soft);
    let (found, _) = count(&labels, Label::GearShadow, 0.0..400.0);
    assert_eq!(found, 0);
}

#[test]
fn nothing_is_added_to_a_shadow_with_a_hard_rim() {
    let labels = followed(Label::GearShadow, |x, y| {
        if distance(x, y) < 20.0 { 0.5 } else { 0.0 }
    });
    let (found, _) = count(&labels, Label::GearShadow, 24.0..400.0);
    assert_eq!(found, 0);
}

#[test]
fn the_persons_shadow_beside_gears_says_nothing_of_the_light_but_before_gear_it_does() {
    let excess = Plane::from_fn(SIZE, |x, _| if x < 300 { -0.4 } else { 0.0 });
    for label in [Label::GearShadow, Label::Gear] {
        let labels = Plane::from_fn(SIZE, |x, y| match (x, y) {
            (300..310, _) => label,
            (310..320, _) => Label::GearShadow,
            (250..260, 150..250) => Label::PersonShadow,
            _ => Label::Other,
        });
        let shaded = persons_shade(&labels, &excess);
        assert_eq!(*shaded.at(290, 200), label == Label::GearShadow);
        assert!(!*shaded.at(330, 200) && !*shaded.at(100, 200) && !*shaded.at(290, 350));
    }
}
