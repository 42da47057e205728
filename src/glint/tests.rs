use super::*;
use crate::classify::label_plane;
use crate::region::{Piece, PieceFeatures};

const SIZE: Size = Size {
    columns: 480,
    rows: 320,
};

/// Middle of the thing that shines, px.
const MIDDLE: (usize, usize) = (60, 40);

/// Its radius, px.
const RADIUS: f32 = 4.0;

fn radius(x: usize, y: usize) -> f32 {
    (x as f32 - MIDDLE.0 as f32).hypot(y as f32 - MIDDLE.1 as f32)
}

/// A lit frame and a plate of even mid-grey, told apart by what a test changes.
struct Scene {
    lit: Perceived,
    plate: Perceived,
    features: PieceFeatures,
    labels: Vec<Label>,
}

impl Scene {
    /// A white disc that only the lit frame has, and gear in a corner.
    fn with_glint() -> Self {
        let grey = |lightness: Plane<f32>| Perceived {
            lightness,
            a: Plane::filled(SIZE, 0.0),
            b: Plane::filled(SIZE, 0.0),
        };
        let disc = |x, y| if radius(x, y) < RADIUS { 96.0 } else { 45.0 };
        Self {
            lit: grey(Plane::from_fn(SIZE, disc)),
            plate: grey(Plane::filled(SIZE, 45.0)),
            features: PieceFeatures {
                still: 0.9,
                blob_still: 0.9,
                ..PieceFeatures::default()
            },
            labels: vec![Label::Other, Label::Gear],
        }
    }

    /// How many pixels are called a glint.
    fn glint_pixels(&self) -> usize {
        let numbers = Plane::from_fn(SIZE, |x, y| match (radius(x, y) < RADIUS, x < 5) {
            (true, _) => 1,
            (_, true) => 2,
            _ => 0,
        });
        let window = |left, top, right, bottom| Window {
            left,
            top,
            right,
            bottom,
        };
        let piece = |window| Piece {
            features: self.features,
            area: 50,
            window,
            neighbours: Vec::new(),
        };
        let mut regions = Regions {
            numbers,
            pieces: vec![piece(window(56, 36, 65, 45)), piece(window(0, 0, 5, 320))],
        };
        let mut classified = Classified {
            probabilities: vec![Probabilities([0.125; 8]); 2],
            labels: self.labels.clone(),
        };
        let seen = GlintInputs {
            lit_seen: &self.lit,
            plate_seen: &self.plate,
            usable: &Plane::filled(SIZE, true),
        };
        take_glints(&mut regions, &mut classified, &seen);
        let labels = label_plane(&regions, &classified.labels);
        let labels = labels.as_slice().iter();
        labels.filter(|label| **label == Label::Glint).count()
    }
}

#[test]
fn a_white_disc_that_only_the_lit_frame_has_is_a_glint() {
    let inside = (0..SIZE.area()).filter(|i| radius(i % SIZE.columns, i / SIZE.columns) < RADIUS);
    assert_eq!(Scene::with_glint().glint_pixels(), inside.count());
}

/// Common practice, no source: without flash gear in the picture nobody asked for glints to go.
#[test]
fn without_gear_there_is_none() {
    let mut scene = Scene::with_glint();
    scene.labels[1] = Label::Other;
    assert_eq!(scene.glint_pixels(), 0);
}

#[test]
fn what_the_person_wears_is_none() {
    let mut scene = Scene::with_glint();
    scene.labels[0] = Label::Person;
    assert_eq!(scene.glint_pixels(), 0);
}

#[test]
fn what_moves_from_pose_to_pose_is_none() {
    let mut scene = Scene::with_glint();
    scene.features.still = 0.3;
    assert_eq!(scene.glint_pixels(), 0);
}

#[test]
fn paint_in_more_light_keeps_its_colour_and_is_none() {
    let mut scene = Scene::with_glint();
    scene.lit.b = Plane::filled(SIZE, 60.0);
    assert_eq!(scene.glint_pixels(), 0);
}

#[test]
fn a_bright_thing_that_moved_by_a_few_pixels_is_none() {
    let mut scene = Scene::with_glint();
    scene.plate.lightness = Plane::from_fn(SIZE, |x, y| {
        let was_there = radius(x + 8, y) < RADIUS;
        if was_there { 96.0 } else { 45.0 }
    });
    assert_eq!(scene.glint_pixels(), 0);
}

#[test]
fn a_gap_between_leaves_that_all_moved_is_none() {
    let mut scene = Scene::with_glint();
    let leaves = |x: usize, y: usize| 30.0 + 20.0 * (((x / 3) * 7 + (y / 3) * 5) % 3) as f32;
    scene.plate.lightness = Plane::from_fn(SIZE, |x, y| leaves(x + 3, y));
    scene.lit.lightness = Plane::from_fn(SIZE, |x, y| {
        if radius(x, y) < RADIUS {
            96.0
        } else {
            leaves(x, y)
        }
    });
    assert_eq!(scene.glint_pixels(), 0);
}

/// Left of column 60 another surface begins, which shows something else in the lit frame: the mirror image
/// of a box beside a glint on a pane.
#[test]
fn a_glint_at_the_rim_of_its_surface_is_one() {
    let mut scene = Scene::with_glint();
    let beside = |on_pane: f32, beyond: f32| {
        move |x: usize, y: usize| match radius(x, y) < RADIUS {
            _ if x < 60 => beyond,
            true => on_pane.max(45.0),
            false => 45.0,
        }
    };
    scene.plate.lightness = Plane::from_fn(SIZE, beside(45.0, 30.0));
    scene.lit.lightness = Plane::from_fn(SIZE, beside(96.0, 20.0));
    assert!(scene.glint_pixels() > 15);
    // Where the surface itself differs as well it is another thing.
    scene.plate.lightness = Plane::from_fn(SIZE, |x, y| {
        if x < 60 {
            30.0
        } else {
            36.0 + 6.0 * (y % 4) as f32
        }
    });
    assert_eq!(scene.glint_pixels(), 0);
}

#[test]
fn a_cloud_is_none_where_no_other_pose_tells() {
    let mut scene = Scene::with_glint();
    (scene.features.still, scene.features.blob_still) = (0.0, 0.0);
    assert!(scene.glint_pixels() > 0);
    (scene.features.lit_sky, scene.features.plate_sky) = (1.0, 1.0);
    assert_eq!(scene.glint_pixels(), 0);
}

/// CIE 15:2004, section 8.2.1: lightness of half the white's light.
#[test]
fn bright_is_half_of_whites_light() {
    let half = 116.0 * 0.5f32.cbrt() - 16.0;
    assert!((half - BRIGHT).abs() < 0.1, "{half}");
}
