//! What is said of a person beside gear and flash: a sample frame with pieces drawn over what was found
//! in it, so that no classifier stands between the picture and the rule.

use std::path::Path;
use std::sync::OnceLock;

use super::*;
use crate::check::SmallFrame;
use crate::classify::Probabilities;
use crate::photo::{self, ReadLimits};
use crate::pipeline::SetUp;
use crate::region::Stands;
use crate::scene::Window;

fn sample(name: &str) -> SmallFrame {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/boatyard");
    let photo = photo::read(&Path::new(folder).join(name), &ReadLimits::default());
    SmallFrame::of(&photo.unwrap())
}

fn shots() -> &'static [SmallFrame; 2] {
    static SHOTS: OnceLock<[SmallFrame; 2]> = OnceLock::new();
    SHOTS.get_or_init(|| ["lit-1.jpg", "plate.jpg"].map(sample))
}

/// The sample with nothing in it but these pieces.
fn with_pieces<'a>(pieces: &[(Label, Window)]) -> Pair<'a> {
    let [lit, plate] = shots();
    let set_up = SetUp::new(vec![plate.small.clone()]).unwrap();
    let mut over = set_up.overview(0, &lit.small).unwrap();
    let number_at = |x: usize, y: usize| {
        let inside = |w: &Window| (w.left..w.right).contains(&x) && (w.top..w.bottom).contains(&y);
        let found = pieces.iter().position(|(_, window)| inside(window));
        found.map_or(0, |i| i as u32 + 1)
    };
    over.regions.numbers = Plane::from_fn(over.labels.size(), number_at);
    over.classified.labels = pieces.iter().map(|(label, _)| *label).collect();
    let sure = |label: Label| {
        let mut probabilities = [0.0; 8];
        probabilities[label.index() as usize] = 1.0;
        Probabilities(probabilities)
    };
    over.classified.probabilities = pieces.iter().map(|(label, _)| sure(*label)).collect();
    let labels = &over.classified.labels;
    over.labels = over.regions.numbers.map(|&n| match n {
        0 => Label::Other,
        n => labels[n as usize - 1],
    });
    Pair {
        lit,
        plate,
        stands: vec![Stands::Nowhere; pieces.len()],
        over,
    }
}

/// Left, top, right, bottom as shares of the sample's width and height, 900 x 600.
fn window([left, top, right, bottom]: [f64; 4]) -> Window {
    let size = shots()[0].small.samples.size;
    let at = |share: f64, length: usize| (share * length as f64).round() as usize;
    Window {
        left: at(left, size.columns),
        top: at(top, size.rows),
        right: at(right, size.columns),
        bottom: at(bottom, size.rows),
    }
}

fn person() -> (Label, Window) {
    (Label::Person, window([0.4, 0.4, 0.5, 0.9]))
}

fn only(reasons: &[Reason], fault: Fault) -> Option<&Reason> {
    reasons.iter().find(|r| r.fault == fault)
}

#[test]
fn gear_that_touches_the_person_is_told_by_the_length_of_the_touch() {
    let gear = |bottom: f64| (Label::Gear, window([0.5, 0.5, 0.7, bottom]));
    let told = |bottom: f64| reasons(&with_pieces(&[person(), gear(bottom)]));
    // Along 30 % of the height, 20 % of the width: far beyond the 3 % that spoil.
    let spoils = told(0.8);
    let spoils = only(&spoils, Fault::GearTouchesPerson).unwrap();
    assert_eq!(
        (spoils.bearing, spoils.shot),
        (Bearing::Spoils, Shot::LitFrame)
    );
    assert!(
        spoils.now.contains("shoot the lit frame again"),
        "{}",
        spoils.now
    );
    // Along 3 % of the height, 2 % of the width.
    let noted = told(0.53);
    let noted = only(&noted, Fault::GearTouchesPerson).unwrap();
    assert_eq!(noted.bearing, Bearing::Noted);
    assert!(!noted.now.contains("again"), "{}", noted.now);
    let clear = (Label::Gear, window([0.52, 0.5, 0.7, 0.8]));
    let clear = reasons(&with_pieces(&[person(), clear]));
    assert_eq!(only(&clear, Fault::GearTouchesPerson), None);
}

#[test]
fn a_shadow_that_meets_the_person_is_told_where_it_does() {
    let shadow = (Label::GearShadow, window([0.5, 0.7, 0.8, 0.85]));
    let pair = with_pieces(&[person(), shadow]);
    let found = reasons(&pair);
    let told = only(&found, Fault::ShadowOnPerson).unwrap();
    assert_eq!(told.bearing, Bearing::Spoils);
    let place = told.place.unwrap();
    let edge = pair.full(shadow.1).x;
    assert!(
        place.x <= edge && edge <= place.x + place.width,
        "{place:?}"
    );
    assert_eq!(only(&found, Fault::GearTouchesPerson), None);
}

#[test]
fn doubtful_pieces_are_no_evidence_of_a_touch() {
    let gear = (Label::Gear, window([0.5, 0.5, 0.7, 0.8]));
    let mut pair = with_pieces(&[person(), gear]);
    let mut doubtful = [0.0; 8];
    doubtful[Label::Gear.index() as usize] = 0.6;
    doubtful[Label::Other.index() as usize] = 0.4;
    pair.over.classified.probabilities[1] = Probabilities(doubtful);
    assert_eq!(only(&reasons(&pair), Fault::GearTouchesPerson), None);
}

#[test]
fn a_border_that_cuts_gear_in_the_light_of_the_flash_is_told() {
    let gear = (Label::Gear, window([0.9, 0.6, 1.0, 0.95]));
    let mut pair = with_pieces(&[person(), gear]);
    let ambient = pair.over.gain[1].ln();
    pair.over.sky = pair.over.sky.map(|_| false);
    // A stop of flash on the right third, none elsewhere.
    let third = 2 * pair.over.labels.size().columns / 3;
    pair.over.pool[1] = Plane::from_fn(pair.over.labels.size(), |x, _| {
        ambient
            + if x > third {
                std::f32::consts::LN_2
            } else {
                0.0
            }
    });
    let found = reasons(&pair);
    let told = only(&found, Fault::PoolCut).unwrap();
    // 35 % of the height is 23 % of the width, of which 15 % leave doubt and never spoil.
    assert_eq!(told.bearing, Bearing::Doubtful);
    assert!(told.now.starts_with("look at it"), "{}", told.now);
    pair.over.pool[1] = pair.over.pool[1].map(|_| ambient);
    assert_eq!(only(&reasons(&pair), Fault::PoolCut), None);
}
