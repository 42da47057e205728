use super::*;
use crate::classify::Probabilities;
use crate::lighting::separate_light;
use crate::region::{FEATURE_COUNT, Piece, PieceFeatures};
use crate::scene::Window;
use crate::scene::drawn::{gravel, grey};

const SIZE: Size = Size {
    columns: 640,
    rows: 400,
};

/// Reach of what was taken for something before, px.
const CORE: f32 = 20.0;

/// Middle of a shadow.
const MIDDLE: (f32, f32) = (320.0, 200.0);

fn distance((column, row): (f32, f32), x: usize, y: usize) -> f32 {
    (x as f32 - column).hypot(y as f32 - row)
}

/// CIELAB lightness of light as seen: blurred as it is before pictures are compared.
fn lightness_seen(light: &Plane<f32>) -> Plane<f32> {
    gaussian(light, 1.2).map(|&y| 116.0 * y.cbrt() - 16.0)
}

fn piece() -> Piece {
    Piece {
        features: PieceFeatures::from_row(&[0.0; FEATURE_COUNT]),
        area: 1256,
        window: Window {
            left: 300,
            top: 180,
            right: 340,
            bottom: 220,
        },
        neighbours: Vec::new(),
    }
}

/// What a floor is taken for under light that `shadow` takes a share of, where [`CORE`] pixels round
/// some places were taken for a label each before.
fn followed(
    cores: &[((f32, f32), Label)],
    shadow: impl Fn(usize, usize) -> f32 + Sync,
) -> Plane<Label> {
    let plate = gravel(SIZE);
    let lit = Plane::from_fn(SIZE, |x, y| plate.at(x, y) * (1.0 - shadow(x, y)));
    let [lit, plate] = [lit, plate].map(grey);
    let (sky, usable) = (Plane::filled(SIZE, false), Plane::filled(SIZE, true));
    let light = separate_light(&lit, &plate, &sky, &usable);
    let under_pool = plate.channels[1].zip(&light.pool[1], |p, r| p * r.exp());
    let [lightness, under_pool] = [&lit.channels[1], &under_pool].map(lightness_seen);
    let numbers = Plane::from_fn(SIZE, |x, y| {
        let is_in = |(place, _): &_| distance(*place, x, y) < CORE;
        cores.iter().position(is_in).map_or(0, |i| i as u32 + 1)
    });
    let mut regions = Regions {
        numbers,
        pieces: cores.iter().map(|_| piece()).collect(),
    };
    let mut classified = Classified {
        probabilities: vec![Probabilities([0.125; 8]); cores.len()],
        labels: cores.iter().map(|&(_, label)| label).collect(),
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
    let r = distance(MIDDLE, x, y) / 90.0;
    0.33 * (-r * r).exp()
}

/// How many of a ring's pixels are gear's shadow, and how many there are.
fn shaded(labels: &Plane<Label>, ring: std::ops::Range<f32>) -> (usize, usize) {
    let mut counts = (0, 0);
    for y in 0..SIZE.rows {
        for x in (0..SIZE.columns).filter(|&x| ring.contains(&distance(MIDDLE, x, y))) {
            counts.0 += usize::from(*labels.at(x, y) == Label::GearShadow);
            counts.1 += 1;
        }
    }
    counts
}

#[test]
fn a_soft_shadow_is_followed_to_its_end_and_no_farther() {
    let labels = followed(&[(MIDDLE, Label::GearShadow)], soft);
    let (found, all) = shaded(&labels, CORE..55.0);
    assert!(found * 20 > all * 19, "{found} of {all}");
    let (beyond, _) = shaded(&labels, 110.0..400.0);
    assert_eq!(beyond, 0);
}

#[test]
fn what_is_nearer_to_the_person_stays_where_two_shadows_meet() {
    let gear = ((295.0, 200.0), Label::GearShadow);
    let person = ((345.0, 200.0), Label::PersonShadow);
    // Below the person's and near enough to gear's to be followed from there.
    let place = (345, 224);
    let alone = followed(&[gear], soft);
    assert_eq!(*alone.at(place.0, place.1), Label::GearShadow);
    let both = followed(&[gear, person], soft);
    assert_eq!(*both.at(place.0, place.1), Label::Other);
    assert_eq!(*both.at(295, 224), Label::GearShadow);
}

/// Many pieces of gear's shadow in one soft shadow, and a single one that passes for the person's.
#[test]
fn a_piece_that_passes_for_the_persons_does_not_keep_gears_shadow() {
    let around = |k: usize| {
        let angle = k as f32 * std::f32::consts::PI / 4.0;
        (MIDDLE.0 + 50.0 * angle.cos(), MIDDLE.1 + 50.0 * angle.sin())
    };
    let labelled = |label: Label| {
        let of_gear = (1..8).map(|k| (around(k), Label::GearShadow));
        followed(
            &of_gear.chain([(around(0), label)]).collect::<Vec<_>>(),
            soft,
        )
    };
    // Nearer to the piece at the right than to any other.
    let place = (395, 200);
    assert_eq!(
        *labelled(Label::PersonShadow).at(place.0, place.1),
        Label::GearShadow
    );
    // Where the person stands, nearness decides.
    assert_eq!(*labelled(Label::Person).at(place.0, place.1), Label::Other);
}

#[test]
fn a_hard_rim_ends_a_shadow_and_what_is_darker_beyond_is_another() {
    let shadow = |rim: f32| {
        move |x: usize, y: usize| match distance(MIDDLE, x, y) {
            r if r < rim => 0.4,
            r if r < 60.0 => 0.15,
            _ => 0.0,
        }
    };
    let labels = followed(&[(MIDDLE, Label::GearShadow)], shadow(CORE));
    let (found, _) = shaded(&labels, 32.0..400.0);
    assert_eq!(found, 0);
    // Without the rim it is one shadow.
    let labels = followed(&[(MIDDLE, Label::GearShadow)], shadow(0.0));
    let (found, all) = shaded(&labels, 32.0..45.0);
    assert!(found * 10 > all * 9, "{found} of {all}");
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
